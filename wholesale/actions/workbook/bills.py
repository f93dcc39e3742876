"""Money on the first day here: invoices that are open, what stands on accounts, and the next numbers."""

from datetime import date
from decimal import Decimal
from hashlib import sha256
from typing import Any

from accounts.models import Address, Shop, User
from wholesale import clock
from wholesale.actions import invoicing, numbers
from wholesale.actions.workbook.changes import Changes
from wholesale.core import invoicing as core
from wholesale.core.values import from_minor, to_minor
from wholesale.core.workbook.first_day import own_series
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import NO_REFERENCE, OpenCreditRow, OpenInvoiceRow, SeriesRow, SettingRow
from wholesale.core.workbook.trade import currency
from wholesale.models import Invoice, Payment, Series, Settlement
from wholesale.queries import invoicing as books
from wholesale.queries import workshop


def write(changes: Changes, book: Workbook, by: User | None) -> None:
    """Write the numbers to go on at, open invoices and money on account; what is known is left alone."""
    for row in book.rows(SeriesRow):
        if row.next_number != numbers.coming(row.series):
            changes.note(row, "changed", f"next number: {numbers.coming(row.series)} → {row.next_number}")
            numbers.go_on_at(row.series, row.next_number)
    shops = {shop.slug: shop for shop in Shop.objects.all()}
    for bill in book.rows(OpenInvoiceRow):
        if not Invoice.objects.filter(number=bill.number).exists():
            _write_bill(changes, bill, shops[bill.shop], currency(book), by or _maker(book, bill))
    for credit in book.rows(OpenCreditRow):
        if _credit(credit) is None:
            _write_credit(changes, credit, shops[credit.shop], currency(book), by or _maker(book, credit))


def _maker(book: Workbook, row: OpenInvoiceRow | OpenCreditRow) -> User | None:
    maker = User.objects.filter(staff_role="maker", is_active=True).first()
    if maker is None:
        book.complain(row, "shop", "nobody in people.csv is maker, who keeps the books. Add one.")
    return maker


# ── an open invoice ──────────────────────────────────────────────────────────


def _write_bill(changes: Changes, row: OpenInvoiceRow, shop: Shop, code: str, by: User | None) -> None:
    if by is None:
        return
    value = _value(row, shop, code)
    bill = invoicing.write_down(by, value, shop=shop, order=None, opening=True)
    if row.paid:
        words = f"before the first day here ({row.number})"
        payment = _payment(shop, by, _token("paid", row.number), clock.today(), to_minor(row.paid, code), words)
        Settlement.objects.create(payment=payment, invoice=bill, amount_minor=payment.amount_minor, at=clock.now())
    changes.note(row, "added", f"{value.sums.due} {code} open of {value.sums.gross}")


def _value(row: OpenInvoiceRow, shop: Shop, code: str) -> core.InvoiceValue:
    """The invoice as far as the sheet knows it: one line, with the net amount and the tax it was issued with."""
    settings = workshop.workshop()
    category, percent = ("S", round(row.tax / row.net * 100, 2)) if row.tax and row.net else ("E", Decimal(0))
    line = core.InvoiceLine(
        position=1, item="", name="Goods, as on the invoice itself", note="", gtin="", cases=1, case_pack=1,
        unit_price=row.net, list_amount=row.net, allowance=core.ZERO, net=row.net, category=category, percent=percent,
    )  # fmt: skip
    reason = "" if row.tax else "As on the invoice itself."
    group = core.TaxGroup(category=category, percent=percent, taxable=row.net, tax=row.tax, reason=reason)
    sums = core.total_up([row.net], [group], code, paid=row.paid)
    words = "Paid before the first day here"
    return core.InvoiceValue(
        kind="invoice", number=row.number, currency=code, issued_on=row.issued_on, supply_on=row.issued_on,
        due_on=row.due_on, seller=invoicing.seller(settings), buyer=_party(shop, "bill_to"),
        ship_to=_party(shop, "ship_to"), po_number="", order_number="", shipment_number="", lines=(line,), charges=(),
        tax_name=settings.tax_name, taxes=(group,), sums=sums,
        prepaid=(core.Prepaid(kind="account", words=words, amount=sums.paid),) if row.paid else (), early=None,
        payment_terms="As on the invoice itself.", how_to_pay=settings.how_to_pay,
        notes=("Issued before this book began: its paper is the one made then.",), arithmetic=(),
    )  # fmt: skip


def _party(shop: Shop, kind: str) -> core.Party:
    place = Address.objects.filter(shop=shop, kind=kind, is_default=True).first()
    names = ("line1", "line2", "city", "region", "postcode", "country")
    known = {name: getattr(place, name) for name in names} if place else {"country": shop.country}
    return core.Party(
        name=shop.legal_name, trade_name=shop.trade_name, tax_id=shop.tax_id, email=shop.email, phone=shop.phone,
        **known,
    )  # fmt: skip


