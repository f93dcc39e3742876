"""The stock: what there is of each thing, its lots, and what is booked at the shelf."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from accounts import access
from accounts.models import User
from wholesale.actions import deliveries
from wholesale.actions import stock as shelf
from wholesale.actions.ledger import SHELF
from wholesale.core.values import Refusal, day_words
from wholesale.maker.forms import page as answer
from wholesale.maker.forms import told
from wholesale.maker.stock_forms import (
    BecauseForm,
    CountForm,
    DayForm,
    MoveForm,
    OrderForm,
    ReceiveForm,
    ShelfForm,
    StopForm,
    TakeOutForm,
    TargetForm,
)
from wholesale.queries import spare, stock, trace
from wholesale.queries.stock import LotPage, SkuPage
from wholesale.web.access import bench_only, maker_only, signed_in


@require_GET
@bench_only
def stock_list(request: HttpRequest) -> HttpResponse:
    """Everything that is stocked, with its figures."""
    return render(request, "maker/stock.html", {"groups": stock.stock_list(), "making": spare.for_shelf()})


@require_GET
@bench_only
def sku(request: HttpRequest, item: str, scent: str = "") -> HttpResponse:
    """One product, part or material: its figures with their rows, and its lots."""
    return _sku(request, stock.sku_page(item, scent))


@require_POST
@bench_only
def receive(request: HttpRequest, item: str, scent: str = "") -> HttpResponse:
    """Book a delivery; the second of two taps books nothing more."""
    page = stock.sku_page(item, scent)
    form = ReceiveForm(page, request.POST)
    if not form.is_valid():
        return _sku(request, page, receiving=form)
    try:
        lot = _received(signed_in(request), item, scent, form.cleaned_data)
    except Refusal as refusal:
        return _sku(request, page, receiving=form.answered(refusal))
    messages.success(request, f"Received as lot {lot}. Write this number on it.")
    return redirect("bench:lot", lot)


def _received(by: User, item: str, scent: str, typed: dict[str, Any]) -> str:
    """Book what came: one of the deliveries on order, or something else."""
    delivery = typed.pop("delivery", None)
    if delivery is None:
        return shelf.receive(by=by, item=item, scent=scent, **typed)
    return deliveries.receive(by=by, delivery=delivery, **typed)


@require_POST
@bench_only
def order(request: HttpRequest, item: str, scent: str = "") -> HttpResponse:
    """Note what was ordered from a supplier."""
    page = stock.sku_page(item, scent)
    form = OrderForm(page, request.POST)
    if not form.is_valid():
        return _sku(request, page, ordering=form)
    try:
        deliveries.order(by=signed_in(request), item=item, scent=scent, **form.cleaned_data)
    except Refusal as refusal:
        return _sku(request, page, ordering=form.answered(refusal))
    messages.success(request, f"On order, to come on {day_words(form.cleaned_data['expected_on'])}.")
    return _to_sku(item, scent)


@require_POST
@bench_only
def move_delivery(request: HttpRequest, delivery: int) -> HttpResponse:
    """Say that a delivery comes on another day."""
    item, scent = stock.delivery_of(delivery)
    form = DayForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Say on which day it comes now, as in 2026-03-05; nothing was changed.")
        return _to_sku(item, scent)
    day = form.cleaned_data["expected_on"]
    with told(request, f"It is expected on {day_words(day)}."):
        deliveries.move(by=signed_in(request), delivery=delivery, expected_on=day)
    return _to_sku(item, scent)


@require_POST
@maker_only
def call_off(request: HttpRequest, delivery: int) -> HttpResponse:
    """Say that a delivery will not come."""
    item, scent = stock.delivery_of(delivery)
    with told(request, "Called off: nobody waits for it any more."):
        deliveries.call_off(by=signed_in(request), delivery=delivery, because=request.POST.get("because", ""))
    return _to_sku(item, scent)


def _to_sku(item: str, scent: str) -> HttpResponse:
    return redirect("bench:sku_scent", item, scent) if scent else redirect("bench:sku", item)


@require_POST
@maker_only
def target(request: HttpRequest, item: str, scent: str = "") -> HttpResponse:
    """Say how many free pieces the shelf shall have."""
    page = stock.sku_page(item, scent)
    form = TargetForm(request.POST)
    if not form.is_valid():
        return _sku(request, page, target=form)
    with told(request, f"The shelf shall have {form.cleaned_data['pieces']} free."):
        shelf.set_target(by=signed_in(request), item=item, scent=scent, pieces=form.cleaned_data["pieces"])
    return _to_sku(item, scent)


@require_GET
@bench_only
def lot(request: HttpRequest, code: str) -> HttpResponse:
    """One lot with its ledger and what can be booked."""
    return _lot(request, stock.lot_page(code))


@require_GET
@bench_only
def lot_trace(request: HttpRequest, code: str) -> HttpResponse:
    """Where a lot went, down to the shops, and what it came from."""
    known = {
        "page": stock.lot_page(code),
        "ways": (("Where it went", trace.trace_forward(code)), ("What it came from", trace.trace_back(code))),
    }
    return render(request, "maker/stock_trace.html", known)


@require_POST
@bench_only
def count(request: HttpRequest, code: str) -> HttpResponse:
    """Book what was found of a lot."""
    return _booked(request, code, "counting", shelf.count, "Counted: the ledger agrees with the shelf.")


@require_POST
@bench_only
def take_out(request: HttpRequest, code: str) -> HttpResponse:
    """Book scrap, a sample or breakage."""
    return _booked(request, code, "taking", shelf.take_out, "Taken out of the ledger.", messages.WARNING)


@require_POST
@bench_only
def move(request: HttpRequest, code: str) -> HttpResponse:
    """Book that something lies elsewhere now."""
    return _booked(request, code, "moving", shelf.move_place, "Moved.")


@require_POST
@bench_only
def hold(request: HttpRequest, code: str) -> HttpResponse:
    """Stop a lot, and what was made of it if asked."""
    words = "On hold: nothing of it is used, promised or packed."
    return _state(request, code, shelf.hold, words, messages.WARNING, **_spread(request))


@require_POST
@maker_only
def release(request: HttpRequest, code: str) -> HttpResponse:
    """Let a stopped lot be used again."""
    return _state(request, code, shelf.release, "Released.")


@require_POST
@maker_only
def recall(request: HttpRequest, code: str) -> HttpResponse:
    """Call a lot back, and what was made of it if asked."""
    words = "Recalled. What orders held of it here is planned anew."
    return _state(request, code, shelf.recall, words, messages.WARNING, **_spread(request))


@require_POST
@maker_only
def take_back(request: HttpRequest, code: str, entry: int) -> HttpResponse:
    """Correct a wrong entry by one that takes it back."""
    with told(request, "The entry is taken back; both stay in the ledger."):
        shelf.take_back(by=signed_in(request), entry=entry, because=request.POST.get("because", ""))
    return redirect("bench:lot", code)


def _booked(
    request: HttpRequest, code: str, name: str, act: Any, words: str, level: int = messages.SUCCESS
) -> HttpResponse:
    """Book what one of the lot page's forms says; a refusal is shown beside its field, and what was typed stays."""
    page = stock.lot_page(code)
    form = _forms(request, page, request.POST)[name]
    if not form.is_valid():
        return _lot(request, page, **{name: form})
    try:
        act(by=signed_in(request), lot=code, **form.cleaned_data)
    except Refusal as refusal:
        return _lot(request, page, **{name: form.answered(refusal)})
    messages.add_message(request, level, words)
    return redirect("bench:lot", code)


