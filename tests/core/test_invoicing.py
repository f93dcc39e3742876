"""Invoices as data: totals by EN 16931, what was shipped, credits, and money that comes in.

Sources: "CEN" is the public repository ConnectingEurope/eInvoicing-EN16931 (v1.3.16);
"Peppol" is OpenPEPPOL/peppol-bis-invoice-3. "S1", "S7", "S8" are the workshop's own
scenarios, worked by hand.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import mossgate
from wholesale.core.invoicing import (
    Bill,
    BilledLine,
    InvoiceValue,
    OpenInvoice,
    Party,
    Prepaid,
    Settled,
    Taxed,
    allocate,
    credit_in_full,
    invoice_for_shipment,
    settle,
    share_so_far,
    tax_groups,
    total_up,
)
from wholesale.core.pricing import Account, Goods, Terms, price
from wholesale.core.values import round_money

ISSUED = date(2026, 3, 16)
CERTIFICATE = "Resale certificate 12-345 (NY) holds."
SELLER = Party(name="Mossgate Bench", city="Kingston", country="US")
BUYER = Party(name="Fennel & Finch LLC", city="Albany", country="US")


def line(item: str, cases: int, unit: str, pack: int = 6, **other: Any) -> BilledLine:
    """All cases of an order line, unless ``other`` says what was ordered."""
    given: dict[str, Any] = {"cases_ordered": cases, "discount_ordered": D(0), "position": 1} | other
    return BilledLine(item=item, name=item, cases=cases, case_pack=pack, unit_price=D(unit), **given)


def bill(*lines: BilledLine, freight: str = "0", terms: Terms | None = None, **other: Any) -> Bill:
    """A bill of these lines on 16 March 2026."""
    return Bill(
        number="INV-0001", issued_on=ISSUED, supply_on=ISSUED, terms=terms or mossgate.terms(), seller=SELLER,
        buyer=BUYER, ship_to=BUYER, order_number="W-1001", shipment_number="S-1001", lines=lines, freight=D(freight),
        **other,
    )  # fmt: skip


def s1(**other: Any) -> InvoiceValue:
    """S1: 2 SUC cases and, to reach the minimum, 2 PEB cases; freight 18."""
    return invoice_for_shipment(bill(line("SUC", 2, "12"), line("PEB", 2, "10", position=2), freight="18", **other))


# ── totals by EN 16931 ───────────────────────────────────────────────────────

# CEN, test/Invoice-unit-UBL/BR-CO-10.xml: line nets and their sum.
BR_CO_10 = [
    (["100.00"], "100"),
    (["0.00"], "0"),
    (["110.00", "90.00"], "200"),  # 110 + 90
    (["110.00", "-90.00"], "20"),  # 110 − 90
    (["-110.00", "90.00"], "-20"),
    (["-100.00"], "-100"),
]


@pytest.mark.parametrize(("nets", "expected"), BR_CO_10)
def test_the_line_total_is_the_sum_of_the_line_nets(nets: list[str], expected: str) -> None:
    """EN-1, BR-CO-10."""
    assert total_up(map(D, nets), (), "EUR").lines == D(expected)


# CEN, BR-CO-11.xml, BR-CO-12.xml: allowances, charges and their sums; the last by both rules.
BR_CO_11_12 = [
    (["100"], [], "100", "0"),
    (["100"], ["100"], "100", "100"),
    (["0"], ["100"], "0.00", "100"),
    (["100", "1000.0"], [], "1100.00", "0"),  # 100 + 1000
    (["0.0"], ["1000"], "0", "1000"),
]


@pytest.mark.parametrize(("off", "added", "allowances", "charges"), BR_CO_11_12)
def test_document_allowances_and_charges_are_summed_apart(
    off: list[str], added: list[str], allowances: str, charges: str
) -> None:
    """EN-2, BR-CO-11 and BR-CO-12."""
    sums = total_up((), (), "EUR", allowances=map(D, off), charges=map(D, added))

    assert (sums.allowances, sums.charges) == (D(allowances), D(charges))


# CEN, BR-CO-13.xml: lines, allowances, charges, net.
BR_CO_13 = [
    ("1000", "100", "100", "1000"),  # 1000 − 100 + 100
    ("1000", "100", "0", "900"),
    ("1000", "0", "100", "1100"),
    ("-100", "0", "100", "0"),
    ("-1000", "100", "100", "-1000"),
    ("0", "100", "0", "-100"),
    ("100.00", "100", "0", "0"),
]


@pytest.mark.parametrize(("lines", "off", "added", "net"), BR_CO_13)
def test_the_net_is_lines_less_allowances_plus_charges(lines: str, off: str, added: str, net: str) -> None:
    """EN-3, BR-CO-13."""
    sums = total_up([D(lines)], (), "EUR", allowances=[D(off)], charges=[D(added)])

    assert sums.net == D(net)


# CEN, BR-CO-15.xml: net, tax, gross. The tax is given by a group of 100 %, so that it is exact.
BR_CO_15 = [("1000", "300", "1300"), ("-100", "300", "200"), ("-100", "100", "0"), ("0", "0", "0")]


@pytest.mark.parametrize(("net", "tax", "gross"), BR_CO_15)
def test_the_tax_is_the_sum_of_its_groups_and_the_gross_is_net_plus_tax(net: str, tax: str, gross: str) -> None:
    """EN-4 and EN-5, BR-CO-14 and BR-CO-15."""
    two_groups = tax_groups([Taxed("S", D(100), D(tax)), Taxed("Z", D(0), D(7))], "NOK")

    sums = total_up([D(net)], two_groups, "NOK")

    assert (sums.tax, sums.gross) == (D(tax), D(gross))


# CEN, BR-CO-16.xml: gross, paid, rounding, due.
BR_CO_16 = [
    ("1200", "1000", "0", "200.00"),  # 1200 − 1000
    ("8250.00", "0", "0", "8250"),
    ("1200.00", "1200", "0", "0"),
    ("1200.78", "1000", "0.22", "201"),  # 1200.78 − 1000 + 0.22
    ("1200.78", "0", "0.22", "1201"),
    ("1200.22", "0", "-0.22", "1200"),
    ("12829.69", "12829.69", "0", "0"),
]


@pytest.mark.parametrize(("gross", "paid", "rounding", "due"), BR_CO_16)
def test_what_is_due_is_the_gross_less_what_is_paid_plus_rounding(
    gross: str, paid: str, rounding: str, due: str
) -> None:
    """EN-6, BR-CO-16."""
    assert total_up([D(gross)], (), "EUR", paid=D(paid), rounding=D(rounding)).due == D(due)


# CEN, BR-CO-17.xml (UBL unit cases): taxable, rate, tax; the last from test/cii/BR-CO-17.xml.
BR_CO_17 = [
    ("1000", "25", "250"),
    ("-6491.34", "25", "-1622.84"),  # exactly −1622.835: the half goes away from zero
    ("6491.34", "25", "1622.84"),
    ("2141.05", "14", "299.75"),  # 299.747
    ("2141.19", "2.1", "44.96"),  # 44.96499
    ("2141.19", "0", "0"),
    ("-2141.19", "5.5", "-117.77"),  # −117.76545
    ("-25.00", "0", "0"),
    ("-72.50", "19", "-13.78"),  # exactly −13.775: the half goes away from zero
]


@pytest.mark.parametrize(("taxable", "rate", "tax"), BR_CO_17)
def test_the_tax_of_a_group_is_taxable_times_rate_halves_away_from_zero(taxable: str, rate: str, tax: str) -> None:
    """EN-7, BR-CO-17."""
    (group,) = tax_groups([Taxed("S", D(rate), D(taxable))], "EUR")

    assert group.tax == D(tax)


@pytest.mark.parametrize(
    ("exact", "rounded"),
    [("2.345", "2.35"), ("2.355", "2.36"), ("-13.775", "-13.78"), ("1.005", "1.01"), ("-1622.835", "-1622.84")],
)
def test_halves_go_away_from_zero(exact: str, rounded: str) -> None:
    """RD-1, by definition (`round(1.005, 2)` in binary floats gives 1.0), and CEN's two half cases."""
    assert round_money(D(exact), "USD") == D(rounded)


