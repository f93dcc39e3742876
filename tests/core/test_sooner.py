"""Laws of "sooner if" and of held baskets, for random baskets on a bench with random orders; each with its mutation.

An alternative that is taken at once is promised the days that were shown; a basket at
checkout keeps its day whatever is placed meanwhile, and nothing of it is in the plan.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, time, timedelta
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.orders import Basket, BasketLine
from wholesale.core.production import alternatives, baskets, evidence
from wholesale.core.production.alternatives import Asking, sooner
from wholesale.core.production.baskets import (
    Ground,
    Held,
    around,
    asked_for,
    demands_of,
    leaving_days,
    put_in,
    without_held,
)
from wholesale.core.production.bench import Bench
from wholesale.core.production.check import check
from wholesale.core.production.evidence import Memory
from wholesale.core.production.promise import Asked, Promise, promise, promise_on
from wholesale.core.production.tasks import Task
from wholesale.core.production.work import Demand, Load, Plan, Portion, Work

#: The same cases on every machine.
CASES = settings(max_examples=25, deadline=None, derandomize=True, database=None)
SEARCH = settings(CASES, max_examples=150, phases=[Phase.generate], report_multiple_bugs=False, print_blob=False)
ASKED = Asked(on=date(2026, 3, 2), at=time(9), cut_off=time(14), carrier_days=2)
SHOP = mossgate.shop()
GOODS = SHOP.catalogue
TUE_3 = date(2026, 3, 3)
PACKS = {"SUC": 6, "PEB": 6, "FRN": 12}


@st.composite
def some_baskets(draw: st.DrawFn, most_cases: int = 12) -> Basket:
    """One to three lines, each of another product or scent; some not wanted before a day, some fetched."""
    skus = draw(st.lists(st.sampled_from([(i, s) for i in PACKS for s in ("RG", "CF")]), min_size=1, max_size=3,
                         unique=True))  # fmt: skip
    cases = [draw(st.integers(1, most_cases)) for _ in skus]
    lines = [BasketLine(item=i, cases=n, mix=((s, PACKS[i]),)) for (i, s), n in zip(skus, cases, strict=True)]
    wanted_from = draw(st.none() | st.integers(8, 60).map(lambda days: ASKED.on + timedelta(days=days)))
    return Basket(lines=tuple(lines), wanted_from=wanted_from, pick_up=draw(st.booleans()))


def promised(ground: Ground, basket: Basket, key: str) -> tuple[list[Promise], list[Demand], Plan]:
    """A basket promised shipment by shipment: the promises, the demands, the plan with them."""
    found: list[Promise] = []
    demands: list[Demand] = []
    plan = ground.plan
    for number, part in enumerate(basket.shipments()):
        own = demands_of(part, f"{key}{number}:")
        one, outcome = promise(SHOP, plan, own, ground.stock, asked_for(basket, ASKED))
        found, demands, plan = [*found, one], [*demands, *own], outcome.plan
    return found, demands, plan


def offers_come_true(before: Basket, wanted: Basket) -> None:
    """Each alternative, taken at once, is promised what was shown, sooner than before, by a plan without a fault."""
    _, others, plan = promised(Ground(shop=SHOP, plan=Plan(), stock=()), before, "o")
    ground = Ground(shop=SHOP, plan=plan, stock=())
    bench = ground.bench(ASKED)
    mark, as_it_was = bench.mark(), bench.plan()
    found, placed = promise_on(bench, demands_of(wanted), asked_for(wanted, ASKED))
    bench.back_to(mark)
    offers = sooner(Asking(ground=ground, basket=wanted, asked=ASKED, promised=found, placed=placed), bench)

    assert bench.plan() == as_it_was
    for other in offers:
        days, demands, then = promised(ground, other.basket, "n")
        assert (days[0].leaves, days[-1].leaves) == (other.leaves, other.rest_leaves or other.leaves)
        assert other.arrives < found.arrives
        assert (other.rest_leaves or other.leaves) <= found.leaves
        assert check(SHOP, then, [*others, *demands], ()) == ()


def held_days_are_kept(held: Basket, meanwhile: Basket) -> None:
    """What is placed around a held basket is sound without it, and leaves it its day."""
    empty = Ground(shop=SHOP, plan=Plan(), stock=())
    keeps = Held(key=1, basket=held, asked=ASKED)
    (kept,) = leaving_days(empty, [keeps])
    _, demands, plan = promised(around(empty, [keeps]), meanwhile, "n")
    written = without_held(plan)

    assert {portion.demand for load in written.loads for portion in load.portions} <= {d.key for d in demands}
    assert check(SHOP, written, demands, ()) == ()
    (later,) = leaving_days(replace(empty, plan=written), [keeps])
    assert kept is not None
    assert later is not None
    assert later <= kept


def memory_changes_nothing(one: Basket, other: Basket) -> None:
    """Plans judged one after the other with one memory, each load missing once or there twice, are judged as alone."""
    ground = Ground(shop=SHOP, plan=Plan(), stock=())
    _, demands, plan = promised(ground, one, "o")
    _, more, then = promised(replace(ground, plan=plan), other, "n")
    memory, demands = Memory(), [*demands, *more]
    faulty = [replace(then, loads=(*then.loads[:at], *then.loads[at + 1 :])) for at in range(len(then.loads))]
    for judged in (plan, then, *faulty, then):
        assert check(SHOP, judged, demands, (), memory=memory) == check(SHOP, judged, demands, ())
    for load in then.loads:
        # The very same load twice, and a load and its copy.
        found = [replace(then, loads=(*then.loads, other)) for other in (load, replace(load))]
        assert check(SHOP, found[0], demands, (), memory=memory) == check(SHOP, found[1], demands, ())


def rooms(bench: Bench) -> list[int | date | None]:
    """What a bench says of the room for every step of the products: on each of 20 days, and the first day with some."""
    days = [ASKED.on + timedelta(days=n) for n in range(20)]
    steps = [Task(Sku(item, scent), step) for item in PACKS for scent in ("RG", "CF") for step in GOODS.steps(item)]
    found = [bench.room(task, day) for task in steps for day in days]
    return [*found, *(bench.first_room(task, days[0], days[-1]) for task in steps)]


def what_is_undone_leaves_no_trace(before: Basket, tried: Basket) -> None:
    """A bench on which a basket was tried has the room and the plan of one on which it never was, while and after."""
    _, _, plan = promised(Ground(shop=SHOP, plan=Plan(), stock=()), before, "o")
    ground = Ground(shop=SHOP, plan=plan, stock=())
    bench, there = ground.bench(ASKED), ground.bench(ASKED)
    mark = bench.mark()
    # Two baskets whose demands have the same names, in another order.
    for basket in (replace(tried, lines=tried.lines[::-1]), tried):
        put_in(bench, demands_of(basket))
        bench.back_to(mark)
    assert rooms(bench) == rooms(ground.bench(ASKED))
    put_in(bench, demands_of(tried))
    put_in(there, demands_of(tried))
    assert (rooms(bench), bench.plan()) == (rooms(there), there.plan())
    bench.back_to(mark)
    assert (rooms(bench), bench.plan()) == (rooms(ground.bench(ASKED)), plan)
    assert {id(load) for load in bench.plan().loads} == {id(load) for load in plan.loads}


@CASES
@given(some_baskets(), some_baskets(20))
def test_an_alternative_that_is_taken_at_once_is_promised_its_date(before: Basket, wanted: Basket) -> None:
    offers_come_true(before, wanted)


@CASES
@given(some_baskets(), some_baskets())
def test_what_is_undone_on_a_bench_leaves_no_trace(before: Basket, tried: Basket) -> None:
    what_is_undone_leaves_no_trace(before, tried)


@settings(CASES, max_examples=10)
@given(some_baskets(2), some_baskets(2))
def test_what_a_check_remembers_of_other_plans_changes_nothing(one: Basket, other: Basket) -> None:
    memory_changes_nothing(one, other)


@CASES
@given(some_baskets(), some_baskets())
def test_a_held_basket_keeps_its_day_whatever_is_placed_meanwhile(held: Basket, meanwhile: Basket) -> None:
    held_days_are_kept(held, meanwhile)


def is_broken(law: Callable[[Basket, Basket], None]) -> bool:
    """Whether a law fails on one of its cases."""

    @SEARCH
    @given(some_baskets(), some_baskets(20))
    def run(one: Basket, other: Basket) -> None:
        law(one, other)

    try:
        run()
    except AssertionError:
        return True
    return False


def test_an_alternative_a_day_too_good_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A trial says the day before the one the bench found."""
    place = alternatives._Trial._place

    def flattering(trial: Any, *given: Any) -> Any:
        return [put._replace(leaves=put.leaves - timedelta(days=1)) for put in place(trial, *given)]

    monkeypatch.setattr(alternatives._Trial, "_place", flattering)
    assert is_broken(offers_come_true)


