"""The limits that the recipes of the sheets pass: refused where the sheets say so, told otherwise."""

from collections.abc import Collection, Iterator

from wholesale.core.catalogue import Basis, Catalogue
from wholesale.core.recipes import LimitNote, limits
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import ItemRow, OperationRow, RecipeLineRow

_COLUMNS = {"heat": "heat_c", "fill": "melt", "top": "melt", "load": "equipment"}
_LOADS = {Basis.LOAD_ON_CARRIER, Basis.LOAD_ON_TOTAL}


def check_limits(book: Workbook, catalogue: Catalogue, known: Collection[LimitNote]) -> tuple[str, ...]:
    """Complain of the limits that are marked hard, and return the texts of the others.

    ``known`` are those that stored recipes pass already: they stop nothing anew.
    """
    new = [note for item in catalogue.items for note in limits(catalogue, item) if note not in known]
    by_text: dict[str, LimitNote] = {}
    # A melt's own note says it before those of what it is poured into.
    for note in sorted(new, key=lambda note: bool(note.step)):
        by_text.setdefault(note.text, note)
    for text, note in by_text.items():
        if note.refuse:
            row, column = _place(book, note)
            book.complain(row, column, f"{text} This limit is marked hard (limits_refuse).")
    return tuple(text for text, note in by_text.items() if not note.refuse)


def _place(book: Workbook, note: LimitNote) -> tuple[Row, str]:
    """The row and column to look at first."""
    rows = [*_loads(book, note), *_steps(book, note), *_items(book, note)]
    return rows[0]


def _loads(book: Workbook, note: LimitNote) -> Iterator[tuple[Row, str]]:
    for row in book.rows(RecipeLineRow) if note.code == "fragrance" else ():
        if row.item == note.item and row.basis in _LOADS:
            yield row, "quantity"


def _steps(book: Workbook, note: LimitNote) -> Iterator[tuple[Row, str]]:
    for row in book.rows(OperationRow):
        if (row.item, row.code) == (note.item, note.step):
            yield row, _COLUMNS.get(note.code, "melt")


def _items(book: Workbook, note: LimitNote) -> Iterator[tuple[Row, str]]:
    for row in book.rows(ItemRow):
        if row.code == note.item:
            yield row, "code"
