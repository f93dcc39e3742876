"""A shop's orders, its papers, its account and the front door."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client

from accounts.models import Membership, Shop
from tests import builders
from wholesale import clock
from wholesale.actions import events
from wholesale.actions import orders as order_actions
from wholesale.models import Document, Order, Shipment, ShopAccount

pytestmark = pytest.mark.django_db
ORDERS = "/shops/fern-and-fable/orders/"


@pytest.fixture
def shop(client: Client) -> Shop:
    """A shop that ordered before; its buyer is signed in."""
    builders.mossgate_rows()
    shop = builders.shop("fern-and-fable")
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    client.force_login(builders.member(shop))
    return shop


@pytest.fixture
def order(shop: Shop) -> Order:
    """Two cases of succulent cup and a mixed one of pebble jar, placed in time on Thursday 5 March."""
    return builders.place(shop, ("SUC", 2, "RG"), ("PEB", 1, {"RG": 2, "CF": 2, "WS": 2}), po_number="PO 7")


@pytest.fixture
def both(shop: Shop) -> list[Order]:
    """Three cases of cups and one of pebble jar in two shipments: two cases of cups first, the rest after them."""
    return in_two(shop, ("SUC", 3, "RG"), ("PEB", 1, "CF"), first=(2, 0))


def in_two(shop: Shop, *lines: builders.Line, first: tuple[int, ...]) -> list[Order]:
    """Order in two shipments; both orders, the first one first."""
    basket = replace(builders.basket(*lines), first=first)
    before = set(Order.objects.values_list("pk", flat=True))
    order_actions.place(by=builders.member(shop), shop=shop.slug, basket=basket, token=f"split {len(before)}")
    return list(Order.objects.exclude(pk__in=before).order_by("pk"))


def text(answer: Any) -> str:
    """The page's words, one space between them."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()).replace("\xa0", " "))


def paper(of: Order, kind: str = "confirmation", state: str = "done") -> Document:
    """A paper of the order, with a file when it is done."""
    file = default_storage.save("papers/test.pdf", ContentFile(b"%PDF-1.7 test")) if state == "done" else ""
    now = clock.now()
    return Document.objects.create(kind=kind, order=of, state=state, file=file, due_at=now, created_at=now)


def test_an_order_shows_its_state_lines_amounts_promise_and_history(client: Client, order: Order) -> None:
    page = text(client.get(f"{ORDERS}{order.number}/"))

    assert "Placed, waiting for the workshop to confirm" in page
    assert "PO 7" in page
    assert "Succulent cup SUC · Rain garden" in page
    assert "in each case 2 Rain garden, 2 Cedar frame, 2 Wet stone" in page
    # 2 × 72 + 60 = 204 list, no tier, + 18 freight = 222
    for words in ("$204.00", "$18.00", "$222.00", "204.00 + 18"):
        assert words in page
    assert "Order taken" in page
    assert page.count("This step decides the date") == 1
    # Three scents, two pots a day: the third is poured Fri 6, sealed Mon 9, sellable Thu 19.
    assert "Placed: promised to leave 19 March 2026." in page


@pytest.mark.parametrize("shown", [0, 1])
def test_each_of_two_shipments_shows_both_and_what_they_come_to_together(
    client: Client, both: list[Order], shown: int
) -> None:
    """2 × 72 + 18 = 162 and 72 + 60 + 18 = 150, together 312; both leave Thu 5 + 11 days, two carrier days."""
    page = client.get(f"{ORDERS}{both[shown].number}/")

    one, two = (order.number for order in both)
    here = ["", ""]
    here[shown] = " (this page)"
    assert "Goes in two shipments, together $312.00 before tax" in text(page)
    assert f"{one} : 2 cases, $162.00, with you Wed 18 Mar{here[0]} {two} : 2 cases, $150.00" in text(page)
    assert f'href="{ORDERS}{both[1 - shown].number}/"' in page.content.decode()


