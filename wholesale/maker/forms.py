"""Forms several pages of the bench share; none of them saves anything."""

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any, TypeVar
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from wholesale import clock
from wholesale.core.values import NotAllowed, NotFound, Refusal, minor_units

Shown = TypeVar("Shown", bound=forms.Form)


#: More than this is a slip of the finger.
MOST_RECEIVED = Decimal(9_999_999)


class PlainForm(forms.Form):
    """A form whose labels end without a colon."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.label_suffix = ""


class PaymentForm(PlainForm):
    """Money that came in; the token makes a double tap count once."""

    token = forms.CharField(max_length=64, widget=forms.HiddenInput)
    amount = forms.DecimalField(
        label="Amount received",
        min_value=Decimal("0.01"),
        max_value=MOST_RECEIVED,
        error_messages=dict.fromkeys(("required", "invalid", "min_value"), "Give the amount in figures, above zero.")
        | {"max_value": "This is more than a payment can be; look at the figures again."},
    )
    received_on = forms.DateField(
        label="Received on",
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
        error_messages=dict.fromkeys(("required", "invalid"), "Give the day the money came in."),
    )
    reference = forms.CharField(label="Reference", required=False, max_length=80)

    def __init__(self, currency: str, *args: Any, initial: dict[str, Any] | None = None, **kwargs: Any) -> None:
        known = {"token": uuid4().hex, "received_on": clock.today()} | (initial or {})
        super().__init__(*args, initial=known, **kwargs)
        amount = self.fields["amount"]
        amount.label = f"Amount received ({currency})"
        amount.widget.attrs["step"] = str(Decimal(1).scaleb(-minor_units(currency)))


class CreditForm(PlainForm):
    """Why an invoice is taken back in full; the shop reads it."""

    because = forms.CharField(
        label="Reason, printed on the credit note",
        max_length=400,
        widget=forms.Textarea({"rows": 2}),
        error_messages={"required": "Write why; the shop reads it on the credit note."},
    )


class ShipForm(PlainForm):
    """Who carries a shipment."""

    carrier = forms.CharField(label="Carrier", required=False, max_length=80)
    tracking = forms.CharField(label="Tracking number", required=False, max_length=80)


def refused(form: Shown, refusal: Refusal) -> Shown:
    """The form as it was typed, with the refusal beside the field it is about; a lacking right is raised on."""
    if isinstance(refusal, NotAllowed | NotFound):
        raise refusal
    form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return form


def page(request: HttpRequest, template: str, known: dict[str, Any], form: forms.Form | None) -> HttpResponse:
    """The page; what is wrong with a refused form is told at its top too, where a phone begins to read."""
    if form is None or not form.errors:
        return render(request, template, known)
    why = " ".join(dict.fromkeys(str(error) for errors in form.errors.values() for error in errors))
    messages.error(request, f"Nothing was recorded. {why}")
    return render(request, template, known, status=422)


@contextmanager
def told(request: HttpRequest, success: str) -> Iterator[None]:
    """Say in a notice that the action within succeeded, or why the trade refused it; a lacking right is raised on."""
    try:
        yield
    except (NotAllowed, NotFound):
        raise
    except Refusal as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, success)
