"""Several levels and several steps: blends, whip and trimmed rosettes before the cups they go into.

The bench is invented (common practice, no source); see ``tests/levels.py``.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

import pytest
from scipy.stats import binom

from tests import levels, mossgate
from tests.levels import HARD, ROSETTE, WHIP
from wholesale.core.catalogue import Item, ItemKind, Recipe, Sku
from wholesale.core.production.check import check
from wholesale.core.production.plan import Outcome, Shop, insert, mend, planned, remainder
from wholesale.core.production.work import Demand, Load, Plan, pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

MON, TUE, WED, THU, FRI = (date(2026, 3, day) for day in (2, 3, 4, 5, 6))
SUC, PEB, PEBBLE = Sku("SUC", "RG"), Sku("PEB", "RG"), Sku("PEBBLE")
SHOP = levels.shop()


def placed(*demands: Demand, shop: Shop = SHOP, stock: Sequence[OnHand] = (), day: date = MON) -> Outcome:
    """The demands in an empty plan, which is sound."""
    outcome = insert(shop, Plan(), demands, stock, day)
    assert check(shop, outcome.plan, demands, stock, day) == ()
    return outcome


def days(plan: Plan, sku: Sku, step: str) -> dict[date, int]:
    """Pieces (or grams) of a step by day."""
    return pieces_by_day(plan.loads, sku, step)


def with_yields(item: str, *shares: str, shop: Shop | None = None) -> Shop:
    """Mossgate with other yields by step of one item."""
    shop = shop or mossgate.shop()
    known = shop.catalogue.items[item]
    assert known.recipe
    steps = tuple(replace(o, yield_share=D(y)) for o, y in zip(known.recipe.operations, shares, strict=True))
    changed = replace(known, recipe=replace(known.recipe, operations=steps))
    return replace(shop, catalogue=replace(shop.catalogue, items={**shop.catalogue.items, item: changed}))


def with_risk(risk: str, shop: Shop | None = None) -> Shop:
    """Mossgate with a shortage risk."""
    shop = shop or mossgate.shop()
    return replace(shop, catalogue=replace(shop.catalogue, shortage_risk=D(risk)))


# ── levels ───────────────────────────────────────────────────────────────────


def test_a_blend_is_made_before_the_whip_and_the_casts_that_take_it() -> None:
    """12 cups: 480 g whip, 0.6 / 0.97 of it blend: 296.9 g; 12 / 0.92 = 13.04: 14 rosettes x 15 / 0.97 = 216.5 g.

    Mon blend (it sets overnight), Tue cast, melt and whip, Wed trim, pipe: a night after each.
    """
    plan = placed(mossgate.demand("SUC", 12)).plan

    assert days(plan, HARD, "blend") == {MON: 297 + 217}
    assert (days(plan, WHIP, "melt"), days(plan, WHIP, "whip")) == ({TUE: 480}, {TUE: 480})
    assert (days(plan, ROSETTE, "cast"), days(plan, ROSETTE, "trim")) == ({TUE: 14}, {WED: 14})
    assert days(plan, SUC, "pipe") == {WED: 12}


def test_a_part_in_grams_fills_its_load_by_weight_alone() -> None:
    """13 cups take 520 g. The bowl holds 12 candles or 500 g; what is lost was lost when it was melted: 500 + 20."""
    bowls = [load.pieces for load in placed(mossgate.demand("SUC", 13)).plan.loads if load.work.equipment == "BOWL"]

    assert sorted(bowls) == [20, 500]


def test_what_keeps_for_three_days_is_made_at_most_three_days_before() -> None:
    """A bench that is shut till Mon 9 but for Mon 2: the whip of Fri 6 would be kept over; it is made on Mon 9."""
    order = mossgate.demand("SUC", 12)
    stock = [OnHand(sku=HARD, usable_on=MON, quantity=Fraction(600))]
    plan = placed(replace(order, key="B"), stock=stock).plan
    assert days(plan, WHIP, "whip") == {MON: 480}

    late = placed(mossgate.demand("PEB", 120, key="A"), replace(order, key="B"), stock=stock).plan
    piped, whipped = (next(iter(days(late, *step))) for step in ((SUC, "pipe"), (WHIP, "whip")))
    assert 1 <= (piped - whipped).days <= 3


def test_blend_on_hand_is_used_before_more_is_made() -> None:
    """514 g are needed (297 + 217 rounded up); 500 g are on hand: 14 g more, or a little less by the fractions."""
    stock = [OnHand(sku=HARD, usable_on=MON, quantity=Fraction(500))]
    plan = placed(mossgate.demand("SUC", 12), stock=stock).plan

    assert sum(days(plan, HARD, "blend").values()) in {13, 14}


def test_a_product_without_steps_leaves_from_stock_or_is_refused_by_name() -> None:
    """5 candle snuffers on hand: 5 leave today, a 6th is neither made nor bought by itself."""
    goods = mossgate.catalogue()
    snuffer = Item(code="SNUFF", name="Candle snuffer", kind=ItemKind.PRODUCT, recipe=Recipe())
    shop = replace(mossgate.shop(), catalogue=replace(goods, items={**goods.items, "SNUFF": snuffer}))
    stock = [OnHand(sku=Sku("SNUFF"), usable_on=MON, quantity=Fraction(5))]

    outcome = placed(mossgate.demand("SNUFF", 5, ""), shop=shop, stock=stock)
    assert (outcome.leaves(), outcome.plan.loads) == (MON, ())
    with pytest.raises(Refusal, match="Candle snuffer leaves from stock only, and 1 more are asked for than are free"):
        insert(shop, Plan(), [mossgate.demand("SNUFF", 6, "")], stock, MON)
    assert remainder(shop.catalogue, outcome.plan, mossgate.demand("SNUFF", 5, "")) == {}


def test_bought_in_goods_that_are_missing_wait_for_stock_when_all_is_planned_again() -> None:
    """Nothing on hand: planning again neither fails nor makes any; with 3 in, they are picked."""
    goods = mossgate.catalogue()
    jar = Item(code="JAR", name="Empty jar", kind=ItemKind.PRODUCT)
    shop = replace(mossgate.shop(), catalogue=replace(goods, items={**goods.items, "JAR": jar}))
    demand = mossgate.demand("JAR", 3, "")
    three = [OnHand(sku=Sku("JAR"), usable_on=MON, quantity=Fraction(3))]

    assert mend(shop, Plan(), [demand], (), MON, MON).plan == Plan()
    assert [pick.pieces for pick in mend(shop, Plan(), [demand], three, MON, MON).plan.picks] == [3]


# ── yields by step ───────────────────────────────────────────────────────────


def test_each_step_takes_in_what_the_yields_from_there_on_ask_for() -> None:
    """0.97 of the bases and 0.98 of the toppings: 20 / 0.98 = 20.4: 21; 20 / 0.9506 = 21.04: 22; 20 are finished."""
    lossy = with_yields("SUC", "0.97", "0.98", "1")
    outcome = placed(mossgate.demand("SUC", 20), shop=lossy)

    assert [sum(days(outcome.plan, SUC, step).values()) for step in ("pour", "pipe", "finish")] == [22, 21, 20]
    assert sum(group.pieces for group in outcome.placed) == 20
    # parts are taken by the pieces that are piped: 21 / 0.92 = 22.8
    assert sum(days(outcome.plan, ROSETTE, "cast").values()) == 23


def test_groups_of_many_days_start_no_more_in_all_than_one_would() -> None:
    """One bowl of one candle a day: ten days of piping, 10 / 0.9 = 11.1: 12 are poured over all, not two for each."""
    shop = with_yields("SUC", "0.9", "1", "1")
    bowl = replace(shop.catalogue.equipment["BOWL"], load_pieces=1, loads_per_day=1)
    shop = replace(shop, catalogue=replace(shop.catalogue, equipment={**shop.catalogue.equipment, "BOWL": bowl}))
    plan = placed(mossgate.demand("SUC", 10), shop=shop).plan

    assert len(days(plan, SUC, "pipe")) == 10
    assert sum(days(plan, SUC, "pour").values()) == 12


def done(plan: Plan, day: date, good: int, *, begun: bool = False) -> Plan:
    """The plan with a day's base pour done, so many good, or begun."""

    def one(load: Load) -> Load:
        if load.day != day or load.work.equipment != "POT-A":
            return load
        if begun:
            return replace(load, begun=True)
        return replace(load, done=True, portions=tuple(p._replace(good=good) for p in load.portions))

    return replace(plan, loads=tuple(one(load) for load in plan.loads))


