"""From "placed" to "paid" through the maker's pages, and who may open which of them."""

import html
import re
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from tests.remembered import remembered
from wholesale import clock
from wholesale.models import Invoice, Load, Order, OrderLine, Payment, Shipment

PACKING_DAY = "2026-03-16T09:00"


@pytest.fixture(autouse=True)
def _rows(db: None, request: pytest.FixtureRequest) -> None:
    """The rows a test begins with: the workshop's alone, or with its one order as far on its way as the test asks."""
    ways = {"invoiced": _bill, "made": _make, "order": _order}
    asked = next((name for name in ways if name in request.fixturenames), "")
    if asked:
        remembered(f"trade {asked}", ways[asked])
    else:
        builders.mossgate_rows()


def _order() -> None:
    """2 cases of SUC in rain garden for Brindle & Fen, placed Thu 5 March 13:50."""
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))


def _make() -> None:
    """The order confirmed and made, every load on its own day, all good; sellable Mon 16 March."""
    _order()
    maker = _signed_in(Client())
    maker.post(f"/bench/orders/{Order.objects.get().number}/confirm/")
    while load := Load.objects.filter(done_at__isnull=True).order_by("day", "pk").first():
        with clock.at(f"{load.day}T09:00"):
            good = {f"good-{portion.pk}": portion.pieces for portion in load.portions.all()}
            assert maker.post(f"/bench/loads/{load.pk}/done/", good).status_code == 302


def _bill() -> None:
    """Both cases packed and invoiced on Mon 16 March: 144.00 + 18.00 freight = 162.00, free of tax (certificate)."""
    _make()
    maker = _signed_in(Client())
    with clock.at(PACKING_DAY):
        pack(maker, Order.objects.get(), 2)
        maker.post("/bench/shipments/S-1001/invoice/")


def _signed_in(client: Client) -> Client:
    client.force_login(builders.maker())
    return client


@pytest.fixture
def order() -> Order:
    """The order as it was placed; see ``_order``."""
    return Order.objects.get()


@pytest.fixture
def made() -> Order:
    """The order when it is made; see ``_make``."""
    return Order.objects.get()


@pytest.fixture
def invoiced() -> Invoice:
    """The order's invoice; see ``_bill``."""
    return Invoice.objects.get()


@pytest.fixture
def maker(client: Client) -> Client:
    return _signed_in(client)


def words(answer: Any) -> str:
    """What a page says, as one line of text."""
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def hidden(answer: Any, name: str = "token", nth: int = 0) -> str:
    """A hidden field's value on a page."""
    return str(re.findall(rf'name="{name}" value="([^"]+)"', answer.content.decode())[nth])


def pack(maker: Client, order: Order, cases: int) -> Any:
    """Pack some cases of the order's one line with the form of its page."""
    line = OrderLine.objects.get(order=order)
    token = hidden(maker.get(f"/bench/orders/{order.number}/"))
    typed = {"token": token, "cartons": 1, f"cases-{line.pk}": cases}
    return maker.post(f"/bench/orders/{order.number}/pack/", typed, follow=True)


def pay(maker: Client, number: str, amount: str, token: str) -> Any:
    """Type a payment on Wed 1 April, when the days for the early discount are over (16 + 10 = Thu 26 March)."""
    typed = {"token": token, "amount": amount, "received_on": "2026-04-01", "reference": "transfer"}
    with clock.at("2026-04-01T10:00"):
        return maker.post(f"/bench/invoices/{number}/payment/", typed, follow=True)


def test_confirming_sends_the_confirmation(maker: Client, order: Order) -> None:
    page = words(maker.post(f"/bench/orders/{order.number}/confirm/", follow=True))
    assert "is confirmed" in page
    assert f"Order confirmation {order.number}" in page
    assert "Confirm the order" not in page


def test_confirming_twice_says_why_not(maker: Client, order: Order) -> None:
    maker.post(f"/bench/orders/{order.number}/confirm/")
    page = words(maker.post(f"/bench/orders/{order.number}/confirm/", follow=True))
    assert f"Order {order.number} is confirmed; it can't become confirmed any more." in page


def test_refusing_needs_a_reason(maker: Client, order: Order) -> None:
    answer = maker.post(f"/bench/orders/{order.number}/refuse/", {"because": ""})
    assert answer.status_code == 422
    assert Order.objects.get().state == "placed"


def test_a_refused_order_leaves_the_queue_and_the_plan(maker: Client, order: Order) -> None:
    page = words(maker.post(f"/bench/orders/{order.number}/refuse/", {"because": "Oil is out."}, follow=True))
    assert "Refused Oil is out." in page
    assert "No order is open" in words(maker.get("/bench/queue/"))
    assert not Load.objects.exists()


