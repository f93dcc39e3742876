"""The shops the workshop supplies, and how each stands."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale import clock
from wholesale.actions import invoicing
from wholesale.core.values import Refusal
from wholesale.maker.forms import PaymentForm, page, refused
from wholesale.queries import bench_shops
from wholesale.queries import invoicing as bills
from wholesale.web.access import maker_only, signed_in


@require_GET
@maker_only
def shops(request: HttpRequest) -> HttpResponse:
    """All shops with what each owes."""
    return render(request, "maker/shops.html", {"shops": bench_shops.shops(clock.today())})


@require_GET
@maker_only
def shop(request: HttpRequest, slug: str) -> HttpResponse:
    """One shop: open invoices, money on account, certificate, orders."""
    return _page(request, slug)


@require_POST
@maker_only
def payment(request: HttpRequest, slug: str) -> HttpResponse:
    """Record money from a shop; it settles the invoice that is due first."""
    form = PaymentForm(bills.shop_account(slug, on=clock.today()).currency, request.POST)
    if not form.is_valid():
        return _page(request, slug, form)
    try:
        invoicing.record_payment(by=signed_in(request), shop=slug, **form.cleaned_data)
    except Refusal as refusal:
        return _page(request, slug, refused(form, refusal))
    messages.success(request, "The payment is recorded; below is how the account stands now.")
    return redirect("bench:shop", slug)


def _page(request: HttpRequest, slug: str, form: PaymentForm | None = None) -> HttpResponse:
    account = bills.shop_account(slug, on=clock.today())
    known = {
        "facts": bench_shops.shop_facts(slug, clock.today()),
        "account": account,
        "form": form or PaymentForm(account.currency, initial={"amount": account.owed or None}),
    }
    return page(request, "maker/shop.html", known, form)
