"""The workshop's days: work, market or closed; opening hours; hands-minutes."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, time, timedelta
from enum import StrEnum

from wholesale.core.values import Refusal

ONE_DAY = timedelta(days=1)
_FRIDAY = 4


class DayKind(StrEnum):
    """What the day is for. Bench work, packing and drop-offs happen on work days."""

    WORK = "work"
    MARKET = "market"
    CLOSED = "closed"


@dataclass(frozen=True, kw_only=True)
class Day:
    """One day: its kind, opening hours, and minutes per group of hands (``None`` = not counted)."""

    kind: DayKind
    opens: time | None = None
    closes: time | None = None
    minutes: Mapping[str, int | None] = field(default_factory=dict)
    note: str = ""


CLOSED = Day(kind=DayKind.CLOSED)


@dataclass(frozen=True, kw_only=True)
class Calendar:
    """The rule of each weekday (Monday = 0) and the days that differ from it."""

    week: Mapping[int, Day]
    days: Mapping[date, Day] = field(default_factory=dict)

    def day(self, day: date) -> Day:
        """What that day is."""
        return self.days.get(day) or self.week.get(day.weekday(), CLOSED)

    def is_work(self, day: date) -> bool:
        """Whether the bench works that day."""
        return self.day(day).kind is DayKind.WORK

    def work_from(self, day: date, within: int = 800) -> date:
        """The first work day on or after ``day``; a ``Refusal`` when there is none within so many days."""
        for step in range(within):
            if self.is_work(day + step * ONE_DAY):
                return day + step * ONE_DAY
        message = f"The calendar has no work day in the {within} days from {day}; open some days before promising."
        raise Refusal("no_work_days", message, "calendar")

    def work_days(self, first: date, last: date) -> Iterator[date]:
        """Work days from ``first`` to ``last``, both included."""
        for step in range((last - first).days + 1):
            if self.is_work(first + step * ONE_DAY):
                yield first + step * ONE_DAY

    def minutes(self, hands: str, day: date) -> int | None:
        """Minutes a group of hands has that day; ``None`` when they are not counted; 0 off work days."""
        entry = self.day(day)
        if entry.kind is not DayKind.WORK:
            return 0
        return entry.minutes.get(hands)

    def later(self, day: date, work_days: int) -> date:
        """So many work days after ``day``; 0 is the day itself."""
        for _ in range(work_days):
            day = self.work_from(day + ONE_DAY)
        return day

    def bench_day(self, on: date, at: time, cut_off: time) -> date:
        """The first day whose loads and minutes an order placed then may use: ``on`` itself up to the cut-off."""
        return self.work_from(on if at <= cut_off else on + ONE_DAY)


def carrier_arrival(leaves: date, carrier_days: int) -> date:
    """The day goods arrive that leave on ``leaves``: so many Mondays to Fridays later."""
    arrives = leaves
    for _ in range(carrier_days):
        arrives += ONE_DAY
        while arrives.weekday() > _FRIDAY:
            arrives += ONE_DAY
    return arrives


def carrier_departure(arrives: date, carrier_days: int) -> date:
    """The first day on which goods may leave that are to arrive on ``arrives`` or later, no sooner."""
    leaves = arrives
    while carrier_arrival(leaves - ONE_DAY, carrier_days) >= arrives:
        leaves -= ONE_DAY
    return leaves
