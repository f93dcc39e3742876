"""The pages of the stock: what each says, what its forms book, and who may open them."""

import html
import re
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.actions import batches
from wholesale.models import Load, Lot, Setting, StockMovement, StockTarget


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows(stock=True)
    # One case is an order here: what is too small to order is not this file's matter.
    for name in ("opening_minimum", "reorder_minimum"):
        Setting.objects.update_or_create(name=name, defaults={"value": "0"})


@pytest.fixture
def maker(client: Client) -> Client:
    client.force_login(builders.maker())
    return client


@pytest.fixture
def helper(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


def words(answer: Any) -> str:
    """What a page says, as one line of text."""
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def typed(**fields: Any) -> dict[str, Any]:
    """A form as a browser sends it, with a token of its own."""
    return {"token": "form-1", "place": "shelf", **fields}


def test_the_list_names_products_parts_and_materials(helper: Client) -> None:
    """24 fern tins in cedar frame, of which an order takes 12; 12 in rain garden usable from Fri 13 March."""
    builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 1, "CF"))

    page = words(helper.get("/bench/stock/"))
    # Free now, reserved, on hand; nothing later, promised, setting, curing, kept back.
    assert "Fern tin, Cedar frame 12 12 24" in page
    assert "Fern tin, Rain garden – 12 from Fri 13 Mar 12" in page
    assert "Soy wax 45,000 g 45,000 g" in page
    assert page.index("Products") < page.index("Parts") < page.index("Materials")


def test_every_figure_of_a_sku_stands_over_its_rows(helper: Client) -> None:
    """36 ordered of 24: 24 are reserved in M-0217, 12 promised; 24 on hand."""
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 3, "CF"))

    page = words(helper.get("/bench/stock/FRN/CF/"))
    assert "Free now – Reserved 24 Promised 12 On hand 24" in page
    assert f"Reserved: 24 Held in a lot for an order, and not packed yet. {order} M-0217" in page
    assert re.search(rf"Promised: 12 .*{order} leaves .* 12 Promised 12", page)


def test_a_delivery_becomes_a_lot_and_says_its_number(helper: Client) -> None:
    form = typed(quantity="2500", supplier_lot="HG-4471", received_on="2026-03-05", expires_on="2027-03-01")

    page = words(helper.post("/bench/receive/OIL-CF/", form, follow=True))

    assert "Received as lot L-1001. Write this number on it." in page
    assert "On hand 2,500 g" in page
    assert "Supplier's lot HG-4471" in page
    assert "Received Thu 5 Mar 13:50 Noor Vale shelf 2,500 g 2,500 g" in page


def test_the_same_delivery_sent_twice_is_booked_once(helper: Client) -> None:
    for _ in range(2):
        helper.post("/bench/receive/OIL-CF/", typed(quantity="2500", received_on="2026-03-05"))

    assert Lot.objects.filter(code__startswith="L-").count() == 1


def test_a_weight_ten_times_off_is_asked_about_and_booked_when_it_is_right(helper: Client) -> None:
    form = {"supplier_lot": "HG-1", "received_on": "2026-03-05"}
    helper.post("/bench/receive/OIL-CF/", typed(quantity="2500", **form))

    answer = helper.post("/bench/receive/OIL-CF/", typed(token="form-2", quantity="25000", **form))
    assert answer.status_code == 422
    assert "25,000 g of Cedar frame oil? The usual delivery is 2,500 g." in words(answer)
    assert 'value="25000"' in answer.content.decode()
    assert re.search(r'<input type="checkbox" name="sure"', answer.content.decode())

    helper.post("/bench/receive/OIL-CF/", typed(token="form-2", quantity="25000", sure="on", **form))
    assert Lot.objects.get(code="L-1002").on_hand == 25_000_000


def test_a_product_is_not_received(helper: Client) -> None:
    assert "Book a delivery" not in words(helper.get("/bench/stock/SUC/RG/"))
    answer = helper.post("/bench/receive/SUC/RG/", typed(quantity="6", received_on="2026-03-05"))
    assert "its lots come from their batches" in words(answer)


def test_a_count_is_booked_with_its_difference(helper: Client) -> None:
    page = words(helper.post("/bench/lots/M-0217/count/", typed(found="22", because="two dented"), follow=True))

    assert "Counted: the ledger agrees with the shelf." in page
    assert "Counted two dented Thu 5 Mar 13:50 Noor Vale shelf −2 22" in page


def test_a_negative_count_keeps_what_was_typed(helper: Client) -> None:
    answer = helper.post("/bench/lots/M-0217/count/", typed(found="-3", because="x"))

    assert answer.status_code == 422
    assert "A count can't be below zero: -3." in words(answer)
    assert 'value="-3"' in answer.content.decode()


