"""One shipment: what is in it, handing it to the carrier, its invoice."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import invoicing, shipping
from wholesale.core.documents.papers import address_lines
from wholesale.core.values import Conflict, Refusal
from wholesale.maker.forms import ShipForm, page, refused
from wholesale.maker.papers import papers_of_order
from wholesale.queries import shipping as shelves
from wholesale.web.access import bench_only, maker_only, signed_in


@require_GET
@bench_only
def shipment(request: HttpRequest, number: str) -> HttpResponse:
    """One shipment with its lines and lots."""
    return _page(request, number, ShipForm())


@require_POST
@bench_only
def ship(request: HttpRequest, number: str) -> HttpResponse:
    """The carrier has taken it."""
    form = ShipForm(request.POST)
    if not form.is_valid():
        return _page(request, number, form)
    try:
        shipping.ship(by=signed_in(request), number=number, **form.cleaned_data)
    except Conflict as conflict:
        messages.info(request, conflict.message)
    except Refusal as refusal:
        return _page(request, number, refused(form, refusal))
    else:
        messages.success(request, f"{number} is on its way.")
    return redirect("bench:shipment", number)


@require_POST
@maker_only
def invoice(request: HttpRequest, number: str) -> HttpResponse:
    """Write the invoice for a shipment."""
    try:
        issued = invoicing.issue(by=signed_in(request), shipment=number)
    except Refusal as refusal:
        messages.error(request, refusal.message)
        return redirect("bench:shipment", number)
    messages.success(request, f"Invoice {issued} is written; it is being made as PDF and sent to the shop.")
    return redirect("bench:invoice", issued)


def _page(request: HttpRequest, number: str, form: ShipForm) -> HttpResponse:
    found = shelves.shipment_page(number)
    known = {
        "shipment": found,
        "form": form,
        "papers": papers_of_order(found.row.order),
        "ship_to": address_lines(found.ship_to),
    }
    return page(request, "maker/shipment.html", known, form)
