"""The day sheet and one load: what to weigh, for whom, how long it takes, what sets meanwhile."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db.models import Prefetch, Q, QuerySet

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind, Operation, Sku
from wholesale.core.documents import batch
from wholesale.core.production.batches import BatchFacts, BatchState, Purpose, batch_state
from wholesale.core.production.calendar import ONE_DAY, Calendar, Day
from wholesale.core.production.families import place_in_day
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.weighing import Dosing
from wholesale.core.values import plain
from wholesale.core.workshop import Workshop
from wholesale.models import Load, LoadPortion
from wholesale.queries import batches, catalogue, day_line, preparation, production, workshop

#: The order of work at the bench: moulds need the longest, labels can wait.
STAGES = ("Casting", "Pouring", "Topping", "Finishing")
#: Common practice, no source; the batch sheet says the same and more.
CAUTIONS = (
    "Hot wax burns and can catch fire: stay with it, heat it gently, have a lid and an extinguisher at hand. No water.",
    "A flash point serves fire classes and transport; it is no limit for pouring.",
)


@dataclass(frozen=True, kw_only=True)
class PortionRow:
    """Pieces of a load for one order; ``good`` and ``reason`` once the load is done."""

    id: int
    order: str
    shop: str
    product: str
    step: str
    pieces: int
    promised: date | None
    good: int | None
    reason: str
    #: Item, scent and step: portions alike in these are counted together.
    kind: tuple[str, str, str]

    @property
    def is_order(self) -> bool:
        """Is it for an order, and not for the shelf or a kept sample?"""
        return bool(self.shop)

    @property
    def no_sample(self) -> bool:
        """Is it a kept sample of which nothing came good?"""
        return self.order == Purpose.SAMPLE and self.good == 0


@dataclass(frozen=True, kw_only=True)
class LoadRow:
    """One load: its stage and equipment, what to weigh and lay ready, minutes of hands."""

    id: int
    number: str
    day: date
    stage: str
    title: str
    what: str
    equipment: str
    holds: str
    hands: str
    minutes: Decimal
    minutes_how: str
    state: str
    stands: BatchState
    melts: tuple[batch.Melt, ...]
    parts: tuple[batch.Extra, ...]
    steps: tuple[batch.Step, ...]
    portions: tuple[PortionRow, ...]
    note: str = ""
    done_at: datetime | None = None
    done_by: str = ""
    until: date | None = None
    then: str = ""
    ranks: tuple[object, ...] = field(default=(), repr=False)

    @property
    def is_open(self) -> bool:
        """Is it still to be made?"""
        return self.stands in {BatchState.PLANNED, BatchState.WEIGHED}

    @property
    def no_sample(self) -> bool:
        """Was no sample kept, though one was planned?"""
        return any(portion.no_sample for portion in self.portions)

    @property
    def for_whom(self) -> tuple[tuple[str, int, bool], ...]:
        """Each order, the shelf and kept samples with their pieces, and whether it is an order."""
        ordered = {portion.order for portion in self.portions if portion.is_order}
        return tuple((whom, pieces, whom in ordered) for whom, pieces in self.orders)

    @property
    def pieces(self) -> int:
        """Pieces started in the load."""
        return sum(portion.pieces for portion in self.portions)

    @property
    def good(self) -> int:
        """Good pieces of a done load, planned ones of the others."""
        return sum(portion.pieces if portion.good is None else portion.good for portion in self.portions)

    @property
    def minutes_words(self) -> str:
        """Minutes of hands, such as ``36 min``."""
        return f"{plain(self.minutes)} min"

    @property
    def orders(self) -> tuple[tuple[str, int], ...]:
        """Each order in the load, with its pieces."""
        found: dict[str, int] = {}
        for portion in self.portions:
            found[portion.order] = found.get(portion.order, 0) + portion.pieces
        return tuple(found.items())


@dataclass(frozen=True, kw_only=True)
class HandsRow:
    """Minutes a group of hands is asked for on a day, and has (``None``: not counted)."""

    hands: str
    used: Decimal
    of: int | None

    @property
    def shown(self) -> int | Decimal:
        """The minutes without needless decimals."""
        return _whole(self.used)

    @property
    def too_much(self) -> bool:
        """Is more asked for than there is?"""
        return self.of is not None and self.used > self.of


@dataclass(frozen=True, kw_only=True)
class DaySheet:
    """One day at the bench; ``day`` says what kind of day it is."""

    on: date
    day: Day
    today: date
    week: tuple[tuple[date, Day], ...]
    stages: tuple[tuple[str, tuple[LoadRow, ...]], ...]
    overdue: tuple[LoadRow, ...]
    setting: tuple[LoadRow, ...]
    next_day: date
    next_loads: tuple[LoadRow, ...]
    hands: tuple[HandsRow, ...]
    #: What to do before leaving; ``None`` for a day that is over, and where nobody is there.
    tonight: preparation.Tonight | None
    #: The day by the minute; ``None`` for a day that is over, and without loads to do.
    line: day_line.LineOfTime | None = None

    @property
    def before(self) -> date:
        """The day before."""
        return self.on - ONE_DAY

    @property
    def after(self) -> date:
        """The day after."""
        return self.on + ONE_DAY

    @property
    def loads(self) -> int:
        """How many loads the day has."""
        return sum(len(rows) for _, rows in self.stages)

    @property
    def by_minute(self) -> tuple[tuple[LoadRow, day_line.LineRow], ...]:
        """The loads of the line of time, each with its times."""
        known = {row.id: row for row in (*self.overdue, *(row for _, rows in self.stages for row in rows))}
        return tuple((known[row.load], row) for row in self.line.rows) if self.line else ()


def day_sheet(on: date) -> DaySheet:
    """One day at the bench: 14 queries and 10 for its evening, however many loads and orders."""
    goods = catalogue.catalogue(clock.today())
    calendar = production.calendar()
    next_day = calendar.work_from(on + ONE_DAY)
    found = list(_rows(goods, on, next_day))
    rows = load_rows(goods, found, workshop.workshop())
    day_rows = _in_order(row for row in rows if row.day == on and row.state != "overdue")
    overdue = _in_order(row for row in rows if row.state == "overdue" and (on == clock.today() or row.day == on))
    return DaySheet(
        on=on, day=calendar.day(on), today=clock.today(), week=_week(calendar, on),
        stages=_staged(day_rows), overdue=overdue, setting=_in_order(row for row in rows if _sets(row, on)),
        next_day=next_day, next_loads=_in_order(row for row in rows if row.day == next_day),
        hands=_hands(calendar, on, [*overdue, *day_rows]), tonight=_tonight(goods, calendar, on, next_day),
        line=_line(goods, calendar, on, found, [*overdue, *day_rows]),
    )  # fmt: skip


def _line(
    goods: Catalogue, calendar: Calendar, on: date, found: Sequence[Load], shown: Sequence[LoadRow]
) -> day_line.LineOfTime | None:
    """The day by the minute: its loads as they are listed, those past their day first."""
    by_id = {row.pk: row for row in found}
    return day_line.line_of_time(goods, calendar, on, [by_id[row.id] for row in shown])


def _tonight(goods: Catalogue, calendar: Calendar, on: date, next_day: date) -> preparation.Tonight | None:
    if on < clock.today() or not calendar.is_work(on):
        return None
    return preparation.tonight(goods, calendar, on, next_day)


def load_rows(goods: Catalogue, rows: Sequence[Load], settings: Workshop) -> list[LoadRow]:
    """Loads as pages show them, each by the recipes it began with: 2 queries while those are today's."""
    seen = catalogue.as_begun(goods, [row.recipes for row in rows])
    how = batches.dosings(seen, rows, settings)
    return [load_row(seen(row.recipes), row, settings, how[row.pk]) for row in rows]


