"""A workshop of one candle: the example rows of the template, which together make a workbook that loads."""

from datetime import date, time
from decimal import Decimal

from wholesale.core.catalogue import Basis, ItemKind, Unit
from wholesale.core.production.calendar import DayKind
from wholesale.core.workbook.cells import SCENT_OIL
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import (
    AddressRow,
    BatchRow,
    DayRow,
    DeliveryRow,
    EquipmentRow,
    ItemRow,
    MaterialRow,
    OpenCreditRow,
    OpenInvoiceRow,
    OperationRow,
    OrderRow,
    OutageRow,
    PersonRow,
    PriceRow,
    RecipeLineRow,
    ScentRow,
    SeriesRow,
    SettingRow,
    ShopRow,
    StockRow,
    SubstituteRow,
    TargetRow,
    TierRow,
    WeekRow,
)

_CAUTION = (
    "Stay with melting wax. Heat it gently and indirectly, with a thermometer in it. Keep a lid and a dry-chemical "
    "extinguisher within reach; never put water on burning wax. Your local code and your insurer decide."
)


def _address(kind: str) -> AddressRow:
    return AddressRow(
        shop="plum-row", kind=kind, name="Plum Row", line1="3 Plum Row", city="Harrowmoor", region="NY",
        postcode="00141", country="US", default=True,
    )  # fmt: skip


def _worked(weekday: int) -> WeekRow:
    return WeekRow(weekday=weekday, kind=DayKind.WORK, opens=time(8), closes=time(17), hands={"bench": 360})


EXAMPLES: tuple[Row, ...] = (
    SettingRow(name="name", value="Your workshop"),
    *map(_worked, range(5)),
    WeekRow(weekday=5, kind=DayKind.MARKET),
    WeekRow(weekday=6, kind=DayKind.CLOSED),
    DayRow(day=date(2026, 12, 25), kind=DayKind.CLOSED, note="Holiday"),
    MaterialRow(
        code="WAX",
        name="Container wax",
        unit=Unit.GRAM,
        max_load=Decimal("0.1"),
        heating_limit_c=Decimal(85),
        unit_cost=Decimal(7),
        purchase_pack=Decimal(20000),
        supplier="Your supplier",
        supply_days=6,
        binds_plan=True,
    ),
    MaterialRow(
        code="WAX-2", name="Another wax", unit=Unit.GRAM, max_load=Decimal("0.08"), heating_limit_c=Decimal(85)
    ),
    MaterialRow(
        code="OIL-LV", name="Lavender oil", unit=Unit.GRAM, flash_point_c=Decimal(71), heating_limit_c=Decimal(80)
    ),
    MaterialRow(
        code="JAR",
        name="Jar",
        unit=Unit.PIECE,
        room_g=Decimal(200),
        unit_cost=Decimal("0.9"),
        purchase_pack=Decimal(24),
    ),
    SubstituteRow(item="WAX", substitute="WAX-2"),
    ItemRow(
        code="JAR-CANDLE",
        name="Jar candle",
        kind=ItemKind.PRODUCT,
        unit=Unit.PIECE,
        scented=True,
        case_pack=6,
        retail_price=Decimal(20),
        net_weight_g=Decimal(180),
        lead_days=3,
    ),
    ItemRow(code="MELT", name="Scented melt", kind=ItemKind.PART, unit=Unit.GRAM, scented=True, loss=Decimal("0.03")),
    ScentRow(code="LV", name="Lavender", oil="OIL-LV", rank=1),
    EquipmentRow(code="POT", name="Pot", kind="pot", load_g=Decimal(4000), loads_per_day=2, price=Decimal(240)),
    OutageRow(equipment="POT", first=date(2026, 12, 28), last=date(2026, 12, 31), because="To be repaired"),
    RecipeLineRow(item="MELT", component="WAX", basis=Basis.SHARE, quantity=Decimal(1)),
    RecipeLineRow(
        item="MELT", component=SCENT_OIL, basis=Basis.LOAD_ON_CARRIER, quantity=Decimal("0.08"), carrier="WAX"
    ),
    RecipeLineRow(item="JAR-CANDLE", component="MELT", basis=Basis.PER_PIECE, quantity=Decimal(180), step="pour"),
    RecipeLineRow(item="JAR-CANDLE", component="JAR", basis=Basis.PER_PIECE, quantity=Decimal(1), step="pour"),
    OperationRow(
        item="JAR-CANDLE",
        code="pour",
        name="Pour",
        equipment="POT",
        melt="MELT",
        hands="bench",
        minutes_per_piece=Decimal(3),
        yield_share=Decimal("0.97"),
        heat_c=Decimal(75),
        nights_min=1,
        cure_days=10,
        cautions=_CAUTION,
    ),
    OperationRow(item="JAR-CANDLE", code="finish", name="Finish", hands="bench", minutes_per_piece=Decimal(2)),
    PriceRow(price_list="2026", valid_from=date(2026, 1, 1), item="JAR-CANDLE", unit_price=Decimal(10)),
    TierRow(from_amount=Decimal(500), percent=Decimal(5)),
    ShopRow(
        shop="plum-row",
        trade_name="Plum Row",
        legal_name="Plum Row LLC",
        country="US",
        email="bills@plumrow.example",
        opened_on=date(2025, 5, 12),
        last_order_on=date(2026, 1, 19),
    ),
    _address("ship_to"),
    _address("bill_to"),
    PersonRow(email="maker@workshop.example", name="You", staff_role="maker"),
    PersonRow(email="buyer@plumrow.example", name="Their buyer", shop="plum-row", shop_role="buyer"),
    StockRow(
        lot="WAX-118",
        item="WAX",
        made_on=date(2026, 1, 15),
        usable_on=date(2026, 1, 15),
        quantity=Decimal(20000),
        supplier="Your supplier",
        supplier_lot="A-77",
        expires_on=date(2028, 1, 31),
    ),
    DeliveryRow(
        item="WAX",
        quantity=Decimal(20000),
        ordered_on=date(2026, 3, 2),
        expected_on=date(2026, 3, 9),
        supplier="Your supplier",
        reference="A-1",
    ),
    TargetRow(item="JAR-CANDLE", scent="LV", pieces=6),
    OrderRow(
        token="first-day-1",  # noqa: S106  (names an order)
        shop="plum-row",
        by="buyer@plumrow.example",
        po_number="PR-12",
        confirmed=True,
        item="JAR-CANDLE",
        cases=2,
        mix=(("LV", 0),),
    ),
    BatchRow(
        number="2026-14",
        item="JAR-CANDLE",
        scent="LV",
        step="pour",
        day=date(2026, 3, 2),
        pieces=12,
        order="first-day-1",
    ),
    OpenInvoiceRow(
        number="2026-0031",
        shop="plum-row",
        issued_on=date(2026, 2, 10),
        due_on=date(2026, 3, 12),
        net=Decimal(240),
        tax=Decimal("15.60"),
        gross=Decimal("255.60"),
        paid=Decimal(100),
    ),
    OpenCreditRow(shop="plum-row", reference="Credit note 2026-C2", dated=date(2026, 2, 20), amount=Decimal("12.50")),
    SeriesRow(series="INV-", next_number=32),
)
