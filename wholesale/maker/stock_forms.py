"""What is typed at the shelf; each form carries a token, so that a double tap books once."""

from collections.abc import Iterable
from typing import Any
from uuid import uuid4

from django import forms

from wholesale import clock
from wholesale.actions.stock import TAKEN_OUT
from wholesale.core.values import Refusal, day_words
from wholesale.maker.forms import PlainForm, refused
from wholesale.queries.stock import SkuPage
from wholesale.queries.trace import MadeOf

#: How each way of taking out is called.
_KINDS = {"scrap": "Scrap", "sample": "Sample", "breakage": "Breakage"}
_DATE = {"type": "date"}


class Quantity(forms.DecimalField):
    """Whole pieces, or grams to the milligram."""

    def __init__(self, label: str, unit: str, **also: Any) -> None:
        shown = f"{label} (grams)" if unit == "gram" else f"{label} (pieces)"
        super().__init__(label=shown, max_digits=15, **also)
        self.widget.attrs |= {"step": "any" if unit == "gram" else "1", "inputmode": "decimal"}


class ShelfForm(PlainForm):
    """A form of the shelf; ``asks`` names the boxes that stay out of sight until the trade asks."""

    asks: tuple[str, ...] = ()
    token = forms.CharField(max_length=64, widget=forms.HiddenInput)

    def __init__(self, *args: Any, initial: dict[str, Any] | None = None, **kwargs: Any) -> None:
        super().__init__(*args, initial={"token": uuid4().hex} | (initial or {}), **kwargs)
        for name in self.asks:
            self.fields[name].widget = forms.HiddenInput()

    def answered(self, refusal: Refusal) -> "ShelfForm":
        """The form as it was typed with the refusal beside its field; what is asked about gets its box."""
        if refusal.field in self.asks and refusal.field in self.fields:
            self.fields[refusal.field].widget = forms.CheckboxInput()
        return refused(self, refusal)


class ReceiveForm(ShelfForm):
    """A delivery of one item."""

    asks = ("sure",)
    supplier_lot = forms.CharField(label="Supplier's lot", required=False, max_length=60)
    supplier = forms.CharField(label="Supplier", required=False, max_length=120)
    place = forms.CharField(label="Where it lies", max_length=40)
    received_on = forms.DateField(label="Received on", widget=forms.DateInput(_DATE, format="%Y-%m-%d"))
    usable_on = forms.DateField(
        label="Usable from", required=False, widget=forms.DateInput(_DATE, format="%Y-%m-%d"),
        help_text="Empty: from the day it came.",
    )  # fmt: skip
    expires_on = forms.DateField(
        label="Last day to use it", required=False, widget=forms.DateInput(_DATE, format="%Y-%m-%d")
    )
    sure = forms.BooleanField(label="It is right as typed", required=False)

    def __init__(self, page: SkuPage, *args: Any, **kwargs: Any) -> None:
        known = {"received_on": clock.today(), "place": "shelf", "supplier": page.supplier}
        super().__init__(*args, initial=known, **kwargs)
        self.fields["quantity"] = Quantity("What came", page.row.unit)
        if page.on_order:
            self.fields["delivery"] = _OrderedBefore(page)
        self.order_fields(["quantity", "delivery"])


class _OrderedBefore(forms.TypedChoiceField):
    """Which of the deliveries on order it is, or none; the next one unless told otherwise."""

    def __init__(self, page: SkuPage) -> None:
        rows = [(row.id, f"expected on {day_words(row.expected_on)}{_of(row.reference)}") for row in page.on_order]
        super().__init__(
            label="Which delivery", choices=[*rows, ("", "none of these")], initial=page.on_order[0].id,
            coerce=int, empty_value=None, required=False,
        )  # fmt: skip


def _of(reference: str) -> str:
    return f", {reference}" if reference else ""


class OrderForm(ShelfForm):
    """What is ordered from a supplier."""

    expected_on = forms.DateField(label="To come on", widget=forms.DateInput(_DATE, format="%Y-%m-%d"))
    supplier = forms.CharField(label="Supplier", required=False, max_length=120)
    reference = forms.CharField(label="Their number", required=False, max_length=60)

    def __init__(self, page: SkuPage, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, initial={"supplier": page.supplier}, auto_id="order-%s", **kwargs)
        self.fields["quantity"] = Quantity("Ordered", page.row.unit)
        self.order_fields(["quantity"])


class DayForm(PlainForm):
    """Another day on which a delivery is to come."""

    expected_on = forms.DateField(label="To come on", widget=forms.DateInput(_DATE, format="%Y-%m-%d"))


class CountForm(ShelfForm):
    """What was found of a lot at a place."""

    asks = ("sure", "short")
    place = forms.CharField(label="Place", max_length=40)
    because = forms.CharField(label="Why it differs", required=False, max_length=200)
    sure = forms.BooleanField(label="It is right as typed", required=False)
    short = forms.BooleanField(label="The order promised last goes short", required=False)

    def __init__(self, unit: str, place: str, *args: Any, maker: bool, **kwargs: Any) -> None:
        super().__init__(*args, initial={"place": place}, **kwargs)
        self.fields["found"] = Quantity("Found there", unit)
        self.order_fields(["found"])
        if not maker:
            del self.fields["short"]


class TakeOutForm(ShelfForm):
    """What leaves the shelf for good without an order or a batch."""

    asks = ("short",)
    kind = forms.ChoiceField(label="What for", choices=[(kind, _KINDS[kind]) for kind in TAKEN_OUT])
    because = forms.CharField(label="Why", max_length=200)
    place = forms.ChoiceField(label="From")
    short = forms.BooleanField(label="The order promised last goes short", required=False)

    def __init__(self, unit: str, places: Iterable[str], *args: Any, maker: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["quantity"] = Quantity("Take out", unit)
        self.fields["place"] = forms.ChoiceField(label="From", choices=[(name, name) for name in places])
        self.order_fields(["quantity", "kind", "because"])
        if not maker:
            del self.fields["short"]


class MoveForm(ShelfForm):
    """What is carried from one place to another."""

    to = forms.CharField(label="To", max_length=40)

    def __init__(self, unit: str, places: Iterable[str], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["quantity"] = Quantity("How much", unit)
        self.fields["place"] = forms.ChoiceField(label="From", choices=[(name, name) for name in places])
        self.order_fields(["quantity", "place"])


class BecauseForm(PlainForm):
    """A reason, and nothing else."""

    because = forms.CharField(label="Why", max_length=200)


class StopForm(BecauseForm):
    """A reason, and whether what was made of the lot is stopped with it."""

    made_of_it = forms.BooleanField(label="What was made of it, too", required=False)

    def __init__(self, made: MadeOf, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if not made.goes_on:
            del self.fields["made_of_it"]


class TargetForm(PlainForm):
    """How many free pieces the shelf shall have."""

    pieces = forms.IntegerField(label="Free pieces wanted", min_value=0, max_value=1_000_000, help_text="0: no target.")
