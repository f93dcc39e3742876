"""From the bytes of the sheets to typed rows, with every complaint there is."""

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple, NoReturn, TypeVar

from wholesale.core.values import Refusal
from wholesale.core.workbook.sheets import SHEETS, Column, Row

R = TypeVar("R", bound=Row)


@dataclass(frozen=True, kw_only=True)
class Complaint:
    """What is wrong where: ``row`` as the spreadsheet shows it, 0 for the sheet as a whole."""

    file: str
    row: int = 0
    column: str = ""
    found: str | None = None
    message: str

    def __str__(self) -> str:
        place = [self.file, *([f"row {self.row}"] if self.row else []), *([self.column] if self.column else [])]
        found = "" if self.found is None else f"found {self.found!r}: "
        return f"{', '.join(place)}: {found}{self.message}"


class WorkbookRefused(Refusal):
    """The workbook has mistakes; nothing of it was written."""

    def __init__(self, complaints: "list[Complaint]") -> None:
        lines = [str(complaint) for complaint in complaints]
        count = "one mistake" if len(lines) == 1 else f"{len(lines)} mistakes"
        message = "\n".join([f"The workbook has {count}; nothing was loaded. Mend them and load it again.", *lines])
        super().__init__("workbook", message, complaints=lines)
        self.complaints = tuple(complaints)


class Place(NamedTuple):
    """A row that is still being read."""

    FILE: str
    row: int
    raw: Mapping[str, str]


@dataclass
class Workbook:
    """The rows of each sheet that could be read, and the complaints about the others.

    ``unread`` holds what stands in a sheet's other rows, and ``broken`` the sheets that
    are missing or can't be read at all: what refers to those is not called unknown.
    """

    sheets: dict[type[Row], list[Any]] = field(default_factory=dict)
    complaints: list[Complaint] = field(default_factory=list)
    unread: dict[type[Row], list[Mapping[str, str]]] = field(default_factory=dict)
    broken: set[type[Row]] = field(default_factory=set)

    def rows(self, sheet: type[R]) -> list[R]:
        """The rows of a sheet; none where the file is missing."""
        return self.sheets.get(sheet, [])

    def has(self, sheet: type[Row]) -> bool:
        """Whether the folder has this sheet at all."""
        return sheet in self.sheets

    def is_whole(self, *sheets: type[Row]) -> bool:
        """Whether every row of these sheets could be read."""
        return not any(self.unread.get(sheet) or sheet in self.broken for sheet in sheets)

    def complain(self, place: Row | Place, column: str, message: str) -> None:
        """Note what is wrong with a cell; what stands in it is shown with it."""
        found = place.raw.get(column)
        self.complaints.append(Complaint(file=place.FILE, row=place.row, column=column, found=found, message=message))

    def complain_unknown(self, row: Row, column: str, known: Iterable[str], *where: type[Row]) -> None:
        """Complain when a cell names something that is not among the ``known``; ``where`` it should stand."""
        name, names = getattr(row, column), set(known)
        if name not in names and not any(self._may_stand_in(sheet, name) for sheet in where):
            listed = ", ".join(sorted(name for name in names if name)) or "none yet"
            files = " or ".join(sheet.FILE for sheet in where)
            self.complain(row, column, f"name one from {files}: {listed}.")

    def _may_stand_in(self, sheet: type[Row], name: str) -> bool:
        """Whether a row that could not be read may be the one that is named."""
        names = (raw.get(sheet.KEY[0], "").lower() for raw in self.unread.get(sheet, []))
        return sheet in self.broken or name.lower() in names

    def complain_of(self, sheet: type[Row], message: str) -> None:
        """Note what is wrong with a sheet as a whole."""
        self.complaints.append(Complaint(file=sheet.FILE, message=message))


def read_workbook(files: Mapping[str, bytes]) -> Workbook:
    """All sheets of a folder (file name → content), with complaints about files, columns, cells and repeated keys."""
    book = Workbook()
    known = {sheet.FILE: sheet for sheet in SHEETS}
    for name in sorted(set(files) - set(known)):
        message = f"this is no sheet of a workbook. The sheets are: {', '.join(known)}."
        book.complaints.append(Complaint(file=name, message=message))
    for name, sheet in known.items():
        if name in files:
            book.sheets[sheet] = _read_sheet(book, sheet, files[name])
        elif not sheet.OPTIONAL:
            book.broken.add(sheet)
            book.complain_of(sheet, f"the file is missing. Add it, with the columns {', '.join(sheet.columns())}.")
    return book


