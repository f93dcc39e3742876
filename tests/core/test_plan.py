"""Planning by insertion, planning again and withdrawing, on Mossgate's bench with the arithmetic beside.

The bench is invented (common practice, no source). 2 March 2026 is a Monday. Every
plan made here is also put before the independent check.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, time
from decimal import Decimal as D
from fractions import Fraction

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import CLOSED, Calendar, Day, DayKind
from wholesale.core.production.check import check, leaving_day
from wholesale.core.production.plan import Outcome, Shop, insert, mend, remainder, without
from wholesale.core.production.promise import Asked, promise
from wholesale.core.production.tasks import Task
from wholesale.core.production.work import Demand, Load, Pick, Plan, pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

SHOP = mossgate.shop()
MON, TUE, WED, THU, FRI = (date(2026, 3, day) for day in (2, 3, 4, 5, 6))
TUE_10, MON_16 = date(2026, 3, 10), date(2026, 3, 16)
SUC, ROSETTE = Sku("SUC", "RG"), Sku("ROSETTE")


def placed(
    *demands: Demand, on: Plan | None = None, stock: Sequence[OnHand] = (), day: date = MON, shop: Shop = SHOP
) -> Outcome:
    """The demands in the plan; what comes of it is checked."""
    outcome = insert(shop, on or Plan(), demands, stock, day)
    known = [demand for demand in demands if on is None]
    assert not [b for b in check(shop, outcome.plan, known, stock, day) if b.rule != "peg" or on is None]
    return outcome


def lot(sku: Sku, day: date, pieces: int) -> OnHand:
    """Pieces on hand."""
    return OnHand(sku=sku, usable_on=day, quantity=Fraction(pieces))


def days(plan: Plan, sku: Sku, step: str) -> dict[date, int]:
    """Pieces of a step by day."""
    return pieces_by_day(plan.loads, sku, step)


def with_equipment(code: str, **changes: object) -> Shop:
    """Mossgate with one piece of equipment changed."""
    known = SHOP.catalogue.equipment
    changed = replace(known[code], **changes)  # type: ignore[arg-type]
    return replace(SHOP, catalogue=replace(SHOP.catalogue, equipment={**known, code: changed}))


def finished(plan: Plan, day: date, rejects: int = 0) -> Plan:
    """The plan with the loads of one day done, each with so many rejects."""

    def done(load: Load) -> Load:
        good = tuple(p._replace(good=p.pieces - rejects) for p in load.portions)
        return replace(load, done=True, portions=good) if load.day == day else load

    return replace(plan, loads=tuple(done(load) for load in plan.loads))


# ── placing ──────────────────────────────────────────────────────────────────


def test_two_orders_share_one_pot() -> None:
    """S2: 12 + 12 cups x 150 g = 3,600 / 0.97 = 3,711.34 g: one load of pot A instead of two."""
    plan = placed(mossgate.demand("SUC", 12, key="B1"), mossgate.demand("SUC", 12, key="B2")).plan
    pots = [load for load in plan.loads if load.work.equipment == "POT-A"]

    assert [(load.day, load.pieces, len(load.portions)) for load in pots] == [(MON, 24, 2)]


def test_25_cups_take_28_casts_in_three_turns_and_three_bowls() -> None:
    """S2: 25 / 0.92 = 27.17: 28 casts, 12 a turn: 3 turns; 25 / 12 = 2.08: 3 bowls."""
    plan = placed(mossgate.demand("SUC", 25)).plan

    assert days(plan, ROSETTE, "cast") == {MON: 28}
    assert [load.pieces for load in plan.loads if load.work.equipment == "TRAY-R"] == [12, 12, 4]
    assert [load.pieces for load in plan.loads if load.work.equipment == "BOWL"] == [12, 12, 1]


def test_two_scents_never_share_a_pot() -> None:
    """6 + 6 cups would fit one pot, but rain garden and cedar frame are two melts."""
    plan = placed(mossgate.demand("SUC", 6, key="R"), mossgate.demand("SUC", 6, "CF", key="C")).plan

    assert len([load for load in plan.loads if load.work.equipment == "POT-A"]) == 2


def test_a_day_s_minutes_push_the_rest_to_the_next() -> None:
    """60 minutes: 16 cups x 3 + 18 casts x 0.5 = 57; 17 x 3 + 19 x 0.5 = 60.5 is too much. The other 8 come later."""
    hour = Day(kind=DayKind.WORK, minutes={"bench": 60})
    slow = replace(SHOP, calendar=Calendar(week=dict.fromkeys(range(5), hour)))
    piped = days(placed(mossgate.demand("SUC", 24), shop=slow).plan, SUC, "pipe")

    assert piped.pop(TUE) == 16
    assert sum(piped.values()) == 8
    assert days(placed(mossgate.demand("SUC", 24)).plan, SUC, "pipe") == {TUE: 24}


def test_stock_is_picked_before_anything_is_made_soonest_sellable_first() -> None:
    """4 sellable now, 5 from Fri 6: both are taken, 3 of 12 are made."""
    stock = [lot(SUC, FRI, 5), lot(SUC, date(2026, 2, 20), 4)]
    outcome = placed(mossgate.demand("SUC", 12), stock=stock)

    assert outcome.plan.picks == (Pick("A", SUC, 4, MON), Pick("A", SUC, 5, FRI))
    assert days(outcome.plan, SUC, "pour") == {MON: 3}


def test_stock_that_is_past_its_day_when_it_would_leave_is_not_picked() -> None:
    """6 tins good up to Tue 10 and 6 without a day: an order that may leave on Mon 16 takes the second six only."""
    tin = Sku("FRN", "RG")
    stock = [OnHand(sku=tin, usable_on=MON, quantity=Fraction(6), expires_on=until) for until in (TUE_10, None)]

    later = placed(mossgate.demand("FRN", 6, leaves_from=MON_16), stock=stock).plan
    now = placed(mossgate.demand("FRN", 6), on=later, stock=stock).plan

    assert later.picks == (Pick("A", tin, 6, MON_16),)
    assert now.picks[1:] == (Pick("A", tin, 6, MON),)
    assert not later.loads


def test_stock_is_never_promised_twice() -> None:
    """12 on hand; the first order takes 10, the second gets 2 and has 8 made."""
    stock = [lot(SUC, MON, 12)]
    first = placed(mossgate.demand("SUC", 10, key="A"), stock=stock).plan
    both = insert(SHOP, first, [mossgate.demand("SUC", 10, key="B")], stock, MON).plan

    assert [(pick.demand, pick.pieces) for pick in both.picks] == [("A", 10), ("B", 2)]
    assert days(both, SUC, "pour") == {MON: 8}


def test_parts_on_hand_are_used_before_new_ones_are_cast() -> None:
    """12 rosettes needed, 7 on hand: 5 / 0.92 = 5.43: 6 casts."""
    assert days(placed(mossgate.demand("SUC", 12), stock=[lot(ROSETTE, MON, 7)]).plan, ROSETTE, "cast") == {MON: 6}


def test_a_base_poured_on_friday_is_topped_on_monday() -> None:
    """Market Saturday and closed Sunday are nights of setting, not days of work."""
    plan = placed(mossgate.demand("SUC", 12), day=FRI).plan

    assert (days(plan, SUC, "pour"), days(plan, SUC, "pipe")) == ({FRI: 12}, {date(2026, 3, 9): 12})


def test_an_order_over_the_year_end_is_planned_by_dates_alone() -> None:
    """Wed 30 December 2026 pour, Thu 31 pipe, sellable Sun 10 January 2027, leaves Mon 11."""
    outcome = placed(mossgate.demand("SUC", 6), day=date(2026, 12, 30))

    assert (outcome.placed[0].sellable_on, outcome.leaves()) == (date(2027, 1, 10), date(2027, 1, 11))


def test_the_change_of_clocks_takes_no_day() -> None:
    """US clocks change on Sun 8 March 2026: Fri 6 pour, Mon 9 pipe, sellable Thu 19, as in any other week."""
    assert placed(mossgate.demand("SUC", 6), day=FRI).leaves() == date(2026, 3, 19)
    # the same weekdays four weeks earlier, without a change: Fri 6 February, Thu 19 February
    assert placed(mossgate.demand("SUC", 6), day=date(2026, 2, 6)).leaves() == date(2026, 2, 19)


def test_the_leap_day_is_a_day_like_others() -> None:
    """Fri 18 February 2028 pour, Mon 21 pipe, ten days: Thu 2 March (29 February counted)."""
    assert placed(mossgate.demand("SUC", 6), day=date(2028, 2, 18)).leaves() == date(2028, 3, 2)


def test_120_jars_are_1336_minutes_of_work() -> None:
    """S4: 120 x (3 + 2.5 + 3) + 632 x 0.5 = 1,020 + 316 = 1,336 minutes, 3.7 days of 360: moulds bind, hands don't."""
    plan = placed(mossgate.demand("PEB", 120)).plan
    steps = {(item, step.code): step for item in ("PEB", "PEBBLE") for step in SHOP.catalogue.recipe(item).operations}
    portions = [portion for load in plan.loads for portion in load.portions]

    assert sum(steps[p.sku.item, p.operation].minutes_per_piece * p.pieces for p in portions) == 1336


