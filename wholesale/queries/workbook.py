"""The present data as sheets of the workbook: loading them again changes nothing.

What has happened stays out: finished orders, used-up lots, closed bills. Old versions of
recipes stay out too; those in force stand in their sheets.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from datetime import date
from decimal import Decimal
from hashlib import sha256
from typing import Any, NamedTuple

from django.db.models import Model, Sum

from accounts.models import Address, Shop, User
from wholesale import clock
from wholesale.core import catalogue as core
from wholesale.core.orders import OPEN_STATES, OrderState
from wholesale.core.production.calendar import DayKind
from wholesale.core.values import from_e4, from_mg, from_minor
from wholesale.core.workbook import sheets
from wholesale.core.workbook.cells import SCENT_OIL
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.writing import Saved, csv_files
from wholesale.models import (
    CalendarDay,
    Equipment,
    EquipmentOut,
    Item,
    LoadPortion,
    Lot,
    Order,
    Price,
    Scent,
    Series,
    Setting,
    ShopAccount,
    StockMovement,
    StockTarget,
    Substitute,
    Tier,
    Weekday,
)
from wholesale.queries import catalogue, invoicing, production, workshop


def saved() -> Saved:
    """All sheets with their rows: a constant number of queries, however many rows."""
    return {sheet: list(rows()) for sheet, rows in _ROWS.items()}


def fingerprint() -> str:
    """A digest of all that the sheets speak of, and of the plan's version: another one means other data."""
    version = str(production.plan_version()).encode()
    return sha256(b"\0".join([version, *csv_files(saved()).values()])).hexdigest()


def _plain(text: str) -> str:
    return text.replace("\r\n", "\n").strip()


def _same(row: Model, *names: str) -> dict[str, Any]:
    """Columns that mean in the table what they mean in the sheet."""
    found = {name: getattr(row, name) for name in names}
    return {name: _plain(value) if isinstance(value, str) else value for name, value in found.items()}


# ── the house ────────────────────────────────────────────────────────────────


def _settings() -> Iterator[sheets.SettingRow]:
    for row in Setting.objects.all():
        yield sheets.SettingRow(name=row.name, value=_plain(row.value))


def _week() -> Iterator[sheets.WeekRow]:
    for row in Weekday.objects.all():
        yield sheets.WeekRow(weekday=row.weekday, **_hours(row))


def _days() -> Iterator[sheets.DayRow]:
    for row in CalendarDay.objects.all():
        yield sheets.DayRow(day=row.day, note=_plain(row.note), **_hours(row))


def _hours(row: Weekday | CalendarDay) -> dict[str, Any]:
    return {"kind": DayKind(row.kind), "opens": row.opens, "closes": row.closes, "hands": row.minutes or None}


# ── what is bought, made and made with ───────────────────────────────────────


def _materials() -> Iterator[sheets.MaterialRow]:
    for row in Item.objects.filter(kind="material"):
        same = _same(
            row, "code", "name", "max_load", "flash_point_c", "heating_limit_c", "limits_refuse", "supplier",
            "supply_days", "binds_plan", "description", "cautions",
        )  # fmt: skip
        yield sheets.MaterialRow(
            **same, unit=core.Unit(row.unit), room_g=_grams(row.room_mg), unit_cost=_price(row.unit_cost_e4),
            purchase_pack=_counted(row.purchase_pack, row.unit),
        )  # fmt: skip


def _items() -> Iterator[sheets.ItemRow]:
    for row in Item.objects.exclude(kind="material"):
        same = _same(
            row, "code", "name", "scented", "case_pack", "mix_scents", "mix_least", "loss", "yield_share",
            "samples_per_batch", "shortage_risk", "keeps_leftover", "limits_refuse", "on_sale", "gtin", "lead_days",
            "description", "cautions",
        )  # fmt: skip
        yield sheets.ItemRow(
            **same, kind=core.ItemKind(row.kind), unit=core.Unit(row.unit), room_g=_grams(row.room_mg),
            retail_price=_price(row.retail_price_e4), net_weight_g=_grams(row.net_weight_mg),
            unit_cost=_price(row.unit_cost_e4),
        )  # fmt: skip


