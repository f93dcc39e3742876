"""A workbook with mistakes: nothing is loaded, and every mistake is named with file, row and column."""

import pytest
from django.db import models

from accounts.models import Address, Shop, User
from tests import builders
from tests.sheets import Files, append, drop, load, mistakes, put
from wholesale import clock
from wholesale.core.values import Refusal
from wholesale.core.workbook import sheets
from wholesale.core.workbook.rows import Row
from wholesale.models import (
    CalendarDay,
    Equipment,
    Item,
    Lot,
    Operation,
    Order,
    PriceList,
    RecipeLine,
    Scent,
    Setting,
)
from wholesale.queries import catalogue


@pytest.fixture
def files() -> Files:
    """The demo folder without the sheets that may be missing, but for the tiers."""
    return builders.mossgate_files("days.csv", "stock.csv", "orders.csv")


# ── refusals ─────────────────────────────────────────────────────────────────

# (file, row, column, what is written there, words of the complaint)
WRONG = [
    ("items.csv", 2, "case_pack", "0", "a whole number from 1 to"),
    ("items.csv", 2, "case_pack", "six", "a whole number from 1 to"),
    ("items.csv", 2, "case_pack", "6.5", "a whole number from 1 to"),
    ("items.csv", 2, "kind", "gadget", "part or product"),
    ("items.csv", 2, "scented", "perhaps", "TRUE or FALSE"),
    ("items.csv", 2, "yield_share", "0.9", "this works for parts only"),
    ("items.csv", 5, "samples_per_batch", "1", "samples are kept of products only"),
    ("items.csv", 2, "unit", "gram", "sold by the case"),
    ("items.csv", 2, "gtin", "4006381333932", "check digit"),
    ("items.csv", 2, "gtin", "6.14E+12", "check digit"),
    ("items.csv", 5, "loss", "3 %", "a number from 0 to 0.99"),
    ("items.csv", 5, "loss", "0,03", "a point before them and no thousands separators"),
    ("items.csv", 5, "loss", "1", "a number from 0 to 0.99"),
    ("items.csv", 5, "loss", "#DIV/0!", "a formula that failed"),
    ("equipment.csv", 2, "load_g", "4,000", "no thousands separators"),
    ("scents.csv", 2, "oil", "SUC", "name one from materials.csv"),
    ("recipe_lines.csv", 10, "component", "BOSE", "name one from items.csv or materials.csv"),
    ("recipe_lines.csv", 10, "item", "SUK", "name one from items.csv"),
    ("recipe_lines.csv", 10, "step", "pore", "no such step"),
    ("recipe_lines.csv", 10, "basis", "per_pie", "per_piece or share_of_batch"),
    ("recipe_lines.csv", 10, "quantity", "0", "a number from 0.000001"),
    ("recipe_lines.csv", 3, "quantity", "8", "Write 0.08 for 8 %"),
    ("recipe_lines.csv", 3, "carrier", "CASTWAX", "names a share_of_batch line"),
    ("operations.csv", 4, "days_max", "0", "the wait is at least 1 and at most 0 days"),
    ("operations.csv", 4, "equipment", "POT-Z", "name one from equipment.csv"),
    ("operations.csv", 4, "hands", "bnch", "name one from week.csv"),
    ("operations.csv", 4, "melt", "SEAL", "how many grams of it a piece takes"),
    ("week.csv", 2, "weekday", "Moonday", "Monday or Tuesday"),
    ("week.csv", 2, "kind", "holiday", "work or market or closed"),
    ("week.csv", 2, "opens", "8 o'clock", "a time of day"),
    ("week.csv", 2, "opens", "18:00", "opens before it closes"),
    ("week.csv", 2, "hands", "360", "minutes by group of hands"),
    ("week.csv", 2, "hands", "helper=360", "missing: bench"),
    ("price_list.csv", 2, "item", "BASE", "name one from items.csv: FRN, PEB, SUC"),
    ("price_list.csv", 2, "unit_price", "12.00001", "at most 4 decimals"),
    ("price_list.csv", 2, "unit_price", "-1", "a number from 0"),
    ("price_list.csv", 2, "valid_from", "01/01/2026", "2026-03-05 (year-month-day)"),
    ("price_list.csv", 3, "valid_from", "2026-02-01", "gives the list 2026 other days"),
    ("tiers.csv", 2, "percent", "105", "a number from 0 to 100"),
    ("tiers.csv", 2, "from_amount", "500.005", "finer than the smallest USD coin"),
    ("settings.csv", 2, "name", "nmae", "There is no setting 'nmae'"),
    ("settings.csv", 18, "value", "any_order", "whole_order or marginal"),
    ("settings.csv", 34, "value", "100", "allowed: off, or a percentage above 0 and below 100"),
    ("shops.csv", 2, "tax_id", "12-34567", "can’t be an EIN"),
    ("shops.csv", 2, "country", "USA", "two capital letters"),
    ("shops.csv", 2, "certificate_expires_on", "2025-01-01", "expires before it is signed"),
    ("addresses.csv", 2, "shop", "nowhere", "name one from shops.csv"),
    ("addresses.csv", 3, "default", "TRUE", "row 2 is the default ship_to"),
    ("people.csv", 2, "email", "ada", "an e-mail address"),
    ("people.csv", 4, "shop_role", "boss", "owner or buyer or reader"),
    ("people.csv", 11, "name", "Tim Fen", "another name"),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("file", "row", "column", "value", "words"), WRONG)
