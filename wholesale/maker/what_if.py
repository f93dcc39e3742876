"""What if: questions about the plan, answered without changing it."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any, NamedTuple

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from wholesale.core.production.calendar import DayKind
from wholesale.core.production.troubles import DayOff
from wholesale.core.production.what_if import Situation
from wholesale.core.values import Refusal
from wholesale.maker.bad_nights import DayForm, day_field
from wholesale.maker.forms import PlainForm, refused
from wholesale.queries import what_if
from wholesale.web.access import bench_only

#: S4 of the trade: a typical large order.
TYPICAL = 20
#: More than a bench makes in a year, or a day has.
MOST_CASES, MOST_MINUTES = 500, 600


class OrderForm(PlainForm):
    """An order of up to so many lines that somebody asks about; ``lines`` has (product, cases) of each."""

    product = forms.ChoiceField(label="Product")
    cases = forms.IntegerField(label="Cases", min_value=1, max_value=MOST_CASES)
    product_2 = forms.ChoiceField(label="And", required=False)
    cases_2 = forms.IntegerField(label="Cases of it", min_value=1, max_value=MOST_CASES, required=False)
    product_3 = forms.ChoiceField(label="And", required=False)
    cases_3 = forms.IntegerField(label="Cases of it", min_value=1, max_value=MOST_CASES, required=False)
    by = day_field("Has to leave by", required=False)

    def clean(self) -> dict[str, Any]:
        """The lines that are filled in; a product without its cases, or cases without a product, is asked about."""
        typed = {name: self.cleaned_data.pop(name, None) for name in [n for n in self.fields if n != "by"]}
        for more in ("_2", "_3"):
            product, cases = typed[f"product{more}"], typed[f"cases{more}"]
            if product and not cases and f"cases{more}" not in self.errors:
                self.add_error(f"cases{more}", "Say how many cases, or leave the product empty.")
            if cases and not product and f"product{more}" not in self.errors:
                self.add_error(f"product{more}", "Choose the product, or leave the cases empty.")
        lines = [(typed[f"product{n}"], typed[f"cases{n}"]) for n in ("", "_2", "_3") if typed[f"product{n}"]]
        return {**self.cleaned_data, "lines": lines}


class MoreForm(PlainForm):
    """Equipment that could be bought, and a typical order to try it on."""

    equipment = forms.ChoiceField(label="One more of")
    product = forms.ChoiceField(label="Tried on an order of")
    cases = forms.IntegerField(label="Cases", min_value=1, max_value=MOST_CASES)


class LongerForm(PlainForm):
    """Minutes more on a day."""

    hands = forms.ChoiceField(label="Whose minutes")
    day = day_field("On")
    minutes = forms.IntegerField(label="Minutes more", min_value=1, max_value=MOST_MINUTES)


class DearerForm(PlainForm):
    """A material that gets dearer, or cheaper."""

    material = forms.ChoiceField(label="What")
    percent = forms.DecimalField(
        label="Dearer by, in per cent (below 0: cheaper)", min_value=Decimal(-99), max_value=Decimal(1000),
        max_digits=7, decimal_places=2,
    )  # fmt: skip


class Question(NamedTuple):
    """One question: its name in the address, its title, its form, and who answers it."""

    name: str
    title: str
    form: type[PlainForm]
    answer: Callable[..., what_if.Found]


def _day(now: Situation, day: Any, kind: str, note: str) -> what_if.Found:
    return what_if.trouble(now, DayOff(day=day, kind=DayKind(kind), note=note))


QUESTIONS = {
    question.name: question
    for question in (
        Question("order", "This order?", OrderForm, what_if.order),
        Question("more", "One more tray, pot or bowl?", MoreForm, what_if.one_more),
        Question("day", "Monday off, a market on Saturday?", DayForm, _day),
        Question("longer", "An hour more on Friday?", LongerForm, what_if.longer),
        Question("dearer", "Oil 20 % dearer?", DearerForm, what_if.dearer),
    )
}


@require_GET
@bench_only
def ask(request: HttpRequest) -> HttpResponse:
    """The questions, and the answer to the one that is asked."""
    name, now = request.GET.get("ask", ""), what_if.situation()
    found, shown = None, _forms(now, request.GET if name in QUESTIONS else None, name)
    if name in QUESTIONS and shown[name].is_valid():
        try:
            found = QUESTIONS[name].answer(now, **shown[name].cleaned_data)
        except Refusal as refusal:
            refused(shown[name], refusal)
    known = {"found": found, "name": name, "questions": [(QUESTIONS[n], form, n == name) for n, form in shown.items()]}
    wrong = name in QUESTIONS and bool(shown[name].errors)
    return render(request, "maker/what_if.html", known, status=422 if wrong else 200)


def _forms(now: Situation, typed: Any, asked: str) -> dict[str, PlainForm]:
    """The five forms, one of them as it was typed."""
    goods = now.shop.catalogue
    equipment = what_if.equipment_choices(goods)
    known: dict[str, dict[str, Any]] = {
        "order": {"cases": TYPICAL}, "more": {"cases": TYPICAL, **_typical(now, equipment)}, "day": {},
        "longer": {"minutes": 60, "day": now.first_day}, "dearer": {"percent": 20},
    }  # fmt: skip
    found = {
        name: question.form(typed if name == asked else None, initial=known[name], auto_id=f"{name}-%s")
        for name, question in QUESTIONS.items()
    }
    for form in found.values():
        _choose(form, "product", what_if.product_choices(goods))
        for more in ("product_2", "product_3"):
            _choose(form, more, [("", "nothing else"), *what_if.product_choices(goods)])
        _choose(form, "equipment", equipment)
        _choose(form, "hands", what_if.hands_choices(now))
        _choose(form, "material", what_if.material_choices(goods))
    return found


def _typical(now: Situation, equipment: list[tuple[str, str]]) -> dict[str, str]:
    """The last equipment in the list (the trays, where they are), and the first product that needs it."""
    if not equipment:
        return {}
    code = equipment[-1][0]
    return {"equipment": code, "product": what_if.typical_product(now.shop.catalogue, code)}


def _choose(form: forms.Form, name: str, choices: list[tuple[str, str]]) -> None:
    field = form.fields.get(name)
    if isinstance(field, forms.ChoiceField):
        field.choices = choices
