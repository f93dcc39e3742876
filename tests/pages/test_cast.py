"""Who is answered what at each address of the house: the whole URL table, asked by each of the cast.

The cast: owner, buyer and reader of one shop; the stranger, who owns another; nobody,
who is not signed in; the maker; the helper. ``TABLE`` says what each is answered. It
must name every page that the URL table names, and no other.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any
from urllib.parse import unquote

import pytest
from django.db import transaction
from django.test.client import ClientHandler
from django.urls import Resolver404, URLPattern, URLResolver, get_resolver, resolve
from pytest_django import DjangoDbBlocker

from tests import cast
from tests.cast import CAST, OTHER, SECRETS, SHOP, World
from wholesale import clock

pytestmark = pytest.mark.django_db

#: A status, or the address one is sent on to.
Answer = int | str
#: One answer for each of ``CAST``.
Answers = tuple[Answer, ...]
SIGN_IN, PASSWORD_AGAIN = "/accounts/login/?next={here}", "/accounts/reauthenticate/?next={here}"


def members(answer: Answer = 200) -> Answers:
    """Those who act for the shop; for all others there is nothing (404)."""
    return answer, answer, answer, 404, SIGN_IN, 404, 404


def buyers(answer: Answer) -> Answers:
    """Those who may order; a reader is told that it is not theirs (403)."""
    return answer, answer, 403, 404, SIGN_IN, 404, 404


def bench(answer: Answer = 200) -> Answers:
    """Maker and helper; for shops there is nothing (404)."""
    return 404, 404, 404, 404, SIGN_IN, answer, answer


def maker(answer: Answer = 200) -> Answers:
    """The maker; a helper is told that it is not theirs (403)."""
    return 404, 404, 404, 404, SIGN_IN, answer, 403


def known(answer: Answer = 200, nobody: Answer = SIGN_IN) -> Answers:
    """Whoever is signed in."""
    return tuple(nobody if who == "nobody" else answer for who in CAST)


def api(answers: Answers) -> Answers:
    """The same, but a program is not sent to a page to sign in (401)."""
    return tuple(401 if answer == SIGN_IN else answer for answer in answers)


@dataclass(frozen=True)
class Row:
    """A line of the table: a request, and what each of the cast is answered; ``{names}`` are the world's facts."""

    method: str
    address: str
    answers: Answers
    typed: Mapping[str, Any] = field(default_factory=dict)
    writes: bool = False
    #: "" for the whole page, filled in rightly; or how else.
    how: str = ""

    def __str__(self) -> str:
        return f"{self.method} {self.address} {self.how}".rstrip()


def get(address: str, answers: Answers) -> Row:
    """A page."""
    return Row("GET", address, answers)


def part(address: str, answers: Answers, method: str = "GET", **typed: str) -> Row:
    """A part of a page, asked for by htmx."""
    return Row(method, address, answers, typed, how="in part")


def ask(address: str, answers: Answers, typed: Mapping[str, Any] | None = None) -> Row:
    """Something sent that changes nothing."""
    return Row("POST", address, answers, typed or {})


def empty(address: str, answers: Answers) -> Row:
    """A form in which nothing is filled in."""
    return Row("POST", address, answers, how="empty")


def post(address: str, answers: Answers, typed: Mapping[str, Any] | None = None) -> Row:
    """Something sent, and filled in rightly: it changes rows for those who may send it, and only for them."""
    return Row("POST", address, answers, typed or {}, writes=True)


