"""Something went wrong: five plain choices, what would happen, and the ways out."""

from collections.abc import Callable
from typing import Any, NamedTuple
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import bad_nights as act
from wholesale.core.production.calendar import DayKind
from wholesale.core.production.troubles import Broken, DayOff, Ill, Trouble
from wholesale.core.values import Conflict, Refusal
from wholesale.maker.forms import PlainForm, linked, page, refused, told
from wholesale.queries import bad_nights, what_if
from wholesale.web.access import bench_only, signed_in

#: More than a day has.
MOST_MINUTES = 9999


def day_field(label: str, **other: Any) -> forms.DateField:
    """A day to choose."""
    return forms.DateField(label=label, widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"), **other)


class IllForm(PlainForm):
    """Who is missed, when, and how much of the day."""

    hands = forms.ChoiceField(label="Whose minutes")
    day = day_field("On")
    minutes = forms.IntegerField(label="Minutes that fall away", min_value=1, max_value=MOST_MINUTES)


class BrokenForm(PlainForm):
    """What is out of use, and until when."""

    equipment = forms.ChoiceField(label="What")
    count = forms.IntegerField(label="How many are out of use", min_value=1, max_value=MOST_MINUTES)
    first = day_field("From")
    last = day_field("Last day out of use", required=False)


class DayForm(PlainForm):
    """A day that is not as the week has it."""

    day = day_field("Which day")
    kind = forms.ChoiceField(
        label="It is",
        choices=[
            (DayKind.MARKET, "a market day"),
            (DayKind.CLOSED, "closed, nobody works"),
            (DayKind.WORK, "worked after all"),
        ],
    )
    note = forms.CharField(label="What for", required=False, max_length=120)


class DeliveryForm(PlainForm):
    """A delivery, and the day it comes instead."""

    delivery = forms.ChoiceField(label="Which delivery")
    expected_on = day_field("Comes on")


class Choice(NamedTuple):
    """One thing that goes wrong: its form, what would happen, and the action."""

    kind: str
    title: str
    form: type[PlainForm]
    trouble: Callable[[dict[str, Any]], Trouble]
    action: Callable[..., int]


CHOICES = {
    choice.kind: choice
    for choice in (
        Choice("ill", "Somebody is ill", IllForm, lambda typed: Ill(**typed), act.helper_ill),
        Choice("broken", "A mould, pot or bowl is broken", BrokenForm, lambda typed: Broken(**typed),
               act.equipment_broken),
        Choice("day", "A market, a closed day", DayForm, lambda typed: DayOff(**_day(typed)),
               lambda **typed: act.day_changed(**_day(typed))),
        Choice("delivery", "A delivery is late", DeliveryForm, lambda typed: bad_nights.late(**typed),
               act.delivery_late),
    )
}  # fmt: skip


def _day(typed: dict[str, Any]) -> dict[str, Any]:
    return {**typed, "kind": DayKind(typed["kind"])}


@require_GET
@bench_only
def bad_night(request: HttpRequest) -> HttpResponse:
    """What went wrong? And the ways out of what already did."""
    return _page(request)


@require_POST
@bench_only
def report(request: HttpRequest, kind: str) -> HttpResponse:
    """First what would happen; sent again with ``do``, it has happened. Each preview's token reports once."""
    if kind not in CHOICES:
        raise Http404
    choice, form = CHOICES[kind], _forms(request.POST, kind)[kind]
    if not form.is_valid():
        return _page(request, kind, form)
    typed = _typed(form)
    try:
        if "do" in request.POST:
            token = request.POST.get("token", "")
            return _done(request, choice.action(by=signed_in(request), token=token, **typed))
        preview = bad_nights.preview(choice.trouble(typed))
    except Refusal as refusal:
        return _page(request, kind, refused(form, refusal))
    known = {"choice": choice, "form": form, "preview": preview, "token": uuid4().hex}
    return render(request, "maker/bad_night_preview.html", known)


@require_GET
@bench_only
def reported(request: HttpRequest, change: int) -> HttpResponse:
    """What a report did, which promises are in danger now, and the ways out."""
    known = {"change": bad_nights.change(change), "danger": bad_nights.danger()}
    return render(request, "maker/bad_night_report.html", known)


@require_GET
@bench_only
def ways(request: HttpRequest) -> HttpResponse:
    """The ways out, as a part of a page that is open already: finding them takes a moment on a large bench."""
    inside = request.headers.get("HX-Request")
    template = "maker/ways.html" if inside else "maker/ways_page.html"
    return render(request, template, {"ways": bad_nights.ways_out(), "danger": () if inside else bad_nights.danger()})


@require_POST
@bench_only
def take_back(request: HttpRequest, change: int) -> HttpResponse:
    """It did not happen, or is over: put back what was changed."""
    with told(request, "Taken back, and planned on what is there again."):
        return redirect("bench:reported", _taken_back(request, change))
    return redirect("bench:reported", change)


def _taken_back(request: HttpRequest, change: int) -> int:
    """Take a report back; where a later one has to go back first, the refusal links to it."""
    try:
        return act.take_back(by=signed_in(request), change=change)
    except Conflict as conflict:
        if later := conflict.facts.get("report"):
            words = linked(conflict.message, reverse("bench:reported", args=[later]), "Open that report")
            raise Conflict(conflict.code, words) from conflict
        raise


@require_POST
@bench_only
def take(request: HttpRequest) -> HttpResponse:
    """Take one of the ways out."""
    version = request.POST.get("version", "")
    with told(request, "Done: the plan is changed as it was shown."):
        found = act.take_rescue(
            by=signed_in(request), code=request.POST.get("code", ""), version=int(version) if version.isdigit() else 0
        )
        return redirect("bench:reported", found)
    return redirect("bench:bad_night")


def _done(request: HttpRequest, change: int) -> HttpResponse:
    messages.success(request, "Recorded, and planned again.")
    return redirect("bench:reported", change)


def _typed(form: forms.Form) -> dict[str, Any]:
    """What was typed, in the words of the actions."""
    typed = dict(form.cleaned_data)
    return typed | {"delivery": int(typed["delivery"])} if "delivery" in typed else typed


def _forms(typed: Any = None, kind: str = "") -> dict[str, PlainForm]:
    """The four forms, each with ids of its own, one of them as it was typed."""
    now = what_if.situation()
    hands = what_if.hands_choices(now)
    minutes = now.shop.calendar.minutes(hands[0][0], now.first_day) if hands else 0
    known = {
        "ill": {"day": now.first_day, "minutes": minutes},
        "broken": {"count": 1, "first": now.first_day},
        "day": {"day": now.first_day},
        "delivery": {},
    }
    found = {
        name: choice.form(typed if name == kind else None, initial=known[name], auto_id=f"{name}-%s")
        for name, choice in CHOICES.items()
    }
    _choose(found["ill"], "hands", hands)
    _choose(found["broken"], "equipment", what_if.equipment_choices(now.shop.catalogue))
    _choose(found["delivery"], "delivery", bad_nights.delivery_choices())
    return found


def _choose(form: forms.Form, name: str, choices: list[tuple[str, str]]) -> None:
    field = form.fields[name]
    if isinstance(field, forms.ChoiceField):
        field.choices = choices


def _page(request: HttpRequest, kind: str = "", form: PlainForm | None = None) -> HttpResponse:
    shown = _forms() | ({kind: form} if form else {})
    known = {
        "choices": [(CHOICES[name], found, name == kind) for name, found in shown.items()],
        "begun": bad_nights.begun(), "recent": bad_nights.recent(), "danger": bad_nights.danger(),
    }  # fmt: skip
    return page(request, "maker/bad_night.html", known, form)