# ── no room ──────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("shop", "code", "words"),
    [
        (
            with_equipment("TRAY-P", loads_per_day=0),
            "no_quota",
            "Pebble, Cast pebbles: Pebble trays takes no load a day",
        ),
        (with_equipment("TRAY-P", count=0), "no_quota", "Pebble, Cast pebbles: Pebble trays takes no load a day"),
        (with_equipment("POT-A", loads_per_day=0), "no_quota", "Pebble jar, Pour base: Pot A takes no load a day"),
        (with_equipment("POT-B", loads_per_day=0), "no_quota", "Pebble jar, Place and seal: Pot B takes no load a day"),
        (
            replace(SHOP, calendar=Calendar(week={})),
            "no_work_days",
            "Pebble jar, Rain garden: the calendar has no work day",
        ),
        (
            replace(
                SHOP, calendar=Calendar(week=dict.fromkeys(range(7), Day(kind=DayKind.WORK, minutes={"bench": 0})))
            ),
            "no_hours",
            "Pebble jar, Rain garden: the calendar has no minutes of 'bench'",
        ),
        # one day ahead is too short for two nights
        (replace(SHOP, horizon_days=0), "no_room", "Pebble jar, Rain garden: 12 pieces find no room"),
    ],
    ids=["no turns", "no trays", "no pot", "no seal", "closed", "no minutes", "no days"],
)
def test_a_bench_without_room_refuses_and_does_not_search_for_ever(shop: Shop, code: str, words: str) -> None:
    """Zero quotas, no work days or minutes, no horizon: a sentence that names what is missing."""
    near = replace(shop, horizon_days=min(shop.horizon_days, 60))
    with pytest.raises(Refusal, match=words) as refused:
        insert(near, Plan(), [mossgate.demand("PEB", 12)], (), MON)
    assert refused.value.code == code


