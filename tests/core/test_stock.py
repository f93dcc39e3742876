"""Stock by date: nothing is taken twice, nothing from a later need; every figure is the sum of its rows."""

from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.strategies import LAWS
from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.stock import Claim, LotOnHand, Row, SkuStock, Standing, Timeline, stock_on

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


@LAWS
@given(
    st.lists(st.tuples(st.integers(1, 9), st.integers(-9, 9)), max_size=10), st.integers(1, 9), st.integers(1, 9),
    st.sampled_from([None, 0, 3]),
)  # fmt: skip
def test_the_first_day_something_can_be_taken_is_found_at_once(
    changes: list[tuple[int, int]], wanted: int, day: int, keeps: int | None
) -> None:
    """It is the first of all days from then on on which so much is free; a lot that expires may stand among them."""
    stock = line(*((date(2026, 3, then), quantity) for then, quantity in changes))
    if keeps is not None:
        stock.add(date(2026, 3, 4), Fraction(5), until=date(2026, 3, 4 + keeps))
    days = [date(2026, 3, then) for then in range(day, 20)]

    first = next((on for on in days if stock.free_on(on) >= wanted), None)
    assert stock.free_from(days[0], Fraction(wanted)) == first


def test_an_empty_timeline_has_nothing() -> None:
    """Nothing free, nothing short."""
    assert (Timeline().free_on(MON), Timeline().short_on()) == (0, None)


def test_what_expires_serves_nobody_later() -> None:
    """10 good until Tue, 5 that keep: 15 on Mon and Tue, 5 on Wed; with 6 needed on Tue still 5 on Wed, 9 on Mon."""
    stock = line((MON, 5))
    stock.add(MON, Fraction(10), until=TUE)

    assert [stock.free_on(day) for day in (MON, TUE, WED)] == [15, 15, 5]
    stock.add(TUE, Fraction(-6))
    assert [stock.free_on(day) for day in (MON, TUE, WED)] == [9, 9, 5]


def test_what_expires_first_is_used_first() -> None:
    """3 until Tue and 4 until Thu: 3 on Tue and 4 on Thu can be met; a 5th on Thu can't, though 7 came and 7 went."""
    stock = Timeline()
    stock.add(MON, Fraction(3), until=TUE)
    stock.add(MON, Fraction(4), until=THU)
    stock.add(TUE, Fraction(-2))

    assert (stock.free_on(TUE), stock.free_on(THU), stock.short_on()) == (5, 4, None)
    stock.add(THU, Fraction(-5))
    assert stock.short_on() == (THU, 1)


@LAWS
@given(
    st.lists(st.tuples(st.integers(1, 6), st.integers(0, 3), st.integers(1, 5)), max_size=4),
    st.lists(st.tuples(st.integers(1, 9), st.integers(1, 5)), max_size=4),
    st.integers(1, 9),
)
def test_what_is_free_of_what_expires_is_the_most_that_can_be_taken(
    lots: list[tuple[int, int, int]], needs: list[tuple[int, int]], day: int
) -> None:
    """After taking all that is free a sound timeline is still sound, and one piece more would break it."""
    stock = Timeline()
    for came, keeps, pieces in lots:
        stock.add(date(2026, 3, came), Fraction(pieces), until=date(2026, 3, came + keeps))
    for then, pieces in needs:
        stock.add(date(2026, 3, then), Fraction(-pieces))
    if stock.short_on():
        return
    on = date(2026, 3, day)
    stock.add(on, -stock.free_on(on))

    assert stock.short_on() is None
    stock.add(on, Fraction(-1))
    assert stock.short_on() is not None


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

    assert stock.changes == line(*((date(2026, 3, then), quantity) for then, quantity in kept)).changes


# ── figures and their rows ───────────────────────────────────────────────────

TINS, ROSETTES, OIL = Sku("FRN", "CF"), Sku("ROSETTE"), Sku("OIL-CF")


def lot(code: str, on_hand: int, **also: Any) -> LotOnHand:
    """A lot of fern tins that is usable from Mon 2 March, unless told otherwise."""
    plain = {"sku": TINS, "kind": ItemKind.PRODUCT, "usable_on": MON, "on_hand": Fraction(on_hand)}
    return LotOnHand(code=code, **{**plain, **also})


def held(order: str, pieces: int) -> Row:
    """Pieces that an order holds; it leaves on Thu."""
    return Row(order, Fraction(pieces), THU)


