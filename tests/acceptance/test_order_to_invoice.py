"""One order from the basket to the paid invoice, through the real actions and a real worker.

Scenario S3 (common practice, no source) with an existing shop and no certificate:
2 SUC cases x 72 = 144 goods + 18 freight; tax 6.5 % of 144 = 9.36; 171.36 in all.
"""

import io
import subprocess
import time
from datetime import date
from decimal import Decimal as D

import pytest
from django.core.files.storage import default_storage
from pypdf import PdfReader

from tests import builders, mailbox
from wholesale import clock
from wholesale.actions import invoicing, orders, production, shipping
from wholesale.models import Document, Load, Mail, Order, ShopAccount
from wholesale.queries import invoicing as money

#: Far more than a worker needs; a limit, not a measurement.
PATIENCE_SECONDS = 240


@pytest.fixture
def order(transactional_db: None) -> Order:
    """Two cases of succulent cups for a shop that has ordered before."""
    builders.mossgate_rows()
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return builders.place(shop, ("SUC", 2, "RG"))


def all_done(*equipment: str | None) -> None:
    """Mark the loads of these done, as planned."""
    for load in Load.objects.filter(done_at__isnull=True).order_by("day", "pk"):
        if (load.equipment and load.equipment.code) in equipment:
            production.mark_done(by=builders.maker(), load=load.pk, good={})


def walk(order: Order) -> str:
    """Confirm, make, pack, ship, invoice and pay one order; return the invoice's number."""
    maker = builders.maker()
    orders.confirm(by=maker, number=order.number)
    all_done("POT-A", "TRAY-R", "TRAY-P")
    clock.move_all("2026-03-06T09:00")
    all_done("BOWL", "POT-B")
    clock.move_all("2026-03-13T09:00")
    all_done(None)
    clock.move_all("2026-03-16T10:00")
    shipment = shipping.pack(
        by=maker, number=order.number, cases={line.pk: line.cases for line in order.lines.all()}, token="pack-1"
    )
    shipping.ship(by=maker, number=shipment)
    return invoicing.issue(by=maker, shipment=shipment)


def papers_made(order: Order) -> list[Document]:
    """The order's papers, once the worker has made all of them."""
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        papers = list(Document.objects.all())
        failed = [f"{p.kind}: {p.error}" for p in papers if p.state == "failed"]
        assert not failed
        if papers and all(p.state == "done" and (not p.mail_to or mailed(p)) for p in papers):
            return papers
        time.sleep(0.2)
    pytest.fail(f"Not made in {PATIENCE_SECONDS} s: {[(p.kind, p.state, p.error) for p in Document.objects.all()]}")


def mailed(paper: Document) -> bool:
    """Whether the paper's e-mail has gone."""
    return hasattr(paper, "mail") and paper.mail.state == "done"


def text(paper: Document) -> str:
    """All words of a paper, with single spaces."""
    with default_storage.open(paper.file) as file:
        pages = PdfReader(io.BytesIO(file.read())).pages
        return " ".join(" ".join(page.extract_text() for page in pages).split())


def whole_path(order: Order) -> None:
    """The whole path, with every amount of it."""
    number = walk(order)
    clock.move_all("2026-03-20T09:00")
    page = money.invoice_page(number, on=clock.today())
    assert (page.row.gross, page.row.open) == (D("171.36"), D("171.36"))
    for token, amount in (("part-1", D("100.00")), ("part-2", D("100.00"))):
        invoicing.record_payment(
            by=builders.maker(), shop="corner", amount=amount, received_on=date(2026, 3, 20), reference="bank",
            token=token, invoice=number,
        )  # fmt: skip
    account = money.shop_account("corner", on=clock.today())
    assert money.invoice_page(number, on=clock.today()).row.open == 0
    # Within ten days 2 % is off: 171.36 x 0.98 = 167.93 settles it; 200.00 - 167.93 stands on account.
    assert account.on_account == D("32.07")
    order.refresh_from_db()
    assert order.state == "shipped"
    papers = {paper.kind: paper for paper in papers_made(order)}
    assert set(papers) == {"confirmation", "packing_slip", "invoice"}
    assert "171.36" in text(papers["invoice"])
    assert "12.00" not in text(papers["packing_slip"])


def test_an_order_becomes_a_paid_invoice_on_sqlite_and_folders(order: Order, worker: subprocess.Popen[bytes]) -> None:
    """Each paper is made and mailed once: confirmation, slip and invoice."""
    mailbox.empty()

    whole_path(order)

    sent = [message["Message-ID"] for message in mailbox.sent_mail()]
    assert len(sent) == len(set(sent)) == Mail.objects.filter(state="done").count() == 3


@pytest.mark.postgres
def test_an_order_becomes_a_paid_invoice_on_postgresql_and_redis(order: Order, worker: subprocess.Popen[bytes]) -> None:
    """The same walk on the servers of the service mode."""
    whole_path(order)
