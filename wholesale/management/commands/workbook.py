"""``manage.py workbook``: load it, save it, write its template, list its columns."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from wholesale.actions import workbook
from wholesale.actions.workbook.changes import Report
from wholesale.core.values import Refusal
from wholesale.core.workbook.reading import Content
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import SHEETS
from wholesale.core.workbook.writing import csv_files
from wholesale.documents.spreadsheet import opened
from wholesale.documents.workbook_file import saved_book, template
from wholesale.management.folder import read_folder
from wholesale.queries.workbook import saved

_XLSX = ".xlsx"


class Command(BaseCommand):
    """Brings the workshop's sheets in and out."""

    help = "Load the workshop's sheets (all of them or nothing), save them, or write an empty workbook."

    def add_arguments(self, parser: CommandParser) -> None:
        """One verb, and the file or folder it is about."""
        verbs = parser.add_subparsers(dest="verb", required=True)
        load = verbs.add_parser("load", help="load an .xlsx workbook, or a folder (or .zip) of CSV files")
        load.add_argument("path", type=Path, metavar="FILE|FOLDER")
        load.add_argument("--dry-run", action="store_true", help="say what would change and write nothing")
        save = verbs.add_parser("save", help="write the present data; loading that changes nothing")
        save.add_argument("path", type=Path, metavar="FILE.xlsx|FOLDER")
        empty = verbs.add_parser("template", help="write an empty workbook that says what may stand where")
        empty.add_argument("path", type=Path, metavar="FILE.xlsx")
        verbs.add_parser("columns", help="list the sheets and what may stand in their columns")

    def handle(self, *args: Any, verb: str, path: Path | None = None, **options: Any) -> None:
        """Run the verb; a workbook with mistakes ends with exit code 1 and the list of them."""
        if path is None:
            self.stdout.write("\n\n".join(described(sheet) for sheet in SHEETS))
        elif verb == "load":
            self.load(path, dry_run=options["dry_run"])
        elif verb == "save":
            self.save(path)
        else:
            _write_new(_spreadsheet(path), template())
            self.stdout.write(f"Wrote {path}. Delete its example rows, fill in yours, and load it.")

    def load(self, path: Path, *, dry_run: bool) -> None:
        """Load a workbook, or say what that would do."""
        try:
            report = workbook.load(files=_read(path), dry_run=dry_run)
        except Refusal as refused:
            raise CommandError(refused.message) from None
        self.stdout.write(told(report, dry_run=dry_run))

    def save(self, path: Path) -> None:
        """Write the present data where there is nothing yet."""
        if path.suffix.lower() == _XLSX:
            _write_new(path, saved_book(saved()))
        else:
            _refuse_filled(path)
            path.mkdir(parents=True, exist_ok=True)
            for name, content in csv_files(saved()).items():
                (path / name).write_bytes(content)
        self.stdout.write(f"Saved to {path}.")


def _read(path: Path) -> dict[str, Content]:
    return opened(path.read_bytes()) if path.is_file() else dict(read_folder(path))


def _spreadsheet(path: Path) -> Path:
    if path.suffix.lower() != _XLSX:
        raise CommandError(f"Name a file that ends in {_XLSX}, not '{path}'.")
    return path


def _write_new(path: Path, content: bytes) -> None:
    """Write a file; one that is there already is somebody's work."""
    try:
        with path.open("xb") as file:
            file.write(content)
    except OSError as error:
        message = f"'{path}' can't be written ({error.strerror}). Name a new file in a folder that exists."
        raise CommandError(message) from None


def _refuse_filled(path: Path) -> None:
    if path.is_file() or (path.is_dir() and any(path.iterdir())):
        raise CommandError(f"'{path}' is not empty. Name a new or an empty folder, or a file that ends in {_XLSX}.")


def told(report: Report, *, dry_run: bool = False) -> str:
    """What loading did or would do, in lines."""
    look = [f"Look at this: {note}" for note in report.notes]
    if not report:
        return "\n".join(["Nothing to change.", *look])
    counts = ", ".join(f"{len(report.of(how))} {how}" for how in ("added", "changed", "removed") if report.of(how))
    done = f"Nothing was written; loading it means: {counts}." if dry_run else f"Loaded: {counts}."
    return "\n".join([*map(str, report.changes), done, *look, *report.kept])


def described(sheet: type[Row]) -> str:
    """A sheet, what a row of it is, and what may stand in each column."""
    head = f"{sheet.FILE}{' (may be missing)' if sheet.OPTIONAL else ''}: {sheet.meaning()}"
    rows = [
        f"  {name}{'' if column.is_needed else ' (may be empty)'}: {column.kind.allowed}"
        for name, column in sheet.columns().items()
    ]
    return "\n".join([head, *rows])
