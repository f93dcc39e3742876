"""A workbook as one .xlsx: the saved rows, or the template with its examples; both say what may stand where."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from io import BytesIO
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import quote_sheetname
from openpyxl.worksheet.datavalidation import DataValidation

from wholesale.core.workbook.examples import EXAMPLES
from wholesale.core.workbook.reading import EXAMPLE, column_letters
from wholesale.core.workbook.rows import Column, Row
from wholesale.core.workbook.sheets import SHEETS, ItemRow, MaterialRow, SettingRow, ShopRow
from wholesale.core.workbook.writing import Saved
from wholesale.core.workshop import SETTINGS, Setting
from wholesale.documents.spreadsheet import ABOUT, LISTS

#: Rows that lists and formats reach.
_REACH = 2000
#: A list inside a cell's rule has at most so many letters; a longer one stands on a sheet.
_LISTED = 250
_FORMATS = {"text": "@", "number": "General", "day": "yyyy-mm-dd", "time": "hh:mm", "flag": "General"}
_WIDTHS = {"text": 18, "number": 12, "day": 13, "time": 10, "flag": 10}
_NEEDED, _OPEN = PatternFill("solid", fgColor="DCD3BB"), PatternFill("solid", fgColor="F1ECDF")
_EXAMPLE_INK = Font(italic=True, color="7A6A45")
_MARK = "Example: delete this row"
#: Columns that name a row of another sheet.
_REFERS: dict[tuple[str, str], type[Row]] = {
    **{(sheet, "shop"): ShopRow for sheet in ("addresses", "orders", "open_invoices", "open_credits")},
    **{(sheet, "item"): ItemRow for sheet in ("recipe_lines", "operations", "price_list", "orders", "batches")},
    **{("substitutes", column): MaterialRow for column in ("item", "substitute")},
    ("scents", "oil"): MaterialRow,
}


def template() -> bytes:
    """The annotated workbook without rows but the examples, each marked as one."""
    rows = {sheet: [row for row in EXAMPLES if type(row) is sheet] for sheet in SHEETS}
    return _book(lambda sheet: rows[sheet], examples=True)


def saved_book(saved: Saved) -> bytes:
    """The saved rows, in sheets with the same notes as the template."""
    return _book(lambda sheet: saved.get(sheet, ()), examples=False)


def zipped(files: Mapping[str, bytes]) -> bytes:
    """Files in one .zip, without folders."""
    out = BytesIO()
    with ZipFile(out, "w", ZIP_DEFLATED) as parts:
        for name, content in files.items():
            parts.writestr(name, content)
    return out.getvalue()


def _book(rows: Callable[[type[Row]], Sequence[Row]], *, examples: bool) -> bytes:
    book = Workbook()
    about = book.active
    _write_about(about, examples=examples)
    lists = book.create_sheet(LISTS)
    lists.sheet_state = "hidden"
    for sheet in SHEETS:
        _write_sheet(book.create_sheet(sheet.called()), sheet, rows(sheet), lists, examples=examples)
    book.move_sheet(LISTS, offset=len(SHEETS))
    out = BytesIO()
    book.save(out)
    return out.getvalue()


# ── what it is about ─────────────────────────────────────────────────────────


def _write_about(page: Any, *, examples: bool) -> None:
    page.title = ABOUT
    lines = [("Workbook", "One sheet for each kind of thing; this one is not read.")]
    if examples:
        lines.append(
            ("Examples", f"Rows with “{_MARK}” at their end show how; delete them before you load the workbook.")
        )
    lines += [
        (
            "Columns",
            "Dark heads must be filled in, light ones may be empty; each head's note says what may stand there.",
        ),
        ("Sheets", "A sheet that may be missing leaves what is stored alone when you delete it."),
        ("", ""),
        *((sheet.called(), _meaning(sheet)) for sheet in SHEETS),
        ("", ""),
        ("Settings", "What the sheet settings knows; those left out keep their default."),
        *(
            (row.name, f"{row.sentence} Allowed: {row.allowed_words}. Default: {row.default or 'empty'}.")
            for row in SETTINGS
        ),
    ]
    for line in lines:
        page.append(line)
    page.column_dimensions["A"].width, page.column_dimensions["B"].width = 22, 110
    for name, text in page.iter_rows():
        name.font, text.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")


def _rule(row: Setting) -> str:
    return f"{row.sentence} Allowed: {row.allowed_words}. Default: {row.default or 'empty'}."


def _meaning(sheet: type[Row]) -> str:
    said = " ".join((sheet.__doc__ or "").replace("``", "").split())
    return f"{said} This sheet may be missing." if sheet.OPTIONAL else said


# ── one sheet ────────────────────────────────────────────────────────────────


def _write_sheet(page: Any, sheet: type[Row], rows: Iterable[Row], lists: Any, *, examples: bool) -> None:
    columns = sheet.columns()
    for place, (name, column) in enumerate(columns.items(), 1):
        _write_head(page, place, name, column)
        _list_choices(page, lists, place, sheet, name, column)
    for number, row in enumerate(rows, 2):
        for place, (name, column) in enumerate(columns.items(), 1):
            _write_cell(page.cell(number, place), column, getattr(row, name))
        if examples:
            _mark(page, number, len(columns) + 1)
    if examples:
        page.cell(1, len(columns) + 1, EXAMPLE).font = _EXAMPLE_INK
        page.column_dimensions[column_letters(len(columns) + 1)].width = len(_MARK) + 2
    page.freeze_panes = "B2"


def _write_head(page: Any, place: int, name: str, column: Column) -> None:
    head = page.cell(1, place, name)
    head.font, head.fill = Font(bold=column.is_needed), _NEEDED if column.is_needed else _OPEN
    head.comment = Comment(_note(column), "Casewright", height=110, width=280)
    look = page.column_dimensions[column_letters(place)]
    look.width = max(len(name) + 3, _WIDTHS[column.kind.form])
    look.number_format = _FORMATS[column.kind.form]


def _note(column: Column) -> str:
    allowed = f"{column.kind.allowed[:1].upper()}{column.kind.allowed[1:]}."
    if column.kind.percent == "share":
        allowed += " 8 % is 0.08, or 8% in a cell formatted as a percentage."
    if column.is_needed:
        return f"{allowed} Must be filled in."
    empty = column.kind.write(column.default)
    return f"{allowed} May be empty{f', which means {empty}' if empty else ''}."


def _write_cell(cell: Any, column: Column, value: Any) -> None:
    if value is None:
        return
    if column.kind.form == "text":
        cell.value = ILLEGAL_CHARACTERS_RE.sub("", column.kind.write(value)) or None
        if cell.value is not None:
            # Text is never a formula, whatever it begins with.
            cell.data_type = "s"
    else:
        cell.value = value
    cell.number_format = _FORMATS[column.kind.form]


def _mark(page: Any, number: int, place: int) -> None:
    page.cell(number, place, _MARK)
    for cell in page[number]:
        cell.font = _EXAMPLE_INK


# ── lists of what may stand there ────────────────────────────────────────────


def _list_choices(page: Any, lists: Any, place: int, sheet: type[Row], name: str, column: Column) -> None:
    source = _source(lists, sheet, name, column)
    if not source:
        return
    rule = DataValidation(type="list", formula1=source, allow_blank=True, showErrorMessage=True)
    rule.errorTitle, rule.error = name, f"Allowed is {column.kind.allowed}."[:_LISTED]
    letters = column_letters(place)
    rule.add(f"{letters}2:{letters}{_REACH}")
    page.add_data_validation(rule)


def _source(lists: Any, sheet: type[Row], name: str, column: Column) -> str:
    """Where a column's choices stand: in the rule itself, on the hidden sheet, or in the sheet it refers to."""
    if (sheet.called(), name) in _REFERS:
        other = _REFERS[sheet.called(), name].called()
        return f"{quote_sheetname(other)}!$A$2:$A${_REACH}"
    choices = tuple(row.name for row in SETTINGS) if (sheet, name) == (SettingRow, "name") else column.kind.choices
    inside = ",".join(choices)
    if len(inside) <= _LISTED:
        return f'"{inside}"' if choices else ""
    place = lists.max_column + 1 if lists["A1"].value else 1
    for number, choice in enumerate(choices, 1):
        lists.cell(number, place, choice)
    letters = column_letters(place)
    return f"{quote_sheetname(LISTS)}!${letters}$1:${letters}${len(choices)}"
