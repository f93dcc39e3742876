"""The pictures of the README, made by the program itself; ``make pictures`` renews those in git."""

import os
import re
import subprocess
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.sessions.backends.db import SessionStore
from django.core.files.storage import default_storage
from playwright.sync_api import Browser
from pytest_django.live_server_helper import LiveServer

from accounts.models import Shop, User
from tests import builders
from tests.acceptance.test_order_to_invoice import walk
from wholesale import clock
from wholesale.actions import documents, production
from wholesale.models import Document, SheetRefresh, ShopAccount

HERE = Path(__file__).with_name("pictures")
README = Path(__file__).resolve().parents[2] / "README.md"


def session(user: User) -> str:
    """A session of somebody signed in."""
    store = SessionStore()
    store["_auth_user_id"] = str(user.pk)
    store["_auth_user_backend"] = settings.AUTHENTICATION_BACKENDS[0]
    store["_auth_user_hash"] = user.get_session_auth_hash()
    store.save()
    return str(store.session_key)


@pytest.fixture
def scene(live_server: LiveServer) -> dict[str, str]:
    """A workshop with open orders, dates on the sheet, and one invoice as PDF."""
    builders.mossgate_rows()
    shop = builders.shop("corner", trade_name="Corner & Quill")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    walk(builders.place(shop, ("SUC", 2, "RG"), ("PEB", 2, {"RG": 2, "CF": 2, "WS": 2})))
    paper = Document.objects.get(kind="invoice")
    documents.render(paper.pk)
    paper.refresh_from_db()
    clock.move_all("2026-03-17T09:30")
    for slug, line in (("brindle-fen", ("SUC", 2, "RG")), ("oddment-row", ("PEB", 4, "CF"))):
        builders.place(Shop.objects.get(slug=slug), line, ("FRN", 2, "WS"))
    for errand in SheetRefresh.objects.filter(state="waiting"):
        production.refresh_sheet(errand.pk)
    return {
        "server": live_server.url,
        "buyer": session(builders.member(shop)),
        "maker": session(builders.maker()),
        "invoice": str(default_storage.path(paper.file)),
    }


@pytest.mark.django_db(transaction=True)
def test_the_pictures_of_the_readme_can_be_taken(browser: Browser, scene: dict[str, str], tmp_path: Path) -> None:
    """Order sheet with quantities, day sheet, invoice; each picture that the README shows is one of them."""
    folder = HERE if os.environ.get("CASEWRIGHT_PICTURES") == "renew" else tmp_path
    folder.mkdir(exist_ok=True)
    sheet = "/shops/corner/order/?c-SUC-RG=3&c-PEB-CF=2"
    for name, who, address in (("order-sheet", "buyer", sheet), ("day-sheet", "maker", "/bench/day/2026-03-17/")):
        shoot(browser, scene, who, address, folder / f"{name}.png")
    subprocess.run(
        ["pdftoppm", "-png", "-r", "70", "-f", "1", "-singlefile", scene["invoice"], str(folder / "invoice")],
        check=True,
    )

    taken = {path.name for path in folder.glob("*.png") if path.stat().st_size > 5_000}
    assert taken == set(re.findall(r"pictures/([\w-]+\.png)", README.read_text()))


def shoot(browser: Browser, scene: dict[str, str], who: str, address: str, to: Path) -> None:
    """Open a page as somebody and keep what is seen."""
    context = browser.new_context(viewport={"width": 1000, "height": 1500})
    cookie = {"name": settings.SESSION_COOKIE_NAME, "value": scene[who], "url": scene["server"]}
    context.add_cookies([cookie])  # type: ignore[list-item]
    page = context.new_page()
    answer = page.goto(scene["server"] + address)
    assert answer is not None
    assert answer.ok, f"{address}: {answer.status}"
    page.screenshot(path=to)
    context.close()
