"""The cast, and the world it is tried in: a shop with something of everything, beside it the stranger's shop.

All of it made by the real actions. Thu 5 March: W-1001, 3 cases of succulent cup, is placed,
confirmed and made. Mon 16 March: one case is packed as S-1001, one as S-1002 with invoice
INV-0001, the third is ready; W-1002 is placed, and the stranger's W-1003.
"""

import re
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from allauth.account.models import EmailAddress
from django.apps import apps
from django.conf import settings
from django.contrib.sessions.models import Session
from django.core.files.storage import default_storage
from django.db import connection
from django.db.backends.utils import CursorWrapper
from django.test import Client
from django.test.client import ClientHandler
from rest_framework.authtoken.models import Token

from accounts.models import Shop, User
from tests import builders
from wholesale import clock
from wholesale.actions import (
    bad_nights,
    deliveries,
    documents,
    for_stock,
    invoicing,
    orders,
    production,
    shipping,
    stock,
)
from wholesale.documents import pdf
from wholesale.models import Document, Load, Order, OrderLine, ShopAccount, StockMovement
from wholesale.queries.load_page import load_page

CAST = ("owner", "buyer", "reader", "stranger", "nobody", "maker", "helper")
SHOP, OTHER = "fern-and-fable", "moth-and-moon"
NOW = "2026-03-16T09:00"
#: What only the shop and the workshop may read.
SECRETS = ("Fern And Fable", "bills@fern-and-fable.example", "W-1001", "W-1002", "S-1001", "S-1002", "INV-0001")


#: Rows by table.
Rows = dict[str, list[tuple[Any, ...]]]


@dataclass(frozen=True)
class World:
    """``facts``: row numbers and the like, for addresses and forms; ``keys``: session and token of who signs in."""

    facts: dict[str, str]
    keys: dict[str, tuple[str, str]]
    #: One for all clients: each would read the folder of static files anew.
    handler: ClientHandler = field(default_factory=lambda: ClientHandler(enforce_csrf_checks=False))

    def client(self, who: str, *, api: bool = False) -> Client:
        """A client of one of the cast, signed in as the pages or as the API want it."""
        client = Client()
        client.handler = self.handler
        session, token = self.keys.get(who, ("", ""))
        if api and token:
            client.defaults["HTTP_AUTHORIZATION"] = f"Token {token}"
        elif session:
            client.cookies[settings.SESSION_COOKIE_NAME] = session
        return client


def build() -> World:
    """Make the world; what is asked of it is asked at ``NOW``."""
    builders.mossgate_rows()
    shop, other = (_old_shop(slug) for slug in (SHOP, OTHER))
    order = builders.place(shop, ("SUC", 3, "RG"))
    orders.confirm(by=builders.maker(), number=order.number)
    _make_all()
    with clock.at(NOW):
        _pack_and_bill(order)
        lot = _shelf()
        builders.place(shop, ("SUC", 2, "RG"))
        builders.place(other, ("FRN", 2, "CF"), by=builders.member(other, "owner"))
        made = for_stock.make_for_stock(by=builders.helper(), item="PEB", scent="WS", pieces=2)
        report = bad_nights.equipment_broken(
            by=builders.helper(), equipment="BOWL", count=1, first=date(2026, 3, 30), last=date(2026, 3, 31)
        )  # fmt: skip
        keys = _keys(shop, other)
        facts = (
            {"lot": lot, "made": str(made), "report": str(report), "next_report": str(report + 1)}
            | {"delivery": str(_on_order())}
            | _row_facts(order, lot)
            | _papers(order)
        )
        return World(facts | _seen(World({}, keys).client("owner")), keys)


def clear() -> None:
    """Take away the files of the papers."""
    for file in Document.objects.exclude(file="").values_list("file", flat=True):
        default_storage.delete(file)


def rows() -> Rows:
    """Every row of every table, but for who is signed in, and for allauth's copies of addresses, made when needed."""
    tables = [model._meta.db_table for model in apps.get_models() if model not in (Session, EmailAddress)]
    with connection.cursor() as cursor:
        return {table: _rows(cursor, table) for table in tables}


def _rows(cursor: CursorWrapper, table: str) -> list[tuple[Any, ...]]:
    cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")  # noqa: S608  (a table of our own)
    return list(cursor.fetchall())


