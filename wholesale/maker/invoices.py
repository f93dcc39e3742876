"""Invoices and credit notes: the list, one of them, money received, taking one back."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale import clock
from wholesale.actions import invoicing
from wholesale.core.values import Refusal
from wholesale.maker.forms import CreditForm, PaymentForm, page, refused
from wholesale.maker.papers import papers_of_invoice
from wholesale.queries import invoicing as bills
from wholesale.queries import shipping as shelves
from wholesale.web.access import maker_only, signed_in
from wholesale.web.templatetags.casewright import money


@require_GET
@maker_only
def invoices(request: HttpRequest) -> HttpResponse:
    """All invoices, or only those with something open; above them what is still to be invoiced."""
    only_open = "open" in request.GET
    listed = bills.invoices(on=clock.today(), only_open=only_open, page=request.GET.get("page", "1"))
    known = {"page": listed, "only_open": only_open, "to_invoice": shelves.to_invoice()}
    return render(request, "maker/invoices.html", known)


@require_GET
@maker_only
def invoice(request: HttpRequest, number: str) -> HttpResponse:
    """One invoice or credit note."""
    return _page(request, number)


@require_POST
@maker_only
def payment(request: HttpRequest, number: str) -> HttpResponse:
    """Record money for an invoice; what is more than it owes stands on the shop's account."""
    row = bills.invoice_page(number, on=clock.today()).row
    form = PaymentForm(row.currency, request.POST)
    if not form.is_valid():
        return _page(request, number, payment_form=form)
    try:
        invoicing.record_payment(by=signed_in(request), shop=row.shop_slug, invoice=number, **form.cleaned_data)
    except Refusal as refusal:
        return _page(request, number, payment_form=refused(form, refusal))
    messages.success(request, _received(form, number))
    return redirect("bench:invoice", number)


@require_POST
@maker_only
def credit(request: HttpRequest, number: str) -> HttpResponse:
    """Take an invoice back in full."""
    form = CreditForm(request.POST)
    if not form.is_valid():
        return _page(request, number, credit_form=form)
    try:
        note = invoicing.credit(by=signed_in(request), invoice=number, because=form.cleaned_data["because"])
    except Refusal as refusal:
        return _page(request, number, credit_form=refused(form, refusal))
    messages.success(request, f"{number} is credited in full with {note}.")
    return redirect("bench:invoice", note)


def _received(form: PaymentForm, number: str) -> str:
    """What a payment did, said from how the invoice stands now."""
    row = bills.invoice_page(number, on=clock.today()).row
    standing = bills.shop_account(row.shop_slug, on=clock.today()).on_account
    words = f"{number} is settled." if not row.open else f"{money(row.open, row.currency)} of {number} is still open."
    return f"Recorded {money(form.cleaned_data['amount'], row.currency)}. {words}" + (
        f" {money(standing, row.currency)} stands on the shop's account." if standing else ""
    )


def _page(request: HttpRequest, number: str, **forms_shown: forms.Form) -> HttpResponse:
    found = bills.invoice_page(number, on=clock.today())
    known = {
        "invoice": found,
        "row": found.row,
        "papers": papers_of_invoice(number, found.row.order),
        "payment_form": PaymentForm(found.row.currency, initial={"amount": found.row.open or None}),
        "credit_form": CreditForm(),
        **forms_shown,
    }
    return page(request, "maker/invoice.html", known, next(iter(forms_shown.values()), None))
