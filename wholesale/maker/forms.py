"""Forms several pages of the bench share; none of them saves anything."""

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any, TypeVar
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import HttpRequest

from wholesale import clock
from wholesale.core.values import NotAllowed, NotFound, Refusal, minor_units

Shown = TypeVar("Shown", bound=forms.Form)


class PlainForm(forms.Form):
    """A form whose labels end without a colon."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.label_suffix = ""


class PaymentForm(PlainForm):
    """Money that came in; the token makes a double tap count once."""

    token = forms.CharField(max_length=64, widget=forms.HiddenInput)
    amount = forms.DecimalField(label="Amount received", min_value=Decimal("0.01"), max_digits=14)
    received_on = forms.DateField(label="Received on", widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
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
        label="Reason, printed on the credit note", max_length=400, widget=forms.Textarea({"rows": 2})
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
