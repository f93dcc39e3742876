"""Invoices, credit notes and payments as rows: numbers without gaps, nothing changed, no money lost."""

from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from accounts.models import Shop, User
from tests.actions import rows
from tests.actions.rows import at_once
from wholesale import clock
from wholesale.actions import documents
from wholesale.actions.invoicing import credit, issue, record_payment, release_deposit, use_account
from wholesale.actions.orders import refuse
from wholesale.actions.shipping import ship
from wholesale.core.invoicing import InvoiceValue
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import Document, Invoice, Order, OrderEvent, Payment, Setting, Settlement
from wholesale.queries import invoicing as books
from wholesale.queries import shipping as shelf

S1 = {"SUC": 2, "PEB": 2}  # 2 × 72 + 2 × 60 = 264
S8 = {"SUC": 10, "PEB": 8}  # 10 × 72 + 8 × 60 = 1,200


@pytest.fixture
def maker(db: None) -> User:
    """The workshop with its maker."""
    rows.workshop()
    return rows.person("maker")


@pytest.fixture
def buyer(maker: User) -> Shop:
    """A shop without a certificate."""
    return rows.shop()


@pytest.fixture
def s1(buyer: Shop, maker: User) -> Order:
    """S1: list 264, freight 18, deposit 141, packed whole as S-1001."""
    order = rows.order(buyer, maker, S1, deposit="141")
    rows.shipment(order)
    return order


def pay(by: User, amount: str, on: date = rows.TODAY, token: str = "", **named: str) -> int:
    """Money from the shop; each with a token of its own."""
    token = token or f"t{Payment.objects.count()}"
    return record_payment(
        by=by, shop="fennel", amount=D(amount), received_on=on, reference="Bank 17", token=token, **named
    )


def value(number: str) -> InvoiceValue:
    """An issued document as it was frozen."""
    return InvoiceValue.from_json(Invoice.objects.get(number=number).frozen)


def account(on: date = rows.TODAY) -> books.AccountPage:
    """How the shop stands."""
    return books.shop_account("fennel", on=on)


def open_of(number: str) -> D:
    """What is still to pay of an invoice."""
    return books.invoice_page(number, on=rows.TODAY).row.open


# ── issuing ──────────────────────────────────────────────────────────────────


def test_s1_is_billed_from_its_shipment_with_tax_on_goods(s1: Order, maker: User) -> None:
    """264 + 18 + 264 × 6.5 % = 299.16; due 30 days after 5 March."""
    number = issue(by=maker, shipment="S-1001")

    row, bill = Invoice.objects.get(), value(number)
    assert (number, row.kind, row.order, row.issued_by) == ("INV-0001", "invoice", s1, maker)
    assert (row.net_minor, row.tax_minor, row.gross_minor) == (28200, 1716, 29916)
    assert (row.issued_on, row.due_on) == (date(2026, 3, 5), date(2026, 4, 4))
    assert (bill.order_number, bill.shipment_number, bill.po_number) == ("W-1001", "S-1001", "PO 77")
    assert (bill.seller.name, bill.seller.tax_id) == ("Mossgate Bench LLC", "04-0000123")
    assert (bill.buyer.name, bill.buyer.line1) == ("Fennel & Finch LLC", "9 Weir Street")
    assert bill.ship_to.name == "Fennel & Finch"
    assert [(line.name, line.pieces, line.note) for line in bill.lines] == [
        ("Succulent cup", 12, "each case 6 Rain garden"),
        ("Pebble jar", 12, "each case 6 Rain garden"),
    ]
    assert bill.how_to_pay == "By bank transfer."


def test_a_certificate_held_at_billing_frees_from_tax_and_its_reason_stands_on_the_invoice(
    s1: Order, buyer: Shop, maker: User
) -> None:
    """It came after the order was placed and before it was billed: 264 + 18 = 282.00."""
    rows.certify(buyer)

    bill = value(issue(by=maker, shipment="S-1001"))

    assert (bill.sums.tax, bill.sums.gross) == (D(0), D("282.00"))
    assert bill.exempt_because == "Resale certificate 12-345 (NY) holds."


def test_terms_are_those_frozen_on_the_order(buyer: Shop, maker: User) -> None:
    """The settings say 6.5 % and 30 days now; the order was agreed at 20 % of everything and 14 days."""
    rows.shipment(rows.order(buyer, maker, S1, tax_percent="20", tax_on="goods_and_freight", net_days="14"))

    bill = value(issue(by=maker, shipment="S-1001"))

    assert bill.sums.tax == D("56.40")  # 282 × 20 %
    assert bill.due_on == date(2026, 3, 19)