def test_more_loads_than_a_quota_that_was_cut_leave_no_room_and_book_nothing_negative() -> None:
    """60 jars take 316 casts: six turns of 20 on Mon and Tue. With one tray of three turns those days are over-full."""
    before = placed(mossgate.demand("PEB", 60)).plan
    after = insert(mossgate.shop(1), before, [mossgate.demand("PEB", 6, key="B")], (), MON).plan
    new = [
        (load.day, p.pieces) for load in after.loads for p in load.portions if (p.demand, p.operation) == ("B", "cast")
    ]

    assert days(before, Sku("PEBBLE"), "cast") == {MON: 120, TUE: 120, WED: 76}
    # 4 turns stand on Wed, 3 a day are allowed: B's 30 pebbles (32 casts, less what is over) join the last one or wait
    assert new
    assert all(day >= WED and pieces > 0 for day, pieces in new)


# ── planning again ───────────────────────────────────────────────────────────

CUPS = mossgate.demand("SUC", 12, promised=date(2026, 3, 13))


def test_nothing_happened_nothing_moves() -> None:
    """Planning again on the same morning gives the same plan."""
    plan = placed(CUPS).plan

    assert mend(SHOP, plan, [CUPS], (), MON, MON).plan == plan


def test_a_day_nobody_worked_moves_the_order_and_tells_by_how_much() -> None:
    """Monday's base and casts are not done: on Tue all is placed again, pipe Wed 4, sellable Sat 14, leaves Mon 16."""
    plan = mend(SHOP, placed(CUPS).plan, [CUPS], (), TUE, TUE).plan

    assert (days(plan, SUC, "pour"), days(plan, SUC, "pipe")) == ({TUE: 12}, {WED: 12})
    late = check(SHOP, plan, [CUPS], (), TUE)
    assert [(b.kind, b.rule) for b in late] == [("promise", "promised")]
    assert leaving_day(SHOP, plan, CUPS) == date(2026, 3, 16)


