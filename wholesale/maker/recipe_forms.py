"""The recipe form: rows of lines and steps as they were typed, and the recipe they mean.

Rows are added, moved and taken out by buttons of the form itself, so that it works
without a script. Percentages are typed as the bench says them: 8 for 8 %.
"""

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from typing import Any, ClassVar

from django import forms
from django.forms import formset_factory
from django.utils.text import slugify

from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Operation, Recipe, RecipeLine, Unit
from wholesale.core.values import Refusal, bare
from wholesale.maker.forms import PlainForm
from wholesale.queries.recipes import RecipePage

#: Stands for the oil of the scent that is made.
SCENT_OIL = "*"
#: Most rows a form takes: more are no recipe of a bench.
_MOST_ROWS = 60
PIECE_BASES = ((Basis.PER_PIECE, "in each piece"), (Basis.PER_BATCH, "in each batch"))
MELT_BASES = (
    (Basis.SHARE, "% of the wax"),
    (Basis.LOAD_ON_CARRIER, "% load, of the wax"),
    (Basis.LOAD_ON_TOTAL, "% load, of the whole"),
    (Basis.PER_BATCH, "in each batch"),
)
_PERCENT = {Basis.SHARE, Basis.LOAD_ON_CARRIER, Basis.LOAD_ON_TOTAL}
_ENDS = {"out", "up"}


class RowForm(PlainForm):
    """A row of the recipe: the fields that most rows need stand ``FIRST``, the others wait behind them."""

    #: All of them, where none is named.
    FIRST: ClassVar[frozenset[str]] = frozenset()

    @property
    def first(self) -> list[forms.BoundField]:
        """What most rows need."""
        return [field for field in self.visible_fields() if not self.FIRST or field.name in self.FIRST]

    @property
    def more(self) -> list[forms.BoundField]:
        """What some rows need."""
        return [field for field in self.visible_fields() if self.FIRST and field.name not in self.FIRST]

    @property
    def more_words(self) -> str:
        """What is filled in behind, so that nothing is out of sight unsaid: ``Cures, days: 10; Take care``."""
        filled = [field for field in self.more if field.value()]
        return "; ".join(
            f"{field.label}" if field.widget_type == "textarea" else f"{field.label}: {field.value()}"
            for field in filled
        )

    @property
    def more_is_wrong(self) -> bool:
        """Is something behind to be mended?"""
        return any(field.errors for field in self.more)


