"""The look: readable, reachable, the same on a phone, at a desk, on paper and without scripts."""

import re
from io import BytesIO
from itertools import product
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings
from django.template.loader import render_to_string
from django.test import Client
from fontTools.ttLib import TTFont
from playwright.sync_api import Browser, Page, ViewportSize, expect
from pypdf import PdfReader
from pytest_django import DjangoAssertNumQueries
from pytest_django.live_server_helper import LiveServer
from weasyprint import HTML

from accounts.models import Membership, User
from tests.accounts.shops import open_shop

STATIC = Path(settings.BASE_DIR) / "wholesale" / "web" / "static"
TEMPLATES = Path(settings.BASE_DIR) / "templates"
STYLE = (STATIC / "casewright.css").read_text()
PHONE: ViewportSize = {"width": 390, "height": 844}
DESK: ViewportSize = {"width": 1280, "height": 900}
# What WeasyPrint and mail readers see follows other rules.
PAGES = [
    file
    for file in sorted(TEMPLATES.rglob("*.html"))
    if file.relative_to(TEMPLATES).parts[0] not in ("documents", "email")
]

pytestmark = pytest.mark.urls("tests.pages.gallery")

#: Where everybody at the bench may go.
BENCH = ["Queue", "Day sheet", "Plan", "Stock", "Recipes", "Needs", "Capacity"]


def colour(name: str) -> str:
    """The six hexadecimal digits of a custom property of the style sheet."""
    [found] = re.findall(rf"^  --{name}: #([0-9a-f]{{6}});", STYLE, re.MULTILINE)
    return str(found)


def luminance(digits: str) -> float:
    """Relative luminance by WCAG 2.2: 0.2126 R + 0.7152 G + 0.0722 B of linear sRGB."""
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio by WCAG 2.2: (lighter + 0.05) / (darker + 0.05), from 1 to 21."""
    darker, lighter = sorted([luminance(one), luminance(other)])
    return (lighter + 0.05) / (darker + 0.05)


def test_our_contrast_is_the_standards() -> None:
    """WCAG 2.2: black on white is 21 : 1, and #767676 on white is the usual 4.54 : 1."""
    assert contrast("000000", "ffffff") == pytest.approx(21)
    assert contrast("767676", "ffffff") == pytest.approx(4.54, abs=0.005)


WORDS = ["ink", "soft", "accent", "well", "look", "stopped"]
GROUNDS = ["ground", "paper", "well-ground", "look-ground", "stopped-ground", "note-ground"]


