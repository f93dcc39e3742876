"""Days, cut-offs and carriers, over market days, holidays, leap days, year ends and clock changes.

Week days are those of the Gregorian calendar (ISO 8601): 2 March 2026 is a Monday.
"""

from datetime import date, time

import pytest

from tests import mossgate
from wholesale.core.production.calendar import CLOSED, Calendar, Day, DayKind, carrier_arrival
from wholesale.core.values import Refusal

MOSSGATE = mossgate.calendar()
NOON = time(14)


@pytest.mark.parametrize(
    ("on", "at", "day"),
    [
        # Thu 5 March, ten minutes before the cut-off, and at it: the same day
        (date(2026, 3, 5), time(13, 50), date(2026, 3, 5)),
        (date(2026, 3, 5), time(14), date(2026, 3, 5)),
        (date(2026, 3, 5), time(14, 0, 1), date(2026, 3, 6)),
        # Fri after the cut-off: Mon
        (date(2026, 3, 6), time(15), date(2026, 3, 9)),
        # Sat is market day, Sun closed: Mon, whatever the hour
        (date(2026, 3, 7), time(9), date(2026, 3, 9)),
        (date(2026, 3, 8), time(23), date(2026, 3, 9)),
        # Thu 31 December 2026 after the cut-off: Fri 1 January 2027 (no holiday is set)
        (date(2026, 12, 31), time(15), date(2027, 1, 1)),
        # the US clocks change on Sun 8 March 2026: dates take no notice
        (date(2026, 3, 8), time(2, 30), date(2026, 3, 9)),
    ],
)
def test_an_order_counts_from_its_bench_day(on: date, at: time, day: date) -> None:
    """Placed by 14:00 on a work day: that day; else the next work day."""
    assert MOSSGATE.bench_day(on, at, NOON) == day


@pytest.mark.parametrize(
    ("leaves", "days", "arrives"),
    [
        # Mon + 2
        (date(2026, 3, 16), 2, date(2026, 3, 18)),
        # Thu + 2: Fri, Mon
        (date(2026, 3, 19), 2, date(2026, 3, 23)),
        # Fri + 2: Mon, Tue
        (date(2026, 3, 20), 2, date(2026, 3, 24)),
        # Fri + 1, + 5
        (date(2026, 3, 20), 1, date(2026, 3, 23)),
        (date(2026, 3, 20), 5, date(2026, 3, 27)),
        # dropped off by the maker on a Saturday: the same day
        (date(2026, 3, 21), 0, date(2026, 3, 21)),
        # over the leap day: Mon 28 February 2028 + 2 = Wed 1 March
        (date(2028, 2, 28), 2, date(2028, 3, 1)),
        # over the year end: Thu 31 December 2026 + 2 = Fri 1, Mon 4 January
        (date(2026, 12, 31), 2, date(2027, 1, 4)),
    ],
)
def test_a_carrier_moves_from_monday_to_friday(leaves: date, days: int, arrives: date) -> None:
    """Counted in carrier days after the leaving day."""
    assert carrier_arrival(leaves, days) == arrives


def test_a_single_day_overrides_its_weekday() -> None:
    """Good Friday closed; one Saturday worked, with 120 minutes."""
    saturday = Day(kind=DayKind.WORK, minutes={"bench": 120})
    calendar = Calendar(week=MOSSGATE.week, days={date(2026, 4, 3): CLOSED, date(2026, 4, 4): saturday})

    assert list(calendar.work_days(date(2026, 4, 2), date(2026, 4, 6))) == [
        date(2026, 4, 2),
        date(2026, 4, 4),
        date(2026, 4, 6),
    ]
    assert calendar.minutes("bench", date(2026, 4, 4)) == 120


def test_minutes_are_none_off_work_days_and_uncounted_without_a_figure() -> None:
    """0 on a Saturday, 360 on a Monday, no limit for hands nobody counts."""
    assert MOSSGATE.minutes("bench", date(2026, 3, 7)) == 0
    assert MOSSGATE.minutes("bench", date(2026, 3, 9)) == 360
    assert MOSSGATE.minutes("helper", date(2026, 3, 9)) is None


def test_a_weekday_without_a_rule_is_closed() -> None:
    """A calendar nobody filled in is closed all week, and says so when asked for a work day."""
    with pytest.raises(Refusal, match="no work day in the 800 days from 2026-03-02; open some days"):
        Calendar(week={}).work_from(date(2026, 3, 2))


def test_no_days_lie_between_a_day_and_the_one_before() -> None:
    """An empty span is empty."""
    assert list(MOSSGATE.work_days(date(2026, 3, 9), date(2026, 3, 8))) == []