def _old_shop(slug: str) -> Shop:
    """A shop that ordered before, so that it owes no deposit."""
    shop = builders.shop(slug)
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return shop


def _make_all() -> None:
    """Mark every load done on its own day, all good."""
    while load := Load.objects.filter(done_at__isnull=True).order_by("day", "pk").first():
        with clock.at(f"{load.day}T09:00"):
            good = {portion.pk: portion.pieces for portion in load.portions.all()}
            production.mark_done(by=builders.helper(), load=load.pk, good=good)


def _pack_and_bill(order: Order) -> None:
    """Two of the three cases packed, one of them billed."""
    line = OrderLine.objects.get(order=order)
    packed = [
        shipping.pack(by=builders.helper(), number=order.number, cases={line.pk: 1}, token=token)
        for token in ("first", "second")
    ]
    invoicing.issue(by=builders.maker(), shipment=packed[1])


def _keys(shop: Shop, other: Shop) -> dict[str, tuple[str, str]]:
    people = {role: builders.member(shop, role) for role in ("owner", "buyer", "reader")}
    people |= {"stranger": builders.member(other, "owner"), "maker": builders.maker(), "helper": builders.helper()}
    return {who: (_session(user), Token.objects.create(user=user).key) for who, user in people.items()}


def _session(user: User) -> str:
    client = Client()
    client.force_login(user)
    return client.cookies[settings.SESSION_COOKIE_NAME].value


def _shelf() -> str:
    """Wax and oil for two melts, and a lot of casting wax, whose code is returned."""
    came = [("SOY", "20000"), ("OIL-RG", "2000"), ("CASTWAX", "5000")]
    return [
        stock.receive(by=builders.helper(), item=item, quantity=Decimal(much), token=item, sure=True)
        for item, much in came
    ][-1]


def _on_order() -> int:
    """Casting wax that is to come on Fri 20 March; its row."""
    day = date(2026, 3, 20)
    return deliveries.order(by=builders.helper(), item="CASTWAX", quantity=Decimal(5000), expected_on=day, token="wax")


def _row_facts(order: Order, lot: str) -> dict[str, str]:
    """The line of the order that has a case to pack, and the first pour to do, which makes for W-1002 alone."""
    load = Load.objects.filter(done_at__isnull=True, equipment__code="POT-A").order_by("day", "pk")[0]
    portion = load.portions.get()
    facts = {"line": OrderLine.objects.get(order=order).pk, "load": load.pk, "portion": portion.pk}
    facts["entry"] = StockMovement.objects.get(lot__code=lot).pk
    return {name: str(value) for name, value in facts.items()} | {"pieces": str(portion.pieces)} | _to_weigh(load)


def _to_weigh(load: Load) -> dict[str, str]:
    """What is weighed for a load, and its grams."""
    wax, oil = load_page(load.pk).weigh
    return {"wax": wax.named, "wax_g": str(wax.planned_g), "oil": oil.named, "oil_g": str(oil.planned_g)}


def _papers(order: Order) -> dict[str, str]:
    """A confirmation and a batch sheet that are made, a slip that failed, an invoice that waits."""
    sheet = production.batch_sheet(by=builders.helper(), load=Load.objects.filter(done_at__isnull=False)[0].pk)
    confirmation = Document.objects.get(order=order).pk
    with pytest.MonkeyPatch.context() as patched:
        # What a PDF looks like is not what is asked here, and printing takes seconds.
        patched.setattr(pdf, "print_page", lambda page: b"%PDF-1.7 of " + page.encode())
        for paper in (sheet, confirmation):
            documents.render(paper)
    slip = Document.objects.get(shipment__number="S-1001")
    Document.objects.filter(pk=slip.pk).update(state="failed", error="No room on the disk.")
    waiting = Document.objects.get(invoice__number="INV-0001").pk
    papers = {"sheet": sheet, "confirmation": confirmation, "slip": slip.pk, "waiting": waiting}
    return {name: str(pk) for name, pk in papers.items()}


def _seen(owner: Client) -> dict[str, str]:
    """What the order sheet worked out for 2 cases of succulent cup: it has to be sent back to place them."""
    page: Any = owner.post(f"/shops/{SHOP}/order/", {"c-SUC-RG": "2", "do": "work"}, follow=True)
    return dict(re.findall(r'name="(seen_\w+)" value="([^"]*)"', page.content.decode()))
