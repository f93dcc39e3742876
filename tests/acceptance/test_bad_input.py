"""Bad input, one by one: a clear error that says what to do, and not one column of one row changed.

Workbooks are loaded over a workshop that runs; orders are sent as a shop's page and
as a program would send them; what happens at the bench and in the books comes from
the maker's pages. A worker and a broker that are lost: `tests/tasks/test_worker.py`.
"""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.test import Client
from pytest_django.fixtures import DjangoCaptureOnCommitCallbacks
from rest_framework.test import APIClient

from accounts.models import Shop, User
from tests import builders
from tests.pages.reading import hidden, text
from tests.servers import free_port
from tests.sheets import Files, append, every_row, mistakes, put
from wholesale import clock, queue
from wholesale.actions import documents, orders, shipping
from wholesale.models import Document, Invoice, Item, Load, Order, Price, ShopAccount

pytestmark = pytest.mark.django_db


@pytest.fixture
def corner() -> Shop:
    """The demo workshop with stock and an open order, and a shop that last ordered in January."""
    builders.mossgate_rows(stock=True)
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    builders.member(shop)
    return shop


# ── a workbook ───────────────────────────────────────────────────────────────


def without(file: str) -> Callable[[Files], Files]:
    return lambda files: {name: content for name, content in files.items() if name != file}


def with_cell(*cell: Any) -> Callable[[Files], Files]:
    return lambda files: put(files, *cell)


def with_row(file: str, **cells: str) -> Callable[[Files], Files]:
    return lambda files: append(files, file, **cells)