def test_issuing_writes_history_and_sends_the_paper_to_the_shop(s1: Order, maker: User) -> None:
    issue(by=maker, shipment="S-1001")

    event, paper = OrderEvent.objects.get(), Document.objects.get()
    assert (event.kind, event.text) == ("invoiced", "INV-0001 issued for S-1001: 299.16 USD.")
    assert (paper.kind, paper.invoice, paper.mail_to) == ("invoice", Invoice.objects.get(), "bills@fennel.example")


def test_an_invoice_asked_for_twice_is_refused_and_the_first_is_named(s1: Order, maker: User) -> None:
    issue(by=maker, shipment="S-1001")

    with pytest.raises(Conflict) as refused:
        issue(by=maker, shipment="S-1001")

    assert refused.value.message == ("S-1001 is already invoiced as INV-0001; nothing was issued. Open that invoice.")
    assert refused.value.facts == {"invoice": "INV-0001"}
    assert Invoice.objects.count() == 1
    assert Document.objects.count() == 1


def test_there_must_be_such_a_shipment(maker: User) -> None:
    with pytest.raises(NotFound):
        issue(by=maker, shipment="S-9999")


@pytest.mark.parametrize("role", ["helper", ""])
def test_only_the_maker_issues_credits_and_records_money(s1: Order, maker: User, role: str) -> None:
    someone = rows.person(role)
    issue(by=maker, shipment="S-1001")

    for forbidden in (
        lambda: issue(by=someone, shipment="S-1001"),
        lambda: credit(by=someone, invoice="INV-0001", because="Because"),
        lambda: pay(someone, "1.00"),
        lambda: use_account(by=someone, shop="fennel"),
    ):
        with pytest.raises(NotAllowed):
            forbidden()
    assert list(Invoice.objects.values_list("number", flat=True)) == ["INV-0001"]
    assert not Payment.objects.exists()


def test_numbers_run_without_gaps_in_series_of_their_own(buyer: Shop, maker: User) -> None:
    for _ in range(3):
        rows.shipment(rows.order(buyer, maker, {"PEB": 2}))
    issued = [issue(by=maker, shipment=f"S-{1001 + i}") for i in range(2)]
    note = credit(by=maker, invoice="INV-0001", because="Wrong door")

    assert [*issued, note, issue(by=maker, shipment="S-1003")] == ["INV-0001", "INV-0002", "CR-0001", "INV-0003"]


def test_an_issue_that_fails_gives_its_number_back(
    s1: Order, buyer: Shop, maker: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: Any, **_kwargs: Any) -> None:
        raise OSError("The disk is full.")

    monkeypatch.setattr(documents, "queue_paper", fail)
    with pytest.raises(OSError, match="disk"):
        issue(by=maker, shipment="S-1001")
    monkeypatch.undo()

    assert not Invoice.objects.exists()
    assert issue(by=maker, shipment="S-1001") == "INV-0001"


def test_the_series_are_settings(buyer: Shop, maker: User) -> None:
    Setting.objects.create(name="invoice_series", value="2026/")
    rows.shipment(rows.order(buyer, maker, {"PEB": 2}))

    assert issue(by=maker, shipment="S-1001") == "2026/0001"


# ── part deliveries ──────────────────────────────────────────────────────────


def test_part_deliveries_share_the_discount_and_carry_freight_once(buyer: Shop, maker: User) -> None:
    """3 PEB cases, 180 less 5 % = 9.00, freight 18: 60 − 3 + 18, then 60 − 3, then 60 − 3."""
    order = rows.order(buyer, maker, {"PEB": 3}, percent="5")
    for number in ("S-1", "S-2", "S-3"):
        rows.shipment(order, number, PEB=1)

    bills = [value(issue(by=maker, shipment=number)) for number in ("S-1", "S-2", "S-3")]

    assert [bill.sums.net for bill in bills] == [D(75), D(57), D(57)]
    assert sum(bill.sums.net for bill in bills) == D(189)  # 171 + 18
    assert [bool(bill.notes) for bill in bills] == [True, True, False]


