"""Ordering on a phone and on a desk, with and without JavaScript, and for everybody.

Playwright and the ORM don't mix in one function: rows are written and read in fixtures.
"""

from collections.abc import Callable, Iterator
from datetime import date
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from tests import builders
from wholesale.models import Order, ShopAccount

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
Opener = Callable[..., Page]


@pytest.fixture
def session(transactional_db: None) -> str:
    """The session of a buyer whose shop ordered in January."""
    builders.mossgate_rows()
    shop = builders.shop("fern-and-fable")
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    client = Client()
    client.force_login(builders.member(shop))
    return client.cookies[settings.SESSION_COOKIE_NAME].value


@pytest.fixture
def placed(session: str) -> str:
    """The number of an order the shop has placed."""
    return builders.place(builders.shop("fern-and-fable"), ("SUC", 2, "RG")).number


@pytest.fixture
def opened(browser: Browser, live_server: LiveServer, session: str) -> Iterator[Opener]:
    """Open one of the shop's pages, signed in, on a screen of a given size."""
    contexts = []

    def open_page(path: str, screen: dict[str, int], **also: Any) -> Page:
        context = browser.new_context(viewport=screen, reduced_motion="reduce", **also)  # type: ignore[arg-type]
        contexts.append(context)
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
        page = context.new_page()
        page.goto(f"{live_server.url}/shops/fern-and-fable/{path}")
        return page

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture
def in_the_books(transactional_db: None) -> Iterator[list[int]]:
    """The list goods each order must have come to, checked once the browser is done."""
    expected: list[int] = []
    yield expected
    assert list(Order.objects.order_by("pk").values_list("list_minor", flat=True)) == expected


def serious(page: Page) -> list[str]:
    """What axe finds that keeps somebody from using the page."""
    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {v['nodes'][0]['html']}" for v in found if v["impact"] in {"serious", "critical"}]


def fits(page: Page) -> bool:
    """Does nothing stick out at the side?"""
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def test_a_reorder_of_two_cases_takes_three_taps_on_a_phone(opened: Opener, in_the_books: list[int]) -> None:
    """Tap +, tap +, tap Place order; 2 × 72.00 = 144.00 goods, + 18 freight = 162.00, leaves Mon 16 March."""
    page = opened("order/", PHONE, has_touch=True)
    more = page.get_by_role("button", name="More: Cases of Succulent cup, Rain garden")
    more.tap()
    more.tap()
    bar = page.get_by_role("region", name="Order total")
    expect(bar).to_contain_text("$162.00")
    expect(bar).to_contain_text("Leaves Mon 16 Mar")
    bar.get_by_role("button", name="Place order").tap()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")
    in_the_books.append(14400)


def test_the_same_as_last_time_takes_two_taps(opened: Opener, placed: str, in_the_books: list[int]) -> None:
    page = opened("order/", PHONE, has_touch=True)
    page.get_by_role("link", name="Same as last time").tap()
    page.get_by_role("button", name="Place order").tap()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")
    in_the_books.extend([14400, 14400])


