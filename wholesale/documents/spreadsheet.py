"""A workbook that comes as one file, an .xlsx or a .zip of its CSV files, as sheets of text.

Each cell becomes the text that would stand in the CSV file: 0.1 and not the binary
number nearest to it, a day as ISO 8601, TRUE and FALSE. A formula counts by the value
that was stored with it; without one its cell is at fault. Sizes are limited before
anything is unpacked, so that a small file can't fill the memory.
"""

import warnings
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from io import BytesIO
from itertools import zip_longest
from pathlib import PurePosixPath
from typing import Any, NamedTuple
from zipfile import BadZipFile, ZipFile

from openpyxl import load_workbook

from wholesale.core.values import Refusal, bare
from wholesale.core.workbook.reading import Content, Grid, column_letters

#: Sheets of the template that hold no rows.
ABOUT, LISTS = "about", "lists"
MOST_BYTES = 5 * 2**20
_MOST_UNPACKED = 60 * 2**20
_MOST_PARTS = 500
_MOST_ROWS, _MOST_COLUMNS = 20_000, 100
_NO_VALUE = (
    "the formula has no stored value. Open the file in a spreadsheet and save it there, or write the value itself."
)
#: How the old format begins, and a workbook with a password.
_OLD_FORMAT = bytes.fromhex("d0cf11e0a1b11ae1")
_AGAIN = "Save it again as .xlsx and load that file."


def opened(content: bytes) -> dict[str, Content]:
    """The sheets of a workbook by file name; a ``Refusal`` when the file can't be one."""
    if len(content) > MOST_BYTES:
        message = f"The file is larger than {MOST_BYTES // 2**20} MB; no workbook needs that. Take pictures out of it."
        raise _refusal(message)
    if content.startswith(_OLD_FORMAT):
        raise _refusal(f"The file is in an old format, or has a password. {_AGAIN}")
    try:
        with ZipFile(BytesIO(content)) as parts:
            _refuse_parts(parts)
            if "xl/workbook.xml" not in parts.namelist():
                return _csv_files(parts)
    except BadZipFile:
        raise _refusal("The file is neither an .xlsx workbook nor a .zip of its CSV files.") from None
    return _sheets(content)


def _refusal(message: str) -> Refusal:
    return Refusal("not_a_workbook", message, "file")


def _refuse_parts(parts: ZipFile) -> None:
    """A ``Refusal`` for macros, passwords, entities, and what would be too large once unpacked."""
    found = parts.infolist()
    if len(found) > _MOST_PARTS or sum(part.file_size for part in found) > _MOST_UNPACKED:
        raise _refusal("The file is too large once it is unpacked; no workbook needs that.")
    if any(part.flag_bits & 1 for part in found):
        raise _refusal(f"The file has a password. {_AGAIN}")
    for part in found:
        if part.filename.lower().endswith("vbaproject.bin"):
            raise _refusal(f"The file has macros, which are not run here. {_AGAIN}")
        # OOXML knows no document types; only an entity bomb has one.
        if part.filename.endswith((".xml", ".rels")) and b"<!DOCTYPE" in parts.read(part).replace(b"\0", b""):
            raise _refusal("The file holds a document type, which no spreadsheet writes. It was not read.")


def _csv_files(parts: ZipFile) -> dict[str, Content]:
    """The files of a .zip, from its top or from the one folder in it."""
    paths = {PurePosixPath(part.filename): part for part in parts.infolist() if not part.is_dir()}
    shown = {path: part for path, part in paths.items() if not any(name.startswith((".", "__")) for name in path.parts)}
    if len({path.parent for path in shown}) > 1:
        raise _refusal("The .zip has several folders. Put the CSV files of one workbook into it, without folders.")
    return {path.name: parts.read(part) for path, part in shown.items()}


# ── an .xlsx ─────────────────────────────────────────────────────────────────


