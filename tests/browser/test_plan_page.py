"""The plan's page in a real browser: on a phone, at a desk, on paper, by keyboard. Mossgate, Thu 5 March 2026."""

import re
from collections.abc import Iterator
from io import BytesIO

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.test import Client
from playwright.sync_api import Browser, BrowserContext, Page, expect
from pypdf import PdfReader
from pytest_django.live_server_helper import LiveServer

from accounts.models import Shop
from tests import builders

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def context(browser: Browser, live_server: LiveServer, client: Client) -> Iterator[BrowserContext]:
    """The helper's browser; two orders are planned."""
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    builders.place(Shop.objects.get(slug="tallowmere"), ("PEB", 4, "CF"))
    client.force_login(builders.helper())
    name = settings.SESSION_COOKIE_NAME
    made = browser.new_context(base_url=live_server.url)
    made.add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])
    yield made
    made.close()


def opened(context: BrowserContext, width: int) -> Page:
    """The plan's page, at a width."""
    page = context.new_page()
    page.set_viewport_size({"width": width, "height": 844})
    page.goto("/bench/plan/")
    return page


def test_the_plan_breaks_no_rule_of_axe_never_scrolls_sideways_and_goes_onto_paper(context: BrowserContext) -> None:
    """At 390, 820 and 1280 px; one sheet of A4 or Letter across holds the whole figure; nothing breaks the policy."""
    page = context.new_page()
    refused: list[str] = []
    page.on("console", lambda message: refused.append(message.text))
    for width in (390, 820, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        page.goto("/bench/plan/")
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") == width
    for paper in ("A4", "Letter"):
        first = PdfReader(BytesIO(page.pdf(format=paper, prefer_css_page_size=True))).pages[0]
        assert first.mediabox.width > first.mediabox.height
        said = first.extract_text()
        shown = [words in said for words in ("Promised to leave", "W-1001", "Sets and cures", "past its day")]
        assert shown == [True] * 4
    assert refused == []


def test_on_a_phone_a_week_is_as_wide_as_the_screen_and_a_bar_leads_to_its_load(context: BrowserContext) -> None:
    page = opened(context, 390)
    weeks = [box for week in page.locator("svg.week").all() if (box := week.bounding_box())]

    assert [round(box["width"]) for box in weeks] == [358] * 3  # 390 less 16 on either side
    assert [box["x"] for box in weeks] == [16] * 3
    page.locator("svg.week a.made").first.click()
    expect(page).to_have_url(re.compile(r"/bench/loads/\d+/$"))


def test_the_keyboard_goes_from_the_figure_to_the_table_without_stopping_at_each_bar(context: BrowserContext) -> None:
    page = opened(context, 1280)
    page.get_by_role("link", name="The same as a table").focus()
    stops = []
    for _ in range(5):
        page.keyboard.press("Tab")
        stops.append(page.evaluate("document.activeElement.textContent.trim()"))

    assert stops[:3] == ["Load against capacity", "Days in hand", "What moved"]
    # The box in which the table moves, then its first day.
    assert stops[3].startswith("Day by day")
    assert stops[4] == "Mon 2 Mar"
