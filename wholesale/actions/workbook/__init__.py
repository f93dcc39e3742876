"""Loading the workbook: the workshop's sheets, all of them or nothing."""

from collections.abc import Mapping

from django.db import transaction

from accounts.models import User
from wholesale import clock
from wholesale.actions import plan_rows
from wholesale.actions.workbook import batches, bills, goods, house, placing, shelf, standing, stored, trade
from wholesale.actions.workbook.changes import Changes, Report
from wholesale.core.catalogue import Catalogue
from wholesale.core.values import Conflict
from wholesale.core.workbook.first_day import check_first_day
from wholesale.core.workbook.goods import check_goods
from wholesale.core.workbook.reading import Content, Workbook, WorkbookRefused, read_workbook
from wholesale.core.workbook.shelf import check_shelf
from wholesale.core.workbook.trade import check_trade
from wholesale.queries import workbook as saved


def load(
    *,
    files: Mapping[str, Content],
    first_password: str | None = None,
    by: User | None = None,
    dry_run: bool = False,
    on: str = "",
) -> Report:
    """Load a workbook's sheets (file name → content) in one transaction and say what was added or changed.

    Everything is checked before anything is written: ``WorkbookRefused`` lists every
    mistake with sheet, row and column. Loading the same sheets again changes nothing.
    People who are new sign in with ``first_password``; without one they set their own
    by the reset link. A ``dry_run`` says what would change and writes nothing. ``on``
    is the data's fingerprint that a dry run was shown for: other data is a ``Conflict``.
    """
    book = read_workbook(files)
    catalogue = check_goods(book)
    _check(book, catalogue)
    with transaction.atomic():
        state = plan_rows.lock()
        _refuse_other_data(on)
        warnings = stored.check_stored(book, catalogue)
        _refuse_mistakes(book)
        changes = Changes(book)
        changes.tell_all(warnings)
        bills.notes(changes, book)
        _write(changes, book, catalogue, first_password, by)
        if changes:
            plan_rows.changed(state, "workbook loaded")
        placing.place_orders(changes, book, catalogue)
        _refuse_mistakes(book)
        if batches.write(changes, book, catalogue, by, ordered=True):
            plan_rows.changed(plan_rows.lock(), "batches brought along")
        _refuse_mistakes(book)
        report = changes.report(standing.kept(changes))
        transaction.set_rollback(dry_run)
    return report


def _check(book: Workbook, catalogue: Catalogue) -> None:
    placed = stored.placed_orders()
    check_trade(book, catalogue, clock.today(), placed)
    if catalogue.items:
        check_shelf(book, catalogue)
    check_first_day(book, catalogue, clock.today(), placed, stored.known_batches())


def _write(changes: Changes, book: Workbook, catalogue: Catalogue, first_password: str | None, by: User | None) -> None:
    house.write(changes, book)
    goods.write(changes, book, catalogue, by)
    trade.write(changes, book, first_password)
    shelf.write(changes, book, by)
    bills.write(changes, book, by)
    batches.write(changes, book, catalogue, by, ordered=False)


def _refuse_other_data(on: str) -> None:
    if on and on != saved.fingerprint():
        message = "Something was changed here since this was shown; nothing was loaded. Look at the changes again."
        raise Conflict("data_changed", message)


def _refuse_mistakes(book: Workbook) -> None:
    if book.complaints:
        raise WorkbookRefused(book.complaints)
