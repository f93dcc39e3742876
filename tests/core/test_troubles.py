"""Bad nights as values: each says itself in words, and what can't have happened is refused by name."""

from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production.calendar import DayKind
from wholesale.core.production.troubles import Broken, DayOff, Ill, Late, Trouble
from wholesale.core.production.what_if import Situation
from wholesale.core.production.work import Outage, Plan
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

WED_4, THU_5, FRI_6, SAT_7, MON_9 = (date(2026, 3, day) for day in (4, 5, 6, 7, 9))
WAX = Sku("WHIPWAX")
NOW = Situation(
    shop=mossgate.shop(), plan=Plan(), demands=(), first_day=THU_5, today=THU_5,
    stock=(OnHand(sku=WAX, usable_on=FRI_6, quantity=Fraction(5000)),),
)  # fmt: skip


def ill(hands: str = "bench", day: date = FRI_6, minutes: int = 180) -> Ill:
    return Ill(hands=hands, day=day, minutes=minutes)


def broken(equipment: str = "TRAY-P", count: int = 1, first: date = FRI_6, last: date | None = None) -> Broken:
    return Broken(equipment=equipment, count=count, first=first, last=last)


def late(will: date) -> Late:
    return Late(
        delivery=1, name="Whipping wax", sku=WAX, quantity=Fraction(5000), was=FRI_6, will=will, counted_on=FRI_6
    )


@pytest.mark.parametrize(
    ("trouble", "words"),
    [
        (ill(), "Bench: 180 minutes fewer on Fri 6 Mar"),
        (broken(), "Pebble trays: 1 out of use from Fri 6 Mar until further notice"),
        # the day after some December is another year's
        (broken(last=date(2027, 1, 1)), "Pebble trays: 1 out of use from Fri 6 Mar to Fri 1 Jan 2027"),
        (broken(last=MON_9), "Pebble trays: 1 out of use from Fri 6 Mar to Mon 9 Mar"),
        (DayOff(day=FRI_6, kind=DayKind.MARKET, note="Spring fair"), "Fri 6 Mar is a market day: Spring fair"),
        (DayOff(day=SAT_7, kind=DayKind.WORK), "Sat 7 Mar is a working day"),
        (late(MON_9), "Whipping wax comes on Mon 9 Mar instead of Fri 6 Mar"),
    ],
)
def test_a_trouble_says_itself(trouble: Trouble, words: str) -> None:
    assert trouble.words(NOW) == words


@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        (ill(day=WED_4), "Wed 4 Mar is past; choose today or a later day."),
        (ill(minutes=361), "Bench has 360 minutes on Fri 6 Mar; take off 360 at the most."),
        (ill(day=SAT_7), "Sat 7 Mar is no working day"),
        (ill(minutes=0), "Give the minutes that fall away, from 1 on."),
        (ill(hands="elves"), "The minutes of elves are not counted on Fri 6 Mar"),
        (broken(count=3), "Pebble trays: there are 2. Give a number from 1 to 2."),
        (broken(count=0), "Pebble trays: there are 2. Give a number from 1 to 2."),
        (broken(first=WED_4), "Wed 4 Mar is past"),
        (broken(last=THU_5), "Thu 5 Mar is before Fri 6 Mar; give a last day that is no earlier."),
        (broken(equipment="OVEN"), "Choose a pot, bowl or tray from the list."),
        (DayOff(day=SAT_7, kind=DayKind.MARKET), "Sat 7 Mar is a market day already; nothing would change."),
        (DayOff(day=WED_4, kind=DayKind.CLOSED), "Wed 4 Mar is past"),
        (late(WED_4), "Wed 4 Mar is past"),
        (late(FRI_6), "It is expected on Fri 6 Mar already; give the new day."),
    ],
)
def test_what_cannot_have_happened_is_refused_by_name(trouble: Trouble, said: str) -> None:
    with pytest.raises(Refusal) as refused:
        trouble.after(NOW)
    assert said in refused.value.message


def test_no_more_can_break_than_are_left_on_any_day_of_the_outage() -> None:
    away = replace(NOW, shop=replace(NOW.shop, outages=(Outage(equipment="TRAY-P", count=1, first=MON_9),)))

    with pytest.raises(Refusal, match=r"there are 2, 1 of them out of use already\. Give a number from 1 to 1"):
        broken(count=2).after(away)
    assert broken(count=2, last=SAT_7).after(away).shop.count_of("TRAY-P", FRI_6) == 0

    both = broken().after(away)
    with pytest.raises(Refusal, match="all 2 are out of use already"):
        broken(first=MON_9).after(both)


def test_a_day_that_is_worked_after_all_has_the_weeks_hours() -> None:
    worked = DayOff(day=SAT_7, kind=DayKind.WORK).after(NOW).shop.calendar

    assert worked.minutes("bench", SAT_7) == 360
    assert worked.day(SAT_7).opens == worked.day(FRI_6).opens


def test_minutes_fall_away_from_what_the_day_has_left() -> None:
    once = ill(minutes=300).after(NOW)

    assert once.shop.calendar.minutes("bench", FRI_6) == 60
    with pytest.raises(Refusal, match="take off 60 at the most"):
        ill(minutes=61).after(once)


def test_a_late_delivery_is_there_on_its_new_day_alone() -> None:
    [row] = late(MON_9).after(NOW).stock

    assert (row.usable_on, row.quantity) == (MON_9, 5000)
