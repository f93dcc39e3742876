"""One order at the bench: confirming, refusing, packing, its deposit."""

from typing import Any
from uuid import uuid4

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET, require_POST

from wholesale import clock
from wholesale.actions import invoicing, orders, promises, shipping
from wholesale.core.values import Refusal
from wholesale.maker.forms import PaymentForm, PlainForm, page, refused, told
from wholesale.maker.papers import papers_of_order
from wholesale.queries import bench_orders
from wholesale.queries import invoicing as bills
from wholesale.queries import shipping as shelves
from wholesale.queries.shipping import PackPage
from wholesale.web.access import bench_only, maker_only, signed_in
from wholesale.web.gates import steps


class RefuseForm(PlainForm):
    """Why an order is refused; the shop reads it."""

    because = forms.CharField(
        label="Reason, for the shop", max_length=400, widget=forms.Textarea({"rows": 2}),
        help_text="The shop reads this sentence.",
        error_messages={"required": "Write why you refuse; the shop reads it."},
    )  # fmt: skip


class PromiseForm(PlainForm):
    """The day an order is promised to leave on from now, and why; the shop reads both."""

    leaves = forms.DateField(
        label="Leaves on", widget=forms.DateInput({"type": "date"}),
        error_messages=dict.fromkeys(("required", "invalid"), "Give the day it leaves, such as 2026-03-19."),
    )  # fmt: skip
    because = forms.CharField(
        label="Reason, for the shop", max_length=promises.MOST_LETTERS, widget=forms.Textarea({"rows": 2}),
        help_text="The shop reads this sentence.",
        error_messages={"required": "Write why the day moves; the shop reads it."},
    )  # fmt: skip


class PackForm(PlainForm):
    """Whole cases of each line, filled in with what is ready; fewer may be packed."""

    token = forms.CharField(max_length=64, widget=forms.HiddenInput)
    cartons = forms.IntegerField(
        label="Cartons", min_value=1, max_value=999, initial=1,
        error_messages=dict.fromkeys(("required", "invalid", "min_value", "max_value"), "Count the cartons: 1 to 999."),
    )  # fmt: skip

    def __init__(self, page: PackPage, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, initial={"token": uuid4().hex}, **kwargs)
        self.page = page
        for line in page.lines:
            label = f"Cases of {line.name}"
            wrong = f"{line.name}: give whole cases, from 0 to {line.open}."
            self.fields[f"cases-{line.line}"] = forms.IntegerField(
                label=label, min_value=0, initial=line.ready,
                error_messages=dict.fromkeys(("required", "invalid", "min_value"), wrong),
            )  # fmt: skip

    def cases(self) -> dict[int, int]:
        """Cases by order line."""
        return {line.line: self.cleaned_data[f"cases-{line.line}"] for line in self.page.lines}

    def rows(self) -> list[tuple[Any, forms.BoundField]]:
        """Each line of the order beside its field."""
        return [(line, self[f"cases-{line.line}"]) for line in self.page.lines]


@require_GET
@bench_only
def order(request: HttpRequest, number: str) -> HttpResponse:
    """Everything the bench knows of one order."""
    return _page(request, number)


@require_POST
@maker_only
def confirm(request: HttpRequest, number: str) -> HttpResponse:
    """Accept the order."""
    with told(request, f"{number} is confirmed; the confirmation is on its way to the shop."):
        orders.confirm(by=signed_in(request), number=number)
    return redirect("bench:order", number)


@require_POST
@maker_only
def refuse(request: HttpRequest, number: str) -> HttpResponse:
    """Refuse the order with a reason."""
    form = RefuseForm(request.POST)
    if not form.is_valid():
        return _page(request, number, refuse_form=form)
    try:
        orders.refuse(by=signed_in(request), number=number, because=form.cleaned_data["because"])
    except Refusal as refusal:
        return _page(request, number, refuse_form=refused(form, refusal))
    messages.success(request, f"{number} is refused; its place in the plan is free again.")
    return redirect("bench:order", number)


@require_POST
@maker_only
def promise(request: HttpRequest, number: str) -> HttpResponse:
    """Promise another day, with a reason."""
    form = PromiseForm(request.POST)
    if not form.is_valid():
        return _page(request, number, promise_form=form)
    try:
        promises.change(by=signed_in(request), number=number, **form.cleaned_data)
    except Refusal as refusal:
        return _page(request, number, promise_form=refused(form, refusal))
    messages.success(request, f"{number} is promised anew; the shop gets an e-mail with both days and your reason.")
    return redirect("bench:order", number)


@require_POST
@bench_only
def pack(request: HttpRequest, number: str) -> HttpResponse:
    """Pack whole cases; the rest waits. The same form packs once."""
    form = PackForm(shelves.pack_page(number), request.POST)
    if not form.is_valid():
        return _page(request, number, pack_form=form)
    given = form.cleaned_data
    try:
        shipment = shipping.pack(
            by=signed_in(request), number=number, cases=form.cases(), token=given["token"], cartons=given["cartons"]
        )
    except Refusal as refusal:
        return _page(request, number, pack_form=refused(form, refusal))
    messages.success(request, f"Packed as {shipment}; the packing slip is being made.")
    return redirect("bench:shipment", shipment)


@require_POST
@maker_only
def deposit(request: HttpRequest, number: str) -> HttpResponse:
    """Record a payment for the order's deposit."""
    found = bench_orders.bench_order(number)
    form = PaymentForm(found.currency, request.POST)
    if not form.is_valid():
        return _page(request, number, deposit_form=form)
    try:
        invoicing.record_payment(by=signed_in(request), shop=found.slug, order=number, **form.cleaned_data)
    except Refusal as refusal:
        return _page(request, number, deposit_form=refused(form, refusal))
    messages.success(request, "The payment is recorded.")
    return redirect("bench:order", number)


def _page(request: HttpRequest, number: str, **forms_shown: forms.Form) -> HttpResponse:
    found = bench_orders.bench_order(number)
    known = {
        "order": found,
        "gates": steps(found.gates),
        "packing": shelves.pack_page(number),
        "shipments": shelves.shipments(order=number),
        "bills": bills.invoices_of_order(number, clock.today()),
        "papers": papers_of_order(number),
        "refuse_form": RefuseForm(),
        "promise_form": PromiseForm(initial={"leaves": max(found.planned, clock.today())}),
        "pack_form": None,
        "deposit_form": PaymentForm(found.currency, initial={"amount": found.deposit_open}),
        **forms_shown,
    }
    known["pack_form"] = known["pack_form"] or PackForm(known["packing"])  # type: ignore[arg-type]
    return page(request, "maker/order.html", known, next(iter(forms_shown.values()), None))
