"""What each caller is answered, and what placing an order by API does."""

from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from rest_framework.test import APIClient

from accounts.models import Membership, Shop, User
from tests import builders
from tests.actions import rows
from wholesale.actions import documents, orders, production
from wholesale.models import Item, Order, Price, PriceList, SheetRefresh, ShopAccount

pytestmark = pytest.mark.django_db

SNAPSHOT = Path(__file__).with_name("openapi.yaml")
#: The two lines of scenario S1 (trade practice worked by hand, no source): 2 SUC cases and a mixed PEB case.
S1 = [
    {"item": "SUC", "cases": 2, "mix": [{"scent": "RG", "pieces": 6}]},
    {"item": "PEB", "cases": 1, "mix": [{"scent": s, "pieces": 2} for s in ("RG", "CF", "WS")]},
]
TWO_CUPS = {"lines": S1[:1]}


@pytest.fixture
def corner() -> Shop:
    """A shop that has ordered before."""
    builders.mossgate_rows()
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return shop


def client(user: User | None = None) -> APIClient:
    """A client signed in as this person."""
    caller = APIClient()
    if user:
        caller.force_authenticate(user)
    return caller


def place(caller: APIClient, key: str = "k1", **body: Any) -> Any:
    """Place two cases of cups under an idempotency key."""
    return caller.post("/api/v1/shops/corner/orders/", TWO_CUPS | body, headers={"Idempotency-Key": key})


def test_a_token_is_given_for_the_right_password_only(corner: Shop) -> None:
    """And the token opens the caller's shops."""
    member = builders.member(corner)
    wrong = client().post("/api/v1/token/", {"email": member.email, "password": "no"})
    right = client().post("/api/v1/token/", {"email": member.email, "password": builders.PASSWORD})

    assert (wrong.status_code, wrong.json()["code"]) == (422, "sign_in")
    caller = APIClient(headers={"Authorization": f"Token {right.json()['token']}"})
    assert caller.get("/api/v1/shops/").json() == [{"slug": "corner", "name": "Corner", "role": "buyer"}]


def test_the_quote_of_a_first_order_below_the_minimum_says_what_closes_it() -> None:
    """S1: 2 x 72 + 60 = 204; 240 - 204 = 36 missing; the cheapest closing case is PEB at 60."""
    builders.mossgate_rows()
    new = builders.shop("corner")
    body = client(builders.member(new)).post("/api/v1/shops/corner/quote/", {"lines": S1}).json()

    minimum = next(gap for gap in body["gaps"] if gap["kind"] == "minimum")
    assert (body["list_goods"], minimum["missing"]) == ("204.00", "36.00")
    assert (minimum["closer"]["item"], minimum["closer"]["cases"], minimum["closer"]["list_amount"]) == (
        "PEB",
        1,
        "60.00",
    )
    assert body["refusal"]["code"] == "below_minimum"
    assert not Order.objects.exists()


def test_a_quote_tells_the_promise_with_its_gates(corner: Shop) -> None:
    """S3, Thu 5 March 13:50: leaves Mon 16, arrives Wed 18."""
    body = client(builders.member(corner)).post("/api/v1/shops/corner/quote/", TWO_CUPS).json()

    assert (body["promise"]["leaves"], body["promise"]["arrives"]) == ("2026-03-16", "2026-03-18")
    assert [gate["title"] for gate in body["promise"]["gates"] if gate["binding"]] == ["Curing"]


def test_the_same_key_places_one_order(corner: Shop) -> None:
    """The first answer is 201, each later one 200 with the same order."""
    caller = client(builders.member(corner))
    first, second = place(caller), place(caller)

    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json() == second.json()
    assert Order.objects.count() == 1


def test_placing_without_a_key_or_with_another_total_is_refused(corner: Shop) -> None:
    """144 + 18 = 162 is the total; 1 is not what it costs."""
    caller = client(builders.member(corner))

    assert place(caller, key="").json()["code"] == "idempotency_key"
    changed = place(caller, seen_total="1.00")
    assert (changed.status_code, changed.json()["code"], changed.json()["facts"]["now"]) == (
        409,
        "price_changed",
        "162.00",
    )
    assert not Order.objects.exists()


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"lines": []},
        {"lines": [{"item": "SUC", "cases": 0, "mix": [{"scent": "RG", "pieces": 6}]}]},
        {"lines": "x"},
    ],
)
def test_a_malformed_basket_is_told_where_it_is_wrong(corner: Shop, body: dict[str, Any]) -> None:
    """The field that is wrong stands in the answer."""
    answer = client(builders.member(corner)).post("/api/v1/shops/corner/quote/", body)

    assert (answer.status_code, answer.json()["code"]) == (400, "invalid")
    assert answer.json()["field"].startswith("lines")


def test_the_list_asks_as_many_queries_for_one_order_as_for_three(corner: Shop, django_assert_num_queries: Any) -> None:
    """Membership, count, orders: 3."""
    caller = client(builders.member(corner))
    for key in ("a", "b", "c"):
        place(caller, key)
        with django_assert_num_queries(3):
            caller.get("/api/v1/shops/corner/orders/")


