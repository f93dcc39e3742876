"""A paper's link appears on the shop's open page within five seconds of the paper being stored.

The five seconds are the browser's: its clock stands still and is moved on by hand, so
that a busy machine changes nothing. What the workshop does meanwhile is done on a
thread of its own, as Playwright and the ORM don't mix in one.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from threading import Thread

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from playwright.sync_api import Browser, Page, expect
from pytest_django.live_server_helper import LiveServer

from tests import builders
from wholesale.actions import documents, orders
from wholesale.models import Document, Order, ShopAccount

#: "Within 5 s of the paper being stored."
WITHIN_MS = 5_000
#: By the browser's clock, which no page shows.
OPENED = datetime(2026, 3, 5, 13, 50, tzinfo=UTC)
PDF = "Order confirmation W-1001"


@pytest.fixture
def session(transactional_db: None) -> str:
    """The session of a buyer whose shop has placed W-1001."""
    builders.mossgate_rows()
    shop = builders.shop("fern-and-fable")
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    builders.place(shop, ("SUC", 2, "RG"))
    client = Client()
    client.force_login(builders.member(shop))
    return client.cookies[settings.SESSION_COOKIE_NAME].value


@pytest.fixture
def opened(browser: Browser, live_server: LiveServer, session: str) -> Iterator[Callable[[bool], Page]]:
    """Open the order's page, with scripts or without."""
    contexts = []

    def open_page(script: bool) -> Page:  # noqa: FBT001  (with scripts or without)
        context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=script)
        contexts.append(context)
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": live_server.url}])
        page = context.new_page()
        if script:
            page.clock.install(time=OPENED)
        page.goto(f"{live_server.url}/shops/fern-and-fable/orders/W-1001/")
        if script:
            page.clock.pause_at(OPENED + timedelta(hours=1))
        return page

    yield open_page
    for context in contexts:
        context.close()


def meanwhile(act: Callable[[], object]) -> None:
    """Have the workshop do something, on a thread and a connection of its own."""

    def run() -> None:
        try:
            act()
        finally:
            connection.close()

    thread = Thread(target=run)
    thread.start()
    thread.join()


def confirm() -> None:
    """The maker confirms the order, which asks for its paper."""
    orders.confirm(by=builders.maker(), number=Order.objects.get().number)


def store() -> None:
    """A worker makes the paper and stores it."""
    documents.render(Document.objects.get().pk)


def test_a_paper_that_is_waited_for_becomes_a_link(opened: Callable[[bool], Page]) -> None:
    meanwhile(confirm)
    page = opened(True)
    expect(page.get_by_text("Waiting its turn")).to_be_visible()
    expect(page.get_by_role("link", name=PDF)).to_have_count(0)

    meanwhile(store)
    page.clock.run_for(WITHIN_MS)

    expect(page.get_by_role("link", name=PDF)).to_be_visible()
    expect(page.get_by_text("Waiting its turn")).to_have_count(0)


def test_a_paper_nobody_had_asked_for_when_the_page_was_opened_becomes_a_link_too(
    opened: Callable[[bool], Page],
) -> None:
    page = opened(True)
    expect(page.get_by_text("The confirmation comes here when")).to_be_visible()

    meanwhile(confirm)
    meanwhile(store)
    page.clock.run_for(WITHIN_MS)

    expect(page.get_by_role("link", name=PDF)).to_be_visible()


def test_without_scripts_the_link_is_there_after_a_reload(opened: Callable[[bool], Page]) -> None:
    meanwhile(confirm)
    page = opened(False)
    expect(page.get_by_text("Waiting its turn")).to_be_visible()

    meanwhile(store)
    page.reload()

    expect(page.get_by_role("link", name=PDF)).to_be_visible()
