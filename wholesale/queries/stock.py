"""Stock on pages: what there is of each sku with the rows behind every figure, and one lot with its ledger."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import NamedTuple

from django.db.models import Case, F, Q, QuerySet, Sum, Value, When
from django.db.models.functions import Coalesce

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind, Sku, Unit
from wholesale.core.orders import OPEN_STATES
from wholesale.core.stock import Claim, Figure, LotOnHand, OnHand, Row, SkuStock, Standing, stock_on
from wholesale.core.values import NotFound
from wholesale.models import (
    ExpectedDelivery,
    LoadPortion,
    Lot,
    OrderLineScent,
    Reservation,
    Scent,
    StockMovement,
    StockTarget,
)
from wholesale.queries import catalogue, production
from wholesale.queries.production import UNITS

#: The headings of the list, in its order.
GROUPS = ((ItemKind.PRODUCT, "Products"), (ItemKind.PART, "Parts"), (ItemKind.MATERIAL, "Materials"))
#: The figures of a sku, with what each counts.
FIGURES = (
    ("on_hand", "On hand", "All that lies here, wherever and for whom."),
    ("free", "Free now", "May be used or sold today, and nobody has reserved it."),
    ("later", "Free later", "Not reserved, and usable from the day of its row."),
    ("reserved", "Reserved", "Held in a lot for an order, and not packed yet."),
    ("promised", "Promised", "Open orders still wait for it: no lot holds it yet."),
    ("curing", "Curing", "Made, and not to be sold before the day of its row."),
    ("setting", "Setting", "Made, and not to be used before the day of its row."),
    ("between", "Between steps", "Good pieces that wait for their next step; no lot holds them yet."),
    ("kept_back", "Kept back", "On hold, recalled, past its day, resting, or waiting for its release."),
)
#: What an entry of the ledger is called on pages, by its reason.
REASONS = {
    "opening": "First day's stock",
    "received": "Received",
    "made": "Made",
    "used": "Used in a batch",
    "weighed": "Weighed for a batch",
    "left over": "Left over",
    "shipped": "Packed",
    "counted": "Counted",
    "scrap": "Scrapped",
    "sample": "Taken as a sample",
    "breakage": "Broken",
    "moved": "Moved",
    "hold": "Put on hold",
    "released": "Released",
    "recalled": "Recalled",
    "taken back": "Entry taken back",
}
#: Entries booked by hand at the shelf: one that was wrong is taken back; the others belong to their batch or parcel.
BY_HAND = frozenset({"received", "counted", "scrap", "sample", "breakage"})
#: Entries of a lot's page; older ones are brought forward as one sum.
NEWEST = 100


@dataclass(frozen=True, kw_only=True)
class StockRow:
    """One sku in the list of stock; ``target`` is the free pieces wanted on the shelf (0: none named)."""

    sku: Sku
    name: str
    scent: str
    kind: ItemKind
    unit: Unit
    stock: SkuStock
    target: int = 0

    @property
    def title(self) -> str:
        """The product's name with its scent's."""
        return f"{self.name}, {self.scent}" if self.scent else self.name

    @property
    def figures(self) -> tuple[tuple[str, str, Figure], ...]:
        """Every figure that has rows, with its name and what it counts."""
        named = ((name, words, getattr(self.stock, field)) for field, name, words in FIGURES)
        return tuple((name, words, figure) for name, words, figure in named if figure)

    @property
    def setting(self) -> Fraction:
        """What sets: lots that may not be used yet, and pieces between two steps."""
        return self.stock.setting.total + self.stock.between.total

    @property
    def below_target(self) -> bool:
        """Is less free, now or later, than is wanted?"""
        later = sum((row.quantity for row in self.stock.later), Fraction(0))
        return self.stock.free.total + later < self.target


class Place(NamedTuple):
    """What of a lot lies at a place."""

    name: str
    quantity: Fraction


class LotRow(NamedTuple):
    """One lot of a sku, with where it stands today."""

    lot: LotOnHand
    standing: Standing
    free: Fraction
    places: tuple[Place, ...]
    supplier_lot: str


class OnOrder(NamedTuple):
    """A delivery that is awaited; ``late`` when its day is past."""

    id: int
    quantity: Fraction
    expected_on: date
    ordered_on: date
    supplier: str
    reference: str
    late: bool


@dataclass(frozen=True, kw_only=True)
class SkuPage:
    """One sku: its figures with their rows, its lots, the codes of lots that are used up, and what is on order.

    The plan waits for it where it ``binds``.
    """

    row: StockRow
    lots: tuple[LotRow, ...]
    used_up: tuple[str, ...]
    pack: Fraction | None
    supplier: str
    on_order: tuple[OnOrder, ...] = ()
    binds: bool = False

    @property
    def ordered(self) -> Fraction:
        """All that is on order."""
        return sum((row.quantity for row in self.on_order), Fraction(0))


class Entry(NamedTuple):
    """One entry of a lot's ledger, with what was left after it."""

    id: int
    at: datetime
    what: str
    quantity: Fraction
    left: Fraction
    place: str
    reference: str
    load: int | None
    because: str
    by: str
    taken_back: bool
    may_take_back: bool


