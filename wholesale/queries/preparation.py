"""Before leaving tonight: what must stand overnight, what to make and lay ready for the next work day."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from django.db.models import Q

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.documents.batch import sku_name
from wholesale.core.production import needs as core
from wholesale.core.production import preparation
from wholesale.core.production.calendar import Calendar
from wholesale.core.production.needs import DayStock, Outlook
from wholesale.core.production.preparation import Overnight, Tomorrow
from wholesale.core.production.work import Shop, Work
from wholesale.core.stock import OnHand
from wholesale.models import Load as LoadRow
from wholesale.queries import needs, production, workshop
from wholesale.queries.needs import Amount, Whom


class WaitingOrder(NamedTuple):
    """An order that waits for a load: when it was promised to leave, and when it would leave without the load.

    ``leaves`` is ``None`` where the plan finds no room for it, or where nothing changes.
    """

    whom: Whom
    promised: date | None
    leaves: date | None
    is_late: bool


@dataclass(frozen=True, kw_only=True)
class Pot:
    """Loads alike that must be made today, what waits for them on the next work day, and what it costs to forget them.

    ``id`` is the first one's; ``loads`` how many there are.
    """

    id: int
    loads: int
    title: str
    what: str
    equipment: str
    then: tuple[str, ...]
    orders: tuple[WaitingOrder, ...]


class PartRow(NamedTuple):
    """A part that the next work day takes: what of it is on the shelf by then, and what today's loads still add."""

    name: str
    needed: Amount
    shelf: Amount
    made: Amount
    short: Amount | None


class Material(NamedTuple):
    """A material to lay ready by weight or count; ``short`` is what the shelf does not have."""

    name: str
    amount: Amount
    short: Amount | None


class LongWait(NamedTuple):
    """A load whose next step must follow by ``until``, while the bench works again only on ``next_day``."""

    load: int
    step: str
    name: str
    then: str
    most: int
    until: date
    next_day: date
    is_done: bool


@dataclass(frozen=True, kw_only=True)
class Tonight:
    """All of it, for one evening; ``moulds`` is what holds the next day's loads, and how many of them."""

    next_day: date
    pots: tuple[Pot, ...]
    parts: tuple[PartRow, ...]
    moulds: tuple[tuple[str, int], ...]
    materials: tuple[Material, ...]
    long_waits: tuple[LongWait, ...]

    def __bool__(self) -> bool:
        """Is there anything to do before leaving?"""
        return bool(self.pots or self.moulds or self.materials or self.long_waits)


def tonight(goods: Catalogue, calendar: Calendar, on: date, next_day: date) -> Tonight:
    """The evening of a day: 10 queries, however many loads and orders."""
    evening = _Evening(goods, on, next_day)
    return Tonight(
        next_day=next_day, pots=tuple(evening.pots(_Costs(evening, calendar))), parts=tuple(evening.parts()),
        materials=tuple(evening.materials()), moulds=evening.moulds(), long_waits=evening.long_waits(calendar),
    )  # fmt: skip


