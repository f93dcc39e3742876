"""Two shops that want the last load at the same moment, on PostgreSQL.

Four bowls of 12 are 48 fern tins a day: two baskets of 36 can't both be piped on Friday 6.
"""

from collections.abc import Callable
from datetime import date

import pytest

from accounts.models import Shop
from tests import builders
from tests.actions.test_two_at_once import at_once
from wholesale.actions import holding, orders
from wholesale.models import HeldBasket, Order, ShopAccount

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]
TINS = builders.basket(("FRN", 3, "RG"))
SOON, LATER = date(2026, 3, 16), date(2026, 3, 19)


@pytest.fixture
def shops() -> list[Shop]:
    """Two shops that ordered before."""
    builders.mossgate_rows()
    found = [builders.shop("corner"), builders.shop("lantern")]
    for shop in found:
        ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return found


def hold(shop: Shop) -> Callable[[], object]:
    by = builders.member(shop)
    return lambda: holding.hold(by=by, shop=shop.slug, basket=TINS)


def place(shop: Shop) -> Callable[[], object]:
    by = builders.member(shop)
    return lambda: orders.place(by=by, shop=shop.slug, basket=TINS, token=shop.slug)


def test_only_one_of_two_shops_is_held_the_last_load(shops: list[Shop]) -> None:
    """One basket is held for Mon 16, the other for Thu 19, and each is placed on the day it was held for."""
    at_once(*[hold(shop) for shop in shops])

    held = {row.shop.slug: row.leaves for row in HeldBasket.objects.select_related("shop")}
    assert sorted(held.values()) == [SOON, LATER]
    at_once(*[place(shop) for shop in shops])
    assert {order.shop.slug: order.promised_leaves for order in Order.objects.select_related("shop")} == held


def test_a_double_click_holds_one_place(shops: list[Shop]) -> None:
    at_once(*[hold(shops[0])] * 4)

    assert HeldBasket.objects.count() == 1


def test_an_order_and_a_hold_at_the_same_moment_share_no_load(shops: list[Shop]) -> None:
    """Whoever comes first has Mon 16: the other one is told Thu 19."""
    at_once(place(shops[0]), hold(shops[1]))

    assert sorted([Order.objects.get().promised_leaves, HeldBasket.objects.get().leaves]) == [SOON, LATER]
