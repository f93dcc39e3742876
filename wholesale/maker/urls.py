"""Addresses of the bench."""

from datetime import date

from django.urls import path, register_converter

from wholesale.maker import (
    bad_nights,
    capacity,
    day,
    invoices,
    loads,
    needs,
    orders,
    papers,
    plan_changes,
    queue,
    recipes,
    shipments,
    shops,
    spare,
    stock,
    time_chart,
    what_if,
    workbook,
)

app_name = "bench"


class DayConverter:
    """A calendar day in an address: 2026-03-05 (ISO 8601), from 2000 to 2899.

    Far beyond them the calendar of Python ends, with no day before or after to lead to.
    """

    regex = r"2[0-8]\d{2}-\d{2}-\d{2}"

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
    path("what-moved/", plan_changes.plan_changes, name="plan_changes"),
    path("what-moved/improve/", plan_changes.improve, name="improve"),
    path("day/", day.day, name="day"),
    path("day/<day:on>/", day.day, name="day_on"),
    path("bad-night/", bad_nights.bad_night, name="bad_night"),
    path("bad-night/ways-out/", bad_nights.ways, name="ways_out"),
    path("bad-night/rescue/", bad_nights.take, name="rescue"),
    path("bad-night/reports/<int:change>/", bad_nights.reported, name="reported"),
    path("bad-night/reports/<int:change>/take-back/", bad_nights.take_back, name="reported_take_back"),
    path("bad-night/<slug:kind>/", bad_nights.report, name="bad_night_report"),
    path("what-if/", what_if.ask, name="what_if"),
    path("needs/", needs.needs, name="needs"),
    path("needs/<str:item>/", needs.item, name="need"),
    path("needs/<str:item>/<str:scent>/", needs.item, name="need_scent"),
    path("capacity/", capacity.capacity, name="capacity"),
    path("capacity/<day:on>/", capacity.capacity, name="capacity_on"),
    path("plan/", time_chart.plan, name="plan"),
    path("plan/<day:on>/", time_chart.plan, name="plan_on"),
    path("recipes/", recipes.recipes, name="recipes"),
    path("recipes/<str:item>/", recipes.recipe, name="recipe"),
    path("recipes/<str:item>/edit/", recipes.edit, name="recipe_edit"),
    path("recipes/<str:item>/preview/", recipes.preview, name="recipe_preview"),
    path("recipes/<str:item>/cautions/", recipes.cautions, name="recipe_cautions"),
    path("stock/", stock.stock_list, name="stock"),
    path("stock/<str:item>/", stock.sku, name="sku"),
    path("stock/<str:item>/<str:scent>/", stock.sku, name="sku_scent"),
    path("receive/<str:item>/", stock.receive, name="receive"),
    path("receive/<str:item>/<str:scent>/", stock.receive, name="receive_scent"),
    path("on-order/<str:item>/", stock.order, name="on_order"),
    path("on-order/<str:item>/<str:scent>/", stock.order, name="on_order_scent"),
    path("deliveries/<int:delivery>/move/", stock.move_delivery, name="delivery_move"),
    path("deliveries/<int:delivery>/call-off/", stock.call_off, name="delivery_call_off"),
    path("target/<str:item>/", stock.target, name="target"),
    path("target/<str:item>/<str:scent>/", stock.target, name="target_scent"),
    path("for-shelf/", spare.make, name="make"),
    path("for-shelf/<int:row>/call-off/", spare.call_off, name="call_off"),
    path("lots/<str:code>/", stock.lot, name="lot"),
    path("lots/<str:code>/trace/", stock.lot_trace, name="lot_trace"),
    path("lots/<str:code>/count/", stock.count, name="lot_count"),
    path("lots/<str:code>/take-out/", stock.take_out, name="lot_take_out"),
    path("lots/<str:code>/move/", stock.move, name="lot_move"),
    path("lots/<str:code>/hold/", stock.hold, name="lot_hold"),
    path("lots/<str:code>/release/", stock.release, name="lot_release"),
    path("lots/<str:code>/recall/", stock.recall, name="lot_recall"),
    path("lots/<str:code>/entries/<int:entry>/take-back/", stock.take_back, name="lot_take_back"),
    path("loads/<int:number>/", loads.load, name="load"),
    path("loads/<int:number>/room/", spare.room, name="load_room"),
    path("loads/<int:number>/room/fill/", spare.fill, name="load_fill"),
    path("loads/<int:number>/room/take/", spare.take, name="load_take"),
    path("loads/<int:number>/weigh/", loads.weigh, name="load_weigh"),
    path("loads/<int:number>/done/", loads.done, name="load_done"),
    path("loads/<int:number>/release/", loads.release, name="load_release"),
    path("loads/<int:number>/scrap/", loads.scrap, name="load_scrap"),
    path("loads/<int:number>/take-back/", loads.take_back, name="load_take_back"),
    path("loads/<int:number>/sheet/", loads.sheet, name="load_sheet"),
    path("orders/<str:number>/", orders.order, name="order"),
    path("orders/<str:number>/confirm/", orders.confirm, name="confirm"),
    path("orders/<str:number>/refuse/", orders.refuse, name="refuse"),
    path("orders/<str:number>/pack/", orders.pack, name="pack"),
    path("orders/<str:number>/promise/", orders.promise, name="promise"),
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
    path("workbook/", workbook.workbook, name="workbook"),
    path("workbook/template/", workbook.template, name="workbook_template"),
    path("workbook/save/", workbook.save, name="workbook_save"),
    path("workbook/save/csv/", workbook.save_csv, name="workbook_save_csv"),
    path("workbook/look/", workbook.look, name="workbook_look"),
    path("workbook/load/", workbook.load, name="workbook_load"),
    path("papers/<int:number>/", papers.paper, name="paper"),
    path("papers/<int:number>/state/", papers.state, name="paper_state"),
    path("papers/<int:number>/again/", papers.again, name="paper_again"),
]