def test_a_discount_that_does_not_divide_still_adds_up(buyer: Shop, maker: User) -> None:
    """3 cases at 180.00 with 10.00 off: 3.33, 3.34, 3.33, whichever is billed first."""
    order = rows.order(buyer, maker, {"PEB": 3})
    order.lines.update(discount_minor=1000)
    for number in ("S-1", "S-2", "S-3"):
        rows.shipment(order, number, PEB=1)

    off = [value(issue(by=maker, shipment=number)).lines[0].allowance for number in ("S-3", "S-1", "S-2")]

    assert off == [D("3.33"), D("3.34"), D("3.33")]


# ── an issued invoice never changes ──────────────────────────────────────────


def test_no_row_of_the_books_can_be_changed_or_deleted(s1: Order, maker: User) -> None:
    pay(maker, "141", order="W-1001")
    issue(by=maker, shipment="S-1001")
    before = {row: list(row.objects.order_by("pk").values()) for row in (Invoice, Payment, Settlement)}

    for table in (Invoice, Payment, Settlement):
        row = table.objects.all()[0]
        for change in (row.save, row.delete, table.objects.all().delete, lambda of=table: of.objects.update(pk=0)):
            with pytest.raises(TypeError, match="written once"):
                change()

    assert {row: list(row.objects.order_by("pk").values()) for row in (Invoice, Payment, Settlement)} == before


def test_payments_credits_and_new_settings_leave_an_issued_invoice_as_it_was(
    s1: Order, buyer: Shop, maker: User
) -> None:
    number = issue(by=maker, shipment="S-1001")
    before = Invoice.objects.filter(number=number).values().get()

    pay(maker, "100")
    rows.certify(buyer)
    buyer.legal_name = "Fennel & Daughters LLC"
    buyer.save()
    credit(by=maker, invoice=number, because="Wrong door")

    assert Invoice.objects.filter(number=number).values().get() == before


# ── deposits ─────────────────────────────────────────────────────────────────


def test_a_deposit_is_drawn_down_as_paid(s1: Order, maker: User) -> None:
    """299.16 − 141.00 = 158.16."""
    pay(maker, "141", order="W-1001")

    number = issue(by=maker, shipment="S-1001")

    bill = value(number)
    assert (bill.sums.paid, bill.sums.due) == (D(141), D("158.16"))
    assert [(part.kind, part.words) for part in bill.prepaid] == [("deposit", "Deposit received 5 March 2026")]
    assert open_of(number) == D("158.16")
    state = books.deposit("W-1001")
    assert (state.due, state.received, state.held, state.in_full) == (D(141), D(141), D(0), True)
    assert account().balance == D("158.16")


def test_a_deposit_in_parts_tells_when_it_is_full(s1: Order, maker: User) -> None:
    pay(maker, "100", order="W-1001")
    assert books.deposit("W-1001").missing == D(41)
    pay(maker, "41", order="W-1001")

    texts = list(OrderEvent.objects.filter(kind="deposit").values_list("text", flat=True))
    assert texts == [
        "100.00 USD of the deposit received; 41.00 missing.",
        "The deposit of 141.00 USD is received in full.",
    ]
    assert books.deposit("W-1001").in_full


def test_a_deposit_larger_than_the_first_delivery_pays_the_next_too(buyer: Shop, maker: User) -> None:
    """Deposit 90 of 120 + 18; certificate; first case 60 + 18 = 78 takes 78, the second 60 takes 12."""
    rows.certify(buyer)
    order = rows.order(buyer, maker, {"PEB": 2}, deposit="90")
    rows.shipment(order, "S-1", PEB=1)
    rows.shipment(order, "S-2", PEB=1)
    pay(maker, "90", order=order.number)

    bills = [value(issue(by=maker, shipment=number)) for number in ("S-1", "S-2")]

    assert [(bill.sums.paid, bill.sums.due) for bill in bills] == [(D(78), D(0)), (D(12), D(48))]
    assert books.deposit(order.number).held == 0


def test_what_is_above_a_deposit_stands_on_account_and_pays_the_invoice(s1: Order, maker: User) -> None:
    pay(maker, "200", order="W-1001")
    assert (account().deposits_held, account().on_account, account().balance) == (D(141), D(59), D(-200))

    bill = value(issue(by=maker, shipment="S-1001"))

    assert [(part.kind, part.amount) for part in bill.prepaid] == [("deposit", D(141)), ("account", D(59))]
    assert bill.sums.due == D("99.16")  # 299.16 − 200