def test_orders_that_would_go_short_are_named_and_the_maker_decides(maker: Client) -> None:
    """12 of 24 are held, 10 found: 2 too few."""
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 1, "CF"))
    form = typed(found="10", because="a box fell")

    answer = maker.post("/bench/lots/M-0217/count/", form)
    assert f"Orders hold 12 of M-0217 ({order} 12): 2 too few." in words(answer)
    assert re.search(r'<input type="checkbox" name="short"', answer.content.decode())

    page = words(maker.post("/bench/lots/M-0217/count/", form | {"short": "on"}, follow=True))
    assert "Reserved 10" in page
    assert "2 of M-0217 can't be had any more (a box fell)" in words(maker.get(f"/bench/orders/{order}/"))


def test_a_helper_is_sent_to_the_maker(helper: Client) -> None:
    builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 1, "CF"))

    answer = helper.post("/bench/lots/M-0217/count/", typed(found="10", because="a box fell", short="on"))
    assert "2 too few. Count again, or ask the maker." in words(answer)
    assert 'type="checkbox"' not in answer.content.decode()


def test_breakage_and_moving_are_booked_from_the_place(helper: Client) -> None:
    """24 - 2 = 22, of which 6 go to the market box: 16 stay on the shelf."""
    helper.post("/bench/lots/M-0217/take-out/", typed(quantity="2", kind="breakage", because="fell"))
    page = words(
        helper.post("/bench/lots/M-0217/move/", typed(token="form-2", quantity="6", to="market box"), follow=True)
    )

    assert "Where market box 6, shelf 16" in page
    assert "Broken fell" in page


def test_a_lot_is_stopped_and_released(maker: Client) -> None:
    page = words(maker.post("/bench/lots/M-0217/hold/", {"because": "frosting"}, follow=True))
    assert "On hold: nothing of it is used, promised or packed frosting" in page
    assert "Kept back: 24" in words(maker.get("/bench/stock/FRN/CF/"))

    page = words(maker.post("/bench/lots/M-0217/release/", {"because": "burnt one, fine"}, follow=True))
    assert "State Ready" in page
    assert "Released burnt one, fine" in page


def test_stopping_a_lot_says_what_was_made_of_it_and_stops_that_too_if_asked(maker: Client) -> None:
    """6 ÷ 0.92 = 6.5: 7 rosettes cast of CAST-412, all good; the cups of the order are not topped yet."""
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 1, "RG"))
    tray = Load.objects.get(equipment__code="TRAY-R")
    batches.mark_done(by=builders.helper(), load=tray.pk, made=batches.Made())
    page = words(maker.get("/bench/lots/CAST-412/"))
    assert "Made of it B-1001 Rosette, 7 here Through B-1001 ." in page
    assert "What was made of it is not stopped" not in page

    page = words(maker.post("/bench/lots/CAST-412/hold/", {"because": "dusty"}, follow=True))
    assert "What was made of it is not stopped Look at each lot" in page
    assert Lot.objects.get(code="B-1001").state == "ok"
    asked = {"because": "dusty", "made_of_it": "on"}
    page = words(maker.post("/bench/lots/CAST-412/hold/", asked, follow=True))
    assert "B-1001 Rosette, 7 here On hold Through B-1001 ." in page
    assert "What was made of it" not in page
    assert "B-1001 Rosette On hold" in words(maker.get("/bench/lots/CAST-412/trace/"))
    # Nothing may be taken of the seven, so that the order's rosettes are cast anew.
    assert "Cast rosettes 7 · Pour base 6 · Pipe moss 6" in words(maker.get(f"/bench/orders/{order.number}/"))


def test_a_recall_says_what_was_planned_anew(maker: Client) -> None:
    page = words(maker.post("/bench/lots/M-0217/recall/", {"because": "wick"}, follow=True))

    assert "Recalled. What orders held of it here is planned anew." in page


def test_a_wrong_entry_is_taken_back(maker: Client) -> None:
    maker.post("/bench/lots/M-0217/take-out/", typed(quantity="2", kind="scrap", because="slip"))
    wrong = StockMovement.objects.latest("pk")
    assert "Wrong?" in words(maker.get("/bench/lots/M-0217/"))

    page = words(
        maker.post(f"/bench/lots/M-0217/entries/{wrong.pk}/take-back/", {"because": "it was one"}, follow=True)
    )
    assert "Entry taken back it was one" in page
    assert "Scrapped taken back slip" in page
    assert "Wrong?" not in page


def test_older_entries_are_brought_forward_as_one_sum(helper: Client) -> None:
    """24 opened and 120 counts that agree: 100 are shown, 21 brought forward with their 24."""
    lot = Lot.objects.get(code="M-0217")
    StockMovement.objects.bulk_create(
        StockMovement(lot=lot, quantity=0, at=clock.now(), reason="counted") for _ in range(120)
    )
    page = words(helper.get("/bench/lots/M-0217/"))
    assert "Brought forward 21 older entries 24" in page
    assert "On hand 24" in page


