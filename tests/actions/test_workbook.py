"""Loading the workbook: all of it or nothing, and twice is once."""

from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from accounts.models import Address, Shop, User
from tests import builders
from tests.sheets import Files, append, drop, every_row, load, mistakes, put
from wholesale import clock
from wholesale.actions import orders, workbook
from wholesale.core.catalogue import Sku
from wholesale.core.workbook.sheets import SHEETS
from wholesale.models import (
    CalendarDay,
    Item,
    Order,
    PlanState,
    Price,
    Recipe,
    Setting,
    SheetRefresh,
    StockMovement,
    Tier,
)
from wholesale.queries import catalogue, production


@pytest.fixture
def files() -> Files:
    """The demo folder without the sheets that may be missing, but for the tiers."""
    return builders.mossgate_files("days.csv", "stock.csv", "orders.csv")


# ── twice is once ────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_loading_the_same_folder_twice_changes_no_column_of_any_row() -> None:
    builders.mossgate_rows(stock=True, orders=True)
    before = every_row()

    with clock.at("2026-03-06T09:30"):
        again = builders.mossgate_rows(stock=True, orders=True)

    assert not again
    assert every_row() == before
    assert all(before[name] for name in ("Item", "Order", "StockMovement", "Load", "OrderEvent", "User", "ShopAccount"))


@pytest.mark.django_db
def test_the_command_says_what_it_did_and_that_there_is_nothing_to_change(
    capsys: pytest.CaptureFixture[str],
) -> None:
    call_command("workbook", "load", str(builders.MOSSGATE))
    first = capsys.readouterr().out
    call_command("workbook", "load", str(builders.MOSSGATE))

    assert "items.csv: SUC added" in first
    assert "orders.csv: demo-1 SUC RG added (order W-1001)" in first
    assert capsys.readouterr().out == "Nothing to change.\n"


# ── changes ──────────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_a_changed_price_is_changed_and_reported_and_the_plan_version_grows(files: Files) -> None:
    load(files)
    version = PlanState.objects.get().version

    report = load(put(files, "price_list.csv", 2, "unit_price", "12.50"))

    assert [str(change) for change in report.changes] == ["price_list.csv: 2026 SUC changed (unit_price: 12 → 12.5)"]
    assert Price.objects.get(item__code="SUC").unit_price_e4 == 125_000
    assert PlanState.objects.get().version == version + 1


@pytest.mark.django_db
def test_the_order_sheets_dates_are_asked_for_anew_when_something_changed(files: Files) -> None:
    load(files)
    SheetRefresh.objects.all().delete()

    load(files)
    assert not SheetRefresh.objects.exists()

    load(put(files, "week.csv", 2, "hands", "bench=200"))
    assert SheetRefresh.objects.filter(state="waiting").count() == 1


@pytest.mark.django_db
def test_a_changed_recipe_becomes_its_next_version_from_today_and_the_old_one_stays(files: Files) -> None:
    load(files)
    # Row 10 of recipe_lines.csv: SUC takes 150 g of BASE.
    report = load(put(files, "recipe_lines.csv", 10, "quantity", "155"))

    assert [(change.what, change.details) for change in report.changes] == [
        ("recipe, version 2", ("Base melt: 150 g a piece → 155 g a piece",)),
    ]  # fmt: skip
    assert Recipe.objects.filter(item__code="SUC").count() == 2
    assert base_of_a_cup(clock.today()) == Decimal(155)
    assert base_of_a_cup(date(2026, 3, 4)) == Decimal(150)


def base_of_a_cup(on: date) -> Decimal:
    lines = catalogue.catalogue(on).recipe("SUC").lines
    return next(line.quantity for line in lines if line.component == "BASE")