SEEN = {name: f"{{{name}}}" for name in ("seen_basket", "seen_total", "seen_leaves")}
ORDER = {"c-SUC-RG": "2", "token": "t", "do": "place", **SEEN}
PACKED = {"token": "t", "cartons": "1", "cases-{line}": "1"}
PAID = {"token": "t", "amount": "10", "received_on": "2026-03-16"}
WHY = {"because": "The oil is out."}
MOVED_DAY = {"leaves": "2026-04-15", "because": "The oil is late."}
CAME = {"token": "t", "quantity": "5000", "place": "shelf", "received_on": "2026-03-16"}
ON_ORDER = {"token": "o", "quantity": "25000", "expected_on": "2026-03-20"}
FOUND = {"token": "t", "found": "4950", "place": "shelf", "because": "Spilt."}
TAKEN = {"token": "t", "quantity": "2", "kind": "breakage", "because": "Dropped.", "place": "shelf"}
MOVED = {"token": "t", "quantity": "3", "place": "shelf", "to": "stall"}
STOPPED = {"because": "It smells of nothing."}
A_CUP = {"item": "SUC", "scent": "RG", "pieces": "1"}
ILL = {"hands": "bench", "day": "2026-03-17", "minutes": "60"}
BROKEN = {"equipment": "TRAY-P", "count": "1", "first": "2026-03-17"}
TWO_CUPS = {"lines": [{"item": "SUC", "cases": 2, "mix": [{"scent": "RG", "pieces": 6}]}]}

FRONT_DOOR = (*["/shops/fern-and-fable/order/"] * 3, "/shops/moth-and-moon/order/", "/accounts/login/",
              "/bench/queue/", "/bench/queue/")  # fmt: skip