def test_an_order_is_placed_without_javascript(opened: Opener, in_the_books: list[int]) -> None:
    page = opened("order/", PHONE, java_script_enabled=False)
    page.get_by_role("spinbutton", name="Cases of Succulent cup, Rain garden").fill("2")
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_role("spinbutton", name="Cases of Succulent cup, Rain garden")).to_have_value("2")
    expect(page.get_by_role("region", name="Order total")).to_contain_text("$162.00")
    page.get_by_role("button", name="Place order").click()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")
    in_the_books.append(14400)


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_what_comes_sooner_is_taken_with_one_tap(opened: Opener, in_the_books: list[int], *, script: bool) -> None:
    """2 cases of cups leave on Mon 16; fetched they are with the shop that day, without the 18 of freight."""
    page = opened("order/?c-SUC-RG=2", PHONE, java_script_enabled=script)
    page.get_by_role("button", name="Fetch it from the workshop").click()

    expect(page.locator("#panel")).to_contain_text("Ready for you to fetch that day.")
    expect(page.get_by_role("region", name="Order total")).to_contain_text("$144.00")
    page.get_by_role("button", name="Place order").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")
    in_the_books.append(14400)


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_back_from_an_order_finds_the_sheet_as_it_was_worked_out(
    opened: Opener, in_the_books: list[int], *, script: bool
) -> None:
    """What came of a press is a page to go back to, not a form that the browser would have to send again."""
    page = opened("order/?c-SUC-RG=2", PHONE, java_script_enabled=script)
    page.get_by_role("button", name="Fetch it from the workshop").click()
    expect(page.locator("#panel")).to_contain_text("Changed: you fetch it from the workshop.")
    page.get_by_role("button", name="Place order").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")

    page.go_back()

    expect(page.get_by_role("heading", level=1)).to_have_text("Order sheet")
    expect(page.get_by_role("spinbutton", name="Cases of Succulent cup, Rain garden")).to_have_value("2")
    expect(page.locator("#panel")).to_contain_text("Ready for you to fetch that day.")
    in_the_books.append(14400)


def test_two_quick_presses_place_one_order(opened: Opener, in_the_books: list[int]) -> None:
    page = opened("order/?c-SUC-RG=2", DESK)
    page.get_by_role("button", name="Place order").dblclick()

    expect(page.get_by_role("heading", level=1)).to_contain_text("Order W-")
    in_the_books.append(14400)


def test_what_is_no_number_of_cases_is_told_while_it_is_typed(opened: Opener) -> None:
    """The total never stays behind what stands in the field."""
    page = opened("order/?c-SUC-RG=2", PHONE)
    field, bar = page.get_by_role("spinbutton", name="Cases of Succulent cup, Rain garden"), page.locator("#bar")
    expect(bar).to_contain_text("$162.00")

    for typed, told in (("2.5", "is not a number of cases"), ("-3", "from 1 to 99"), ("1000", "from 1 to 99")):
        field.fill(typed)
        field.blur()
        expect(page.locator("#p-SUC").get_by_role("alert")).to_contain_text(told)
        expect(bar).to_contain_text("See what is marked")
        expect(bar).not_to_contain_text("$162.00")


def test_a_wrong_mix_is_told_beside_the_product_while_it_is_typed(opened: Opener) -> None:
    page = opened("order/", DESK)
    product = page.locator("#p-SUC")
    product.locator("summary").click()
    product.get_by_role("button", name="More: Mixed cases of Succulent cup").click()
    product.get_by_role("button", name="More: Pieces of Rain garden").click()

    # 3 + 2 + 2 = 7 of 6
    expect(product.get_by_role("alert")).to_contain_text("the case holds 6 pieces, the scents chosen make 7")
    product.get_by_role("button", name="Fewer: Pieces of Wet stone").click()
    expect(product.get_by_role("alert")).to_contain_text("needs at least 2 of each scent; too few of Wet stone")
    product.get_by_role("button", name="More: Pieces of Wet stone").click()
    product.get_by_role("button", name="Fewer: Pieces of Rain garden").click()
    expect(product.get_by_role("alert")).to_be_empty()


@pytest.mark.parametrize("screen", [PHONE, DESK], ids=["phone", "desk"])
def test_sheet_and_order_are_usable_by_everybody(opened: Opener, placed: str, screen: dict[str, int]) -> None:
    sheets = ("order/?c-SUC-RG=1&m-PEB=1", "order/?m-PEB=1&m-PEB-RG=5", "order/?c-PEB-RG=12&wanted_by=2026-03-17")
    for path in (*sheets, f"orders/{placed}/", "orders/", "account/"):
        page = opened(path, screen)

        assert serious(page) == [], path
        assert fits(page), path