def test_a_group_takes_in_lines_charges_and_allowances_of_its_category_and_rate() -> None:
    """EN-8, BR-S-08 (CEN): BT-116 = Σ lines + Σ charges − Σ allowances, per rate."""
    parts = [Taxed("S", D(25), D(100)), Taxed("S", D(15), D(40)), Taxed("S", D(25), D(30)), Taxed("S", D(25), D(-10))]

    groups = tax_groups(parts, "EUR")

    # 100 + 30 − 10 = 120 at 25 %, 40 at 15 %
    assert [(g.percent, g.taxable, g.tax) for g in groups] == [(D(25), D(120), D(30)), (D(15), D(40), D(6))]


# Official invoices: quantity × price ÷ base quantity of each line with its own charge and
# allowance, document charges and allowances, and the totals printed in the file.
OFFICIAL: dict[str, dict[str, Any]] = {
    "Peppol, examples/Allowance-example.xml": {
        # 10 × 410 + 1 − 101 = 4000; 10 × 200 / 2 = 1000; 10 × 100 + 1 − 101 = 900
        "lines": [("4000", "S", "25"), ("1000", "E", "0"), ("900", "S", "25")],
        "charges": [("200", "S", "25")], "allowances": [("200", "S", "25")], "paid": "1000",
        "totals": {"lines": "5900", "net": "5900", "tax": "1225.00", "gross": "7125", "due": "6125.00"},
        "groups": [("4900", "1225"), ("1000", "0")],
    },
    "Peppol, examples/base-example.xml": {
        # 7 × 400 − 3 × 500
        "lines": [("2800", "S", "25"), ("-1500", "S", "25")],
        "charges": [("25", "S", "25")], "allowances": [], "paid": "0",
        "totals": {"lines": "1300", "net": "1325", "tax": "331.25", "gross": "1656.25", "due": "1656.25"},
        "groups": [("1325", "331.25")],
    },
    "CEN, cii/examples/CII_example5.xml": {
        # 1000 × 1 + 100 − 100; 100 × 5; 500 × 5
        "lines": [("1000", "S", "25"), ("500", "S", "25"), ("2500", "S", "12")],
        "charges": [("150", "S", "25")], "allowances": [("150", "S", "25")], "paid": "2337.5",
        "totals": {"lines": "4000", "net": "4000", "tax": "675.00", "gross": "4675", "due": "2337.5"},
        "groups": [("1500", "375"), ("2500", "300")],
    },
    "CEN, cii/examples/CII_example2.xml": {
        # 1273; −3.96; 2 × 2.48; −25; 250 × 0.75, each ÷ its base quantity as printed
        "lines": [
            ("1273", "S", "25"), ("-3.96", "S", "15"), ("4.96", "S", "15"), ("-25", "E", "0"), ("187.5", "S", "25"),
        ],
        "charges": [("100", "S", "25")], "allowances": [("100", "S", "25")], "paid": "1000",
        "totals": {"lines": "1436.5", "net": "1436.5", "tax": "365.28", "gross": "1801.78", "due": "801.78"},
        "groups": [("1460.5", "365.13"), ("1", "0.15"), ("-25", "0")],
    },
    "CEN, ubl/examples/ubl-tc434-example9.xml": {
        "lines": [("147.00", "S", "21")],  # 3 × 49.00
        "charges": [], "allowances": [], "paid": "0",
        "totals": {"lines": "147.00", "net": "147.00", "tax": "30.87", "gross": "177.87", "due": "177.87"},
        "groups": [("147.00", "30.87")],
    },
    "CEN, cii/examples/CII_business_example_02.xml": {
        # 1 × 1.2605 twice, 1 × 7.4790, each rounded to the cent
        "lines": [("1.26", "S", "19"), ("1.26", "S", "19"), ("7.48", "S", "19")],
        "charges": [], "allowances": [], "paid": "0",
        "totals": {"lines": "10.00", "net": "10.00", "tax": "1.90", "gross": "11.90", "due": "11.90"},
        "groups": [("10.00", "1.90")],
    },
}  # fmt: skip


