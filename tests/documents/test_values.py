"""From rows to papers: what the real actions wrote is what the papers say."""

from datetime import date
from decimal import Decimal as D

import pytest
from pytest_django.fixtures import DjangoAssertNumQueries

from tests import builders
from wholesale import clock
from wholesale.actions import invoicing, orders, production, shipping
from wholesale.core.documents.batch import BatchSheet
from wholesale.core.documents.papers import Confirmation, InvoicePaper, PackingSlip, Paper
from wholesale.documents import KINDS
from wholesale.documents.letters import letter
from wholesale.models import Document, Load, Order, OrderLine, Scent
from wholesale.queries.papers import value_of

pytestmark = pytest.mark.django_db

#: What `value_of` asks before it turns to the paper: the workshop's settings.
SETTINGS = 1


@pytest.fixture
def order() -> Order:
    """A first order of 2 fern tin cases, which are in stock, and 2 succulent cases, which are not; confirmed."""
    builders.mossgate_rows(stock=True)
    placed = builders.place(
        builders.shop("corner"), ("FRN", 2, "CF"), ("SUC", 2, {"RG": 4, "WS": 2}), po_number="PO 12", note="Ring twice"
    )
    orders.confirm(by=builders.maker(), number=placed.number)
    placed.refresh_from_db()
    return placed


@pytest.fixture
def shipment(order: Order) -> str:
    """The fern tins, packed and gone on Thursday 5 March."""
    ferns = OrderLine.objects.get(order=order, item__code="FRN")
    number = shipping.pack(by=builders.helper(), number=order.number, cases={ferns.pk: 2}, token="t", cartons=3)
    shipping.ship(by=builders.helper(), number=number, carrier="Valley Parcel", tracking="VP 1")
    return number


def newest(kind: str) -> Paper:
    """The value of the paper of this kind that was asked for last."""
    return value_of(Document.objects.filter(kind=kind).latest("pk"))


def test_the_confirmation_is_the_order_as_it_was_agreed(order: Order) -> None:
    paper = newest("confirmation")

    assert isinstance(paper, Confirmation)
    ferns, cups = paper.lines
    assert paper.confirmed
    assert (paper.number, paper.po_number, paper.note) == (order.number, "PO 12", "Ring twice")
    assert (paper.leaves, paper.arrives) == (order.promised_leaves, order.promised_arrives)
    # 2 × 12 × 7.50 = 180.00; 2 × 6 × 12.00 = 144.00; together 324.00.
    # That is below 400, so freight is 18.00: 342.00; half of it is 171.00.
    assert (ferns.pieces, ferns.unit_price, ferns.case_price, ferns.amount) == (24, D("7.5"), D("90.00"), D("180.00"))
    assert [(scent.name, scent.pieces) for scent in cups.scents] == [("Rain garden", 4), ("Wet stone", 2)]
    assert [(row.name, row.amount) for row in paper.sums] == [
        ("Goods at list price", D("324.00")),
        ("Freight", D("18.00")),
        ("Total before tax", D("342.00")),
        # 6.5 % of 324.00.
        ("Sales tax if billed today", D("21.06")),
    ]
    assert (paper.deposit, paper.deposit_how, paper.holds_until) == (
        D("171.00"),
        "50 % of 342.00",
        order.promise_holds_until,
    )
    assert paper.buyer.name == "Corner LLC"
    assert paper.ship_to == ("Corner", "1 Test Row", "Marrowby NY", "US")
    assert paper.steps[-1].on == order.promised_arrives
    assert paper.decided_by is not None


def test_a_discount_stands_between_list_and_goods() -> None:
    """1,440.00 of list goods: 10 % off, 144.00, leaves 1,296.00; from 400 freight is free."""
    builders.mossgate_rows()
    placed = builders.place(builders.shop("corner"), ("SUC", 20, "RG"))
    orders.confirm(by=builders.maker(), number=placed.number)
    paper = newest("confirmation")

    assert isinstance(paper, Confirmation)
    assert [(row.name, row.amount) for row in paper.sums[:4]] == [
        ("Goods at list price", D("1440.00")),
        ("Discount, 10\u00a0%", D("-144.00")),
        ("Goods", D("1296.00")),
        ("Freight", D("0.00")),
    ]
    assert paper.sums[1].how.endswith("of 1440.00, whole order")


def test_the_packing_slip_knows_what_is_here_what_went_before_and_what_waits(order: Order, shipment: str) -> None:
    paper = newest("packing_slip")

    assert isinstance(paper, PackingSlip)
    assert [(line.code, line.ordered, line.before, line.shipped, line.waiting) for line in paper.lines] == [
        ("FRN", 2, 0, 2, 0),
        ("SUC", 2, 0, 0, 2),
    ]
    (scent,) = paper.lines[0].scents
    assert (scent.name, scent.pieces, [lot.code for lot in scent.lots]) == ("Cedar frame", 24, ["M-0217"])
    assert (paper.number, paper.cartons, paper.carrier, paper.tracking) == (shipment, 3, "Valley Parcel", "VP 1")
    # Leaves Thursday 5 March, two carrier days: Monday 9; five days to claim: Saturday 14.
    assert (paper.shipped_on, paper.arrives_on) == (date(2026, 3, 5), date(2026, 3, 9))
    assert (paper.claim_days, paper.claim_until) == (5, date(2026, 3, 14))


