"""The order sheet: what it shows, what it works out, what it refuses, and that one order is one order."""

import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import Item, Order, Price, PriceList, SheetDate, ShopAccount

pytestmark = pytest.mark.django_db
SHEET = "/shops/fern-and-fable/order/"
#: Two cases of succulent cup in rain garden, one mixed case of pebble jar (2 of each scent).
S1 = {"c-SUC-RG": "2", "m-PEB": "1", "m-PEB-RG": "2", "m-PEB-CF": "2", "m-PEB-WS": "2"}
S3 = {"c-SUC-RG": "2"}


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


def text(answer: Any) -> str:
    """The page's words, one space between them."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()).replace("\xa0", " "))


def hidden(answer: Any) -> dict[str, str]:
    """The hidden fields a browser would send back."""
    found = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', answer.content.decode())
    return {name: value for name, value in found if name != "csrfmiddlewaretoken"}


def worked_out(client: Client, fields: dict[str, str], url: str = SHEET) -> dict[str, str]:
    """Fields as they stand after "Work it out", ready to be placed."""
    answer = client.post(url, {**fields, "do": "work"}, follow=True)
    assert answer.status_code == 200
    return {**fields, **hidden(answer), "do": "place"}


def test_the_sheet_shows_case_pack_prices_and_retail(client: Client, new_shop: Shop) -> None:
    page = text(client.get(SHEET))

    # 6 × 12.00 = 72.00; 12 × 7.50 = 90.00
    for words in ("Succulent cup SUC", "6 pieces", "$12.00", "$72.00", "$24.00", "Fern tin FRN", "12 pieces", "$90.00"):
        assert words in page
    assert "without tax" in page
    assert "worked out with your order" in page


def test_a_first_order_short_of_the_minimum_is_shown_what_closes_the_gap(client: Client, new_shop: Shop) -> None:
    """Scenario S1: 2 × 72 + 60 = 204; 240 − 204 = 36 short; the cheapest closer is a pebble case for 60."""
    page = text(client.post(SHEET, {**S1, "do": "work"}, follow=True))

    assert "$204.00" in page
    assert "$36.00 short of the opening minimum of $240.00" in page
    assert "1 case of Pebble jar: adds $60.00 of goods" in page
    assert "Add 1 case of Pebble jar" in page


@pytest.mark.parametrize(
    ("pressed", "query"),
    [
        ({"do": "work"}, "c-SUC-RG=2&m-PEB=1&m-PEB-RG=2&m-PEB-CF=2&m-PEB-WS=2"),
        ({"do": "keep"}, "c-SUC-RG=2&m-PEB=1&m-PEB-RG=2&m-PEB-CF=2&m-PEB-WS=2"),
        ({"do": "place"}, "c-SUC-RG=2&m-PEB=1&m-PEB-RG=2&m-PEB-CF=2&m-PEB-WS=2"),
        ({"add": "PEB:1"}, "c-SUC-RG=2&m-PEB=2&m-PEB-RG=2&m-PEB-CF=2&m-PEB-WS=2"),
        ({"take": "m-PEB=0&pick_up=yes"}, "c-SUC-RG=2&pick_up=yes"),
    ],
)
def test_a_sheet_that_was_worked_out_has_an_address_to_come_back_to(
    client: Client, old_shop: Shop, pressed: dict[str, str], query: str
) -> None:
    """Back and Reload ask for it again, instead of the browser's refusal to send a form twice."""
    answer = client.post(SHEET, {**S1, "c-FRN-RG": "0", **pressed})

    assert (answer.status_code, answer.headers["Location"]) == (302, f"{SHEET}?{query}")
    assert "Total before tax $" in text(client.get(answer.headers["Location"]))


def test_what_goes_with_an_order_comes_back_with_its_cases_and_not_with_others(client: Client, old_shop: Shop) -> None:
    """Nobody reads the note in an address; once it is ordered, nothing of it is left."""
    fields = {**S3, "po_number": "PO 7", "note": "Ring first"}
    shown = client.post(SHEET, {**fields, "do": "work"}, follow=True)

    assert "Ring" not in shown.redirect_chain[0][0]
    back = client.get(SHEET, S3).content.decode()
    assert 'value="PO 7"' in back
    assert "Ring first</textarea>" in back
    assert "Ring first" not in client.get(SHEET).content.decode()
    client.post(SHEET, {**fields, **hidden(shown), "do": "place"})
    assert "Ring first" not in client.get(SHEET, S3).content.decode()


