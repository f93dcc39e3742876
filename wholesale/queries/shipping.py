"""What is ready to pack, what was packed, and what of it is still to ship or to invoice."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import NamedTuple

from django.db.models import Exists, F, OuterRef, Prefetch, Q, QuerySet, Sum

from wholesale import clock
from wholesale.core.catalogue import Catalogue
from wholesale.core.orders import OrderState
from wholesale.core.shipping import Held, LineShelf, ScentShelf, missing_pieces, ready_cases
from wholesale.core.values import NotFound
from wholesale.models import (
    Invoice,
    LoadPortion,
    Order,
    OrderLine,
    OrderLineScent,
    Reservation,
    Scent,
    Shipment,
    ShipmentLine,
    ShipmentLot,
)
from wholesale.queries import catalogue, production

# ── what is on the shelf ─────────────────────────────────────────────────────


def shelves(lines: Iterable[OrderLine], goods: Catalogue) -> dict[int, LineShelf]:
    """What is held for each line's open cases, by the line's row number: 3 queries, however many lines."""
    rows = list(lines)
    scents = OrderLineScent.objects.filter(line__in=rows).select_related("line__item")
    held, gone = _held(scents)
    finished = _finished(scents, goods)
    by_line: dict[int, list[ScentShelf]] = {}
    for scent in scents:
        come_through = finished.get(scent.pk, 0) - gone.get(scent.pk, 0)
        shelf = ScentShelf(
            scent=scent.scent, per_case=scent.pieces_per_case, held=tuple(held.get(scent.pk, ())),
            finished=max(come_through, 0) if last_step(goods, scent.line.item.code) else None,
        )  # fmt: skip
        by_line.setdefault(scent.line_id, []).append(shelf)
    return {row.pk: _shelf(row, by_line.get(row.pk, [])) for row in rows}


def last_step(goods: Catalogue, item: str) -> str:
    """The step a made piece must come through before it may leave; "" where the cure step is the last."""
    recipe = goods.items[item].recipe
    if recipe is None or recipe.cure_step + 1 >= len(recipe.operations):
        return ""
    return recipe.operations[-1].code


def _held(scents: QuerySet[OrderLineScent]) -> tuple[dict[int, list[Held]], dict[int, int]]:
    """Reserved pieces that have not left, and made pieces that have, by the scent's row number.

    What lies in a lot that ``production.sound_lots`` leaves out is held, but not ready: it is left out here too.
    """
    held: dict[int, list[Held]] = {}
    gone: dict[int, int] = {}
    sound = Exists(production.sound_lots().filter(pk=OuterRef("lot")))
    rows = Reservation.objects.filter(order_scent__in=scents).select_related("lot").annotate(sound=sound)
    for row in rows:
        part = Held(
            key=row.pk, lot=row.lot.code, usable_on=row.lot.usable_on, pieces=row.pieces - row.shipped,
            from_stock=row.from_stock,
        )  # fmt: skip
        if row.sound:
            held.setdefault(row.order_scent_id, []).append(part)
        if not row.from_stock:
            gone[row.order_scent_id] = gone.get(row.order_scent_id, 0) + row.shipped
    return held, gone


def _finished(scents: QuerySet[OrderLineScent], goods: Catalogue) -> dict[int, int]:
    """Good pieces of the last step of each product, by the scent's row number."""
    done = LoadPortion.objects.filter(order_scent__in=scents, good__isnull=False, load__done_at__isnull=False)
    sums = done.order_by().values_list("order_scent_id", "item__code", "operation").annotate(pieces=Sum("good"))
    return {scent: pieces for scent, item, step, pieces in sums if step == last_step(goods, item)}


def _shelf(row: OrderLine, scents: list[ScentShelf]) -> LineShelf:
    return LineShelf(key=row.pk, name=row.name, cases_open=row.cases - row.cases_shipped, scents=tuple(scents))


# ── page rows ────────────────────────────────────────────────────────────────


class ScentPieces(NamedTuple):
    """Pieces of one scent, by name ("" for an unscented product)."""

    name: str
    pieces: int


