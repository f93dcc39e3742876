"""One load: what to weigh, weighing it, marking it done, releasing, giving up and taking back; its batch sheet."""

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from accounts import access
from wholesale.actions import batches, production
from wholesale.core.values import Conflict, Refusal
from wholesale.maker.forms import linked, refused, told
from wholesale.maker.forms import page as answer
from wholesale.maker.load_forms import DoneForm, ScrapForm, TakeBackForm, WeighForm
from wholesale.maker.papers import papers_of_load
from wholesale.queries import day_sheet
from wholesale.queries.load_page import LoadPage, load_page
from wholesale.web.access import bench_only, maker_only, signed_in


@require_GET
@bench_only
def load(request: HttpRequest, number: int) -> HttpResponse:
    """One load with what to weigh and the forms for what may be done next; ``failed`` opens the one to scrap it."""
    return _page(request, load_page(number))


@require_POST
@bench_only
def weigh(request: HttpRequest, number: int) -> HttpResponse:
    """Record what was weighed; the second of two phones is told and changes nothing."""
    page = load_page(number)
    form = WeighForm(page, request.POST)
    if not page.may_weigh or not form.is_valid():
        return _told_or_shown(request, page, form)
    try:
        batch = batches.weigh(by=signed_in(request), load=number, weights=form.weights(), swaps=form.swaps())
    except Conflict as conflict:
        messages.info(request, conflict.message)
    except Refusal as refusal:
        return _page(request, page, weigh=refused(form, form.beside(refusal)))
    else:
        messages.success(request, f"Weighed: batch {batch}. Write this number on the pot.")
    return redirect("bench:load", number)


def _told_or_shown(request: HttpRequest, page: LoadPage, form: WeighForm) -> HttpResponse:
    if page.may_weigh:
        return _page(request, page, weigh=form)
    messages.info(request, f"This load is already weighed as {page.load.number}; nothing was changed.")
    return redirect("bench:load", page.load.id)


@require_POST
@bench_only
def done(request: HttpRequest, number: int) -> HttpResponse:
    """Record what came of a load; the second of two taps changes nothing and says so."""
    page = load_page(number)
    form = DoneForm(page, request.POST)
    if not form.is_valid():
        return _page(request, page, done=form)
    try:
        batch = batches.mark_done(by=signed_in(request), load=number, made=form.made())
    except Conflict as conflict:
        messages.info(request, conflict.message)
    except Refusal as refusal:
        return _page(request, page, done=refused(form, form.beside(refusal)))
    else:
        _tell_done(request, number, batch)
    return redirect("bench:load", number)


def _tell_done(request: HttpRequest, number: int, batch: str) -> None:
    """Say the batch number, what to write on the pieces, and what follows from those that did not come good."""
    page = load_page(number)
    others = [lot for lot in page.lots if lot != page.load.number]
    write = f"Write lot {' and '.join(others)} on the pieces." if others else "Write this number on the tray."
    words = f"Done: batch {batch}. {write}"
    if missing := page.load.pieces - (page.load.good or 0):
        more = f"{missing} not good: planned anew, and the queue shows which order is late."
        messages.warning(request, f"{words} {more}")
    else:
        messages.success(request, words)


@require_POST
@bench_only
def release(request: HttpRequest, number: int) -> HttpResponse:
    """Release a cured batch for sale."""
    with told(request, "Released: it may be sold now."):
        batches.release(by=signed_in(request), load=number)
    return redirect("bench:load", number)


@require_POST
@bench_only
def scrap(request: HttpRequest, number: int) -> HttpResponse:
    """Give a batch up; what it was to make is planned anew."""
    form = ScrapForm(request.POST)
    if not form.is_valid():
        return _page(request, load_page(number), scrap=form)
    words = linked(
        "Scrapped. What it was to make is planned anew.", reverse("bench:queue"), "The queue shows which order is short"
    )  # fmt: skip
    with told(request, words, messages.WARNING):
        batches.scrap(by=signed_in(request), load=number, because=form.cleaned_data["because"])
    return redirect("bench:load", number)


@require_POST
@maker_only
def take_back(request: HttpRequest, number: int) -> HttpResponse:
    """Take back that a load was marked done."""
    form = TakeBackForm(request.POST)
    because = form.cleaned_data["because"] if form.is_valid() else ""
    with told(request, "Taken back: the batch stands as begun, and what it wrote into stock is countered."):
        batches.take_back(by=signed_in(request), load=number, because=because)
    return redirect("bench:load", number)


@require_POST
@bench_only
def sheet(request: HttpRequest, number: int) -> HttpResponse:
    """Have the batch sheet made."""
    production.batch_sheet(by=signed_in(request), load=number)
    messages.success(request, "The batch sheet is being made; it appears below.")
    return redirect("bench:load", number)


def _page(request: HttpRequest, page: LoadPage, **typed: Form) -> HttpResponse:
    """The page with its forms; one that was ``typed`` and refused is shown as typed."""
    known = {
        "page": page, "load": page.load, "papers": papers_of_load(page.load.id), "cautions": day_sheet.CAUTIONS,
        "weigh": WeighForm(page), "done": DoneForm(page), "scrap": ScrapForm(), "take_back": TakeBackForm(),
        "is_maker": access.is_maker(signed_in(request)), "failed": "failed" in request.GET,
    }  # fmt: skip
    return answer(request, "maker/load.html", known | typed, next(iter(typed.values()), None))
