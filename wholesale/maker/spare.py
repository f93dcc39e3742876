"""Room left in a load: given to orders that wait for a later one, to what the shelf lacks, or to the shelf."""

from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import for_stock
from wholesale.core.values import Refusal
from wholesale.maker.forms import PlainForm, told
from wholesale.queries import spare as rooms
from wholesale.web.access import bench_only, signed_in

#: What is wrong with a number that is none.
_COUNT = dict.fromkeys(("required", "invalid", "min_value"), "Give the number of pieces, from 1 on.")


class FillForm(PlainForm):
    """Good pieces of one product for the shelf; the fields that name it are not typed."""

    item = forms.CharField(widget=forms.HiddenInput)
    scent = forms.CharField(widget=forms.HiddenInput, required=False)
    pieces = forms.IntegerField(label="Good pieces for the shelf", min_value=1, error_messages=_COUNT)


class CallOffForm(PlainForm):
    """Why no more of it is made."""

    because = forms.CharField(label="Why", max_length=200, error_messages={"required": "Say why in a few words."})


@require_GET
@bench_only
def room(request: HttpRequest, number: int) -> HttpResponse:
    """What still fits into a planned load, and whom it could serve."""
    return render(request, "maker/spare.html", {"number": number, "spare": rooms.of_load(number)})


@require_POST
@bench_only
def fill(request: HttpRequest, number: int) -> HttpResponse:
    """Begin pieces for the shelf in the load's spare room."""
    form = FillForm(request.POST)
    _act(request, form, "Added for the shelf, with its next steps.", for_stock.fill_spare, load=number)
    return redirect("bench:load_room", number)


@require_POST
@bench_only
def take(request: HttpRequest, number: int) -> HttpResponse:
    """Pour an order's pieces in this load instead of a later one."""
    with told(request, "Moved up into this load."):
        for_stock.take_offer(by=signed_in(request), load=number, demand=request.POST.get("demand", ""))
    return redirect("bench:load_room", number)


@require_POST
@bench_only
def make(request: HttpRequest) -> HttpResponse:
    """Plan pieces for the shelf, after all orders."""
    form = FillForm(request.POST)
    _act(request, form, "Planned for the shelf, after all orders.", for_stock.make_for_stock)
    return redirect("bench:stock")


@require_POST
@bench_only
def call_off(request: HttpRequest, row: int) -> HttpResponse:
    """Make no more for the shelf of what was asked for."""
    _act(
        request, CallOffForm(request.POST), "Called off; what is made stays on the shelf.", for_stock.call_off, row=row
    )
    return redirect("bench:stock")


def _act(request: HttpRequest, form: forms.Form, success: str, action: Any, **known: Any) -> None:
    """Call the action with what was typed; what is wrong with it is told in a notice."""
    with told(request, success):
        if not form.is_valid():
            errors = [str(error) for found in form.errors.values() for error in found]
            raise Refusal("form", " ".join(errors))
        action(by=signed_in(request), **known, **form.cleaned_data)