def test_what_came_good_counts_for_the_next_step_and_only_real_rejects_are_poured_again() -> None:
    """22 poured for 20. As expected, 21 come good: nothing changes. 18 come good: 18 x 0.98 = 17.64 of 20.

    2.36 more good pieces: 2.36 / 0.9506 = 2.48: 3 are poured; 20 / 0.98 = 20.4: 21 are piped as before.
    """
    lossy, cups = with_yields("SUC", "0.97", "0.98", "1"), mossgate.demand("SUC", 20)
    plan = placed(cups, shop=lossy).plan
    as_expected, short = done(plan, MON, 21), done(plan, MON, 18)

    assert remainder(lossy.catalogue, as_expected, cups) == planned(lossy.catalogue, as_expected, cups) == {1: 21}
    assert remainder(lossy.catalogue, short, cups) == {0: 3, 1: 18}
    rosettes = [OnHand(sku=ROSETTE, usable_on=MON, quantity=Fraction(30))]
    mended = mend(lossy, short, [cups], rosettes, TUE, TUE).plan
    assert check(lossy, mended, [cups], rosettes, TUE) == ()
    assert sum(days(mended, SUC, "pour").values()) == 18 + 3
    assert sum(days(mended, SUC, "pipe").values()) == 21


def test_a_lucky_batch_is_no_reason_to_plan_again() -> None:
    """All 22 of 22 come good: 21 are piped as planned, nobody is moved."""
    lossy, cups = with_yields("SUC", "0.97", "0.98", "1"), mossgate.demand("SUC", 20)
    plan = done(placed(cups, shop=lossy).plan, MON, 22)
    casts = tuple(replace(load, done=load.done or load.day == MON) for load in plan.loads)
    stock = [OnHand(sku=ROSETTE, usable_on=TUE, quantity=Fraction(22))]

    mended = mend(lossy, replace(plan, loads=casts), [cups], stock, TUE, TUE).plan
    assert days(mended, SUC, "pipe") == days(plan, SUC, "pipe") == {TUE: 21}