@pytest.mark.parametrize(("word", "ground"), [*product(WORDS, GROUNDS), ("accent-ink", "accent")])
def test_every_word_is_readable_on_every_ground(word: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3 (AA): at least 4.5 : 1 for text."""
    assert contrast(colour(word), colour(ground)) >= 4.5


@pytest.mark.parametrize("ground", ["ground", "paper"])
def test_the_edge_of_a_field_can_be_seen(ground: str) -> None:
    """WCAG 2.2, 1.4.11 (AA): at least 3 : 1 for the parts of a control."""
    assert contrast(colour("edge"), colour(ground)) >= 3


def test_the_font_reaches_a_pdf_with_all_the_signs_we_use() -> None:
    faces = "".join(re.findall(r"@font-face \{.*?\n\}", STYLE, re.DOTALL))
    page = f'<style>{faces} p {{ font: 12pt "Casewright Sans" }}</style><p>1,855.67 g → € £ Łódź Αθήνα</p>'

    pdf = HTML(string=page, base_url=f"{STATIC}/").write_pdf(uncompressed_pdf=True)

    assert pdf is not None
    assert "1,855.67 g → € £ Łódź Αθήνα" in PdfReader(BytesIO(pdf)).pages[0].extract_text()
    assert set(re.findall(rb"/BaseFont /\w+\+([\w-]+)", pdf)) == {b"Casewright-Sans"}


@pytest.mark.parametrize("weight", ["Regular", "Semibold", "It"])
def test_all_figures_are_as_wide_as_one_another(weight: str) -> None:
    font = TTFont(STATIC / "fonts" / f"SourceSans3-{weight}.ttf.woff2")
    glyphs = font.getBestCmap()

    assert len({font["hmtx"][glyphs[ord(figure)]][0] for figure in "0123456789"}) == 1


def test_the_fonts_stay_small_and_come_with_their_licence() -> None:
    fonts = STATIC / "fonts"

    assert sum(file.stat().st_size for file in fonts.iterdir()) < 1_500_000
    assert "SIL OPEN FONT LICENSE Version 1.1" in (fonts / "OFL.txt").read_text()


@pytest.mark.parametrize("file", PAGES, ids=lambda file: str(file.relative_to(TEMPLATES)))
def test_no_page_holds_a_script_or_a_style_that_the_policy_would_refuse(file: Path) -> None:
    refused = re.findall(r"<style|<script(?![^>]*\bsrc=)|\sstyle=|\son[a-z]+=|hx-on|js:", file.read_text())

    assert refused == []


@pytest.mark.parametrize("name", ["400", "500"])
def test_a_page_for_when_all_is_broken_needs_nothing(client: Client, name: str) -> None:
    """Django shows these without a request, when the database may be gone."""
    page = render_to_string(f"{name}.html")

    assert "casewright.css" in page
    assert 'href="/"' in page


@pytest.fixture
def fern(db: None) -> Membership:
    """The owner of a shop."""
    user = User.objects.create_user("nora@fern.example", name="Nora Pell")
    return Membership.objects.create(user=user, shop=open_shop(), role="owner")


def places(client: Client, address: str) -> dict[str, bool]:
    """The places the head of a page names, and whether each is where we are."""
    nav = client.get(address).content.decode().partition("<nav")[2].partition("</nav>")[0]
    links = re.findall(r'<a href="[^"]+"( aria-current="page")?>([^<]+)</a>', nav)
    return {title: bool(current) for current, title in links}


@pytest.mark.parametrize(
    ("staff_role", "titles"),
    [("maker", [*BENCH, "Invoices", "Shops", "Workbook"]), ("helper", BENCH)],
)
@pytest.mark.django_db
def test_the_bench_is_shown_where_its_role_may_go(client: Client, staff_role: str, titles: list[str]) -> None:
    client.force_login(User.objects.create_user("bench@mossgate.example", staff_role=staff_role))

    found = places(client, "/bench/day/")

    assert list(found) == titles
    assert [title for title, current in found.items() if current] == ["Day sheet"]


def test_a_member_is_shown_the_pages_of_the_shop_in_the_address(client: Client, fern: Membership) -> None:
    other = open_shop("acorn-hall")
    Membership.objects.create(user=fern.user, shop=other, role="reader")
    client.force_login(fern.user)

    page = client.get("/shops/fern-and-fable/orders/").content.decode()

    assert "for Fern And Fable" in page
    assert 'href="/shops/fern-and-fable/order/"' in page
    assert "acorn-hall" not in page


def test_elsewhere_a_member_is_shown_their_first_shop(client: Client, fern: Membership) -> None:
    client.force_login(fern.user)

    assert list(places(client, "/gallery/")) == ["Order sheet", "Orders", "Account"]


@pytest.mark.django_db
def test_a_stranger_is_shown_no_shop_and_nobody_no_way(client: Client) -> None:
    open_shop()
    assert places(client, "/gallery/") == {}

    client.force_login(User.objects.create_user("stranger@elsewhere.example"))
    assert places(client, "/shops/fern-and-fable/orders/") == {}


def test_the_head_of_a_page_costs_a_member_two_queries(
    client: Client, fern: Membership, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    client.force_login(fern.user)

    # 1: session, 2: user, 3: membership with its shop, 4: the workshop's settings
    with django_assert_num_queries(4):
        client.get("/shops/fern-and-fable/orders/")


@pytest.mark.parametrize("viewport", [PHONE, DESK], ids=["phone", "desk"])
def test_the_components_have_no_barrier_and_nothing_to_scroll_sideways(
    browser: Browser, live_server: LiveServer, viewport: ViewportSize
) -> None:
    """Axe's rules for WCAG 2; the page is as wide as the screen; no error on the console."""
    page = browser.new_page(viewport=viewport)
    errors: list[str] = []
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)

    page.goto(f"{live_server.url}/gallery/")
    found = Axe().run(page)

    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") == viewport["width"]
    assert errors == []
    page.close()


