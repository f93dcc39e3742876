"""Cross-checks of what the workshop brings along on its first day here: batches, open bills, credits, next numbers."""

from collections.abc import Collection, Iterable
from datetime import date
from decimal import Decimal

from wholesale.core.catalogue import Catalogue, ItemKind, Operation, Sku
from wholesale.core.production.work import Work, work_of
from wholesale.core.values import Refusal, to_minor
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import (
    BatchRow,
    OpenCreditRow,
    OpenInvoiceRow,
    OperationRow,
    OrderRow,
    SeriesRow,
    SettingRow,
    ShopRow,
)
from wholesale.core.workbook.shelf import check_sku
from wholesale.core.workbook.trade import basket_line, currency, in_order, orders
from wholesale.core.workshop import setting

#: Series that are always there: orders, shipments, batches, lots received, orders to suppliers.
SERIES = ("W-", "S-", "B-", "L-", "D-")


def check_first_day(
    book: Workbook,
    catalogue: Catalogue,
    today: date,
    placed: Collection[tuple[str, str]] = (),
    known: Collection[str] = (),
) -> None:
    """Add what is wrong with these sheets to the book's complaints.

    ``placed`` as in ``check_trade``; ``known`` are the numbers of batches that are here already and stay as they are.
    """
    if catalogue.items:
        new = [row for row in book.rows(BatchRow) if row.number not in known]
        _check_batches(book, catalogue, today, new)
        _check_orders(book, catalogue, {token for _, token in placed}, new)
    for bill in book.rows(OpenInvoiceRow):
        _check_bill(book, bill, today)
    for credit in book.rows(OpenCreditRow):
        _check_money(book, credit, "amount")
        in_order(book, credit, "dated", credit.dated, today, "the day is still to come")
        if not credit.amount:
            book.complain(credit, "amount", "nothing stands on account with it. Give an amount or leave the row out.")
    for series in book.rows(SeriesRow):
        known = (*SERIES, *own_series(book))
        if series.series not in known:
            book.complain(series, "series", f"there is no such series. The series are: {', '.join(known)}.")


def own_series(book: Workbook) -> tuple[str, str]:
    """What stands before the numbers of invoices and of credit notes, as the sheets say."""
    named = {row.name: row.value for row in book.rows(SettingRow)}
    return (
        named.get("invoice_series", setting("invoice_series").default),
        named.get("credit_series", setting("credit_series").default),
    )


# ── batches ──────────────────────────────────────────────────────────────────


def step_of(catalogue: Catalogue, row: BatchRow) -> Operation | None:
    """The step a batch has come to; ``None`` when its item has no such step."""
    return next((step for step in catalogue.steps(row.item) if step.code == row.step), None)


def is_curing(catalogue: Catalogue, row: BatchRow) -> bool:
    """Whether the step a batch has come to is the one its cure counts from, or a later one."""
    codes = [step.code for step in catalogue.steps(row.item)]
    return codes.index(row.step) >= catalogue.recipe(row.item).cure_step


def _check_batches(book: Workbook, catalogue: Catalogue, today: date, rows: Iterable[BatchRow]) -> None:
    first: dict[str, tuple[BatchRow, Work]] = {}
    for row in rows:
        item = check_sku(book, catalogue, row, row.item)
        in_order(book, row, "day", row.day, today, "the day is still to come")
        if item is None:
            continue
        if item.kind is not ItemKind.PRODUCT:
            book.complain(row, "item", "what is no product stands in stock.csv, with the day it may be used from.")
            continue
        step = step_of(catalogue, row)
        if step is None:
            book.complain_unknown(row, "step", {step.code for step in catalogue.steps(row.item)}, OperationRow)
            continue
        _check_cure(book, catalogue, row)
        work = work_of(Sku(row.item, row.scent), step, catalogue)
        _check_together(book, row, work, *first.setdefault(row.number, (row, work)))


def _check_cure(book: Workbook, catalogue: Catalogue, row: BatchRow) -> None:
    steps = catalogue.steps(row.item)
    cure = catalogue.recipe(row.item).cure_step
    if not is_curing(catalogue, row) and row.usable_on is not None:
        book.complain(
            row, "usable_on", f"its cure begins with the step {steps[cure].code}. Leave this empty until then."
        )
    if row.usable_on is None and row.step in {step.code for step in steps[cure + 1 :]}:
        message = f"its cure began with the step {steps[cure].code} before. Write the day it may be sold from."
        book.complain(row, "usable_on", message)
    in_order(book, row, "usable_on", row.day, row.usable_on, "it may be sold before that step was done")


def _check_together(book: Workbook, row: BatchRow, work: Work, first: BatchRow, same: Work) -> None:
    """Rows of one batch went through one step, in one pot, on one day."""
    if work != same:
        message = f"row {first.row} of this batch is of other work ({same.what}). Give each batch its own number."
        book.complain(row, "number", message)
    elif row.day != first.day:
        book.complain(row, "day", f"row {first.row} gives the batch another day. Give both the same.")


def _check_orders(book: Workbook, catalogue: Catalogue, placed: Collection[str], rows: Iterable[BatchRow]) -> None:
    known = orders(book)
    left = ordered_pieces(book, catalogue)
    for row in rows:
        if not row.order or (row.order in placed and row.order not in known):
            continue
        if row.order not in known:
            book.complain_unknown(row, "order", {*known, *placed}, OrderRow)
            continue
        key = (row.order, row.item, row.scent)
        left[key] = left.get(key, 0) - row.pieces
        if left[key] < 0:
            pieces = left[key] + row.pieces
            needed = f"the order {row.order} needs {max(pieces, 0)} more of {row.item} {row.scent}"
            book.complain(row, "pieces", f"{needed}. Put the rest on a row of its own, without order.")


def ordered_pieces(book: Workbook, catalogue: Catalogue) -> dict[tuple[str, str, str], int]:
    """Pieces that the sheets' orders ask for, by token, item and scent."""
    found: dict[tuple[str, str, str], int] = {}
    for row in book.rows(OrderRow):
        for scent, pieces in basket_line(row, catalogue).mix:
            key = (row.token, row.item, scent)
            found[key] = found.get(key, 0) + pieces * row.cases
    return found


# ── money ────────────────────────────────────────────────────────────────────


def _check_bill(book: Workbook, row: OpenInvoiceRow, today: date) -> None:
    _check_money(book, row, "net", "tax", "gross", "paid")
    in_order(book, row, "issued_on", row.issued_on, today, "the day is still to come")
    in_order(book, row, "due_on", row.issued_on, row.due_on, "it is due before it was issued")
    if row.net + row.tax != row.gross:
        book.complain(row, "gross", f"{row.net} and {row.tax} make {row.net + row.tax}. Compare it with the invoice.")
    elif row.paid >= row.gross:
        book.complain(
            row, "paid", "nothing of it is open. Leave the row out; what is above it goes to open_credits.csv."
        )


def _check_money(book: Workbook, row: OpenInvoiceRow | OpenCreditRow, *columns: str) -> None:
    book.complain_unknown(row, "shop", {shop.shop for shop in book.rows(ShopRow)}, ShopRow)
    for column in columns:
        amount: Decimal = getattr(row, column)
        try:
            to_minor(amount, currency(book))
        except Refusal as refusal:
            book.complain(row, column, refusal.message)
