"""Where a lot went and where it came from, through every batch and every shipment between.

A batch takes lots and puts pieces into lots: its entries in the ledger, which say whose the
pieces are. Pieces that go on to a later step of the same order were in the earlier step's
batch too, so a batch of bases leads to the batches that topped those bases, and to the lots
these orders' pieces are in. Where an order was poured in two batches, each later batch may
hold pieces of both: a trace names all of them, never too few.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any, NamedTuple

from django.db.models import OuterRef, Q, QuerySet, Subquery, Sum

from wholesale.core.catalogue import Sku
from wholesale.core.values import NotFound
from wholesale.models import Load, LoadPortion, Lot, Operation, Reservation, Scent, ShipmentLot, StockMovement
from wholesale.queries.production import UNITS

#: The name of a row's scent, found by its code in the row's own query.
_SCENT_NAME = Subquery(Scent.objects.filter(code=OuterRef("scent")).values("name")[:1])


class Taken(NamedTuple):
    """So much of a lot that a batch took, or that was made in it."""

    lot: str
    name: str
    quantity: Fraction
    unit: str


class TracedBatch(NamedTuple):
    """One batch on the way; ``load`` is its row."""

    load: int
    number: str
    day: date
    what: str
    took: tuple[Taken, ...]
    made: tuple[Taken, ...]


class TracedLot(NamedTuple):
    """One lot on the way: of what, from whom or from which batch, whether it is stopped, and what is left of it."""

    code: str
    name: str
    state: str
    supplier: str
    supplier_lot: str
    on_hand: Fraction
    unit: str


class Sent(NamedTuple):
    """Pieces of a lot that left in a shipment (``left_on`` empty: packed, still here)."""

    shipment: str
    order: str
    shop: str
    lot: str
    pieces: int
    left_on: date | None


@dataclass(frozen=True, kw_only=True)
class Trace:
    """One way from a lot: the batches and lots on it, nearest first, and what was sent of them."""

    batches: tuple[TracedBatch, ...]
    lots: tuple[TracedLot, ...]
    sent: tuple[Sent, ...] = ()


#: Whose pieces: the row of an order's line or of what the workshop makes for itself (0: neither), and of what.
_Whose = tuple[int, int, Sku]


class _Step(NamedTuple):
    """Pieces of a load: whose, at which place in the recipe."""

    load: int
    whose: _Whose
    position: int
    done_at: datetime


class _PutIn(NamedTuple):
    """Pieces that a batch put into a lot; of older entries nobody knows whose."""

    lot: int
    load: int
    whose: _Whose | None


def trace_forward(code: str) -> Trace:
    """The batches that took a lot, the lots they made, and so on to the shipments.

    Queries: 7, and 4 for each level of recipes on the way, however many batches and lots.
    """
    start = _start(code)
    lots, positions = {start.pk: 0}, _positions()
    loads: dict[int, int] = {}
    took: set[int] = set()
    new = {start.pk}
    while new:
        taking = _loads_that_took(new) - took
        later = _neighbours(dict.fromkeys(taking), positions, later=True)
        took |= taking
        _add(loads, taking)
        _add(loads, {step.load for step in later})
        new = _lots_made(taking, later) - set(lots)
        _add(lots, new)
    known = _lots(lots)
    batches = _batches(loads, known)
    return Trace(batches=batches, lots=_in_order(lots, known, start.pk), sent=_sent([start.pk, *lots]))


def trace_back(code: str) -> Trace:
    """The batches a lot went through, the lots they took, and so on to what was bought.

    Queries: 6, and 4 for each level of recipes on the way, however many batches and lots.
    """
    start = _start(code)
    lots, positions = {start.pk: 0}, _positions()
    loads: dict[int, int] = {}
    new = {start.pk}
    while new:
        makers = _by_load(_put_in(Q(lot__in=new)))
        earlier = {step.load for step in _neighbours(makers, positions, later=False)}
        taken = _lots_taken_by((set(makers) | earlier) - set(loads))
        _add(loads, makers)
        _add(loads, earlier)
        new = taken - set(lots)
        _add(lots, new)
    known = _lots(lots)
    return Trace(batches=_batches(loads, known), lots=_in_order(lots, known, start.pk))


@dataclass(frozen=True, kw_only=True)
class MadeOf:
    """What was made of a lot: batches and lots on the way, and the orders that hold pieces of these, or got them."""

    batches: tuple[TracedBatch, ...]
    lots: tuple[TracedLot, ...]
    orders: tuple[str, ...]

    @property
    def here(self) -> tuple[TracedLot, ...]:
        """The lots of which something is left here."""
        return tuple(lot for lot in self.lots if lot.on_hand)

    @property
    def used_up(self) -> int:
        """How many of the lots have nothing left here."""
        return len(self.lots) - len(self.here)

    @property
    def goes_on(self) -> tuple[TracedLot, ...]:
        """The lots that are not stopped."""
        return tuple(lot for lot in self.lots if lot.state == "ok")


def made_of(code: str) -> MadeOf:
    """What was made of a lot, through every level: 1 query more than its trace forward."""
    found = trace_forward(code)
    held = Reservation.objects.filter(lot__code__in=[lot.code for lot in found.lots])
    orders = held.order_by("order_scent__line__order_id").values_list("order_scent__line__order__number", flat=True)
    return MadeOf(batches=found.batches, lots=found.lots, orders=tuple(dict.fromkeys(orders)))


def _start(code: str) -> Lot:
    row = Lot.objects.filter(code=code).first()
    if row is None:
        raise NotFound("lot", f"There is no lot '{code}'; open the list of stock and choose one there.")
    return row


def _add(to: dict[int, int], keys: Iterable[int]) -> None:
    """Number the keys in the order they were met."""
    for key in sorted(keys):
        to.setdefault(key, len(to))


def _net() -> QuerySet[Any, Any]:
    """What each batch took (below zero) or put in (above zero) of each lot, entries taken back left out."""
    entries = StockMovement.objects.filter(load__isnull=False).order_by()
    return entries.values_list("lot", "load").annotate(net=Sum("quantity"))


def _loads_that_took(lots: Iterable[int]) -> set[int]:
    return {load for _, load, _ in _net().filter(lot__in=lots, net__lt=0)}


def _lots_taken_by(loads: Iterable[int]) -> set[int]:
    return {lot for lot, _, _ in _net().filter(load__in=loads, net__lt=0)}


def _lots_made(taking: set[int], later: Iterable[_Step]) -> set[int]:
    """The lots that batches put something into, and those that the pieces of later steps went into: 1 query."""
    pieces = {(step.load, step.whose) for step in later}
    rows = _put_in(Q(load__in=taking | {load for load, _ in pieces}))
    return {row.lot for row in rows if row.load in taking or row.whose is None or (row.load, row.whose) in pieces}


def _put_in(of: Q) -> list[_PutIn]:
    """What batches put into lots and was not taken back: 1 query."""
    rows = StockMovement.objects.filter(of, load__isnull=False, quantity__gt=0, corrects=None, corrected_by=None)
    columns = ("lot", "load", "portion__order_scent", "portion__for_stock", "lot__item__code", "lot__scent")
    found = rows.filter(reason__in=("made", "left over")).order_by("pk").values_list("portion", *columns)
    return [
        _PutIn(lot, load, (order or 0, stock or 0, Sku(item, scent)) if portion else None)
        for portion, lot, load, order, stock, item, scent in found
    ]


def _by_load(rows: Iterable[_PutIn]) -> dict[int, set[_Whose] | None]:
    """Whose pieces each batch put in; ``None``: all that it holds may be among them."""
    found: dict[int, set[_Whose] | None] = {}
    for row in rows:
        known = found.setdefault(row.load, set())
        found[row.load] = None if known is None or row.whose is None else known | {row.whose}
    return found


def _positions() -> dict[tuple[str, str], int]:
    """The place of each step in the newest recipe of its item."""
    rows = Operation.objects.order_by("recipe__version").values_list("recipe__item__code", "code", "position")
    return {(item, code): position for item, code, position in rows}


def _neighbours(
    of: Mapping[int, set[_Whose] | None], positions: Mapping[tuple[str, str], int], *, later: bool
) -> list[_Step]:
    """Where pieces of these batches (all, or those of somebody) went on to, or came from: 2 queries.

    Same order, same sku, another step.
    """
    own = [s for s in _steps(Q(load__in=list(of)), positions) if (whose := of[s.load]) is None or s.whose in whose]
    orders, stock = {step.whose[0] for step in own} - {0}, {step.whose[1] for step in own} - {0}
    others = _steps(Q(order_scent__in=orders) | Q(for_stock__in=stock), positions)
    by_whose: dict[_Whose, list[_Step]] = {}
    for step in own:
        by_whose.setdefault(step.whose, []).append(step)
    return [
        other
        for other in others
        if any(_follows(other, step) if later else _follows(step, other) for step in by_whose.get(other.whose, ()))
    ]


def _follows(after: _Step, before: _Step) -> bool:
    return after.position > before.position and after.done_at >= before.done_at


def _steps(of: Q, positions: Mapping[tuple[str, str], int]) -> list[_Step]:
    columns = ("load", "order_scent", "for_stock", "item__code", "scent", "operation", "load__done_at")
    rows = LoadPortion.objects.filter(of, load__done_at__isnull=False).values_list(*columns)
    return [
        _Step(load, (order or 0, stock or 0, Sku(item, scent)), positions.get((item, step), 0), done_at)
        for load, order, stock, item, scent, step, done_at in rows
    ]


def _lots(lots: Iterable[int]) -> dict[int, Lot]:
    rows = Lot.objects.filter(pk__in=list(lots)).select_related("item").annotate(scent_name=_SCENT_NAME)
    return {row.pk: row for row in rows}


def _in_order(lots: Mapping[int, int], known: Mapping[int, Lot], start: int) -> tuple[TracedLot, ...]:
    rows = (known[lot] for lot in lots if lot != start)
    return tuple(
        TracedLot(
            row.code, _lot_name(row), row.state, row.supplier, row.supplier_lot,
            Fraction(row.on_hand, UNITS[row.item.unit]), row.item.unit,
        )
        for row in rows
    )  # fmt: skip


def _batches(loads: Mapping[int, int], known: Mapping[int, Lot]) -> tuple[TracedBatch, ...]:
    """The batches with what each took and made of the lots on the way: 2 queries."""
    took: dict[int, list[Taken]] = {}
    made: dict[int, list[Taken]] = {}
    for lot, load, net in _net().filter(load__in=list(loads), lot__in=list(known)):
        row = known[lot]
        side = took if net < 0 else made
        side.setdefault(load, []).append(
            Taken(row.code, _lot_name(row), Fraction(abs(net), UNITS[row.item.unit]), row.item.unit)
        )
    found = Load.objects.filter(pk__in=list(loads)).select_related("what").annotate(scent_name=_SCENT_NAME)
    rows = {row.pk: row for row in found}
    return tuple(
        TracedBatch(
            pk, rows[pk].number or "", rows[pk].day, _name(rows[pk].what.name, rows[pk].scent_name),
            tuple(sorted(took.get(pk, ()))), tuple(sorted(made.get(pk, ()))),
        )
        for pk in loads
    )  # fmt: skip


def _lot_name(row: Any) -> str:
    """What a lot of ``_lots`` is of: its row carries the name of its scent."""
    return _name(row.item.name, row.scent_name)


def _name(item: str, scent: str | None) -> str:
    return f"{item}, {scent}" if scent else item


def _sent(lots: Iterable[int]) -> tuple[Sent, ...]:
    columns = (
        "line__shipment__number", "line__shipment__order__number", "line__shipment__order__shop__trade_name",
        "lot__code", "line__shipment__shipped_on",
    )  # fmt: skip
    rows = ShipmentLot.objects.filter(lot__in=list(lots)).order_by("line__shipment__number", "lot__code")
    sums = rows.values_list(*columns).annotate(pieces=Sum("pieces"))
    return tuple(Sent(number, order, shop, lot, pieces, day) for number, order, shop, lot, day, pieces in sums)
