"""One invented value of each paper, and a long order: what the tests of papers print."""

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal as D

from tests import mossgate
from wholesale.core import invoicing
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.documents import batch
from wholesale.core.documents.papers import (
    Confirmation,
    ConfirmationLine,
    House,
    InvoicePaper,
    LotCount,
    PackingSlip,
    Party,
    PromiseStep,
    ScentCount,
    SlipLine,
    SlipScent,
    Sum,
    payment_terms,
    tax_note,
)
from wholesale.core.production.work import Load, Portion, Work

HOUSE = House(
    name="Mossgate Bench",
    country="US",
    party=Party(
        name="Mossgate Bench LLC",
        lines=("14 Millrace Lane", "Hollowell VT 05409", "US"),
        tax_id="04-0000123",
        email="bench@mossgate.example",
        phone="+1 802 555 0142",
    ),
)
FERNDALE = Party(
    name="Ferndale House & Garden, Inc.",
    lines=("Accounts", "220 Orchard Street", "Ferndale NY 12734", "US"),
    tax_id="04-0000456",
)
SHIP_TO = ("Ferndale House & Garden", "Back door, ring twice", "220 Orchard Street", "Ferndale NY 12734", "US")


def confirmation() -> Confirmation:
    """The order of trade scenario S1 (second try): 2 SUC and 2 PEB cases for a new shop.

    2 × 72 + 2 × 60 = 264.00; freight 18.00; together 282.00; half of it 141.00.
    """
    mixed = (
        ScentCount(name="Rain garden", pieces=2),
        ScentCount(name="Cedar frame", pieces=2),
        ScentCount(name="Wet stone", pieces=2),
    )
    terms = mossgate.terms()
    return Confirmation(
        house=HOUSE, number="W-1001", written_on=date(2026, 3, 5), confirmed=True, placed_on=date(2026, 3, 5),
        po_number="PO 7741", note="Please no deliveries on Wednesday mornings.", buyer=FERNDALE, ship_to=SHIP_TO,
        currency="USD",
        lines=(
            ConfirmationLine(code="SUC", name="Succulent cup", scents=(ScentCount(name="Rain garden", pieces=6),),
                             cases=2, case_pack=6, unit_price=D(12), case_price=D(72), amount=D(144)),
            ConfirmationLine(code="PEB", name="Pebble jar", scents=mixed, cases=2, case_pack=6, unit_price=D(10),
                             case_price=D(60), amount=D(120)),
        ),
        sums=(
            Sum(name="Goods at list price", amount=D(264)),
            Sum(name="Freight", amount=D(18), how="flat: 264.00 < 400"),
            Sum(name="Total before tax", amount=D(282), how="264.00 + 18", strong=True),
            Sum(name="Sales tax if billed today", amount=D("17.16"), how="6.5 % of 264.00"),
        ),
        total=D(282), deposit=D(141), deposit_how="50 % of 282.00", tax_note=tax_note(terms, ""),
        payment_terms=payment_terms(terms), how_to_pay="By bank transfer to account 000 111 222, Hollowell Savings.",
        leaves=date(2026, 3, 20), arrives=date(2026, 3, 24),
        holds_until=datetime(2026, 3, 9, 18, 0, tzinfo=UTC),
        steps=(
            PromiseStep(title="Order taken", on=date(2026, 3, 5), because="before 14:00: today counts"),
            PromiseStep(title="Deposit", on=date(2026, 3, 9), because="the bench starts when it is here", binding=True),
            PromiseStep(title="Pour base", on=date(2026, 3, 9)),
            PromiseStep(title="Setting", on=date(2026, 3, 10)),
            PromiseStep(title="Pipe moss", on=date(2026, 3, 10)),
            PromiseStep(title="Curing", on=date(2026, 3, 20)),
            PromiseStep(title="Packed, leaves", on=date(2026, 3, 20)),
            PromiseStep(title="Arrives", on=date(2026, 3, 24)),
        ),
    )  # fmt: skip


def long_confirmation(lines: int = 75) -> Confirmation:
    """An order too long for three pages."""
    paper = confirmation()
    one = paper.lines[1]
    more = tuple(replace(one, code=f"PEB-{n:03}", name=f"Pebble jar no. {n}") for n in range(1, lines + 1))
    goods = one.amount * lines
    sums = (
        Sum(name="Goods at list price", amount=goods),
        Sum(name="Freight", amount=D(0), how="free"),
        Sum(name="Total before tax", amount=goods, strong=True),
        Sum(name="Sales tax if billed today", amount=goods * D("0.065"), how="6.5 %"),
    )
    return replace(paper, note="", lines=more, sums=sums, total=goods)