FRONT = [
    get("/", FRONT_DOOR),
    ask("/", FRONT_DOOR),
    get("/healthz", known(nobody=200)),
    ask("/healthz", known(nobody=200)),
]
SHOP_PAGES = [
    get("/shops/fern-and-fable/order/", members()),
    post("/shops/fern-and-fable/order/", buyers("/shops/fern-and-fable/orders/W-1004/"), ORDER),
    post(
        "/shops/fern-and-fable/order/",
        buyers("/shops/fern-and-fable/order/?c-SUC-RG=2"),
        {"c-SUC-RG": "2", "do": "keep"},
    ),
    part("/shops/fern-and-fable/order/panel/", buyers(200), "POST", **{"c-SUC-RG": "2"}),
    get("/shops/fern-and-fable/orders/", members()),
    get("/shops/fern-and-fable/orders/W-1001/", members()),
    part("/shops/fern-and-fable/orders/W-1001/", members()),
    get("/shops/fern-and-fable/orders/W-1003/", members(404)),  # the stranger's
    post("/shops/fern-and-fable/orders/W-1002/withdraw/", buyers("/shops/fern-and-fable/orders/W-1002/")),
    get("/shops/fern-and-fable/papers/{confirmation}/", members()),
    get("/shops/fern-and-fable/papers/{waiting}/", members(404)),
    get("/shops/fern-and-fable/papers/{sheet}/", members(404)),  # made, but the bench's
    part("/shops/fern-and-fable/papers/{waiting}/state/", members()),
    part("/shops/fern-and-fable/papers/{sheet}/state/", members(404)),
    get("/shops/fern-and-fable/account/", members()),
    get("/shops/nowhere/account/", (*[404] * 4, SIGN_IN, 404, 404)),
]
BENCH_PAGES = [
    get("/bench/queue/", bench()),
    post("/bench/queue/plan-again/", bench("/bench/queue/")),
    get("/bench/bad-night/", bench()),
    get("/bench/bad-night/ways-out/", bench()),
    part("/bench/bad-night/ways-out/", bench()),
    ask("/bench/bad-night/ill/", bench(), ILL),  # what would happen
    post("/bench/bad-night/broken/", bench("/bench/bad-night/reports/{next_report}/"), {**BROKEN, "do": "1"}),
    empty("/bench/bad-night/day/", bench(422)),
    ask("/bench/bad-night/flood/", bench(404)),
    get("/bench/bad-night/reports/{report}/", bench()),
    get("/bench/bad-night/reports/9999/", bench(404)),
    post("/bench/bad-night/reports/{report}/take-back/", bench("/bench/bad-night/reports/{next_report}/")),
    ask("/bench/bad-night/rescue/", bench("/bench/bad-night/"), {"code": "more:GOLD", "version": "1"}),  # no way out
    get("/bench/what-if/", bench()),
    get("/bench/what-moved/", bench()),
    post("/bench/what-moved/improve/", bench("/bench/what-moved/")),
    get("/bench/day/", bench()),
    get("/bench/day/2026-03-17/", bench()),
    get("/bench/loads/{load}/", bench()),
    get("/bench/loads/9999/", bench(404)),
    post("/bench/loads/{load}/done/", bench("/bench/loads/{load}/"), {"good-{portion}": "{pieces}"}),
    post("/bench/loads/{load}/sheet/", bench("/bench/loads/{load}/")),
    get("/bench/loads/{load}/room/", bench()),
    post("/bench/loads/{load}/room/fill/", bench("/bench/loads/{load}/room/"), A_CUP),
    ask("/bench/loads/{load}/room/take/", bench("/bench/loads/{load}/room/"), {"demand": "0"}),  # nobody waits
    post("/bench/for-shelf/", bench("/bench/stock/"), A_CUP),
    ask("/bench/for-shelf/", bench("/bench/stock/")),  # nothing is named: told, and nothing made
    post("/bench/for-shelf/{made}/call-off/", bench("/bench/stock/"), STOPPED),
    post(
        "/bench/loads/{load}/weigh/",
        bench("/bench/loads/{load}/"),
        {"grams-{wax}": "{wax_g}", "grams-{oil}": "{oil_g}"},
    ),
    empty("/bench/loads/{load}/weigh/", bench(422)),
    ask("/bench/loads/{load}/scrap/", bench("/bench/loads/{load}/"), {"because": "Spilt."}),  # nothing is begun
    empty("/bench/loads/{load}/scrap/", bench(422)),
    ask("/bench/loads/{load}/release/", bench("/bench/loads/{load}/")),  # nothing to release
    ask("/bench/loads/{load}/take-back/", maker("/bench/loads/{load}/"), {"because": "Wrong."}),  # nor to take back
    get("/bench/needs/", bench()),
    get("/bench/needs/SOY/", bench()),
    get("/bench/needs/BASE/RG/", bench(404)),  # a melt is weighed for its load, not kept
    get("/bench/needs/NOTHING/", bench(404)),
    get("/bench/capacity/", bench()),
    get("/bench/capacity/2026-03-17/", bench()),
    get("/bench/plan/", bench()),
    get("/bench/plan/2026-03-17/", bench()),
    get("/bench/recipes/", bench()),
    get("/bench/recipes/SUC/", bench()),
    get("/bench/recipes/NOTHING/", bench(404)),
    get("/bench/recipes/SUC/edit/", maker()),
    ask("/bench/recipes/SUC/edit/", maker(), {"do": "work"}),
    part("/bench/recipes/SUC/preview/", maker(), "POST"),
    post("/bench/recipes/SUC/cautions/", maker("/bench/recipes/SUC/"), {"cautions": "Mind the wick."}),
    get("/bench/stock/", bench()),
    get("/bench/stock/SOY/", bench()),
    get("/bench/stock/FRN/RG/", bench()),
    get("/bench/stock/NOTHING/", bench(404)),
    post("/bench/receive/SOY/", bench("/bench/lots/L-1004/"), CAME),
    empty("/bench/receive/SOY/", bench(422)),
    ask("/bench/receive/FRN/RG/", bench(422), {**CAME, "quantity": "12"}),  # it is made here
    post("/bench/on-order/SOY/", bench("/bench/stock/SOY/"), ON_ORDER),
    empty("/bench/on-order/SOY/", bench(422)),
    ask("/bench/on-order/FRN/RG/", bench(422), ON_ORDER),  # it is made here
    post("/bench/deliveries/{delivery}/move/", bench("/bench/stock/CASTWAX/"), {"expected_on": "2026-03-27"}),
    ask("/bench/deliveries/9999/move/", bench(404), {"expected_on": "2026-03-27"}),
    post("/bench/deliveries/{delivery}/call-off/", maker("/bench/stock/CASTWAX/"), STOPPED),
    ask("/bench/target/SOY/", maker("/bench/stock/SOY/"), {"pieces": "9"}),  # what is bought has none
    post("/bench/target/FRN/RG/", maker("/bench/stock/FRN/RG/"), {"pieces": "24"}),
    empty("/bench/target/FRN/RG/", maker(422)),
    get("/bench/lots/{lot}/", bench()),
    get("/bench/lots/{lot}/trace/", bench()),
    get("/bench/lots/NOTHING/", bench(404)),
    post("/bench/lots/{lot}/count/", bench("/bench/lots/{lot}/"), FOUND),
    empty("/bench/lots/{lot}/count/", bench(422)),
    post("/bench/lots/{lot}/take-out/", bench("/bench/lots/{lot}/"), TAKEN),
    post("/bench/lots/{lot}/move/", bench("/bench/lots/{lot}/"), MOVED),
    post("/bench/lots/{lot}/hold/", bench("/bench/lots/{lot}/"), STOPPED),
    ask("/bench/lots/{lot}/release/", maker("/bench/lots/{lot}/"), STOPPED),  # it is not on hold
    post("/bench/lots/{lot}/recall/", maker("/bench/lots/{lot}/"), STOPPED),
    post("/bench/lots/{lot}/entries/{entry}/take-back/", maker("/bench/lots/{lot}/"), STOPPED),
    get("/bench/workbook/", maker()),
    get("/bench/workbook/template/", maker()),
    get("/bench/workbook/save/", maker()),
    get("/bench/workbook/save/csv/", maker()),
    empty("/bench/workbook/look/", maker(422)),
    ask("/bench/workbook/load/", maker("/bench/workbook/"), {"token": "of nothing"}),
    get("/bench/orders/W-1001/", bench()),
    get("/bench/orders/W-9999/", bench(404)),
    post("/bench/orders/W-1002/confirm/", maker("/bench/orders/W-1002/")),
    post("/bench/orders/W-1002/refuse/", maker("/bench/orders/W-1002/"), WHY),
    empty("/bench/orders/W-1002/refuse/", maker(422)),
    post("/bench/orders/W-1001/pack/", bench("/bench/shipments/S-1003/"), PACKED),
    empty("/bench/orders/W-1001/pack/", bench(422)),
    post("/bench/orders/W-1002/promise/", maker("/bench/orders/W-1002/"), MOVED_DAY),
    empty("/bench/orders/W-1002/promise/", maker(422)),
    post("/bench/orders/W-1001/deposit/", maker("/bench/orders/W-1001/"), PAID),
    empty("/bench/orders/W-1001/deposit/", maker(422)),
    get("/bench/shipments/S-1001/", bench()),
    get("/bench/shipments/S-9999/", bench(404)),
    post("/bench/shipments/S-1001/ship/", bench("/bench/shipments/S-1001/")),
    post("/bench/shipments/S-1001/invoice/", maker("/bench/invoices/INV-0002/")),
    get("/bench/invoices/", maker()),
    get("/bench/invoices/INV-0001/", maker()),
    get("/bench/invoices/INV-9999/", maker(404)),
    post("/bench/invoices/INV-0001/payment/", maker("/bench/invoices/INV-0001/"), PAID),
    empty("/bench/invoices/INV-0001/payment/", maker(422)),
    post("/bench/invoices/INV-0001/credit/", maker("/bench/invoices/CR-0001/"), WHY),
    empty("/bench/invoices/INV-0001/credit/", maker(422)),
    get("/bench/shops/", maker()),
    get("/bench/shops/fern-and-fable/", maker()),
    get("/bench/shops/nowhere/", maker(404)),
    post("/bench/shops/fern-and-fable/payment/", maker("/bench/shops/fern-and-fable/"), PAID),
    empty("/bench/shops/fern-and-fable/payment/", maker(422)),
    get("/bench/papers/{confirmation}/", bench()),
    get("/bench/papers/{sheet}/", bench()),
    get("/bench/papers/{waiting}/", bench(404)),
    get("/bench/papers/9999/", bench(404)),
    part("/bench/papers/{waiting}/state/", bench()),
    post("/bench/papers/{slip}/again/", maker("/bench/orders/W-1001/")),
]
API = [
    get("/api/v1/schema/", api(known())),
    ask("/api/v1/token/", known(422, nobody=422), {"email": "owner@fern-and-fable.example", "password": "wrong"}),
    get("/api/v1/shops/", api(known())),
    get("/api/v1/shops/fern-and-fable/catalogue/", api(members())),
    ask("/api/v1/shops/fern-and-fable/quote/", api(members()), TWO_CUPS),
    get("/api/v1/shops/fern-and-fable/orders/", api(members())),
    post("/api/v1/shops/fern-and-fable/orders/", api(buyers(201)), TWO_CUPS),
    get("/api/v1/shops/fern-and-fable/orders/W-1001/", api(members())),
    get("/api/v1/shops/fern-and-fable/orders/W-1003/", api(members(404))),
    get("/api/v1/shops/fern-and-fable/orders/W-1001/papers/", api(members())),
    get("/api/v1/shops/fern-and-fable/papers/{confirmation}/", api(members())),
    get("/api/v1/shops/fern-and-fable/papers/{waiting}/", api(members(404))),
    get("/api/v1/shops/fern-and-fable/papers/{sheet}/", api(members(404))),
]
#: What is sent here is empty: filled in rightly it is `test_sign_in`'s. Allauth knows no
#: roles, so one of those who are signed in asks for all.
ACCOUNTS = [
    get("/accounts/login/", known("/", nobody=200)),
    ask("/accounts/login/", known("/", nobody=200)),
    get("/accounts/logout/", known(nobody="/")),
    ask("/accounts/logout/", known("/", nobody="/")),
    get("/accounts/inactive/", known(nobody=200)),
    get("/accounts/signup/", known("/", nobody=200)),
    ask("/accounts/signup/", known("/", nobody=200)),
    get("/accounts/reauthenticate/", known()),
    ask("/accounts/reauthenticate/", known()),
    get("/accounts/email/", known()),
    ask("/accounts/email/", known("/accounts/email/")),
    get("/accounts/confirm-email/", known(nobody=200)),
    get("/accounts/confirm-email/of-nobody/", known(nobody=200)),
    ask("/accounts/confirm-email/of-nobody/", known(404, nobody=404)),
    get("/accounts/password/change/", known()),
    ask("/accounts/password/change/", known()),
    get("/accounts/password/set/", known("/accounts/password/change/")),
    ask("/accounts/password/set/", known("/accounts/password/change/")),
    get("/accounts/password/reset/", known(nobody=200)),
    ask("/accounts/password/reset/", known(nobody=200)),
    get("/accounts/password/reset/done/", known(nobody=200)),
    get("/accounts/password/reset/key/done/", known(nobody=200)),
    get("/accounts/password/reset/key/1-of-nobody/", known(nobody=200)),
    ask("/accounts/password/reset/key/1-of-nobody/", known(nobody=200)),
    get("/accounts/login/code/confirm/", known("/", nobody="/accounts/login/")),
    ask("/accounts/login/code/confirm/", known("/", nobody="/accounts/login/")),
    get("/accounts/2fa/", known()),
    get("/accounts/2fa/authenticate/", known("/", nobody="/accounts/login/")),
    ask("/accounts/2fa/authenticate/", known("/", nobody="/accounts/login/")),
    get("/accounts/2fa/reauthenticate/", known("/accounts/reauthenticate/")),
    ask("/accounts/2fa/reauthenticate/", known("/accounts/reauthenticate/")),
    get("/accounts/2fa/totp/activate/", known(PASSWORD_AGAIN)),
    ask("/accounts/2fa/totp/activate/", known(PASSWORD_AGAIN)),
    get("/accounts/2fa/totp/deactivate/", known(404)),  # nobody has a second step
    ask("/accounts/2fa/totp/deactivate/", known(404)),
    get("/accounts/2fa/recovery-codes/", known(404)),
    get("/accounts/2fa/recovery-codes/generate/", known(PASSWORD_AGAIN)),
    ask("/accounts/2fa/recovery-codes/generate/", known(PASSWORD_AGAIN)),
    get("/accounts/2fa/recovery-codes/download/", known(404)),
    ask("/accounts/2fa/recovery-codes/download/", known(404)),
]
HOUSE = [*FRONT, *SHOP_PAGES, *BENCH_PAGES, *API]
TABLE = [*HOUSE, *ACCOUNTS]
#: Pages and endpoints of a shop: those that name something of it, and those that don't.
OF_A_SHOP = [row for row in (*SHOP_PAGES, *API) if f"/{SHOP}/" in row.address]
NUMBERED = [row for row in OF_A_SHOP if re.search(r"W-100[12]|{", row.address)]
PLAIN = [row for row in OF_A_SHOP if not re.search(r"W-|{", row.address)]
CASES = [(row, who) for row in HOUSE for who in CAST] + [(row, who) for row in ACCOUNTS for who in ("owner", "nobody")]
#: These take any method: one only leads on, the other only says that it is well.
ANY_METHOD = {"/", "/healthz"}


