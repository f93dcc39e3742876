"""A workbook as one .xlsx: each cell reads as the text that would stand in the CSV file, and both are checked alike."""

import zipfile
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from io import BytesIO
from typing import Any

import openpyxl
import pytest

from wholesale.core.values import Refusal
from wholesale.core.workbook.examples import EXAMPLES
from wholesale.core.workbook.first_day import check_first_day
from wholesale.core.workbook.goods import check_goods
from wholesale.core.workbook.reading import Grid, Workbook, column_letters, marked, read_workbook
from wholesale.core.workbook.sheets import SHEETS, DayRow, MaterialRow, SettingRow, TierRow, WeekRow
from wholesale.core.workbook.shelf import check_shelf
from wholesale.core.workbook.trade import check_trade
from wholesale.core.workbook.writing import Saved, csv_files
from wholesale.documents import spreadsheet
from wholesale.documents.spreadsheet import MOST_BYTES, opened
from wholesale.documents.workbook_file import saved_book, template, zipped

EXAMPLE_ROWS: Saved = {sheet: [row for row in EXAMPLES if type(row) is sheet] for sheet in SHEETS}


def book(fill: Callable[[Any], None], title: str = "tiers") -> bytes:
    """An .xlsx with one sheet."""
    made = openpyxl.Workbook()
    page: Any = made.active
    page.title = title
    fill(page)
    out = BytesIO()
    made.save(out)
    return out.getvalue()


def grid(content: bytes, name: str = "tiers") -> Grid:
    found = opened(content)[f"{name}.csv"]
    assert isinstance(found, Grid)
    return found


def read(value: Any, number_format: str = "General") -> str:
    """What a cell with this value reads as."""

    def fill(page: Any) -> None:
        page["A1"] = value
        page["A1"].number_format = number_format

    return grid(book(fill)).records[0][0]


# ── cells ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("value", "number_format", "text"),
    [
        (0.1, "General", "0.1"),
        (0.1 + 0.2, "General", "0.3"),  # the binary sum is 0.30000000000000004
        (1 / 3, "General", "0.333333333333333"),  # fifteen digits, as spreadsheets keep
        (12.0, "0.00", "12"),
        (4006381333931, "0", "4006381333931"),
        (1e-6, "General", "0.000001"),
        (0.08, "0%", "8%"),
        (0.065, "0.0%", "6.5%"),
        (-3, "General", "-3"),
        (True, "General", "TRUE"),
        (False, "General", "FALSE"),
        (date(2026, 3, 5), "yyyy-mm-dd", "2026-03-05"),
        (datetime(2026, 3, 5), "dd.mm.yyyy", "2026-03-05"),  # noqa: DTZ001  (a spreadsheet knows no zone)
        (datetime(2026, 3, 5, 8, 30), "yyyy-mm-dd hh:mm", "2026-03-05 08:30:00"),  # noqa: DTZ001  (as above)
        (time(8, 0), "hh:mm", "08:00"),
        (time(17, 30, 15), "hh:mm:ss", "17:30:15"),
        (timedelta(hours=8), "[h]:mm", "8:00"),
        ("00141", "@", "00141"),
        (" spaced ", "General", " spaced "),
    ],
)
def test_a_cell_reads_as_what_its_spreadsheet_means(value: Any, number_format: str, text: str) -> None:
    assert read(value, number_format) == text


def formulas(*cells: tuple[str, str]) -> bytes:
    """The sheet tiers with a formula in B2 and B3, whose cells hold these attributes and this stored value."""

    def fill(page: Any) -> None:
        page.append(["from_amount", "percent"])
        page.append([500, "=2+3"])
        page.append([1000, "=5+5"])

    made = zipfile.ZipFile(BytesIO(book(fill)))
    parts = {name: made.read(name) for name in made.namelist()}
    page = parts["xl/worksheets/sheet1.xml"].decode()
    for place, (attributes, value) in zip(("B2", "B3"), cells, strict=True):
        before = page[page.index(f'<c r="{place}"') :]
        cell = before[: before.index("</c>") + 4]
        formula = cell[cell.index("<f>") : cell.index("</f>") + 4]
        page = page.replace(cell, f'<c r="{place}"{attributes}>{formula}{value}</c>')
    return zipped(parts | {"xl/worksheets/sheet1.xml": page.encode()})


def test_a_formula_counts_by_its_stored_value_and_without_one_its_cell_is_named() -> None:
    found = read_workbook(opened(formulas(("", "<v>5</v>"), ("", ""))))

    [complaint] = [c for c in found.complaints if c.row]
    assert str(complaint).startswith("tiers, row 3, percent (cell B3): found '': the formula has no stored value.")
    assert [row.percent for row in found.rows(TierRow)] == [5]


def test_a_formula_that_failed_or_gives_an_empty_text_is_read_as_such() -> None:
    found = read_workbook(opened(formulas((' t="e"', "<v>#DIV/0!</v>"), (' t="str"', "<v></v>"))))

    messages = [str(complaint) for complaint in found.complaints if complaint.row]
    assert "(cell B2): found '#DIV/0!': this is what a spreadsheet shows for a formula that failed" in messages[0]
    assert messages[1].startswith("tiers, row 3, percent (cell B3): found '': allowed is a number from 0 to 100")