@pytest.mark.parametrize("name", OFFICIAL)
def test_official_invoices_come_out_to_the_cent(name: str) -> None:
    """Their printed totals follow from their lines by our sums."""
    official = OFFICIAL[name]
    parts = {part: [Taxed(c, D(p), D(a)) for a, c, p in official[part]] for part in ("lines", "charges", "allowances")}
    less = [part._replace(amount=-part.amount) for part in parts["allowances"]]
    groups = tax_groups([*parts["lines"], *parts["charges"], *less], "EUR")
    sums = total_up(
        [part.amount for part in parts["lines"]], groups, "EUR", paid=D(official["paid"]),
        allowances=[part.amount for part in parts["allowances"]], charges=[part.amount for part in parts["charges"]],
    )  # fmt: skip

    assert [(g.taxable, g.tax) for g in groups] == [(D(taxable), D(tax)) for taxable, tax in official["groups"]]
    assert {field: getattr(sums, field) for field in official["totals"]} == {
        field: D(text) for field, text in official["totals"].items()
    }


# ── the scenarios ────────────────────────────────────────────────────────────


def test_s1_without_a_certificate_is_taxed_on_goods_only() -> None:
    invoice = s1()

    # 2 × 6 × 12 + 2 × 6 × 10 = 264; 264 × 0.065 = 17.16; 264 + 18 + 17.16 = 299.16
    assert (invoice.sums.lines, invoice.sums.charges, invoice.sums.net) == (D(264), D(18), D(282))
    assert (invoice.sums.tax, invoice.sums.gross, invoice.sums.due) == (D("17.16"), D("299.16"), D("299.16"))
    assert [(g.category, g.percent, g.taxable, g.tax) for g in invoice.taxes] == [
        ("S", D("6.5"), D(264), D("17.16")),
        ("E", D(0), D(18), D(0)),
    ]
    assert invoice.exempt_because == "No sales tax on freight."


