"""Lists ask as many questions however long they are, and these are the questions.

The lists whose own tests say so already: order sheet and orders (`test_shop_sheet`,
`test_shop_orders`), queue and day sheet (`test_maker_bench`), invoices
(`test_maker_trade`), the API's (`tests/api/test_api.py`).
"""

from decimal import Decimal

import pytest
from django.test import Client
from pytest_django.fixtures import DjangoAssertNumQueries

from accounts.models import Shop
from tests import builders
from tests.actions import rows
from tests.pages.reading import text
from wholesale import clock
from wholesale.actions import invoicing, orders
from wholesale.models import Order

pytestmark = pytest.mark.django_db


@pytest.fixture
def corner() -> Shop:
    """A shop of the demo workshop with two orders that wait for their deposit, and one that is packed and billed."""
    builders.mossgate_rows()
    shop = builders.shop("corner")
    for _ in range(2):
        order = builders.place(shop, ("SUC", 4, "RG"))
        Order.objects.filter(pk=order.pk).update(deposit_minor=1000)
    billed(shop, ("SUC", 2, "RG"))
    return shop


def billed(shop: Shop, *lines: builders.Line) -> Order:
    """An order with a shipment, an invoice, and a payment of 10.00 on it."""
    maker = builders.maker()
    order = builders.place(shop, *lines)
    orders.confirm(by=maker, number=order.number)
    bill = invoicing.issue(by=maker, shipment=rows.shipment(order).number)
    invoicing.record_payment(
        by=maker, shop=shop.slug, amount=Decimal(10), received_on=clock.today(), reference="", invoice=bill,
        token=order.number,
    )  # fmt: skip
    return order


def three_more(shop: Shop) -> None:
    """Three more orders, of more lines, billed and paid in part."""
    for _ in range(3):
        billed(shop, ("SUC", 2, "RG"), ("PEB", 2, {"RG": 2, "CF": 2, "WS": 2}), ("FRN", 1, "WS"))


def who(shop: Shop, url: str) -> Client:
    """Somebody the page is for, signed in."""
    client = Client()
    client.force_login(builders.maker() if url.startswith("/bench/") else builders.member(shop))
    return client


@pytest.mark.parametrize(
    ("url", "count"),
    [
        # session, user (2) · workshop for the head (1) · settings, owed, shops (3)
        ("/bench/shops/", 6),
        # session, user (2) · workshop (1) · account: shop, settings, orders with a deposit, held, money on account
        # from payments and credits, open invoices, payments, deposits (9) · facts: shop, address, orders (3)
        ("/bench/shops/corner/", 15),
        # session, user, membership (3) · account (9) · addresses, settings (2) · page: membership, workshop (2)
        ("/shops/corner/account/", 16),
    ],
)
def test_a_list_asks_the_same_number_of_questions_however_long_it_is(
    corner: Shop, django_assert_num_queries: DjangoAssertNumQueries, url: str, count: int
) -> None:
    client = who(corner, url)
    with django_assert_num_queries(count):
        short = client.get(url)
    three_more(corner)
    for number in range(3):
        builders.shop(f"lantern-{number}")

    with django_assert_num_queries(count):
        long = client.get(url)
    assert short.content.count(b"<tr") < long.content.count(b"<tr")


@pytest.mark.parametrize(
    ("url", "count"),
    [
        # session, user (2) · workshop for the head (1) · settings (1) · catalogue (7), calendar (2), equipment out (1)
        # · loads, portions (2) · orders of these weeks (1) · demands: orders, the shelf (2) · plan: loads, portions (2)
        # · deposits waited for (1) · promised before (1)
        ("/bench/plan/", 23),
        # session, user (2) · workshop (1) · settings, catalogue, calendar, equipment out (11) · loads, portions (2)
        ("/bench/capacity/", 16),
    ],
)
def test_a_chart_asks_the_same_number_of_questions_however_full_the_weeks_are(
    corner: Shop, django_assert_num_queries: DjangoAssertNumQueries, url: str, count: int
) -> None:
    client = who(corner, url)
    with django_assert_num_queries(count):
        short = client.get(url)
    three_more(corner)

    with django_assert_num_queries(count):
        long = client.get(url)
    assert len(short.content) < len(long.content)


@pytest.mark.parametrize("lines", [1, 3])
def test_an_order_at_the_bench_asks_as_much_for_one_line_as_for_three(
    corner: Shop, django_assert_num_queries: DjangoAssertNumQueries, lines: int
) -> None:
    order = builders.place(corner, *[("SUC", 2, scent) for scent in ("RG", "CF", "WS")[:lines]])
    orders.confirm(by=builders.maker(), number=order.number)
    client = who(corner, "/bench/")

    # session, user (2) · the order, what it needs, its lines, steps, lots and events (19) · deposits waited for (1) ·
    # what is ready of it (14) · shipments, invoices, papers (4) · workshop for the head (1)
    with django_assert_num_queries(41):
        page = client.get(f"/bench/orders/{order.number}/")
    assert page.content.count(b"Succulent cup") >= lines


@pytest.mark.parametrize("lines", [1, 3])
def test_a_changed_quantity_asks_as_much_for_one_line_as_for_three(
    corner: Shop, django_assert_num_queries: DjangoAssertNumQueries, lines: int
) -> None:
    fields = {f"c-SUC-{scent}": "2" for scent in ("RG", "CF", "WS")[:lines]}
    client = who(corner, "/shops/")

    # session, user, membership (3) · sheet (9) · settings, version, catalogue (6), calendar (2), equipment out, prices,
    # tiers, account (3), live holds, plan (2), samples, stock, deliveries (22 in all)
    with django_assert_num_queries(34):
        page = client.post("/shops/corner/order/panel/", fields)
    assert f"{2 * lines} cases" in text(page)