@dataclass(frozen=True, kw_only=True)
class PackLine:
    """One order line at the packing table, in cases; ``missing`` is pieces not there yet for the open ones.

    ``line`` is the key that ``actions.shipping.pack`` takes; ``scents`` is one case.
    """

    line: int
    item: str
    name: str
    case_pack: int
    scents: tuple[ScentPieces, ...]
    cases: int
    shipped: int
    open: int
    ready: int
    missing: tuple[ScentPieces, ...]


@dataclass(frozen=True, kw_only=True)
class PackPage:
    """An order at the packing table."""

    number: str
    shop: str
    promised: date
    may_pack: bool
    lines: tuple[PackLine, ...]

    @property
    def ready(self) -> int:
        """Whole cases that may be packed now."""
        return sum(line.ready for line in self.lines) if self.may_pack else 0


def pack_page(number: str) -> PackPage:
    """One order with what is ready of it today: 14 queries. ``NotFound`` when there is none."""
    order = Order.objects.select_related("shop").filter(number=number).first()
    if order is None:
        raise NotFound("order", f"There is no order {number}.")
    return _pack_pages([order])[0]


def to_pack() -> tuple[PackPage, ...]:
    """Confirmed orders with whole cases ready today, soonest promised first: 14 queries, however many."""
    confirmed = Order.objects.filter(state=OrderState.CONFIRMED).select_related("shop")
    orders = confirmed.filter(Exists(OrderLine.objects.filter(order=OuterRef("pk"), cases_shipped__lt=F("cases"))))
    return tuple(page for page in _pack_pages(list(orders.order_by("promised_leaves", "pk"))) if page.ready)


def _pack_pages(orders: list[Order]) -> list[PackPage]:
    lines = list(OrderLine.objects.filter(order__in=orders).select_related("item").prefetch_related("scents"))
    goods, names = catalogue.catalogue(clock.today()), _scent_names()
    found = shelves(lines, goods)
    by_order: dict[int, list[PackLine]] = {}
    for row in lines:
        by_order.setdefault(row.order_id, []).append(_pack_line(row, found[row.pk], names))
    return [
        PackPage(
            number=order.number, shop=order.shop.trade_name, promised=order.promised_leaves,
            may_pack=order.state == OrderState.CONFIRMED, lines=tuple(by_order.get(order.pk, ())),
        )
        for order in orders
    ]  # fmt: skip


def _pack_line(row: OrderLine, shelf: LineShelf, names: Mapping[str, str]) -> PackLine:
    today = clock.today()
    missing = missing_pieces(shelf, today)
    return PackLine(
        line=row.pk, item=row.item.code, name=row.name, case_pack=row.case_pack,
        scents=tuple(ScentPieces(names.get(s.scent, s.scent), s.pieces_per_case) for s in row.scents.all()),
        cases=row.cases, shipped=row.cases_shipped, open=shelf.cases_open, ready=ready_cases(shelf, today),
        missing=tuple(ScentPieces(names.get(scent, scent), pieces) for scent, pieces in missing.items()),
    )  # fmt: skip


def _scent_names() -> dict[str, str]:
    return dict(Scent.objects.values_list("code", "name"))


class LotPieces(NamedTuple):
    """Pieces taken from one lot."""

    lot: str
    scent: str
    pieces: int


@dataclass(frozen=True, kw_only=True)
class ShippedLine:
    """Cases of one order line in a shipment, with the lots they came from.

    ``before`` cases left in earlier shipments; ``waiting`` are not packed yet.
    """

    item: str
    name: str
    case_pack: int
    ordered: int
    before: int
    cases: int
    waiting: int
    scents: tuple[ScentPieces, ...]
    lots: tuple[LotPieces, ...]


@dataclass(frozen=True, kw_only=True)
class ShipmentRow:
    """One shipment in a list; ``invoice`` is the invoice that stands for it, "" while there is none."""

    number: str
    order: str
    shop_slug: str
    shop: str
    packed_at: datetime
    shipped_on: date | None
    arrives_on: date | None
    carrier: str
    tracking: str
    cartons: int
    cases: int
    invoice: str


@dataclass(frozen=True, kw_only=True)
class ShipmentPage:
    """One shipment with its lines."""

    row: ShipmentRow
    packed_by: str
    po_number: str
    ship_to: Mapping[str, str]
    lines: tuple[ShippedLine, ...]