def test_a_released_deposit_stands_on_account(s1: Order, maker: User) -> None:
    """A refused order gives its deposit back to the account; nothing is lost."""
    pay(maker, "141", order="W-1001")

    with transaction.atomic():
        release_deposit(s1, maker)

    assert (account().deposits_held, account().on_account, account().balance) == (D(0), D(141), D(-141))


def test_an_order_that_is_over_takes_no_deposit(buyer: Shop, maker: User) -> None:
    rows.order(buyer, maker, S1, deposit="141", state="refused")

    pay(maker, "141", order="W-1001")

    assert (account().deposits_held, account().on_account) == (D(0), D(141))


# ── payments ─────────────────────────────────────────────────────────────────


@pytest.fixture
def three(buyer: Shop, maker: User) -> list[str]:
    """Three invoices of 100.00, due in turn, with no early discount and no tax."""
    rows.certify(buyer)
    numbers = []
    for day in (2, 3, 4):
        with clock.at(f"2026-03-0{day}T09:00"):
            order = rows.order(buyer, maker, {"PEB": 1}, freight="40", early_discount="0")
            numbers.append(issue(by=maker, shipment=rows.shipment(order).number))
    return numbers


def test_money_pays_the_oldest_due_first(three: list[str], maker: User) -> None:
    """150: all of the first, 50 of the second."""
    pay(maker, "150")

    assert [open_of(number) for number in three] == [D(0), D(50), D(100)]
    assert account().on_account == 0


def test_money_pays_the_invoice_it_names_then_the_oldest_due(three: list[str], maker: User) -> None:
    pay(maker, "150", invoice=three[2])

    assert [open_of(number) for number in three] == [D(50), D(100), D(0)]


def test_money_pays_the_order_it_names_first(three: list[str], maker: User) -> None:
    pay(maker, "100", order=str(Invoice.objects.get(number=three[1]).order))

    assert [open_of(number) for number in three] == [D(100), D(0), D(100)]


def test_what_is_above_the_balance_stands_on_account_and_pays_the_next_invoice(
    three: list[str], buyer: Shop, maker: User
) -> None:
    pay(maker, "330")
    assert (account().on_account, account().balance) == (D(30), D(-30))

    order = rows.order(buyer, maker, {"PEB": 1}, freight="40")
    bill = value(issue(by=maker, shipment=rows.shipment(order).number))

    # 100 − 30 on account
    assert (bill.sums.paid, bill.sums.due) == (D(30), D(70))
    assert bill.prepaid[0].words == "On account received 5 March 2026"
    assert (account().on_account, account().balance) == (D(0), D(70))


def test_money_is_taken_from_a_shop_that_owes_nothing(buyer: Shop, maker: User) -> None:
    pay(maker, "12.34")

    assert account().on_account == D("12.34")


def test_the_same_token_records_once(three: list[str], maker: User) -> None:
    assert pay(maker, "60", token="a") == pay(maker, "60", token="a")

    assert Payment.objects.count() == 1
    assert open_of(three[0]) == D(40)


def test_a_payment_leaves_history_on_each_order_it_pays(three: list[str], maker: User) -> None:
    pay(maker, "150")

    events = OrderEvent.objects.filter(kind="paid").order_by("pk")
    assert [(event.order.number, event.text) for event in events] == [
        ("W-1001", "100.00 USD paid on INV-0001."),
        ("W-1002", "50.00 USD paid on INV-0002."),
    ]


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"amount": D(0)}, "amount"),
        ({"amount": D(-1)}, "amount"),
        ({"amount": D("0.001")}, "amount"),
        ({"received_on": date(2026, 3, 6)}, "received_on"),
        # the shop's account was opened on 5 January 2026
        ({"received_on": date(2026, 1, 4)}, "received_on"),
        ({"reference": "x" * 81}, "reference"),
        ({"token": ""}, "token"),
    ],
)
def test_what_cannot_have_come_in_is_refused(buyer: Shop, maker: User, changed: dict[str, Any], field: str) -> None:
    typed: dict[str, Any] = {"amount": D(10), "received_on": rows.TODAY, "reference": "", "token": "a"}

    with pytest.raises(Refusal) as refused:
        record_payment(by=maker, shop="fennel", **typed | changed)

    assert refused.value.field == field
    assert not Payment.objects.exists()


