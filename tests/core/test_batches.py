"""A batch: its state by facts and dates, good pieces dealt, rejects filed, planned beside actual."""

from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.strategies import LAWS
from wholesale.core.production.batches import (
    BatchFacts,
    BatchState,
    Claim,
    Deviation,
    Passed,
    Poured,
    Purpose,
    batch_state,
    deal,
    file_rejects,
    good_of,
    may_release,
    split,
    waiting,
)
from wholesale.core.values import Refusal

THURSDAY, FRIDAY, MONDAY_16 = date(2026, 3, 5), date(2026, 3, 6), date(2026, 3, 16)
POURED = BatchFacts(done=True, ready_on=FRIDAY)
PIPED = BatchFacts(done=True, into_stock=True, ready_on=FRIDAY, cured_on=MONDAY_16)


@pytest.mark.parametrize(
    ("facts", "today", "state"),
    [
        (BatchFacts(), THURSDAY, BatchState.PLANNED),
        (BatchFacts(weighed=True), THURSDAY, BatchState.WEIGHED),
        # Poured on Thursday, one night: it sets until Friday, then it may be topped.
        (POURED, THURSDAY, BatchState.SETTING),
        (POURED, FRIDAY, BatchState.MADE),
        # A cast part is on the shelf from then on.
        (replace(POURED, into_stock=True), FRIDAY, BatchState.RELEASED),
        (PIPED, FRIDAY, BatchState.CURING),
        (PIPED, MONDAY_16, BatchState.RELEASED),
        # Where batches are released by hand, the date alone releases nothing.
        (replace(PIPED, by_hand=True), MONDAY_16, BatchState.CURING),
        (replace(PIPED, by_hand=True, released=True), MONDAY_16, BatchState.RELEASED),
        (replace(PIPED, scrapped=True), MONDAY_16, BatchState.SCRAPPED),
    ],
)
def test_a_batch_stands_where_its_facts_and_dates_put_it(facts: BatchFacts, today: date, state: BatchState) -> None:
    assert batch_state(facts, today) is state


def test_only_a_cured_batch_waits_to_be_released_by_hand() -> None:
    by_hand = replace(PIPED, by_hand=True)

    assert [may_release(by_hand, day) for day in (FRIDAY, MONDAY_16)] == [False, True]
    assert not may_release(PIPED, MONDAY_16)
    assert not may_release(replace(by_hand, released=True), MONDAY_16)


def test_one_reject_of_two_orders_and_a_sample_leaves_no_sample() -> None:
    """Trade scenario S2: 24 good of 12 + 12 + 1: both orders are whole and no sample is kept."""
    claims = [
        Claim(1, Purpose.SAMPLE),
        Claim(12, Purpose.ORDER, date(2026, 3, 18)),
        Claim(12, Purpose.ORDER, date(2026, 3, 16)),
    ]

    assert deal(24, claims) == (0, 12, 12)
    # The maker may keep the sample instead: the order that is due later is short by one.
    assert deal(24, claims, keep_sample=True) == (1, 11, 12)


def test_the_shelf_comes_after_orders_and_before_samples() -> None:
    """14 good of 6 for stock, 12 for an order and 1 sample: 12, then 2 for the shelf, none for the sample."""
    claims = [Claim(6, Purpose.STOCK), Claim(12, Purpose.ORDER, THURSDAY), Claim(1, Purpose.SAMPLE)]

    assert deal(14, claims) == (2, 12, 0)


@LAWS
@given(
    rows=st.lists(st.tuples(st.integers(0, 40), st.sampled_from(Purpose), st.integers(1, 28)), max_size=6),
    good=st.integers(0, 240),
    keep=st.booleans(),
)
def test_dealing_loses_nothing_and_an_earlier_order_is_served_first(
    *, rows: list[tuple[int, Purpose, int]], good: int, keep: bool
) -> None:
    claims = [Claim(pieces, purpose, date(2026, 3, day)) for pieces, purpose, day in rows]
    good = min(good, sum(claim.pieces for claim in claims))
    dealt = deal(good, claims, keep_sample=keep)

    assert sum(dealt) == good
    assert all(0 <= got <= claim.pieces for got, claim in zip(dealt, claims, strict=True))
    orders = [
        (day, got, pieces) for (pieces, purpose, day), got in zip(rows, dealt, strict=True) if purpose is Purpose.ORDER
    ]
    for promised, got, _ in orders:
        assert not got or all(other == most for day, other, most in orders if day < promised)


def test_more_good_than_made_is_refused() -> None:
    with pytest.raises(Refusal, match="13 of 12 can't be good"):
        deal(13, [Claim(12)])