def test_a_wrong_cell_is_named_with_file_row_column_what_was_found_and_what_is_allowed(
    files: Files, file: str, row: int, column: str, value: str, words: str
) -> None:
    found = mistakes(put(files, file, row, column, value))

    [complaint] = [c for c in found if (c.file, c.row, c.column) == (file, row, column)]
    assert complaint.found == value
    assert words in complaint.message
    assert str(complaint).startswith(f"{file}, row {row}, {column}: found {value!r}: ")


# (file, row, column, what is written there → file, row, column that is named, words of the complaint)
ELSEWHERE = [
    # An empty case_pack is 1; 3 scents of at least 2 are 6 pieces.
    ("items.csv", 2, "case_pack", "", "items.csv", 2, "mix_least", "don't fit into a case of 1"),
    ("items.csv", 2, "case_pack", "5", "items.csv", 2, "mix_least", "don't fit into a case of 5"),
    ("items.csv", 5, "scented", "FALSE", "recipe_lines.csv", 3, "component", "BASE is not scented"),
    ("items.csv", 5, "unit", "piece", "operations.csv", 4, "melt", "a melt is counted in grams"),
    ("materials.csv", 2, "code", "SUC", "items.csv", 2, "code", "a material too (materials.csv, row 2)"),
    # 150 g of base in a pot of 100 g.
    ("equipment.csv", 2, "load_g", "100", "operations.csv", 4, "equipment", "more than a load of Pot A holds"),
    ("recipe_lines.csv", 2, "quantity", "0.9", "items.csv", 5, "code", "make 0.9; together they must make 1"),
    ("recipe_lines.csv", 2, "item", "MOSS", "items.csv", 5, "code", "a melt needs a share_of_batch row"),
    ("operations.csv", 3, "item", "ROSETTE", "operations.csv", 3, "item", "row 2 already stands for this"),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("file", "row", "column", "value", "at", "at_row", "at_column", "words"), ELSEWHERE)
def test_a_mistake_is_named_where_it_shows(  # noqa: PLR0917  (one row of the table)
    files: Files, file: str, row: int, column: str, value: str, at: str, at_row: int, at_column: str, words: str
) -> None:
    found = mistakes(put(files, file, row, column, value))

    assert any((c.file, c.row, c.column) == (at, at_row, at_column) and words in c.message for c in found), found


@pytest.mark.django_db
def test_all_mistakes_of_all_sheets_are_named_at_once(files: Files) -> None:
    wrong = put(files, "items.csv", 2, "case_pack", "0")
    wrong = put(wrong, "week.csv", 6, "hands", "")
    wrong = put(wrong, "shops.csv", 4, "tax_id", "1")
    wrong = put(wrong, "shops.csv", 3, "opened_on", "yesterday")
    wrong = put(wrong, "settings.csv", 34, "value", "100")

    places = [(c.file, c.row, c.column) for c in mistakes(wrong)]

    assert places == [
        ("items.csv", 2, "case_pack"), ("shops.csv", 3, "opened_on"), ("settings.csv", 34, "value"),
        ("week.csv", 6, "hands"), ("shops.csv", 4, "tax_id"),
    ]  # fmt: skip


