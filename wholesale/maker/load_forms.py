"""Forms of a load: what was weighed, what came of it, why it failed. None of them saves anything."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django import forms

from wholesale.actions.batches import Made, OnScale
from wholesale.core.documents.batch import decimals
from wholesale.core.values import Refusal, from_mg, plain
from wholesale.maker.forms import PlainForm
from wholesale.queries.load_page import GroupRow, LoadPage, WeighRow


class WeighForm(PlainForm):
    """Grams, lot, substitute and reason of each item to weigh, by the code in the recipe."""

    def __init__(self, page: LoadPage, *args: Any) -> None:
        super().__init__(*args)
        self.rows = page.weigh
        self.asked: set[str] = set()
        for row in page.weigh:
            self._add(row, page.division_g)

    def _add(self, row: WeighRow, division: Decimal) -> None:
        code = row.named
        self.fields[f"grams-{code}"] = forms.DecimalField(
            label=f"{row.name}, grams", min_value=0, max_digits=12,
            initial=f"{row.planned_g:.{decimals(division)}f}", widget=forms.NumberInput({"step": "any"}),
        )  # fmt: skip
        if row.stand_ins:
            taken = [(row.code, row.name), *((other, name) for other, name in row.stand_ins)]
            self.fields[f"take-{code}"] = forms.ChoiceField(label=f"What was taken for {row.name}", choices=taken)
        self.fields[f"lot-{code}"] = forms.ChoiceField(label=f"Lot of {row.name}", required=False, choices=_lots(row))
        self.fields[f"because-{code}"] = forms.CharField(
            label=f"Why another weight of {row.name}", required=False, max_length=200
        )
        self.fields[f"sure-{code}"] = forms.BooleanField(label=f"The weight of {row.name} is right", required=False)

    def groups(self) -> list[tuple[WeighRow, list[forms.BoundField]]]:
        """The fields of each item; whether a weight is right is asked only once it looks wrong."""
        return [(row, [self[name] for name in self._names(row.named)]) for row in self.rows]

    def _names(self, code: str) -> list[str]:
        names = [f"grams-{code}", f"take-{code}", f"lot-{code}", f"because-{code}"]
        if code in self.asked or self.data.get(f"sure-{code}"):
            names.insert(1, f"sure-{code}")
        return [name for name in names if name in self.fields]

    def swaps(self) -> dict[str, str]:
        """{code in the recipe: code of the substitute}."""
        found = {row.named: self.cleaned_data.get(f"take-{row.named}") or row.named for row in self.rows}
        return {named: taken for named, taken in found.items() if taken != named}

    def weights(self) -> dict[str, OnScale]:
        """What was weighed, by the code of what was taken."""
        swaps, typed = self.swaps(), self.cleaned_data
        return {
            swaps.get(row.named, row.named): OnScale(
                grams=typed[f"grams-{row.named}"], lot=typed[f"lot-{row.named}"],
                because=typed[f"because-{row.named}"], sure=typed[f"sure-{row.named}"],
            )
            for row in self.rows
        }  # fmt: skip

    def beside(self, refusal: Refusal) -> Refusal:
        """The refusal with the field's name in this form; a weight that looks wrong is asked about."""
        kind, _, code = refusal.field.partition("-")
        named = next((named for named, taken in self.swaps().items() if taken == code), code)
        if refusal.code == "digit_off":
            self.asked.add(named)
        return Refusal(refusal.code, refusal.message, f"{kind}-{named}" if code else "", **refusal.facts)


def _lots(row: WeighRow) -> list[tuple[str, str]]:
    """The oldest first, as far as they go, or one lot by its label."""
    first = row.lots[0].code if row.lots else "none in stock"
    return [("", f"Oldest first: {first}"), *((lot.code, f"{lot.code}: {_grams(lot.free)}") for lot in row.lots)]


def _grams(milligrams: int) -> str:
    return f"{plain(from_mg(milligrams), 3)} g"


