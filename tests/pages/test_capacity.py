"""Load against capacity: the numbers, the picture, the table. Mossgate, Thu 5 March 2026, 13:50."""

import html
import re
from datetime import date
from decimal import Decimal as D
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.db.models import Sum
from django.test import Client
from playwright.sync_api import Browser, ViewportSize
from pytest_django.live_server_helper import LiveServer

from accounts.models import Shop
from tests import builders
from wholesale.models import CalendarDay, Equipment, Load, LoadPortion
from wholesale.queries.capacity import CapacityPage, Cell, Fill, Row, capacity_page
from wholesale.web import charts

SVG = "{http://www.w3.org/2000/svg}"
THURSDAY, FRIDAY, SATURDAY = date(2026, 3, 5), date(2026, 3, 6), date(2026, 3, 7)


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    """Mossgate with three orders."""
    builders.mossgate_rows()
    for slug, *lines in (
        ("brindle-fen", ("SUC", 2, "RG")),
        ("tallowmere", ("PEB", 4, "CF"), ("FRN", 3, {"CF": 6, "WS": 6})),
        ("quillwort", ("FRN", 2, "CF")),
    ):
        builders.place(Shop.objects.get(slug=slug), *lines)


def words(answer: Any) -> str:
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def row(page: CapacityPage, name: str) -> Row:
    return next(found for found in page.rows if found.name == name)


def cell(page: CapacityPage, name: str, day: date) -> Cell:
    return next(found for found in row(page, name).cells if found.day == day)


def test_loads_are_the_rows_of_the_plan_against_the_days_quota() -> None:
    """Pot A takes 2 loads a day, the two pebble trays 2 × 3 = 6."""
    page = capacity_page()

    for equipment in Equipment.objects.all():
        for found in row(page, equipment.name).cells:
            assert found.used == Load.objects.filter(equipment=equipment, day=found.day).count()
    assert cell(page, "Pot A", THURSDAY).words == "2 of 2"
    assert cell(page, "Pebble trays", THURSDAY).of == 6
    assert cell(page, "Pot A", SATURDAY).words == "0 of 0"


def test_minutes_are_the_sum_of_the_portions_against_the_days() -> None:
    """Minutes a piece (trade.md, section 6): pour 3, pipe and seal 2.5, cast 0.5, finish 3."""
    each = {"pour": D(3), "pipe": D("2.5"), "seal": D("2.5"), "cast": D("0.5"), "finish": D(3)}
    page = capacity_page()

    for found in row(page, "Bench").cells:
        steps = LoadPortion.objects.filter(load__day=found.day).values_list("operation").annotate(n=Sum("pieces"))
        assert found.used == sum(each[step] * pieces for step, pieces in steps)
        assert found.of == (360 if found.day.weekday() < 5 else 0)
    assert cell(page, "Bench", THURSDAY).used > 0


def test_the_last_row_is_the_sum_of_the_days(client: Client) -> None:
    page = capacity_page()
    for found in page.rows:
        assert found.total.used == sum(one.used for one in found.cells)
        assert found.total.of == sum(one.of or 0 for one in found.cells)

    client.force_login(builders.helper())
    shown = words(client.get("/bench/capacity/"))
    # Two weeks: 10 work days × 2 loads.
    assert f"In all {' '.join(found.total.words for found in page.rows)}" in shown
    assert row(page, "Pot A").total.of == 20


def test_the_picture_says_the_same_numbers_as_its_table() -> None:
    """A screen reader hears the description: every cell of every row, day by day, and the sums."""
    page = capacity_page()
    svg = ET.fromstring(str(charts.capacity_picture(page)))  # noqa: S314  our own picture
    said = svg.findtext(f"{SVG}desc") or ""

    assert svg.get("role") == "img"
    assert svg.get("aria-labelledby") == "capacity-title capacity-words"
    assert svg.findtext(f"{SVG}title") == "Load against capacity, Mon 2 Mar to Sun 15 Mar"
    for found in page.rows:
        [sentence] = re.findall(rf"{found.name}, {found.unit}: ([^;]*); in all {found.total.words}\.", said)
        parts = sentence.split(", ")
        days = [part for part in parts if part != "overnight"]
        expected = [
            one.words if one.of or one.used else day.kind for one, (_, day) in zip(found.cells, page.days, strict=True)
        ]
        assert [part.split(" ", 3)[3] for part in days] == expected


def test_full_too_much_and_days_off_differ_by_pattern_and_word() -> None:
    """Thursday's pot is full; with a quota of 1 it is too much; Friday becomes a holiday on which loads stand."""
    assert cell(capacity_page(), "Pot A", THURSDAY).fill is Fill.FULL

    Equipment.objects.filter(code="POT-A").update(loads_per_day=1)
    CalendarDay.objects.create(day=FRIDAY, kind="closed", note="Holiday")
    page = capacity_page()
    assert cell(page, "Pot A", THURSDAY).fill is Fill.OVER
    assert cell(page, "Pot A", FRIDAY).fill is Fill.OVER
    picture = str(charts.capacity_picture(page))
    for name in ("over", "closed", "market", "night"):
        assert f'url(#capacity-{name})"' in picture
    for said in ("more than there is", "market day", "closed", "night", "stands overnight"):
        assert f">{said}<" in picture


def test_what_stands_overnight_crosses_the_night() -> None:
    """A poured base waits a night; labels (no equipment) don't."""
    page = capacity_page()

    assert cell(page, "Pot A", THURSDAY).overnight
    assert not any(one.overnight for one in row(page, "Bench").cells)


def test_a_picture_holds_no_style_no_script_and_no_name_as_markup() -> None:
    """The policy refuses inline styles and scripts; a name is text, whatever it holds."""
    Equipment.objects.filter(code="POT-A").update(name="Pot <script>alert(1)</script> & Co")
    picture = str(charts.capacity_picture(capacity_page()))

    assert "<script" not in picture
    assert "style" not in picture
    assert "Pot &lt;script&gt;alert(1)&lt;/script&gt; &amp; Co" in picture


def test_two_weeks_begin_on_a_monday_and_lead_to_the_next(client: Client) -> None:
    client.force_login(builders.helper())
    page = client.get("/bench/capacity/2026-03-20/")

    shown = page.content.decode()
    # Fri 20 March 2026: the Monday is the 16th; two weeks before 2 March, after 30 March.
    assert "Mon 16 Mar to Sun 29 Mar" in words(page)
    assert "/bench/capacity/2026-03-02/" in shown
    assert "/bench/capacity/2026-03-30/" in shown


PHONE: ViewportSize = {"width": 390, "height": 844}


@pytest.mark.django_db(transaction=True)
def test_on_a_phone_the_picture_moves_in_its_own_box(browser: Browser, live_server: LiveServer, client: Client) -> None:
    client.force_login(builders.helper())
    context = browser.new_context(viewport=PHONE)
    cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}
    context.add_cookies([cookie])  # type: ignore[list-item]
    page = context.new_page()

    refused: list[str] = []
    page.on("console", lambda message: refused.append(message.text))
    page.goto(f"{live_server.url}/bench/capacity/")
    box = page.locator(".picture")
    inside, outside = box.evaluate("box => [box.scrollWidth, box.clientWidth]")
    wide = page.evaluate("document.documentElement.scrollWidth")

    assert wide == 390
    assert inside > outside
    assert [text for text in refused if "Content Security Policy" in text] == []
    context.close()