def test_the_slip_that_goes_into_the_carton_is_made_before_it_is_shipped(order: Order) -> None:
    ferns = OrderLine.objects.get(order=order, item__code="FRN")
    for token, cases in (("a", 1), ("b", 1)):
        shipping.pack(by=builders.helper(), number=order.number, cases={ferns.pk: cases}, token=token)
    paper = newest("packing_slip")

    assert isinstance(paper, PackingSlip)
    assert (paper.shipped_on, paper.claim_until) == (None, None)
    assert (paper.lines[0].before, paper.lines[0].shipped, paper.lines[0].waiting) == (1, 1, 0)
    assert "is packed" in letter(KINDS["packing_slip"], paper).text
    assert "Packed" in KINDS["packing_slip"].html(paper)


def test_the_invoice_is_printed_as_it_was_frozen(order: Order, shipment: str) -> None:
    number = invoicing.issue(by=builders.maker(), shipment=shipment)
    paper = newest("invoice")

    assert isinstance(paper, InvoicePaper)
    assert (paper.number, paper.invoice.shipment_number, paper.invoice.order_number) == (number, shipment, order.number)
    # 24 × 7.50 = 180.00 and the order's freight of 18.00; 6.5 % of 180.00 = 11.70: 209.70.
    assert [(row.name, row.amount) for row in paper.sums] == [
        ("Goods", D("180.00")),
        ("Freight", D("18.00")),
        ("Net", D("198.00")),
        ("Sales tax", D("11.70")),
        ("Total", D("209.70")),
        ("Amount due", D("209.70")),
    ]
    assert paper.buyer.name == "Corner LLC"
    assert paper.seller.tax_id == paper.house.party.tax_id


def test_the_credit_note_names_the_invoice(order: Order, shipment: str) -> None:
    number = invoicing.issue(by=builders.maker(), shipment=shipment)
    invoicing.credit(by=builders.maker(), invoice=number, because="Sent to the wrong shop.")
    paper = newest("credit_note")

    assert isinstance(paper, InvoicePaper)
    assert (paper.is_credit, paper.invoice.corrects, paper.invoice.because) == (True, number, "Sent to the wrong shop.")
    assert paper.sums[-1].name == "Credited"


def test_the_batch_sheet_weighs_what_the_load_is_of(order: Order) -> None:
    """8 RG cups: 8 × 150 = 1,200; ÷ 0.97 = 1,237.113; ÷ 1.08 = 1,145.475 wax; 91.638 oil."""
    load = Load.objects.get(equipment__code="POT-A", scent="RG")
    production.batch_sheet(by=builders.helper(), load=load.pk)
    paper = newest("batch_sheet")

    assert isinstance(paper, BatchSheet)
    (melt,) = paper.melts
    assert (melt.net_how, melt.gross_g) == ("8 × 150 g", D("1237.113"))
    assert [part.grams for part in melt.ingredients] == [D("1145.475"), D("91.638")]
    assert [(row.order, row.pieces, row.leaves) for row in paper.portions] == [(order.number, 8, order.promised_leaves)]
    assert (paper.equipment, paper.recipes, paper.done) == (
        "Pot A",
        "Succulent cup: version 1 (from the start); Base melt: version 1 (from the start)",
        False,
    )
    assert paper.number == f"load {load.pk}, planned"


def test_a_sheet_printed_after_the_work_holds_what_came_of_it(order: Order) -> None:
    load = Load.objects.get(equipment__code="POT-A", scent="RG")
    portion = load.portions.get()
    with clock.at("2026-03-09T16:00"):
        number = production.mark_done(
            by=builders.helper(), load=load.pk, good={portion.pk: 7}, reasons={portion.pk: "wet spot"}
        )
        production.batch_sheet(by=builders.helper(), load=load.pk)
    paper = newest("batch_sheet")

    assert isinstance(paper, BatchSheet)
    assert (paper.number, paper.done, paper.day) == (number, True, date(2026, 3, 9))
    assert [(row.good, row.because) for row in paper.portions] == [(7, "wet spot")]


def test_a_load_worked_by_hand_has_a_sheet_too(order: Order) -> None:
    load = Load.objects.filter(equipment=None).first()
    assert load is not None
    production.batch_sheet(by=builders.helper(), load=load.pk)
    paper = newest("batch_sheet")

    assert isinstance(paper, BatchSheet)
    assert paper.melts == ()
    assert "By hand" in KINDS["batch_sheet"].html(paper)


@pytest.mark.parametrize(
    ("kind", "queries"),
    [
        # The order with its shop; lines with items; their scents; the names of scents.
        ("confirmation", 5),
        # The shipment with order and shop; names of scents; cases before; its lines; their lots; the order's lines.
        ("packing_slip", 6),
        # The invoice.
        ("invoice", 1),
        # The load; its portions with orders; the catalogue: recipes, lines, operations, items, scents, equipment,
        # substitutes; left of earlier melts, what of it was used; weighings; what was taken; lots; what is left.
        ("batch_sheet", 16),
    ],
)
def test_a_paper_takes_the_same_queries_however_long_it_is(
    order: Order, shipment: str, kind: str, queries: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    invoicing.issue(by=builders.maker(), shipment=shipment)
    load = Load.objects.filter(equipment__code="POT-A").first()
    assert load is not None
    production.batch_sheet(by=builders.helper(), load=load.pk)
    document = Document.objects.filter(kind=kind).latest("pk")

    with django_assert_num_queries(SETTINGS + queries):
        value_of(document)


def test_a_scent_that_is_renamed_later_shows_its_new_name(order: Order) -> None:
    """Names of scents are not part of what was agreed; prices, dates and addresses are."""
    Scent.objects.filter(code="RG").update(name="Rain garden, new blend")
    order.shop.addresses.update(line1="9 New Street")
    paper = newest("confirmation")

    assert isinstance(paper, Confirmation)
    assert paper.lines[1].scents[0].name == "Rain garden, new blend"
    assert "1 Test Row" in paper.ship_to