class DoneForm(PlainForm):
    """Good pieces and rejects by reason, counted for a whole step or by order; minutes, a note."""

    def __init__(self, page: LoadPage, *args: Any) -> None:
        super().__init__(*args)
        self.page = page
        for group in page.groups:
            self._add(group)
        if any(group.has_sample for group in page.groups):
            self.fields["keep_sample"] = forms.BooleanField(
                label="Keep the sample, even if the order that is due last goes short", required=False
            )
        self.fields["minutes"] = forms.DecimalField(
            label="Minutes of hands it really took", required=False, min_value=0, max_digits=6, decimal_places=1
        )
        self.fields["note"] = forms.CharField(
            label="Note on the batch", required=False, widget=forms.Textarea({"rows": 2})
        )

    def _add(self, group: GroupRow) -> None:
        what = f"Good of {group.pieces}: {group.product}"
        for portion in group.portions:
            label = f"Good of {portion.pieces} for {portion.order}: {portion.product}" if group.is_shared else what
            wrong = f"{portion.order}: count the good pieces, from 0 to {portion.pieces}."
            self.fields[f"good-{portion.id}"] = _count(label, wrong)
        if group.is_shared:
            self.fields[f"total-{group.id}"] = _count(what, f"Count the good pieces, from 0 to {group.pieces}.")
        for place, reason in enumerate(self.page.reject_names):
            self.fields[f"reject-{group.id}-{place}"] = _count(
                reason.capitalize(), f"Count what was {reason} in whole pieces."
            )
        self.fields[f"reason-{group.id}"] = forms.CharField(label="More on the rejects", required=False, max_length=120)

    def groups(self) -> list[dict[str, Any]]:
        """The fields of each group: the count, the rejects by reason, words, and the counts by order."""
        return [
            {
                "group": group,
                "count": self[f"total-{group.id}" if group.is_shared else f"good-{group.id}"],
                "rejects": [self[f"reject-{group.id}-{place}"] for place in range(len(self.page.reject_names))],
                "words": self[f"reason-{group.id}"],
                "each": [self[f"good-{portion.id}"] for portion in group.portions] if group.is_shared else [],
            }
            for group in self.page.groups
        ]

    def rest(self) -> list[forms.BoundField]:
        """The fields of the whole batch."""
        return [self[name] for name in ("keep_sample", "minutes", "note") if name in self.fields]

    def made(self) -> Made:
        """What was typed."""
        typed = self.cleaned_data
        return Made(
            good=self._by_row("good"), totals=self._by_row("total"),
            rejects={group.id: self._rejects(group) for group in self.page.groups},
            words={group.id: typed[f"reason-{group.id}"] for group in self.page.groups},
            keep_sample=typed.get("keep_sample", False), minutes=typed["minutes"], note=typed["note"],
        )  # fmt: skip

    def _rejects(self, group: GroupRow) -> Mapping[str, int]:
        typed = self.cleaned_data
        counts = enumerate(self.page.reject_names)
        return {reason: typed[f"reject-{group.id}-{place}"] or 0 for place, reason in counts}

    def _by_row(self, name: str) -> dict[int, int]:
        """Whole numbers typed under a name, by the row in its end; empty ones are left out."""
        typed = self.cleaned_data.items()
        found = {field.removeprefix(f"{name}-"): value for field, value in typed if field.startswith(f"{name}-")}
        return {int(row): value for row, value in found.items() if value is not None}

    def beside(self, refusal: Refusal) -> Refusal:
        """The refusal with the field's name in this form."""
        kind, _, row = refusal.field.partition("-")
        fields = {"rejects": f"reject-{row}-0", "good": f"good-{row}"}
        field = fields.get(kind, refusal.field)
        total = f"total-{row}"
        if kind == "good" and total in self.fields and refusal.code in {"yield", "rejects"}:
            field = total
        return Refusal(refusal.code, refusal.message, field, **refusal.facts)


def _count(label: str, wrong: str) -> forms.IntegerField:
    """A number of pieces that may stay empty; ``wrong`` is said of anything else."""
    told = dict.fromkeys(("invalid", "min_value"), wrong)
    return forms.IntegerField(label=label, min_value=0, required=False, error_messages=told)


class ScrapForm(PlainForm):
    """Why a batch is given up."""

    because = forms.CharField(label="What went wrong", max_length=200)

    def __init__(self, *args: Any) -> None:
        super().__init__(*args, auto_id="scrap_%s")


class TakeBackForm(PlainForm):
    """Why a batch was not done after all."""

    because = forms.CharField(label="Why", required=False, max_length=200)

    def __init__(self, *args: Any) -> None:
        super().__init__(*args, auto_id="back_%s")
