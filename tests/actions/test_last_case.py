"""Two buyers for the last case, again and again, on PostgreSQL."""

import threading
from collections.abc import Callable, Iterator

import pytest
from django.db import connection
from django.db.models import Sum

from accounts.models import Shop, User
from tests import builders
from wholesale import clock
from wholesale.actions import ledger, orders
from wholesale.core.catalogue import Sku
from wholesale.models import Load, LoadPortion, Lot, Order, OrderLineScent, Reservation, Setting, ShopAccount
from wholesale.queries import catalogue, production

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]

ROUNDS = 200
TINS = Sku("FRN", "CF")


@pytest.fixture
def buyers() -> list[tuple[Shop, User]]:
    """Two shops that have ordered before, and 12 fern tins in cedar frame: one case."""
    builders.mossgate_rows(stock=True)
    Setting.objects.update_or_create(name="reorder_minimum", defaults={"value": "0"})
    lot = Lot.objects.get(code="M-0217")
    ledger.move(lot, -12, ledger.Why(reason="scrap"))
    shops = [builders.shop("corner"), builders.shop("lantern")]
    for shop in shops:
        ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return [(shop, builders.member(shop)) for shop in shops]


@pytest.mark.timeout(900)
def test_one_of_two_buyers_gets_the_last_case_two_hundred_times(
    buyers: list[tuple[Shop, User]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """12 tins, two orders of 12 at the same moment: one is served from the lot, 12 are poured for the other."""
    goods = catalogue.catalogue(clock.today())
    # The recipes stand still here: read once, they leave the time to the race.
    monkeypatch.setattr(catalogue, "catalogue", lambda _: goods)
    basket = builders.basket(("FRN", 1, "CF"))

    def placing(shop: Shop, by: User) -> Callable[[int], object]:
        return lambda number: orders.place(by=by, shop=shop.slug, basket=basket, token=f"round {number}")

    winners = [_winner() for _ in rounds(*[placing(shop, by) for shop, by in buyers])]

    assert len(winners) == ROUNDS
    assert set(winners) <= {"corner", "lantern"}
    assert Lot.objects.get(code="M-0217").on_hand == 12


def rounds(*acts: Callable[[int], object]) -> Iterator[int]:
    """Run all acts together, each on a connection of its own, round after round; yield after each of them."""
    start, end = threading.Barrier(len(acts) + 1, timeout=60), threading.Barrier(len(acts) + 1, timeout=60)
    raised: list[BaseException] = []

    def run(act: Callable[[int], object]) -> None:
        for number in range(ROUNDS):
            start.wait()
            try:
                act(number)
            except BaseException as error:  # noqa: BLE001  (raised again below, on the test's own thread)
                raised.append(error)
            end.wait()
        connection.close()

    threads = [threading.Thread(target=run, args=(act,), daemon=True) for act in acts]
    for thread in threads:
        thread.start()
    for number in range(ROUNDS):
        start.wait()
        end.wait()
        if raised:
            raise raised[0]
        yield number
        _forget_orders()
    for thread in threads:
        thread.join()


def _winner() -> str:
    """Who got the case; nothing is below zero, nothing is promised twice, and the other one is planned."""
    lot = Lot.objects.get(code="M-0217")
    reservation = Reservation.objects.select_related("order_scent__line__order__shop").get()
    booked = lot.movements.aggregate(sum=Sum("quantity"))["sum"]
    assert (lot.on_hand, booked, reservation.lot_id, reservation.pieces) == (12, 12, lot.pk, 12)
    assert not [row for row in production.free_stock() if row.sku == TINS]
    first, second = (
        OrderLineScent.objects.get(pk=reservation.order_scent_id),
        OrderLineScent.objects.exclude(pk=reservation.order_scent_id).get(),
    )
    poured = LoadPortion.objects.filter(order_scent=second, operation="pour").aggregate(sum=Sum("pieces"))["sum"]
    assert (poured, first.portions.count()) == (12, 0)
    assert first.line.order.promised_leaves == clock.today() < second.line.order.promised_leaves
    return str(first.line.order.shop.slug)


def _forget_orders() -> None:
    """Begin the next round with an empty plan and all 12 tins free."""
    Reservation.objects.all().delete()
    LoadPortion.objects.all().delete()
    Load.objects.all().delete()
    Order.objects.all().delete()