def load_row(goods: Catalogue, row: Load, settings: Workshop, how: Dosing) -> LoadRow:
    """A load's row as pages show it; ``goods`` has the recipes that the load is made by."""
    load = production.load_value(row)
    tasks = batch.tasks(goods, load)
    operations = [operation for operation, _ in tasks.values()]
    sku, first = next(iter(tasks))[0], operations[0]
    stage = _stage(goods, sku, first)
    until, then = (None, "") if row.scrapped_at else _waits(first, row.day)
    minutes, how_long = _minutes(list(tasks.values()))
    return LoadRow(
        id=row.pk, number=row.number or "", day=row.day, stage=STAGES[stage], state=_state(row),
        stands=batch_state(facts(goods, row, sku, first, settings), clock.today()),
        title=" and ".join(dict.fromkeys(operation.name for operation in operations)),
        what=", ".join(dict.fromkeys(batch.sku_name(goods, task[0]) for task in tasks)),
        equipment=row.equipment.name if row.equipment else "", holds=batch.holds(goods, load.work.equipment),
        hands=first.hands, minutes=minutes, minutes_how=how_long, melts=batch.melts(goods, load, how),
        parts=batch.parts(goods, load),
        steps=batch.steps(goods, load), portions=tuple(_portion(goods, portion) for portion in listed(row)),
        note=row.note, done_at=row.done_at, done_by=str(row.done_by) if row.done_by else "", until=until, then=then,
        ranks=(stage, place_in_day(load, goods), load.work.equipment, row.pk),
    )  # fmt: skip


def listed(row: Load) -> list[LoadPortion]:
    """A load's portions as they are listed: samples behind all others."""
    return sorted(row.portions.all(), key=lambda portion: portion.is_sample)


def facts(goods: Catalogue, row: Load, sku: Sku, step: Operation, settings: Workshop) -> BatchFacts:
    """What has happened to a load's batch, and the days that its step gives."""
    is_part, cures = goods.items[sku.item].kind is ItemKind.PART, step.cure_days is not None
    return BatchFacts(
        weighed=row.weighed_at is not None, done=row.done_at is not None, scrapped=row.scrapped_at is not None,
        released=row.released_at is not None, by_hand=settings.batch_release == "by_hand",
        into_stock=cures or (is_part and step == goods.steps(sku.item)[-1]), ready_on=usable_on(step, row.day),
        cured_on=row.day + timedelta(days=step.cure_days) if step.cure_days is not None else None,
    )  # fmt: skip