class LineForm(RowForm):
    """One component: what, how much, of what, at which step."""

    component = forms.ChoiceField(label="What")
    quantity = forms.DecimalField(label="Grams, pieces or %", max_digits=14, decimal_places=6)
    basis = forms.ChoiceField(label="Counted as")
    carrier = forms.ChoiceField(label="Load on", required=False)
    step = forms.ChoiceField(
        label="At step", required=False,
        error_messages={"invalid_choice": "This step is not in the recipe any more. Choose one of its steps."},
    )  # fmt: skip

    def __init__(self, *args: Any, choices: Mapping[str, list[tuple[str, str]]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False
        for name in ("component", "basis", "carrier", "step"):
            self.fields[name].choices = choices[name]  # type: ignore[attr-defined]
        if not choices["carrier"]:
            del self.fields["carrier"]

    def has_changed(self) -> bool:
        """A row in which nothing is named or counted is an empty one, and no line."""
        return any(self.data.get(self.add_prefix(name)) for name in ("component", "quantity"))

    def value(self) -> RecipeLine:
        """The line that was typed."""
        typed = self.cleaned_data
        basis = Basis(typed["basis"])
        return RecipeLine(
            component=None if typed["component"] == SCENT_OIL else typed["component"], basis=basis,
            quantity=typed["quantity"] / 100 if basis in _PERCENT else typed["quantity"],
            carrier=typed.get("carrier", "") if basis is Basis.LOAD_ON_CARRIER else "", step=typed["step"],
        )  # fmt: skip


def _days(label: str, **kwargs: Any) -> forms.IntegerField:
    return forms.IntegerField(label=label, required=False, min_value=0, **kwargs)


class StepForm(RowForm):
    """One step: what is done, in what, how long it takes, how long it waits, what to take care of."""

    FIRST = frozenset({
        "name", "equipment", "melt", "hands", "minutes_per_piece", "minutes_per_load", "heat_c", "nights_min",
        "targets",
    })  # fmt: skip

    code = forms.CharField(required=False, max_length=40, widget=forms.HiddenInput)
    name = forms.CharField(label="Step", max_length=80)
    equipment = forms.ChoiceField(label="In", required=False)
    melt = forms.ChoiceField(label="Melt poured", required=False)
    hands = forms.ChoiceField(label="Hands", required=False)
    minutes_per_piece = forms.DecimalField(label="Minutes a piece", required=False, max_digits=9, decimal_places=3)
    minutes_per_load = forms.DecimalField(label="Minutes a load", required=False, max_digits=9, decimal_places=3)
    yield_percent = forms.DecimalField(label="Come good, %", required=False, max_digits=7, decimal_places=4)
    heat_c = forms.DecimalField(label="Heats to, °C", required=False, max_digits=6, decimal_places=1)
    nights_min = _days("Nights to wait")
    minutes_min = _days("Minutes to wait")
    days_min = _days("Days to wait")
    days_max = _days("Waits at most, days")
    cure_days = _days("Cures, days")
    group = forms.CharField(label="Changeover group", required=False, max_length=40)
    targets = forms.CharField(label="Aim for", required=False, max_length=2000, widget=forms.Textarea({"rows": 2}))
    cautions = forms.CharField(label="Take care", required=False, max_length=2000, widget=forms.Textarea({"rows": 2}))

    def __init__(self, *args: Any, choices: Mapping[str, list[tuple[str, str]]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.use_required_attribute = False
        for name in ("equipment", "melt", "hands"):
            self.fields[name].choices = choices[name]  # type: ignore[attr-defined]

    def value(self) -> Operation:
        """The step that was typed."""
        typed = self.cleaned_data
        share = typed["yield_percent"]
        return Operation(
            code=code_of(typed), name=typed["name"], equipment=typed["equipment"], melt=typed["melt"],
            hands=typed["hands"], minutes_per_piece=typed["minutes_per_piece"] or Decimal(0),
            minutes_per_load=typed["minutes_per_load"] or Decimal(0), heat_c=typed["heat_c"],
            yield_share=Decimal(1) if share is None else share / 100, nights_min=typed["nights_min"] or 0,
            minutes_min=typed["minutes_min"] or 0, days_min=typed["days_min"] or 0, days_max=typed["days_max"],
            cure_days=typed["cure_days"], group=typed["group"], targets=typed["targets"], cautions=typed["cautions"],
        )  # fmt: skip


class HeadForm(PlainForm):
    """From when the version holds, why there is one, and which version it was written from."""

    base = forms.IntegerField(widget=forms.HiddenInput)
    valid_from = forms.DateField(label="Valid from", widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    because = forms.CharField(
        label="Why it changes", max_length=200, help_text="The history of versions keeps it.",
        error_messages={"required": "Say in a few words why the recipe changes; the history keeps it."},
    )  # fmt: skip

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Adding a row needs no reason yet.
        self.use_required_attribute = False


class CautionsForm(PlainForm):
    """What to take care of with an item, whatever its recipe."""

    cautions = forms.CharField(
        label="Take care", required=False, max_length=2000, widget=forms.Textarea({"rows": 3}),
        help_text="One sentence a line. It stands on the recipe and on the batch sheet.",
    )  # fmt: skip
    limits_refuse = forms.BooleanField(
        label="Refuse what passes a limit", required=False,
        help_text="Without the tick a limit only warns.",
    )  # fmt: skip


def code_of(typed: Mapping[str, Any]) -> str:
    """A step's short name: the one it has, or one made of its name."""
    return str(typed.get("code") or slugify(str(typed.get("name") or ""))[:40])


class RecipeForm:
    """The whole form: its head, its lines, its steps."""

    def __init__(self, page: RecipePage, data: Mapping[str, str] | None, head: Mapping[str, Any]) -> None:
        typed = _Rows.of_recipe(page.recipe) if data is None else _Rows.of_form(data)
        typed.do((data or {}).get("do", ""))
        choices = _choices(page, typed.steps)
        bound = data is not None
        # What the head lacks is only said when it is to be saved.
        saves = data is not None and data.get("do") == "save"
        self.head = HeadForm(data) if saves else HeadForm(initial=data or head)
        self.lines = _formset(LineForm, "lines", typed.lines, choices, bound=bound)
        self.steps = _formset(StepForm, "steps", typed.steps, choices, bound=bound)

    def is_valid(self) -> bool:
        """Can every row be read?"""
        return all([self.head.is_valid(), self.lines.is_valid(), self.steps.is_valid()])

    def rows_are_valid(self) -> bool:
        """The same without the head: enough for a look at what it comes to."""
        return all([self.lines.is_valid(), self.steps.is_valid()])

    def recipe(self) -> Recipe:
        """The recipe that was typed."""
        lines, steps = _filled(self.lines), _filled(self.steps)
        return Recipe(lines=tuple(form.value() for form in lines), operations=tuple(form.value() for form in steps))

    def refuse(self, refusal: Refusal) -> None:
        """Put a refusal beside the field it is about; else on top."""
        form, field = self._place(refusal.field)
        form.add_error(field if field in form.fields else None, refusal.message)

    def _place(self, field: str) -> tuple[forms.Form, str]:
        """``lines-2-quantity`` as the third line's form and its field."""
        rows, _, rest = field.partition("-")
        number, _, name = rest.partition("-")
        filled = _filled({"lines": self.lines, "steps": self.steps}[rows]) if rows in {"lines", "steps"} else []
        if not number.isdigit() or int(number) >= len(filled):
            return self.head, field
        return filled[int(number)], {"yield_share": "yield_percent", "code": "name"}.get(name, name)


def _filled(rows: forms.BaseFormSet) -> list[Any]:
    """The rows in which something was typed: empty ones are no part of the recipe."""
    return [form for form in rows if form.has_changed()]


# ── rows as they were typed ──────────────────────────────────────────────────────


class _Rows:
    """Lines and steps as text by field, and what a button does to them."""

    def __init__(self, lines: list[dict[str, str]], steps: list[dict[str, str]]) -> None:
        self.lines, self.steps = lines, steps

    @classmethod
    def of_recipe(cls, recipe: Recipe) -> "_Rows":
        """The rows of a recipe that is in the catalogue."""
        return cls([_line_text(line) for line in recipe.lines], [_step_text(step) for step in recipe.operations])

    @classmethod
    def of_form(cls, data: Mapping[str, str]) -> "_Rows":
        """The rows of a form that was sent, in its order."""
        return cls(_sent(data, "lines", LineForm), _sent(data, "steps", StepForm))

    def do(self, what: str) -> None:
        """``lines-add``, ``steps-2-out``, ``lines-1-up``; anything else changes no row."""
        name, _, rest = what.partition("-")
        rows = {"lines": self.lines, "steps": self.steps}.get(name)
        if rows is None:
            return
        if rest == "add":
            rows.append({})
            return
        number, _, end = rest.partition("-")
        if end in _ENDS and number.isdigit() and int(number) < len(rows):
            row = rows.pop(int(number))
            rows[max(int(number) - 1, 0) : max(int(number) - 1, 0)] = [row] if end == "up" else []


def _sent(data: Mapping[str, str], prefix: str, form: type[forms.Form]) -> list[dict[str, str]]:
    total = data.get(f"{prefix}-TOTAL_FORMS", "0")
    count = min(int(total), _MOST_ROWS) if total.isascii() and total.isdigit() else 0
    names = list(form.base_fields)
    return [{name: data.get(f"{prefix}-{row}-{name}", "") for name in names} for row in range(count)]


def _line_text(line: RecipeLine) -> dict[str, str]:
    quantity = line.quantity * 100 if line.basis in _PERCENT else line.quantity
    component = SCENT_OIL if line.component is None else line.component
    return {
        "component": component, "quantity": bare(quantity), "basis": str(line.basis),
        "carrier": line.carrier, "step": line.step,
    }  # fmt: skip


def _step_text(step: Operation) -> dict[str, str]:
    words = {name: getattr(step, name) for name in ("code", "name", "equipment", "melt", "hands", "group")}
    figures = ("minutes_per_piece", "minutes_per_load", "heat_c", "nights_min", "minutes_min", "days_min")
    waits = {name: _figure(getattr(step, name)) for name in figures}
    ends = {name: "" if (days := getattr(step, name)) is None else str(days) for name in ("days_max", "cure_days")}
    texts = {"targets": step.targets, "cautions": step.cautions}
    share = "" if step.yield_share == 1 else bare(step.yield_share * 100)
    return words | waits | ends | texts | {"yield_percent": share}


def _figure(value: Decimal | int | None) -> str:
    """Nothing for 0: an empty field reads faster than a nought."""
    return bare(Decimal(value)) if value else ""


def _formset(
    form: type[forms.Form], prefix: str, rows: list[dict[str, str]], choices: Mapping[str, Any], *, bound: bool
) -> forms.BaseFormSet:
    """Forms for the rows; as none of them is an old one, an empty row is no fault."""
    made = formset_factory(form, extra=0, max_num=_MOST_ROWS, absolute_max=_MOST_ROWS)
    if not bound:
        return made(prefix=prefix, initial=rows, form_kwargs={"choices": choices})
    counts = {f"{prefix}-TOTAL_FORMS": str(len(rows)), f"{prefix}-INITIAL_FORMS": "0"}
    data = {f"{prefix}-{place}-{name}": text for place, row in enumerate(rows) for name, text in row.items()}
    return made(data | counts, prefix=prefix, form_kwargs={"choices": choices})


# ── what may be chosen ───────────────────────────────────────────────────────────


def _choices(page: RecipePage, steps: Iterable[Mapping[str, str]]) -> dict[str, list[tuple[str, Any]]]:
    goods, item = page.goods, page.item
    melt = item.unit is Unit.GRAM
    oil = [(SCENT_OIL, "The scent’s oil")] if item.scented else []
    named = [(code_of(step), step.get("name", "")) for step in steps]
    return {
        "component": [("", "Choose"), *oil, *_grouped(goods, lambda other: other.code != item.code)],
        "basis": list(MELT_BASES if melt else PIECE_BASES),
        "carrier": [("", "all its wax"), *_items(goods, lambda other: other.unit is Unit.GRAM)] if melt else [],
        "step": [("", "from the start"), *((code, name) for code, name in named if code)],
        "equipment": [("", "by hand"), *((e.code, e.name) for e in goods.equipment.values())],
        "melt": [("", "none"), *_items(goods, lambda other: other.unit is Unit.GRAM and other.code != item.code)],
        "hands": [("", "nobody’s"), *((group, group) for group in page.hands)],
    }


def _grouped(goods: Catalogue, wanted: Callable[[Item], bool]) -> list[tuple[str, list[tuple[str, str]]]]:
    titles = {ItemKind.MATERIAL: "Bought", ItemKind.PART: "Made here", ItemKind.PRODUCT: "Products"}
    found = [(title, _items(goods, lambda o, k=kind: o.kind is k and wanted(o))) for kind, title in titles.items()]  # type: ignore[misc]
    return [(title, items) for title, items in found if items]


def _items(goods: Catalogue, wanted: Callable[[Item], bool]) -> list[tuple[str, str]]:
    return [(item.code, item.name) for item in goods.items.values() if wanted(item)]
