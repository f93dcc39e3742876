"""The bench's pages in a real browser: narrow phone and desk, axe's rules, keyboard, no script needed."""

from collections.abc import Iterator
from io import BytesIO

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.contrib.sessions.backends.db import SessionStore
from django.db.models import Count
from playwright.sync_api import Browser, Page
from pypdf import PdfReader
from pytest_django.live_server_helper import LiveServer

from accounts.models import Shop, User
from tests import builders
from tests.actions import rows
from wholesale import clock
from wholesale.actions import invoicing, orders, production
from wholesale.models import Load

WIDTHS = (390, 1280)


@pytest.fixture
def bench(live_server: LiveServer) -> Iterator[dict[str, str]]:
    """Friday at the bench: one order short of a rejected piece and so at risk, the other's loads overdue."""
    builders.mossgate_rows()
    maker, shop = builders.maker(), Shop.objects.get(slug="brindle-fen")
    first = builders.place(shop, ("SUC", 2, "RG"))
    orders.confirm(by=maker, number=first.number)
    builders.place(Shop.objects.get(slug="oddment-row"), ("FRN", 2, "WS"), ("PEB", 4, "CF"))
    with clock.at("2026-03-05T15:10"):
        for load in Load.objects.filter(day="2026-03-05", portions__order_scent__line__order=first).distinct():
            pours = load.portions.filter(operation="pour", order_scent__line__order=first)
            production.mark_done(by=maker, load=load.pk, good={pour.pk: pour.pieces - 1 for pour in pours})
    packed = rows.shipment(first, SUC=1)
    bill = invoicing.issue(by=maker, shipment=packed.number)
    with clock.at("2026-03-06T08:30"):
        todo = Load.objects.filter(done_at__isnull=True, day="2026-03-06", portions__operation="pipe")[0]
        yield {
            "session": _session(maker),
            "server": live_server.url,
            "queue": "/bench/queue/",
            "day": "/bench/day/",
            "load": f"/bench/loads/{todo.pk}/",
            "order": f"/bench/orders/{first.number}/",
            "invoices": "/bench/invoices/",
            "shops": "/bench/shops/",
            "shop": "/bench/shops/oddment-row/",
            "shipment": f"/bench/shipments/{packed.number}/",
            "invoice": f"/bench/invoices/{bill}/",
        }


def _session(user: User) -> str:
    """A session of somebody signed in, as the sign-in page would make it."""
    session = SessionStore()
    session["_auth_user_id"] = str(user.pk)
    session["_auth_user_backend"] = settings.AUTHENTICATION_BACKENDS[0]
    session["_auth_user_hash"] = user.get_session_auth_hash()
    session.save()
    return str(session.session_key)


def opened(browser: Browser, bench: dict[str, str], name: str, width: int, *, script: bool = True) -> Page:
    """One of the pages at a width, signed in."""
    context = browser.new_context(viewport={"width": width, "height": 844}, java_script_enabled=script)
    cookie = {"name": settings.SESSION_COOKIE_NAME, "value": bench["session"], "url": bench["server"]}
    context.add_cookies([cookie])  # type: ignore[list-item]
    page = context.new_page()
    page.goto(bench["server"] + bench[name])
    return page


@pytest.mark.parametrize("width", WIDTHS)
def test_pages_break_no_rule_of_axe_and_never_scroll_sideways(
    browser: Browser, bench: dict[str, str], width: int
) -> None:
    """axe-core's WCAG 2 A and AA rules, and its best practices."""
    page = opened(browser, bench, "queue", width)
    for name in ("queue", "day", "load", "order", "invoices", "invoice", "shipment", "shops", "shop"):
        page.goto(bench["server"] + bench[name])
        found = Axe().run(page)
        assert found.violations_count == 0, f"{name} at {width}: {found.generate_report()}"
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} at {width} scrolls sideways"
    page.context.close()


def test_a_load_is_marked_done_without_script(browser: Browser, bench: dict[str, str]) -> None:
    page = opened(browser, bench, "load", 390, script=False)
    page.get_by_role("button", name="Mark done").click()
    assert page.get_by_role("status").filter(has_text="Done: batch B-").count() == 1
    page.context.close()


def test_a_double_tap_on_mark_done_counts_once(browser: Browser, bench: dict[str, str]) -> None:
    page = opened(browser, bench, "load", 390)
    page.get_by_role("button", name="Mark done").dblclick()
    page.get_by_text("done Fri 6 Mar").wait_for()
    assert page.get_by_role("button", name="Mark done").count() == 0
    page.context.close()


def test_everything_to_tap_on_the_load_page_is_large_enough(browser: Browser, bench: dict[str, str]) -> None:
    """44 px: the target size of WCAG 2.2, 2.5.5 (enhanced)."""
    page = opened(browser, bench, "load", 390)
    heights = page.eval_on_selector_all(
        "main :is(button, input:not([type=hidden]), textarea)", "all => all.map(e => e.offsetHeight)"
    )
    assert heights
    assert min(heights) >= 44
    page.context.close()


def test_the_day_sheet_prints_without_navigation_and_with_room_to_write(
    browser: Browser, bench: dict[str, str]
) -> None:
    page = opened(browser, bench, "day", 1280)
    page.emulate_media(media="print")
    assert not page.get_by_role("navigation", name="Main").is_visible()
    assert page.get_by_text("Good: ______").first.is_visible()
    page.context.close()


@pytest.fixture
def demo(live_server: LiveServer) -> dict[str, str]:
    """The demo's own orders, and the day with the most loads."""
    builders.mossgate_rows(stock=True, orders=True)
    fullest = Load.objects.order_by().values_list("day").annotate(n=Count("pk")).order_by("-n")[0][0]
    return {"session": _session(builders.maker()), "server": live_server.url, "day": f"/bench/day/{fullest}/"}


def test_the_fullest_day_prints_on_three_pages_with_all_it_says(browser: Browser, demo: dict[str, str]) -> None:
    """The two sheets of paper that are in use."""
    page = opened(browser, demo, "day", 1280)
    loads = page.locator("article h3").count()
    assert loads >= 10
    for paper in ("Letter", "A4"):
        printed = PdfReader(BytesIO(page.pdf(format=paper))).pages
        said = " ".join(sheet.extract_text() for sheet in printed)

        assert len(printed) <= 3, paper
        assert said.count("Good: ______") == loads
        for part in (
            "By the minute",
            "In the pot",
            "Aim for",
            "Minutes of hands",
            "Setting meanwhile",
            "Lay ready for",
            "Take care",
        ):
            assert part in said
    page.context.close()