def test_an_order_shows_its_gates_and_its_steps_by_day(maker: Client, order: Order) -> None:
    page = words(maker.get(f"/bench/orders/{order.number}/"))
    assert "Promised to leave Mon 16 Mar" in page
    assert "Pipe moss Succulent cup, Rain garden Fri 6 Mar 12 To do" in page
    # 12 pieces × 12.00 = 144.00; below 400 freight is 18.00; 162.00 in all.
    assert "$162.00" in page


def test_nothing_can_be_packed_before_it_is_sellable(maker: Client, made: Order) -> None:
    """Piped Fri 6 + 10 days of cure = Mon 16; on Sun 15 no case is ready."""
    with clock.at("2026-03-15T09:00"):
        assert "No whole case is ready today." in words(maker.get(f"/bench/orders/{made.number}/"))


def test_a_part_of_an_order_is_packed_and_the_rest_waits(maker: Client, made: Order) -> None:
    with clock.at(PACKING_DAY):
        page = words(pack(maker, made, 1))
        assert "Packed as S-1001" in page
        assert "Succulent cup 6 Rain garden 2 0 1 1" in page  # ordered 2, before 0, here 1, waiting 1
        assert "Packing slip S-1001" in page
        again = words(maker.get(f"/bench/orders/{made.number}/"))
    assert "Pack these cases" in again


def test_more_cases_than_are_ready_are_refused_and_the_form_is_kept(maker: Client, made: Order) -> None:
    with clock.at(PACKING_DAY):
        answer = pack(maker, made, 3)
    assert answer.status_code == 422
    assert "3 cases are more than the 2 still open; type at most that." in words(answer)
    assert 'value="3"' in answer.content.decode()
    assert not Shipment.objects.exists()


def test_the_same_pack_form_sent_twice_packs_once(maker: Client, made: Order) -> None:
    line = OrderLine.objects.get(order=made)
    with clock.at(PACKING_DAY):
        typed = {"token": "one-form", "cartons": 1, f"cases-{line.pk}": 1}
        for _ in range(2):
            assert maker.post(f"/bench/orders/{made.number}/pack/", typed).status_code == 302
    assert Shipment.objects.count() == 1


def test_a_shipment_leaves_with_its_carrier(maker: Client, made: Order) -> None:
    """Leaves Mon 16; two carrier days later is Wed 18 March."""
    with clock.at(PACKING_DAY):
        pack(maker, made, 2)
        typed = {"carrier": "Valley Parcel", "tracking": "VP 7"}
        page = words(maker.post("/bench/shipments/S-1001/ship/", typed, follow=True))
    assert "Left Mon 16 Mar" in page
    assert "Arrives Wed 18 Mar" in page
    assert "Valley Parcel VP 7" in page
    assert Order.objects.get().state == "shipped"


def test_an_invoice_is_written_from_the_shipment_once(maker: Client, invoiced: Invoice) -> None:
    """2 cases = 144.00, freight 18.00, no tax: 162.00."""
    page = words(maker.get(f"/bench/invoices/{invoiced.number}/"))
    assert "Due when it was written $162.00" in page
    again = words(maker.post("/bench/shipments/S-1001/invoice/", follow=True))
    assert f"already invoiced as {invoiced.number}" in again
    assert Invoice.objects.count() == 1


def test_an_invoice_is_paid_in_parts_and_what_is_over_stands_on_account(maker: Client, invoiced: Invoice) -> None:
    """162.00 − 100.00 = 62.00 open; then 70.00 settles it with 8.00 over. 1 April is past the early days."""
    first = words(pay(maker, invoiced.number, "100.00", "first"))
    assert "Open $62.00" in first
    second = words(pay(maker, invoiced.number, "70.00", "second"))
    assert "is settled" in second
    assert "Recorded $70.00." in second
    assert "$8.00 stands on the shop's account" in second
    assert "On account $8.00" in words(maker.get("/bench/shops/brindle-fen/"))


def test_a_payment_form_sent_twice_counts_once(maker: Client, invoiced: Invoice) -> None:
    for _ in range(2):
        pay(maker, invoiced.number, "100.00", "the-same")
    assert Payment.objects.count() == 1


@pytest.mark.parametrize("amount", ["0", "-5", "", "ten", "1.005"])
def test_an_amount_that_is_none_is_refused_and_kept(maker: Client, invoiced: Invoice, amount: str) -> None:
    answer = pay(maker, invoiced.number, amount, "x")
    assert answer.status_code == 422
    assert f'value="{amount}"' in answer.content.decode() or not amount
    assert not Payment.objects.exists()