def test_an_invoice_or_order_of_another_shop_cannot_be_named(three: list[str], maker: User) -> None:
    rows.shop("other")

    for named in ({"invoice": three[0]}, {"order": "W-1001"}):
        with pytest.raises(NotFound):
            record_payment(
                by=maker, shop="other", amount=D(1), received_on=rows.TODAY, reference="", token="a", **named
            )
    with pytest.raises(NotFound):
        record_payment(by=maker, shop="nowhere", amount=D(1), received_on=rows.TODAY, reference="", token="a")
    assert not Payment.objects.exists()


def test_money_on_account_can_be_set_against_a_deposit(s1: Order, maker: User) -> None:
    """It came in without a name; the maker says it is the deposit."""
    pay(maker, "141")
    assert books.deposit("W-1001").received == 0

    assert use_account(by=maker, shop="fennel", order="W-1001") == D(141)

    assert books.deposit("W-1001").in_full
    with pytest.raises(Refusal, match="nothing on account"):
        use_account(by=maker, shop="fennel")


# ── early payment: S8 ────────────────────────────────────────────────────────


@pytest.fixture
def s8(buyer: Shop, maker: User) -> str:
    """S8: 1,200 less 10 % = 1,080, certificate, 540 paid on 2 March, invoiced 16 March."""
    rows.certify(buyer)
    order = rows.order(buyer, maker, S8, percent="10", freight="0", deposit="540")
    rows.shipment(order)
    with clock.at("2026-03-02T10:00"):
        pay(maker, "540", date(2026, 3, 2), order=order.number)
    with clock.at("2026-03-16T10:00"):
        return issue(by=maker, shipment="S-1001")


def test_s8_part_payment_early_and_the_rest_late(s8: str, maker: User) -> None:
    """294 on 24 March settles 294 / 0.98 = 300; 240 on 20 April closes; cash 1,074 = 1,080 − 6."""
    with clock.at("2026-04-20T10:00"):
        pay(maker, "294.00", date(2026, 3, 24))
        assert open_of(s8) == D(240)
        assert books.invoice_page(s8, on=date(2026, 4, 20)).row.state == "overdue"
        pay(maker, "240.00", date(2026, 4, 20))

    page = books.invoice_page(s8, on=date(2026, 4, 20))
    assert (page.row.open, page.row.state) == (D(0), "paid")
    assert [(row.on, row.amount, row.discount) for row in page.settled] == [
        (date(2026, 3, 2), D(540), D(0)),
        (date(2026, 3, 24), D(294), D(6)),
        (date(2026, 4, 20), D(240), D(0)),
    ]
    assert sum(Payment.objects.values_list("amount_minor", flat=True)) == 107400
    assert account().balance == 0
    text = OrderEvent.objects.filter(kind="paid").order_by("pk")[0].text
    assert text == "294.00 USD paid on INV-0001, with 6.00 USD off for paying early."


@pytest.mark.parametrize(
    ("amount", "on", "left", "on_account"),
    [
        ("529.20", date(2026, 3, 26), "0", "0"),  # 540 × 0.98 on day 10 closes it
        ("529.20", date(2026, 3, 27), "10.80", "0"),  # day 11: no discount
        ("540.00", date(2026, 3, 26), "0", "10.80"),  # paid more than was needed
        ("518.40", date(2026, 3, 26), "11.02", "0"),  # 2 % of 1,080 taken: 518.40 / 0.98 = 528.98
    ],
)
def test_s8_paid_at_once(s8: str, maker: User, amount: str, on: date, left: str, on_account: str) -> None:
    with clock.at("2026-03-28T10:00"):
        pay(maker, amount, on)

    assert (open_of(s8), account().on_account) == (D(left), D(on_account))


# ── credit notes ─────────────────────────────────────────────────────────────


def test_a_full_credit_has_its_own_number_names_the_invoice_and_closes_it(s1: Order, maker: User) -> None:
    issue(by=maker, shipment="S-1001")

    number = credit(by=maker, invoice="INV-0001", because=" Delivered to the wrong door ")

    note, row = value(number), Invoice.objects.get(number=number)
    assert (number, row.kind, row.corrects) == ("CR-0001", "credit", Invoice.objects.get(number="INV-0001"))
    assert (note.corrects, note.corrects_on, note.because) == ("INV-0001", rows.TODAY, "Delivered to the wrong door")
    assert (row.net_minor, row.tax_minor, row.gross_minor) == (28200, 1716, 29916)
    assert open_of("INV-0001") == 0
    assert (account().balance, account().on_account) == (D(0), D(0))
    assert books.invoice_page("INV-0001", on=rows.TODAY).row.state == "credited"
    paper = Document.objects.get(kind="credit_note")
    assert (paper.invoice, paper.mail_to) == (row, "bills@fennel.example")
    assert OrderEvent.objects.get(kind="credited").text == (
        "CR-0001 credits INV-0001 in full: Delivered to the wrong door"
    )


