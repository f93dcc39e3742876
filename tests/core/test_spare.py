"""Spare room of a planned load: what fits, for whom it may be used, and that nobody pays for it.

S2 of trade.md (invented; common practice, no source): 25 cups fill a pot of 4,000 g, a 26th does not fit.
"""

from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production import spare
from wholesale.core.production.check import check, leaving_day
from wholesale.core.production.plan import insert
from wholesale.core.production.work import Demand, Load, Plan, Work, pieces_by_day
from wholesale.core.values import Refusal

SHOP = mossgate.shop()
MON, TUE, WED = (date(2026, 3, day) for day in (2, 3, 4))
SUC, PEB, FRN = (Sku(item, "RG") for item in ("SUC", "PEB", "FRN"))


def plan_of(*demands: Demand, day: date = MON, on: Plan | None = None) -> Plan:
    """The demands placed."""
    return insert(SHOP, on or Plan(), demands, (), day).plan


def pots(plan: Plan) -> list[Load]:
    """Loads of pot A by day."""
    return [load for load in plan.loads if load.work.equipment == "POT-A"]


def shelf(pieces: int, sku: Sku = SUC) -> Demand:
    """Pieces for the shelf."""
    return Demand(key="s1", sku=sku, pieces=pieces, rank=99, for_shelf=True)


def test_a_pot_says_what_still_fits_in_pieces_of_each_and_in_grams() -> None:
    """3,880 g net less 12 x 150 = 2,080 g: 13 cups, or 11 jars of 180 g, or 14 tins of 140 g."""
    plan = plan_of(mossgate.demand("SUC", 12))
    room = spare.spare(SHOP, plan, pots(plan)[0])

    assert (room.grams, room.pieces) == (D("2080.00"), {SUC: 13, PEB: 11, FRN: 14})


def test_the_hands_of_the_day_may_leave_less_than_the_pot() -> None:
    """360 minutes less 12 x 3 and 14 casts x 0.5 are 317; with 100 more cups finished that day 17 are left: 5 cups."""
    plan = plan_of(mossgate.demand("SUC", 12))
    busy = replace(plan.loads[0], work=Work("", SUC, "finish"), day=MON, portions=(
        plan.loads[0].portions[0]._replace(sku=SUC, operation="finish", pieces=100),))  # fmt: skip

    assert spare.spare(SHOP, replace(plan, loads=(*plan.loads, busy)), pots(plan)[0]).pieces[SUC] == 5


def test_a_bowl_says_what_fits_and_that_nothing_begins_in_it() -> None:
    """12 places a bowl; 8 cups are piped: room for 4 more, of bases that were poured before."""
    plan = plan_of(mossgate.demand("SUC", 8))
    bowl = next(load for load in plan.loads if load.work.equipment == "BOWL")
    room = spare.spare(SHOP, plan, bowl)

    assert (room.pieces, room.begins) == ({SUC: 4}, frozenset())
    assert spare.spare(SHOP, plan, pots(plan)[0]).begins == {SUC, PEB, FRN}


def test_work_by_hand_has_no_room_to_fill() -> None:
    """Finishing holds no load: there is none to add to, whatever minutes are left."""
    plan = plan_of(mossgate.demand("SUC", 8))
    by_hand = next(load for load in plan.loads if not load.work.equipment)

    assert spare.spare(SHOP, plan, by_hand).pieces == {}


def test_a_begun_pot_has_no_room() -> None:
    plan = plan_of(mossgate.demand("SUC", 12))

    assert spare.spare(SHOP, plan, replace(pots(plan)[0], begun=True)).pieces == {}


def test_the_26th_cup_does_not_fit() -> None:
    """24 cups and one more: 25 x 150 / 0.97 = 3,865.98 g; with two 26 x 150 / 0.97 = 4,020.62 g."""
    plan = plan_of(mossgate.demand("SUC", 12, key="A"), mossgate.demand("SUC", 12, key="B"))

    filled = spare.fill(SHOP, plan, pots(plan)[0], shelf(1), (), MON).plan
    assert [load.pieces for load in pots(filled)] == [25]
    with pytest.raises(
        Refusal, match="Succulent cup, Rain garden: 2 pieces do not fit into this load; there is room for 1"
    ):
        spare.fill(SHOP, plan, pots(plan)[0], shelf(2), (), MON)


def test_pieces_for_the_shelf_go_through_all_their_steps_and_nobody_is_moved() -> None:
    """S2: 25 cups take 28 casts in all and three whip bowls; the orders keep every piece and day."""
    orders = [mossgate.demand("SUC", 12, key="A"), mossgate.demand("SUC", 12, key="B")]
    plan = plan_of(*orders)
    filled = spare.fill(SHOP, plan, pots(plan)[0], shelf(1), (), MON).plan

    assert check(SHOP, filled, [*orders, shelf(1)], (), MON) == ()
    assert pieces_by_day(filled.loads, Sku("ROSETTE"), "cast") == {MON: 28}
    assert len([load for load in filled.loads if load.work.equipment == "BOWL"]) == 3
    assert [pieces_by_day(filled.loads, SUC, step, "s1") for step in ("pour", "pipe")] == [{MON: 1}, {TUE: 1}]
    for key in "AB":
        assert filled.of(key) == plan.of(key)


