"""What is saved reads back as it is: loading it changes nothing, from CSV files and from one spreadsheet."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal as D
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.models import Shop, User
from tests import builders
from tests.sheets import Files, append, every_row, load, mistakes, put
from wholesale.actions import batches, deliveries, invoicing, production, recipes, shipping, stock, workbook
from wholesale.core.workbook.reading import Content
from wholesale.core.workbook.sheets import SHEETS
from wholesale.core.workbook.writing import csv_files
from wholesale.documents.spreadsheet import opened
from wholesale.documents.workbook_file import saved_book
from wholesale.models import Equipment, EquipmentOut, Item, Load, Order, OrderLine, Recipe
from wholesale.queries import catalogue
from wholesale.queries.workbook import saved

THURSDAY = date(2026, 3, 5)


def as_csv() -> dict[str, Content]:
    return dict(csv_files(saved()))


def as_spreadsheet() -> dict[str, Content]:
    return opened(saved_book(saved()))


BOTH = pytest.mark.parametrize("written", [as_csv, as_spreadsheet], ids=["csv", "xlsx"])


def days_of_work() -> None:
    """The demo with its orders, after a few days at the bench, the shelf and the desk."""
    builders.mossgate_rows(stock=True, orders=True)
    maker = builders.maker()
    for load_row in Load.objects.filter(day=THURSDAY).order_by("pk"):
        production.mark_done(by=maker, load=load_row.pk, good={p.pk: p.pieces for p in load_row.portions.all()})
    lot = stock.receive(
        by=maker, item="WHIPWAX", quantity=D("1000.5"), token="r1", supplier_lot="=1+1", place="cupboard"
    )
    stock.move_place(by=maker, lot=lot, quantity=D(200), to="bench", token="m1", place="cupboard")
    stock.hold(by=maker, lot="M-0302", because="Dust")
    stock.count(by=maker, lot="OIL-RG-118", found=D(2300), token="c1", because="Spilt", sure=True)
    stock.set_target(by=maker, item="FRN", scent="CF", pieces=12)
    known = catalogue.catalogue(THURSDAY).recipe("FRN")
    steps = [replace(step, targets="First line\r\nand second ") for step in known.operations]
    recipes.save(
        by=maker, item="FRN", base=1, lines=known.lines, operations=steps, valid_from=THURSDAY, because="Clearer"
    )
    ordered_and_broken(maker)
    bill_and_pay()
    Order.objects.filter(token="demo-3").update(note="Two lines\r\nof note")
    # A shop's words may look like a formula.
    Order.objects.filter(token="demo-4").update(po_number="=2+2")


def ordered_and_broken(maker: User) -> None:
    """Oil on order, twice; two of the pebble trays away, told one by one; a lead time, a price, oil that binds."""
    for grams, day in (("2000", 12), ("500", 20)):
        deliveries.order(
            by=maker, item="OIL-WS", quantity=D(grams), expected_on=date(2026, 3, day), token=grams, supplier="Hearth"
        )
    tray = Equipment.objects.get(code="TRAY-P")
    for because in ("Cracked", "Lent"):
        EquipmentOut.objects.create(equipment=tray, first="2026-11-02", last="2026-11-06", because=because)
    EquipmentOut.objects.create(equipment=tray, first="2026-12-01")
    Item.objects.filter(code="FRN").update(lead_days=4)
    Item.objects.filter(code="OIL-WS").update(binds_plan=True)
    Equipment.objects.filter(code="POT-A").update(price_e4=1_250_000)


def bill_and_pay() -> None:
    maker, line = builders.maker(), OrderLine.objects.get(order__token="demo-2")
    shipment = shipping.pack(by=maker, number=line.order.number, cases={line.pk: 2}, token="p1")
    number = invoicing.issue(by=maker, shipment=shipment)
    invoicing.record_payment(
        by=maker, shop="quillwort", amount=D(50), received_on=THURSDAY, reference="", token="q1", invoice=number
    )
    invoicing.record_payment(
        by=maker, shop="winterslip", amount=D("12.50"), received_on=THURSDAY, reference="too much", token="q2"
    )


@BOTH
@pytest.mark.django_db
def test_loading_what_was_saved_changes_no_column_of_any_row(written: Callable[[], dict[str, Content]]) -> None:
    days_of_work()
    before = every_row()

    report = workbook.load(files=written())

    assert [str(change) for change in report.changes] == []
    assert report.notes == ()
    assert every_row() == before
    # The days left something to save in every sheet but two.
    rows = saved()
    assert {sheet.FILE for sheet in SHEETS if not rows[sheet]} == {"days.csv", "substitutes.csv"}


@pytest.mark.django_db
def test_saving_asks_the_same_however_much_there_is(django_assert_num_queries: Any) -> None:
    """Currency (2), catalogue for lines, operations and batches (3 × 7), and 1 to 3 for each of the sheets."""
    builders.mossgate_rows(stock=True, orders=True)
    with CaptureQueriesContext(connection) as once:
        saved()
    assert len(once) < 70
    for slug in ("quillwort", "brindle-fen", "tallowmere"):
        builders.place(Shop.objects.get(slug=slug), ("SUC", 2, "RG"), ("PEB", 2, "CF"))
    bill_and_pay()

    with django_assert_num_queries(len(once)):
        saved()


# ── a dry run ────────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_a_dry_run_says_what_loading_would_change_and_writes_nothing() -> None:
    """New things, changed ones, removed ones, placed orders, first-day rows: all said, none written."""
    builders.mossgate_rows()
    before = every_row()
    files = put(builders.mossgate_files(), "price_list.csv", 2, "unit_price", "12.50")
    files = put(files, "tiers.csv", 3, "from_amount", "900")
    batch = "number,item,scent,step,day,pieces\n2026-1,SUC,RG,pour,2026-03-04,6\n"
    files["batches.csv"] = batch.encode()

    dry = workbook.load(files=files, dry_run=True)

    assert every_row() == before
    assert {change.how for change in dry.changes} == {"added", "changed", "removed"}
    assert workbook.load(files=files).changes == dry.changes
    assert every_row() != before


@pytest.mark.django_db
def test_a_dry_run_of_an_empty_installation_leaves_it_empty() -> None:
    before = every_row()

    assert workbook.load(files=builders.mossgate_files(), dry_run=True)

    assert every_row() == before
    assert not Item.objects.exists()


# ── what is open keeps what it began with ────────────────────────────────────


@pytest.mark.django_db
def test_a_changed_recipe_is_a_new_version_and_a_begun_batch_keeps_its_own() -> None:
    """Weighed by version 1 (8 % of the wax); the sheet's 9 % become version 2, and the batch stays what it was."""
    builders.mossgate_rows(stock=True, orders=True)
    pot = Load.objects.get(day=THURSDAY, what__code="BASE", scent="RG")
    batches.weigh(by=builders.maker(), load=pot.pk, weights={})
    lines_before = list(Recipe.objects.get(item__code="BASE", version=1).lines.values())

    # Row 3 of recipe_lines.csv: BASE, scent-oil, 0.08.
    report = workbook.load(
        files=put(builders.mossgate_files(), "recipe_lines.csv", 3, "quantity", "0.09"), by=builders.maker()
    )

    assert [str(change) for change in report.changes] == [
        "items.csv: BASE changed (recipe, version 2: The scent’s oil: 8\u00a0% of Soy wax → 9\u00a0% of Soy wax)",
    ]
    second = Recipe.objects.get(item__code="BASE", version=2)
    assert (second.valid_from, second.written_by, second.because) == (
        THURSDAY, builders.maker(), "Loaded with the workbook",
    )  # fmt: skip
    assert list(Recipe.objects.get(item__code="BASE", version=1).lines.values()) == lines_before
    pot.refresh_from_db()
    assert pot.recipes["BASE"] == 1
    open_orders = ", ".join(Order.objects.order_by("pk").values_list("number", flat=True))
    planned = Load.objects.filter(number=None).count()
    assert report.kept == (
        f"4 open orders keep the prices, terms and dates agreed when placed: {open_orders}.",
        f"1 begun batch keeps the recipe begun with: {pot.number}.",
        f"{planned} planned loads are not begun: what is made by them follows the recipes as they are now.",
        "Loads already planned stay where they are; “Plan again” on the queue places what no longer fits.",
    )