@pytest.mark.parametrize(
    ("also", "standing"),
    [
        ({}, Standing.READY),
        ({"usable_on": WED}, Standing.CURING),
        ({"usable_on": WED, "kind": ItemKind.PART}, Standing.SETTING),
        ({"usable_on": WED, "kind": ItemKind.MATERIAL}, Standing.RESTING),
        ({"expires_on": TUE}, Standing.READY),  # the last day still counts
        ({"expires_on": MON}, Standing.EXPIRED),
        ({"released": False}, Standing.UNRELEASED),
        ({"released": False, "usable_on": WED}, Standing.CURING),
        ({"state": "hold", "usable_on": WED}, Standing.HOLD),
        ({"state": "recalled", "expires_on": MON}, Standing.RECALLED),
    ],
)
def test_a_lot_stands_where_its_days_and_its_state_put_it(also: dict[str, Any], standing: Standing) -> None:
    """On Tue 3 March."""
    assert lot("A", 12, **also).standing(TUE) is standing
    assert lot("A", 12, held=(held("W-1", 5),), **also).free(TUE) == (7 if standing is Standing.READY else 0)


def test_every_figure_is_the_sum_of_its_rows() -> None:
    """12 + 24 + 6 on hand; 5 + 24 reserved; 12 - 5 free; 30 - 29 = 1 promised; 8 wait between two steps."""
    lots = [
        lot("A", 12, held=(held("W-1", 5),)),
        lot("B", 24, usable_on=WED, held=(held("W-2", 20), held("W-1", 4))),
        lot("C", 6, state="hold"),
    ]
    between, wanted = Claim(TINS, Row("W-3", Fraction(8), note="after Pour")), Claim(TINS, held("W-3", 1))

    stock = stock_on(TUE, lots, [between], [wanted])[TINS]

    assert (stock.on_hand.total, stock.reserved.total, stock.free.total, stock.promised.total) == (42, 29, 7, 1)
    assert (stock.curing.total, stock.setting.total, stock.kept_back.total, stock.between.total) == (24, 0, 6, 8)
    # The unreserved rest of B comes on Wed: it is all held, so nothing does.
    assert (stock.later, stock.free_by(TUE), stock.free_by(THU)) == ((), 7, 7)
    assert [(row.of, row.note, row.quantity) for row in stock.reserved] == [
        ("W-1", "A", 5),
        ("W-2", "B", 20),
        ("W-1", "B", 4),
    ]


def test_what_gets_free_later_is_told_with_its_day() -> None:
    """12 now, 24 - 20 = 4 more from Wed."""
    stock = stock_on(TUE, [lot("A", 12), lot("B", 24, usable_on=WED, held=(held("W-2", 20),))])[TINS]

    assert [(row.of, row.quantity, row.day) for row in stock.later] == [("B", 4, WED)]
    assert (stock.free_by(TUE), stock.free_by(WED)) == (12, 16)


def test_skus_are_kept_apart_and_those_without_a_lot_are_there_too() -> None:
    """Rosettes set, oil is counted in grams, and jars are only promised."""
    jars = Sku("PEB", "WS")
    found = stock_on(
        MON,
        [
            lot("R", 12, sku=ROSETTES, kind=ItemKind.PART, usable_on=TUE),
            replace(lot("O", 0, sku=OIL, kind=ItemKind.MATERIAL), on_hand=Fraction("2500.5")),
        ],
        promised=[Claim(jars, held("W-1", 6))],
    )

    assert (found[ROSETTES].setting.total, found[ROSETTES].free.total) == (12, 0)
    assert (found[OIL].free.total, found[jars].promised.total, found[jars].on_hand.total) == (Fraction("2500.5"), 6, 0)


LOTS = st.builds(
    lambda code, on_hand, share, day, state, last, released, kind: lot(
        code, on_hand, held=(held("W-1", on_hand * share // 4),), usable_on=date(2026, 3, day), state=state,
        expires_on=last and date(2026, 3, last), released=released, kind=kind,
    ),
    st.uuids().map(str), st.integers(0, 99), st.integers(0, 4), st.integers(1, 9),
    st.sampled_from(["ok", "ok", "hold", "recalled"]), st.none() | st.integers(1, 12), st.booleans(),
    st.sampled_from(ItemKind),
)  # fmt: skip


@LAWS
@given(st.lists(LOTS, max_size=8), st.integers(1, 12))
def test_what_is_on_hand_stands_in_exactly_one_place(lots: list[LotOnHand], day: int) -> None:
    """On hand = ready + setting + curing + kept back; free = what is ready - what of it is reserved, never below 0."""
    on = date(2026, 3, day)
    stock = stock_on(on, lots).get(TINS, SkuStock(sku=TINS))
    ready = [found for found in lots if found.standing(on) is Standing.READY]

    apart = stock.setting.total + stock.curing.total + stock.kept_back.total
    assert stock.on_hand.total == sum(found.on_hand for found in ready) + apart
    assert stock.free.total == sum(found.on_hand - found.reserved for found in ready)
    assert all(row.quantity > 0 for row in (*stock.free, *stock.later))