def _sheets(content: bytes) -> dict[str, Content]:
    try:
        with warnings.catch_warnings():
            # What openpyxl can't keep when it writes, such as a sheet's extensions, is nothing we read.
            warnings.simplefilter("ignore")
            values = load_workbook(BytesIO(content), read_only=True, data_only=True, keep_links=False)
            formulas = load_workbook(BytesIO(content), read_only=True, keep_links=False)
            names = [name for name in values.sheetnames if name not in {ABOUT, LISTS}]
            return {f"{name}.csv": _grid(name, values[name], formulas[name]) for name in names}
    except Refusal:
        raise
    except Exception as error:  # noqa: BLE001  (a broken file fails in many ways, and each means the same)
        raise _refusal(f"The workbook can't be read ({type(error).__name__}). {_AGAIN}") from None


class _Read(NamedTuple):
    """A cell as text, and what is wrong with it."""

    text: str
    fault: str = ""


def _grid(name: str, values: Any, formulas: Any) -> Grid:
    records: list[list[str]] = []
    faults: dict[tuple[int, int], str] = {}
    for number, row in enumerate(_rows(values, formulas), 1):
        if number > _MOST_ROWS:
            raise _refusal(f"The sheet {name} has more than {_MOST_ROWS:,} rows. Take the empty ones out.")
        cells = [_read(value, formula) for value, formula in row]
        while cells and cells[-1] == _Read(""):
            cells.pop()
        if len(cells) > _MOST_COLUMNS:
            far = f"{column_letters(len(cells))}{number}"
            raise _refusal(f"The sheet {name} has something in the cell {far}, far beside the table. Empty it.")
        faults |= {(number, place): cell.fault for place, cell in enumerate(cells, 1) if cell.fault}
        records.append([cell.text for cell in cells])
    while records and not records[-1]:
        records.pop()
    return Grid(records=records, faults=faults)


def _rows(values: Any, formulas: Any) -> Iterator[list[tuple[Any, Any]]]:
    """The rows of a sheet, each cell beside its formula."""
    for sheet in (values, formulas):
        # What a file says of its own size may be wrong, and would cut rows off.
        sheet.reset_dimensions()
    for left, right in zip_longest(values.iter_rows(), formulas.iter_rows(), fillvalue=()):
        yield list(zip_longest(left, right))


def _read(cell: Any, formula: Any) -> _Read:
    if cell is None or cell.value is None:
        # An empty text is a value too: its cell is of the kind s.
        lacks = formula is not None and formula.data_type == "f" and (cell is None or cell.data_type == "n")
        return _Read("", _NO_VALUE if lacks else "")
    return _Read(_shown(cell))


def _shown(cell: Any) -> str:
    value = cell.value
    for kind, write in _WRITERS:
        if isinstance(value, kind):
            return write(value, cell.number_format)
    return str(value)


def _number(value: float, number_format: str) -> str:
    """A number with the fifteen digits that spreadsheets keep; one shown as a percentage with its sign."""
    exact = Decimal(f"{value:.15g}")
    return f"{bare(exact * 100)}%" if "%" in (number_format or "") else bare(exact)


def _day(value: datetime, _format: str) -> str:
    return f"{value:%Y-%m-%d}" if value.time() == time() else f"{value:%Y-%m-%d %H:%M:%S}"


def _time(value: time, _format: str) -> str:
    return f"{value:%H:%M}" if not value.second else f"{value:%H:%M:%S}"


def _span(value: timedelta, _format: str) -> str:
    minutes, seconds = divmod(round(value.total_seconds()), 60)
    return f"{minutes // 60}:{minutes % 60:02}" + (f":{seconds:02}" if seconds else "")


_WRITERS: tuple[tuple[Any, Callable[[Any, str], str]], ...] = (
    (bool, lambda value, _format: "TRUE" if value else "FALSE"),
    ((int, float), _number),
    (datetime, _day),
    (date, lambda value, _format: value.isoformat()),
    (time, _time),
    (timedelta, _span),
)