@pytest.mark.django_db
def test_a_recipe_that_eats_itself_is_refused_with_its_chain(files: Files) -> None:
    """MOSS needs FERN and FERN needs MOSS; SEAL needs itself: two circles, both named."""
    files = append(files, "recipe_lines.csv", item="MOSS", component="FERN", basis="per_piece", quantity="1")
    files = append(files, "recipe_lines.csv", item="FERN", component="MOSS", basis="per_piece", quantity="1")
    files = append(files, "recipe_lines.csv", item="SEAL", component="SEAL", basis="per_piece", quantity="1")

    messages = [complaint.message for complaint in mistakes(files)]

    assert len(messages) == 2
    assert "Moss whip → Fern whip → Moss whip" in messages[0]
    assert "Seal melt → Seal melt" in messages[1]


@pytest.mark.django_db
def test_a_product_without_recipe_or_operations_is_refused(files: Files) -> None:
    files = append(files, "items.csv", code="NEW", name="New", kind="product", unit="piece")

    assert [(c.row, c.message.partition(".")[0]) for c in mistakes(files)] == [
        (12, "it has no rows in recipe_lines"), (12, "it has no rows in operations"),
    ]  # fmt: skip


@pytest.mark.django_db
def test_a_calendar_without_any_work_day_is_refused(files: Files) -> None:
    for row in range(2, 7):
        files = put(files, "week.csv", row, "kind", "closed")

    # Without a work day nobody's minutes are given, so the operations' hands are nobody's too.
    assert any("no work day in the 800 days" in complaint.message for complaint in mistakes(files))


@pytest.mark.django_db
def test_a_week_without_sunday_is_refused(files: Files) -> None:
    [complaint] = mistakes(drop(files, "week.csv", 8))

    assert (complaint.file, complaint.row) == ("week.csv", 0)
    assert complaint.message.startswith("Sunday is missing")


@pytest.mark.django_db
def test_two_rows_for_one_key_are_refused_with_both_row_numbers(files: Files) -> None:
    files = append(files, "items.csv", code="SUC", name="Again", kind="product", unit="piece")

    complaint = mistakes(files)[0]

    assert (complaint.file, complaint.row, complaint.column, complaint.found) == ("items.csv", 12, "code", "SUC")
    assert "row 2 already stands" in complaint.message


@pytest.mark.django_db
def test_the_same_address_in_other_case_is_the_same_person(files: Files) -> None:
    files = append(files, "people.csv", email="ADA@mossgate.example", name="Ada Mossgate", staff_role="maker")

    assert [(c.file, c.row) for c in mistakes(files)] == [("people.csv", 12)]


# ── files and columns ────────────────────────────────────────────────────────


def only(files: Files) -> str:
    """The one complaint about these files, as it is printed."""
    [complaint] = mistakes(files)
    return str(complaint)


@pytest.mark.django_db
def test_a_missing_file_is_named_with_the_columns_it_needs(files: Files) -> None:
    del files["addresses.csv"]

    found = [c for c in mistakes(files) if c.file == "addresses.csv"]

    assert [str(c).partition(", line1")[0] for c in found] == [
        "addresses.csv: the file is missing. Add it, with the columns shop, kind, name"
    ]


@pytest.mark.django_db
def test_a_file_nobody_knows_is_refused(files: Files) -> None:
    assert only({**files, "Items.csv": b"code\n"}).startswith("Items.csv: this is no sheet of a workbook.")


@pytest.mark.django_db
def test_a_column_nobody_knows_is_refused_with_the_columns_there_are(files: Files) -> None:
    message = only({**files, "tiers.csv": b"from_amount,percent,colour\n500,5,red\n"})

    assert message == "tiers.csv: there is no column 'colour'. The columns are: from_amount, percent."


