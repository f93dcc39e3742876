"""What each caller is answered, and what placing an order by API does."""

from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from rest_framework.test import APIClient

from accounts.models import Shop, User
from tests import builders
from wholesale.models import Order, ShopAccount

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


#: What each of the cast is answered; the order is W-1001 of the shop "corner".
READS = [
    "/api/v1/shops/corner/catalogue/",
    "/api/v1/shops/corner/orders/",
    "/api/v1/shops/corner/orders/W-1001/",
    "/api/v1/shops/corner/orders/W-1001/papers/",
]
CAST = {"owner": 200, "buyer": 200, "reader": 200, "stranger": 404, "maker": 404, "helper": 404, "nobody": 401}


@pytest.mark.parametrize("who", CAST)
def test_each_of_the_cast_reads_what_is_theirs(corner: Shop, who: str) -> None:
    """Members read; strangers and the bench find nothing; nobody must sign in first."""
    place(client(builders.member(corner)))
    caller = client(_person(corner, who))

    assert [caller.get(address).status_code for address in READS] == [CAST[who]] * len(READS)


@pytest.mark.parametrize(("who", "status"), [*CAST.items()])
def test_each_of_the_cast_orders_only_where_they_may(corner: Shop, who: str, status: int) -> None:
    """Owner and buyer order (201); a reader is told no (403); the others as when reading."""
    expected = {200: 201}.get(status, status) if who != "reader" else 403

    assert place(client(_person(corner, who))).status_code == expected


def test_another_shops_order_is_not_found(corner: Shop) -> None:
    """The number is right, the shop is not."""
    place(client(builders.member(corner)))
    other = builders.shop("other")

    assert client(builders.member(other)).get("/api/v1/shops/other/orders/W-1001/").status_code == 404


def test_the_list_asks_as_many_queries_for_one_order_as_for_three(corner: Shop, django_assert_num_queries: Any) -> None:
    """Membership, count, orders: 3."""
    caller = client(builders.member(corner))
    for key in ("a", "b", "c"):
        place(caller, key)
        with django_assert_num_queries(3):
            caller.get("/api/v1/shops/corner/orders/")


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