def test_s1_with_a_certificate_at_billing_is_free_of_tax_and_says_why() -> None:
    invoice = s1(exempt_because=CERTIFICATE)

    assert (invoice.sums.net, invoice.sums.tax, invoice.sums.gross) == (D(282), D(0), D(282))
    assert invoice.exempt_because == CERTIFICATE
    assert [(g.category, g.taxable) for g in invoice.taxes] == [("E", D(282))]


def test_a_certificate_frees_nothing_where_the_terms_know_no_exemption() -> None:
    assert s1(exempt_because=CERTIFICATE, terms=mossgate.terms(tax_exemption="none")).sums.tax == D("17.16")


def test_the_vat_variant_taxes_freight_too() -> None:
    """S7, VAT at 20 %: 360 + 18 = 378; 378 × 0.2 = 75.60; 453.60."""
    terms = mossgate.terms(tax_percent="20", tax_on="goods_and_freight", tax_name="VAT")

    invoice = invoice_for_shipment(bill(line("PEB", 6, "10"), freight="18", terms=terms))

    assert (invoice.sums.net, invoice.sums.tax, invoice.sums.gross) == (D(378), D("75.60"), D("453.60"))
    assert [g.category for g in invoice.taxes] == ["S"]


def test_at_a_rate_of_zero_everything_is_zero_rated() -> None:
    invoice = s1(terms=mossgate.terms(tax_percent="0"))

    assert [(g.category, g.taxable, g.tax) for g in invoice.taxes] == [("Z", D(282), D(0))]
    assert invoice.exempt_because == ""


def test_s1_deposit_is_drawn_down_as_paid() -> None:
    deposit = Prepaid(kind="deposit", words="Deposit", amount=D(141))

    invoice = s1(at_hand=(deposit,))

    # 299.16 − 141.00
    assert (invoice.sums.paid, invoice.sums.due) == (D(141), D("158.16"))
    assert invoice.prepaid == (deposit,)