@pytest.mark.parametrize(
    ("good", "rejects", "left"),
    [
        (None, {}, 25),
        # 25 − 1 − 2 = 22
        (None, {"cracked": 1, "sunk": 2}, 22),
        (24, {}, 24),
        (24, {"cracked": 1}, 24),
    ],
)
def test_good_pieces_follow_from_the_rejects(good: int | None, rejects: dict[str, int], left: int) -> None:
    assert good_of(25, good, rejects) == left


@pytest.mark.parametrize(
    ("good", "rejects", "said"),
    [
        (None, {"cracked": 26}, "26 rejects of 25 pieces"),
        (24, {"cracked": 2}, "24 good and 2 rejected are 26, but 25 were started"),
        (26, {}, "26 of 25 can't be good"),
        (None, {"cracked": -1}, "can't be below 0"),
    ],
)
def test_counts_that_do_not_add_up_are_refused(good: int | None, rejects: dict[str, int], said: str) -> None:
    with pytest.raises(Refusal, match=said):
        good_of(25, good, rejects)


def test_rejects_are_filed_with_those_who_lost_them() -> None:
    """2 lost here and 1 there, 1 of them cracked: the other two have no reason."""
    assert file_rejects([2, 0, 1], {"cracked": 1}, "other") == [{"cracked": 1, "other": 1}, {}, {"other": 1}]


@pytest.mark.parametrize(
    ("actual", "share", "beyond", "digit"),
    [
        (286_370, "0", False, False),
        # 2 % of 286,370 is 5,727.4.
        (292_097, "2.00", False, False),
        (292_098, "2.00", True, False),
        (280_000, "-2.22", True, False),
        # 2,863.7 g: ten times; 28.637: a tenth; 3.17 times is nearer to ten than to one (√10 = 3.162).
        (2_863_700, "900", True, True),
        (28_637, "-90", True, True),
        (907_793, "217", True, True),
        (900_000, "214.28", True, False),
        (0, "-100", True, True),
    ],
)
def test_a_weight_beside_its_plan(*, actual: int, share: str, beyond: bool, digit: bool) -> None:
    found = Deviation(286_370, actual)

    assert round(float(found.share) * 100, 2) == pytest.approx(float(D(share)), abs=0.01)
    assert found.beyond(D(2)) is beyond
    assert found.is_a_digit_off is digit


def test_the_first_poured_is_topped_first() -> None:
    """25 + 5 poured; 24 topped of which one cracked (23 in stock): 1 of the first pot and 5 of the second wait."""
    poured = [Poured(1, 25), Poured(2, 5)]

    assert waiting(poured, [], {1: 23}, 1) == (Poured(1, 1), Poured(2, 5))
    assert split(waiting(poured, [], {1: 23}, 1), 4) == (
        (Poured(1, 1), Poured(2, 3)), (Poured(2, 2),),
    )  # fmt: skip


def test_what_a_step_between_loses_is_lost_of_the_pot_it_took_from() -> None:
    """10 dipped of which 8 came good, then 4 whole: 8 of the first pot's ten, 4 of the second's; 1 not dipped yet."""
    poured, dipped = [Poured(1, 10), Poured(2, 5)], [Passed(10, 8), Passed(4, 4)]

    assert waiting(poured, [dipped], {}, 0) == (Poured(1, 8), Poured(2, 4))


def test_what_was_taken_back_waits_again_with_its_own_pot() -> None:
    """25 + 5 poured, of each 19 and 5 in stock: six of the first pot are to be topped again."""
    assert waiting([Poured(1, 25), Poured(2, 5)], [], {1: 19, 2: 5}, 0) == (Poured(1, 6),)


@LAWS
@given(
    st.lists(st.integers(0, 12), min_size=1, max_size=4),
    st.lists(st.tuples(st.integers(1, 9), st.integers(0, 9)), max_size=8),
)
def test_no_pot_puts_more_into_stock_than_was_poured(pots: list[int], toppings: list[tuple[int, int]]) -> None:
    """Bowl after bowl, some pieces lost: each pot's lot stays within the pot, and all pieces are somewhere."""
    poured = [Poured(batch, pieces) for batch, pieces in enumerate(pots)]
    in_stock, lost = dict.fromkeys(range(len(pots)), 0), 0
    for pieces, bad in toppings:
        taken = split(waiting(poured, [], in_stock, lost), pieces)[0]
        good = max(0, sum(part.pieces for part in taken) - bad)
        lost += sum(part.pieces for part in taken) - good
        for batch, part in split(taken, good)[0]:
            in_stock[batch] += part
    left = sum(part.pieces for part in waiting(poured, [], in_stock, lost))

    assert all(in_stock[batch] <= pieces for batch, pieces in poured)
    assert sum(in_stock.values()) + lost + left == sum(pots)