# ── money on account ─────────────────────────────────────────────────────────


def _write_credit(changes: Changes, row: OpenCreditRow, shop: Shop, code: str, by: User | None) -> None:
    if by is None:
        return
    token = _token("credit", f"{row.reference} {row.dated}")
    payment = _payment(shop, by, token, row.dated, to_minor(row.amount, code), _reference(row))
    changes.note(row, "added", f"{from_minor(payment.amount_minor, code)} {code} on account")


def _payment(shop: Shop, by: User, token: str, received_on: date, minor: int, reference: str) -> Payment:
    payment: Payment = Payment.objects.create(
        shop=shop, token=token, received_on=received_on, recorded_at=clock.now(), recorded_by=by, amount_minor=minor,
        reference=reference,
    )  # fmt: skip
    return payment


def _token(what: str, text: str) -> str:
    """The same row of a sheet never makes a second payment."""
    return f"workbook-{what}-{sha256(text.encode()).hexdigest()[:40]}"


def _reference(row: OpenCreditRow) -> str:
    return "" if row.reference == NO_REFERENCE else row.reference


def _credit(row: OpenCreditRow) -> Any:
    """The payment, or the credit note, that a row is about, if it is known."""
    paid = Payment.objects.filter(shop__slug=row.shop, reference=_reference(row), received_on=row.dated).first()
    notes = Invoice.objects.filter(shop__slug=row.shop, kind="credit", number=row.reference, issued_on=row.dated)
    return paid or notes.first()


# ── against what is stored ───────────────────────────────────────────────────


def check_bills(book: Workbook) -> None:
    """Complain of invoices that say something else than those known, and of numbers that are used already."""
    mine = {book.called(sheet.FILE) for sheet in (OpenInvoiceRow, OpenCreditRow, SettingRow)}
    if any(complaint.file in mine for complaint in book.complaints):
        # Amounts that are no money can't be compared.
        return
    for row in book.rows(OpenInvoiceRow):
        known = books.invoices_with_open().select_related("shop").filter(number=row.number).first()
        if known is None:
            _check_own_number(book, row)
        else:
            _check_known(book, row, known)
    for credit in book.rows(OpenCreditRow):
        _check_credit(book, credit)
    for series in book.rows(SeriesRow):
        stored = Series.objects.filter(code=series.series).first()
        if stored and series.next_number < stored.next_number:
            used = f"{series.series}{stored.next_number - 1} is used already"
            book.complain(series, "next_number", f"{used}. Write {stored.next_number} or leave the row out.")


def _check_own_number(book: Workbook, row: OpenInvoiceRow) -> None:
    """Our own numbers must not come to one that the shop knows already."""
    named = {series.series: series.next_number for series in book.rows(SeriesRow)}
    for series in own_series(book):
        number = numbers.number_in(series, row.number)
        if number is not None and number >= named.get(series, numbers.coming(series)):
            message = (
                f"our own numbers would come to it again. Write in series.csv that {series} goes on at {number + 1}."
            )
            book.complain(row, "number", message)


def _check_known(book: Workbook, row: OpenInvoiceRow, known: Any) -> None:
    code = known.currency
    told = {
        "shop": (row.shop, known.shop.slug), "issued_on": (row.issued_on, known.issued_on),
        "due_on": (row.due_on, known.due_on), "net": (to_minor(row.net, code), known.net_minor),
        "tax": (to_minor(row.tax, code), known.tax_minor), "gross": (to_minor(row.gross, code), known.gross_minor),
    }  # fmt: skip
    for column, (said, stored) in told.items():
        if said != stored:
            message = (
                "this invoice is known here and never changes. Leave the row out, or credit the invoice on its page."
            )
            book.complain(row, column, message)


def _check_credit(book: Workbook, row: OpenCreditRow) -> None:
    known = _credit(row)
    token = _token("credit", f"{row.reference} {row.dated}")
    if (
        isinstance(known, Payment)
        and known.token == token
        and known.amount_minor != to_minor(row.amount, currency(book))
    ):
        first = from_minor(known.amount_minor, currency(book))
        standing = next((p for p in books.payments_with_rest().filter(pk=known.pk)), None)
        if standing is None or standing.rest_minor != to_minor(row.amount, currency(book)):
            message = (
                f"this money is known here as {first} and never changes. Leave the row out, or give another reference."
            )
            book.complain(row, "amount", message)


def notes(changes: Changes, book: Workbook) -> None:
    """Tell of what has moved on since the sheets were written."""
    for row in book.rows(OpenInvoiceRow):
        known = books.invoices_with_open().filter(number=row.number).first()
        if known is not None:
            paid = from_minor(known.gross_minor - known.open_minor, known.currency)
            first = core.InvoiceValue.from_json(known.frozen).sums.paid
            if row.paid not in {paid, first}:
                changes.tell(
                    row, f"{paid} of {row.number} are paid, the sheet has {row.paid}. Record money on its page."
                )
