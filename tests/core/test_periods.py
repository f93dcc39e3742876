"""Netting by period against published tables; week 1 of a book is period 0 here."""

from collections.abc import Sequence
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.strategies import LAWS
from wholesale.core.production.periods import (
    PastDue,
    Supply,
    Table,
    explode_by_period,
    fixed,
    lot_for_lot,
    net_by_period,
    packs,
    root_allowance,
)
from wholesale.core.production.yields import starts
from wholesale.core.values import Refusal

#: Krajewski & Ritzman, Operations Management, seat subassembly (MRP-1): weeks 1 to 8.
SEAT_GROSS = (150, 0, 0, 120, 0, 150, 120, 0)
SEAT = Supply(on_hand=37, scheduled={0: 230}, lead=2, lot=fixed(230))


def on_hand(table: Table) -> list[int]:
    return [period.on_hand for period in table.periods]


def receipts(table: Table) -> dict[int, int]:
    """Planned receipts by week, as the books number them."""
    return {week: period.receipt for week, period in enumerate(table.periods, 1) if period.receipt}


def releases(table: Table) -> dict[int, int]:
    """Planned releases by week, as the books number them."""
    return {week: period.release for week, period in enumerate(table.periods, 1) if period.release}


def test_a_fixed_lot_comes_when_stock_would_fall_below_nothing() -> None:
    """MRP-1. 37 + 230 − 150 = 117; 117 − 120 = −3, + 230 = 227; 227 − 150 = 77; 77 − 120 = −43, + 230 = 187.

    Source: Krajewski & Ritzman, seat subassembly figures (data it.scribd.com/presentation/353225171;
    receipts and releases coursehero.com/file/p6f8n8c).
    """
    seat = net_by_period(SEAT_GROSS, SEAT)

    assert on_hand(seat) == [117, 117, 117, 227, 227, 77, 187, 187]
    assert receipts(seat) == {4: 230, 7: 230}
    assert releases(seat) == {2: 230, 5: 230}
    assert seat.past_due == ()


def test_lot_for_lot_orders_exactly_what_is_missing() -> None:
    """MRP-3. 117 − 120 = −3: 3 in week 4; then all of 150 in week 6 and of 120 in week 7; lead time 2 weeks.

    Source: the same book and answer page (coursehero p6f8n8c).
    """
    seat = net_by_period(SEAT_GROSS, Supply(on_hand=37, scheduled={0: 230}, lead=2))

    assert receipts(seat) == {4: 3, 6: 150, 7: 120}
    assert releases(seat) == {2: 3, 4: 150, 5: 120}
    assert on_hand(seat) == [117, 117, 117, 0, 0, 0, 0, 0]


def test_the_next_level_is_needed_when_the_level_above_is_released() -> None:
    """MRP-4. The seat releases 230 in weeks 2 and 5.

    Frame: 40; + 300 − 230 = 110; 110 − 230 = −120, + 300 = 180 in week 5, released in 4.
    Cushion, lot for lot, none on hand: 230 in weeks 2 and 5, released in 1 and 4.
    Source: Krajewski & Ritzman, MRP explosion figure (data coursehero p6f8n8c).
    """
    found = explode_by_period(
        {"seat": SEAT_GROSS},
        {
            "cushion": Supply(lead=1),
            "frame": Supply(on_hand=40, scheduled={1: 300}, lead=1, lot=fixed(300)),
            "seat": SEAT,
        },
        {"seat": {"frame": 1, "cushion": 1}},
    )

    assert on_hand(found["frame"]) == [40, 110, 110, 110, 180, 180, 180, 180]
    assert receipts(found["frame"]) == {5: 300}
    assert releases(found["frame"]) == {4: 300}
    assert releases(found["cushion"]) == {1: 230, 4: 230}


def test_three_levels_with_several_of_a_component_in_each() -> None:
    """MRP-5. Table: 40 − 4 = 36 (week 5 → 4), 80 (7 → 6). Top, 1 each: 44 − 36 = 8; 80 − 8 = 72 (6 → 3).

    Legs, 4 each: 144 in week 4, 80 on hand: 64 (4 → 2); 320 in week 6 (6 → 4).
    Source: a textbook problem (Elsbeth) with worked answer, homeworksource.com/p/1100479.
    """
    found = explode_by_period(
        {"table": (0, 0, 0, 0, 40, 0, 80)},
        {
            "table": Supply(on_hand=4, lead=1),
            "top": Supply(on_hand=44, lead=3),
            "leg": Supply(on_hand=80, lead=2),
        },
        {"table": {"top": 1, "leg": 4}},
    )

    assert releases(found["table"]) == {4: 36, 6: 80}
    assert releases(found["top"]) == {3: 72}
    assert releases(found["leg"]) == {2: 64, 4: 320}