def test_the_maker_names_a_target(maker: Client) -> None:
    page = words(maker.post("/bench/target/FRN/CF/", {"pieces": "36"}, follow=True))

    assert StockTarget.objects.get().pieces == 36
    assert "Wanted free 36 Below target" in page


def test_the_trace_of_a_lot_that_went_nowhere_says_so(helper: Client) -> None:
    page = words(helper.get("/bench/lots/M-0217/trace/"))
    assert "Where it went Nowhere yet that the ledger knows of." in page
    assert "What it came from Nothing else that the ledger knows of." in page


def test_what_is_not_there_is_not_found(maker: Client) -> None:
    for path in ("stock/NONE/", "stock/FRN/", "stock/FRN/XX/", "stock/SOY/RG/", "lots/NONE/", "lots/NONE/trace/"):
        assert maker.get(f"/bench/{path}").status_code == 404, path


LOOK = (
    "/bench/stock/",
    "/bench/stock/SOY/",
    "/bench/stock/FRN/CF/",
    "/bench/lots/M-0217/",
    "/bench/lots/M-0217/trace/",
)
BOTH = ("/bench/lots/M-0217/count/", "/bench/lots/M-0217/take-out/", "/bench/lots/M-0217/move/", "/bench/receive/SOY/")
MAKERS = (
    "/bench/lots/M-0217/release/", "/bench/lots/M-0217/recall/", "/bench/lots/M-0217/entries/1/take-back/",
    "/bench/target/FRN/CF/",
)  # fmt: skip


def test_helpers_look_and_book_and_the_rest_is_the_makers(helper: Client) -> None:
    assert [helper.get(path).status_code for path in LOOK] == [200] * 5
    assert [helper.post(path, {}).status_code for path in BOTH] == [422] * 4
    assert [helper.post(path, {"because": "b"}).status_code for path in MAKERS] == [403] * 4


@pytest.mark.parametrize("role", ["owner", "buyer", "reader", "stranger", ""])
def test_there_is_no_such_page_for_anybody_else(client: Client, role: str) -> None:
    """Nobody is sent to the sign-in page, shops and strangers find nothing."""
    if role:
        shop = Shop.objects.get(slug="brindle-fen")
        client.force_login(builders.stranger() if role == "stranger" else builders.member(shop, role))
    expected = 404 if role else 302

    assert {client.get(path).status_code for path in LOOK} == {expected}
    assert {client.post(path, {"because": "b"}).status_code for path in (*BOTH, *MAKERS)} == {expected}


def test_the_pages_ask_the_same_however_much_there_is(helper: Client, django_assert_num_queries: Any) -> None:
    """Session, user and workshop are 3.

    List: 13 (12 of its query, what is made for the shelf); sku: 16; lot: 13 (5 of what was made of it).
    """
    for cases in (1, 2):
        builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", cases, "CF"))
        helper.post("/bench/receive/SOY/", typed(token=str(cases), quantity="40000", received_on="2026-03-05"))
        with django_assert_num_queries(16):
            helper.get("/bench/stock/")
        with django_assert_num_queries(19):
            helper.get("/bench/stock/FRN/CF/")
        with django_assert_num_queries(14):
            helper.get("/bench/lots/M-0217/")


def test_a_phone_that_opens_a_forms_address_again_is_told_the_way(helper: Client) -> None:
    """A refused form leaves its address in the bar; opened anew it books nothing and leads on."""
    answer = helper.get("/bench/receive/SOY/")

    assert (answer.status_code, answer.headers["Allow"]) == (405, "POST")
    assert "opening it changed nothing" in words(answer)


def test_what_a_form_refuses_is_told_at_the_top_in_plain_words(helper: Client) -> None:
    """An empty amount: the phone begins to read at the top, the field lies far below."""
    page = words(helper.post("/bench/receive/SOY/", {"quantity": ""}))

    assert "Nothing was recorded. What came (grams): This can't stay empty." in page
    assert "This field is required." not in page


def test_a_delivery_in_a_year_long_ago_is_a_slip(helper: Client) -> None:
    """0202 for 2026: not booked, and what was typed stays."""
    typed = {"token": "slip", "quantity": "20000", "place": "shelf", "received_on": "0202-03-05"}

    answer = helper.post("/bench/receive/SOY/", typed)

    assert answer.status_code == 422
    assert "202 is long ago; look at the year again." in words(answer)


@pytest.mark.parametrize("address", ["/bench/day/9999-12-31/", "/bench/day/0001-01-01/", "/bench/capacity/0001-01-01/"])
def test_a_day_beyond_the_calendar_is_not_found(helper: Client, address: str) -> None:
    """Neither has a day before and after it in the calendar of a computer."""
    assert helper.get(address).status_code == 404