def _grams(milligrams: int | None) -> Decimal | None:
    return None if milligrams is None else from_mg(milligrams)


def _price(e4: int | None) -> Decimal | None:
    return None if e4 is None else from_e4(e4)


def _counted(quantity: int | None, unit: str) -> Decimal | None:
    """Pieces or grams."""
    return None if quantity is None else _amount(quantity, unit)


def _amount(quantity: int, unit: str) -> Decimal:
    return from_mg(quantity) if unit == "gram" else Decimal(quantity)


def _substitutes() -> Iterator[sheets.SubstituteRow]:
    for item, other in Substitute.objects.values_list("item__code", "substitute__code"):
        yield sheets.SubstituteRow(item=item, substitute=other)


def _scents() -> Iterator[sheets.ScentRow]:
    for row in Scent.objects.select_related("oil"):
        yield sheets.ScentRow(**_same(row, "code", "name", "rank"), oil=row.oil.code)


def _equipment() -> Iterator[sheets.EquipmentRow]:
    for row in Equipment.objects.all():
        same = _same(
            row, "code", "name", "kind", "count", "load_pieces", "load_basis", "loads_per_day", "hold_minutes",
            "window_minutes",
        )  # fmt: skip
        yield sheets.EquipmentRow(**same, load_g=_grams(row.load_mg), price=_price(row.price_e4))


def _outages() -> Iterator[sheets.OutageRow]:
    """What is out of use today or later; what is told twice of the same days is added up."""
    found: dict[tuple[str, date, date | None], list[EquipmentOut]] = {}
    for row in production.current_outages().select_related("equipment"):
        found.setdefault((row.equipment.code, row.first, row.last), []).append(row)
    for (code, first, last), rows in found.items():
        count = sum(row.count for row in rows)
        yield sheets.OutageRow(equipment=code, count=count, first=first, last=last, because=_plain(rows[0].because))


def _recipes() -> list[tuple[str, core.Recipe]]:
    goods = catalogue.catalogue(clock.today())
    return [(item.code, item.recipe) for item in goods.items.values() if item.recipe]


def _lines() -> Iterator[sheets.RecipeLineRow]:
    for item, recipe in _recipes():
        for line in recipe.lines:
            yield sheets.RecipeLineRow(
                item=item, component=line.component or SCENT_OIL, basis=line.basis, quantity=line.quantity,
                carrier=line.carrier, step=line.step,
            )  # fmt: skip


def _operations() -> Iterator[sheets.OperationRow]:
    names = [name for name in sheets.OperationRow.columns() if name != "item"]
    for item, recipe in _recipes():
        for step in recipe.operations:
            same = {name: getattr(step, name) for name in names}
            texts = {name: _plain(value) for name, value in same.items() if isinstance(value, str)}
            yield sheets.OperationRow(item=item, **{**same, **texts})


# ── prices, shops, people ────────────────────────────────────────────────────


def _prices() -> Iterator[sheets.PriceRow]:
    for row in Price.objects.select_related("price_list", "item").order_by(
        "price_list__valid_from", "price_list", "pk"
    ):
        of = row.price_list
        yield sheets.PriceRow(
            price_list=of.code, valid_from=of.valid_from, valid_until=of.valid_until, item=row.item.code,
            unit_price=from_e4(row.unit_price_e4),
        )  # fmt: skip


def _tiers() -> Iterator[sheets.TierRow]:
    currency = workshop.workshop().currency
    for row in Tier.objects.all():
        yield sheets.TierRow(from_amount=from_minor(row.from_minor, currency), percent=row.percent)


def _shops() -> Iterator[sheets.ShopRow]:
    last = dict(ShopAccount.objects.values_list("shop_id", "last_order_on"))
    for row in Shop.objects.order_by("pk"):
        same = _same(
            row, "trade_name", "legal_name", "country", "tax_id", "email", "phone", "opened_on", "closed_on",
            "opening_hours", "terms_note",
        )  # fmt: skip
        names = ("number", "state", "signed_on", "expires_on")
        certificate = {f"certificate_{name}": getattr(row, f"resale_certificate_{name}") for name in names}
        yield sheets.ShopRow(shop=row.slug, last_order_on=last.get(row.pk), **same, **certificate)