def _rows(goods: Catalogue, on: date, next_day: date) -> QuerySet[Load]:
    """The loads a sheet of that day speaks of: the day's and the next one's, overdue ones, those still setting."""
    overdue = Q(done_at__isnull=True, day__lt=clock.today())
    setting = Q(day__lt=on, day__gte=on - timedelta(days=_longest_wait(goods)))
    return loads().filter(Q(day__in=[on, next_day]) | overdue | setting)


def loads() -> QuerySet[Load]:
    """Loads with all that their rows show: 2 queries."""
    orders = LoadPortion.objects.select_related("item", "order_scent__line__order__shop", "for_stock")
    return Load.objects.select_related("equipment", "what", "done_by").prefetch_related(Prefetch("portions", orders))


def _longest_wait(goods: Catalogue) -> int:
    """Days from a step to the end of the longest wait or cure there is."""
    steps = [step for item in goods.items.values() if item.recipe for step in item.recipe.operations]
    return max((max(step.nights_min, step.days_min, step.cure_days or 0) for step in steps), default=0)


def _week(calendar: Calendar, on: date) -> tuple[tuple[date, Day], ...]:
    """Monday to Sunday around a day."""
    monday = on - timedelta(days=on.weekday())
    return tuple((monday + step * ONE_DAY, calendar.day(monday + step * ONE_DAY)) for step in range(7))


def _portion(goods: Catalogue, row: LoadPortion) -> PortionRow:
    order = row.order
    sku = Sku(row.item.code, row.scent)
    return PortionRow(
        id=row.pk, order=row.for_whom, shop=order.shop.trade_name if order else "", product=batch.sku_name(goods, sku),
        promised=order.promised_leaves if order else None,
        step=_operation(goods, sku, row.operation).name, pieces=row.pieces,
        good=row.good, reason=row.reject_reason, kind=(row.item.code, row.scent, row.operation),
    )  # fmt: skip


def _operation(goods: Catalogue, sku: Sku, code: str) -> Operation:
    return next(step for step in goods.recipe(sku.item).operations if step.code == code)


def _stage(goods: Catalogue, sku: Sku, operation: Operation) -> int:
    """Where a step stands in the order of work, from its place in the recipe."""
    if goods.items[sku.item].kind is ItemKind.PART:
        return 0
    recipe = goods.recipe(sku.item)
    position = recipe.operations.index(operation)
    if position > recipe.cure_step:
        return 3
    return 2 if position else 1


def _state(row: Load) -> str:
    if row.scrapped_at is not None:
        return "scrapped"
    if row.done_at is not None:
        return "done"
    return "overdue" if row.day < clock.today() else "to do"


def _waits(operation: Operation, day: date) -> tuple[date | None, str]:
    """Until when pieces of a step wait after it, and what for."""
    if operation.cure_days:
        return day + timedelta(days=operation.cure_days), "cures"
    ready = usable_on(operation, day)
    return (ready, "sets") if ready > day else (None, "")


def _sets(row: LoadRow, on: date) -> bool:
    return row.until is not None and row.day < on <= row.until and row.state != "overdue"


def _minutes(tasks: Sequence[tuple[Operation, int]]) -> tuple[Decimal, str]:
    """Minutes of hands for a load, and the sum behind them; a load's own minutes count once."""
    per_load = tasks[0][0].minutes_per_load
    total = per_load + sum((step.minutes_per_piece * pieces for step, pieces in tasks), Decimal(0))
    terms = [f"{pieces} × {plain(step.minutes_per_piece)} min" for step, pieces in tasks]
    terms += [f"{plain(per_load)} min for the load"] if per_load else []
    return total, " + ".join(terms)


def _whole(number: Decimal) -> int | Decimal:
    return int(number) if number == int(number) else number.normalize()


def _hands(calendar: Calendar, on: date, rows: Iterable[LoadRow]) -> tuple[HandsRow, ...]:
    """Minutes asked for by group of hands, against the day's."""
    used: dict[str, Decimal] = {}
    for row in rows:
        used[row.hands] = used.get(row.hands, Decimal(0)) + row.minutes
    return tuple(HandsRow(hands=hands, used=minutes, of=calendar.minutes(hands, on)) for hands, minutes in used.items())


def _in_order(rows: Iterable[LoadRow]) -> tuple[LoadRow, ...]:
    return tuple(sorted(rows, key=lambda row: (row.day, row.ranks)))


def _staged(rows: Sequence[LoadRow]) -> tuple[tuple[str, tuple[LoadRow, ...]], ...]:
    """The day's loads under the headings they have any for."""
    staged = ((stage, tuple(row for row in rows if row.stage == stage)) for stage in STAGES)
    return tuple((stage, found) for stage, found in staged if found)
