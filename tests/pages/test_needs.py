"""Needs: what the planned loads take, down to the orders, and what to buy. Mossgate, Thu 5 March 2026, 13:50."""

import html
import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import Item, Load, Lot, Order
from wholesale.queries import needs

THURSDAY, FRIDAY, MONDAY = date(2026, 3, 5), date(2026, 3, 6), date(2026, 3, 9)


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows(stock=True)


@pytest.fixture
def order() -> Order:
    """12 SUC in rain garden: poured Thu 5, topped Fri 6 (S3)."""
    return place("brindle-fen", ("SUC", 2, "RG"))


@pytest.fixture
def bench(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


def place(slug: str, *lines: builders.Line) -> Order:
    return builders.place(Shop.objects.get(slug=slug), *lines)


def words(answer: Any) -> str:
    """What a page says, as one line of text."""
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def grams(*amounts: needs.Amount) -> D:
    return sum((amount.grams or D(0) for amount in amounts), D(0))


def pieces(*amounts: needs.Amount) -> int:
    return sum(amount.pieces or 0 for amount in amounts)


def test_each_day_says_what_its_loads_take_in_grams_and_ounces(bench: Client, order: Order) -> None:
    """12 × 150 / 0.97 = 1,855.67 g: wax 1,718.21, oil 137.46. 1,718.21 ÷ 28.349523125 = 60.61 oz."""
    page = words(bench.get("/bench/needs/"))
    by_day = page[page.index("By day") :]

    assert by_day.index("Thu 5 Mar") < by_day.index("1,718.21 g") < by_day.index("Fri 6 Mar")
    assert "1.72 kg · 60.61 oz" in by_day
    # The demo has 45 kg of soy: 45,000 − 1,718.21.
    assert "43,281.79 g" in by_day
    # Friday's toppings: 12 × 40 / 0.97 = 494.85 g of whip, 12 rosettes.
    assert by_day.index("Fri 6 Mar") < by_day.index("12 pieces") < by_day.index("494.85 g")


def test_the_days_of_an_item_sum_to_what_it_needs_in_all(order: Order) -> None:
    place("tallowmere", ("PEB", 4, "CF"), ("FRN", 2, {"CF": 6, "RG": 6}))
    page = needs.needs_page()

    assert page.items
    for row in page.items:
        daily = [one.amount for day in page.days for one in day.rows if one.sku == row.sku]
        assert grams(*daily) == grams(row.needed)
        assert pieces(*daily) == pieces(row.needed)


def test_why_so_much_wax_is_answered_down_to_the_orders(bench: Client, order: Order) -> None:
    """A second order of 12 more cups, the same scent, shares the pot: 24 × 150 / 0.97 / 1.08 = 3,436.43 g of wax.

    Half of it each: 1,718.215 g.
    """
    other = place("quillwort", ("SUC", 2, "RG"))
    page = words(bench.get("/bench/needs/SOY/"))

    assert "Pour base, 24 pieces in Pot A into Base melt, Rain garden 3,436.43 g" in page
    assert f"{order.number} Succulent cup, Rain garden, Brindle & Fen 1,718.215 g" in page
    assert f"{other.number} Succulent cup, Rain garden, Quillwort" in page
    assert "Thu 5 Mar in all 3,436.43 g" in page


def test_every_sum_of_an_item_equals_its_rows(order: Order) -> None:
    place("tallowmere", ("PEB", 4, "CF"), ("FRN", 2, {"CF": 6, "RG": 6}))
    place("quillwort", ("SUC", 1, {"RG": 2, "CF": 4}), ("FRN", 1, "CF"), ("PEB", 3, "RG"))
    for row in needs.needs_page().items:
        page = needs.item_page(row.sku.item, row.sku.scent)
        for total in (grams, pieces):
            for day in page.days:
                assert all(total(*(peg.amount for peg in load.pegs)) == total(load.amount) for load in day.loads)
                assert total(*(load.amount for load in day.loads)) == total(day.amount)
            assert total(*(day.amount for day in page.days)) == total(row.needed)
            assert total(*(one.amount for one in page.orders)) == total(row.needed)


def test_a_part_shows_what_is_there_and_what_still_comes(bench: Client, order: Order) -> None:
    """14 casts × 0.92 = 12.88: 12 whole rosettes come on Friday for the 12 cups."""
    page = words(bench.get("/bench/needs/ROSETTE/"))

    assert "Needed 12 pieces There today 0 pieces Still to come 12 pieces" in page
    assert "Fri 6 Mar 12 12 0" in page
    assert "All days" in page


def test_what_is_missing_is_bought_in_packs_by_its_last_safe_day(bench: Client) -> None:
    """Whipping wax for 12 cups: 494.85 g on Fri 6 March, what is there on hold; 1 day to come: 5 kg by Thu 5."""
    Lot.objects.filter(item__code="WHIPWAX").update(state="hold")
    place("brindle-fen", ("SUC", 2, "RG"))
    Item.objects.filter(code="WHIPWAX").update(
        purchase_pack=5_000_000, supply_days=1, supplier="Lantern Lane Wax", unit_cost_e4=None
    )
    page = words(bench.get("/bench/needs/"))

    buying = page[page.index("To buy") : page.index("By item")]
    assert "Whipping wax Thu 5 Mar Fri 6 Mar comes 1 day after ordering 494.85 g 17.46 oz 1 pack of 5,000 g" in buying
    assert "Lantern Lane Wax" in buying


def test_an_order_that_should_have_gone_out_is_called_late(bench: Client, order: Order) -> None:
    """Fri 6 March less 4 days: Mon 2 March, and today is Thu 5; what is there is on hold."""
    Lot.objects.filter(item__code="WHIPWAX").update(state="hold")
    Item.objects.filter(code="WHIPWAX").update(supply_days=4)
    page = words(bench.get("/bench/needs/"))

    assert "Late was due Mon 2 Mar" in page


def test_a_lot_on_hold_does_not_count(bench: Client, order: Order) -> None:
    """45 kg of soy on hold: all of Thursday's 1,718.21 g are missing."""
    Lot.objects.filter(item__code="SOY").update(state="hold")
    page = words(bench.get("/bench/needs/SOY/"))

    assert "There today 0.00 g" in page
    assert "Short by 1,718.21 g" in page


def test_a_lot_past_its_last_day_when_it_is_needed_does_not_count(bench: Client, order: Order) -> None:
    """Friday's toppings take 494.85 g of whip wax; all there is may be used up to Thursday: it is to be bought."""
    Lot.objects.filter(item__code="WHIPWAX").update(expires_on=THURSDAY)
    there = sum(Lot.objects.filter(item__code="WHIPWAX").values_list("on_hand", flat=True))

    page = words(bench.get("/bench/needs/WHIPWAX/"))
    assert "Short from Fri 6 Mar" in page
    assert f"less {there / 1000:,.2f} g past its last day" in page
    assert "Whipping wax" in words(bench.get("/bench/needs/")).split("To buy")[1].split("By item")[0]
    Lot.objects.filter(item__code="WHIPWAX").update(expires_on=FRIDAY)
    assert "Short" not in words(bench.get("/bench/needs/WHIPWAX/"))


def test_a_batch_that_is_weighed_needs_nothing_more(order: Order) -> None:
    Load.objects.filter(portions__operation="pour").update(weighed_at=clock.now())

    assert "SOY" not in [row.sku.item for row in needs.needs_page().items]


def test_pieces_for_the_shelf_are_named_as_such(bench: Client, order: Order) -> None:
    """The order's portion becomes the workshop's own: the wax is for stock then."""
    from wholesale.models import ForStock, LoadPortion

    own = ForStock.objects.create(item=Item.objects.get(code="SUC"), scent="RG", pieces=12, asked_at=clock.now())
    LoadPortion.objects.update(order_scent=None, for_stock=own)
    page = words(bench.get("/bench/needs/SOY/"))

    assert "Stock Succulent cup, Rain garden 1,718.210 g" in page


def test_an_item_no_load_takes_has_no_page(bench: Client, order: Order) -> None:
    assert bench.get("/bench/needs/OIL-CF/").status_code == 404
    assert bench.get("/bench/needs/NOTHING/").status_code == 404


def test_nothing_planned_is_nothing_needed(bench: Client) -> None:
    page = words(bench.get("/bench/needs/"))

    assert "what is there covers every load" in page
    assert "No load is planned, so nothing is needed." in page


@pytest.mark.parametrize("url", ["/bench/needs/", "/bench/needs/SOY/", "/bench/capacity/"])
def test_a_shop_finds_no_such_page(client: Client, order: Order, url: str) -> None:
    client.force_login(builders.member(Shop.objects.get(slug="brindle-fen")))
    assert client.get(url).status_code == 404

    client.logout()
    assert client.get(url).status_code == 302


@pytest.mark.parametrize(
    ("url", "count"),
    [
        # session, user (2) · workshop for the head (1) · catalogue (7): items, recipes, lines, operations, scents,
        # equipment, substitutes · loads, portions (2) · settings (1) · what is left of earlier melts, and was used (2)
        # · free stock, what is on order (2)
        ("/bench/needs/", 17),
        ("/bench/needs/SOY/", 17),
        # session, user (2) · workshop (1) · catalogue (7) · calendar: week, days (2) · loads, portions (2)
        # · what is out of use (1), settings (1)
        ("/bench/capacity/", 16),
    ],
)
def test_a_page_asks_the_same_number_of_questions_however_long_it_is(
    bench: Client, order: Order, django_assert_num_queries: Callable[[int], Any], url: str, count: int
) -> None:
    with django_assert_num_queries(count):
        bench.get(url)
    for slug in ("tallowmere", "quillwort", "brindle-fen"):
        place(slug, ("SUC", 2, "RG"), ("FRN", 2, "WS"), ("PEB", 2, "CF"))
    with django_assert_num_queries(count):
        bench.get(url)