def test_money_at_hand_is_drawn_in_order_and_never_beyond_the_invoice() -> None:
    deposit = Prepaid(kind="deposit", words="Deposit", amount=D(141))
    account = Prepaid(kind="account", words="On account", amount=D(500))

    invoice = s1(at_hand=(deposit, account))

    # 299.16 − 141.00 = 158.16 of the 500.00
    assert [part.amount for part in invoice.prepaid] == [D(141), D("158.16")]
    assert invoice.sums.due == 0
    assert invoice.early is None
    assert invoice.payment_terms == "Paid in full. Nothing is due."


def test_s8_discount_deposit_and_terms() -> None:
    """S8: 1,200 list at 10 % = 1,080; deposit 540; 2 % of the balance if paid by 26 March; due 15 April."""
    lines = (
        line("SUC", 10, "12", discount_ordered=D(72)),  # 720 × 10 %
        line("PEB", 8, "10", discount_ordered=D(48), position=2),  # 480 × 10 %
    )

    invoice = invoice_for_shipment(
        bill(*lines, exempt_because=CERTIFICATE, at_hand=(Prepaid(kind="deposit", words="Deposit", amount=D(540)),))
    )

    assert [(row.list_amount, row.allowance, row.net) for row in invoice.lines] == [
        (D(720), D(72), D(648)),
        (D(480), D(48), D(432)),
    ]
    assert (invoice.sums.gross, invoice.sums.due) == (D(1080), D(540))
    assert invoice.due_on == date(2026, 4, 15)  # 16 March + 30 days
    assert invoice.early is not None
    # 540 × 0.02 = 10.80; the deposit part earns none
    assert (invoice.early.by, invoice.early.discount, invoice.early.pays) == (
        date(2026, 3, 26),
        D("10.80"),
        D("529.20"),
    )
    assert invoice.payment_terms == (
        "540.00 USD is due by 15 April 2026. 2 % off (10.80) if paid by 26 March 2026: then 529.20 USD."
    )


def test_terms_without_an_early_discount_name_none() -> None:
    invoice = s1(terms=mossgate.terms(early_discount="0"))

    assert invoice.early is None
    assert invoice.payment_terms == "299.16 USD is due by 15 April 2026."


def test_a_part_delivery_says_that_more_is_to_come() -> None:
    assert s1(more_to_come=True).notes == ("More cases of this order follow, with an invoice of their own.",)
    assert s1().notes == ()


def test_every_total_shows_its_arithmetic() -> None:
    shown = {row.name: (row.amount, row.shown) for row in s1().arithmetic}

    assert shown["Goods"] == (D("264.00"), "264.00")
    assert shown["Freight"] == (D(18), "as agreed with the order")
    assert shown["Sales tax"] == (D("17.16"), "6.5 % of 264.00")
    assert shown["Total"] == (D("299.16"), "282.00 + 17.16")
    assert shown["Due"] == (D("299.16"), "299.16 − 0.00")


def test_a_frozen_invoice_reads_back_equal_after_a_trip_through_json() -> None:
    invoice = s1(exempt_because=CERTIFICATE, at_hand=(Prepaid(kind="deposit", words="Deposit", amount=D(141)),))

    stored = json.loads(json.dumps(invoice.to_json()))

    assert InvoiceValue.from_json(stored) == invoice


# ── part deliveries ──────────────────────────────────────────────────────────


def deliveries(whole: BilledLine, parts: Sequence[int]) -> list[InvoiceValue]:
    """One invoice a delivery of the line's cases, each knowing what went before."""
    made: list[InvoiceValue] = []
    for cases in parts:
        before = [row for invoice in made for row in invoice.lines]
        part = replace(
            whole, cases=cases, cases_before=sum(row.cases for row in before),
            list_before=sum((row.list_amount for row in before), D(0)),
            discount_before=sum((row.allowance for row in before), D(0)),
        )  # fmt: skip
        made.append(invoice_for_shipment(bill(part)))
    return made