def test_a_mistyped_sheet_comes_back_as_it_was_typed(client: Client, old_shop: Shop) -> None:
    page = client.post(SHEET, {**S3, "c-FRN-WS": "two", "do": "work"}, follow=True).content.decode()

    assert 'name="c-FRN-WS" id="c-FRN-WS" value="two"' in page
    assert "is not a number of cases" in page


@pytest.mark.parametrize("more", [{"c-SUC-CF": "9" * 2000}, {"note": "x" * 1001}])
def test_what_is_too_long_for_an_address_or_no_note_is_shown_all_the_same(
    client: Client, old_shop: Shop, more: dict[str, str]
) -> None:
    answer = client.post(SHEET, {**S3, **more, "do": "work"})

    assert answer.status_code == 200
    assert all(typed in answer.content.decode() for typed in more.values())


def test_a_button_says_what_it_changed_and_says_it_once(client: Client, old_shop: Shop) -> None:
    answer = client.post(SHEET, {**S1, "take": "m-PEB=0&c-SUC-RG=1&c-SUC-CF=1"})

    address = answer.headers["Location"]
    said = "Changed: 1 instead of 2 cases of Succulent cup, Rain garden; without Pebble jar, mixed;"
    assert f"{said} with 1 case of Succulent cup, Cedar frame." in text(client.get(address))
    assert "Changed:" not in text(client.get(address))


def test_adding_the_closing_case_gives_the_total_and_the_deposit(client: Client, new_shop: Shop) -> None:
    """S1: 264 + 18 freight = 282; half of it first = 141; tax without certificate 264 × 6.5 % = 17.16."""
    page = text(client.post(SHEET, {**S1, "add": "PEB:1"}, follow=True))

    for words in ("$264.00", "$18.00", "$282.00", "$141.00", "50 % of 282.00"):
        assert words in page
    assert "6.5 % Sales tax if billed without a resale certificate $17.16" in page
    assert "short of the opening minimum" not in page


def test_an_order_below_the_minimum_is_not_placed_and_keeps_what_was_typed(client: Client, new_shop: Shop) -> None:
    answer = client.post(SHEET, worked_out(client, {**S1, "po_number": "PO 7", "note": "Ring first"}))

    assert answer.status_code == 422
    assert "$36.00 below the opening minimum" in text(answer)
    content = answer.content.decode()
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="2"' in content
    assert 'value="PO 7"' in content
    assert "Ring first</textarea>" in content
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    ("at", "leaves", "arrives"),
    [
        # Scenario S3: before the cut-off pour and cast Thu 5, top Fri 6, + 10 days = Mon 16, 2 carrier days
        ("2026-03-05T13:50", "Mon 16 Mar", "Wed 18 Mar"),
        # after it: pour Fri 6, weekend, top Mon 9, + 10 = Thu 19; the carrier's weekend
        ("2026-03-05T15:10", "Thu 19 Mar", "Mon 23 Mar"),
        # Tue 3: top Wed 4 or Thu 5, sellable Sat 14 or Sun 15, both packed Mon 16
        ("2026-03-03T13:50", "Mon 16 Mar", "Wed 18 Mar"),
        ("2026-03-03T15:10", "Mon 16 Mar", "Wed 18 Mar"),
    ],
)
def test_the_cut_off_decides_the_day_it_leaves(
    client: Client, old_shop: Shop, at: str, leaves: str, arrives: str
) -> None:
    with clock.at(at):
        page = text(client.post(SHEET, {**S3, "do": "work"}, follow=True))

    assert f"When it leaves {leaves} With you {arrives}" in page
    assert page.count("This step decides the date") == 1