def test_a_shipment_that_is_withdrawn_counts_no_longer_to_what_both_come_to(client: Client, both: list[Order]) -> None:
    one, two = both
    order_actions.withdraw(by=builders.member(one.shop), shop=one.shop.slug, number=two.number)

    page = text(client.get(f"{ORDERS}{one.number}/"))

    assert "Ordered in two shipments" in page
    assert "together $" not in page
    assert f"{two.number} : 2 cases, $150.00, withdrawn" in page


def test_orders_placed_one_after_the_other_are_not_shown_as_two_shipments(client: Client, order: Order) -> None:
    builders.place(order.shop, ("SUC", 2, "RG"))

    assert "two shipments" not in text(client.get(f"{ORDERS}{order.number}/"))
    assert "goes with" not in text(client.get(ORDERS))


def test_the_list_says_which_orders_go_together(client: Client, order: Order, both: list[Order]) -> None:
    page = text(client.get(ORDERS))

    one, two = (half.number for half in both)
    assert f"{two} goes with {one}" in page
    assert f"{one} goes with {two}" in page
    assert page.count("goes with") == 2


@pytest.mark.parametrize("number", [0, 1])
def test_ordering_the_same_again_repeats_both_shipments_together(
    client: Client, both: list[Order], number: int
) -> None:
    """2 and 1 cases of cups are 3 again, and the pebble jar comes with them."""
    page = client.get("/shops/fern-and-fable/order/", {"again": both[number].number})

    one, two = (half.number for half in both)
    content = page.content.decode()
    assert f"The cases of {one} and {two}, at today" in text(page)
    assert f"Same as last time ({one} and {two})" in text(page)
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="3"' in content
    assert 'name="c-PEB-CF" id="c-PEB-CF" value="1"' in content


def test_a_mixed_case_that_was_divided_is_one_line_again(client: Client, shop: Shop) -> None:
    mixed = ("PEB", 3, {"RG": 2, "CF": 2, "WS": 2})
    first, _ = in_two(shop, mixed, first=(2,))

    page = client.get("/shops/fern-and-fable/order/", {"again": first.number})

    assert 'name="m-PEB" id="m-PEB" value="3"' in page.content.decode()
    assert "Not repeated" not in text(page)


def test_a_shipment_that_was_given_up_alone_is_not_ordered_again(client: Client, both: list[Order]) -> None:
    one, two = both
    order_actions.withdraw(by=builders.member(one.shop), shop=one.shop.slug, number=two.number)

    page = client.get("/shops/fern-and-fable/order/", {"again": one.number})

    assert f"Same as last time ({one.number})" in text(page)
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="2"' in page.content.decode()


def test_a_shop_reads_its_own_part_of_the_history_only(client: Client, order: Order) -> None:
    events.note(order, None, "remark", "Another shop waits for the same pot.", for_shop=False)

    assert "same pot" not in text(client.get(f"{ORDERS}{order.number}/"))


def test_a_shop_sees_the_promised_day_whatever_the_plan_says_now(client: Client, order: Order) -> None:
    Order.objects.update(planned_leaves=date(2026, 5, 1))

    assert "1 May" not in text(client.get(f"{ORDERS}{order.number}/"))
    assert "1 May" not in text(client.get(ORDERS))


def test_a_placed_order_can_be_withdrawn_once(client: Client, order: Order) -> None:
    first = client.post(f"{ORDERS}{order.number}/withdraw/", follow=True)
    second = client.post(f"{ORDERS}{order.number}/withdraw/", follow=True)

    assert "is withdrawn. Nothing will be made or billed." in text(first)
    assert "Withdraw this order" not in text(first)
    assert "can't become withdrawn any more" in text(second).replace("&#x27;", "'")
    assert Order.objects.get().state == "withdrawn"


def test_a_confirmed_order_offers_no_withdrawing_and_refuses_it(client: Client, order: Order) -> None:
    order_actions.confirm(by=builders.maker(), number=order.number)

    page = text(client.get(f"{ORDERS}{order.number}/"))

    assert "Confirmed" in page
    assert "Withdraw this order" not in page
    client.post(f"{ORDERS}{order.number}/withdraw/")
    assert Order.objects.get().state == "confirmed"


