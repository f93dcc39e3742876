"""The maker's workbook page: taken away, brought in, looked through, and loaded as it was shown."""

import html
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from playwright.sync_api import Browser, ViewportSize
from pytest_django.live_server_helper import LiveServer

from accounts.models import User
from tests import builders
from tests.sheets import Files, every_row, put
from wholesale import clock
from wholesale.actions import stock
from wholesale.core.workbook.reading import read_workbook
from wholesale.documents.spreadsheet import opened
from wholesale.documents.workbook_file import saved_book, zipped
from wholesale.models import Price
from wholesale.queries.workbook import saved

LOOK, LOAD = "/bench/workbook/look/", "/bench/workbook/load/"
NOW = datetime.fromisoformat("2026-03-05T13:50")


@pytest.fixture(autouse=True)
def _workshop(db: None) -> Iterator[None]:
    """Mossgate without stock and orders, and no uploads but the test's own."""
    builders.mossgate_rows()
    yield
    for name in kept() if default_storage.exists("workbooks") else ():
        default_storage.delete(f"workbooks/{name}")


def kept() -> list[str]:
    return list(default_storage.listdir("workbooks")[1])


@pytest.fixture
def maker(client: Client) -> Client:
    client.force_login(builders.maker())
    return client


def words(answer: Any) -> str:
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def files() -> Files:
    return builders.mossgate_files("stock.csv", "orders.csv")


def dearer() -> bytes:
    """The demo with a price of SUC of 12.50 instead of 12.00, as a .zip of CSV files."""
    return zipped(put(files(), "price_list.csv", 2, "unit_price", "12.50"))


def brought(client: Client, content: bytes, name: str = "workbook.zip") -> Any:
    return client.post(LOOK, {"file": SimpleUploadedFile(name, content)})


def token(answer: Any) -> str:
    return str(re.findall(r'name="token" value="([^"]+)"', answer.content.decode())[0])


def price() -> int:
    return Price.objects.get(item__code="SUC").unit_price_e4


def test_an_upload_shows_what_it_changes_and_only_the_confirmation_loads_it(maker: Client) -> None:
    before = every_row()

    shown = brought(maker, dearer())

    assert "2026 SUC changed unit_price: 12 → 12.5" in words(shown)
    assert every_row() == before

    done = maker.post(LOAD, {"token": token(shown)}, follow=True)
    assert "Loaded: 1 changed." in words(done)
    assert price() == 125_000


def test_a_changed_recipe_is_shown_line_by_line_before_it_is_loaded(maker: Client) -> None:
    """Row 10 of recipe_lines.csv: SUC takes 150 g of BASE; row 4 of operations.csv: its pour, 3 min a piece."""
    changed = put(
        put(files(), "recipe_lines.csv", 10, "quantity", "155"), "operations.csv", 4, "minutes_per_piece", "4"
    )

    page = words(brought(maker, zipped(changed)))

    assert "SUC changed recipe, version 2 Base melt: 150 g a piece → 155 g a piece" in page
    assert "Pour base, minutes a piece: 3 → 4" in page


def test_a_confirmation_loads_once_and_only_for_who_was_shown_it(maker: Client) -> None:
    given = token(brought(maker, dearer()))
    other = Client()
    other.force_login(User.objects.create_user("second@mossgate.example", name="Second", staff_role="maker"))

    # The second maker is new data too; the token is refused before that is looked at.
    assert "can't be loaded any more" in words(other.post(LOAD, {"token": given}, follow=True))
    User.objects.get(email="second@mossgate.example").delete()
    maker.post(LOAD, {"token": given})
    assert price() == 125_000
    assert "can't be loaded any more" in words(maker.post(LOAD, {"token": given}, follow=True))
    assert "can't be loaded any more" in words(maker.post(LOAD, {"token": f"{given}x"}, follow=True))


def test_a_confirmation_is_refused_when_anything_was_changed_meanwhile(maker: Client) -> None:
    given = token(brought(maker, dearer()))
    stock.receive(by=builders.maker(), item="SOY", quantity=Decimal(1000), token="r", sure=True)

    answer = maker.post(LOAD, {"token": given}, follow=True)

    assert "Something was changed here since this was shown; nothing was loaded" in words(answer)
    assert price() == 120_000