def test_a_placed_order_has_the_promised_day_and_its_number(client: Client, old_shop: Shop) -> None:
    answer = client.post(SHEET, worked_out(client, {**S3, "po_number": "PO 7", "note": "Ring first"}))

    order = Order.objects.get()
    assert answer.url == f"/shops/fern-and-fable/orders/{order.number}/"  # type: ignore[attr-defined]
    assert (order.promised_leaves, order.promised_arrives) == (date(2026, 3, 16), date(2026, 3, 18))
    # 2 × 72 = 144 goods + 18 freight
    assert (order.list_minor, order.total_minor) == (14400, 16200)
    assert (order.po_number, order.note) == ("PO 7", "Ring first")


def test_pressing_twice_places_one_order(client: Client, old_shop: Shop) -> None:
    fields = worked_out(client, S3)

    first, second = client.post(SHEET, fields), client.post(SHEET, fields)

    assert first.url == second.url  # type: ignore[attr-defined]
    assert Order.objects.count() == 1


def test_two_tabs_that_show_the_same_order_place_it_once_and_say_so(client: Client, old_shop: Shop) -> None:
    one, other = worked_out(client, S3), worked_out(client, S3)

    first, second = client.post(SHEET, one), client.post(SHEET, other, follow=True)

    number = Order.objects.get().number
    assert first.url == f"/shops/fern-and-fable/orders/{number}/"  # type: ignore[attr-defined]
    assert second.redirect_chain == [(first.url, 302)]  # type: ignore[attr-defined]
    assert f"This order is placed already, as {number}; nothing was ordered twice." in text(second)


def test_the_same_basket_once_more_is_a_new_order(client: Client, old_shop: Shop) -> None:
    """Worked out again after the first was placed, or after it was withdrawn."""
    client.post(SHEET, worked_out(client, S3))
    client.post(f"/shops/fern-and-fable/orders/{Order.objects.get().number}/withdraw/")
    client.post(SHEET, worked_out(client, S3))
    client.post(SHEET, worked_out(client, S3))

    assert sorted(Order.objects.values_list("state", flat=True)) == ["placed", "placed", "withdrawn"]


def test_two_people_of_a_shop_who_order_the_same_place_an_order_each(client: Client, old_shop: Shop) -> None:
    buyers, owners = worked_out(client, S3), Client()
    owners.force_login(builders.member(old_shop, "owner"))
    owners.post(SHEET, worked_out(owners, S3))
    client.post(SHEET, buyers)

    assert Order.objects.count() == 2


def test_a_second_tab_that_was_changed_loses_nothing_and_is_shown_before_it_is_placed(
    client: Client, old_shop: Shop
) -> None:
    """Both tabs showed two cases; in the second one, three were typed without working it out again: 3 × 72 + 18."""
    one, other = worked_out(client, S3), worked_out(client, S3)
    client.post(SHEET, one)

    answer = client.post(SHEET, {**other, "c-SUC-RG": "3"}, follow=True)

    assert "Nothing is ordered yet" in text(answer)
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="3"' in answer.content.decode()
    assert "$234.00" in text(answer)
    assert Order.objects.count() == 1


def test_two_tabs_that_show_different_orders_give_two_as_each_was_worked_out(client: Client, old_shop: Shop) -> None:
    one, other = worked_out(client, S3), worked_out(client, {"c-PEB-WS": "2"})
    client.post(SHEET, one)
    client.post(SHEET, {**other, "seen_leaves": "2026-12-31"})

    assert sorted(Order.objects.values_list("list_minor", flat=True)) == [12000, 14400]


def test_placing_without_having_seen_a_total_shows_it_first(client: Client, old_shop: Shop) -> None:
    answer = client.post(SHEET, {**S3, **hidden(client.get(SHEET)), "do": "place"}, follow=True)

    assert "Nothing is ordered yet" in text(answer)
    assert not Order.objects.exists()
    # what is shown now can be placed as it stands
    assert client.post(SHEET, {**S3, **hidden(answer), "do": "place"}).status_code == 302


def test_a_price_that_changed_since_the_page_opened_is_shown_before_it_is_paid(client: Client, old_shop: Shop) -> None:
    fields = worked_out(client, S3)
    Price.objects.filter(item__code="SUC").update(unit_price_e4=130000)

    answer = client.post(SHEET, fields)

    # 2 × 6 × 13 = 156 + 18 = 174, seen 162
    assert answer.status_code == 422
    assert "The total is now $174.00, not 162.00" in text(answer)
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="2"' in answer.content.decode()
    assert not Order.objects.exists()