# what is done to the folder, the place that is named, what to do
WORKBOOKS = {
    "a file missing": (
        without("addresses.csv"), "addresses.csv: ",
        "the file is missing. Add it, with the columns shop, kind, name, line1",
    ),
    "a wrong type": (
        with_cell("items.csv", 2, "case_pack", "six"), "items.csv, row 2, case_pack: found 'six': ",
        "allowed is a whole number from 1 to",
    ),
    "an unknown item": (
        with_cell("recipe_lines.csv", 10, "component", "BOSE"), "recipe_lines.csv, row 10, component: found 'BOSE': ",
        "name one from items.csv or materials.csv",
    ),
    "a recipe that eats itself": (
        with_row("recipe_lines.csv", item="SEAL", component="SEAL", basis="per_piece", quantity="1"),
        "recipe_lines.csv, row ",
        "The recipe of Seal melt needs Seal melt itself: Seal melt → Seal melt. Take one of these lines out.",
    ),
    "a case pack of zero": (
        with_cell("items.csv", 2, "case_pack", "0"), "items.csv, row 2, case_pack: found '0': ",
        "allowed is a whole number from 1 to",
    ),
    "two rows for one key": (
        with_row("tiers.csv", from_amount="500", percent="6"), "tiers.csv, row 4, from_amount: found '500': ",
        "row 2 already stands for this from_amount. Keep one of the two.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", WORKBOOKS)
def test_a_wrong_workbook_is_refused_whole(corner: Shop, what: str) -> None:
    """A price changed in the same folder is not taken over either: `mistakes` compares every row of every table."""
    spoil, place, words = WORKBOOKS[what]
    files = put(builders.mossgate_files("stock.csv", "orders.csv"), "price_list.csv", 2, "unit_price", "99")

    said = [str(complaint) for complaint in mistakes(spoil(files))]

    assert any(line.startswith(place) and words in line for line in said), said


# ── an order ─────────────────────────────────────────────────────────────────

SHEET = "/shops/corner/order/"
TWO_CUPS = {"c-SUC-RG": "2"}


def rise() -> None:
    Price.objects.filter(item__code="SUC").update(unit_price_e4=130000)


def take_off_sale() -> None:
    Item.objects.filter(code="SUC").update(on_sale=False)


def nothing() -> None:
    """Change nothing between looking and ordering."""


# what is typed, what happens between looking and ordering, who orders: page's status and words, API's status and code
ORDERS: dict[str, tuple[dict[str, str], Callable[[], None], str, int, str, int, str]] = {
    # 1 × 72 < 120, the reorder minimum, by 48; FRN at 90 and PEB at 60 and SUC at 72 close it: PEB is the cheapest
    "below the minimum": (
        {"c-SUC-RG": "1"}, nothing, "buyer",
        422, "$72.00, $48.00 below the minimum for a reorder of $120.00. The cheapest way: 1 more case of Pebble",
        422, "below_minimum",
    ),
    "of zero cases": (
        {"c-SUC-RG": "0"}, nothing, "buyer", 422, "The order is empty; choose at least one case.", 400, "invalid",
    ),
    "of a product no longer sold": (
        TWO_CUPS, take_off_sale, "buyer",
        422, "Succulent cup is no longer sold; take it off the order.", 422, "not_sold",
    ),
    # seen 144 + 18 = 162; now 12 × 13 + 18 = 174
    "with a price that changed since the page was opened": (
        TWO_CUPS, rise, "buyer",
        422, "The total is now $174.00, not 162.00 as you saw it: a price or a rule has changed. Nothing was ordered;",
        409, "price_changed",
    ),
    "from a read-only member": (
        TWO_CUPS, nothing, "reader", 403,
        "You may look, but not order. Ask the owner of the shop's account to let you order.", 403, "may_not_order",
    ),
    "for another shop": (
        TWO_CUPS, nothing, "elsewhere", 404,
        "Nothing stands at this address, or it belongs to somebody else. Look at the address again", 404, "not_found",
    ),
}  # fmt: skip


def person(shop: Shop, who: str) -> User:
    """A member of the shop with this role, or the owner of another one."""
    return builders.member(builders.shop("elsewhere"), "owner") if who == "elsewhere" else builders.member(shop, who)


def seen(shop: Shop, fields: dict[str, str]) -> dict[str, str]:
    """What the page of somebody who may order held when it was opened and worked out."""
    buyer = Client()
    buyer.force_login(builders.member(shop))
    return {**fields, **hidden(buyer.post(SHEET, {**fields, "do": "work"}, follow=True)), "do": "place"}


@pytest.mark.parametrize("what", ORDERS)
def test_a_wrong_order_on_the_page_is_refused_with_what_to_do(corner: Shop, client: Client, what: str) -> None:
    fields, meanwhile, who, status, words, _, _ = ORDERS[what]
    typed = seen(corner, fields)
    meanwhile()
    client.force_login(person(corner, who))
    before = every_row()

    answer = client.post(SHEET, {**typed, "po_number": "PO 7"})

    assert answer.status_code == status
    assert words in text(answer)
    assert every_row() == before
    if status == 422:
        # What was typed stays.
        assert 'value="PO 7"' in answer.content.decode()
        assert f'name="c-SUC-RG" id="c-SUC-RG" value="{fields["c-SUC-RG"]}"' in answer.content.decode()


@pytest.mark.parametrize("what", ORDERS)
def test_a_wrong_order_by_api_is_refused_by_code_and_in_words(corner: Shop, what: str) -> None:
    fields, meanwhile, who, _, words, status, code = ORDERS[what]
    meanwhile()
    caller = APIClient()
    caller.force_authenticate(person(corner, who))
    cases = int(fields["c-SUC-RG"])
    lines = [{"item": "SUC", "cases": cases, "mix": [{"scent": "RG", "pieces": 6}]}]
    before = every_row()

    answer = caller.post(
        "/api/v1/shops/corner/orders/", {"lines": lines, "seen_total": "162.00"}, headers={"Idempotency-Key": "k"}
    )

    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert answer.json()["message"]
    assert status not in {409, 422} or words in answer.json()["message"]
    assert every_row() == before


# ── the bench and the books ──────────────────────────────────────────────────


@pytest.fixture
def maker(client: Client) -> Client:
    """The maker, signed in."""
    client.force_login(builders.maker())
    return client


def test_a_yield_above_what_was_poured_is_refused_with_the_most_there_can_be(corner: Shop, maker: Client) -> None:
    """13 of 12."""
    builders.place(corner, ("SUC", 2, "RG"))
    load = Load.objects.get(equipment__code="POT-A")
    before = every_row()

    answer = maker.post(f"/bench/loads/{load.pk}/done/", {f"good-{load.portions.get().pk}": "13"})

    assert answer.status_code == 422
    assert "13 of 12 can't be good; give a number from 0 to 12." in text(answer)
    assert every_row() == before


def test_an_invoice_asked_for_twice_is_refused_and_the_first_one_named(corner: Shop, maker: Client) -> None:
    """Two cases of fern tins that are in stock."""
    order = builders.place(corner, ("FRN", 2, "CF"))
    orders.confirm(by=builders.maker(), number=order.number)
    line = order.lines.get()
    shipment = shipping.pack(by=builders.maker(), number=order.number, cases={line.pk: 2}, token="once")
    maker.post(f"/bench/shipments/{shipment}/invoice/")
    before = every_row()

    answer = maker.post(f"/bench/shipments/{shipment}/invoice/", follow=True)

    number = Invoice.objects.get().number
    assert f"{shipment} is already invoiced as {number}; nothing was issued. Open that invoice." in text(answer)
    assert every_row() == before


# ── a broker that is lost ────────────────────────────────────────────────────


def test_without_a_broker_orders_are_confirmed_and_their_papers_are_made_when_it_is_back(
    corner: Shop,
    maker: Client,
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Nobody listens on the broker's port: the page answers, the paper waits in its row, the log says what happens."""
    monkeypatch.setitem(queue.app.conf, "broker_url", f"redis://127.0.0.1:{free_port()}/0")
    with django_capture_on_commit_callbacks(execute=True):
        order = builders.place(corner, ("SUC", 2, "RG"))
    with django_capture_on_commit_callbacks(execute=True):
        answer = maker.post(f"/bench/orders/{order.number}/confirm/", follow=True)

    paper = Document.objects.get()
    assert f"{order.number} is confirmed" in text(answer)
    assert f"Order confirmation {order.number} Waiting its turn" in text(answer)
    assert "the sweep finds it." in caplog.text
    assert (paper.state, Order.objects.get(pk=order.pk).state) == ("waiting", "confirmed")

    woken: list[tuple[str, int]] = []
    monkeypatch.setattr(documents, "send_on_commit", lambda name, row_id: woken.append((name, row_id)))
    with clock.at("2026-03-05T13:51"):
        documents.sweep()
    assert (documents.RENDER, paper.pk) in woken


# ── a worker that is lost ────────────────────────────────────────────────────


def test_a_paper_whose_workers_all_died_is_shown_as_failed_with_what_to_do(corner: Shop, maker: Client) -> None:
    """Four workers took it and stopped; the shop is told to ask, the maker is told why and may have it made again."""
    order = builders.place(corner, ("SUC", 2, "RG"))
    orders.confirm(by=builders.maker(), number=order.number)
    Document.objects.update(state="claimed", claimed_at=clock.now(), tries=4, claim="gone")
    with clock.at("2026-03-05T13:55:01"):
        documents.sweep()

    bench = text(maker.get(f"/bench/orders/{order.number}/"))
    maker.force_login(builders.member(corner))
    shop = text(maker.get(f"/shops/corner/orders/{order.number}/"))

    assert "Not made Make it again Each worker that tried it stopped" in bench
    assert "Not made The workshop has been told; ask there if you need it soon." in shop
    assert Document.objects.get().state == "failed"
