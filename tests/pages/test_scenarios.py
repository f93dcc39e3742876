"""Scenarios S1 and S3 through the pages, with every number: what a shop reads, orders, and is billed.

Worked by hand for the invented Mossgate Bench (common practice, no source); the same
numbers through the core stand in `tests/acceptance/test_scenarios.py`. A case of
succulent cups (SUC) is 6 × 12.00 = 72, of pebble jars (PEB) 6 × 10.00 = 60, of fern
tins (FRN) 12 × 7.50 = 90. 2 March 2026 is a Monday.
"""

from datetime import date
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from tests.pages.reading import hidden, text
from wholesale import clock
from wholesale.models import Load, Order, Setting, ShopAccount

pytestmark = pytest.mark.django_db
SHEET = "/shops/fern-and-fable/order/"
MIX = {"m-PEB-RG": "2", "m-PEB-CF": "2", "m-PEB-WS": "2"}
#: Two SUC cases, one PEB case of 2 rain garden, 2 cedar frame and 2 wet stone.
S1 = {"c-SUC-RG": "2", "m-PEB": "1", **MIX}
TAXED = "6.5 % Sales tax if billed without a resale certificate"


@pytest.fixture
def new_shop(client: Client) -> Shop:
    """A shop that never ordered; its buyer is signed in."""
    builders.mossgate_rows()
    shop = builders.shop("fern-and-fable")
    client.force_login(builders.member(shop))
    return shop


@pytest.fixture
def old_shop(new_shop: Shop) -> Shop:
    """The same shop, but it last ordered in January."""
    ShopAccount.objects.create(shop=new_shop, last_order_on=date(2026, 1, 20))
    return new_shop


def worked_out(client: Client, fields: dict[str, str]) -> Any:
    """The sheet after "Work it out"."""
    return client.post(SHEET, {**fields, "do": "work"}, follow=True)


def placed(client: Client, fields: dict[str, str]) -> Any:
    """The answer to placing what was worked out."""
    return client.post(SHEET, {**fields, **hidden(worked_out(client, fields)), "do": "place"}, follow=True)


# ── S1: mixed case, minimum fails then passes ────────────────────────────────


def test_s1_204_of_a_first_order_is_refused_36_short_with_the_cheapest_case(client: Client, new_shop: Shop) -> None:
    """2 × 72 + 60 = 204; 240 − 204 = 36; PEB at 60 closes it, cheaper than SUC at 72 and FRN at 90."""
    answer = placed(client, S1)
    page = text(answer)

    assert answer.status_code == 422
    assert "The goods come to $204.00, $36.00 below the opening minimum of $240.00." in page
    assert "The cheapest way: 1 more case of Pebble jar for $60.00." in page
    assert "$36.00 short of the opening minimum of $240.00." in page
    assert 'name="add" value="PEB:1"' in answer.content.decode()
    assert not Order.objects.exists()


def test_s1_264_is_placed_with_its_freight_deposit_and_tax(client: Client, new_shop: Shop) -> None:
    """264 ≥ 240; tier 0 %; 264 < 400: freight 18; 282; deposit 141; tax on goods 264 × 0.065 = 17.16."""
    added = client.post(SHEET, {**S1, "add": "PEB:1"}, follow=True)
    page = text(added)
    for words in (
        "Goods at list price $264.00 2 cases × 72.00 + 2 cases × 60.00",
        "Discount $0.00 0 % of 264.00, whole order",
        "Freight $18.00 flat: 264.00 < 400",
        "Total before tax $282.00 264.00 + 18",
        f"{TAXED} $17.16 6.5 % of 264.00",
        "Deposit, before the bench starts $141.00 50 % of 282.00",
        # what is missing to the other thresholds: 500 − 264 by 4 × 60 = 240, 400 − 264 by 2 × 72 = 144
        "$236.00 to 5 % off, which starts at $500.00 of goods. 4 cases of Pebble jar: adds $240.00 of goods",
        "$136.00 to free freight, from $400.00 of goods. 2 cases of Succulent cup: adds $144.00 of goods",
    ):
        assert words in page

    answer = client.post(SHEET, {**S1, "m-PEB": "2", **hidden(added), "do": "place"}, follow=True)

    order = Order.objects.get()
    amounts = (order.list_minor, order.goods_minor, order.freight_minor, order.total_minor, order.deposit_minor)
    assert amounts == (26400, 26400, 1800, 28200, 14100)
    assert "in each case 2 Rain garden, 2 Cedar frame, 2 Wet stone" in text(answer)
    assert "Deposit of $141.00" in text(answer)