def test_a_date_that_moved_since_the_page_opened_is_shown_before_it_is_agreed(client: Client, old_shop: Shop) -> None:
    with clock.at("2026-03-05T13:50"):
        fields = worked_out(client, S3)
    with clock.at("2026-03-05T15:10"):
        answer = client.post(SHEET, fields)

    assert answer.status_code == 422
    assert "has moved to Thu 19 Mar" in text(answer)
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    ("mix", "words"),
    [
        # S1: 3/2/1 fails at the 1: a mixed case needs at least 2 of each
        ((3, 2, 1), "a mixed case needs at least 2 of each scent; too few of Wet stone"),
        # 2 + 2 + 3 = 7, the case holds 6
        ((2, 2, 3), "the case holds 6 pieces, the scents chosen make 7"),
    ],
)
def test_a_wrong_mix_is_refused_beside_its_product(
    client: Client, old_shop: Shop, mix: tuple[int, int, int], words: str
) -> None:
    fields = {"m-SUC": "2", **{f"m-SUC-{scent}": str(n) for scent, n in zip(("RG", "CF", "WS"), mix, strict=True)}}

    answer = client.post(SHEET, {**fields, "do": "place"})

    beside = answer.content.decode().partition('<div id="e-SUC"')[2].partition("</div>")[0]
    assert answer.status_code == 422
    assert words in beside
    assert f'name="m-SUC-WS" id="m-SUC-WS" value="{mix[2]}"' in answer.content.decode()
    assert not Order.objects.exists()


@pytest.mark.parametrize("fields", [{}, {"c-SUC-RG": "0"}, {"c-SUC-RG": ""}])
def test_no_cases_at_all_is_no_order(client: Client, old_shop: Shop, fields: dict[str, str]) -> None:
    answer = client.post(SHEET, {**fields, **hidden(client.get(SHEET)), "do": "place"})

    assert answer.status_code == 422
    assert "choose at least one case" in text(answer)
    assert not Order.objects.exists()


@pytest.mark.parametrize("cases", ["two", "1.5", "-1", "1000", "9" * 30, "²"])
def test_what_is_no_number_of_cases_is_named_beside_its_product_and_kept(
    client: Client, old_shop: Shop, cases: str
) -> None:
    answer = client.post(SHEET, {"c-SUC-RG": cases, "do": "place"})

    content = answer.content.decode()
    assert answer.status_code == 422
    assert "Succulent cup" in content.partition('<div id="e-SUC"')[2].partition("</div>")[0]
    assert f'name="c-SUC-RG" id="c-SUC-RG" value="{cases}"' in content
    assert not Order.objects.exists()


def test_a_product_withdrawn_since_the_page_opened_is_named_and_its_cases_stay_typed(
    client: Client, old_shop: Shop
) -> None:
    fields = worked_out(client, S3)
    Item.objects.filter(code="SUC").update(on_sale=False)

    answer = client.post(SHEET, fields)

    assert answer.status_code == 422
    assert "Succulent cup is no longer sold; take it off the order." in text(answer)
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="2"' in answer.content.decode()
    assert "Succulent cup" not in text(client.get(SHEET))


def test_the_same_as_last_time_fills_in_the_cases_at_todays_prices(client: Client, old_shop: Shop) -> None:
    client.post(SHEET, worked_out(client, {**S1, "c-SUC-RG": "2"}))
    Price.objects.filter(item__code="SUC").update(unit_price_e4=130000)
    number = Order.objects.get().number

    assert f"?again={number}" in client.get(SHEET).content.decode()
    answer = client.get(SHEET, {"again": number})

    content = answer.content.decode()
    assert 'name="c-SUC-RG" id="c-SUC-RG" value="2"' in content
    assert 'name="m-PEB" id="m-PEB" value="1"' in content
    # 2 × 6 × 13 + 60 = 216 + 18 freight = 234
    assert "$234.00" in text(answer)
    # two taps from here: the repeat has been seen and can be placed
    again = {**S1, **hidden(answer), "do": "place"}
    assert client.post(SHEET, again).status_code == 302
    assert Order.objects.count() == 2