def test_rejects_are_poured_again_and_the_good_ones_go_on() -> None:
    """12 poured, 2 rejects: 10 are piped on Tue as planned at the latest on Wed, 2 poured on Tue are piped on Wed."""
    plan = finished(placed(CUPS).plan, MON, rejects=2)
    stock = [
        lot(ROSETTE, TUE, sum(p.good or 0 for x in plan.loads if x.work.equipment == "TRAY-R" for p in x.portions))
    ]
    assert remainder(SHOP.catalogue, plan, CUPS) == {0: 2, 1: 10}

    mended = mend(SHOP, plan, [CUPS], stock, TUE, TUE).plan
    assert check(SHOP, mended, [replace(CUPS, promised=None)], stock, TUE) == ()
    assert sum(days(mended, SUC, "pipe").values()) == 12
    assert sum(p.pieces for load in mended.loads for p in load.portions if p.operation == "pour" and not load.done) == 2


def test_failed_casts_are_cast_again() -> None:
    """Of 14 casts 4 are good: 8 rosettes are missing, 8 / 0.92 = 8.7: 9 more casts."""
    plan = placed(CUPS).plan
    loads = tuple(
        replace(x, done=True, portions=(x.portions[0]._replace(good=x.pieces - 5),))
        if x.work.equipment == "TRAY-R"
        else replace(x, done=x.day == MON)
        for x in plan.loads
    )
    good = sum(p.good or 0 for x in loads if x.work.equipment == "TRAY-R" for p in x.portions)
    assert good == 14 - 2 * 5
    mended = mend(SHOP, replace(plan, loads=loads), [CUPS], [lot(ROSETTE, TUE, good)], TUE, TUE).plan

    assert sum(p.pieces for x in mended.loads if not x.done and x.work.equipment == "TRAY-R" for p in x.portions) == 9


def test_a_shortage_on_one_day_leaves_an_order_of_a_later_day_alone() -> None:
    """The same 9 casts for Tuesday's cups; those of Thursday stay: (12 - 0.88 left of 14 casts) / 0.92: 13 casts."""
    later = mossgate.demand("SUC", 12, key="later")
    plan = insert(SHOP, placed(CUPS).plan, [later], (), THU).plan
    own = plan.of("later")
    loads = tuple(
        replace(x, done=True, portions=tuple(p._replace(good=p.pieces - 5) for p in x.portions))
        if (x.work.equipment, x.day) == ("TRAY-R", MON)
        else replace(x, done=x.day == MON)
        for x in plan.loads
    )
    mended = mend(SHOP, replace(plan, loads=loads), [CUPS, later], [lot(ROSETTE, TUE, 4)], TUE, TUE).plan

    assert mended.of("later") == own
    assert days(mended, ROSETTE, "cast") == {MON: 4, TUE: 9, THU: 13}