def test_a_cell_shown_as_a_percentage_is_read_as_its_column_means_it() -> None:
    """8 % is the share 0.08 in max_load, and 5 percent in percent; a column of neither refuses it."""

    def material(page: Any) -> None:
        page.append(["code", "name", "unit", "max_load", "heating_limit_c"])
        page.append(["WAX", "Wax", "gram", 0.08, 0.85])
        page["D2"].number_format = page["E2"].number_format = "0%"

    def tier(page: Any) -> None:
        page.append(["from_amount", "percent"])
        page.append([500, 0.05])
        page["B2"].number_format = "0%"

    found = read_workbook(opened(book(material, "materials")))
    assert [str(c).partition(": allowed")[0] for c in found.complaints if c.row] == [
        "materials, row 2, heating_limit_c (cell E2): found '85%'"
    ]
    assert read_workbook(opened(book(tier))).rows(TierRow) == [TierRow(from_amount=Decimal(500), percent=Decimal(5))]
    without = read_workbook({"materials.csv": Grid(records=[["code", "name", "unit", "max_load"],
                                                            ["WAX", "Wax", "gram", "8%"]])})  # fmt: skip
    assert [str(row.max_load) for row in without.rows(MaterialRow)] == ["0.08"]


def test_days_times_and_flags_are_read_from_their_cells() -> None:
    def week(page: Any) -> None:
        page.append(["weekday", "kind", "opens", "closes", "hands"])
        page.append(["Monday", "work", time(8), time(17), "bench=360"])

    def days(page: Any) -> None:
        page.append(["day", "kind"])
        page.append([date(2026, 12, 25), "closed"])

    [monday] = read_workbook(opened(book(week, "week"))).rows(WeekRow)
    assert (monday.opens, monday.closes) == (time(8), time(17))
    [holiday] = read_workbook(opened(book(days, "days"))).rows(DayRow)
    assert holiday.day == date(2026, 12, 25)


def test_complaints_call_the_sheets_as_a_spreadsheet_does() -> None:
    def fill(page: Any) -> None:
        page.append(["from_amount", "percent", "colour"])

    messages = [str(c) for c in read_workbook(opened(book(fill))).complaints]

    assert "tiers: there is no column 'colour'. The columns are: from_amount, percent." in messages
    assert any(message.startswith("items: the sheet is missing. Add it") for message in messages)
    assert not any(".csv" in message for message in messages)
    unknown = [str(c) for c in read_workbook(opened(book(fill, "Tiers"))).complaints]
    assert unknown[0].startswith("Tiers: this is no sheet of a workbook. The sheets are: the sheet settings")


def test_columns_are_lettered_as_spreadsheets_do() -> None:
    assert [column_letters(n) for n in (1, 26, 27, 52, 53, 702, 703)] == ["A", "Z", "AA", "AZ", "BA", "ZZ", "AAA"]


# ── the template, and what is saved ──────────────────────────────────────────


def checked(found: Workbook) -> list[str]:
    catalogue = check_goods(found)
    check_trade(found, catalogue, date(2026, 3, 5))
    check_shelf(found, catalogue)
    check_first_day(found, catalogue, date(2026, 3, 5))
    return [str(complaint) for complaint in found.complaints]


def test_the_templates_own_rows_are_refused_by_name_until_they_are_deleted() -> None:
    found = read_workbook(opened(template()))

    assert len(found.complaints) == len(EXAMPLES)
    assert {(c.column, c.found) for c in found.complaints} == {("example", "Example: delete this row")}
    assert all(c.message.startswith("this row is the template's example. Delete the row") for c in found.complaints)
    assert not any(found.rows(sheet) for sheet in SHEETS)


def test_a_template_whose_marks_are_emptied_is_a_workbook_without_a_mistake() -> None:
    made = openpyxl.load_workbook(BytesIO(template()))
    for sheet in SHEETS:
        page, place = made[sheet.called()], len(sheet.columns()) + 1
        assert page.cell(1, place).value == "example"
        for row in range(2, page.max_row + 1):
            page.cell(row, place).value = None
    out = BytesIO()
    made.save(out)

    found = read_workbook(opened(out.getvalue()))

    assert checked(found) == []
    assert {sheet: found.rows(sheet) for sheet in SHEETS} == EXAMPLE_ROWS


def test_every_sheet_of_the_template_says_what_may_stand_where() -> None:
    made = openpyxl.load_workbook(BytesIO(template()))

    assert made.sheetnames[0] == "about"
    assert made["lists"].sheet_state == "hidden"
    for sheet in SHEETS:
        page = made[sheet.called()]
        assert page.freeze_panes == "B2"
        for cell, (name, column) in zip(page[1], sheet.columns().items(), strict=False):
            assert cell.value == name
            note = cell.comment.text if cell.comment else ""
            assert note.lower().startswith(column.kind.allowed.lower())
            assert ("Must be filled in" in note) == column.is_needed