@pytest.mark.django_db
def test_a_missing_and_a_doubled_column_are_refused(files: Files) -> None:
    assert only({**files, "tiers.csv": b"from_amount\n500\n"}) == "tiers.csv: the column 'percent' is missing. Add it."
    doubled = only({**files, "tiers.csv": b"from_amount,percent,percent\n500,5,6\n"})
    assert doubled == "tiers.csv: the column 'percent' stands there twice. Keep one of them."


@pytest.mark.django_db
def test_columns_with_a_default_may_be_left_out(files: Files) -> None:
    load({**files, "scents.csv": b"code,name,oil\nRG,Rain garden,OIL-RG\nCF,Cedar frame,OIL-CF\nWS,Wet stone,OIL-WS\n"})

    assert {scent.rank for scent in catalogue.catalogue(clock.today()).scents.values()} == {0}


@pytest.mark.django_db
def test_semicolons_other_encodings_and_broken_quotes_say_how_to_save_the_sheet(files: Files) -> None:
    assert "separated by ';'. Save the sheet with commas" in only(
        {**files, "tiers.csv": b"from_amount;percent\n500;5\n"}
    )
    assert "not UTF-8 text. Save" in only({**files, "tiers.csv": "from_amount,percent\n500,5 ½\n".encode("latin-1")})
    assert "not CSV" in only({**files, "tiers.csv": b'from_amount,percent\n500,"5" x\n'})
    assert "the file is empty" in only({**files, "tiers.csv": b""})


@pytest.mark.django_db
def test_a_value_beside_the_table_is_not_lost_silently(files: Files) -> None:
    message = only({**files, "tiers.csv": b"from_amount,percent\n500,5,per order\n"})

    assert message.startswith("tiers.csv, row 2: 'per order' stands in a column without a name.")


@pytest.mark.django_db
def test_what_spreadsheets_do_to_a_sheet_is_understood(files: Files) -> None:
    """Byte order mark, CRLF, stray spaces, empty rows and columns, TRUE and FALSE in any case, 8:00 and 08:00:00."""
    load(files)
    week = (
        files["week.csv"].decode().replace("08:00", "8:00").replace("17:00", "17:00:00").replace("Monday", " monday ")
    )
    items = files["items.csv"].decode().replace("TRUE", "True ").replace("FALSE", "false").replace("\n", ",,\r\n")
    same = {
        **files,
        "week.csv": f"\ufeff{week}\n,,,,\n".encode(),
        "items.csv": f"\ufeff{items}".encode(),
        "tiers.csv": b"\xef\xbb\xbfpercent , from_amount\r\n\r\n5,500\r\n10,1000.00\r\n",
    }

    assert load(same).changes == ()


@pytest.mark.django_db
def test_rows_are_counted_as_the_spreadsheet_shows_them(files: Files) -> None:
    """Row 2 holds a line break inside a cell and row 3 is empty, so the wrong cell is in row 4 (line 5)."""
    days = b'day,kind,note\n2026-03-12,closed,"Away,\nall day"\n\n2026-03-13,shut,\n'

    [complaint] = mistakes({**files, "days.csv": days})

    assert (complaint.row, complaint.found) == (4, "shut")


# ── against what is stored ───────────────────────────────────────────────────


@pytest.mark.django_db
def test_a_step_that_open_orders_wait_for_stays_in_the_recipe() -> None:
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="quillwort"), ("SUC", 2, "RG"))
    files = builders.mossgate_files("stock.csv", "orders.csv")

    # Row 6 of operations.csv: SUC, finish.
    [complaint] = mistakes(drop(files, "operations.csv", 6))

    assert complaint.message.startswith("open orders of SUC go through the step finish")


@pytest.mark.django_db
def test_what_an_item_is_can_not_change_once_there_is_stock_of_it() -> None:
    builders.mossgate_rows(stock=True)
    files = builders.mossgate_files("orders.csv")

    found = mistakes(put(put(files, "items.csv", 4, "scented", "FALSE"), "stock.csv", 2, "item", "PEB"))

    assert {(c.file, c.row, c.column) for c in found} >= {("items.csv", 4, "scented"), ("stock.csv", 2, "lot")}


@pytest.mark.django_db
def test_the_currency_can_not_change_under_orders() -> None:
    builders.mossgate_rows(orders=True)
    files = builders.mossgate_files("stock.csv")

    # Row 12 of settings.csv: currency.
    assert only(put(files, "settings.csv", 12, "value", "EUR")).startswith(
        "settings.csv: the currency can't become EUR"
    )