def _state(
    request: HttpRequest, code: str, act: Any, words: str, level: int = messages.SUCCESS, **also: bool
) -> HttpResponse:
    with told(request, words, level):
        act(by=signed_in(request), lot=code, because=request.POST.get("because", ""), **also)
    return redirect("bench:lot", code)


def _spread(request: HttpRequest) -> dict[str, bool]:
    return {"made_of_it": bool(request.POST.get("made_of_it"))}


def _forms(request: HttpRequest, page: LotPage, *typed: Any) -> dict[str, ShelfForm]:
    """The forms of a lot's page, each with ids of its own."""
    unit, maker = page.unit, access.is_maker(request.user)
    places = [place.name for place in page.places] or [SHELF]
    return {
        "counting": CountForm(unit, places[0], *typed, maker=maker, auto_id="count-%s"),
        "taking": TakeOutForm(unit, places, *typed, maker=maker, auto_id="take-%s"),
        "moving": MoveForm(unit, places, *typed, auto_id="move-%s"),
    }


def _lot(request: HttpRequest, page: LotPage, **typed: ShelfForm) -> HttpResponse:
    made = trace.made_of(page.lot.code)
    also = {"made_of_it": page.lot.state != "ok"}
    known = {
        "page": page, "made": made, "stopping": StopForm(made, auto_id="hold-%s", initial=also),
        "calling": StopForm(made, auto_id="recall-%s", initial=also), "releasing": BecauseForm(auto_id="release-%s"),
    }  # fmt: skip
    known |= {**_forms(request, page), **typed}
    return answer(request, "maker/stock_lot.html", known, next(iter(typed.values()), None))


def _sku(request: HttpRequest, page: SkuPage, **typed: forms.Form) -> HttpResponse:
    known = {
        "page": page,
        "receiving": ReceiveForm(page),
        "ordering": OrderForm(page),
        "target": TargetForm(initial={"pieces": page.row.target}),
    }
    return answer(request, "maker/stock_sku.html", known | typed, next(iter(typed.values()), None))
