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
from django.utils.html import format_html
from django.utils.safestring import SafeString

from wholesale import clock
from wholesale.core.values import NotAllowed, NotFound, Refusal, minor_units

Shown = TypeVar("Shown", bound=forms.Form)


#: More than this is a slip of the finger.
MOST_RECEIVED = Decimal(9_999_999)


#: What a field says of what was typed, where it has no words of its own.
_WORDS = {
    "required": "This can't stay empty.",
    "min_value": "Give %(limit_value)s or more.",
    "max_value": "Give %(limit_value)s at most.",
    "max_length": "Too long: at most %(limit_value)d letters, this has %(show_value)d.",
    "max_digits": "That number is too long; look at it again.",
    "max_decimal_places": "At most %(max)s figures after the point.",
    "max_whole_digits": "That number is too big; look at it again.",
    "invalid_choice": "Choose one from the list.",
}
_INVALID = (
    (forms.DateField, "Give a day, as in 2026-03-05."),
    (forms.DecimalField, "Give a number in figures, with a point: 12.5."),
    (forms.IntegerField, "Give a whole number in figures."),
)


_GENERAL = {*_WORDS.values(), *(words for _, words in _INVALID)}


class PlainForm(forms.Form):
    """A form whose labels end without a colon, and whose fields say in plain words what to do."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.label_suffix = ""

    def full_clean(self) -> None:
        """Check the fields, those added for a page included."""
        for field in self.fields.values():
            _speak_plainly(field)
        super().full_clean()


def _speak_plainly(field: forms.Field) -> None:
    """Give a field our words wherever it would say the framework's."""
    invalid = next((words for kind, words in _INVALID if isinstance(field, kind)), None)
    ours = _WORDS | ({"invalid": invalid} if invalid else {})
    theirs = _framework_words(type(field))
    given = {code for code, words in field.error_messages.items() if words != theirs.get(code)}
    field.error_messages |= {code: words for code, words in ours.items() if code not in given}


def _framework_words(kind: type[forms.Field]) -> dict[str, Any]:
    """What a kind of field says by itself."""
    kinds = reversed(kind.__mro__)
    return {code: words for each in kinds for code, words in getattr(each, "default_error_messages", {}).items()}


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
    found = form.errors.as_data().items()
    why = " ".join(dict.fromkeys(_sentence(form, name, error) for name, errors in found for error in errors))
    messages.error(request, f"Nothing was recorded. {why}")
    return render(request, template, known, status=422)


def _sentence(form: forms.Form, name: str, error: forms.ValidationError) -> str:
    """What is wrong, far from its field: words that any field says are said with its label."""
    said = " ".join(error.messages)
    return f"{form.fields[name].label}: {said}" if error.message in _GENERAL else said


def linked(words: str, url: str, link: str) -> SafeString:
    """Words of a notice, with a link behind them."""
    return format_html('{} <a href="{}">{}</a>', words, url, link)


@contextmanager
def told(request: HttpRequest, words: str, level: int = messages.SUCCESS) -> Iterator[None]:
    """Say in a notice that the action within is done, or why the trade refused it; a lacking right is raised on.

    What is lost or stopped is no success: its ``level`` is ``messages.WARNING``.
    """
    try:
        yield
    except (NotAllowed, NotFound):
        raise
    except Refusal as refusal:
        messages.error(request, refusal.message)
    else:
        messages.add_message(request, level, words)
