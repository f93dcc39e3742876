"""Two buyers at the same moment, on PostgreSQL."""

import threading
from collections.abc import Callable

import pytest
from django.db import connection

from accounts.models import Shop, User
from tests import builders
from wholesale.actions import ledger, orders
from wholesale.models import Item, Load, LoadPortion, Lot, Order, Reservation, ShopAccount

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


def ask(shop: Shop, by: User, cases: int, token: str, what: tuple[str, str] = ("SUC", "RG")) -> Callable[[], object]:
    """An order of one product in one scent, ready to be placed."""
    basket = builders.basket((what[0], cases, what[1]))
    return lambda: orders.place(by=by, shop=shop.slug, basket=basket, token=token)


def test_two_buyers_never_fill_the_same_bowl_twice(buyers: list[tuple[Shop, User]]) -> None:
    """Four bowls of 12 a day are 48 cups; two orders of 30 make 60: one of them tops some on Monday."""
    (first, by_first), (second, by_second) = buyers

    at_once(ask(first, by_first, 5, "a"), ask(second, by_second, 5, "b"))

    bowls: dict[str, list[int]] = {}
    for load in Load.objects.filter(equipment__code="BOWL"):
        bowls.setdefault(f"{load.day}", []).append(sum(p.pieces for p in load.portions.all()))
    assert {day: (len(loads) <= 4, max(loads) <= 12) for day, loads in bowls.items()} == {
        "2026-03-06": (True, True), "2026-03-09": (True, True),
    }  # fmt: skip
    assert sum(map(sum, bowls.values())) == 60
    assert Order.objects.count() == 2


def test_two_buyers_never_have_the_same_pieces_from_stock(buyers: list[tuple[Shop, User]]) -> None:
    """24 fern tins in cedar frame lie on the shelf: two orders of 24 get them once, the others are poured."""
    lot = Lot.objects.create(
        code="M-1", item=Item.objects.get(code="FRN"), scent="CF", made_on="2026-02-18", usable_on="2026-02-28"
    )
    ledger.move(lot, 24, ledger.Why(reason="opening"))

    at_once(*[ask(shop, by, 2, shop.slug, ("FRN", "CF")) for shop, by in buyers])

    assert sum(Reservation.objects.values_list("pieces", flat=True)) == 24
    poured = LoadPortion.objects.filter(operation="pour").values_list("pieces", flat=True)
    assert sum(poured) == 24
    assert len(set(Order.objects.values_list("promised_leaves", flat=True))) == 2


def test_one_token_at_the_same_moment_places_one_order(buyers: list[tuple[Shop, User]]) -> None:
    """A double click whose two requests run side by side."""
    shop, by = buyers[0]

    at_once(*[ask(shop, by, 2, "same")] * 4)

    assert Order.objects.count() == 1
