"""The line of time of a day sheet: when each load of the day is worked on, as clock times at the workshop."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from wholesale import clock
from wholesale.core.catalogue import Catalogue
from wholesale.core.production.calendar import ONE_DAY, Calendar, Day, DayKind
from wholesale.core.production.day_line import DayLine, DayLoad, Hours, Placed, Stretch, day_line
from wholesale.models import Load
from wholesale.queries import catalogue, production

#: Why there are loads and no times.
DAY_OFF = "No work at the bench on this day, so the loads have no times. Plan again from the queue."
NO_HOURS = "This day has no opening hours, so the loads have no times. Set opening and closing in the workbook."
TURNED_ROUND = "This day closes before it opens, so the loads have no times. Correct its hours in the workbook."


@dataclass(frozen=True, kw_only=True)
class LineRow:
    """One load on the line; without ``stretches`` it has no times, and ``notes`` say why.

    ``ends`` is when its last hand is done, ``stands_until`` when it may go on or gives its equipment back.
    """

    load: int
    stretches: tuple[Stretch, ...] = ()
    begins: datetime | None = None
    ends: datetime | None = None
    stands_until: datetime | None = None
    people: int = 1
    is_late: bool = False
    notes: tuple[str, ...] = ()

    @property
    def minutes(self) -> int:
        """Minutes from its first hand to its last."""
        return (self.ends - self.begins) // timedelta(minutes=1) if self.begins and self.ends else 0


@dataclass(frozen=True, kw_only=True)
class LineOfTime:
    """The day's loads to do in the order of their work; ``reason`` says why none has a time."""

    rows: tuple[LineRow, ...]
    opens: datetime | None = None
    closes: datetime | None = None
    reason: str = ""

    @property
    def ends(self) -> datetime | None:
        """When the last hand of the day is done."""
        return max((row.ends for row in self.rows if row.ends), default=None)

    @property
    def timed(self) -> tuple[LineRow, ...]:
        """The loads with times."""
        return tuple(row for row in self.rows if row.stretches)

    @property
    def late(self) -> tuple[LineRow, ...]:
        """The loads whose hands work past closing."""
        return tuple(row for row in self.rows if row.is_late)


def line_of_time(goods: Catalogue, calendar: Calendar, on: date, rows: Sequence[Load]) -> LineOfTime | None:
    """The line of a day for its loads, in the order they are listed; ``None`` for a day that is over or without work.

    1 query; 3 more where loads were begun by recipes that are not today's.
    """
    todo = [row for row in rows if row.done_at is None]
    if on < clock.today() or not todo:
        return None
    day = calendar.day(on)
    reason = _why_no_times(day)
    if reason:
        return LineOfTime(rows=tuple(LineRow(load=row.pk) for row in todo), reason=reason)
    return _line(day_line(_loads(goods, rows), _hours(day, on)))


def _why_no_times(day: Day) -> str:
    if day.kind is not DayKind.WORK:
        return DAY_OFF
    if day.opens is None or day.closes is None:
        return NO_HOURS
    return TURNED_ROUND if day.closes <= day.opens else ""


def _loads(goods: Catalogue, rows: Sequence[Load]) -> list[DayLoad]:
    """The loads as the core's values, by the recipes they were begun with; begun ones first."""
    seen = catalogue.as_begun(goods, [row.recipes for row in rows])
    in_order = sorted(rows, key=lambda row: row.weighed_at is None)
    return [DayLoad(production.load_value(row), seen(row.recipes), row.done_at) for row in in_order]


def _hours(day: Day, on: date) -> Hours:
    """The day's hours as instants: a clock change makes it an hour shorter or longer."""
    zone = clock.workshop_zone()
    opens, closes = _at(on, day.opens, zone), _at(on, day.closes, zone)
    first = max(opens, _whole_minute(clock.now())) if on == clock.today() else opens
    return Hours(
        opens=opens, closes=closes, first=first, last=_at(on + ONE_DAY, time(), zone),
        minutes=day.minutes, out=_out(on),
    )  # fmt: skip


def _at(on: date, when: time | None, zone: ZoneInfo) -> datetime:
    return datetime.combine(on, when or time(), zone).astimezone(UTC)


def _whole_minute(now: datetime) -> datetime:
    """Now, or the next whole minute."""
    whole = now.replace(second=0, microsecond=0)
    return whole if whole == now else whole + timedelta(minutes=1)


def _out(on: date) -> Counter[str]:
    """How many of each piece of equipment can't be used on a day: 1 query."""
    found: Counter[str] = Counter()
    for outage in production.outages():
        found[outage.equipment] += outage.count if outage.holds_on(on) else 0
    return found


def _line(line: DayLine) -> LineOfTime:
    late = set(line.late)
    placed = [replace(_row(one), is_late=one in late) for one in line.placed]
    left_out = [LineRow(load=one.load.ref or 0, notes=(one.because,)) for one in line.left_out]
    return LineOfTime(rows=(*placed, *left_out), opens=line.hours.opens, closes=line.hours.closes)


def _row(one: Placed) -> LineRow:
    return LineRow(
        load=one.load.ref or 0, stretches=one.stretches, begins=one.begins, ends=one.ends,
        stands_until=_latest(stretch.ends for stretch in one.stretches if stretch not in one.hands),
        people=max(stretch.people for stretch in one.hands), notes=one.notes,
    )  # fmt: skip


def _latest(moments: Iterable[datetime]) -> datetime | None:
    return max(moments, default=None)
