"""Stock by date: nothing is taken twice, nothing from a later need."""

from datetime import date
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from tests.strategies import LAWS
from wholesale.core.stock import Timeline

MON, TUE, WED, THU = (date(2026, 3, day) for day in (2, 3, 4, 5))


def line(*changes: tuple[date, int]) -> Timeline:
    """A timeline of these changes."""
    timeline = Timeline()
    for day, quantity in changes:
        timeline.add(day, Fraction(quantity))
    return timeline


def test_what_comes_later_is_not_free_yet() -> None:
    """10 on Mon and 5 on Wed: 10 until Tue, 15 from Wed."""
    stock = line((MON, 10), (WED, 5))

    assert [stock.free_on(day) for day in (date(2026, 3, 1), MON, TUE, WED, THU)] == [0, 10, 10, 15, 15]


def test_what_is_needed_later_is_not_free_today() -> None:
    """10 on Mon, 7 needed on Wed: 3 are free on Tue; with 4 more on Thu 7 are free then."""
    stock = line((MON, 10), (WED, -7), (THU, 4))

    assert [stock.free_on(day) for day in (MON, TUE, WED, THU)] == [3, 3, 3, 7]


def test_a_delivery_in_between_serves_the_later_need() -> None:
    """8 more on Tue cover most of the 9 needed on Wed: 10 + 8 - 9 = 9 of the 10 are free on Mon."""
    assert line((MON, 10), (TUE, 8), (WED, -9)).free_on(MON) == 9


def test_the_first_short_day_is_told_with_what_is_missing() -> None:
    """5 - 7 = -2 on Tue; 3 more on Wed mend it from then on."""
    stock = line((MON, 5), (TUE, -7), (WED, 3))

    assert stock.short_on() == (TUE, 2)
    assert stock.free_on(MON) == 0
    assert line((MON, 7), (TUE, -7)).short_on() is None


def test_in_and_out_on_one_day_meet() -> None:
    """5 needed and 5 coming on Mon: not short."""
    assert line((MON, -5), (MON, 5)).short_on() is None


def test_an_empty_timeline_has_nothing() -> None:
    """Nothing free, nothing short."""
    assert (Timeline().free_on(MON), Timeline().short_on()) == (0, None)


@LAWS
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(-9, 9)), max_size=12), st.integers(1, 9))
def test_taking_what_is_free_never_makes_anything_short(changes: list[tuple[int, int]], day: int) -> None:
    """After taking all that is free, a sound timeline is still sound, and one piece more would break it."""
    stock = line(*((date(2026, 3, then), quantity) for then, quantity in changes))
    on = date(2026, 3, day)
    if stock.short_on():
        return
    stock.add(on, -stock.free_on(on))

    assert stock.short_on() is None
    stock.add(on, Fraction(-1))
    assert stock.short_on() is not None


@LAWS
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(-9, 9)), min_size=1, max_size=12))
def test_taking_back_undoes_a_change(changes: list[tuple[int, int]]) -> None:
    """The timeline is as it was before."""
    kept, last = changes[:-1], changes[-1]
    stock = line(*((date(2026, 3, then), quantity) for then, quantity in changes))
    stock.take_back(date(2026, 3, last[0]), Fraction(last[1]))

    assert stock == line(*((date(2026, 3, then), quantity) for then, quantity in kept))
