"""The plan as a time chart: each load on its day, what sets and cures meanwhile, and the days that are promised."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from enum import StrEnum
from typing import NamedTuple

from django.db.models import Q

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Operation, Sku, Unit
from wholesale.core.documents import batch
from wholesale.core.orders import OPEN_STATES, OrderState
from wholesale.core.production.calendar import ONE_DAY, Day
from wholesale.core.production.needs import step_of
from wholesale.core.production.preparation import Made
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.work import Load, Portion, Shop, Work
from wholesale.core.values import plain
from wholesale.models import Load as LoadRow
from wholesale.models import LoadPortion, Order
from wholesale.queries import bench_queue, capacity, catalogue, production, workshop
from wholesale.queries.capacity import Cell, Row, Stretch

#: How many days a page shows.
DAYS = 21


class Stands(StrEnum):
    """How far a load is."""

    TODO = "to do"
    BEGUN = "begun"
    DONE = "done"
    OVERDUE = "overdue"
    SCRAPPED = "scrapped"


class Kept(StrEnum):
    """How a promise stands."""

    ON_TIME = "on time"
    AT_RISK = "at risk"
    GONE = "gone"


@dataclass(frozen=True, kw_only=True)
class Bar:
    """One load on its day.

    ``mark`` is the code of what is in it and ``name`` its name, ``count`` says how much;
    ``minutes`` are those of hands. It is unattended for ``holds`` minutes of the day, and its pieces may go on
    from ``ready`` (the same day, where nothing sets).
    """

    load: int
    day: date
    step: str
    what: str
    mark: str
    name: str
    count: str
    hands: str
    minutes: Decimal
    holds: int
    ready: date
    stands: Stands
    orders: tuple[str, ...]

    @property
    def overnight(self) -> bool:
        """Does it stand till another morning?"""
        return self.ready > self.day and self.stands is not Stands.SCRAPPED

    @property
    def minutes_words(self) -> str:
        """Minutes of hands, such as ``36 min``."""
        return f"{plain(self.minutes)} min"


@dataclass(frozen=True, kw_only=True)
class Wait:
    """Pieces that set or cure for longer than a night: from the evening of ``day`` to the morning of ``until``."""

    day: date
    until: date
    count: str
    how: str


@dataclass(frozen=True, kw_only=True)
class Flag:
    """An order on the day it is promised to leave; ``because`` says why it may not, a sentence each."""

    order: str
    shop: str
    day: date
    kept: Kept
    because: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Line:
    """One equipment, or one group of hands: what each day uses of what it has, and its loads."""

    name: str
    unit: str
    cells: tuple[Cell, ...]
    bars: tuple[tuple[Bar, ...], ...]

    @property
    def is_mixed(self) -> bool:
        """Do its loads need their marks to be told apart?"""
        return len({bar.mark for bars in self.bars for bar in bars}) > 1


@dataclass(frozen=True, kw_only=True)
class DayCell:
    """A line's day in the table."""

    line: Line
    used: Cell
    bars: tuple[Bar, ...]

    @property
    def minutes_words(self) -> str:
        """Minutes of hands that the equipment's loads take; "" in a line of hands, which counts them itself."""
        if self.line.unit == "minutes" or not self.bars:
            return ""
        return f"{plain(sum((bar.minutes for bar in self.bars), Decimal(0)))} min"

    @property
    def by_stand(self) -> tuple[tuple[Stands, dict[str, list[Bar]]], ...]:
        """Its loads by how far they are, and by the name of what is in them."""
        found = ((stands, [bar for bar in self.bars if bar.stands is stands]) for stands in Stands)
        return tuple((stands, _by_name(bars)) for stands, bars in found if bars)


def _by_name(bars: Iterable[Bar]) -> dict[str, list[Bar]]:
    found: dict[str, list[Bar]] = {}
    for bar in bars:
        found.setdefault(bar.name, []).append(bar)
    return found


@dataclass(frozen=True, kw_only=True)
class DayRow:
    """One day of the table."""

    on: date
    day: Day
    cells: tuple[DayCell, ...]
    flags: tuple[Flag, ...]
    ready: tuple[Wait, ...]


