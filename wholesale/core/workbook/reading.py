"""From the sheets, as CSV or as cells of a spreadsheet, to typed rows, with every complaint there is."""

import csv
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple, NoReturn, TypeVar

from wholesale.core.values import Refusal, bare
from wholesale.core.workbook.rows import Column, Row
from wholesale.core.workbook.sheets import SHEETS

R = TypeVar("R", bound=Row)
#: The column that marks a template's example rows.
EXAMPLE = "example"
#: What begins a formula in a spreadsheet: text that begins so is saved behind an apostrophe.
FORMULA_MARKS = "=+-@"
_FILE = re.compile(r"\b(" + "|".join(sheet.called() for sheet in SHEETS) + r")\.csv\b")


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A sheet of a spreadsheet: its rows as text, the header first.

    ``faults`` says what is wrong with a cell, by its row and column, both counted from 1.
    """

    records: list[list[str]]
    faults: Mapping[tuple[int, int], str] = field(default_factory=dict)


#: A sheet as it comes: the bytes of a CSV file, or the cells of a spreadsheet.
Content = bytes | Grid


@dataclass(frozen=True, kw_only=True)
class Complaint:
    """What is wrong where: ``row`` as the spreadsheet shows it, 0 for the sheet as a whole; ``cell`` such as C5."""

    file: str
    row: int = 0
    column: str = ""
    cell: str = ""
    found: str | None = None
    message: str

    def __str__(self) -> str:
        place = [self.file, *([f"row {self.row}"] if self.row else []), *([self.column] if self.column else [])]
        cell = f" (cell {self.cell})" if self.cell else ""
        found = "" if self.found is None else f"found {self.found!r}: "
        return f"{', '.join(place)}{cell}: {found}{self.message}"


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
    faults: Mapping[str, str] = {}


@dataclass
class Workbook:
    """The rows of each sheet that could be read, and the complaints about the others.

    ``unread`` holds what stands in a sheet's other rows, and ``broken`` the sheets that
    are missing or can't be read at all: what refers to those is not called unknown.
    ``headers`` are a spreadsheet's, for the names of cells.
    """

    is_spreadsheet: bool = False
    headers: dict[str, list[str]] = field(default_factory=dict)

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
        cell = self._cell(place, column) if self.is_spreadsheet else ""
        self._note(place.FILE, message, row=place.row, column=column, cell=cell, found=place.raw.get(column))

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
        self._note(sheet.FILE, message)

    def complain_of_file(self, name: str, message: str) -> None:
        """Note what is wrong with a file that is no sheet."""
        self._note(name, message)

    def called(self, file: str) -> str:
        """What people call a sheet: its file's name, or its own where the workbook is one file."""
        return file.removesuffix(".csv") if self.is_spreadsheet else file

    def words(self, message: str) -> str:
        """A message with the sheets called as people see them."""
        return _FILE.sub(r"the sheet \1", message) if self.is_spreadsheet else message

    def _note(self, file: str, message: str, **also: Any) -> None:
        self.complaints.append(Complaint(file=self.called(file), message=self.words(message), **also))

    def _cell(self, place: Row | Place, column: str) -> str:
        header = self.headers.get(place.FILE, [])
        return f"{column_letters(header.index(column) + 1)}{place.row}" if column in header else ""


def column_letters(number: int) -> str:
    """How spreadsheets call a column, counted from 1: A, B, … Z, AA."""
    before, last = divmod(number - 1, 26)
    return (column_letters(before) if before else "") + chr(ord("A") + last)


def read_workbook(files: Mapping[str, Content]) -> Workbook:
    """All sheets (file name → content), with complaints about files, columns, cells and repeated keys."""
    book = Workbook(is_spreadsheet=any(isinstance(content, Grid) for content in files.values()))
    known = {sheet.FILE: sheet for sheet in SHEETS}
    for name in sorted(set(files) - set(known)):
        book.complain_of_file(name, f"this is no sheet of a workbook. The sheets are: {', '.join(known)}.")
    what = "sheet" if book.is_spreadsheet else "file"
    for name, sheet in known.items():
        if name in files:
            book.sheets[sheet] = _read_sheet(book, sheet, files[name])
        elif not sheet.OPTIONAL:
            book.broken.add(sheet)
            book.complain_of(sheet, f"the {what} is missing. Add it, with the columns {_named(sheet)}.")
    return book


def _read_sheet(book: Workbook, sheet: type[R], content: Content) -> list[R]:
    grid = content if isinstance(content, Grid) else Grid(records=_records(book, sheet, content))
    records = grid.records
    header = [cell.strip() for cell in records[0]] if records else []
    book.headers[sheet.FILE] = header
    if not any(header):
        if isinstance(content, Grid):
            book.complain_of(sheet, f"the sheet is empty. Its first row names the columns: {_named(sheet)}.")
        book.broken.add(sheet)
        return []
    if not _header_is_right(book, sheet, header):
        book.broken.add(sheet)
        return []
    rows = [
        _read_row(book, sheet, grid, number)
        for number, cells in enumerate(records[1:], 2)
        if any(map(str.strip, cells)) or any(row == number for row, _ in grid.faults)
    ]
    read = [row for row in rows if row is not None]
    _complain_of_repeats(book, read)
    return read


