"""What if: days saved or lost by order, before anything is changed. S4 of the trade notes, and changes of its bench."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production import what_if
from wholesale.core.production.calendar import CLOSED, Day, DayKind
from wholesale.core.production.plan import insert
from wholesale.core.production.what_if import ASKED, Shift, Situation
from wholesale.core.production.work import Demand, Outage, Plan, Shop
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

MON_2, FRI_6, MON_9, MON_16, FRI_20 = (date(2026, 3, day) for day in (2, 6, 9, 16, 20))
JARS = mossgate.demand("PEB", 120, key="asked", rank=ASKED)


def situation(*demands: Demand, shop: Shop | None = None, stock: Sequence[OnHand] = ()) -> Situation:
    """Mossgate on Monday 2 March, with these orders accepted one after the other and promised the day they leave."""
    shop, plan, taken = shop or mossgate.shop(), Plan(), []
    for demand in demands:
        outcome = insert(shop, plan, [demand], stock, MON_2)
        plan = outcome.plan
        taken.append(replace(demand, promised=demand.promised or outcome.leaves()))
    return Situation(
        shop=shop, plan=plan, demands=tuple(taken), stock=tuple(stock), first_day=MON_2, today=MON_2
    )  # fmt: skip


def with_tray(now: Situation) -> Situation:
    return replace(now, shop=what_if.one_more(now.shop, "TRAY-P"))


def test_a_third_tray_saves_a_typical_order_four_days() -> None:
    """S4: 632 casts at 120 a day are 6 days, sealed Tue 10, leaves Fri 20; at 180 a day 4 days, Fri 6, Mon 16."""
    now = situation()

    two = what_if.with_order(now, [JARS]).of(ASKED)
    three = what_if.with_order(with_tray(now), [JARS]).of(ASKED)

    assert (two.after, three.after) == (FRI_20, MON_16)


def test_a_third_tray_is_said_in_days_saved_per_order() -> None:
    """The 20 cases are in the plan: Fri 20 − Mon 16 is 4 days. Cups need no pebbles, and stay."""
    now = situation(mossgate.demand("PEB", 120, key="A", rank=1), mossgate.demand("SUC", 12, key="B", rank=2))

    answer = what_if.anew(now, with_tray(now))

    assert [(shift.order, shift.days) for shift in answer.shifts] == [(2, 0), (1, -4)]
    assert answer.breaches == ()


def test_an_order_that_is_asked_for_moves_nobody() -> None:
    """Orders keep their place; the new one comes after them: 12 cups, poured Mon, piped Tue 3, sellable Fri 13."""
    now = situation(mossgate.demand("FRN", 24, key="A", rank=1))

    answer = what_if.with_order(now, [mossgate.demand("SUC", 12, key="asked", rank=ASKED)])

    assert [(shift.order, shift.moved) for shift in answer.shifts] == [(1, False), (ASKED, True)]
    assert answer.of(ASKED).after == date(2026, 3, 13)


def test_an_order_that_has_to_be_first_says_who_would_move() -> None:
    """120 jars hold all pebble trays till Mon 9; 24 more that must leave by Fri 13 take Monday's casts from them."""
    now = situation(mossgate.demand("PEB", 120, key="A", rank=1))
    more = [mossgate.demand("PEB", 24, key="asked", rank=ASKED)]

    last, first = what_if.with_order(now, more), what_if.order_first(now, more, date(2026, 3, 13))

    # Behind the others 88 casts fit on Mon 9, 39 are left for Tue 10: sealed Wed 11, sellable Sat 21, leaves Mon 23.
    assert last.of(ASKED).after == date(2026, 3, 23)
    # 24 × 5 ÷ 0.95 = 126.3 → 127 casts: Mon 2 and Tue 3; sealed Wed 4, sellable Sat 14, leaves Mon 16: 3 late.
    assert (first.of(ASKED).after, first.of(ASKED).late) == (MON_16, 3)
    # 632 + 127 = 759 casts: 6.3 → 7 days, Mon 2 to Tue 10; sealed Wed 11, sellable Sat 21, leaves Mon 23.
    assert (first.of(1).after, first.of(1).days) == (date(2026, 3, 23), 3)


def test_a_monday_off_moves_what_stood_there_and_nothing_else() -> None:
    """12 cups poured Mon 2, piped Tue 3. Without Monday: poured Tue, piped Wed 4, sellable Sat 14, leaves Mon 16."""
    now = situation(mossgate.demand("SUC", 12, key="A", rank=1))

    answer = what_if.after(now, replace(now, shop=what_if.with_day(now.shop, MON_2, CLOSED)))

    shift = answer.of(1)
    assert (shift.before, shift.after, shift.late) == (date(2026, 3, 13), MON_16, 3)
    assert answer.breaches == ()


@pytest.mark.parametrize(
    ("before", "after", "endangered"),
    [
        (FRI_6, MON_16, True),  # in time before, late now
        (FRI_20, date(2026, 3, 23), True),  # 11 days late before, 14 now
        (FRI_20, FRI_20, False),  # as late as before
        (FRI_20, MON_16, False),  # 4 days less late
        (MON_2, MON_9, False),  # later, and still on the promised day
        (FRI_6, None, True),  # has no day any more
        (None, FRI_20, False),  # had none at all before
    ],
)
def test_a_promise_gets_into_danger_only_where_the_change_makes_it_late_or_later(
    before: date | None, after: date | None, *, endangered: bool
) -> None:
    """It is promised for Mon 9 March."""
    assert Shift(1, MON_9, before, after).endangered is endangered