class _Evening:
    """The loads up to the next work day, and the stock they meet."""

    def __init__(self, goods: Catalogue, on: date, next_day: date) -> None:
        self.goods, self.on, self.next_day = goods, on, next_day
        self.settings = workshop.workshop()
        todays = Q(day=on, scrapped_at__isnull=True)
        self.rows = list(needs.loads(needs.UNDONE & Q(day__lte=next_day) | todays))
        self.whom = needs.whom(self.rows)
        self.known = needs.Undone(goods, self.rows, self.settings)
        self.undone = [row for row in self.rows if row.done_at is None]
        stock = [*self.known.stock, *self.known.gives(self.undone)]
        outlooks = core.outlooks(goods, self.known.takes(self.undone), stock, clock.today())
        self.at_next = [(one, day) for one in outlooks for day in one.days if day.day == next_day and day.needed]

    def parts(self) -> Iterable[PartRow]:
        """The parts of the workshop's own that the next day takes."""
        for outlook, day in self.at_next:
            if self.is_made(outlook.sku):
                made = sum(row.comes for row in outlook.days[1:] if self.on < row.day <= self.next_day)
                shelf = max(0, day.left + day.needed - made)
                needed, there, adds = (self._amount(outlook, quantity) for quantity in (day.needed, shelf, made))
                yield PartRow(sku_name(self.goods, outlook.sku), needed, there, adds, self._short(outlook, day))

    def materials(self) -> Iterable[Material]:
        """What is bought and the next day takes."""
        for outlook, day in self.at_next:
            if not self.is_made(outlook.sku):
                name = sku_name(self.goods, outlook.sku)
                yield Material(name, self._amount(outlook, day.needed), self._short(outlook, day))

    def moulds(self) -> tuple[tuple[str, int], ...]:
        """What holds the next day's loads, and how many of them."""
        found: dict[str, int] = {}
        for row in self.undone:
            if row.day == self.next_day and row.equipment:
                found[row.equipment.name] = found.get(row.equipment.name, 0) + 1
        return tuple(found.items())

    def pots(self, costs: "_Costs") -> Iterable[Pot]:
        """What must be made today, loads alike together, with the orders that wait for it."""
        # Seen from today, what is planned for the days before that evening will be made by then.
        todo = [self.known.made(row) for row in self.undone if row.day == self.on or row.day < clock.today()]
        tomorrow = [self.known.made(row) for row in self.undone if row.day == self.next_day]
        alike: dict[tuple[Work, tuple[str, ...]], list[Overnight]] = {}
        for pot in preparation.overnight(todo, tomorrow, self._not_on_the_shelf()):
            alike.setdefault((pot.load.work, tuple(sorted({one.step for one in pot.waiting}))), []).append(pot)
        for (_, then), pots in alike.items():
            yield self._pot(pots, then, costs.of(pots))

    def _pot(self, pots: Sequence[Overnight], then: tuple[str, ...], orders: tuple[WaitingOrder, ...]) -> Pot:
        row = self.known.rows[pots[0].load.ref or 0]
        load, goods = self.known.made(row)
        portions = [portion for pot in pots for portion in pot.load.portions]
        return Pot(
            id=row.pk, loads=len(pots), equipment=row.equipment.name if row.equipment else "", then=then,
            title=" and ".join(dict.fromkeys(core.step_of(goods, portion).name for portion in load.portions)),
            what=", ".join(dict.fromkeys(sku_name(goods, portion.sku) for portion in portions)), orders=orders,
        )  # fmt: skip

    def _not_on_the_shelf(self) -> list[Sku]:
        """Parts that what lies on the shelf does not cover up to the next work day."""
        using = [row for row in self.undone if not self._casts(row)]
        found = core.outlooks(self.goods, self.known.takes(using), self.known.stock, clock.today())
        return [one.sku for one in found if one.short and self.is_made(one.sku)]

    def _casts(self, row: LoadRow) -> bool:
        return all(portion.item.kind == ItemKind.PART for portion in row.portions.all())

    def long_waits(self, calendar: Calendar) -> tuple[LongWait, ...]:
        """The day's loads, done or not, whose longest wait ends before anybody is there."""
        todays = [self.known.made(row) for row in self.rows if row.day == self.on]
        return tuple(
            LongWait(
                one.load.ref or 0, one.step, sku_name(self.goods, one.sku), one.then, one.most, one.until,
                one.next_day, one.load.done,
            )
            for one in preparation.waits_too_long(calendar, todays)
        )  # fmt: skip

    def is_made(self, sku: Sku) -> bool:
        """Does the workshop make it?"""
        return self.goods.items[sku.item].recipe is not None

    def _amount(self, outlook: Outlook, quantity: int) -> Amount:
        return needs.amount_of(self.goods.items[outlook.sku.item], quantity)

    def _short(self, outlook: Outlook, day: DayStock) -> Amount | None:
        """What of the day's own need is missing; what was missing before is not tomorrow's."""
        return self._amount(outlook, min(-day.left, day.needed)) if day.left < 0 else None


class _Costs:
    """What it would cost each order if loads of tonight were forgotten: 4 queries."""

    def __init__(self, evening: _Evening, calendar: Calendar) -> None:
        self.whom = evening.whom
        self.demands = production.demands()
        self.promised = {demand.key: demand.promised for demand in self.demands}
        self.after = Tomorrow(
            shop=Shop(catalogue=evening.goods, calendar=calendar, horizon_days=evening.settings.plan_days),
            plan=production.current_plan(), stock=_for_the_planner(evening), day=evening.next_day,
        )  # fmt: skip

    def of(self, pots: Sequence[Overnight]) -> tuple[WaitingOrder, ...]:
        """The orders that wait for these loads, each once, with the day it would leave without them."""
        leaves = preparation.leaves_if_forgotten(self.after, pots, self.demands)
        keys = dict.fromkeys(one.demand for pot in pots for one in pot.waiting)
        late_last = sorted((self._waiting(key, leaves) for key in keys), key=lambda order: order.is_late)
        return tuple({order.whom: order for order in late_last}.values())

    def _waiting(self, key: str, leaves: Mapping[str, date | None]) -> WaitingOrder:
        promised, then = self.promised.get(key), leaves.get(key)
        is_late = key in leaves and promised is not None and (then is None or then > promised)
        return WaitingOrder(self.whom[key], promised, then, is_late)


def _for_the_planner(evening: _Evening) -> list[OnHand]:
    """Parts and products in the planner's units: pieces, or grams."""
    items = evening.goods.items
    return [
        replace(row, quantity=row.quantity / core.in_one(items[row.sku.item]))
        for row in evening.known.stock
        if evening.is_made(row.sku)
    ]
