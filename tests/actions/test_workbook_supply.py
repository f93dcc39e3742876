"""Sheets of the plan's supply: what binds, what is on order, what is out of use; loaded, loaded again, refused."""

from datetime import date
from decimal import Decimal as D

import pytest

from tests import builders
from tests.sheets import Files, append, load, mistakes, packed, put
from wholesale.actions import deliveries
from wholesale.core.production.work import Outage
from wholesale.models import Equipment, EquipmentOut, ExpectedDelivery, Item
from wholesale.queries import production, workshop

pytestmark = pytest.mark.django_db

ON_ORDER = ("item", "scent", "quantity", "ordered_on", "expected_on", "supplier", "reference")
OUT = ("equipment", "count", "first", "last", "because")


def files() -> Files:
    """The demo, with oil on order and a tray away."""
    demo = builders.mossgate_files("stock.csv", "orders.csv")
    return {
        **demo,
        "deliveries.csv": packed([ON_ORDER, ("OIL-RG", "", "1500", "2026-03-02", "2026-03-10", "Hearth", "A-7")]),
        "outages.csv": packed([OUT, ("TRAY-P", "1", "2026-03-09", "2026-03-13", "Cracked")]),
    }


def binding(sheets: Files) -> Files:
    """The plan waits for rain garden oil; cups have a lead time of their own, pot A has a price."""
    rows = {"materials.csv": ("OIL-RG", "binds_plan", "TRUE"), "items.csv": ("SUC", "lead_days", "5"),
            "equipment.csv": ("POT-A", "price", "125.5")}  # fmt: skip
    for file, (code, column, value) in rows.items():
        lines = sheets[file].decode("utf-8-sig").splitlines()
        row = next(number for number, line in enumerate(lines, 1) if line.startswith(f"{code},"))
        sheets = put(sheets, file, row, column, value)
    return sheets


def test_the_new_columns_and_sheets_are_loaded() -> None:
    """As they stand there; the planner sees them."""
    load(binding(files()))

    assert Item.objects.get(code="OIL-RG").binds_plan
    assert Item.objects.get(code="SUC").lead_days == 5
    assert Equipment.objects.get(code="POT-A").price_e4 == 1_255_000
    shop = production.planner(workshop.workshop())
    assert shop.outages == (Outage(equipment="TRAY-P", count=1, first=date(2026, 3, 9), last=date(2026, 3, 13)),)
    assert shop.catalogue.equipment["POT-A"].price == D("125.5")
    assert [(row.quantity, row.usable_on) for row in production.on_order()] == [(1500, date(2026, 3, 10))]


def test_the_same_sheets_again_change_nothing() -> None:
    """Loaded twice."""
    load(binding(files()))

    assert load(binding(files())).changes == ()


def test_a_delivery_that_has_come_is_left_alone() -> None:
    """The old sheet loaded again orders nothing twice, and says so."""
    load(files())
    row = ExpectedDelivery.objects.get()
    deliveries.receive(by=builders.maker(), delivery=row.pk, quantity=D(1500), token="t")
    report = load(files())

    assert report.changes == ()
    assert any("A-7 has come already, or was called off" in note for note in report.notes)
    assert ExpectedDelivery.objects.count() == 1


def test_a_delivery_is_known_again_by_its_number() -> None:
    """Another day and quantity of the same number change the row."""
    load(files())
    moved = put(put(files(), "deliveries.csv", 2, "expected_on", "2026-03-17"), "deliveries.csv", 2, "quantity", "1000")
    load(moved)

    assert ExpectedDelivery.objects.values_list("quantity", "expected_on").get() == (1_000_000, date(2026, 3, 17))


def test_an_outage_left_out_no_longer_applies_and_one_that_is_past_stays() -> None:
    """The tray is back; what was out last month is history."""
    load(files())
    tray = Equipment.objects.get(code="TRAY-P")
    EquipmentOut.objects.create(equipment=tray, first="2026-02-02", last="2026-02-06")
    load({**files(), "outages.csv": packed([OUT])})

    assert [str(row.first) for row in EquipmentOut.objects.all()] == ["2026-02-02"]


@pytest.mark.parametrize(
    ("file", "column", "value", "words"),
    [
        ("outages.csv", "equipment", "TRAY-X", "TRAY-X"),
        ("outages.csv", "count", "3", "there are 2 of it"),
        ("outages.csv", "last", "2026-03-01", "before the first day"),
        ("deliveries.csv", "item", "OIL-XX", "OIL-XX"),
        ("deliveries.csv", "item", "ROSETTE", "whole number"),
        ("deliveries.csv", "expected_on", "2026-03-01", "comes before it was ordered"),
        ("deliveries.csv", "quantity", "0", "0"),
    ],
)
def test_what_makes_no_sense_is_named_by_row_and_column(file: str, column: str, value: str, words: str) -> None:
    """One cell changed; nothing is written."""
    sheets = put(files(), file, 2, column, value)
    if value == "ROSETTE":
        sheets = put(sheets, file, 2, "quantity", "1.5")
        column = "quantity"
    found = mistakes(sheets)

    assert [(one.file, one.row, one.column) for one in found] == [(file, 2, column)]
    assert words in str(found[0])


def test_a_product_is_not_on_order() -> None:
    """Cups are made here."""
    sheets = append(files(), "deliveries.csv", item="SUC", scent="RG", quantity="6", ordered_on="2026-03-02",
                    expected_on="2026-03-10")  # fmt: skip

    assert [(one.column, "made here" in one.message) for one in mistakes(sheets)] == [("item", True)]