@pytest.mark.parametrize("url", ["shops/", "shops/corner/catalogue/", "shops/corner/orders/W-1001/papers/"])
def test_every_other_list_asks_as_many_queries_however_long_it_is(
    corner: Shop, django_assert_num_queries: Any, url: str
) -> None:
    """Shops: 1. Catalogue: membership, and the sheet's 9. Papers: membership, order, papers."""
    buyer = builders.member(corner)
    place(client(buyer))
    documents.queue_paper("confirmation", order=Order.objects.get())
    count = {"shops/": 1, "shops/corner/catalogue/": 10, "shops/corner/orders/W-1001/papers/": 3}[url]
    with django_assert_num_queries(count):
        before = client(buyer).get(f"/api/v1/{url}").json()

    Membership.objects.create(user=buyer, shop=builders.shop("lantern"), role="buyer")
    for number in range(3):
        extra = Item.objects.create(code=f"EX{number}", name="Extra", kind="product", unit="piece", scented=True)
        Price.objects.create(price_list=PriceList.objects.get(), item=extra, unit_price_e4=100000)
    shipment = rows.shipment(Order.objects.get())
    documents.queue_paper("packing_slip", shipment=shipment)

    with django_assert_num_queries(count):
        after = client(buyer).get(f"/api/v1/{url}").json()
    assert len(str(before)) < len(str(after))


def test_the_catalogue_has_prices_and_the_day_each_scent_leaves(corner: Shop) -> None:
    """6 x 12.00 = 72.00; asked on Thu 5 March 13:50 a case of cups leaves on Mon 16; it holds until the cut-off."""
    production.refresh_sheet(SheetRefresh.objects.get(state="waiting").pk)

    body = client(builders.member(corner)).get("/api/v1/shops/corner/catalogue/").json()

    assert (body["currency"], body["cut_off"]) == ("USD", "14:00")
    (cups,) = [product for product in body["products"] if product["code"] == "SUC"]
    assert {name: cups[name] for name in ("case_pack", "unit_price", "case_price", "mix_scents", "mix_least")} == {
        "case_pack": 6, "unit_price": "12.0000", "case_price": "72.00", "mix_scents": 3, "mix_least": 2,
    }  # fmt: skip
    assert [(choice["scent"], choice["leaves"], choice["holds_until"]) for choice in cups["choices"]] == [
        (scent, "2026-03-16", "2026-03-05T14:00:00-05:00") for scent in ("RG", "CF", "WS")
    ]


def test_a_placed_order_is_read_whole(corner: Shop) -> None:
    """2 x 72 + 18 = 162; S3: leaves Mon 16, arrives Wed 18 March."""
    caller = client(builders.member(corner))
    place(caller, po_number="PO 7")

    body = caller.get("/api/v1/shops/corner/orders/W-1001/").json()

    assert (body["number"], body["state"], body["total"], body["po_number"]) == ("W-1001", "placed", "162.00", "PO 7")
    assert (body["leaves"], body["arrives"], body["deposit"]) == ("2026-03-16", "2026-03-18", "0.00")
    assert body["lines"] == [
        {"item": "SUC", "name": "Succulent cup", "cases": 2, "case_pack": 6, "cases_shipped": 0,
         "unit_price": "12.0000", "mix": [{"scent": "RG", "pieces": 6}]},
    ]  # fmt: skip
    assert caller.get("/api/v1/shops/corner/orders/").json() == [
        {name: body[name] for name in ("number", "state", "placed_at", "currency", "total", "leaves", "arrives")}
    ]


def test_a_paper_is_fetched_as_pdf_once_it_is_made_and_by_its_own_shop_only(corner: Shop) -> None:
    caller = client(builders.member(corner))
    place(caller)
    orders.confirm(by=builders.maker(), number="W-1001")
    listed = caller.get("/api/v1/shops/corner/orders/W-1001/papers/").json()
    (paper,) = listed
    address = f"/api/v1/shops/corner/papers/{paper['id']}/"
    early = caller.get(address)
    documents.render(paper["id"])

    made = caller.get(address)

    assert (paper["title"], paper["state"]) == ("Order confirmation W-1001", "waiting")
    assert (early.status_code, early.json()["code"]) == (404, "paper")
    assert caller.get("/api/v1/shops/corner/orders/W-1001/papers/").json()[0]["state"] == "ready"
    assert made.headers["Content-Type"] == "application/pdf"
    assert b"".join(made.streaming_content).startswith(b"%PDF-")  # type: ignore[attr-defined]
    other = client(builders.member(builders.shop("other")))
    assert other.get(address).status_code == 404
    assert other.get(f"/api/v1/shops/other/papers/{paper['id']}/").status_code == 404


def test_the_schema_is_the_one_in_git(tmp_path: Path) -> None:
    """A change of the API shows as a change of the snapshot."""
    made = tmp_path / "openapi.yaml"
    call_command("spectacular", file=str(made), validate=True, fail_on_warn=True)

    hint = "If the change is meant: python manage.py spectacular --file tests/api/openapi.yaml"
    assert made.read_text() == SNAPSHOT.read_text(), hint


def _person(shop: Shop, who: str) -> User | None:
    staff = {"maker": builders.maker, "helper": builders.helper, "stranger": builders.stranger}
    if who == "nobody":
        return None
    return staff[who]() if who in staff else builders.member(shop, who)