@pytest.mark.django_db
def test_rules_left_out_no_longer_apply_but_items_and_shops_stay(files: Files) -> None:
    load({**files, "days.csv": b"day,kind,note\n2026-03-12,closed,Away\n"})
    assert not production.calendar().is_work(date(2026, 3, 12))

    # settings row 3: legal_name; tiers row 3: 1000 → 10 %; shops row 6: winterslip with its addresses and person.
    fewer = drop(drop(files, "settings.csv", 3), "tiers.csv", 3)
    fewer = drop(drop(drop(fewer, "shops.csv", 6), "addresses.csv", 11, 12), "people.csv", 10)
    report = load({**fewer, "days.csv": b"day,kind,note\n"})

    assert {change.key for change in report.of("removed")} == {"legal_name", "1000", "2026-03-12"}
    assert not Setting.objects.filter(name="legal_name").exists()
    assert list(Tier.objects.values_list("from_minor", flat=True)) == [50_000]
    assert not CalendarDay.objects.exists()
    assert Shop.objects.filter(slug="winterslip").exists()


@pytest.mark.django_db
def test_a_sheet_that_may_be_missing_leaves_what_is_stored_alone(files: Files) -> None:
    load({**files, "days.csv": b"day,kind,note\n2026-03-12,closed,Away\n"})

    assert not load(files)
    assert CalendarDay.objects.count() == 1


@pytest.mark.django_db
def test_a_new_default_address_takes_the_old_ones_place(files: Files) -> None:
    load(files)
    # Rows 2 and 3 are the two delivery addresses of brindle-fen: door and market hall.
    files = put(put(files, "addresses.csv", 2, "default", "FALSE"), "addresses.csv", 3, "default", "TRUE")
    load(files)

    chosen = Address.objects.get(shop__slug="brindle-fen", kind="ship_to", is_default=True)
    assert chosen.name == "Brindle & Fen, market hall"
    assert not load(files)


@pytest.mark.django_db
def test_a_password_is_given_to_new_people_only(files: Files) -> None:
    load(files)
    assert not User.objects.get(email="ada@mossgate.example").has_usable_password()

    workbook.load(
        files=append(files, "people.csv", email="New@Mossgate.example", name="New", staff_role="helper"),
        first_password="first-of-all-26",
    )

    assert User.objects.get(email="new@mossgate.example").check_password("first-of-all-26")
    assert not User.objects.get(email="ada@mossgate.example").has_usable_password()


# ── stock: the ledger only grows ─────────────────────────────────────────────


@pytest.mark.django_db
def test_a_corrected_quantity_is_booked_as_a_movement_of_its_own() -> None:
    builders.mossgate_rows(stock=True)
    files = builders.mossgate_files("orders.csv")

    report = load(put(files, "stock.csv", 2, "quantity", "30"))

    # 24 pieces at first, 30 now: + 6.
    assert [change.what for change in report.changes] == ["+6 pieces booked"]
    moved = StockMovement.objects.filter(lot__code="M-0217").order_by("pk").values_list("quantity", flat=True)
    assert list(moved) == [24, 6]
    assert not load(put(files, "stock.csv", 2, "quantity", "30"))


@pytest.mark.django_db
def test_a_lot_can_not_shrink_below_what_is_reserved_of_it() -> None:
    builders.mossgate_rows(stock=True)
    # One case of FRN in CF is 12 pieces, and 24 lie on the shelf.
    builders.place(Shop.objects.get(slug="quillwort"), ("FRN", 2, "CF"))
    files = builders.mossgate_files("orders.csv")

    [complaint] = mistakes(put(files, "stock.csv", 2, "quantity", "23"))

    assert (complaint.file, complaint.row, complaint.column) == ("stock.csv", 2, "quantity")
    assert complaint.message.startswith("24 of this lot are reserved")


@pytest.mark.django_db
def test_grams_are_booked_in_whole_milligrams_and_cured_stock_is_free_from_its_day() -> None:
    builders.mossgate_rows(stock=True)

    assert StockMovement.objects.get(lot__code="SOY-2291").quantity == 45_000_000
    free = {on_hand.sku: (on_hand.usable_on, on_hand.quantity) for on_hand in production.free_stock()}
    assert free[Sku("PEB", "WS")] == (date(2026, 3, 6), Fraction(12))
    assert not any(sku.item == "SUC" for sku in free)


