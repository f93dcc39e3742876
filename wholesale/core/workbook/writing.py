"""From typed rows to sheets: what is saved reads back as the same rows."""

import csv
from collections.abc import Iterable, Mapping, Sequence

from wholesale.core.workbook.reading import marked
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import SHEETS

#: All sheets with their rows.
Saved = Mapping[type[Row], Sequence[Row]]


def records(sheet: type[Row], rows: Iterable[Row]) -> list[list[str]]:
    """A sheet as text: its header, then its rows."""
    return [list(sheet.columns()), *(row.written() for row in rows)]


def csv_files(saved: Saved) -> dict[str, bytes]:
    """The files of a workbook by name; text that a spreadsheet would take for a formula stands behind an apostrophe."""
    return {sheet.FILE: _csv(sheet, saved.get(sheet, ())) for sheet in SHEETS}


class _Lines(list[str]):
    """Takes what a CSV writer writes."""

    write = list[str].append


def _csv(sheet: type[Row], rows: Iterable[Row]) -> bytes:
    texts = [column.kind.form == "text" for column in sheet.columns().values()]
    lines = _Lines()
    writer = csv.writer(lines, lineterminator="\n")
    header, *cells = records(sheet, rows)
    writer.writerow(header)
    for row in cells:
        writer.writerow(marked(cell) if is_text else cell for cell, is_text in zip(row, texts, strict=True))
    return "".join(lines).encode()