def test_a_discount_that_does_not_divide_is_shared_without_losing_a_cent() -> None:
    """10.00 over 3 cases: 3.33, then 6.67 − 3.33 = 3.34, then 10.00 − 6.67 = 3.33."""
    whole = line("PEB", 3, "10", discount_ordered=D("10.00"))

    assert [made.lines[0].allowance for made in deliveries(whole, [1, 1, 1])] == [D("3.33"), D("3.34"), D("3.33")]


def test_a_price_finer_than_the_cent_is_shared_without_losing_a_cent() -> None:
    """6 × 1.2345 = 7.407 a case; two cases 14.814. So 7.41, then 14.81 − 7.41 = 7.40."""
    assert [made.lines[0].list_amount for made in deliveries(line("PEB", 2, "1.2345"), [1, 1])] == [
        D("7.41"),
        D("7.40"),
    ]


def test_a_share_is_rounded_half_away_from_zero() -> None:
    """0.05 × 1 / 2 = 0.025."""
    assert share_so_far(D("0.05"), 1, 2, "USD") == D("0.03")


CASES = st.integers(1, 40)
PRICES = st.decimals("0.0001", "500", places=4)


@settings(max_examples=300, deadline=None)
@given(
    data=st.data(), cases=CASES, pack=st.integers(1, 24), unit=PRICES, percent=st.sampled_from(["0", "5", "10", "12.5"])
)
def test_part_deliveries_add_up_to_the_order_however_it_is_split(
    data: st.DataObject, cases: int, pack: int, unit: D, percent: str
) -> None:
    """Σ list and Σ discount of all invoices are the order's frozen ones, to the cent, at any price.

    No net is negative where a case costs 0.05 or more: a line's list amount is at most
    0.01 below k × price, its discount at most 0.02 above 12.5 % of it, so that
    net ≥ 0.05 − 0.01 − (0.00625 + 0.02) > 0. Below that a cent of discount can fall on
    a delivery whose goods round to nothing; the sums hold all the same.
    """
    goods = Goods(item="PEB", cases=cases, case_pack=pack, unit_price=unit)
    frozen = round_money(goods.list_amount("USD") * D(percent) / 100, "USD")
    whole = line("PEB", cases, str(unit), pack, discount_ordered=frozen)
    parts: list[int] = []
    while sum(parts) < cases:
        parts.append(data.draw(st.integers(1, cases - sum(parts))))

    rows = [row for invoice in deliveries(whole, parts) for row in invoice.lines]

    assert sum(row.list_amount for row in rows) == goods.list_amount("USD")
    assert sum(row.allowance for row in rows) == frozen
    assert unit * pack < D("0.05") or all(row.net >= 0 for row in rows)
    assert all(abs(row.list_amount - unit * row.pieces) <= D("0.01") for row in rows)