@dataclass(frozen=True, kw_only=True)
class TimeChart(Stretch):
    """Three weeks of the plan; ``missed`` open orders were promised before they begin."""

    lines: tuple[Line, ...]
    waits: tuple[Wait, ...]
    flags: tuple[Flag, ...]
    missed: int

    @property
    def loads(self) -> int:
        """How many loads there are."""
        return sum(len(bars) for line in self.lines for bars in line.bars)

    @property
    def marks(self) -> dict[str, str]:
        """What each mark that is written in a bar stands for."""
        mixed = (bar for line in self.lines if line.is_mixed for bars in line.bars for bar in bars)
        return dict(sorted({bar.mark: bar.name for bar in mixed}.items()))

    @property
    def at_risk(self) -> int:
        """How many of the promises shown are in danger."""
        return sum(flag.kept is Kept.AT_RISK for flag in self.flags)

    @property
    def at_risk_words(self) -> str:
        """Such as ``2 at risk``."""
        return f"{self.at_risk} {Kept.AT_RISK.value}"

    @property
    def by_day(self) -> tuple[DayRow, ...]:
        """The same, a day a row."""
        return tuple(self._row(i, on, day) for i, (on, day) in enumerate(self.days))

    def _row(self, i: int, on: date, day: Day) -> DayRow:
        return DayRow(
            on=on, day=day,
            cells=tuple(DayCell(line=line, used=line.cells[i], bars=line.bars[i]) for line in self.lines),
            flags=tuple(flag for flag in self.flags if flag.day == on),
            ready=tuple(wait for wait in self.waits if wait.until == on),
        )  # fmt: skip


def time_chart(on: date | None = None) -> TimeChart:
    """Three weeks from the Monday of a day (today's), however many loads and orders: a constant number of queries."""
    days = capacity.days_from(on or clock.today(), DAYS)
    shop = production.planner(workshop.workshop())
    made = _made(shop.catalogue, days)
    shown = [(row, one) for row, one in made if row.day >= days[0]]
    return TimeChart(
        today=clock.today(), days=tuple((day, shop.calendar.day(day)) for day in days),
        lines=_lines(shop, days, shown), waits=_waits(made, days), flags=_flags(shop, days),
        missed=Order.objects.filter(state__in=OPEN_STATES, promised_leaves__lt=days[0]).count(),
    )  # fmt: skip


# ── loads ────────────────────────────────────────────────────────────────────────


class _Row(NamedTuple):
    """A load's own columns: of a thousand loads, models would cost more than the chart."""

    pk: int
    day: date
    equipment: str | None
    what: str
    scent: str
    operation: str
    recipes: Mapping[str, int]
    weighed_at: datetime | None
    done_at: datetime | None
    scrapped_at: datetime | None

    def load(self, portions: Iterable[Portion]) -> Load:
        """The core's value."""
        work = Work(self.equipment or "", Sku(self.what, self.scent), self.operation)
        return Load(work=work, day=self.day, portions=tuple(portions), ref=self.pk, done=self.done_at is not None)


_COLUMNS = (
    "pk", "day", "equipment__code", "what__code", "scent", "operation", "recipes", "weighed_at", "done_at",
    "scrapped_at",
)  # fmt: skip


def _made(goods: Catalogue, days: Sequence[date]) -> list[tuple[_Row, Made]]:
    """The loads of the days, and those before whose pieces still wait on the first: 2 queries, 5 with old recipes."""
    since = days[0] - timedelta(days=_longest_wait(goods))
    found = LoadRow.objects.filter(day__gte=since, day__lte=days[-1]).values_list(*_COLUMNS)
    rows = [_Row._make(columns) for columns in found]
    portions = _portions(since, days[-1])
    seen = catalogue.as_begun(goods, [row.recipes for row in rows])
    return [(row, Made(row.load(portions[row.pk]), seen(row.recipes))) for row in rows]


def _portions(since: date, last: date) -> Mapping[int, list[Portion]]:
    """What is in each load: the portion's demand is whom it is for, an order's number or a purpose."""
    rows = LoadPortion.objects.filter(load__day__gte=since, load__day__lte=last).order_by("pk")
    found: dict[int, list[Portion]] = defaultdict(list)
    for load, order, purpose, item, scent, operation, pieces, good in rows.values_list(
        "load_id", "order_scent__line__order__number", "for_stock__purpose", "item__code", "scent", "operation",
        "pieces", "good",
    ):  # fmt: skip
        found[load].append(Portion(order or purpose, Sku(item, scent), operation, pieces, good))
    return found


def _longest_wait(goods: Catalogue) -> int:
    """Days from a step to the end of the longest wait or cure there is."""
    steps = (step for code in goods.items for step in goods.steps(code))
    return max((max(step.nights_min, step.days_min, step.cure_days or 0) for step in steps), default=0)


def _lines(shop: Shop, days: Sequence[date], shown: Sequence[tuple[_Row, Made]]) -> tuple[Line, ...]:
    """Equipment, then hands: a group of hands has the loads that need no equipment."""
    made = [one for _, one in shown]
    bars: dict[tuple[str, str], list[Bar]] = {}
    for row, one in shown:
        bar = _bar(row, one)
        where = ("loads", row.equipment) if row.equipment else ("minutes", bar.hands)
        bars.setdefault(where, []).append(bar)
    rows = [*capacity.equipment_rows(shop, days, made), *_hands(shop, days, made, bars)]
    return tuple(_line(row, bars.get((row.unit, row.code), [])) for row in rows)


