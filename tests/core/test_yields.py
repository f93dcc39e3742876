"""Starts for good pieces: the expected value by definition, the risk against SciPy's binomial."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from tests.strategies import LAWS
from wholesale.core.catalogue import Catalogue, Item, ItemKind, Operation, Recipe
from wholesale.core.production.yields import (
    both_starts,
    chance_short,
    good_of,
    into_steps,
    risk_of,
    starts,
    step_yields,
    yields_from,
)

FIVE = D("0.05")


@pytest.mark.parametrize(
    ("good", "yield_share", "started"),
    [
        # MRP-10, by definition: 27 / 0.9 = 30; 400 / 0.95 = 421.05
        (27, "0.90", 30),
        (400, "0.95", 422),
        # trade.md S4: 600 / 0.95 = 631.6; S2: 25 / 0.92 = 27.17
        (600, "0.95", 632),
        (25, "0.92", 28),
        (0, "0.5", 0),
        (7, "1", 7),
    ],
)
def test_without_a_risk_the_expected_yield_is_started(good: int, yield_share: str, started: int) -> None:
    """Starts = good / (1 - loss), rounded up (not good x (1 + loss), which gives 29.7 for 27 at 10 %)."""
    assert starts(good, D(yield_share)) == started


def test_632_casts_for_600_are_short_with_42_percent_and_641_hold_it_under_5() -> None:
    """trade.md S4; SciPy: P(Bin(632, 0.95) < 600) = 0.4243; P(Bin(641) < 600) = 0.0477, P(Bin(640) < 600) = 0.0656."""
    found = both_starts(600, D("0.95"), FIVE)

    assert (found.expected, found.for_risk, round(found.chance_short, 2)) == (632, 641, D("0.42"))
    assert float(found.chance_short) == pytest.approx(binom.cdf(599, 632, 0.95))
    assert chance_short(641, 600, D("0.95")) < FIVE <= chance_short(640, 600, D("0.95"))


def test_a_risk_that_is_off_gives_the_same_number_twice() -> None:
    found = both_starts(600, D("0.95"), None)

    assert (found.expected, found.for_risk) == (632, 632)


def test_a_chance_that_equals_the_risk_is_not_below_it() -> None:
    """Two starts at one half are both bad with exactly 1/4: three it must be, 1/8."""
    assert [starts(1, D("0.5"), D(risk)) for risk in ("0.26", "0.25", "0.125", "0.124")] == [2, 3, 4, 4]


def test_what_can_not_fail_needs_no_more() -> None:
    assert (starts(50, D(1), FIVE), chance_short(50, 50, D(1)), chance_short(3, 5, D("0.9"))) == (50, 0, 1)


@LAWS
@given(
    st.integers(1, 3_000),
    st.sampled_from(["0.3", "0.5", "0.8", "0.92", "0.95", "0.99", "0.999"]),
    st.sampled_from(["0.5", "0.2", "0.05", "0.01", "0.001"]),
)
def test_the_fewest_starts_that_hold_the_risk_by_scipy(good: int, yield_share: str, risk: str) -> None:
    """For any number, yield and risk SciPy says: enough, and one fewer would not be."""
    found = starts(good, D(yield_share), D(risk))

    assert binom.cdf(good - 1, found, float(yield_share)) < float(risk) + 1e-12
    assert found == good or binom.cdf(good - 1, found - 1, float(yield_share)) >= float(risk) - 1e-12


def test_a_hundred_thousand_good_pieces() -> None:
    """SciPy: P(Bin(105437, 0.95) < 100000) = 0.00987; with one fewer it is 0.01022."""
    found = starts(100_000, D("0.95"), D("0.01"))

    assert found == 105_437
    assert binom.cdf(99_999, found, 0.95) < 0.01 <= binom.cdf(99_999, found - 1, 0.95)


def test_what_may_be_counted_on_of_starts_is_the_most_they_are_enough_for() -> None:
    """641 starts are for 600 good, 640 for 599; without a risk 640 x 0.95 = 608."""
    assert [good_of(n, D("0.95"), FIVE) for n in (641, 640)] == [600, 599]
    assert good_of(640, D("0.95"), None) == 608


def _item(*yields: str, whole: str = "1", risk: str | None = None) -> Item:
    steps = tuple(Operation(code=str(n), name=str(n), yield_share=D(y)) for n, y in enumerate(yields))
    return Item(
        code="X", name="X", kind=ItemKind.PART, yield_share=D(whole), recipe=Recipe(operations=steps),
        shortage_risk=None if risk is None else D(risk),
    )  # fmt: skip


def test_each_step_starts_what_the_yields_from_there_on_ask_for() -> None:
    """0.97, 0.98, then 1: 100 / (0.97 x 0.98) = 105.2: 106; 100 / 0.98 = 102.04: 103; 100."""
    item = _item("0.97", "0.98", "1")

    assert into_steps(Catalogue(items={"X": item}), item, 100) == (106, 103, 100)


def test_the_yield_of_the_whole_making_stands_with_the_last_step() -> None:
    """0.9 at the first step, 0.95 of the whole: 0.855 from the first on, 0.95 from the last."""
    item = _item("0.9", "1", whole="0.95")

    assert (step_yields(item), yields_from(item)) == ((D("0.9"), D("0.95")), (D("0.855"), D("0.95")))


def test_an_item_s_own_risk_goes_before_the_workshop_s() -> None:
    """600 at 0.95: 632 without a risk, 641 at 5 %, 646 at 1 % (SciPy: P(Bin(646) < 600) = 0.0074, of 645 0.0111)."""
    workshop = Catalogue(items={}, shortage_risk=FIVE)

    assert [risk_of(workshop, _item("1")), risk_of(workshop, _item("1", risk="0.01"))] == [FIVE, D("0.01")]
    assert into_steps(workshop, _item("0.95"), 600) == (641,)
    assert into_steps(workshop, _item("0.95", risk="0.01"), 600) == (646,)
    assert binom.cdf(599, 646, 0.95) < 0.01 <= binom.cdf(599, 645, 0.95)