def test_the_panel_answers_a_changed_quantity_alone(client: Client, old_shop: Shop) -> None:
    page = client.post(
        f"{SHEET}panel/", {"m-SUC": "1", "m-SUC-RG": "5", "m-SUC-CF": "1"}, headers={"HX-Request": "true"}
    )

    assert page.status_code == 200
    assert "<html" not in page.content.decode()
    assert "too few of Cedar frame" in page.content.decode().partition('<div id="e-SUC"')[2].partition("</div>")[0]


def test_a_certificate_frees_the_order_from_tax(client: Client, old_shop: Shop) -> None:
    Shop.objects.filter(pk=old_shop.pk).update(
        resale_certificate_number="RC-1", resale_certificate_state="NY", resale_certificate_signed_on=date(2026, 1, 5)
    )
    page = text(client.post(SHEET, {**S3, "do": "work"}, follow=True))

    assert "no tax: Resale certificate RC-1 (NY) holds." in page
    assert "if billed without" not in page


def test_a_reader_sees_the_sheet_without_quantities_and_may_not_write(client: Client, old_shop: Shop) -> None:
    client.force_login(builders.member(old_shop, "reader"))

    page = client.get(SHEET)

    assert "Succulent cup" in text(page)
    assert 'type="number"' not in page.content.decode()
    assert "Place order" not in text(page)
    assert client.post(SHEET, {**S3, "do": "place"}).status_code == 403
    assert client.post(f"{SHEET}panel/", S3).status_code == 403
    assert not Order.objects.exists()


def test_a_shop_whose_account_is_closed_may_look_but_not_order(client: Client, old_shop: Shop) -> None:
    Shop.objects.filter(pk=old_shop.pk).update(closed_on=date(2026, 3, 1))

    assert "account is closed" in text(client.get(SHEET))
    assert client.post(SHEET, {**S3, "do": "place"}).status_code == 403


@pytest.mark.parametrize("who", ["stranger", "maker"])
def test_another_shops_sheet_is_not_there(client: Client, old_shop: Shop, who: str) -> None:
    other = builders.shop("moth-and-moon")
    user = builders.member(other, "owner") if who == "stranger" else builders.maker()
    client.force_login(user)

    assert client.get(SHEET).status_code == 404
    assert client.post(SHEET, {**S3, "do": "place"}).status_code == 404
    assert client.post(f"{SHEET}panel/", S3).status_code == 404


def test_nobody_is_sent_to_sign_in(old_shop: Shop) -> None:
    answer = Client().get(SHEET)

    assert answer.status_code == 302
    assert answer.url.startswith("/accounts/login/")  # type: ignore[attr-defined]


@pytest.mark.parametrize("more", [0, 27])
def test_the_sheet_asks_the_same_number_of_queries_for_3_and_for_30_products(
    client: Client, old_shop: Shop, more: int, django_assert_num_queries: Callable[..., Any]
) -> None:
    prices = PriceList.objects.get()
    for number in range(more):
        item = Item.objects.create(
            code=f"EX{number}", name=f"Extra {number}", kind="product", unit="piece", scented=True
        )
        Price.objects.create(price_list=prices, item=item, unit_price_e4=100000)

    # session, user, membership; sheet: settings, prices, scents, dates, products, addresses, last order (its other
    # shipment, where there is one), orders;
    # page: membership, workshop
    with django_assert_num_queries(13):
        page = client.get(SHEET)
    assert page.content.decode().count("<tbody id=") == 3 + more


def test_the_stored_date_of_a_scent_stands_on_the_sheet_while_it_holds(client: Client, old_shop: Shop) -> None:
    """The newest version counts; after its hour the date is worked out with the order."""
    suc = Item.objects.get(code="SUC")
    for version, leaves in ((1, date(2026, 3, 18)), (2, date(2026, 3, 16))):
        holds = clock.read("2026-03-05T14:00")
        SheetDate.objects.create(version=version, item=suc, scent="RG", leaves=leaves, holds_until=holds)

    with clock.at("2026-03-05T13:50"):
        before = text(client.get(SHEET))
    with clock.at("2026-03-05T15:10"):
        after = text(client.get(SHEET))

    assert "from Mon 16 Mar" in before
    assert "Wed 18 Mar" not in before
    assert "Mon 16 Mar" not in after