def _named(sheet: type[Row]) -> str:
    return ", ".join(sheet.columns())


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
        book.complain_of(sheet, f"the file is empty. Its first row names the columns: {_named(sheet)}.")
        return []
    return records


def _header_is_right(book: Workbook, sheet: type[Row], header: list[str]) -> bool:
    columns = sheet.columns()
    if len(header) == 1 and ";" in header[0]:
        book.complain_of(sheet, "the columns are separated by ';'. Save the sheet with commas between the columns.")
        return False
    wrong = len(book.complaints)
    for name in dict.fromkeys(header):
        if name and name not in {*columns, EXAMPLE}:
            book.complain_of(sheet, f"there is no column '{name}'. The columns are: {', '.join(columns)}.")
        elif name and header.count(name) > 1:
            book.complain_of(sheet, f"the column '{name}' stands there twice. Keep one of them.")
    for name, column in columns.items():
        if column.is_needed and name not in header:
            book.complain_of(sheet, f"the column '{name}' is missing. Add it.")
    return len(book.complaints) == wrong


def _read_row(book: Workbook, sheet: type[R], grid: Grid, number: int) -> R | None:
    header, found = [cell.strip() for cell in grid.records[0]], grid.records[number - 1]
    given = {name: _unmarked(book, cell) for name, cell in _paired(header, found) if name}
    faults = {name: grid.faults[number, i] for i, name in enumerate(header, 1) if (number, i) in grid.faults}
    place = Place(sheet.FILE, number, given, faults)
    wrong = len(book.complaints)
    if given.get(EXAMPLE):
        message = "this row is the template's example. Delete the row, or empty this cell if the row is yours."
        book.complain(place, EXAMPLE, message)
        return None
    _complain_of_strays(book, place, header, found)
    values = {name: _read_cell(book, place, name, column) for name, column in sheet.columns().items()}
    if len(book.complaints) == wrong:
        return sheet(row=number, raw=given, **values)
    book.unread.setdefault(sheet, []).append(given)
    return None


def _complain_of_strays(book: Workbook, place: Place, header: list[str], found: list[str]) -> None:
    stray = [cell for name, cell in _paired(header, found) if not name and cell]
    if stray:
        message = f"'{stray[0]}' stands in a column without a name. Name the column or empty the cell."
        book.complain(place, "", message)


def _paired(header: list[str], found: list[str]) -> Iterator[tuple[str, str]]:
    names = [*header, *[""] * (len(found) - len(header))]
    cells = [*found, *[""] * (len(header) - len(found))]
    return ((name, cell.strip()) for name, cell in zip(names, cells, strict=True))


def _unmarked(book: Workbook, cell: str) -> str:
    """The cell without the apostrophe that keeps a spreadsheet from taking text for a formula."""
    is_marked = cell[:1] == "'" and cell[1:2] and cell[1:2] in f"'{FORMULA_MARKS}" and not book.is_spreadsheet
    return cell[1:] if is_marked else cell


def marked(text: str) -> str:
    """Text of a CSV cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] and text[0] in f"'{FORMULA_MARKS}" else text


def _read_cell(book: Workbook, place: Place, name: str, column: Column) -> Any:
    found = place.raw.get(name, "")
    if name in place.faults:
        book.complain(place, name, place.faults[name])
        return None
    if not found and not column.is_needed:
        return column.default
    try:
        return column.kind.read(_without_percent(book, column, found)) if found else _needed()
    except (ValueError, Refusal):
        what = "this is what a spreadsheet shows for a formula that failed; " if found.startswith("#") else ""
        book.complain(place, name, f"{what}allowed is {column.kind.allowed}.")
        return None


def _without_percent(book: Workbook, column: Column, found: str) -> str:
    """A cell that its spreadsheet shows as a percentage, as the number its column is in."""
    if not (book.is_spreadsheet and column.kind.percent and found.endswith("%")):
        return found
    try:
        number = Decimal(found.removesuffix("%"))
    except InvalidOperation:
        return found
    return bare(number / 100 if column.kind.percent == "share" else number)


def _needed() -> NoReturn:
    raise ValueError


def _complain_of_repeats(book: Workbook, rows: list[R]) -> None:
    first: dict[tuple[Any, ...], R] = {}
    for row in rows:
        earlier = first.setdefault(row.key, row)
        if earlier is not row:
            key = " and ".join(row.KEY)
            book.complain(row, row.KEY[0], f"row {earlier.row} already stands for this {key}. Keep one of the two.")