def test_a_confirmation_holds_half_an_hour_and_old_uploads_are_thrown_away(maker: Client) -> None:
    given = token(brought(maker, dearer()))

    with clock.at((NOW + timedelta(minutes=29)).isoformat()):
        again = token(brought(maker, dearer()))
    assert len(kept()) == 2
    with clock.at((NOW + timedelta(minutes=30)).isoformat()):
        assert "can't be loaded any more" in words(maker.post(LOAD, {"token": given}, follow=True))
        brought(maker, dearer())
        # The first one, of 13:50, is gone; the second one holds until 14:49.
        assert len(kept()) == 2
        maker.post(LOAD, {"token": again})
    assert price() == 125_000


def test_mistakes_are_listed_with_sheet_row_column_and_cell_and_nothing_is_kept(maker: Client) -> None:
    book = saved_book({**saved(), **read_workbook(put(files(), "scents.csv", 2, "oil", "SUC")).sheets})

    answer = brought(maker, book, "workbook.xlsx")

    assert answer.status_code == 422
    # scents: code, name, oil → column C.
    assert "scents, row 2 oil (cell C2) SUC name one from the sheet materials:" in words(answer)
    assert "token" not in re.findall(r'name="(\w+)"', answer.content.decode().replace("csrfmiddlewaretoken", ""))


def test_what_is_no_workbook_too_large_or_missing_is_said_beside_the_field(maker: Client) -> None:
    assert "neither an .xlsx workbook nor a .zip" in words(brought(maker, b"hello"))
    assert "larger than 5 MB" in words(brought(maker, b"x" * (5 * 2**20 + 1)))
    assert "Choose the workbook's file first." in words(maker.post(LOOK))


def test_what_is_taken_away_says_when_brought_in_that_there_is_nothing_to_change(maker: Client) -> None:
    for address in ("/bench/workbook/save/", "/bench/workbook/save/csv/"):
        taken = maker.get(address)
        assert "attachment" in taken["Content-Disposition"]
        assert "nothing to change" in words(brought(maker, taken.content))
    template = maker.get("/bench/workbook/template/")
    assert set(opened(template.content)) == {sheet.FILE for sheet in saved()}


@pytest.mark.parametrize("address", ["", "template/", "save/", "save/csv/"])
def test_the_workbook_is_the_makers_alone(address: str, client: Client) -> None:
    address = f"/bench/workbook/{address}"
    assert client.get(address).status_code == 302
    shop = builders.shop()
    people = [
        (builders.helper(), 403), (builders.stranger(), 404), (builders.maker(), 200),
        *((builders.member(shop, role), 404) for role in ("owner", "buyer", "reader")),
    ]  # fmt: skip
    for person, status in people:
        client.force_login(person)
        assert client.get(address).status_code == status


@pytest.mark.parametrize("address", [LOOK, LOAD])
def test_a_helper_may_not_load(address: str, client: Client) -> None:
    client.force_login(builders.helper())

    assert client.post(address).status_code == 403


@pytest.mark.parametrize("size", [{"width": 390, "height": 844}, {"width": 1280, "height": 900}])
def test_a_workbook_is_loaded_without_javascript_on_a_phone_and_a_desk(
    size: ViewportSize, browser: Browser, live_server: LiveServer, maker: Client
) -> None:
    """What the whole way shows fits the screen: no page is wider than it."""
    page = browser.new_page(viewport=size, java_script_enabled=False)
    page.context.add_cookies([{"name": "sessionid", "value": maker.cookies["sessionid"].value, "url": live_server.url}])
    page.goto(f"{live_server.url}/bench/workbook/")
    page.set_input_files("input[type=file]", {"name": "w.zip", "mimeType": "application/zip", "buffer": dearer()})
    page.get_by_role("button", name="Look it through").click()
    assert page.get_by_role("heading", name="What the workbook changes").is_visible()
    wide = page.locator("html").evaluate("page => [page.scrollWidth, page.clientWidth]")
    assert wide[0] <= wide[1]
    page.get_by_role("button", name="Load it").click()

    assert page.get_by_text("Loaded: 1 changed.").is_visible()
    page.close()