@dataclass(frozen=True, kw_only=True)
class LotPage:
    """One lot with its ledger, newest entry first; ``brought_forward`` is the sum of the older ones."""

    lot: LotOnHand
    name: str
    scent: str
    unit: Unit
    made_on: date
    state_because: str
    supplier: str
    supplier_lot: str
    batch: str
    load: int | None
    standing: Standing
    free: Fraction
    places: tuple[Place, ...]
    entries: tuple[Entry, ...]
    earlier: int
    brought_forward: Fraction


# ── what there is ────────────────────────────────────────────────────────────


def stock_list() -> tuple[tuple[str, tuple[StockRow, ...]], ...]:
    """Every sku that is stocked, under its heading: 12 queries, however many lots and orders."""
    goods = catalogue.catalogue(clock.today())
    found, targets = stock_by_sku(goods), _targets()
    skus = [*_stocked(goods), *sorted(set(found) - set(_stocked(goods)))]
    rows = [_stock_row(goods, sku, found, targets) for sku in skus]
    groups = ((title, tuple(row for row in rows if row.kind is kind)) for kind, title in GROUPS)
    return tuple((title, group) for title, group in groups if group)


def stock_by_sku(goods: Catalogue, on: date | None = None, sku: Sku | None = None) -> dict[Sku, SkuStock]:
    """The stock of each sku, or of one, on a day: 4 queries."""
    return stock_on(on or clock.today(), lots_on_hand(sku), between_steps(goods, sku), promised(sku))


def lots_on_hand(sku: Sku | None = None) -> list[LotOnHand]:
    """The lots with something left, oldest first, and who holds what of them: 2 queries."""
    rows = Lot.objects.filter(_of(sku), on_hand__gt=0).select_related("item").annotate(waits=_waits())
    held = _held(Reservation.objects.filter(lot__in=rows.values("pk")))
    return [_lot(row, held.get(row.pk, ())) for row in rows.order_by("usable_on", "pk")]


def between_steps(goods: Catalogue, sku: Sku | None = None) -> list[Claim]:
    """Good pieces of open orders (and for the shelf) that wait for their next step and are in no lot yet: 1 query."""
    is_open = Q(order_scent__line__order__state__in=OPEN_STATES) | Q(for_stock__closed_at__isnull=True)
    done = LoadPortion.objects.filter(_of(sku), is_open, load__done_at__isnull=False)
    # Where the melt was lost before it was poured, no piece went in.
    done = done.exclude(load__scrapped_at=F("load__done_at"))
    columns = ("order_scent", "for_stock", "order_scent__line__order__number", "item__code", "scent", "operation")
    sums = done.order_by().values_list(*columns).annotate(good=Sum(Coalesce("good", "pieces")), into=Sum("pieces"))
    passed: dict[tuple[int, int, str, Sku], dict[str, tuple[int, int]]] = {}
    for order_scent, for_stock, order, item, scent, operation, good, into in sums:
        key = (order_scent or 0, for_stock or 0, order or "for stock", Sku(item, scent))
        passed.setdefault(key, {})[operation] = (good, into)
    return [
        Claim(key[3], Row(key[2], Fraction(pieces), note=f"after {step}"))
        for key, steps in passed.items()
        for step, pieces in _waiting(goods, key[3], steps)
    ]


def promised(sku: Sku | None = None) -> list[Claim]:
    """Pieces that open orders still need and no lot holds yet: 1 query."""
    held = production.summed(Reservation.objects.all(), "order_scent", "pieces")
    missing = F("line__cases") * F("pieces_per_case") - held
    rows = OrderLineScent.objects.filter(_of(sku, "line__"), line__order__state__in=OPEN_STATES)
    rows = rows.annotate(missing=missing).filter(missing__gt=0).order_by("line__order__promised_leaves", "pk")
    columns = ("line__item__code", "scent", "line__order__number", "line__order__promised_leaves", "missing")
    return [
        Claim(Sku(item, scent), Row(order, Fraction(missing), leaves))
        for item, scent, order, leaves, missing in rows.values_list(*columns)
    ]


