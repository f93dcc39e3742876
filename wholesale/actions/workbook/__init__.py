"""Loading the workbook: the workshop's sheets as CSV files, all of them or nothing."""

from collections.abc import Mapping

from django.db import transaction

from wholesale import clock
from wholesale.actions import plan_rows
from wholesale.actions.workbook import goods, house, placing, stored, trade
from wholesale.actions.workbook.changes import Changes, Report
from wholesale.core.catalogue import Catalogue
from wholesale.core.workbook.goods import check_goods
from wholesale.core.workbook.reading import Workbook, WorkbookRefused, read_workbook
from wholesale.core.workbook.trade import check_trade


def load(*, files: Mapping[str, bytes], first_password: str | None = None) -> Report:
    """Load a workbook's files (name → content) in one transaction and say what was added or changed.

    Everything is checked before anything is written: ``WorkbookRefused`` lists every
    mistake with file, row and column. Loading the same files again changes nothing.
    People who are new sign in with ``first_password``; without one they set their own
    by the reset link.
    """
    book = read_workbook(files)
    catalogue = check_goods(book)
    check_trade(book, catalogue, clock.today())
    with transaction.atomic():
        state = plan_rows.lock()
        stored.check_stored(book, catalogue)
        _refuse_mistakes(book)
        changes = Changes()
        _write(changes, book, first_password)
        if changes:
            plan_rows.changed(state, "workbook loaded")
        _place(changes, book, catalogue)
        _refuse_mistakes(book)
    return changes.report()


def _write(changes: Changes, book: Workbook, first_password: str | None) -> None:
    house.write(changes, book)
    goods.write(changes, book)
    trade.write(changes, book, first_password)


def _place(changes: Changes, book: Workbook, catalogue: Catalogue) -> None:
    placing.place_orders(changes, book, catalogue)


def _refuse_mistakes(book: Workbook) -> None:
    if book.complaints:
        raise WorkbookRefused(book.complaints)