# ── orders ───────────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_open_orders_are_placed_once_and_confirmed_where_the_sheet_says_so() -> None:
    builders.mossgate_rows(stock=True, orders=True)

    states = dict(Order.objects.order_by("number").values_list("token", "state"))
    assert states == {"demo-1": "confirmed", "demo-2": "confirmed", "demo-3": "placed", "demo-4": "placed"}
    first = Order.objects.get(token="demo-1")
    # 2 cases of SUC = 2 × 72 = 144 ≥ 120, the reorder minimum; freight 18.
    assert (first.list_minor, first.total_minor, first.deposit_minor) == (14_400, 16_200, 0)
    opening = Order.objects.get(token="demo-3")
    # S1: 2 × 72 + 2 × 60 = 264 ≥ 240, the opening minimum; 282 with freight, half of it as a deposit.
    assert (opening.list_minor, opening.total_minor, opening.deposit_minor) == (26_400, 28_200, 14_100)
    assert [(s.scent, s.pieces_per_case) for s in opening.lines.get(item__code="PEB").scents.all()] == [
        ("RG", 2), ("CF", 2), ("WS", 2),
    ]  # fmt: skip


@pytest.mark.django_db
def test_an_order_refused_by_the_trade_takes_the_whole_workbook_with_it() -> None:
    files = builders.mossgate_files("stock.csv")
    # Row 2 is demo-1; with one SUC case: 72 < 120, the reorder minimum.
    files = put(files, "orders.csv", 2, "cases", "1")

    [complaint] = mistakes(files)

    assert (complaint.file, complaint.row, complaint.column) == ("orders.csv", 2, "cases")
    # 120 − 72
    assert "48" in complaint.message
    assert not Item.objects.exists()


@pytest.mark.django_db
def test_a_token_of_a_placed_order_can_not_stand_for_other_lines() -> None:
    builders.mossgate_rows(orders=True)
    files = builders.mossgate_files("stock.csv")

    [complaint] = mistakes(put(files, "orders.csv", 2, "cases", "3"))

    assert (complaint.row, complaint.found) == (2, "demo-1")
    assert "W-1001" in complaint.message


@pytest.mark.django_db
def test_an_order_the_maker_refused_is_not_confirmed_by_the_sheet() -> None:
    builders.mossgate_rows(orders=True)
    files = builders.mossgate_files("stock.csv")
    number = Order.objects.get(token="demo-3").number
    orders.refuse(by=builders.maker(), number=number, because="We can't make these in time.")

    # Rows 4 and 5 are demo-3.
    load(put(put(files, "orders.csv", 4, "confirmed", "TRUE"), "orders.csv", 5, "confirmed", "TRUE"))

    assert Order.objects.get(number=number).state == "refused"


# ── the command ──────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_the_command_ends_with_the_list_of_mistakes(tmp_path: Path, files: Files) -> None:
    for name, content in put(files, "items.csv", 2, "case_pack", "0").items():
        (tmp_path / name).write_bytes(content)
    (tmp_path / ".~lock.items.csv#").touch()

    with pytest.raises(
        CommandError, match=r"one mistake; nothing was loaded.*\nitems.csv, row 2, case_pack: found '0'"
    ):
        call_command("workbook", "load", str(tmp_path))
    assert not Item.objects.exists()


@pytest.mark.django_db
def test_the_command_says_that_planned_loads_stay_when_the_bench_changed(
    tmp_path: Path, files: Files, capsys: pytest.CaptureFixture[str]
) -> None:
    load(files)
    for name, content in put(files, "equipment.csv", 2, "loads_per_day", "1").items():
        (tmp_path / name).write_bytes(content)

    call_command("workbook", "load", str(tmp_path))

    assert capsys.readouterr().out.splitlines() == [
        "equipment.csv: POT-A changed (loads_per_day: 2 → 1)",
        "Loaded: 1 changed.",
        "Loads already planned stay where they are; “Plan again” on the queue places what no longer fits.",
    ]


def test_the_command_says_when_there_is_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="There is no folder"):
        call_command("workbook", "load", str(tmp_path / "nowhere"))


def test_the_command_lists_every_file_and_column(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("workbook", "columns")
    out = capsys.readouterr().out

    for sheet in SHEETS:
        assert f"{sheet.FILE}" in out
        assert all(f"  {column}" in out for column in sheet.columns())