def test_loads_that_a_memory_does_not_let_go_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What came is counted, what is gone stays."""
    changed = evidence._changed
    monkeypatch.setattr(evidence, "_changed", lambda pieces, _, came: changed(pieces, {}, came))
    assert is_broken(memory_changes_nothing)


def test_room_that_is_remembered_from_before_a_booking_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is booked on a day leaves its room as it was known."""
    monkeypatch.setattr(Bench, "_know", lambda bench, day, _: bench._rooms[day])
    assert is_broken(what_is_undone_leaves_no_trace)


def test_parts_shared_with_a_held_basket_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Casts that a held basket leaves over are free for everybody, and gone when the hold lapses."""
    monkeypatch.setattr(baskets, "_free_parts", lambda _: {})
    assert is_broken(held_days_are_kept)


def test_a_day_that_was_too_full_before_is_not_a_new_order_s_fault() -> None:
    """Three pots stand on Tue 3, where two are the most: 12 tins of another bowl that day are sound beside them."""
    base = Work("POT-A", Sku("BASE", "CF"))
    pots = tuple(
        Load(work=base, day=TUE_3, portions=(Portion(f"o{n}", Sku("SUC", "CF"), "pour", 1),)) for n in range(3)
    )
    ground = Ground(shop=SHOP, plan=Plan(loads=pots), stock=())
    basket = Basket(lines=(BasketLine(item="FRN", cases=1, mix=(("RG", 12),)),))
    bench, demands = ground.bench(ASKED), demands_of(basket)
    assert put_in(bench, demands)
    plan = bench.plan()

    assert {breach.rule for breach in ground.faults_of(plan, demands)} == {"quota"}
    assert ground.new_faults_of(plan, demands) == ()
    # A fourth pot of the order's own on its own day is its fault.
    mine = next(load for load in plan.loads if load.work.equipment == "POT-A" and load not in pots)
    more = replace(plan, loads=(*plan.loads, replace(mine), replace(mine)))
    assert "quota" in {breach.rule for breach in ground.new_faults_of(more, demands)}