def _hands(
    shop: Shop, days: Sequence[date], made: Sequence[Made], bars: Mapping[tuple[str, str], object]
) -> Iterable[Row]:
    """Groups whose minutes bind, and those that have loads of their own; last, what needs neither."""
    for row in capacity.hands_rows(shop, days, made):
        if capacity.counted(shop, row) or (row.unit, row.code) in bars:
            yield row
    if ("minutes", "") in bars:
        nothing = tuple(Cell(day=day, used=Decimal(0), of=None) for day in days)
        yield Row(code="", name="By itself", unit="minutes", cells=nothing)


def _line(row: Row, bars: Iterable[Bar]) -> Line:
    by_day: dict[date, list[Bar]] = {}
    for bar in bars:
        by_day.setdefault(bar.day, []).append(bar)
    return Line(
        name=row.name, unit=row.unit, cells=row.cells,
        bars=tuple(tuple(by_day.get(cell.day, ())) for cell in row.cells),
    )  # fmt: skip


def _bar(row: _Row, made: Made) -> Bar:
    load, goods = made
    tasks = batch.tasks(goods, load)
    steps = [step for step, _ in tasks.values()]
    minutes = capacity.minutes_of(goods, load)
    equipment = goods.equipment.get(load.work.equipment)
    return Bar(
        load=row.pk, day=row.day, step=" and ".join(dict.fromkeys(step.name for step in steps)),
        what=", ".join(dict.fromkeys(batch.sku_name(goods, sku) for sku, _ in tasks)), mark=_mark(load.work.what),
        name=_name(goods, load.work.what), count=_count(goods, made), hands=steps[0].hands,
        minutes=sum(minutes.values(), Decimal(0)),
        holds=max(equipment.hold_minutes if equipment else 0, *(step.minutes_min for step in steps)),
        ready=max(usable_on(step, row.day) for step in steps), stands=_stands(row),
        orders=tuple(dict.fromkeys(portion.demand for portion in load.portions)),
    )  # fmt: skip


def _mark(what: Sku) -> str:
    """The shortest that tells loads of one pot apart: the scent, or the item where it has none."""
    return what.scent or what.item


def _name(goods: Catalogue, what: Sku) -> str:
    """What the mark stands for."""
    return goods.scents[what.scent].name if what.scent in goods.scents else goods.items[what.item].name


def _count(goods: Catalogue, made: Made) -> str:
    """Pieces, or grams of what is counted in grams."""
    pieces = sum(portion.counted for portion in made.load.portions)
    grams = all(goods.items[portion.sku.item].unit is Unit.GRAM for portion in made.load.portions)
    return f"{pieces:,} g" if grams else f"{pieces:,}"


def _stands(row: _Row) -> Stands:
    if row.scrapped_at is not None:
        return Stands.SCRAPPED
    if row.done_at is not None:
        return Stands.DONE
    if row.day < clock.today():
        return Stands.OVERDUE
    return Stands.BEGUN if row.weighed_at is not None else Stands.TODO


# ── waits and promises ───────────────────────────────────────────────────────────


def _waits(made: Iterable[tuple[_Row, Made]], days: Sequence[date]) -> tuple[Wait, ...]:
    """What sets or cures for longer than a night and is not over before the first day; loads of a day together."""
    found: dict[tuple[date, date, str, bool], int] = {}
    for load, goods in (one for row, one in made if row.scrapped_at is None):
        for portion in load.portions:
            until, how = _until(step_of(goods, portion), load.day)
            if until > max(load.day + ONE_DAY, days[0]):
                key = (load.day, until, how, goods.items[portion.sku.item].unit is Unit.GRAM)
                found[key] = found.get(key, 0) + portion.counted
    return tuple(
        Wait(day=day, until=until, count=f"{pieces:,} g" if grams else f"{pieces:,}", how=how)
        for (day, until, how, grams), pieces in sorted(found.items())
    )


def _until(step: Operation, day: date) -> tuple[date, str]:
    """Until when pieces of a step wait after it, and what for."""
    if step.cure_days:
        return day + timedelta(days=step.cure_days), "cures"
    return usable_on(step, day), "sets"


def _flags(shop: Shop, days: Sequence[date]) -> tuple[Flag, ...]:
    """Open orders and those that have left, by the day they were promised to: 5 queries, or more by ``demands``."""
    here = Q(state__in=(*OPEN_STATES, OrderState.SHIPPED), promised_leaves__gte=days[0], promised_leaves__lte=days[-1])
    orders = Order.objects.filter(here).select_related("shop").order_by("promised_leaves", "pk")
    needs = bench_queue.needs_by_order(shop.catalogue, production.current_plan())
    return tuple(_flag(order, needs.get(order.pk, [])) for order in orders)


def _flag(order: Order, needs: Sequence[bench_queue.DemandNeeds]) -> Flag:
    gone = order.state == OrderState.SHIPPED
    because = () if gone else bench_queue.risks(order, needs)
    kept = Kept.GONE if gone else Kept.AT_RISK if because else Kept.ON_TIME
    return Flag(order=order.number, shop=order.shop.trade_name, day=order.promised_leaves, kept=kept, because=because)