def listed(page: Any, letters: str) -> str:
    rules = page.data_validations.dataValidation
    return str(next(rule.formula1 for rule in rules if f"{letters}2:{letters}2000" in str(rule.sqref)))


def test_columns_with_few_words_offer_them_as_lists() -> None:
    made = openpyxl.load_workbook(BytesIO(template()))

    # items: code, name, kind, unit, scented
    assert listed(made["items"], "C") == '"part,product"'
    assert listed(made["items"], "D") == '"piece,gram"'
    assert listed(made["items"], "E") == '"TRUE,FALSE"'
    assert listed(made["equipment"], "G") == '"total,carrier"'
    assert listed(made["recipe_lines"], "A") == "'items'!$A$2:$A$2000"
    # The names of all settings are more than a rule holds: they stand on the hidden sheet.
    names = [row[0].value for row in made["lists"].iter_rows()]
    assert listed(made["settings"], "A") == f"'lists'!$A$1:$A${len(names)}"
    assert {"hour_rate", "scale_division"} <= set(names)


def test_saved_rows_read_back_as_they_were_from_both_forms() -> None:
    for again in (opened(saved_book(EXAMPLE_ROWS)), csv_files(EXAMPLE_ROWS), opened(zipped(csv_files(EXAMPLE_ROWS)))):
        found = read_workbook(again)
        assert found.complaints == []
        assert {sheet: found.rows(sheet) for sheet in SHEETS} == EXAMPLE_ROWS


@pytest.mark.parametrize("text", ["=HYPERLINK(1)", "+1 555 0140", "-", "@here", "'quoted", "plain", "'"])
def test_text_that_looks_like_a_formula_stays_text_in_both_forms(text: str) -> None:
    rows: Saved = {**EXAMPLE_ROWS, SettingRow: [SettingRow(name="how_to_pay", value=text)]}

    cell = csv_files(rows)["settings.csv"].decode().splitlines()[1].split(",", 1)[1].strip('"')
    assert cell[:1] not in set("=+-@")
    for again in (csv_files(rows), opened(saved_book(rows))):
        # Blanks around a value don't count in any sheet.
        assert read_workbook(again).rows(SettingRow)[0].value == text.strip()
    assert marked(text) == cell


# ── files that are none ──────────────────────────────────────────────────────


def repacked(content: bytes, **parts: bytes) -> bytes:
    made = zipfile.ZipFile(BytesIO(content))
    return zipped({name: made.read(name) for name in made.namelist()} | parts)


def test_files_that_can_not_be_a_workbook_are_refused_with_what_to_do() -> None:
    empty = book(lambda page: page.append(["from_amount", "percent"]))
    bomb = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa">]><x>&a;</x>'
    wrong = {
        "neither an .xlsx workbook nor a .zip": b"from_amount,percent\n",
        "larger than 5 MB": b"x" * (MOST_BYTES + 1),
        "old format, or has a password": bytes.fromhex("d0cf11e0a1b11ae1") + b"...",
        "has macros": repacked(empty, **{"xl/vbaProject.bin": b"x"}),
        "holds a document type": repacked(empty, **{"xl/styles.xml": bomb}),
        "can't be read": repacked(empty, **{"xl/workbook.xml": b"<workbook"}),
        "several folders": zipped({"a/items.csv": b"", "b/items.csv": b""}),
    }
    for words, content in wrong.items():
        with pytest.raises(Refusal, match=words):
            opened(content)


def test_a_document_type_in_another_encoding_is_found_too() -> None:
    empty = book(lambda page: page.append(["from_amount"]))
    bomb = '<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE x><x/>'.encode("utf-16")

    with pytest.raises(Refusal, match="holds a document type"):
        opened(repacked(empty, **{"docProps/core.xml": bomb}))


def test_a_small_file_that_unpacks_to_a_large_one_is_refused_before_it_is_unpacked() -> None:
    """61 MB of zeros pack to some 60 kB."""
    content = zipped({"xl/workbook.xml": b"\0" * (61 * 2**20)})

    assert len(content) < 100_000
    with pytest.raises(Refusal, match="too large once it is unpacked"):
        opened(content)
    with pytest.raises(Refusal, match="too large once it is unpacked"):
        opened(zipped({f"{n}.csv": b"" for n in range(501)}))


def test_a_sheet_that_goes_on_far_below_or_beside_its_table_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreadsheet, "_MOST_ROWS", 50)

    def far_below(page: Any) -> None:
        page["A60"] = "x"

    def far_beside(page: Any) -> None:
        page["CW2"] = "x"  # the 101st column

    with pytest.raises(Refusal, match="more than 50 rows"):
        opened(book(far_below))
    with pytest.raises(Refusal, match="something in the cell CW2"):
        opened(book(far_beside))


def test_a_zip_of_csv_files_may_have_them_in_a_folder_beside_a_machines_own_files() -> None:
    found = opened(zipped({"mossgate/tiers.csv": b"from_amount,percent\n", "__MACOSX/._tiers.csv": b"", ".DS": b""}))

    assert found == {"tiers.csv": b"from_amount,percent\n"}
