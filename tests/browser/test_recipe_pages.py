"""The recipe pages in a real browser: narrow phone and desk, axe's rules, the preview that follows the typing."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from tests import builders
from tests.browser.test_maker_pages import _session

WIDTHS = (390, 1280)


@pytest.fixture
def bench(live_server: LiveServer) -> tuple[str, str]:
    """The server's address and the maker's session."""
    builders.mossgate_rows()
    return live_server.url, _session(builders.maker())


def opened(browser: Browser, bench: tuple[str, str], path: str, width: int) -> Page:
    """A page at a width, signed in as the maker."""
    server, session = bench
    context = browser.new_context(viewport={"width": width, "height": 844})
    context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": server}])
    page = context.new_page()
    page.goto(server + path)
    return page


@pytest.mark.parametrize("width", WIDTHS)
def test_the_pages_fit_their_screen_and_keep_axe_s_rules(browser: Browser, bench: tuple[str, str], width: int) -> None:
    page = opened(browser, bench, "/bench/recipes/", width)
    for path in ("/bench/recipes/", "/bench/recipes/SUC/", "/bench/recipes/SUC/edit/", "/bench/recipes/BASE/edit/"):
        page.goto(bench[0] + path)
        assert page.evaluate("document.documentElement.scrollWidth") == width, path
        assert Axe().run(page).response["violations"] == [], path


def test_what_it_comes_to_follows_the_typing_and_nothing_is_saved(browser: Browser, bench: tuple[str, str]) -> None:
    """155 g a piece: 25 × 155 = 3,875 ÷ 0.97 = 3,994.85 g in a full pot instead of 3,865.98."""
    page = opened(browser, bench, "/bench/recipes/SUC/edit/", 390)
    portions = page.locator("#portions")
    expect(portions).to_contain_text("3,865.98")
    page.get_by_label("Grams, pieces or %").first.fill("155")

    expect(portions).to_contain_text("3,994.85", timeout=30_000)
    expect(portions).to_contain_text("Base melt: 150 g a piece → 155 g a piece")
    page.reload()
    expect(portions).to_contain_text("3,865.98")