@pytest.mark.django_db
def test_a_changed_price_leaves_open_orders_at_theirs() -> None:
    builders.mossgate_rows(orders=True)
    before = list(OrderLine.objects.values())

    report = load(put(builders.mossgate_files("stock.csv"), "price_list.csv", 2, "unit_price", "13.00"))

    assert report.kept[0].endswith("agreed when placed: W-1001, W-1002, W-1003, W-1004.")
    assert list(OrderLine.objects.values()) == before


@pytest.mark.django_db
def test_an_open_order_stands_even_where_the_sheets_would_not_take_it_any_more() -> None:
    """Cases of 6 SUC were agreed; a case now holds 12. The saved order still says 6 of each case."""
    builders.mossgate_rows(orders=True)
    Item.objects.filter(code="SUC").update(case_pack=12)

    assert not workbook.load(files=as_csv())


@pytest.mark.django_db
def test_a_version_that_was_to_hold_later_is_told_to_be_overtaken() -> None:
    builders.mossgate_rows()
    known = catalogue.catalogue(THURSDAY).recipe("FRN")
    recipes.save(
        by=builders.maker(), item="FRN", base=1, lines=known.lines,
        operations=[replace(step, minutes_per_piece=D(9)) for step in known.operations],
        valid_from=THURSDAY + timedelta(days=7), because="From next week",
    )  # fmt: skip
    # What is saved is in force today; the later version stays as it is.
    assert not workbook.load(files=as_csv())

    # Row 16 of recipe_lines.csv: FRN takes 140 g of BASE.
    report = load(put(builders.mossgate_files("stock.csv", "orders.csv"), "recipe_lines.csv", 16, "quantity", "141"))

    assert [change.what for change in report.changes] == ["recipe, version 3"]
    [note] = report.notes
    assert note.endswith("version 2 of its recipe was to hold from Thu 12 Mar; it will not.")