@settings(max_examples=300, deadline=None)
@given(
    lines=st.lists(st.tuples(CASES, PRICES, st.integers(1, 12)), min_size=1, max_size=6),
    freight=st.decimals("0", "50", places=2),
    rate=st.decimals("0", "27", places=1),
    tax_on=st.sampled_from(["goods", "goods_and_freight"]),
    exempt=st.sampled_from(["", CERTIFICATE]),
    deposit=st.decimals("0", "20000", places=2),
)
def test_every_invoice_keeps_the_sums_of_en_16931(
    lines: list[tuple[int, D, int]], freight: D, rate: D, tax_on: str, exempt: str, deposit: D
) -> None:
    """BR-CO-10 to 17, BR-S-08 and BR-DEC, computed anew from the finished document's parts."""
    billed = [line(f"I{i}", c, str(u), p, position=i) for i, (c, u, p) in enumerate(lines)]
    money = (Prepaid(kind="deposit", words="Deposit", amount=deposit),)
    terms = mossgate.terms(tax_percent=str(rate), tax_on=tax_on)

    invoice = invoice_for_shipment(
        bill(*billed, freight=str(freight), terms=terms, exempt_because=exempt, at_hand=money)
    )

    sums = invoice.sums
    assert sums.lines == sum(row.net for row in invoice.lines)  # BR-CO-10
    assert sums.charges == sum(charge.amount for charge in invoice.charges) == freight  # BR-CO-12
    assert sums.net == sums.lines - sums.allowances + sums.charges  # BR-CO-13
    assert sums.tax == sum(group.tax for group in invoice.taxes)  # BR-CO-14
    assert sums.gross == sums.net + sums.tax  # BR-CO-15
    assert sums.due == sums.gross - sums.paid + sums.rounding  # BR-CO-16
    assert sums.paid == min(deposit, sums.gross)
    for group in invoice.taxes:
        goods = sum(row.net for row in invoice.lines if row.category == group.category)
        added = sum(charge.amount for charge in invoice.charges if charge.category == group.category)
        assert group.taxable == goods + added  # BR-S-08
        assert group.tax == round_money(group.taxable * group.percent / 100, "USD")  # BR-CO-17
        assert bool(group.reason) == (group.category == "E")  # BR-E-10, BR-S-10, BR-Z-10
        assert (group.percent > 0) == (group.category == "S")  # BR-S-05, BR-E-05, BR-Z-05
    assert sum(group.taxable for group in invoice.taxes) == sums.net
    amounts = [*vars(sums).values(), *[row.net for row in invoice.lines], *[row.allowance for row in invoice.lines]]
    assert all(amount == round(amount, 2) for amount in amounts)  # EN-9, BR-DEC


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(CASES, st.integers(1, 5000)), min_size=1, max_size=5))
def test_one_invoice_of_a_whole_order_bills_what_the_order_was_priced_at(found: list[tuple[int, int]]) -> None:
    """The same goods, discount, freight and tax as `core.pricing.price` showed the shop."""
    terms = mossgate.terms()
    goods = [
        Goods(item=f"I{i}", cases=c, case_pack=6, unit_price=D(cents_).scaleb(-2))
        for i, (c, cents_) in enumerate(found)
    ]
    priced = price(goods, terms, Account(last_order_on=ISSUED), ISSUED)
    billed = [
        line(row.item, row.cases, str(row.unit_price), discount_ordered=off, position=i)
        for i, (row, off) in enumerate(zip(goods, priced.discounts, strict=True))
    ]

    invoice = invoice_for_shipment(bill(*billed, freight=str(priced.totals.freight)))

    assert invoice.sums.lines == priced.totals.goods
    assert invoice.sums.tax == priced.totals.tax
    assert invoice.sums.gross == priced.totals.total_with_tax


# ── credit notes ─────────────────────────────────────────────────────────────


def test_a_full_credit_reverses_every_line_freight_and_tax_and_names_the_invoice() -> None:
    invoice = s1(at_hand=(Prepaid(kind="deposit", words="Deposit", amount=D(141)),))

    note = credit_in_full(
        invoice,
        number="CR-0001",
        issued_on=date(2026, 3, 20),
        because="Delivered to the wrong door",
        closes=D("158.16"),
    )

    assert (note.kind, note.number, note.corrects, note.corrects_on) == ("credit", "CR-0001", "INV-0001", ISSUED)
    assert (note.lines, note.charges, note.taxes) == (invoice.lines, invoice.charges, invoice.taxes)
    # all of 299.16, whatever was paid: 158.16 was open, 141.00 had been paid
    assert (note.sums.gross, note.sums.paid, note.sums.due) == (D("299.16"), D(0), D("299.16"))
    assert note.payment_terms == "158.16 USD closes INV-0001; 141.00 USD stands on account."
    assert (note.due_on, note.early, note.prepaid) == (None, None, ())
    assert note.because == "Delivered to the wrong door"
    assert InvoiceValue.from_json(json.loads(json.dumps(note.to_json()))) == note


# ── money that comes in ──────────────────────────────────────────────────────

EARLY = date(2026, 3, 26)


def open_invoice(amount: str, key: int = 1, percent: str = "2", by: date = EARLY) -> OpenInvoice:
    """An invoice still to pay, at 2 % by 26 March."""
    return OpenInvoice(key=key, amount=D(amount), percent=D(percent), early_by=by)


