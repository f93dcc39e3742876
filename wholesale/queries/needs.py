"""Needs by day and item, for whom, what that leaves, and what to buy: as pages show them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from django.db.models import Prefetch, Q, QuerySet

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Item, Sku, Unit
from wholesale.core.documents.batch import sku_name
from wholesale.core.production import needs as core
from wholesale.core.production.needs import DayStock, Outlook, Take
from wholesale.core.production.preparation import Made
from wholesale.core.stock import OnHand
from wholesale.core.values import NotFound, from_mg
from wholesale.core.workshop import Workshop
from wholesale.models import Load as LoadRow
from wholesale.models import LoadPortion
from wholesale.queries import batches, catalogue, production, workshop


@dataclass(frozen=True, kw_only=True)
class Amount:
    """A quantity as a page writes it: pieces, or a mass in grams (the other is ``None``); its sign is said in words."""

    pieces: int | None = None
    grams: Decimal | None = None

    @property
    def kilos(self) -> Decimal | None:
        """The mass in kilograms, from one kilogram up."""
        return self.grams / 1000 if self.grams is not None and self.grams >= 1000 else None


class Whom(NamedTuple):
    """Whom pieces are for: an order's number and shop, or what the workshop makes for itself."""

    name: str
    shop: str
    is_order: bool


@dataclass(frozen=True, kw_only=True)
class ItemRow:
    """One item over all days: what loads take, what is there today, what comes, the first day it is short."""

    sku: Sku
    name: str
    needed: Amount
    there: Amount
    comes: Amount
    left: Amount
    ends_short: bool
    short_on: date | None
    is_bought: bool


@dataclass(frozen=True, kw_only=True)
class DayRow:
    """One item on one day; ``left`` is what is there at its end, or what is missing then when it is short."""

    sku: Sku
    name: str
    amount: Amount
    left: Amount
    is_short: bool


@dataclass(frozen=True, kw_only=True)
class DayNeeds:
    """All that one day's loads take."""

    day: date
    rows: tuple[DayRow, ...]


@dataclass(frozen=True, kw_only=True)
class Buy:
    """One order to a supplier, and the last day on which it is in time."""

    sku: Sku
    name: str
    supplier: str
    due: date
    missing: Amount
    amount: Amount
    packs: int | None
    pack: Amount
    supply_days: int
    order_by: date
    late: bool


@dataclass(frozen=True, kw_only=True)
class NeedsPage:
    """What all loads still to be begun take, day by day and item by item."""

    today: date
    buys: tuple[Buy, ...]
    items: tuple[ItemRow, ...]
    days: tuple[DayNeeds, ...]

    @property
    def short(self) -> tuple[ItemRow, ...]:
        """Parts the workshop makes that the plan does not make enough of."""
        return tuple(row for row in self.items if row.short_on and not row.is_bought)


class PegRow(NamedTuple):
    """What a load takes for one product of one order."""

    whom: Whom
    product: str
    amount: Amount


@dataclass(frozen=True, kw_only=True)
class LoadPegs:
    """What one load takes of the item, and for whom; the pegs sum to it."""

    id: int
    title: str
    into: str
    amount: Amount
    pegs: tuple[PegRow, ...]


@dataclass(frozen=True, kw_only=True)
class ItemDay:
    """Why so much of the item on one day: its loads; they sum to ``amount``."""

    day: date
    amount: Amount
    loads: tuple[LoadPegs, ...]


class OrderSum(NamedTuple):
    """What one order, or the workshop itself, takes of the item in all."""

    whom: Whom
    amount: Amount


class StockDay(NamedTuple):
    """A day on which the item's stock changes."""

    day: date
    needed: Amount
    comes: Amount
    left: Amount
    is_short: bool
    lost: Amount | None

    @property
    def amounts(self) -> tuple[Amount, Amount, Amount]:
        """What comes, what is needed, what is left."""
        return self.comes, self.needed, self.left


@dataclass(frozen=True, kw_only=True)
class ItemPage:
    """Why an item is needed, down to the orders, and its stock day by day."""

    row: ItemRow
    days: tuple[ItemDay, ...]
    orders: tuple[OrderSum, ...]
    stock: tuple[StockDay, ...]
    buys: tuple[Buy, ...]


def needs_page() -> NeedsPage:
    """Needs of all loads to come: 14 queries, however many loads, orders and items."""
    page = _Page()
    rows = tuple(page.item_row(outlook) for outlook in page.outlooks)
    buys = [buy for outlook in page.outlooks for buy in page.buys(outlook)]
    return NeedsPage(
        today=page.today, items=rows, days=tuple(page.days()),
        buys=tuple(sorted(buys, key=lambda buy: (buy.order_by, buy.due, buy.sku))),
    )  # fmt: skip