def free_materials() -> list[OnHand]:
    """What may be weighed of each lot of a material, in pieces or grams: 1 query; see ``production.free_stock``."""
    lots = production.sound_lots().filter(item__kind="material", free__gt=0).order_by("usable_on", "pk")
    columns = ("item__code", "item__unit", "scent", "usable_on", "free")
    return [
        OnHand(sku=Sku(item, scent), usable_on=day, quantity=Fraction(free, UNITS[unit]))
        for item, unit, scent, day, free in lots.values_list(*columns)
    ]


def sku_page(item: str, scent: str = "") -> SkuPage:
    """One sku, its lots, what is on order: 16 queries; ``NotFound`` when there is no such item or scent."""
    goods = catalogue.catalogue(clock.today())
    sku = Sku(item, scent)
    if item not in goods.items or goods.items[item].scented != bool(scent) or (scent and scent not in goods.scents):
        raise NotFound("sku", f"There is no '{sku}' in the catalogue; open the list of stock and choose there.")
    lots = Lot.objects.filter(item__code=item, scent=scent)
    here = lots_on_hand(sku)
    found = stock_on(clock.today(), here, between_steps(goods, sku), promised(sku))
    places, suppliers = _places(Q(lot__in=lots.filter(on_hand__gt=0))), _supplier_lots(lots)
    known = goods.items[item]
    return SkuPage(
        row=_stock_row(goods, sku, found, _targets()),
        lots=tuple(_lot_row(lot, places, suppliers) for lot in here),
        used_up=tuple(lots.filter(on_hand=0).order_by("-pk").values_list("code", flat=True)[:NEWEST]),
        pack=None if known.purchase_pack is None else Fraction(known.purchase_pack), supplier=known.supplier,
        on_order=_on_order(sku), binds=known.binds_plan,
    )  # fmt: skip


def delivery_of(delivery: int) -> Sku:
    """What a delivery is of: 1 query; ``NotFound`` when there is none of that number."""
    found = ExpectedDelivery.objects.filter(pk=delivery).values_list("item__code", "scent").first()
    if found is None:
        raise NotFound("delivery", "There is no such delivery; open the list of stock and choose there.")
    return Sku(*found)


def _on_order(sku: Sku) -> tuple[OnOrder, ...]:
    """What is awaited of a sku, the next first: 1 query."""
    rows = production.awaited().filter(item__code=sku.item, scent=sku.scent).select_related("item")
    return tuple(
        OnOrder(
            row.pk, Fraction(row.quantity, UNITS[row.item.unit]), row.expected_on, row.ordered_on, row.supplier,
            row.reference, row.expected_on < clock.today(),
        )
        for row in rows
    )  # fmt: skip


# ── one lot ──────────────────────────────────────────────────────────────────


def lot_page(code: str) -> LotPage:
    """One lot with its newest entries: 6 queries, however many there are; ``NotFound`` when there is no such lot."""
    rows = Lot.objects.select_related("item", "load").annotate(waits=_waits())
    row = rows.filter(code=code).first()
    if row is None:
        raise NotFound("lot", f"There is no lot '{code}'; open the list of stock and choose one there.")
    lot = _lot(row, _held(Reservation.objects.filter(lot=row)).get(row.pk, ()))
    scents = dict(Scent.objects.values_list("code", "name"))
    earlier, entries = _entries(row)
    return LotPage(
        lot=lot, name=row.item.name, scent=scents.get(row.scent, row.scent), unit=Unit(row.item.unit),
        made_on=row.made_on, state_because=row.state_because, supplier=row.supplier, supplier_lot=row.supplier_lot,
        batch=row.load.number or "" if row.load else "", load=row.load_id, standing=lot.standing(clock.today()),
        free=lot.free(clock.today()), places=tuple(_places(Q(lot=row)).get(code, ())), entries=entries,
        earlier=earlier, brought_forward=lot.on_hand - sum((entry.quantity for entry in entries), Fraction(0)),
    )  # fmt: skip


def _entries(lot: Lot) -> tuple[int, tuple[Entry, ...]]:
    """How many entries are older than the newest, and those, newest first: 2 queries."""
    rows = StockMovement.objects.filter(lot=lot).select_related("by", "corrected_by").order_by("-at", "-pk")
    found, left = [], lot.on_hand
    for row in rows[:NEWEST]:
        found.append(_entry(row, left, UNITS[lot.item.unit]))
        left -= row.quantity
    return rows.count() - len(found), tuple(found)


def _entry(row: StockMovement, left: int, unit: int) -> Entry:
    taken_back = hasattr(row, "corrected_by")
    return Entry(
        id=row.pk, at=row.at, what=REASONS.get(row.reason, row.reason.capitalize()),
        quantity=Fraction(row.quantity, unit), left=Fraction(left, unit), place=row.place, reference=row.reference,
        load=row.load_id, because=row.because, by=str(row.by) if row.by else "", taken_back=taken_back,
        may_take_back=row.reason in BY_HAND and not (taken_back or row.load_id) and row.quantity != 0,
    )  # fmt: skip


