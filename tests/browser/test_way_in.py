"""Signing in, on a phone and on a desk, with and without JavaScript, and for everybody."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from playwright.sync_api import Browser, expect
from pytest_django.live_server_helper import LiveServer

from accounts.models import User
from tests import builders

WIDTHS = (390, 1280)
#: What somebody may open who is not signed in, and what they find behind the door.
OUTSIDE = ("/accounts/login/", "/accounts/password/reset/", "/accounts/signup/", "/nowhere/")
INSIDE = ("/accounts/password/change/", "/accounts/email/", "/accounts/2fa/", "/accounts/logout/")


@pytest.fixture
def buyer(transactional_db: None) -> User:
    """Somebody who orders for one shop."""
    builders.mossgate_rows()
    return builders.member(builders.shop("fern-and-fable"))


@pytest.mark.parametrize("script", [True, False], ids=["scripts", "no-scripts"])
@pytest.mark.parametrize("width", WIDTHS)
def test_a_buyer_signs_in_by_keyboard_and_finds_the_order_sheet(
    browser: Browser, live_server: LiveServer, buyer: User, width: int, *, script: bool
) -> None:
    context = browser.new_context(viewport={"width": width, "height": 844}, java_script_enabled=script)
    page = context.new_page()
    page.goto(f"{live_server.url}/shops/fern-and-fable/order/")
    page.get_by_label("Email").fill("buyer@fern-and-fable.example")
    page.get_by_label("Password", exact=True).fill(builders.PASSWORD)
    page.keyboard.press("Enter")

    expect(page.get_by_role("heading", level=1)).to_have_text("Order sheet")
    context.close()


@pytest.fixture
def session(buyer: User) -> str:
    """The buyer's session, as the sign-in page would make it."""
    client = Client()
    client.force_login(buyer)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("paths", [OUTSIDE, INSIDE], ids=["outside", "inside"])
def test_the_pages_of_an_account_break_no_rule_of_axe(
    browser: Browser, live_server: LiveServer, session: str, width: int, paths: tuple[str, ...]
) -> None:
    """axe-core's WCAG 2 A and AA rules, and its best practices; nothing sticks out at the side."""
    context = browser.new_context(viewport={"width": width, "height": 844})
    if paths is INSIDE:
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
    page = context.new_page()
    for path in paths:
        page.goto(live_server.url + path)
        found = Axe().run(page)
        assert page.url == live_server.url + path
        assert found.violations_count == 0, f"{path} at {width}: {found.generate_report()}"
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    context.close()