# ── limits ───────────────────────────────────────────────────────────────────


@pytest.fixture
def heavy() -> Files:
    """12 % of oil on a wax that holds 10 %."""
    return put(builders.mossgate_files("stock.csv", "orders.csv"), "recipe_lines.csv", 3, "quantity", "0.12")


@pytest.mark.django_db
def test_a_limit_that_a_recipe_passes_is_told_once_and_refused_where_it_is_marked_hard(heavy: Files) -> None:
    load(builders.mossgate_files("stock.csv", "orders.csv"))

    # Row 2 of materials.csv: SOY.
    [complaint] = mistakes(put(heavy, "materials.csv", 2, "limits_refuse", "TRUE"))
    assert (complaint.file, complaint.row, complaint.column) == ("recipe_lines.csv", 3, "quantity")
    assert "12 g instead of 10 g in 100 g of wax" in complaint.message

    report = load(heavy)
    assert any("12 g instead of 10 g in 100 g of wax" in note for note in report.notes)
    assert load(heavy).notes == ()
    # It stands already: marking it hard afterwards stops nothing anew but the mark itself is new.
    assert not workbook.load(files=as_csv())


@pytest.mark.django_db
def test_heat_and_room_are_limits_of_the_steps_that_pass_them() -> None:
    files = builders.mossgate_files("stock.csv", "orders.csv")
    # Row 4 of operations.csv: SUC, pour; the oil RG takes 80 °C. 150 g of base in a cup with room for 140 g.
    files = put(put(files, "operations.csv", 4, "heat_c", "90"), "items.csv", 2, "room_g", "140")
    files = put(files, "items.csv", 2, "limits_refuse", "TRUE")

    found = {(c.file, c.row, c.column) for c in mistakes(files)}

    assert {("operations.csv", 4, "heat_c"), ("operations.csv", 4, "melt")} <= found