@pytest.fixture(scope="module")
def world(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[World]:
    """One world for all tests of this file; each test takes back what it did."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield cast.build()
        cast.clear()
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def before(world: World) -> cast.Rows:
    """Every row as each test finds it."""
    return cast.rows()


@pytest.fixture(scope="module")
def names(world: World) -> dict[str, str]:
    """The name of the page at each address of the table."""
    return {row.address: name_at(row.address.format(**world.facts)) for row in TABLE}


def name_at(path: str) -> str:
    """The name of the page there, or that there is none."""
    try:
        return resolve(path).view_name
    except Resolver404:
        return f"nothing at {path}"


@pytest.fixture(autouse=True)
def _now() -> Iterator[None]:
    """The hour at which W-1001 has a case to pack."""
    with clock.at(cast.NOW):
        yield


def filled(typed: Mapping[str, Any], facts: Mapping[str, str]) -> dict[str, Any]:
    """What is sent, with the world's facts in it."""
    return {k.format(**facts): v.format(**facts) if isinstance(v, str) else v for k, v in typed.items()}


def answered(world: World, who: str, row: Row) -> tuple[Answer, str]:
    """Ask as one of the cast; return the answer and the text of its body."""
    path, is_api = row.address.format(**world.facts), row.address.startswith("/api/")
    how: dict[str, Any] = {"content_type": "application/json"} if is_api and row.method == "POST" else {}
    headers = {"Idempotency-Key": "k"} | ({"HX-Request": "true"} if row.how == "in part" else {})
    send = getattr(world.client(who, api=is_api), row.method.lower())
    answer = send(path, filled(row.typed, world.facts), headers=headers, **how)
    return unquote(answer.headers.get("Location", "")) or answer.status_code, answer.getvalue().decode(errors="replace")


def pages(patterns: list[Any], within: str = "") -> Iterator[str]:
    """The name of each address of the URL table; of one without a name, its pattern."""
    for pattern in patterns:
        if isinstance(pattern, URLResolver):
            inside = f"{within}{pattern.namespace}:" if pattern.namespace else within
            yield from pages(pattern.url_patterns, inside)
        elif isinstance(pattern, URLPattern):
            yield f"{within}{pattern.name or pattern.pattern}"


def read_of_the_shop(body: str, asked: str = "") -> list[str]:
    """What a body tells of the shop that was not in the address."""
    return [secret for secret in SECRETS if secret in body and secret not in asked]


def test_the_table_names_each_page_of_the_house_and_no_other(names: dict[str, str]) -> None:
    """Nor are there two pages of one name: one of them would go untried."""
    listed, tried = list(pages(get_resolver().url_patterns)), set(names.values())

    assert set(listed) ^ tried == set()
    assert len(listed) == len(set(listed))


@pytest.mark.parametrize(("row", "who"), CASES, ids=str)
def test_each_of_the_cast_is_answered_as_the_table_says(
    world: World, before: cast.Rows, row: Row, who: str
) -> None:  # fmt: skip
    """And what is refused changes no row; strangers and nobody read nothing of the shop in any answer."""
    expected = row.answers[CAST.index(who)]

    answer, body = answered(world, who, row)

    here = {"here": row.address.format(**world.facts)}
    assert answer == (expected.format(**here, **world.facts) if isinstance(expected, str) else expected)
    changed = [table for table, rows in cast.rows().items() if rows != before[table]]
    assert bool(changed) is (row.writes and expected not in (SIGN_IN, 401, 403, 404)), changed
    if who in ("stranger", "nobody"):
        assert read_of_the_shop(body) == []


def test_others_read_what_the_stranger_must_not(world: World) -> None:
    """So that looking for it in the stranger's answers can find something."""
    read = "".join(answered(world, who, get(f"/{page}/", ()))[1] for who, page in (
        ("owner", f"shops/{SHOP}/orders"), ("owner", f"shops/{SHOP}/orders/W-1001"), ("maker", f"bench/shops/{SHOP}"),
    ))  # fmt: skip

    assert read_of_the_shop(read) == list(SECRETS)


def own(row: Row) -> Row:
    """The same, asked at the stranger's own shop."""
    return replace(row, address=row.address.replace(SHOP, OTHER))


@pytest.mark.parametrize("row", NUMBERED, ids=str)
def test_nothing_of_the_shop_is_found_through_the_strangers_own(world: World, before: cast.Rows, row: Row) -> None:
    answer, body = answered(world, "stranger", own(row))

    assert (answer, cast.rows()) == (404, before)
    assert read_of_the_shop(body, own(row).address) == []


@pytest.mark.parametrize("row", PLAIN, ids=str)
def test_at_their_own_shop_a_stranger_is_the_owner_and_reads_nothing_of_the_other(world: World, row: Row) -> None:
    owners = row.answers[0]

    answer, body = answered(world, "stranger", own(row))

    assert answer == (owners.replace(SHOP, OTHER) if isinstance(owners, str) else owners)
    assert read_of_the_shop(body) == []


def test_a_stranger_repeats_no_order_of_the_shop(world: World) -> None:
    page = world.client("stranger").get(f"/shops/{OTHER}/order/?again=W-1001").content.decode()

    assert "There is no order W-1001 to repeat." in page


@pytest.mark.parametrize("row", [row for row in (*SHOP_PAGES, *BENCH_PAGES) if row.writes], ids=str)
def test_a_form_sent_from_another_site_is_not_taken(world: World, before: cast.Rows, row: Row) -> None:
    """The owner's or maker's browser sends their session along, but has no token of ours (403)."""
    client = world.client("maker" if row in BENCH_PAGES else "owner")
    client.handler = ClientHandler(enforce_csrf_checks=True)

    answer = client.post(row.address.format(**world.facts), filled(row.typed, world.facts))

    assert (answer.status_code, cast.rows()) == (403, before)


@pytest.mark.parametrize("address", dict.fromkeys(row.address for row in TABLE if row.address not in ANY_METHOD))
def test_a_method_that_the_table_does_not_name_is_not_taken(
    world: World, before: cast.Rows, names: dict[str, str], address: str
) -> None:  # fmt: skip
    """The sign-in pages are allauth's, which takes a PUT for a POST; there, only GET and POST are asked."""
    page = names[address]
    methods = {"GET", "POST"} if address.startswith("/accounts/") else {"GET", "POST", "PUT", "PATCH", "DELETE"}
    others = methods - {row.method for row in TABLE if names[row.address] == page}
    client = world.client("maker" if page.startswith("bench:") else "owner", api=page.startswith("api:"))

    answers = {method: client.generic(method, address.format(**world.facts)).status_code for method in others}

    assert answers == dict.fromkeys(others, 405)
    assert cast.rows() == before
