"""Two phones at one batch at the same moment, on PostgreSQL: one of them is told, and nothing is taken twice."""

from collections.abc import Callable

import pytest
from django.db.models import Sum

from tests import builders
from tests.actions.rows import at_once
from wholesale.actions import batches
from wholesale.actions.batches import Made
from wholesale.core.values import Conflict
from wholesale.models import Load, Lot, ShopAccount, StockMovement, Weighing

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def pour() -> Load:
    """Twelve cups to pour, with wax and oil in stock."""
    builders.mossgate_rows(stock=True)
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    builders.place(shop, ("SUC", 2, "RG"))
    return Load.objects.get(portions__operation="pour")


def told(act: Callable[[], str]) -> Callable[[], str]:
    """The act's batch number, or what the second phone is told."""

    def tried() -> str:
        try:
            return act()
        except Conflict as conflict:
            return conflict.message

    return tried


def test_a_load_marked_done_from_two_phones_is_done_once(pour: Load) -> None:
    by = builders.helper()
    act = told(lambda: batches.mark_done(by=by, load=pour.pk, made=Made()))

    found = at_once([act] * 4)

    message = "This load is already marked done as B-1001; nothing was changed."
    assert sorted(found) == ["B-1001", message, message, message]
    # 12 × 150 / 0.97 / 1.08 = 1,718.21 g of wax, once.
    taken = StockMovement.objects.filter(load=pour, lot__item__code="SOY").aggregate(n=Sum("quantity"))
    assert taken["n"] == -1_718_210


def test_a_load_weighed_from_two_phones_is_weighed_once(pour: Load) -> None:
    by = builders.helper()
    act = told(lambda: batches.weigh(by=by, load=pour.pk, weights={}))

    found = at_once([act] * 4)

    message = "This load is already weighed as B-1001; nothing was changed."
    assert sorted(found) == ["B-1001", message, message, message]
    assert Weighing.objects.count() == 2
    assert Lot.objects.get(code="SOY-2291").on_hand == 45_000_000 - 1_718_210