def test_what_had_been_paid_of_a_credited_invoice_stands_on_account(s1: Order, maker: User) -> None:
    """299.16 with 141 deposit and 50 paid: 108.16 was open, 191 stands on account."""
    pay(maker, "141", order="W-1001")
    issue(by=maker, shipment="S-1001")
    with clock.at("2026-03-20T10:00"):
        pay(maker, "50", date(2026, 3, 20))

    number = credit(by=maker, invoice="INV-0001", because="Wrong door")

    assert value(number).payment_terms == "108.16 USD closes INV-0001; 191.00 USD stands on account."
    assert (account().on_account, account().balance, open_of("INV-0001")) == (D(191), D(-191), D(0))


def test_a_credit_takes_an_early_discount_back(s8: str, maker: User) -> None:
    """Cash 540 + 294 stands on account, not the 6.00 that were never paid."""
    with clock.at("2026-03-24T10:00"):
        pay(maker, "294", date(2026, 3, 24))
        credit(by=maker, invoice=s8, because="Wrong door")

    assert (account().on_account, account().balance, open_of(s8)) == (D(834), D(-834), D(0))


def test_an_invoice_is_credited_once_and_with_a_reason(s1: Order, maker: User) -> None:
    issue(by=maker, shipment="S-1001")
    with pytest.raises(Refusal, match="Say why"):
        credit(by=maker, invoice="INV-0001", because="  ")
    credit(by=maker, invoice="INV-0001", because="Wrong door")

    with pytest.raises(Conflict) as refused:
        credit(by=maker, invoice="INV-0001", because="Again")
    for number in ("CR-0001", "INV-0002"):
        with pytest.raises(NotFound):
            credit(by=maker, invoice=number, because="Neither is an invoice")

    assert refused.value.facts == {"credit_note": "CR-0001"}
    assert Invoice.objects.count() == 2


def test_a_credited_shipment_is_invoiced_anew(s1: Order, buyer: Shop, maker: User) -> None:
    """The certificate came late: credit 299.16, bill 282.00 again, all freight and what was paid included."""
    issue(by=maker, shipment="S-1001")
    pay(maker, "100")
    credit(by=maker, invoice="INV-0001", because="The certificate came late")
    rows.certify(buyer)

    number = issue(by=maker, shipment="S-1001")

    bill = value(number)
    assert (bill.sums.gross, bill.sums.charges, bill.sums.paid, bill.sums.due) == (D(282), D(18), D(100), D(182))
    page = books.invoice_page(number, on=rows.TODAY)
    assert page.replaces == "INV-0001"
    assert books.invoice_page("INV-0001", on=rows.TODAY).replaced_by == number
    assert account().balance == D(182)
    assert [row.invoice for row in shelf.shipments(order="W-1001")] == [number]
    with pytest.raises(Conflict):
        issue(by=maker, shipment="S-1001")


# ── what the pages read ──────────────────────────────────────────────────────


def test_the_list_of_invoices_costs_the_same_however_many(
    three: list[str], maker: User, django_assert_num_queries: Any
) -> None:
    """The count, and the invoices with shop, order, credit note and open amount."""
    pay(maker, "120")
    credit(by=maker, invoice=three[2], because="Wrong door")

    with django_assert_num_queries(2):
        page = books.invoices(on=date(2026, 4, 2))

    assert [(row.number, row.state, row.open) for row in page] == [
        ("CR-0001", "credit", D(0)),
        ("INV-0003", "credited", D(0)),
        ("INV-0002", "open", D(80)),
        ("INV-0001", "paid", D(0)),
    ]
    overdue = books.invoices(on=date(2026, 4, 3), shop="fennel", only_open=True)
    assert [(row.number, row.state) for row in overdue] == [("INV-0002", "overdue")]
    assert list(books.invoices(on=rows.TODAY, shop="other")) == []
    assert [row.number for row in books.invoices_of_order("W-1002", rows.TODAY)] == ["INV-0002"]


