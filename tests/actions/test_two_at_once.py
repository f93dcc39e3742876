"""Two buyers at the same moment, on PostgreSQL."""

import threading
from collections.abc import Callable

import pytest
from django.db import connection

from accounts.models import Shop, User
from tests import builders
from wholesale.actions import orders
from wholesale.models import Load, Order, ShopAccount

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def at_once(*acts: Callable[[], object]) -> None:
    """Run all acts together, each on its own connection, and raise what any of them raised."""
    start = threading.Barrier(len(acts))
    raised: list[BaseException] = []

    def run(act: Callable[[], object]) -> None:
        try:
            start.wait()
            act()
        except BaseException as error:  # noqa: BLE001  (raised again below, on the test's own thread)
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(act,)) for act in acts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if raised:
        raise raised[0]


@pytest.fixture
def buyers() -> list[tuple[Shop, User]]:
    """Two shops that have ordered before, each with a buyer."""
    builders.mossgate_rows()
    shops = [builders.shop("corner"), builders.shop("lantern")]
    for shop in shops:
        ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return [(shop, builders.member(shop)) for shop in shops]


def ask(shop: Shop, by: User, cases: int, token: str) -> Callable[[], object]:
    """An order of cups, ready to be placed."""
    basket = builders.basket(("SUC", cases, "RG"))
    return lambda: orders.place(by=by, shop=shop.slug, basket=basket, token=token)


def test_two_buyers_never_fill_the_same_bowl_twice(buyers: list[tuple[Shop, User]]) -> None:
    """Four bowls of 12 a day are 48 cups; two orders of 30 make 60: one of them tops some on Monday."""
    (first, by_first), (second, by_second) = buyers

    at_once(ask(first, by_first, 5, "a"), ask(second, by_second, 5, "b"))

    friday = Load.objects.filter(equipment__code="BOWL", day="2026-03-06")
    topped = sum(sum(p.pieces for p in load.portions.all()) for load in friday)
    assert friday.count() <= 4
    assert topped <= 48
    assert Order.objects.count() == 2


def test_one_token_at_the_same_moment_places_one_order(buyers: list[tuple[Shop, User]]) -> None:
    """A double click whose two requests run side by side."""
    shop, by = buyers[0]

    at_once(*[ask(shop, by, 2, "same")] * 4)

    assert Order.objects.count() == 1