# cash, open, settled of it (cash + discount), discount
SETTLED = [
    ("294.00", "540.00", "294.00", "6.00"),  # S8: 294 / 0.98 = 300
    ("529.20", "540.00", "529.20", "10.80"),  # S8: 540 × 0.98 closes it
    ("540.00", "540.00", "529.20", "10.80"),  # who pays in full early has 10.80 left over
    (
        "518.40",
        "540.00",
        "518.40",
        "10.58",
    ),  # S8: 518.40 / 0.98 = 528.98; 11.02 stays open, discount on the balance only
    ("980.00", "3720.00", "980.00", "20.00"),  # TM-9: 980 clears 1000 (worked example)
    ("490.00", "500.00", "490.00", "10.00"),  # TM-4: 500 at 2/10, paid on day 10 (worked example)
]


@pytest.mark.parametrize(("cash", "to_pay", "used", "discount"), SETTLED)
def test_an_early_payment_settles_cash_divided_by_98_percent(cash: str, to_pay: str, used: str, discount: str) -> None:
    assert settle(D(cash), D(to_pay), D(2), "USD") == (D(used), D(discount))


def test_day_ten_still_counts_and_day_eleven_does_not() -> None:
    """TM-4: an invoice of 6 March at 2/10 n/30 is paid by 490 on 16 March (worked example)."""
    early = open_invoice("500.00", by=date(2026, 3, 16))

    assert allocate(D(490), [early], date(2026, 3, 16), "USD") == ((Settled(1, D(490), D(10)),), D(0))
    assert allocate(D(490), [early], date(2026, 3, 17), "USD") == ((Settled(1, D(490), D(0)),), D(0))


def test_s8_in_parts_cash_is_the_invoice_less_the_discount() -> None:
    """294 on 24 March settles 300; 240 on 20 April, late, closes: 540 + 294 + 240 = 1,074 = 1,080 − 6."""
    ((_, cash, off),), _ = allocate(D(294), [open_invoice("540.00")], date(2026, 3, 24), "USD")
    left = D(540) - cash - off
    ((_, late, late_off),), over = allocate(D(240), [open_invoice(str(left))], date(2026, 4, 20), "USD")

    assert left == D(240)
    assert (late, late_off, over) == (D(240), D(0), D(0))
    assert D(540) + cash + late == D(1080) - off


def test_money_goes_to_invoices_in_order_and_the_rest_is_left_over() -> None:
    """100 + 60 of 200 at no discount; 40 left."""
    invoices = [open_invoice("100.00", 1, "0"), open_invoice("60.00", 2, "0")]

    assert allocate(D(200), invoices, EARLY, "USD") == ((Settled(1, D(100), D(0)), Settled(2, D(60), D(0))), D(40))
    assert allocate(D(130), invoices, EARLY, "USD") == ((Settled(1, D(100), D(0)), Settled(2, D(30), D(0))), D(0))
    assert allocate(D(100), invoices, EARLY, "USD") == ((Settled(1, D(100), D(0)),), D(0))


def test_money_that_stood_on_account_earns_no_discount() -> None:
    assert allocate(D(100), [open_invoice("100.00")], None, "USD") == ((Settled(1, D(100), D(0)),), D(0))


@settings(max_examples=300, deadline=None)
@given(
    cash=st.decimals("0.01", "3000", places=2),
    amounts=st.lists(st.decimals("0.01", "900", places=2), max_size=5),
    percent=st.decimals("0", "100", places=1),
)
def test_no_money_is_lost_and_no_invoice_is_overpaid(cash: D, amounts: list[D], percent: D) -> None:
    """Σ set + left over = cash; cash + discount never exceeds what was open; a discount never exceeds its share."""
    invoices = [open_invoice(str(amount), i, str(percent)) for i, amount in enumerate(amounts)]

    settled, left = allocate(cash, invoices, EARLY, "USD")

    assert sum(part.amount for part in settled) + left == cash
    for part in settled:
        assert part.amount >= 0
        assert 0 <= part.discount <= round_money(amounts[part.key] * percent / 100, "USD")
        assert part.amount + part.discount <= amounts[part.key]
    if left:
        assert [part.amount + part.discount for part in settled] == amounts