def test_a_refused_order_says_why(client: Client, order: Order) -> None:
    order_actions.refuse(by=builders.maker(), number=order.number, because="The kiln room is closed.")

    page = text(client.get(f"{ORDERS}{order.number}/"))

    assert "Why the workshop refused it The kiln room is closed." in page
    assert "Was to leave" in page


def test_a_first_order_is_told_its_deposit(client: Client, shop: Shop) -> None:
    """5 cases of succulent cup: 360 + 18 = 378; half first = 189."""
    ShopAccount.objects.all().delete()
    order = builders.place(shop, ("SUC", 5, "RG"))

    assert "Deposit of $189.00 by" in text(client.get(f"{ORDERS}{order.number}/"))


def test_a_shipment_shows_carrier_and_tracking(client: Client, order: Order) -> None:
    Shipment.objects.create(
        number="S-1001", order=order, token="t", packed_at=clock.now(), packed_by=builders.maker(),
        shipped_on=date(2026, 3, 16), arrives_on=date(2026, 3, 18), carrier="Post van", tracking="PV-99", cartons=2,
    )  # fmt: skip

    assert "S-1001 Mon 16 Mar Wed 18 Mar Post van PV-99 2" in text(client.get(f"{ORDERS}{order.number}/"))


def test_a_paper_is_polled_until_it_is_ready_and_then_downloaded(client: Client, order: Order) -> None:
    row = paper(order, state="waiting")
    state, file = f"/shops/fern-and-fable/papers/{row.pk}/state/", f"/shops/fern-and-fable/papers/{row.pk}/"

    assert f'hx-get="{state}"' in client.get(f"{ORDERS}{order.number}/").content.decode()
    assert 'hx-trigger="every 2s"' in client.get(state).content.decode()
    assert client.get(file).status_code == 404

    Document.objects.update(state="done", file=default_storage.save("papers/x.pdf", ContentFile(b"%PDF-1.7 test")))

    assert "hx-get" not in client.get(state).content.decode()
    answer = client.get(file)
    assert b"".join(answer.streaming_content) == b"%PDF-1.7 test"  # type: ignore[attr-defined]
    assert answer.headers["Content-Type"] == "application/pdf"
    assert f"order-confirmation-{order.number.lower()}.pdf" in answer.headers["Content-Disposition"]


def test_a_page_that_is_open_is_told_of_a_paper_asked_for_since(client: Client, order: Order) -> None:
    """It asks every 4 s for what it has not got; nothing new is no content, so that nothing moves under a finger."""
    url = f"{ORDERS}{order.number}/"
    assert f'hx-get="{url}?have=none" hx-trigger="every 4s"' in client.get(url).content.decode()
    asking = {"HX-Request": "true"}
    assert client.get(f"{url}?have=none", headers=asking).status_code == 204

    row = paper(order)

    told = client.get(f"{url}?have=none", headers=asking)
    assert text(told).split() == ["Papers", "Order", "confirmation", order.number, "(PDF)", "Ready"]
    assert f'href="/shops/fern-and-fable/papers/{row.pk}/"' in told.content.decode()
    assert client.get(f"{url}?have={row.pk}ready", headers=asking).status_code == 204


def test_a_refused_order_waits_for_no_paper(client: Client, order: Order) -> None:
    order_actions.refuse(by=builders.maker(), number=order.number, because="The kiln room is closed.")

    assert "hx-trigger" not in client.get(f"{ORDERS}{order.number}/").content.decode()


def test_a_batch_sheet_is_no_paper_for_a_shop(client: Client, order: Order) -> None:
    row = paper(order, kind="batch_sheet")

    assert client.get(f"/shops/fern-and-fable/papers/{row.pk}/").status_code == 404
    assert client.get(f"/shops/fern-and-fable/papers/{row.pk}/state/").status_code == 404