def test_a_finger_hits_every_button_and_link_of_the_head(browser: Browser, live_server: LiveServer) -> None:
    """44 by 44 CSS pixels: WCAG 2.2, 2.5.5 (AAA)."""
    page = browser.new_page(viewport=PHONE)
    page.goto(f"{live_server.url}/gallery/")

    sizes = [
        box
        for touched in page.locator("button:visible, .button:visible, .stepper input, .days a").all()
        if (box := touched.bounding_box())
    ]

    assert len(sizes) > 8
    assert [box for box in sizes if box["height"] < 44 or box["width"] < 44] == []
    page.close()


def test_a_quantity_counts_up_and_down_and_stops_at_its_ends(live_server: LiveServer, page: Page) -> None:
    page.goto(f"{live_server.url}/gallery/")
    quantity = page.locator("#Fern-tin")
    more = page.get_by_role("button", name="More: Fern-tin")
    fewer = page.get_by_role("button", name="Fewer: Fern-tin")

    more.click()  # 2 + 1 = 3, the most there is
    expect(quantity).to_have_value("3")
    expect(more).to_be_disabled()

    for _ in range(3):  # 3 − 3 = 0
        fewer.click()
    expect(quantity).to_have_value("0")
    expect(fewer).to_be_disabled()


def test_a_quantity_tells_its_form_that_it_changed(live_server: LiveServer, page: Page) -> None:
    page.goto(f"{live_server.url}/gallery/")
    page.evaluate("window.told = 0; document.forms.order.addEventListener('change', () => { window.told += 1 })")

    page.get_by_role("button", name="More: Fern-tin").click()

    assert page.evaluate("window.told") == 1


def test_without_scripts_a_quantity_is_a_number_to_type_and_send(browser: Browser, live_server: LiveServer) -> None:
    context = browser.new_context(java_script_enabled=False, viewport=PHONE)
    page = context.new_page()
    page.goto(f"{live_server.url}/gallery/")

    expect(page.get_by_role("button", name="More: Fern-tin")).to_have_count(0)
    page.locator("#Fern-tin").fill("3")
    page.get_by_role("button", name="Place order").click()

    expect(page).to_have_url(re.compile(r"/gallery/\?Pebble-jar=2&Fern-tin=3$"))
    context.close()


def test_the_keyboard_first_reaches_the_way_past_the_head(live_server: LiveServer, page: Page) -> None:
    page.goto(f"{live_server.url}/gallery/")

    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the page")).to_be_focused()

    page.keyboard.press("Enter")
    expect(page.locator("main")).to_be_focused()


def test_on_paper_the_buttons_are_gone_and_the_sum_is_not(live_server: LiveServer, page: Page) -> None:
    page.goto(f"{live_server.url}/gallery/")
    page.emulate_media(media="print")

    expect(page.get_by_role("button", name="Place order")).to_be_hidden()
    expect(page.locator(".bar-sum")).to_be_visible()


@pytest.mark.django_db
def test_a_paper_says_by_word_how_far_it_is_and_asks_again_only_while_it_waits(client: Client) -> None:
    page = client.get("/gallery/").content.decode()
    papers = re.findall(r'<div class="paper"(.*?)</div>', page, re.DOTALL)

    assert [re.findall("Ready|Being made|Not made|Waiting its turn", paper) for paper in papers] == [
        ["Ready"],
        ["Being made"],
        ["Not made"],
        ["Waiting its turn"],
    ]
    assert ["hx-get" in paper for paper in papers] == [False, True, False, False]
    assert "No town." in papers[2]


@pytest.mark.django_db
def test_the_gate_that_decides_the_date_is_named_in_words(client: Client) -> None:
    page = client.get("/gallery/").content.decode()
    gates = page.partition('<ol class="gates"')[2].partition("</ol>")[0].split("<li")[1:]

    assert ["This step decides the date" in gate for gate in gates] == [False, True]


@pytest.mark.django_db
def test_a_wrong_field_says_so_beside_itself_and_to_a_screen_reader(client: Client) -> None:
    """The error list's id stands in the field's aria-describedby (WAI-ARIA 1.2)."""
    page = client.get("/gallery/").content.decode()
    [field] = re.findall(r'<input[^>]*name="tax_id"[^>]*>', page)

    assert 'aria-invalid="true"' in field
    assert re.search(r'aria-describedby="[^"]*id_tax_id_error', field)
    assert 'id="id_tax_id_error"' in page
    assert 'value="07-1144442"' in field