def test_one_invoice_costs_two_queries_and_is_its_own_shops_only(
    three: list[str], maker: User, django_assert_num_queries: Any
) -> None:
    """The invoice with its relations; what was set against it."""
    pay(maker, "60")

    with django_assert_num_queries(2):
        page = books.invoice_page(three[0], on=rows.TODAY, shop="fennel")

    assert [(row.words, row.amount) for row in page.settled] == [("Payment Bank 17", D(60))]
    with pytest.raises(NotFound):
        books.invoice_page(three[0], on=rows.TODAY, shop="other")


def test_a_shops_account_costs_the_same_however_much_is_in_it(
    three: list[str], buyer: Shop, maker: User, django_assert_num_queries: Any
) -> None:
    """Shop, settings, orders with a deposit, held, payments left, credits left, open, payments, deposits: 9."""
    rows.order(buyer, maker, S1, deposit="141")
    pay(maker, "100")
    pay(maker, "20", order="W-1004")

    with django_assert_num_queries(9):
        page = books.shop_account("fennel", on=date(2026, 4, 2))

    assert [row.number for row in page.open] == three[1:]
    assert (page.owed, page.overdue, page.deposits_held, page.on_account) == (D(200), D(0), D(20), D(0))
    assert page.balance == D(180)  # 300 − 120
    assert [(found.order, found.missing) for found in page.deposits] == [("W-1004", D(121))]
    assert [(row.amount, row.on_account) for row in page.payments] == [(D(20), D(0)), (D(100), D(0))]


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("pay"), st.integers(1, 60000), st.sampled_from(["", "order", "invoice"])),
        st.tuples(st.just("issue"), st.integers(0, 3), st.just("")),
        st.tuples(st.just("credit"), st.integers(0, 3), st.just("")),
        st.tuples(st.just("use"), st.just(0), st.just("")),
    ),
    max_size=8,
)


@pytest.mark.django_db
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_whatever_happens_every_cent_is_somewhere(buyer: Shop, maker: User, steps: list[tuple[str, int, str]]) -> None:
    """Balance = invoices − credits − payments − discounts = Σ open − on account − deposits held, at every step."""
    with transaction.atomic():
        order = rows.order(buyer, maker, {"PEB": 4}, percent="5", deposit="100")
        packed = [rows.shipment(order, f"S-{i}", PEB=1).number for i in range(4)]
        for step, number, named in steps:
            try:
                _do(maker, order, packed, step, number, named)
            except Refusal:
                continue
            _every_cent_is_somewhere()
        transaction.set_rollback(True)


def _do(maker: User, order: Order, packed: list[str], step: str, number: int, named: str) -> None:
    """One thing that may happen to a shop's money."""
    invoices = list(Invoice.objects.filter(kind="invoice").order_by("pk").values_list("number", flat=True))
    if step == "issue":
        issue(by=maker, shipment=packed[number])
    elif step == "credit" and invoices:
        credit(by=maker, invoice=invoices[number % len(invoices)], because="Because")
    elif step == "use":
        use_account(by=maker, shop="fennel")
    elif step == "pay":
        of: dict[str, Any] = (
            {"order": order.number} if named == "order" else {"invoice": invoices[0]} if named and invoices else {}
        )
        pay(maker, str(D(number) / 100), **of)


def _every_cent_is_somewhere() -> None:
    minor = {kind: sum(r.gross_minor for r in Invoice.objects.filter(kind=kind)) for kind in ("invoice", "credit")}
    came = sum(Payment.objects.values_list("amount_minor", flat=True))
    off = sum(Settlement.objects.values_list("discount_minor", flat=True))
    page = account()
    assert page.balance == D(minor["invoice"] - minor["credit"] - came - off) / 100
    assert page.balance == page.owed - page.on_account - page.deposits_held
    assert page.on_account >= 0
    assert page.deposits_held >= 0
    assert all(row.open >= 0 for row in books.invoices(on=rows.TODAY))


# ── eight at once ────────────────────────────────────────────────────────────


@pytest.fixture
def eight(transactional_db: None) -> User:
    """Eight shops with a packed shipment each."""
    rows.workshop()
    maker = rows.person("maker")
    for i in range(8):
        rows.shipment(rows.order(rows.shop(f"shop-{i}"), maker, S1))
    return maker


SHIPMENTS = [f"S-{1001 + i}" for i in range(8)]