def test_another_shop_finds_neither_order_nor_paper(client: Client, order: Order) -> None:
    row = paper(order)
    other = builders.shop("moth-and-moon")
    client.force_login(builders.member(other, "owner"))

    for slug in ("fern-and-fable", "moth-and-moon"):
        assert client.get(f"/shops/{slug}/orders/{order.number}/").status_code == 404
        asked = client.get(f"/shops/{slug}/orders/{order.number}/", headers={"HX-Request": "true"})
        assert asked.status_code == 404
        assert client.post(f"/shops/{slug}/orders/{order.number}/withdraw/").status_code == 404
        assert client.get(f"/shops/{slug}/papers/{row.pk}/").status_code == 404
        assert client.get(f"/shops/{slug}/papers/{row.pk}/state/").status_code == 404
    assert client.get("/shops/fern-and-fable/account/").status_code == 404
    assert client.get(ORDERS).status_code == 404
    assert Order.objects.get().state == "placed"


def test_a_reader_sees_orders_but_may_not_withdraw(client: Client, order: Order) -> None:
    client.force_login(builders.member(order.shop, "reader"))

    page = text(client.get(f"{ORDERS}{order.number}/"))

    assert "Succulent cup" in page
    assert "Withdraw this order" not in page
    assert client.post(f"{ORDERS}{order.number}/withdraw/").status_code == 403
    assert Order.objects.get().state == "placed"


@pytest.mark.parametrize("path", ["orders/", "orders/W-1001/", "account/", "papers/1/", "papers/1/state/"])
def test_nobody_is_sent_to_sign_in(shop: Shop, path: str) -> None:
    answer = Client().get(f"/shops/fern-and-fable/{path}")

    assert answer.status_code == 302
    assert answer.url.startswith("/accounts/login/")  # type: ignore[attr-defined]


@pytest.mark.parametrize("orders", [1, 4])
def test_the_list_asks_the_same_number_of_queries_for_1_and_for_4_orders(
    client: Client, shop: Shop, orders: int, django_assert_num_queries: Callable[..., Any]
) -> None:
    for _ in range(orders):
        builders.place(shop, ("SUC", 2, "RG"))

    in_two(shop, ("SUC", 2, "RG"), first=(1,))

    # session, user, membership; how many orders, the orders with their cases, their other shipments; page: membership,
    # workshop
    with django_assert_num_queries(8):
        page = client.get(ORDERS)
    assert text(page).count("Placed, waiting") == orders + 2


@pytest.mark.parametrize("lines", [1, 3])
def test_an_order_asks_the_same_number_of_queries_for_1_and_for_3_lines(
    client: Client, shop: Shop, lines: int, django_assert_num_queries: Callable[..., Any]
) -> None:
    order = builders.place(shop, *[("SUC", 2, scent) for scent in ("RG", "CF", "WS")[:lines]])

    # session, user, membership; order, its other shipment, its lines, scents, events, shipments, dates changed; scent
    # names, settings, papers; deposit's order and sums, invoices; page: membership, workshop
    with django_assert_num_queries(18):
        client.get(f"{ORDERS}{order.number}/")


def test_the_account_shows_balance_addresses_and_certificate(client: Client, shop: Shop) -> None:
    page = text(client.get("/shops/fern-and-fable/account/"))

    assert "Open on invoices $0.00" in page
    assert "Nothing is open." in page
    assert "Billed with sales tax The workshop holds no valid resale certificate" in page
    assert "1 Test Row" in page


@pytest.mark.parametrize(
    ("who", "where"),
    [
        ("buyer", "/shops/fern-and-fable/order/"),
        ("maker", "/bench/queue/"),
        ("helper", "/bench/queue/"),
        ("nobody", "/accounts/login/"),
    ],
)
def test_the_front_door_leads_everybody_to_their_work(client: Client, shop: Shop, who: str, where: str) -> None:
    client.logout()
    people = {"buyer": lambda: builders.member(shop), "maker": builders.maker, "helper": builders.helper}
    if who in people:
        client.force_login(people[who]())

    assert client.get("/").url == where  # type: ignore[attr-defined]


def test_the_front_door_asks_who_acts_for_two_shops_and_tells_who_acts_for_none(client: Client, shop: Shop) -> None:
    Membership.objects.create(user=builders.member(shop), shop=builders.shop("moth-and-moon"), role="buyer")

    page = text(client.get("/"))
    assert "For which shop?" in page
    # No shop is chosen yet, so no page of one is offered above the question.
    assert "Order sheet" not in page
    client.force_login(builders.stranger())
    assert "you act for no shop here" in text(client.get("/"))