def item_page(item: str, scent: str = "") -> ItemPage:
    """One item's needs down to the orders: 15 queries; ``NotFound`` when no load to come takes it."""
    page = _Page()
    outlook = next((found for found in page.outlooks if found.sku == Sku(item, scent)), None)
    if outlook is None:
        raise NotFound("no_need", "No load to come takes this; the list of needs has all that are taken.")
    return ItemPage(
        row=page.item_row(outlook), days=tuple(page.item_days(outlook)), orders=page.order_sums(outlook),
        stock=page.stock_days(outlook), buys=page.buys(outlook),
    )  # fmt: skip


class Undone:
    """Loads that are not done: as values, each by the recipes it began with, what they take and give: 4 queries.

    A begun batch has taken its materials already; what is left of earlier melts goes to
    the next load that takes it, as on its sheet.
    """

    def __init__(self, goods: Catalogue, rows: Sequence[LoadRow], settings: Workshop) -> None:
        self.rows = {row.pk: row for row in rows}
        self._seen = catalogue.as_begun(goods, [row.recipes for row in rows])
        self.how = batches.dosings(self._seen, rows, settings)
        self.stock = free_stock()

    def made(self, row: LoadRow) -> Made:
        """A load with the recipes it is made by."""
        return Made(production.load_value(row), self._seen(row.recipes))

    def takes(self, rows: Iterable[LoadRow]) -> list[Take]:
        """What loads that are still to be weighed take."""
        planned = ((row, self.made(row)) for row in rows if row.weighed_at is None)
        return [take for row, (load, goods) in planned for take in core.takes(goods, load, self.how[row.pk])]

    def gives(self, rows: Iterable[LoadRow]) -> list[OnHand]:
        """The parts that are expected of loads."""
        today = clock.today()
        return [one for load, goods in map(self.made, rows) for one in core.expected(goods, load, today)]


class _Page:
    """All loads not yet done, whom they are for, and the outlook of each item."""

    def __init__(self) -> None:
        self.today = clock.today()
        self.goods = catalogue.catalogue(self.today)
        rows = list(loads(UNDONE))
        undone = Undone(self.goods, rows, workshop.workshop())
        self.titles = {row.pk: _title(row, undone.made(row)) for row in rows}
        self.whom = whom(rows)
        stock = [*undone.stock, *undone.gives(rows)]
        self.outlooks = core.outlooks(self.goods, undone.takes(rows), stock, self.today)

    def amount(self, sku: Sku, quantity: int) -> Amount:
        """Whole pieces or milligrams of a sku as a page writes them."""
        return amount_of(self.goods.items[sku.item], quantity)

    def item_row(self, outlook: Outlook) -> ItemRow:
        sku, first, short = outlook.sku, outlook.days[0], outlook.short
        comes = sum(day.comes for day in outlook.days)
        return ItemRow(
            sku=sku, name=sku_name(self.goods, sku), needed=self.amount(sku, outlook.needed),
            there=self.amount(sku, first.comes), comes=self.amount(sku, comes - first.comes),
            left=self.amount(sku, outlook.days[-1].left), ends_short=outlook.days[-1].left < 0,
            short_on=short.day if short else None, is_bought=self.goods.items[sku.item].recipe is None,
        )  # fmt: skip

    def days(self) -> Iterable[DayNeeds]:
        """Each day that loads take something on, with all they take."""
        by_day: dict[date, list[DayRow]] = {}
        for outlook in self.outlooks:
            for day in outlook.days:
                if day.needed:
                    by_day.setdefault(day.day, []).append(self._day_row(outlook.sku, day))
        return (DayNeeds(day=day, rows=tuple(by_day[day])) for day in sorted(by_day))

    def _day_row(self, sku: Sku, day: DayStock) -> DayRow:
        return DayRow(
            sku=sku, name=sku_name(self.goods, sku), amount=self.amount(sku, day.needed),
            left=self.amount(sku, day.left), is_short=day.left < 0,
        )  # fmt: skip

    def buys(self, outlook: Outlook) -> tuple[Buy, ...]:
        item = self.goods.items[outlook.sku.item]
        pack = core.units(item, Fraction(item.purchase_pack)) if item.purchase_pack else 0
        return tuple(
            Buy(
                sku=outlook.sku, name=sku_name(self.goods, outlook.sku), supplier=item.supplier, due=order.due,
                missing=amount_of(item, order.missing), amount=amount_of(item, order.quantity), packs=order.packs,
                pack=amount_of(item, pack), supply_days=item.supply_days, order_by=order.order_by, late=order.late,
            )
            for order in outlook.purchases
        )  # fmt: skip

    def item_days(self, outlook: Outlook) -> Iterable[ItemDay]:
        """The item's loads by day; what is past its day is needed today."""
        by_day: dict[date, list[Take]] = {}
        for take in outlook.takes:
            by_day.setdefault(max(take.day, self.today), []).append(take)
        for day in sorted(by_day):
            taken = sum(take.quantity for take in by_day[day])
            loads = tuple(self._load_pegs(take) for take in by_day[day])
            yield ItemDay(day=day, amount=self.amount(outlook.sku, taken), loads=loads)

    def _load_pegs(self, take: Take) -> LoadPegs:
        pegs = (
            PegRow(self.whom[peg.demand], sku_name(self.goods, peg.sku), self.amount(take.sku, peg.quantity))
            for peg in take.pegs
        )
        number = take.load or 0
        return LoadPegs(
            id=number, title=self.titles[number], into=sku_name(self.goods, take.into),
            amount=self.amount(take.sku, take.quantity), pegs=tuple(pegs),
        )  # fmt: skip

    def order_sums(self, outlook: Outlook) -> tuple[OrderSum, ...]:
        sums: dict[Whom, int] = {}
        for take in outlook.takes:
            for peg in take.pegs:
                whom = self.whom[peg.demand]
                sums[whom] = sums.get(whom, 0) + peg.quantity
        return tuple(OrderSum(whom, self.amount(outlook.sku, quantity)) for whom, quantity in sorted(sums.items()))

    def stock_days(self, outlook: Outlook) -> tuple[StockDay, ...]:
        changing = [day for i, day in enumerate(outlook.days) if day.needed or day.comes or day.lost or not i]
        return tuple(self._stock_day(outlook.sku, day) for day in changing)

    def _stock_day(self, sku: Sku, day: DayStock) -> StockDay:
        needed, comes, left = (self.amount(sku, quantity) for quantity in (day.needed, day.comes, day.left))
        lost = self.amount(sku, day.lost) if day.lost else None
        return StockDay(day.day, needed, comes, left, day.left < 0, lost)