def test_what_does_not_begin_in_the_load_is_refused() -> None:
    """A cedar frame cup in a pot of rain garden."""
    plan = plan_of(mossgate.demand("SUC", 12))

    with pytest.raises(Refusal, match="Succulent cup, Cedar frame does not begin in this load"):
        spare.fill(SHOP, plan, pots(plan)[0], shelf(1, Sku("SUC", "CF")), (), MON)


def test_good_pieces_that_starts_are_enough_for() -> None:
    """13 starts at 0.9: 11 good ones take 12.2: 13; 12 would take 14. At 1: 13."""
    cup = SHOP.catalogue.items["SUC"]
    assert cup.recipe
    steps = (replace(cup.recipe.operations[0], yield_share=D("0.9")), *cup.recipe.operations[1:])
    lossy = replace(cup, recipe=replace(cup.recipe, operations=steps))
    goods = replace(SHOP.catalogue, items={**SHOP.catalogue.items, "SUC": lossy})

    assert (spare.most_good(goods, SUC, 13), spare.most_good(SHOP.catalogue, SUC, 13)) == (11, 13)


# ── offers ───────────────────────────────────────────────────────────────────

FIRST, LATER = mossgate.demand("SUC", 12, key="A"), mossgate.demand("SUC", 6, key="B")


def two_pots() -> Plan:
    """A pot of 12 on Mon, and one of 6 on Tue of an order that came on Tue."""
    plan = plan_of(FIRST)
    poured = replace(plan, loads=tuple(
        replace(load, begun=load.work.equipment == "POT-A") for load in plan.loads))  # fmt: skip
    both = plan_of(LATER, day=TUE, on=poured)
    return replace(both, loads=tuple(replace(load, begun=False) for load in both.loads))


def test_a_later_pour_of_the_same_scent_is_offered_the_room() -> None:
    """B's six bases of Tue fit beside A's twelve on Mon; they may wait till Wed, as seven days are the most."""
    plan = two_pots()

    assert spare.offers(SHOP, plan, pots(plan)[0], [FIRST, LATER], ()) == (spare.Offer("B", SUC, "pour", 6, TUE),)


def test_taking_an_offer_saves_a_pot_and_makes_nobody_late() -> None:
    """18 bases in one pot on Mon, none on Tue; both orders leave when they did."""
    plan = two_pots()
    offer = spare.offers(SHOP, plan, pots(plan)[0], [FIRST, LATER], ())[0]
    taken = spare.take(SHOP, plan, pots(plan)[0], offer, [FIRST, LATER], ())

    assert [(load.day, load.pieces) for load in pots(taken)] == [(MON, 18)]
    assert check(SHOP, taken, [FIRST, LATER], ()) == ()
    for demand in (FIRST, LATER):
        assert leaving_day(SHOP, taken, demand) == leaving_day(SHOP, plan, demand)


def test_a_base_that_would_wait_too_long_is_not_offered() -> None:
    """A longest wait of one day: poured on Mon it would be two days old on Wed."""
    cup = SHOP.catalogue.items["SUC"]
    assert cup.recipe
    steps = (replace(cup.recipe.operations[0], days_max=1), *cup.recipe.operations[1:])
    hasty = replace(cup, recipe=replace(cup.recipe, operations=steps))
    shop = replace(SHOP, catalogue=replace(SHOP.catalogue, items={**SHOP.catalogue.items, "SUC": hasty}))
    plan = two_pots()

    assert spare.offers(shop, plan, pots(plan)[0], [FIRST, LATER], ()) == ()


def test_another_scent_and_a_full_pot_are_offered_nothing() -> None:
    """Cedar is another melt; 25 cups leave no room for a 26th."""
    cedar = plan_of(mossgate.demand("SUC", 6, "CF", key="C"), day=TUE, on=plan_of(FIRST))
    full = plan_of(LATER, day=TUE, on=plan_of(mossgate.demand("SUC", 25, key="A")))

    assert spare.offers(SHOP, cedar, pots(cedar)[0], [FIRST, mossgate.demand("SUC", 6, "CF", key="C")], ()) == ()
    assert spare.offers(SHOP, full, pots(full)[0], [mossgate.demand("SUC", 25, key="A"), LATER], ()) == ()


def test_an_offer_that_no_longer_stands_is_refused() -> None:
    plan = two_pots()
    gone = spare.Offer("B", SUC, "pour", 6, WED)

    with pytest.raises(Refusal, match="no longer fit into this load in time"):
        spare.take(SHOP, plan, pots(plan)[0], gone, [FIRST, LATER], ())
