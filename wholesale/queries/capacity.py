"""Load against capacity: loads used of each equipment's quota and minutes used of the day's, for two weeks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum

from django.db.models import Prefetch

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Equipment
from wholesale.core.production.calendar import ONE_DAY, Day
from wholesale.core.production.needs import step_of
from wholesale.core.production.preparation import Made
from wholesale.core.production.work import Load, Shop
from wholesale.core.values import plain
from wholesale.models import Load as LoadRow
from wholesale.models import LoadPortion
from wholesale.queries import catalogue, production, workshop

#: How many days a page shows.
DAYS = 14


class Fill(StrEnum):
    """How full a day's quota is."""

    EMPTY = "empty"
    PART = "part"
    FULL = "full"
    OVER = "over"


@dataclass(frozen=True, kw_only=True)
class Cell:
    """What one day uses of its quota; an ``of`` of ``None`` never binds.

    ``overnight``: something of it stands till morning.
    """

    day: date
    used: Decimal
    of: Decimal | None
    overnight: bool = False

    @property
    def fill(self) -> Fill:
        """How full it is: by what is used, not by what may still come."""
        if not self.used:
            return Fill.EMPTY
        if self.of is None or self.used < self.of:
            return Fill.PART
        return Fill.FULL if self.used == self.of else Fill.OVER

    @property
    def words(self) -> str:
        """Such as ``2 of 2``, or ``3`` where nothing binds."""
        return plain(self.used) if self.of is None else f"{plain(self.used)} of {plain(self.of)}"


@dataclass(frozen=True, kw_only=True)
class Row:
    """One equipment, or one group of hands, over the days shown; ``code`` is the equipment's, or the group."""

    code: str
    name: str
    unit: str
    cells: tuple[Cell, ...]

    @property
    def total(self) -> Cell:
        """All days together: the sum of the cells."""
        of = [cell.of for cell in self.cells if cell.of is not None]
        return Cell(
            day=self.cells[0].day,
            used=sum((cell.used for cell in self.cells), Decimal(0)),
            of=sum(of, Decimal(0)) if len(of) == len(self.cells) else None,
        )


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Some weeks that a page shows, and those before and after them."""

    today: date
    days: tuple[tuple[date, Day], ...]

    @property
    def first(self) -> date:
        """The first day shown."""
        return self.days[0][0]

    @property
    def last(self) -> date:
        """The last day shown."""
        return self.days[-1][0]

    @property
    def before(self) -> date:
        """The first day of as many weeks before."""
        return self.first - timedelta(days=len(self.days))

    @property
    def after(self) -> date:
        """The first day of as many weeks after."""
        return self.first + timedelta(days=len(self.days))


@dataclass(frozen=True, kw_only=True)
class CapacityPage(Stretch):
    """Two weeks: which days they are, and each equipment and group of hands."""

    rows: tuple[Row, ...]

    @property
    def by_day(self) -> tuple[tuple[date, Day, tuple[tuple[Row, Cell], ...]], ...]:
        """The same cells, a day a row."""
        return tuple(
            (on, day, tuple((row, row.cells[i]) for row in self.rows)) for i, (on, day) in enumerate(self.days)
        )


def capacity_page(on: date | None = None) -> CapacityPage:
    """Two weeks from the Monday of a day (today's), however many loads: a constant number of queries."""
    days = days_from(on or clock.today(), DAYS)
    shop = production.planner(workshop.workshop())
    rows = list(_loads(days))
    seen = catalogue.as_begun(shop.catalogue, [row.recipes for row in rows])
    made = [Made(production.load_value(row), seen(row.recipes)) for row in rows]
    hands = (row for row in hands_rows(shop, days, made) if counted(shop, row))
    shown = (*equipment_rows(shop, days, made), *hands)
    return CapacityPage(today=clock.today(), days=tuple((day, shop.calendar.day(day)) for day in days), rows=shown)


def days_from(on: date, count: int) -> list[date]:
    """So many days from the Monday on or before a day."""
    first = on - timedelta(days=on.weekday())
    return [first + step * ONE_DAY for step in range(count)]


def _loads(days: Sequence[date]) -> Iterable[LoadRow]:
    portions = Prefetch("portions", LoadPortion.objects.select_related("item"))
    rows = LoadRow.objects.filter(day__gte=days[0], day__lte=days[-1]).select_related("equipment", "what")
    return rows.prefetch_related(portions)


def equipment_rows(shop: Shop, days: Sequence[date], made: Sequence[Made]) -> Iterable[Row]:
    """Loads of each equipment on each day against what of it can be used then."""
    found: dict[tuple[str, date], list[Made]] = {}
    for one in made:
        found.setdefault((one.load.work.equipment, one.load.day), []).append(one)
    for equipment in shop.catalogue.equipment.values():
        cells = (_loads_cell(day, _quota(shop, equipment, day), found.get((equipment.code, day), [])) for day in days)
        yield Row(code=equipment.code, name=equipment.name, unit="loads", cells=tuple(cells))


def _quota(shop: Shop, equipment: Equipment, day: date) -> int | None:
    """Loads it takes that day: none off work days, fewer while some of it is out of use."""
    if not shop.calendar.is_work(day):
        return 0
    return None if equipment.loads_per_day is None else equipment.loads_per_day * shop.count_of(equipment.code, day)


def _loads_cell(day: date, quota: int | None, made: Sequence[Made]) -> Cell:
    steps = [step_of(goods, portion) for load, goods in made for portion in load.portions]
    return Cell(
        day=day, used=Decimal(len(made)), of=None if quota is None else Decimal(quota),
        overnight=any(step.nights_min for step in steps),
    )  # fmt: skip


def hands_rows(shop: Shop, days: Sequence[date], made: Sequence[Made]) -> Iterable[Row]:
    """Minutes asked of each group of hands on each day, against those it has; one that is not counted has no ``of``."""
    used: dict[tuple[str, date], Decimal] = {}
    for load, recipes in made:
        for hands, minutes in minutes_of(recipes, load).items():
            used[hands, load.day] = used.get((hands, load.day), Decimal(0)) + minutes
    for hands in _groups(shop.catalogue):
        of = [shop.calendar.minutes(hands, day) for day in days]
        cells = (_minutes_cell(day, used.get((hands, day), Decimal(0)), has) for day, has in zip(days, of, strict=True))
        yield Row(code=hands, name=hands.capitalize(), unit="minutes", cells=tuple(cells))


def counted(shop: Shop, row: Row) -> bool:
    """Do minutes of this group of hands bind on some work day?"""
    return any(cell.of is not None for cell in row.cells if shop.calendar.is_work(cell.day))


def _minutes_cell(day: date, used: Decimal, of: int | None) -> Cell:
    return Cell(day=day, used=used, of=None if of is None else Decimal(of))


def minutes_of(goods: Catalogue, load: Load) -> dict[str, Decimal]:
    """Minutes a load takes of each group of hands; its own, once, are the most that one of its steps asks."""
    found: dict[str, Decimal] = {}
    steps = [(step_of(goods, portion), portion.pieces) for portion in load.portions]
    for step, pieces in steps:
        found[step.hands] = found.get(step.hands, Decimal(0)) + step.minutes_per_piece * pieces
    if opened := max((step for step, _ in steps), key=lambda step: step.minutes_per_load, default=None):
        found[opened.hands] += opened.minutes_per_load
    return found


def _groups(goods: Catalogue) -> list[str]:
    """Groups of hands that steps name, in the catalogue's order."""
    steps = (step for code in goods.items for step in goods.steps(code))
    return list(dict.fromkeys(step.hands for step in steps if step.hands))