def _addresses() -> Iterator[sheets.AddressRow]:
    for row in Address.objects.select_related("shop").order_by("shop", "pk"):
        same = _same(row, "kind", "name", "line1", "line2", "city", "region", "postcode", "country")
        yield sheets.AddressRow(shop=row.shop.slug, default=row.is_default, **same)


def _people() -> Iterator[sheets.PersonRow]:
    for user in User.objects.prefetch_related("memberships__shop").order_by("pk"):
        members = [(member.shop.slug, str(member.role)) for member in user.memberships.all()]
        for shop, role in members or ([("", "")] if user.staff_role else []):
            same = _same(user, "email", "name")
            yield sheets.PersonRow(**same, staff_role=str(user.staff_role), shop=shop, shop_role=role)


# ── stock and orders ─────────────────────────────────────────────────────────


def _stock() -> Iterator[sheets.StockRow]:
    """Lots that are not used up, by the place they lie at."""
    lots = {lot.pk: lot for lot in Lot.objects.filter(on_hand__gt=0).select_related("item")}
    sums = (
        StockMovement.objects.filter(lot__in=lots).order_by().values_list("lot", "place").annotate(sum=Sum("quantity"))
    )
    for pk, place, there in sorted(sums):
        if there:
            yield _lot(lots[pk], place, there)


def _lot(lot: Lot, place: str, there: int) -> sheets.StockRow:
    same = _same(lot, "scent", "made_on", "usable_on", "state", "supplier", "supplier_lot", "expires_on")
    return sheets.StockRow(
        lot=lot.code, item=lot.item.code, place=place, on_hand=_counted(there, lot.item.unit), **same
    )


def _deliveries() -> Iterator[sheets.DeliveryRow]:
    for row in production.awaited().select_related("item"):
        same = _same(row, "scent", "ordered_on", "expected_on", "supplier", "reference")
        yield sheets.DeliveryRow(item=row.item.code, quantity=_amount(row.quantity, row.item.unit), **same)


def _targets() -> Iterator[sheets.TargetRow]:
    for item, scent, pieces in StockTarget.objects.values_list("item__code", "scent", "pieces"):
        yield sheets.TargetRow(item=item, scent=scent, pieces=pieces)


def _orders() -> Iterator[sheets.OrderRow]:
    rows = Order.objects.filter(state__in=OPEN_STATES).select_related("shop", "placed_by").order_by("pk")
    for order in rows.prefetch_related("lines__item", "lines__scents"):
        for line in order.lines.all():
            mix = tuple((scent.scent, scent.pieces_per_case) for scent in line.scents.all())
            yield sheets.OrderRow(
                token=order.token, shop=order.shop.slug, by=order.placed_by.email, po_number=order.po_number,
                note=_plain(order.note), confirmed=order.state == OrderState.CONFIRMED, item=line.item.code,
                cases=line.cases, mix=mix,
            )  # fmt: skip


def _batches() -> Iterator[sheets.BatchRow]:
    """Good pieces that wait for their next step; those that cure already are lots of stock."""
    goods = catalogue.catalogue(clock.today())
    for portion, waiting in _waiting(goods):
        order = portion.order
        yield sheets.BatchRow(
            number=str(portion.load.number), item=portion.item.code, scent=portion.scent, step=portion.operation,
            day=portion.load.day, pieces=waiting, order=order.token if order else "",
        )  # fmt: skip


class _Queue(NamedTuple):
    """Pieces of one demand at one step."""

    order_scent: int | None
    for_stock: int | None
    sku: core.Sku
    operation: str


def _queue(portion: LoadPortion, operation: str) -> _Queue:
    sku = core.Sku(portion.item.code, portion.scent)
    return _Queue(portion.order_scent_id, portion.for_stock_id, sku, operation)