# ── new columns ──────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_the_bench_columns_are_stored_as_they_are_meant() -> None:
    files = builders.mossgate_files("stock.csv", "orders.csv")
    for file, row, column, value in (
        ("materials.csv", 2, "unit_cost", "6.8"), ("materials.csv", 2, "purchase_pack", "20000"),
        ("materials.csv", 2, "supplier", "Hearthwell"), ("materials.csv", 2, "supply_days", "6"),
        ("materials.csv", 2, "cautions", "Keep dry."), ("materials.csv", 2, "room_g", "0"),
        ("items.csv", 2, "samples_per_batch", "1"), ("items.csv", 2, "shortage_risk", "0.05"),
        ("items.csv", 5, "keeps_leftover", "TRUE"), ("items.csv", 2, "limits_refuse", "TRUE"),
        ("equipment.csv", 2, "load_basis", "carrier"), ("operations.csv", 4, "yield_share", "0.97"),
        ("operations.csv", 4, "heat_c", "75"), ("operations.csv", 4, "minutes_min", "120"),
    ):  # fmt: skip
        files = put(files, file, row, column, value)

    load(files)

    goods = catalogue.catalogue(THURSDAY)
    soy, cup, pour = goods.items["SOY"], goods.items["SUC"], goods.steps("SUC")[0]
    assert (soy.unit_cost, soy.purchase_pack, soy.supplier, soy.supply_days, soy.cautions) == (
        D("6.8"), 20_000, "Hearthwell", 6, "Keep dry.",
    )  # fmt: skip
    assert (cup.samples_per_batch, cup.shortage_risk, cup.limits_refuse) == (1, D("0.05"), True)
    assert goods.items["BASE"].keeps_leftover
    assert goods.equipment["POT-A"].load_basis == "carrier"
    assert (pour.yield_share, pour.heat_c, pour.minutes_min) == (D("0.97"), 75, 120)
    assert not load(files)


@pytest.mark.django_db
def test_parts_may_have_several_steps_and_be_made_of_parts() -> None:
    files = builders.mossgate_files("stock.csv", "orders.csv")
    files = append(files, "operations.csv", item="ROSETTE", code="trim", name="Trim", hands="bench")
    files = append(files, "recipe_lines.csv", item="PEBBLE", component="ROSETTE", basis="per_piece", quantity="1")

    load(files)

    assert [step.code for step in catalogue.catalogue(THURSDAY).steps("ROSETTE")] == ["cast", "trim"]


# ── the command ──────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_the_command_saves_and_loads_both_forms_and_says_what_a_dry_run_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    builders.mossgate_rows(stock=True)
    for path in (tmp_path / "sheets", tmp_path / "book.xlsx"):
        call_command("workbook", "save", str(path))
        call_command("workbook", "load", str(path))
        assert capsys.readouterr().out == f"Saved to {path}.\nNothing to change.\n"
        with pytest.raises(CommandError, match=r"not empty|can't be written"):
            call_command("workbook", "save", str(path))
    tiers = tmp_path / "sheets" / "tiers.csv"
    tiers.write_text(tiers.read_text().replace("1000,10", "1000,12"))
    before = every_row()

    call_command("workbook", "load", "--dry-run", str(tmp_path / "sheets"))

    assert capsys.readouterr().out.splitlines()[:2] == [
        "tiers.csv: 1000 changed (percent: 10 → 12)",
        "Nothing was written; loading it means: 1 changed.",
    ]
    assert every_row() == before


@pytest.mark.django_db
def test_the_command_writes_a_template_that_says_when_loaded_that_its_examples_are_still_there(
    tmp_path: Path,
) -> None:
    call_command("workbook", "template", str(tmp_path / "new.xlsx"))

    with pytest.raises(CommandError, match=r"materials, row 2, example \(cell P2\): .*the template's example"):
        call_command("workbook", "load", str(tmp_path / "new.xlsx"))
    with pytest.raises(CommandError, match=r"ends in \.xlsx"):
        call_command("workbook", "template", str(tmp_path / "new.csv"))
    assert not Item.objects.exists()