# ── shortage risk ────────────────────────────────────────────────────────────


def test_with_a_risk_of_5_percent_600_pebbles_are_cast_641_times() -> None:
    """trade.md S4: 632 by the expected yield, 641 hold the chance of too few under 5 % (SciPy: 0.0477)."""
    careful = with_risk("0.05")
    plan = placed(mossgate.demand("PEB", 120), shop=careful).plan
    cast = sum(days(plan, PEBBLE, "cast").values())

    assert cast == 641
    assert binom.cdf(599, cast, 0.95) < 0.05
    assert sum(days(placed(mossgate.demand("PEB", 120)).plan, PEBBLE, "cast").values()) == 632


def test_pieces_cast_for_safety_are_not_given_to_the_next_order() -> None:
    """641 x 0.95 - 600 = 8.95 pebbles over: the next jar's five are cast for itself, not taken from them."""
    careful = with_risk("0.05")
    first, second = mossgate.demand("PEB", 120), mossgate.demand("PEB", 1, key="B")
    plan = insert(careful, Plan(), [first], (), MON).plan
    after = insert(careful, plan, [second], (), MON).plan

    assert sum(p.pieces for load in after.of("B").loads for p in load.portions if p.sku == PEBBLE) >= 6
    assert mend(careful, after, [first, second], (), MON, MON).plan == after


def test_with_a_risk_each_step_of_a_product_holds_it() -> None:
    """20 cups, 0.97 and 0.98: SciPy gives the fewest that hold 5 % for each step from its yields on."""
    careful = with_risk("0.05", with_yields("SUC", "0.97", "0.98", "1"))
    plan = placed(mossgate.demand("SUC", 20), shop=careful).plan
    poured, piped = (sum(days(plan, SUC, step).values()) for step in ("pour", "pipe"))

    assert binom.cdf(19, poured, 0.97 * 0.98) < 0.05 <= binom.cdf(19, poured - 1, 0.97 * 0.98)
    assert binom.cdf(19, piped, 0.98) < 0.05 <= binom.cdf(19, piped - 1, 0.98)


# ── begun batches ────────────────────────────────────────────────────────────