def test_casts_that_came_too_late_for_their_own_order_are_not_made_twice() -> None:
    """12 cups wait for rosettes cast on Thu 5; when those are to be cast again from Tue 3 on, 14 casts are enough."""
    plan = insert(SHOP, Plan(), [CUPS], (), THU).plan
    again = replace(plan, loads=tuple(load for load in plan.loads if load.work.equipment == "TRAY-R"))
    mended = mend(SHOP, again, [CUPS], (), TUE, TUE).plan

    assert days(mended, ROSETTE, "cast") == {TUE: 14}
    assert check(SHOP, mended, [replace(CUPS, promised=None)], (), TUE) == ()


def test_who_was_promised_first_is_served_first() -> None:
    """Two orders of 24 cups lose their Monday; the one promised earlier gets the earlier toppings."""
    soon = mossgate.demand("SUC", 24, key="B", promised=date(2026, 3, 13))
    late = mossgate.demand("SUC", 24, key="A", promised=date(2026, 3, 27))
    plan = insert(SHOP, Plan(), [late, soon], (), MON).plan
    mended = mend(SHOP, plan, [late, soon], (), TUE, TUE)

    assert mended.leaves("B") <= mended.leaves("A")
    assert mended.placed[0].demand == "B"


@pytest.mark.parametrize(
    ("shop", "what"),
    [
        (replace(SHOP, calendar=replace(SHOP.calendar, days={TUE: CLOSED})), "closed"),
        (with_equipment("BOWL", loads_per_day=1), "quota"),
        (with_equipment("BOWL", load_pieces=6), "size"),
        (
            replace(SHOP, calendar=replace(SHOP.calendar, days={TUE: Day(kind=DayKind.WORK, minutes={"bench": 40})})),
            "minutes",
        ),
    ],
    ids=lambda given: given if isinstance(given, str) else "",
)
def test_loads_that_lost_their_place_are_placed_again(shop: Shop, what: str) -> None:
    """24 cups: two bowls on Tue 3 and 60 minutes of piping; then the day, bowls, size or minutes are cut."""
    cups = mossgate.demand("SUC", 24)
    plan = placed(cups).plan
    assert days(plan, SUC, "pipe") == {TUE: 24}, what
    assert check(shop, plan, [cups], (), MON)

    mended = mend(shop, plan, [cups], (), MON, MON).plan
    assert check(shop, mended, [cups], (), MON) == ()


def test_casts_on_a_day_that_was_closed_move_as_well() -> None:
    """Base and casts of Mon 2 when Monday is closed: nothing stays there."""
    ill = replace(SHOP, calendar=replace(SHOP.calendar, days={MON: CLOSED}))
    mended = mend(ill, placed(CUPS).plan, [CUPS], (), MON, MON).plan

    assert MON not in {load.day for load in mended.loads}


def test_what_is_finished_stays_finished() -> None:
    """All twelve through every step: nothing is left to make, whatever day it is."""
    plan = placed(CUPS).plan
    over = replace(plan, loads=tuple(replace(load, done=True) for load in plan.loads))

    assert remainder(SHOP.catalogue, over, CUPS) == {}
    assert mend(SHOP, over, [CUPS], (), FRI, FRI).plan == over


# ── withdrawing ──────────────────────────────────────────────────────────────


def stock_only(item: str) -> Shop:
    """Mossgate, where nobody makes an item any more."""
    goods = SHOP.catalogue
    bought = replace(goods.items[item], recipe=None)
    return replace(SHOP, catalogue=replace(goods, items={**goods.items, item: bought}))


def test_an_order_from_stock_only_that_came_short_waits_and_keeps_what_is_there() -> None:
    """12 are asked for and 5 are left: the 5 are picked, and the maker is told of the other 7; the plan can be done."""
    shop, asked = stock_only("FRN"), mossgate.demand("FRN", 12)
    stock = [lot(asked.sku, MON, 5)]

    outcome = mend(shop, Plan(), [asked], stock, MON, MON)

    assert [pick.pieces for pick in outcome.plan.picks] == [5]
    assert [(one.demand, "7 more are asked for than are free" in one.because) for one in outcome.waiting] == [
        ("A", True)
    ]
    found = check(shop, outcome.plan, [asked], stock, MON)
    assert [(breach.kind, breach.rule) for breach in found] == [("promise", "waits")]