# ── inside ───────────────────────────────────────────────────────────────────


def _of(sku: Sku | None, to_item: str = "") -> Q:
    """Rows of one sku, or all."""
    return Q() if sku is None else Q(**{f"{to_item}item__code": sku.item, "scent": sku.scent})


def _waits() -> Case:
    """True for a lot that waits for somebody to release its batch."""
    return Case(When(production.unreleased(), then=Value(True)), default=Value(False))


def _lot(row: Lot, held: Iterable[Row]) -> LotOnHand:
    return LotOnHand(
        code=row.code, sku=Sku(row.item.code, row.scent), kind=ItemKind(row.item.kind), usable_on=row.usable_on,
        on_hand=Fraction(row.on_hand, UNITS[row.item.unit]), held=tuple(held), state=row.state,
        expires_on=row.expires_on, released=not row.waits,  # type: ignore[attr-defined]  # annotated above
    )  # fmt: skip


def _held(rows: QuerySet[Reservation]) -> dict[int, list[Row]]:
    """What orders hold and has not left, by the lot's row number: 1 query."""
    columns = ("lot", "order_scent__line__order__number", "order_scent__line__order__promised_leaves", "open")
    open_rows = rows.annotate(open=F("pieces") - F("shipped")).filter(open__gt=0).order_by("pk")
    found: dict[int, list[Row]] = {}
    for lot, order, leaves, pieces in open_rows.values_list(*columns):
        found.setdefault(lot, []).append(Row(order, Fraction(pieces), leaves))
    return found


def _waiting(goods: Catalogue, sku: Sku, passed: Mapping[str, tuple[int, int]]) -> Iterable[tuple[str, int]]:
    """Good pieces after each step before the one that puts them into a lot, less those the next step took."""
    recipe = goods.recipe(sku.item)
    into_lot = recipe.cure_step if goods.items[sku.item].kind is ItemKind.PRODUCT else len(recipe.operations) - 1
    for step, after in zip(recipe.operations[:into_lot], recipe.operations[1:], strict=False):
        pieces = passed.get(step.code, (0, 0))[0] - passed.get(after.code, (0, 0))[1]
        if pieces > 0:
            yield step.name, pieces


def _places(of: Q) -> dict[str, list[Place]]:
    """What of each lot lies where, by the lot's code: 1 query."""
    columns = ("lot__code", "lot__item__unit", "place")
    rows = StockMovement.objects.filter(of).order_by().values_list(*columns).annotate(there=Sum("quantity"))
    found: dict[str, list[Place]] = {}
    for lot, unit, place, there in sorted(rows):
        if there:
            found.setdefault(lot, []).append(Place(place, Fraction(there, UNITS[unit])))
    return found


def _supplier_lots(lots: QuerySet[Lot]) -> dict[str, str]:
    return dict(lots.filter(on_hand__gt=0).values_list("code", "supplier_lot"))


def _lot_row(lot: LotOnHand, places: Mapping[str, list[Place]], suppliers: Mapping[str, str]) -> LotRow:
    today = clock.today()
    lying = tuple(places.get(lot.code, ()))
    return LotRow(lot, lot.standing(today), lot.free(today), lying, suppliers.get(lot.code, ""))


def _stocked(goods: Catalogue) -> list[Sku]:
    """What a list of stock names even when there is none: products on sale, parts made ahead, materials."""
    return [
        Sku(item.code, scent)
        for item in goods.items.values()
        if _is_stocked(goods, item.code)
        for scent in (goods.scents if item.scented else [""])
    ]


def _is_stocked(goods: Catalogue, code: str) -> bool:
    item = goods.items[code]
    if item.kind is ItemKind.PRODUCT:
        return item.on_sale
    return item.kind is ItemKind.MATERIAL or bool(item.recipe and item.recipe.operations)


def _stock_row(goods: Catalogue, sku: Sku, found: Mapping[Sku, SkuStock], targets: Mapping[Sku, int]) -> StockRow:
    item = goods.items[sku.item]
    scent = goods.scents[sku.scent].name if sku.scent in goods.scents else sku.scent
    return StockRow(
        sku=sku, name=item.name, scent=scent, kind=item.kind, unit=item.unit,
        stock=found.get(sku, SkuStock(sku=sku)), target=targets.get(sku, 0),
    )  # fmt: skip


def _targets() -> dict[Sku, int]:
    return {
        Sku(code, scent): pieces
        for code, scent, pieces in StockTarget.objects.values_list("item__code", "scent", "pieces")
    }