def shipments(*, order: str = "", shop: str = "") -> tuple[ShipmentRow, ...]:
    """Shipments of an order or of a shop (by slug), newest first: 2 queries."""
    rows = _shipment_rows()
    if order:
        rows = rows.filter(order__number=order)
    if shop:
        rows = rows.filter(order__shop__slug=shop)
    return tuple(_shipment_row(row) for row in rows)


def to_ship() -> tuple[ShipmentRow, ...]:
    """Packed shipments that have not left, oldest first: 2 queries."""
    return tuple(
        _shipment_row(row) for row in _shipment_rows().filter(shipped_on__isnull=True).order_by("packed_at", "pk")
    )


def to_invoice() -> tuple[ShipmentRow, ...]:
    """Shipments without an invoice that stands, oldest first: 2 queries."""
    without = _shipment_rows().exclude(Exists(standing_invoices().filter(shipment=OuterRef("pk"))))
    return tuple(_shipment_row(row) for row in without.order_by("packed_at", "pk"))


def standing_invoices() -> QuerySet[Invoice]:
    """Invoices that no credit note has taken back."""
    rows: QuerySet[Invoice] = Invoice.objects.filter(kind="invoice", credit_note__isnull=True)
    return rows


def shipment_page(number: str, *, shop: str = "") -> ShipmentPage:
    """One shipment with lines and lots: 7 queries. ``NotFound`` when there is none, or none of that shop."""
    own = Q(order__shop__slug=shop) if shop else Q()
    row = _shipment_rows().select_related("packed_by").filter(own, number=number).first()
    if row is None:
        raise NotFound("shipment", f"There is no shipment {number}.")
    names = _scent_names()
    lots = Prefetch("lots", ShipmentLot.objects.select_related("lot"))
    rows = row.lines.select_related("order_line__item").prefetch_related(lots, "order_line__scents")
    before = _cases_before(row)
    return ShipmentPage(
        row=_shipment_row(row), packed_by=str(row.packed_by), po_number=row.order.po_number, ship_to=row.order.ship_to,
        lines=tuple(_shipped_line(line, before.get(line.order_line_id, 0), names) for line in rows),
    )  # fmt: skip


def _shipment_rows() -> QuerySet[Shipment]:
    standing = Prefetch("invoices", standing_invoices().only("number", "shipment_id"))
    rows = Shipment.objects.select_related("order__shop").annotate(cases=Sum("lines__cases"))
    return rows.prefetch_related(standing)


def _shipment_row(row: Shipment) -> ShipmentRow:
    return ShipmentRow(
        number=row.number, order=row.order.number, shop_slug=row.order.shop.slug, shop=row.order.shop.trade_name,
        packed_at=row.packed_at, shipped_on=row.shipped_on, arrives_on=row.arrives_on, carrier=row.carrier,
        tracking=row.tracking, cartons=row.cartons, cases=row.cases,  # type: ignore[attr-defined]
        invoice=next((invoice.number for invoice in row.invoices.all()), ""),
    )  # fmt: skip


def _cases_before(shipment: Shipment) -> dict[int, int]:
    """Cases of each order line in the shipments packed before this one."""
    earlier = ShipmentLine.objects.filter(shipment__order=shipment.order_id, shipment__lt=shipment.pk)
    return dict(earlier.order_by().values_list("order_line_id").annotate(cases=Sum("cases")))


def _shipped_line(row: ShipmentLine, before: int, names: Mapping[str, str]) -> ShippedLine:
    line = row.order_line
    scents = line.scents.all()
    return ShippedLine(
        item=line.item.code, name=line.name, case_pack=line.case_pack, ordered=line.cases, before=before,
        cases=row.cases, waiting=line.cases - before - row.cases,
        scents=tuple(ScentPieces(names.get(s.scent, s.scent), s.pieces_per_case * row.cases) for s in scents),
        lots=tuple(LotPieces(p.lot.code, names.get(p.lot.scent, p.lot.scent), p.pieces) for p in row.lots.all()),
    )  # fmt: skip