def test_s1_the_same_204_passes_as_a_reorder(client: Client, old_shop: Shop) -> None:
    """204 ≥ 120; a later order pays no deposit; 204 + 18 = 222."""
    page = text(placed(client, S1))

    assert "Placed, waiting for the workshop to confirm" in page
    assert "$222.00" in page
    assert (Order.objects.get().list_minor, Order.objects.get().deposit_minor) == (20400, 0)


def test_s1_3_2_1_fails_at_the_1_and_2_2_2_passes(client: Client, old_shop: Shop) -> None:
    wrong = {**S1, "m-PEB-RG": "3", "m-PEB-WS": "1"}

    assert "at least 2 of each scent; too few of Wet stone" in text(placed(client, wrong))
    assert not Order.objects.exists()
    placed(client, S1)
    assert Order.objects.count() == 1


@pytest.mark.parametrize(
    ("certified", "why", "tax", "gross"),
    [
        # no certificate at billing: 264 × 0.065 = 17.16; 282 + 17.16
        (False, "6.5 % of $264.00", "$17.16", "$299.16"),
        # with a certificate handed in after the order was placed
        (True, "Resale certificate RC-1 (NY) holds.", "$0.00", "$282.00"),
    ],
)
def test_s1_is_billed_by_the_certificate_held_at_billing(
    client: Client, new_shop: Shop, *, certified: bool, why: str, tax: str, gross: str
) -> None:
    placed(client, {**S1, "m-PEB": "2"})
    order = Order.objects.get()
    if certified:
        certify(new_shop)

    page = text(billed(client, order))

    sums = page.partition(" Sums ")[2].partition(" Set against it ")[0]
    assert sums.startswith("Freight $18.00 Sales tax ")
    assert f"{why} {tax}" in sums
    assert sums.endswith(f"In all {gross} Due when it was written {gross}")


def certify(shop: Shop) -> None:
    """Hand in a resale certificate that holds."""
    Shop.objects.filter(pk=shop.pk).update(
        resale_certificate_number="RC-1", resale_certificate_state="NY", resale_certificate_signed_on=date(2026, 1, 5)
    )


def billed(client: Client, order: Order) -> Any:
    """The invoice's page, after the maker confirmed, made, packed and billed the order on the bench's pages."""
    client.force_login(builders.maker())
    client.post(f"/bench/orders/{order.number}/confirm/")
    while load := Load.objects.filter(done_at__isnull=True).order_by("day", "pk").first():
        good = {f"good-{portion.pk}": portion.pieces for portion in load.portions.all()}
        with clock.at(f"{load.day}T09:00"):
            assert client.post(f"/bench/loads/{load.pk}/done/", good).status_code == 302
    with clock.at("2026-03-27T09:00"):
        cases = {f"cases-{line.pk}": line.cases for line in order.lines.all()}
        client.post(f"/bench/orders/{order.number}/pack/", {"token": "once", "cartons": 1, **cases})
        return client.post("/bench/shipments/S-1001/invoice/", follow=True)