def test_a_full_credit_takes_the_invoice_back(maker: Client, invoiced: Invoice) -> None:
    url = f"/bench/invoices/{invoiced.number}/credit/"
    page = words(maker.post(url, {"because": "Wrong address."}, follow=True))
    assert f"Takes back {invoiced.number} : Wrong address." in page
    assert "Credited" in words(maker.get("/bench/invoices/"))
    assert "Taken back in full" in words(maker.get(f"/bench/invoices/{invoiced.number}/"))


def test_a_credit_needs_a_reason(maker: Client, invoiced: Invoice) -> None:
    assert maker.post(f"/bench/invoices/{invoiced.number}/credit/", {"because": " "}).status_code == 422
    assert Invoice.objects.count() == 1


def test_a_deposit_is_due_until_it_is_recorded(maker: Client) -> None:
    """A first order: 4 cases of SUC = 288.00 + 18.00 = 306.00; half of it is 153.00."""
    first = builders.place(Shop.objects.get(slug="oddment-row"), ("SUC", 4, "RG"))
    assert "Due $153.00" in words(maker.get("/bench/queue/"))
    typed = {"token": "d", "amount": "153.00", "received_on": "2026-03-05", "reference": ""}
    page = words(maker.post(f"/bench/orders/{first.number}/deposit/", typed, follow=True))
    assert "Deposit $153.00 Received" in page
    assert "Received" in words(maker.get("/bench/queue/"))


def test_a_shop_payment_settles_what_is_due_first(maker: Client, invoiced: Invoice) -> None:
    typed = {"token": "s", "amount": "162.00", "received_on": "2026-04-01", "reference": ""}
    with clock.at("2026-04-01T10:00"):
        page = words(maker.post("/bench/shops/brindle-fen/payment/", typed, follow=True))
    assert "Open on invoices $0.00" in page
    assert "Nothing is open." in page


def test_what_is_packed_but_not_invoiced_stands_above_the_invoices(maker: Client, made: Order) -> None:
    with clock.at(PACKING_DAY):
        pack(maker, made, 2)
    assert "Packed, not invoiced" in words(maker.get("/bench/invoices/"))


def test_the_shops_page_says_whose_certificate_holds(maker: Client) -> None:
    page = words(maker.get("/bench/shops/"))
    assert "Brindle & Fen Holds" in page
    assert "Quillwort Corner Bill with tax" in page


# ── signing in, and papers ───────────────────────────────────────────────────


def test_nobody_is_sent_to_sign_in_and_back(client: Client) -> None:
    assert client.get("/bench/queue/").headers["Location"] == "/accounts/login/?next=/bench/queue/"


def test_a_finished_paper_is_sent_as_pdf(maker: Client, invoiced: Invoice) -> None:
    from wholesale.actions import documents

    paper = invoiced.documents.get()
    with clock.at(PACKING_DAY):
        documents.render(paper.pk)
    answer = maker.get(f"/bench/papers/{paper.pk}/")
    assert answer.headers["Content-Type"] == "application/pdf"
    assert b"".join(answer.streaming_content).startswith(b"%PDF-")  # type: ignore[attr-defined]


def test_a_failed_paper_is_shown_with_its_reason_and_tried_again(maker: Client, invoiced: Invoice) -> None:
    invoiced.documents.update(state="failed", error="No room on the disk.")
    page = words(maker.get(f"/bench/orders/{invoiced.order}/"))
    assert "Not made" in page
    assert "No room on the disk." in page
    paper = invoiced.documents.get()
    after = words(maker.post(f"/bench/papers/{paper.pk}/again/", follow=True))
    assert "is being made again" in after
    paper.refresh_from_db()
    assert paper.state == "waiting"


def test_the_invoice_list_asks_the_same_number_of_questions_however_long_it_is(
    maker: Client, invoiced: Invoice, django_assert_num_queries: Any
) -> None:
    # session, user (2) · workshop for the head (1) · count, rows (2) · shipments not invoiced (1; their
    # invoices are asked for only when there are any)
    with django_assert_num_queries(6):
        maker.get("/bench/invoices/")
    maker.post(f"/bench/invoices/{invoiced.number}/credit/", {"because": "Wrong address."})
    maker.post("/bench/shipments/S-1001/invoice/")
    assert Invoice.objects.count() == 3
    with django_assert_num_queries(6):
        maker.get("/bench/invoices/")