def _read_sheet(book: Workbook, sheet: type[R], content: bytes) -> list[R]:
    records = _records(book, sheet, content)
    header = [cell.strip() for cell in records[0]] if records else []
    if not header or not _header_is_right(book, sheet, header):
        book.broken.add(sheet)
        return []
    rows = [
        _read_row(book, sheet, header, number, cells)
        for number, cells in enumerate(records[1:], 2)
        if any(map(str.strip, cells))
    ]
    read = [row for row in rows if row is not None]
    _complain_of_repeats(book, read)
    return read


def _records(book: Workbook, sheet: type[Row], content: bytes) -> list[list[str]]:
    try:
        # Split at line feeds only: str.splitlines would also split inside a cell.
        lines = (line + "\n" for line in content.decode("utf-8-sig").split("\n"))
        records = list(csv.reader(lines, strict=True))
    except UnicodeDecodeError:
        book.complain_of(sheet, "this is not UTF-8 text. Save the sheet again as “CSV UTF-8”.")
        return []
    except csv.Error as error:
        book.complain_of(sheet, f"this is not CSV ({error}). Save the sheet again as “CSV UTF-8”.")
        return []
    if not any(records):
        book.complain_of(sheet, f"the file is empty. Its first row names the columns: {', '.join(sheet.columns())}.")
        return []
    return records


def _header_is_right(book: Workbook, sheet: type[Row], header: list[str]) -> bool:
    columns = sheet.columns()
    if len(header) == 1 and ";" in header[0]:
        book.complain_of(sheet, "the columns are separated by ';'. Save the sheet with commas between the columns.")
        return False
    wrong = len(book.complaints)
    for name in dict.fromkeys(header):
        if name and name not in columns:
            book.complain_of(sheet, f"there is no column '{name}'. The columns are: {', '.join(columns)}.")
        elif name and header.count(name) > 1:
            book.complain_of(sheet, f"the column '{name}' stands there twice. Keep one of them.")
    for name, column in columns.items():
        if column.is_needed and name not in header:
            book.complain_of(sheet, f"the column '{name}' is missing. Add it.")
    return len(book.complaints) == wrong


def _read_row(book: Workbook, sheet: type[R], header: list[str], number: int, found: list[str]) -> R | None:
    given = {name: cell for name, cell in _paired(header, found) if name}
    place = Place(sheet.FILE, number, given)
    stray = [cell for name, cell in _paired(header, found) if not name and cell]
    if stray:
        message = f"'{stray[0]}' stands in a column without a name. Name the column or empty the cell."
        book.complain(place, "", message)
    wrong = len(book.complaints)
    values = {name: _read_cell(book, place, name, column) for name, column in sheet.columns().items()}
    if len(book.complaints) == wrong:
        return sheet(row=number, raw=given, **values)
    book.unread.setdefault(sheet, []).append(given)
    return None


def _paired(header: list[str], found: list[str]) -> Iterator[tuple[str, str]]:
    names = [*header, *[""] * (len(found) - len(header))]
    cells = [*found, *[""] * (len(header) - len(found))]
    return ((name, cell.strip()) for name, cell in zip(names, cells, strict=True))


def _read_cell(book: Workbook, place: Place, name: str, column: Column) -> Any:
    found = place.raw.get(name, "")
    if not found and not column.is_needed:
        return column.default
    try:
        return column.kind.read(found) if found else _needed()
    except (ValueError, Refusal):
        what = "this is what a spreadsheet shows for a formula that failed; " if found.startswith("#") else ""
        book.complain(place, name, f"{what}allowed is {column.kind.allowed}.")
        return None


def _needed() -> NoReturn:
    raise ValueError


def _complain_of_repeats(book: Workbook, rows: list[R]) -> None:
    first: dict[tuple[Any, ...], R] = {}
    for row in rows:
        earlier = first.setdefault(row.key, row)
        if earlier is not row:
            key = " and ".join(row.KEY)
            book.complain(row, row.KEY[0], f"row {earlier.row} already stands for this {key}. Keep one of the two.")