def invoice(exempt: str = "Resale certificate NY-88-1204 (NY) holds.") -> InvoicePaper:
    """Trade scenario S8: 10 SUC and 8 PEB cases, 10 % off, 540.00 paid as deposit.

    720 + 480 = 1,200; 10 % = 120; 1,080; less 540 = 540; 2 % of 540 = 10.80, leaves 529.20.
    """
    bill = invoicing.Bill(
        number="INV-0001", issued_on=date(2026, 3, 16), supply_on=date(2026, 3, 16), terms=mossgate.terms(),
        seller=invoicing.Party(name="Mossgate Bench LLC", line1="14 Millrace Lane", city="Hollowell", region="VT",
                               postcode="05409", country="US", tax_id="04-0000123"),
        buyer=invoicing.Party(name="Ferndale House & Garden, Inc.", line1="220 Orchard Street",
                              city="Ferndale", region="NY", postcode="12734", country="US", tax_id="04-0000456"),
        ship_to=invoicing.Party(name="Ferndale House & Garden", line1="220 Orchard Street",
                                line2="Back door, ring twice", city="Ferndale", region="NY", postcode="12734",
                                country="US"),
        order_number="W-1008", po_number="PO 7802", shipment_number="S-1001",
        lines=(
            invoicing.BilledLine(position=1, item="SUC", name="Succulent cup", cases=10, case_pack=6, unit_price=D(12),
                                 cases_ordered=10, discount_ordered=D(72)),
            invoicing.BilledLine(position=2, item="PEB", name="Pebble jar", cases=8, case_pack=6, unit_price=D(10),
                                 cases_ordered=8, discount_ordered=D(48)),
        ),
        freight=D(0), exempt_because=exempt,
        how_to_pay="By bank transfer to Mossgate Bench LLC, account 000 111 222, Hollowell Savings.",
        at_hand=(invoicing.Prepaid(kind="deposit", words="Deposit received 2 March 2026", amount=D(540)),),
    )  # fmt: skip
    value = invoicing.invoice_for_shipment(bill)
    return InvoicePaper(house=HOUSE, number=value.number, written_on=value.issued_on, invoice=value)


def credit_note() -> InvoicePaper:
    """The whole of ``invoice`` taken back; 540.00 of it was still open."""
    value = invoicing.credit_in_full(
        invoice().invoice, number="CR-0001", issued_on=date(2026, 3, 20), because="Meant for another house.",
        closes=D(540),
    )  # fmt: skip
    return InvoicePaper(house=HOUSE, number=value.number, written_on=value.issued_on, invoice=value)


def packing_slip() -> PackingSlip:
    """Part of an order: 2 of 2 SUC cases, 1 of 3 PEB cases; 2 PEB cases follow."""
    lot = LotCount
    return PackingSlip(
        house=HOUSE, number="S-1001", written_on=date(2026, 3, 16), order_number="W-1001", po_number="PO 7741",
        shop="Ferndale House & Garden", ship_to=SHIP_TO, shipped_on=date(2026, 3, 16), arrives_on=date(2026, 3, 18),
        carrier="Valley Parcel", tracking="VP 0042 7781", cartons=2,
        lines=(
            SlipLine(code="SUC", name="Succulent cup", case_pack=6, ordered=2, before=0, shipped=2, scents=(
                SlipScent(name="Rain garden", pieces=12,
                          lots=(lot(code="L-1002", pieces=7), lot(code="L-1005", pieces=5))),
            )),
            SlipLine(code="PEB", name="Pebble jar", case_pack=6, ordered=3, before=0, shipped=1, scents=(
                SlipScent(name="Rain garden", pieces=2, lots=(lot(code="L-1003", pieces=2),)),
                SlipScent(name="Cedar frame", pieces=2, lots=(lot(code="L-1004", pieces=2),)),
                SlipScent(name="Wet stone", pieces=2, lots=(lot(code="L-1006", pieces=2),)),
            )),
            SlipLine(code="FRN", name="Fern tin", case_pack=12, ordered=1, before=1, shipped=0, scents=()),
        ),
        claim_days=5, claim_until=date(2026, 3, 23),
    )  # fmt: skip


def batch_sheet() -> batch.BatchSheet:
    """Trade scenario S2: two orders of 12 SUC in rain garden and one kept sample share a melt in pot A.

    25 × 150 = 3,750; ÷ 0.97 = 3,865.98; ÷ 1.08 = 3,579.61 wax; × 0.08 = 286.37 oil.
    """
    goods, sku = mossgate.catalogue(), Sku("SUC", "RG")
    portions = (Portion("1", sku, "pour", 12), Portion("2", sku, "pour", 13))
    load = Load(work=Work("POT-A", Sku("BASE", "RG")), day=date(2026, 3, 5), portions=portions)
    return _sheet(load, "planned", (("W-1001", 12, date(2026, 3, 16)), ("W-1002", 13, date(2026, 3, 18))), goods)


def whip_sheet() -> batch.BatchSheet:
    """A whip bowl with its window: 12 SUC, 40 g of moss and a rosette each."""
    goods, sku = mossgate.catalogue(), Sku("SUC", "RG")
    load = Load(work=Work("BOWL", Sku("MOSS")), day=date(2026, 3, 6), portions=(Portion("1", sku, "pipe", 12),))
    return _sheet(load, "B-1007", (("W-1001", 12, date(2026, 3, 16)),), goods)


def _sheet(load: Load, number: str, orders: tuple[tuple[str, int, date], ...], goods: Catalogue) -> batch.BatchSheet:
    return batch.BatchSheet(
        house=HOUSE, number=number, written_on=load.day, day=load.day, what=batch.sku_name(goods, load.work.what),
        equipment=goods.equipment[load.work.equipment].name, holds=batch.holds(goods, load.work.equipment),
        recipes="Succulent cup: version 1 (from the start)", portions=tuple(
            batch.BatchPortion(order=order, product="Succulent cup", scent="Rain garden",
                               step=batch.steps(goods, load)[0].name,
                               pieces=pieces, leaves=leaves)
            for order, pieces, leaves in orders
        ),
        melts=batch.melts(goods, load), parts=batch.parts(goods, load), steps=batch.steps(goods, load), done=False,
        page_url=f"https://orders.mossgate.example/bench/loads/{len(number)}/",
    )  # fmt: skip