def amount_of(item: Item, quantity: int) -> Amount:
    """Whole pieces or milligrams as a page writes them."""
    if item.unit is Unit.GRAM:
        return Amount(grams=from_mg(abs(quantity)))
    return Amount(pieces=abs(quantity))


#: Loads that are still to be done.
UNDONE = Q(done_at__isnull=True, scrapped_at__isnull=True)


def loads(which: Q) -> QuerySet[LoadRow]:
    """Loads with whom they are for, by day: 2 queries."""
    orders = LoadPortion.objects.select_related("item", "order_scent__line__order__shop", "for_stock")
    rows = LoadRow.objects.filter(which).select_related("equipment", "what").order_by("day", "pk")
    return rows.prefetch_related(Prefetch("portions", orders))


def free_stock() -> list[OnHand]:
    """Free stock of everything, materials too, and what is on order, in the ledger's units: 2 queries."""
    columns = ("item__code", "scent", "usable_on", "free", "expires_on")
    lots = production.sound_lots().filter(free__gt=0).order_by("usable_on", "pk").values_list(*columns)
    there = [
        OnHand(sku=Sku(item, scent), usable_on=day, quantity=Fraction(free), expires_on=expires)
        for item, scent, day, free, expires in lots
    ]
    rows = production.awaited().values_list("item__code", "scent", "expected_on", "quantity")
    comes = [
        OnHand(sku=Sku(item, scent), usable_on=production.comes_on(day), quantity=Fraction(quantity))
        for item, scent, day, quantity in rows
    ]
    return [*there, *comes]


def whom(rows: Iterable[LoadRow]) -> dict[str, Whom]:
    """Whom the pieces of each demand in these loads are for."""
    found = {}
    for row in rows:
        for portion, value in zip(row.portions.all(), production.load_value(row).portions, strict=True):
            found[value.demand] = _whom(portion)
    return found


def _whom(row: LoadPortion) -> Whom:
    order = row.order
    return Whom(row.for_whom, order.shop.trade_name if order else "", order is not None)


def _title(row: LoadRow, made: Made) -> str:
    """A load in words: its step, pieces and equipment."""
    load, goods = made
    steps = dict.fromkeys(core.step_of(goods, portion).name for portion in load.portions)
    place = f" in {row.equipment.name}" if row.equipment else ""
    return f"{' and '.join(steps)}, {load.pieces} piece{'' if load.pieces == 1 else 's'}{place}"