@pytest.mark.postgres
def test_eight_issuers_at_once_leave_neither_gap_nor_double(eight: User) -> None:
    found = at_once([lambda s=s: issue(by=eight, shipment=s) for s in SHIPMENTS])  # type: ignore[misc]

    assert sorted(found) == [f"INV-000{i}" for i in range(1, 9)]
    assert {row.number for row in Invoice.objects.all()} == set(found)


@pytest.mark.postgres
def test_an_issuer_that_fails_leaves_no_gap(eight: User, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three of eight fail after they took a number; the five others have 1 to 5."""
    real, doomed = documents.queue_paper, set(SHIPMENTS[:3])

    def sometimes(kind: str, *, invoice: Invoice, **also: Any) -> Any:
        if invoice.shipment is not None and invoice.shipment.number in doomed:
            raise OSError("The disk is full.")
        return real(kind, invoice=invoice, **also)

    monkeypatch.setattr(documents, "queue_paper", sometimes)
    found = at_once([lambda s=s: issue(by=eight, shipment=s) for s in SHIPMENTS])  # type: ignore[misc]
    monkeypatch.undo()

    assert [isinstance(one, OSError) for one in found] == [True] * 3 + [False] * 5
    assert sorted(found[3:]) == [f"INV-000{i}" for i in range(1, 6)]
    assert issue(by=eight, shipment="S-1001") == "INV-0006"


@pytest.mark.postgres
def test_one_shipment_asked_for_by_eight_at_once_has_one_invoice(eight: User) -> None:
    found = at_once([lambda: issue(by=eight, shipment="S-1001")] * 8)

    assert [one for one in found if isinstance(one, str)] == ["INV-0001"]
    assert [one.facts for one in found if isinstance(one, Conflict)] == [{"invoice": "INV-0001"}] * 7
    assert Invoice.objects.count() == 1


@pytest.mark.postgres
def test_a_payment_sent_twice_at_once_is_recorded_once(eight: User) -> None:
    def job() -> int:
        return record_payment(by=eight, shop="shop-0", amount=D(10), received_on=rows.TODAY, reference="", token="once")

    found = at_once([job] * 4)

    assert len(set(found)) == 1
    assert Payment.objects.count() == 1


@pytest.mark.postgres
def test_a_deposit_is_drawn_once_by_two_deliveries_billed_at_once(transactional_db: None) -> None:
    """Deposit 60; two deliveries of 60 (+ 18 and tax on one): together they draw 60, not 120."""
    rows.workshop()
    maker = rows.person("maker")
    order = rows.order(rows.shop(), maker, {"PEB": 2}, deposit="60")
    for number in ("S-1", "S-2"):
        rows.shipment(order, number, PEB=1)
    pay(maker, "60", order=order.number)

    found = at_once([lambda s=s: issue(by=maker, shipment=s) for s in ("S-1", "S-2")])  # type: ignore[misc]

    bills = [value(number) for number in found]
    assert sum(bill.sums.paid for bill in bills) == D(60)
    assert sum(bill.sums.charges for bill in bills) == D(18)
    assert books.deposit(order.number).held == 0


@pytest.mark.postgres
def test_a_deposit_paid_while_its_order_is_refused_ends_on_account(transactional_db: None) -> None:
    """Whichever of the two comes first, neither fails and the 141 are the shop's."""
    rows.workshop()
    maker, buyer = rows.person("maker"), rows.shop()
    numbers = [rows.order(buyer, maker, S1, deposit="141", state="placed").number for _ in range(4)]
    pays = [lambda n=n: pay(maker, "141", token=n, order=n) for n in numbers]
    refuses = [lambda n=n: refuse(by=maker, number=n, because="No room") for n in numbers]

    found = at_once([*pays, *refuses])

    assert [one for one in found if isinstance(one, Exception)] == []
    assert set(Order.objects.values_list("state", flat=True)) == {"refused"}
    assert (account().on_account, account().deposits_held) == (D(564), D(0))  # 4 × 141


@pytest.mark.postgres
def test_shipments_leave_and_are_billed_at_once(eight: User) -> None:
    issues = [lambda s=s: issue(by=eight, shipment=s) for s in SHIPMENTS[:4]]
    ships = [lambda s=s: ship(by=eight, number=s) for s in SHIPMENTS[:4]]

    found = at_once([*issues, *ships])

    assert sorted(found[:4]) == [f"INV-000{i}" for i in range(1, 5)]
    assert found[4:] == [None] * 4