def test_what_is_done_stays_in_the_plan_whatever_the_recipe_says_now() -> None:
    """12 cups were poured; the step is called otherwise since. Somebody else's order leaves the pour as it was."""
    plan = finished(placed(mossgate.demand("SUC", 12)).plan, MON)
    renamed = tuple(replace(load, portions=tuple(p._replace(operation="fill") for p in load.portions)) if load.done
                    else load for load in plan.loads)  # fmt: skip

    after = insert(SHOP, replace(plan, loads=renamed), [mossgate.demand("FRN", 12, key="B", rank=1)], [], TUE).plan

    assert [load for load in after.loads if load.done] == [load for load in renamed if load.done]
    assert any(load.done for load in renamed)


def test_fewer_than_no_pieces_are_refused() -> None:
    """One good demand beside one of less than nothing."""
    asked = Asked(on=MON, at=time(9), cut_off=time(14), carrier_days=2)
    demands = [mossgate.demand("SUC", 12), mossgate.demand("FRN", -5, key="B")]

    with pytest.raises(Refusal) as refused:
        promise(SHOP, Plan(), demands, [], asked)
    assert refused.value.code == "empty"


def test_a_withdrawn_order_frees_its_loads_and_picks() -> None:
    """Nothing of it is left; the other order is as it was."""
    stock = [lot(Sku("FRN", "RG"), MON, 5)]
    gone, stays = mossgate.demand("FRN", 12, key="A"), mossgate.demand("SUC", 12, key="B")
    plan = insert(SHOP, Plan(), [gone, stays], stock, MON).plan
    left = without(SHOP, plan, {"A"}, stock, MON)

    assert [pick.pieces for pick in plan.picks] == [5]
    assert left.of("A") == Plan()
    assert left.of("B") == plan.of("B")


def test_casts_of_a_withdrawn_order_stay_when_another_counts_on_them() -> None:
    """7 cups: 7 / 0.92 = 7.6: 8 casts give 7.36; the 0.36 over serve the next order, which casts fewer."""
    first = mossgate.demand("SUC", 7, key="A")
    second = mossgate.demand("SUC", 12, key="B")
    stock = [lot(SUC, MON, 1)]
    plan = insert(SHOP, Plan(), [first, second], stock, MON).plan
    short = sum(p.pieces for load in plan.of("B").loads for p in load.portions if p.sku == ROSETTE) * D("0.92")
    assert short < 12
    left = without(SHOP, plan, {"A"}, stock, MON)

    assert not left.picks
    assert {p.sku for load in left.of("A").loads for p in load.portions} == {ROSETTE}
    assert check(SHOP, left, [second], stock, MON) == ()


# ── whole loads ──────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("item", "step", "pieces", "loads"),
    [
        # floor(4,000 x 0.97 / 180) = 21 jars a pot; 120 = 5 x 21 + 15
        ("PEB", 0, 120, [21, 21, 21, 21, 21, 15]),
        # 25 x 150 / 0.97 = 3,865.98 of 4,000 g; 26: 4,020.62 g
        ("SUC", 0, 25, [25]),
        ("SUC", 0, 26, [25, 1]),
        # 12 places a bowl: 25 = 2 x 12 + 1
        ("SUC", 1, 25, [12, 12, 1]),
        # floor(1,000 x 0.97 / 20) = 48 jars a pot of seal; 120 = 2 x 48 + 24
        ("PEB", 1, 120, [48, 48, 24]),
        # 632 = 31 x 20 + 12 turns
        ("PEBBLE", 0, 632, [20] * 31 + [12]),
        ("SUC", 0, 0, []),
    ],
)
def test_pieces_take_whole_loads(item: str, step: int, pieces: int, loads: list[int]) -> None:
    """A pot is not filled by half a jar; what is left over begins another one."""
    bench = Bench(SHOP, Plan(), (), MON)
    sku = Sku(item, "RG" if SHOP.catalogue.items[item].scented else "")
    bench.book(Task(sku, SHOP.catalogue.steps(item)[step]), MON, pieces, "1")

    assert [load.pieces for load in bench.plan().loads] == loads