@pytest.mark.parametrize(
    ("fields", "method", "goods", "freight", "total"),
    [
        # 72 + 7 × 60 = 492, below the tier at 500
        ({"c-SUC-RG": "1", "c-PEB-RG": "7"}, "whole_order", "492.00", "0.00", "492.00"),
        # 7 × 72 = 504; 504 × 0.95 = 478.80 ≥ 400
        ({"c-SUC-RG": "7"}, "whole_order", "478.80", "0.00", "478.80"),
        # only the 4 above 500: 500 + 4 × 0.95 = 503.80
        ({"c-SUC-RG": "7"}, "marginal", "503.80", "0.00", "503.80"),
        # 3 × 72 + 3 × 60 = 396 < 400; 396 + 18
        ({"c-SUC-RG": "3", "c-PEB-RG": "3"}, "whole_order", "396.00", "18.00", "414.00"),
        # one PEB case more
        ({"c-SUC-RG": "3", "c-PEB-RG": "4"}, "whole_order", "456.00", "0.00", "456.00"),
    ],
)
def test_s1_cliffs(
    client: Client, old_shop: Shop, fields: dict[str, str], method: str, goods: str, freight: str, total: str
) -> None:
    """Just below and above a tier, by both methods, and just below and above free freight; then placed as shown."""
    Setting.objects.filter(name="tier_method").update(value=method)

    page = text(worked_out(client, fields))

    assert f" Goods ${goods}" in page
    assert f"Freight ${freight}" in page
    assert f"Total before tax ${total}" in page
    assert f"${total}" in text(placed(client, fields))
    assert Order.objects.get().total_minor == int(total.replace(".", ""))


def test_s1_60_of_goods_for_42_frees_the_freight(client: Client, old_shop: Shop) -> None:
    """456 − 414 = 42."""
    page = text(worked_out(client, {"c-SUC-RG": "3", "c-PEB-RG": "3"}))

    assert "$4.00 to free freight, from $400.00 of goods." in page
    assert "1 case of Pebble jar: adds $60.00 of goods, changes the total by +$42.00." in page


# ── S3: overnight pushes the promise ─────────────────────────────────────────

#: Asked at → poured and cast, topped, sellable, leaves, arrives.
S3 = {
    # before the cut-off: 6 March + 10 days = 16 March
    "2026-03-05T13:50": ("Thu 5 Mar", "Fri 6 Mar", "Mon 16 Mar", "Mon 16 Mar", "Wed 18 Mar"),
    # 80 minutes later: Saturday market, Sunday closed, 9 + 10 = 19; Fri 20 and Mon 23 are the carrier's days.
    # 3 days later at packing (19 − 16), 5 at the door (23 − 18).
    "2026-03-05T15:10": ("Fri 6 Mar", "Mon 9 Mar", "Thu 19 Mar", "Thu 19 Mar", "Mon 23 Mar"),
    # Saturday 14 waits for Monday
    "2026-03-03T13:50": ("Tue 3 Mar", "Wed 4 Mar", "Sat 14 Mar", "Mon 16 Mar", "Wed 18 Mar"),
    # Sunday 15 waits for Monday too: here the cut-off costs nothing
    "2026-03-03T15:10": ("Wed 4 Mar", "Thu 5 Mar", "Sun 15 Mar", "Mon 16 Mar", "Wed 18 Mar"),
}


@pytest.mark.parametrize("at", S3)
def test_s3_each_order_shows_its_steps_and_is_promised_the_day_it_was_shown(
    client: Client, old_shop: Shop, at: str
) -> None:
    """2 SUC cases in rain garden, nothing in stock; what leaves and what arrives stands on the order too."""
    poured, topped, sellable, leaves, arrives = S3[at]
    with clock.at(at):
        page = text(worked_out(client, {"c-SUC-RG": "2"}))
        order_page = text(placed(client, {"c-SUC-RG": "2"}))

    assert f"When it leaves {leaves} With you {arrives}." in page
    for shown in (page, order_page):
        for step in (
            f"Cast rosettes {poured}", f"Pour base {poured}", f"Pipe moss {topped}", f"Curing {sellable}",
            f"Packed, leaves {leaves}", f"Arrives {arrives}",
        ):  # fmt: skip
            assert step in shown
    order = Order.objects.get()
    assert [f"{day:%a} {day.day} {day:%b}" for day in (order.promised_leaves, order.promised_arrives)] == [
        leaves, arrives,
    ]  # fmt: skip