def test_a_declining_allowance_starts_more_than_the_lot() -> None:
    """MRP-9. a · √lot with a = 1: 400 + √400 = 400 + 20 = 420; a lot of 399 has √399 = 19.97, so 20 more.

    Source: Orlicky's Material Requirements Planning (Ptak & Smith), chapter 8, p. 157.
    """
    assert root_allowance(D(1))(400) == 420
    assert root_allowance(D(1))(399) == 419
    assert root_allowance(D("0.5"))(400) == 410


def test_starts_make_up_for_the_loss_and_are_what_is_released() -> None:
    """MRP-10. 27 ÷ 0.90 = 30; 400 ÷ (1 − 0.05) = 421.05, up to 422 (the convention net × (1 + loss) is not ours).

    Source: the definition, start = net ÷ (1 − loss), rounded up to the batch unit.
    """
    assert starts(27, D("0.90")) == 30
    assert starts(400, D("0.95")) == 422

    table = net_by_period((0, 27), Supply(lead=1, started=lambda lot: starts(lot, D("0.90"))))
    assert (receipts(table), releases(table)) == ({2: 27}, {1: 30})


def test_what_is_started_more_is_what_the_next_level_needs_more() -> None:
    """A lot of 400 comes in; 420 are started for it (MRP-9), so 420 blanks are needed when it is released."""
    found = explode_by_period(
        {"tin": (0, 400)},
        {"tin": Supply(lead=1, started=root_allowance(D(1))), "blank": Supply()},
        {"tin": {"blank": 1}},
    )

    assert (receipts(found["tin"]), releases(found["tin"])) == ({2: 400}, {1: 420})
    assert [period.gross for period in found["blank"].periods] == [420, 0]


@pytest.mark.parametrize(
    ("missing", "ordered"),
    [
        (1, 25),  # 0.04 packs, up to 1
        (25, 25),  # exactly 1
        (26, 50),  # 1.04, up to 2
    ],
)
def test_packs_are_rounded_up_to_whole_ones(missing: int, ordered: int) -> None:
    assert packs(25)(missing) == ordered


def test_a_fixed_lot_that_is_too_small_grows_to_what_is_missing() -> None:
    assert fixed(230)(500) == 500


def test_a_release_before_the_first_period_is_named_past_due() -> None:
    """10 needed in period 1 with a lead of 3: it should have been released 2 periods before the first."""
    table = net_by_period((0, 10, 0, 0, 7), Supply(lead=3))

    assert table.past_due == (PastDue(10, 2),)
    assert [period.release for period in table.periods] == [0, 7, 0, 0, 0]
    # What should have begun is begun at once: the level below is asked for it in the first period.
    assert table.releases == (10, 7, 0, 0, 0)


def test_an_item_made_of_itself_is_refused_with_its_chain() -> None:
    uses = {"wax": {"chips": 1}, "chips": {"wax": 1}}

    with pytest.raises(Refusal, match=r"made of itself: (wax → chips → wax|chips → wax → chips)"):
        explode_by_period({"wax": (1,)}, {"wax": Supply(), "chips": Supply()}, uses)


AMOUNTS = st.lists(st.integers(0, 500), min_size=1, max_size=12)


@LAWS
@given(AMOUNTS, st.integers(0, 300), st.integers(0, 4), st.sampled_from([lot_for_lot, fixed(90), packs(24)]))
def test_stock_never_falls_below_nothing_and_the_table_adds_up(
    gross: Sequence[int], there: int, lead: int, lot: object
) -> None:
    """On hand at the end = on hand at the start + receipts − gross, for any need and any rule."""
    table = net_by_period(gross, Supply(on_hand=there, lead=lead, lot=lot))  # type: ignore[arg-type]

    assert min(on_hand(table)) >= 0
    assert on_hand(table)[-1] == there + sum(order.lot for order in table.orders) - sum(gross)
    assert all(order.release == order.due - lead for order in table.orders)