@pytest.mark.django_db
def test_a_lot_may_not_bear_the_number_of_a_batch(files: Files) -> None:
    header = "lot,item,scent,made_on,usable_on,quantity\n"

    message = only({**files, "stock.csv": f"{header}B-1001,PEB,RG,2026-03-01,2026-03-11,6\n".encode()})

    assert "B- begins the numbers of batches made here" in message
    assert not Lot.objects.exists()


@pytest.mark.django_db
def test_stock_of_an_unknown_scent_half_a_piece_or_a_turned_round_day_is_refused(files: Files) -> None:
    header = "lot,item,scent,made_on,usable_on,quantity\n"
    rows = (
        "L-1,PEB,XX,2026-03-01,2026-03-11,6\nL-2,PEB,RG,2026-03-01,2026-03-11,6.5\nL-3,PEB,RG,2026-03-11,2026-03-01,6\n"
    )

    found = mistakes({**files, "stock.csv": (header + rows).encode()})

    assert [(c.row, c.column) for c in found] == [(2, "scent"), (3, "quantity"), (4, "usable_on")]


@pytest.mark.django_db
def test_orders_name_a_buyer_of_the_shop_a_known_product_and_a_mix_that_fills_the_case() -> None:
    files = builders.mossgate_files("stock.csv")
    # Row 2 is demo-1, row 3 demo-2; rows 4 and 5 are demo-3 (PEB in 2 RG + 2 CF + 2 WS).
    files = put(put(files, "orders.csv", 2, "by", "rae@brindlefen.example"), "orders.csv", 2, "item", "SUX")
    files = put(put(files, "orders.csv", 5, "mix", "RG=3 CF=2 WS=2"), "orders.csv", 3, "mix", "RG=3 CF")
    files = put(files, "orders.csv", 4, "po_number", "OR-1")

    found = {(c.row, c.column): c.message for c in mistakes(files)}

    assert "no such owner or buyer of brindle-fen" in found[2, "by"]
    assert "no product 'SUX'" in found[2, "item"]
    assert "the scents chosen make 7" in found[5, "mix"]
    assert "one scent for the whole case" in found[3, "mix"]
    assert "row 4 has the same token" in found[5, "po_number"]


# ── the tables ───────────────────────────────────────────────────────────────

# Where the text columns of a sheet are stored, by another name where it differs.
TABLES: dict[type[Row], tuple[type[models.Model], dict[str, str]]] = {
    sheets.SettingRow: (Setting, {}),
    sheets.DayRow: (CalendarDay, {}),
    sheets.MaterialRow: (Item, {}),
    sheets.ItemRow: (Item, {}),
    sheets.ScentRow: (Scent, {}),
    sheets.EquipmentRow: (Equipment, {}),
    sheets.RecipeLineRow: (RecipeLine, {}),
    sheets.OperationRow: (Operation, {}),
    sheets.PriceRow: (PriceList, {"price_list": "code"}),
    sheets.ShopRow: (Shop, {"shop": "slug", "certificate_number": "resale_certificate_number",
                            "certificate_state": "resale_certificate_state"}),
    sheets.AddressRow: (Address, {}),
    sheets.PersonRow: (User, {}),
    sheets.StockRow: (Lot, {"lot": "code"}),
    sheets.OrderRow: (Order, {}),
}  # fmt: skip


@pytest.mark.parametrize("sheet", TABLES, ids=lambda sheet: sheet.FILE)
def test_no_text_that_a_sheet_allows_is_too_long_for_its_table(sheet: type[Row]) -> None:
    """SQLite would take it and PostgreSQL would not."""
    model, names = TABLES[sheet]
    limits = {field.name: field.max_length for field in model._meta.get_fields() if isinstance(field, models.CharField)}
    texts = {name: limits[names.get(name, name)] for name in sheet.columns() if limits.get(names.get(name, name))}

    assert texts
    for name, limit in texts.items():
        with pytest.raises((ValueError, Refusal)):
            sheet.columns()[name].kind.read("x" * ((limit or 0) + 1))