def _waiting(goods: core.Catalogue) -> Iterator[tuple[LoadPortion, int]]:
    """Done portions of products whose cure is still to come, with the pieces that wait: the oldest go on first."""
    done, gone = _done(), Counter[_Queue]()
    for portion in done:
        gone[_queue(portion, portion.operation)] += portion.pieces
    for portion in done:
        if after := _step_before_cure(goods, portion):
            queue, good = _queue(portion, after), portion.good or 0
            went = min(gone[queue], good)
            gone[queue] -= went
            if good > went:
                yield portion, good - went


def _done() -> list[LoadPortion]:
    loads = production.open_loads().order_by().values("pk")
    rows = LoadPortion.objects.filter(load__in=loads, item__kind="product", load__done_at__isnull=False)
    related = ("load", "item", "order_scent__line__order", "for_stock")
    return list(rows.exclude(load__number=None).select_related(*related).order_by("load__done_at", "load_id", "pk"))


def _step_before_cure(goods: core.Catalogue, portion: LoadPortion) -> str:
    """The step that a portion's pieces wait for; "" once their cure has begun."""
    codes = [step.code for step in goods.steps(portion.item.code)]
    cure = goods.recipe(portion.item.code).cure_step
    return codes[codes.index(portion.operation) + 1] if portion.operation in codes[:cure] else ""


# ── money and numbers ────────────────────────────────────────────────────────


def _open_invoices() -> Iterator[sheets.OpenInvoiceRow]:
    rows = invoicing.invoices_with_open().filter(kind="invoice", open_minor__gt=0, credit_note__isnull=True)
    for row in rows.select_related("shop").order_by("pk"):
        net, tax, gross = (from_minor(minor, row.currency) for minor in (row.net_minor, row.tax_minor, row.gross_minor))
        yield sheets.OpenInvoiceRow(
            number=row.number, shop=row.shop.slug, issued_on=row.issued_on, due_on=row.due_on or row.issued_on,
            net=net, tax=tax, gross=gross, paid=gross - from_minor(row.open_minor, row.currency),
        )  # fmt: skip


def _open_credits() -> Iterator[sheets.OpenCreditRow]:
    """What stands on the shops' accounts, by payment and credit note."""
    currency = workshop.workshop().currency
    sums: dict[tuple[str, str, date], int] = {}
    paid = invoicing.payments_with_rest().filter(rest_minor__gt=0).select_related("shop").order_by("pk")
    for row in paid:
        key = (row.shop.slug, row.reference or sheets.NO_REFERENCE, row.received_on)
        sums[key] = sums.get(key, 0) + row.rest_minor
    notes = invoicing.invoices_with_open().filter(kind="credit", open_minor__gt=0).select_related("shop")
    for note in notes.order_by("pk"):
        sums[note.shop.slug, note.number, note.issued_on] = note.open_minor
    for (shop, reference, dated), minor in sums.items():
        yield sheets.OpenCreditRow(shop=shop, reference=reference, dated=dated, amount=from_minor(minor, currency))


def _series() -> Iterator[sheets.SeriesRow]:
    for row in Series.objects.order_by("code"):
        yield sheets.SeriesRow(series=row.code, next_number=row.next_number)


_ROWS: dict[type[Row], Callable[[], Iterator[Row]]] = {
    sheets.SettingRow: _settings, sheets.WeekRow: _week, sheets.DayRow: _days, sheets.MaterialRow: _materials,
    sheets.SubstituteRow: _substitutes, sheets.ItemRow: _items, sheets.ScentRow: _scents,
    sheets.EquipmentRow: _equipment, sheets.OutageRow: _outages, sheets.RecipeLineRow: _lines,
    sheets.OperationRow: _operations, sheets.PriceRow: _prices, sheets.TierRow: _tiers, sheets.ShopRow: _shops,
    sheets.AddressRow: _addresses, sheets.PersonRow: _people, sheets.StockRow: _stock,
    sheets.DeliveryRow: _deliveries, sheets.TargetRow: _targets, sheets.OrderRow: _orders,
    sheets.BatchRow: _batches, sheets.OpenInvoiceRow: _open_invoices, sheets.OpenCreditRow: _open_credits,
    sheets.SeriesRow: _series,
}  # fmt: skip