def test_a_begun_pot_takes_no_more_pieces() -> None:
    """12 cups are weighed: the next order's bases get a pot of their own, where they would have shared one."""
    first, second = mossgate.demand("SUC", 12, key="A"), mossgate.demand("SUC", 12, key="B")
    plan = done(insert(mossgate.shop(), Plan(), [first], (), MON).plan, MON, 0, begun=True)
    both = insert(mossgate.shop(), plan, [second], (), MON).plan

    assert [load.pieces for load in both.loads if load.work.equipment == "POT-A"] == [12, 12]
    assert [load for load in both.loads if load.begun] == [load for load in plan.loads if load.begun]


def test_a_begun_pot_stays_and_counts_when_all_else_is_planned_again() -> None:
    """Weighed on Mon, its casts not done: on Tue they are cast again, the twelve bases are not poured twice."""
    cups = mossgate.demand("SUC", 12)
    plan = done(insert(mossgate.shop(), Plan(), [cups], (), MON).plan, MON, 0, begun=True)
    mended = mend(mossgate.shop(), plan, [cups], (), TUE, TUE).plan

    assert days(mended, SUC, "pour") == {MON: 12}
    assert days(mended, ROSETTE, "cast") == {TUE: 14}
    assert {breach.rule for breach in check(mossgate.shop(), mended, [cups], (), TUE)} == {"overdue"}


def test_what_was_weighed_for_a_begun_batch_has_left_the_shelf() -> None:
    """The casts are weighed with all the blend there was: none is missing though the lot is empty."""
    stock = [OnHand(sku=HARD, usable_on=MON, quantity=Fraction(600))]
    jars = mossgate.demand("PEB", 6)
    plan = placed(jars, stock=stock).plan
    begun = replace(plan, loads=tuple(
        replace(load, begun=load.work.equipment == "TRAY-P") for load in plan.loads))  # fmt: skip

    assert "parts" in {breach.rule for breach in check(SHOP, plan, [jars], ())}
    assert check(SHOP, begun, [jars], ()) == ()
    assert mend(SHOP, begun, [jars], (), MON, MON).plan == begun


def test_a_step_that_the_recipe_no_longer_knows_is_planned_again() -> None:
    """The topping is renamed in a new version of the recipe: what was planned by the old name gets a new place."""
    cups = mossgate.demand("SUC", 12)
    plan = insert(mossgate.shop(), Plan(), [cups], (), MON).plan
    known = mossgate.shop().catalogue.items["SUC"]
    assert known.recipe
    pour, pipe, finish = known.recipe.operations
    lines = tuple(replace(line, step={"pipe": "swirl"}.get(line.step, line.step)) for line in known.recipe.lines)
    renamed = replace(known, recipe=Recipe(lines=lines, operations=(pour, replace(pipe, code="swirl"), finish)))
    shop = replace(mossgate.shop(), catalogue=replace(
        mossgate.catalogue(), items={**mossgate.catalogue().items, "SUC": renamed}))  # fmt: skip

    mended = mend(shop, plan, [cups], (), MON, MON).plan
    assert check(shop, mended, [cups], (), MON) == ()
    assert sum(days(mended, SUC, "swirl").values()) == 12


def test_bases_that_will_have_waited_too_long_are_told_and_topped_only_if_the_maker_lets_them() -> None:
    """Poured Mon 2, no topping till Wed 11: nine days, seven are the most. Planned again, with a note that says so."""
    cups = mossgate.demand("SUC", 12)
    plan = insert(mossgate.shop(), Plan(), [cups], (), MON).plan
    poured = replace(plan, loads=tuple(replace(load, done=load.day == MON) for load in plan.loads))
    casts = [OnHand(sku=ROSETTE, usable_on=TUE, quantity=Fraction(13))]
    later = date(2026, 3, 11)

    outcome = mend(mossgate.shop(), poured, [cups], casts, later, later)
    [group] = outcome.placed
    assert group.note == (
        "Pour base of 2 March 2026 waits 9 days for pipe moss, 7 are the most: "
        "look at the pieces, and reject those that are no good."
    )
    assert [b.rule for b in check(mossgate.shop(), outcome.plan, [cups], casts, later)] == ["wait_most"]
    in_time = mend(mossgate.shop(), poured, [cups], casts, WED, WED)
    assert [group.note for group in in_time.placed] == [""]
