"""Addresses of the bench."""

from datetime import date

from django.urls import path, register_converter

from wholesale.maker import day, invoices, loads, orders, papers, queue, shipments, shops

app_name = "bench"


class DayConverter:
    """A calendar day in an address: 2026-03-05 (ISO 8601)."""

    regex = r"\d{4}-\d{2}-\d{2}"

    def to_python(self, value: str) -> date:
        """The day; a ``ValueError`` (and so a 404) for 2026-02-30."""
        return date.fromisoformat(value)

    def to_url(self, value: date) -> str:
        """The day as ISO 8601."""
        return value.isoformat()


register_converter(DayConverter, "day")

urlpatterns = [
    path("queue/", queue.queue, name="queue"),
    path("queue/plan-again/", queue.plan_again, name="plan_again"),
    path("day/", day.day, name="day"),
    path("day/<day:on>/", day.day, name="day_on"),
    path("loads/<int:number>/", loads.load, name="load"),
    path("loads/<int:number>/done/", loads.done, name="load_done"),
    path("loads/<int:number>/sheet/", loads.sheet, name="load_sheet"),
    path("orders/<str:number>/", orders.order, name="order"),
    path("orders/<str:number>/confirm/", orders.confirm, name="confirm"),
    path("orders/<str:number>/refuse/", orders.refuse, name="refuse"),
    path("orders/<str:number>/pack/", orders.pack, name="pack"),
    path("orders/<str:number>/deposit/", orders.deposit, name="deposit"),
    path("shipments/<str:number>/", shipments.shipment, name="shipment"),
    path("shipments/<str:number>/ship/", shipments.ship, name="ship"),
    path("shipments/<str:number>/invoice/", shipments.invoice, name="issue"),
    path("invoices/", invoices.invoices, name="invoices"),
    path("invoices/<str:number>/", invoices.invoice, name="invoice"),
    path("invoices/<str:number>/payment/", invoices.payment, name="invoice_payment"),
    path("invoices/<str:number>/credit/", invoices.credit, name="credit"),
    path("shops/", shops.shops, name="shops"),
    path("shops/<slug:slug>/", shops.shop, name="shop"),
    path("shops/<slug:slug>/payment/", shops.payment, name="shop_payment"),
    path("papers/<int:number>/", papers.paper, name="paper"),
    path("papers/<int:number>/state/", papers.state, name="paper_state"),
    path("papers/<int:number>/again/", papers.again, name="paper_again"),
]
