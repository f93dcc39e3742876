"""A bench is lent again while its ground is the same, as it was when it was first built."""

from dataclasses import replace

import pytest

from tests import builders
from wholesale.core.production.baskets import Ground, demands_of, put_in
from wholesale.core.production.work import Plan
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop
from wholesale.queries.benches import bench_on

pytestmark = pytest.mark.django_db
CUPS = builders.basket(("SUC", 2, "RG"))


def ground() -> Ground:
    """The demo workshop's plan with its orders, read anew."""
    settings = workshop.workshop()
    return quotes.standing_plan(production.planner(settings), settings)


@pytest.fixture(autouse=True)
def _orders() -> None:
    builders.mossgate_rows(stock=True, orders=True)


def test_an_equal_ground_is_lent_the_same_bench_with_nothing_left_on_it() -> None:
    asked = quotes.asked_now(workshop.workshop())
    with bench_on(ground(), asked) as (stands, _, first):
        before = first.plan()
        assert put_in(first, demands_of(CUPS))
        assert first.plan() != before
    with bench_on(ground(), asked) as (same, _, second):
        assert (same, second) == (stands, first)
        assert second is first
        assert second.plan() == before


@pytest.mark.parametrize("changed", ["plan", "stock", "shop"])
def test_another_ground_is_not_lent_it(changed: str) -> None:
    asked, now = quotes.asked_now(workshop.workshop()), ground()
    others = {
        "plan": replace(now, plan=Plan(loads=now.plan.loads[1:], picks=now.plan.picks)),
        "stock": replace(now, stock=now.stock[1:]),
        "shop": replace(now, shop=replace(now.shop, horizon_days=now.shop.horizon_days + 1)),
    }
    with bench_on(now, asked) as first:
        pass
    with bench_on(others[changed], asked) as second:
        assert second.bench is not first.bench


def test_two_users_never_have_the_same_bench() -> None:
    asked, now = quotes.asked_now(workshop.workshop()), ground()
    with bench_on(now, asked) as mine, bench_on(now, asked) as yours:
        assert mine.bench is not yours.bench


def test_after_an_error_a_bench_is_not_lent_again() -> None:
    asked, now = quotes.asked_now(workshop.workshop()), ground()
    with pytest.raises(ZeroDivisionError), bench_on(now, asked) as broken:
        raise ZeroDivisionError
    with bench_on(now, asked) as other:
        assert other.bench is not broken.bench


def test_a_quote_is_the_same_on_a_bench_that_served_before() -> None:
    shop = builders.shop("corner")
    first, second = (quotes.quote(shop, CUPS, alternatives=True) for _ in range(2))
    assert first.promise
    assert (second.promise, second.outcome, second.sooner) == (first.promise, first.outcome, first.sooner)