def test_a_market_on_a_day_that_is_no_working_day_moves_nobody() -> None:
    now = situation(mossgate.demand("SUC", 12, key="A", rank=1))
    market = what_if.with_day(now.shop, date(2026, 3, 7), Day(kind=DayKind.MARKET))

    answer = what_if.after(now, replace(now, shop=market))

    assert (answer.moved, answer.plan) == ((), now.plan)


def test_half_an_hour_more_saves_days_where_minutes_bind() -> None:
    """12 cups take 36 min to pour, 7 to cast (14), 30 to pipe: 73 in all, on a bench of 30 minutes a day.

    Mon 30, Tue 30, Wed 13: piped until Wed 4, sellable Sat 14, leaves Mon 16. With 60 on Monday
    all 43 of the first steps fit there: piped Tue 3, leaves Fri 13, 3 days sooner.
    """
    short = Day(kind=DayKind.WORK, minutes={"bench": 30})
    calendar = replace(mossgate.calendar(), week={**dict.fromkeys(range(5), short)})
    now = situation(mossgate.demand("SUC", 12, key="A", rank=1), shop=replace(mossgate.shop(), calendar=calendar))

    answer = what_if.anew(now, replace(now, shop=what_if.with_minutes(now.shop, "bench", MON_2, 30)))

    assert (answer.of(1).before, answer.of(1).days) == (MON_16, -3)
    assert answer.breaches == ()


def test_equipment_out_of_use_moves_what_needs_it() -> None:
    """One of two trays away until Fri 6 leaves 60 casts a day: 24 jars need 127, which are 3 days instead of 2."""
    now = situation(mossgate.demand("PEB", 24, key="A", rank=1))
    broken = Outage(equipment="TRAY-P", count=1, first=MON_2, last=FRI_6)

    answer = what_if.after(now, replace(now, shop=what_if.without(now.shop, broken)))

    # Casts Mon to Wed, sealed Thu 5, sellable Sun 15, leaves Mon 16; before: sealed Wed 4, Sat 14, Mon 16.
    assert (answer.of(1).before, answer.of(1).after) == (MON_16, MON_16)
    assert answer.plan != now.plan
    assert answer.breaches == ()


@pytest.mark.parametrize(
    ("hands", "day", "change", "said"),
    [
        ("bench", FRI_6, -361, "Bench has 360 minutes on Fri 6 Mar; take off 360 at the most."),
        ("bench", date(2026, 3, 7), -60, "Sat 7 Mar is no working day, so nobody is missed at the bench."),
        ("bench", date(2026, 3, 7), 60, "Sat 7 Mar is no working day; make it one first, or choose another."),
        ("packers", FRI_6, -60, "The minutes of packers are not counted on Fri 6 Mar"),
    ],
)
def test_minutes_that_are_not_there_are_refused_by_name(hands: str, day: date, change: int, said: str) -> None:
    with pytest.raises(Refusal, match=said):
        what_if.with_minutes(mossgate.shop(), hands, day, change)


def test_supply_that_comes_later_is_moved_and_no_more_than_there_is() -> None:
    wax = Sku("SOY")
    stock = [OnHand(sku=wax, usable_on=MON_2, quantity=Fraction(5000))]

    moved = what_if.supply_moved(stock, wax, MON_2, Fraction(2000), MON_9)

    assert [(row.usable_on, row.quantity) for row in moved] == [(MON_2, 3000), (MON_9, 2000)]
    assert what_if.supply_moved(stock, wax, FRI_6, Fraction(2000), MON_9) == tuple(stock)


def test_dearer_oil_costs_grams_and_no_day() -> None:
    """A cup takes 150 ÷ 0.97 ÷ 1.08 × 0.08 = 11.455 g of oil; at 42 a kilogram 0.481, at 42 × 1.2 = 50.4 0.577."""
    known = mossgate.catalogue()
    priced = {code: replace(item, unit_cost=D(10)) for code, item in known.items.items() if item.recipe is None}
    priced["OIL-RG"] = replace(known.items["OIL-RG"], unit_cost=D(42))
    goods = replace(known, items={**known.items, **priced})

    dearer = what_if.dearer(goods, {"OIL-RG": D(20)})
    [cup] = what_if.cost_shifts(goods, dearer, [Sku("SUC", "RG")], {"SUC": D(12)}, D(0))

    assert dearer.items["OIL-RG"].unit_cost == D("50.4")
    assert round(cup.after - cup.before, 3) == D("0.096")
    before, after = cup.margins
    assert before is not None
    assert after is not None
    # 0.096 ÷ 12 = 0.8 of a hundredth
    assert round(before - after, 1) == D("0.8")


def test_what_has_no_cost_gets_none_and_is_named() -> None:
    goods = mossgate.catalogue()

    [cup] = what_if.cost_shifts(goods, what_if.dearer(goods, {"OIL-RG": D(20)}), [Sku("SUC", "RG")], {}, D(0))

    assert (cup.before, cup.after, cup.margins) == (0, 0, (None, None))
    assert "Rain garden oil" in cup.unpriced
