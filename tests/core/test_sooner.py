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
from wholesale.core.orders import Basket, BasketLine
from wholesale.core.production import alternatives, baskets
from wholesale.core.production.alternatives import Asking, sooner
from wholesale.core.production.baskets import Ground, Held, around, asked_for, demands_of, leaving_days, without_held
from wholesale.core.production.check import check
from wholesale.core.production.promise import Asked, Promise, promise, promise_on
from wholesale.core.production.work import Demand, Plan

#: The same cases on every machine.
CASES = settings(max_examples=25, deadline=None, derandomize=True, database=None)
SEARCH = settings(CASES, max_examples=150, phases=[Phase.generate], report_multiple_bugs=False, print_blob=False)
ASKED = Asked(on=date(2026, 3, 2), at=time(9), cut_off=time(14), carrier_days=2)
SHOP = mossgate.shop()
PACKS = {"SUC": 6, "PEB": 6, "FRN": 12}


@st.composite
def some_baskets(draw: st.DrawFn, most_cases: int = 12) -> Basket:
    """One to three lines, each of another product or scent."""
    skus = draw(st.lists(st.sampled_from([(i, s) for i in PACKS for s in ("RG", "CF")]), min_size=1, max_size=3,
                         unique=True))  # fmt: skip
    cases = [draw(st.integers(1, most_cases)) for _ in skus]
    lines = [BasketLine(item=i, cases=n, mix=((s, PACKS[i]),)) for (i, s), n in zip(skus, cases, strict=True)]
    return Basket(lines=tuple(lines))


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
    found, placed = promise_on(bench, demands_of(wanted), ASKED)
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


@CASES
@given(some_baskets(), some_baskets(20))
def test_an_alternative_that_is_taken_at_once_is_promised_its_date(before: Basket, wanted: Basket) -> None:
    offers_come_true(before, wanted)


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

    def flattering(trial: Any, parts: Any) -> Any:
        days, demands = place(trial, parts)
        return tuple(day - timedelta(days=1) for day in days), demands

    monkeypatch.setattr(alternatives._Trial, "_place", flattering)
    assert is_broken(offers_come_true)


def test_parts_shared_with_a_held_basket_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Casts that a held basket leaves over are free for everybody, and gone when the hold lapses."""
    monkeypatch.setattr(baskets, "_free_parts", lambda _: {})
    assert is_broken(held_days_are_kept)
