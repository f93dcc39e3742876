"""``manage.py workbook load FOLDER`` and ``manage.py workbook columns``."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from wholesale.actions import workbook
from wholesale.actions.workbook.changes import Report
from wholesale.core.workbook.reading import WorkbookRefused
from wholesale.core.workbook.sheets import SHEETS, DayRow, EquipmentRow, ItemRow, Row, WeekRow
from wholesale.management.folder import read_folder

#: Sheets that decide what can be done on a day.
_BENCH = {sheet.FILE for sheet in (WeekRow, DayRow, ItemRow, EquipmentRow)}


class Command(BaseCommand):
    """Loads a workbook, or says what its files and columns are."""

    help = "Load the workshop's sheets from a folder of CSV files, all of them or nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        """``load`` with a folder, or ``columns``."""
        verbs = parser.add_subparsers(dest="verb", required=True)
        load = verbs.add_parser("load", help="load a folder of CSV files")
        load.add_argument("folder", type=Path)
        verbs.add_parser("columns", help="list the files and what may stand in their columns")

    def handle(self, *args: Any, verb: str, folder: Path | None = None, **options: Any) -> None:
        """Run the verb; a workbook with mistakes ends with exit code 1 and the list of them."""
        if verb == "columns" or folder is None:
            self.stdout.write("\n\n".join(described(sheet) for sheet in SHEETS))
            return
        try:
            report = workbook.load(files=read_folder(folder))
        except WorkbookRefused as refused:
            raise CommandError(refused.message) from None
        self.stdout.write(told(report))


def told(report: Report) -> str:
    """What loading did, in lines."""
    if not report:
        return "Nothing to change."
    counts = ", ".join(f"{len(report.of(how))} {how}" for how in ("added", "changed", "removed") if report.of(how))
    bench = [change for change in report.changes if change.file in _BENCH and change.how != "added"]
    hint = ["Loads already planned stay where they are; “Plan again” on the queue places what no longer fits."]
    return "\n".join([*map(str, report.changes), f"Loaded: {counts}.", *(hint if bench else [])])


def described(sheet: type[Row]) -> str:
    """A file, what a row of it is, and what may stand in each column."""
    head = f"{sheet.FILE}{' (may be missing)' if sheet.OPTIONAL else ''}: {sheet.meaning()}"
    rows = [
        f"  {name}{'' if column.is_needed else ' (may be empty)'}: {column.kind.allowed}"
        for name, column in sheet.columns().items()
    ]
    return "\n".join([head, *rows])
