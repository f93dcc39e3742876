"""The sheets of a workbook: for each file its columns, one frozen row class a file.

A column without a default must be there and filled in; one with a default may be
left empty, or left out altogether.
"""

from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from typing import Annotated

from wholesale.core.catalogue import Basis, ItemKind, Unit
from wholesale.core.production.calendar import DayKind
from wholesale.core.workbook import cells
from wholesale.core.workbook.rows import Row

#: What stands in open_credits.csv for a payment that came without any words.
NO_REFERENCE = "without reference"


@dataclass(frozen=True, kw_only=True)
class SettingRow(Row):
    """A rule of the house that differs from its default; those left out keep it."""

    FILE = "settings.csv"
    KEY = ("name",)
    name: Annotated[str, cells.text(60)]
    value: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class WeekRow(Row):
    """The rule of one weekday."""

    FILE = "week.csv"
    KEY = ("weekday",)
    weekday: Annotated[int, cells.WEEKDAY]
    kind: Annotated[DayKind, cells.DAY_KIND]
    opens: Annotated[time | None, cells.CLOCK_TIME] = None
    closes: Annotated[time | None, cells.CLOCK_TIME] = None
    hands: Annotated[dict[str, int | None] | None, cells.HANDS] = None


@dataclass(frozen=True, kw_only=True)
class DayRow(Row):
    """A day that differs from its weekday's rule: a market, a holiday, an extra work day."""

    FILE = "days.csv"
    KEY = ("day",)
    OPTIONAL = True
    day: Annotated[date, cells.DAY]
    kind: Annotated[DayKind, cells.DAY_KIND]
    opens: Annotated[time | None, cells.CLOCK_TIME] = None
    closes: Annotated[time | None, cells.CLOCK_TIME] = None
    hands: Annotated[dict[str, int | None] | None, cells.HANDS] = None
    note: Annotated[str, cells.text(120)] = ""


@dataclass(frozen=True, kw_only=True)
class MaterialRow(Row):
    """Something bought. ``max_load`` is the most oil it holds, as a share of it; temperatures are the supplier's.

    ``unit_cost`` is for a piece, or for a kilogram of what is counted in grams;
    ``purchase_pack`` the pieces or grams it is bought in; ``supply_days`` the calendar
    days from ordering to having it; ``room_g`` what a vessel has room for.
    ``limits_refuse`` turns its limits from warnings into refusals. What takes a material
    that ``binds_plan`` is planned for the day it is in stock, or comes by deliveries.csv.
    """

    FILE = "materials.csv"
    KEY = ("code",)
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(120)]
    unit: Annotated[Unit, cells.UNIT]
    max_load: Annotated[Decimal | None, cells.SHARE] = None
    flash_point_c: Annotated[Decimal | None, cells.HEAT] = None
    heating_limit_c: Annotated[Decimal | None, cells.HEAT] = None
    limits_refuse: Annotated[bool, cells.FLAG] = False
    room_g: Annotated[Decimal | None, cells.GRAMS] = None
    unit_cost: Annotated[Decimal | None, cells.MONEY] = None
    purchase_pack: Annotated[Decimal | None, cells.number(least="0.001", places=3)] = None
    supplier: Annotated[str, cells.text(120)] = ""
    supply_days: Annotated[int, cells.whole(0, 3650)] = 0
    binds_plan: Annotated[bool, cells.FLAG] = False
    description: Annotated[str, cells.text(2000)] = ""
    cautions: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class ItemRow(Row):
    """A part or a product and how it is sold; ``retail_price`` is what shops are advised to ask.

    Of each batch ``samples_per_batch`` pieces are kept back. ``shortage_risk`` is the
    chance of too few good pieces that is accepted, as a share (empty: the workshop's own);
    ``keeps_leftover`` says that what is left of a melt is kept and used first. ``lead_days``
    are working days from ordering to leaving at the least (empty: the workshop's own).
    """

    FILE = "items.csv"
    KEY = ("code",)
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(120)]
    kind: Annotated[ItemKind, cells.MADE_KIND]
    unit: Annotated[Unit, cells.UNIT]
    scented: Annotated[bool, cells.FLAG] = False
    case_pack: Annotated[int, cells.whole(1)] = 1
    mix_scents: Annotated[int, cells.whole(1)] = 1
    mix_least: Annotated[int, cells.whole(1)] = 1
    loss: Annotated[Decimal, cells.LOSS] = Decimal(0)
    yield_share: Annotated[Decimal, cells.YIELD] = Decimal(1)
    samples_per_batch: Annotated[int, cells.whole(0)] = 0
    shortage_risk: Annotated[Decimal | None, cells.RISK] = None
    room_g: Annotated[Decimal | None, cells.GRAMS] = None
    keeps_leftover: Annotated[bool, cells.FLAG] = False
    limits_refuse: Annotated[bool, cells.FLAG] = False
    on_sale: Annotated[bool, cells.FLAG] = True
    gtin: Annotated[str, cells.GTIN] = ""
    retail_price: Annotated[Decimal | None, cells.MONEY] = None
    net_weight_g: Annotated[Decimal | None, cells.GRAMS] = None
    unit_cost: Annotated[Decimal | None, cells.MONEY] = None
    lead_days: Annotated[int | None, cells.whole(0, 3650)] = None
    description: Annotated[str, cells.text(2000)] = ""
    cautions: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class SubstituteRow(Row):
    """A material that may stand in for another, weight for weight; rows left out no longer do."""

    FILE = "substitutes.csv"
    KEY = ("item", "substitute")
    OPTIONAL = True
    item: Annotated[str, cells.CODE]
    substitute: Annotated[str, cells.CODE]


@dataclass(frozen=True, kw_only=True)
class ScentRow(Row):
    """A scent, its oil (a material), and its place in the order of work, faint before strong."""

    FILE = "scents.csv"
    KEY = ("code",)
    code: Annotated[str, cells.code(20)]
    name: Annotated[str, cells.text(80)]
    oil: Annotated[str, cells.CODE]
    rank: Annotated[int, cells.whole(0)] = 0


@dataclass(frozen=True, kw_only=True)
class EquipmentRow(Row):
    """What holds a load; an empty ``loads_per_day`` never binds.

    ``load_basis`` says whether ``load_g`` counts all that is in it (total) or the wax alone (carrier).
    ``price`` is what one more of it costs.
    """

    FILE = "equipment.csv"
    KEY = ("code",)
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(80)]
    kind: Annotated[str, cells.text(40)]
    count: Annotated[int, cells.whole(1)] = 1
    load_g: Annotated[Decimal | None, cells.number(least="0.001", places=3)] = None
    load_pieces: Annotated[int | None, cells.whole(1)] = None
    load_basis: Annotated[str, cells.one_of("total", "carrier")] = "total"
    loads_per_day: Annotated[int | None, cells.whole(1)] = None
    hold_minutes: Annotated[int, cells.whole(0)] = 0
    window_minutes: Annotated[int | None, cells.whole(1)] = None
    price: Annotated[Decimal | None, cells.MONEY] = None


@dataclass(frozen=True, kw_only=True)
class OutageRow(Row):
    """So many of an equipment that can't be used from one day to another; no last day: until further notice.

    Rows left out no longer apply; what is past stays.
    """

    FILE = "outages.csv"
    KEY = ("equipment", "first", "last")
    OPTIONAL = True
    equipment: Annotated[str, cells.CODE]
    count: Annotated[int, cells.whole(1)] = 1
    first: Annotated[date, cells.DAY]
    last: Annotated[date | None, cells.DAY] = None
    because: Annotated[str, cells.text(200)] = ""


@dataclass(frozen=True, kw_only=True)
class RecipeLineRow(Row):
    """One component of an item; rows of an item stand in the order they are weighed in."""

    FILE = "recipe_lines.csv"
    KEY = ("item", "component", "step", "basis")
    item: Annotated[str, cells.CODE]
    component: Annotated[str, cells.CODE]
    basis: Annotated[Basis, cells.BASIS]
    quantity: Annotated[Decimal, cells.number(least="0.000001")]
    carrier: Annotated[str, cells.CODE] = ""
    step: Annotated[str, cells.CODE] = ""


@dataclass(frozen=True, kw_only=True)
class OperationRow(Row):
    """One step of making an item; rows of an item stand in the order they are done.

    ``yield_share`` of the pieces come good out of it; ``heat_c`` is the temperature it
    heats to; ``minutes_min`` go by at least before the next step of the same day.
    """

    FILE = "operations.csv"
    KEY = ("item", "code")
    item: Annotated[str, cells.CODE]
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(80)]
    equipment: Annotated[str, cells.CODE] = ""
    melt: Annotated[str, cells.CODE] = ""
    hands: Annotated[str, cells.CODE] = ""
    minutes_per_piece: Annotated[Decimal, cells.number(most="10000", places=3)] = Decimal(0)
    minutes_per_load: Annotated[Decimal, cells.number(most="10000", places=3)] = Decimal(0)
    yield_share: Annotated[Decimal, cells.YIELD] = Decimal(1)
    heat_c: Annotated[Decimal | None, cells.HEAT] = None
    nights_min: Annotated[int, cells.whole(0, 3650)] = 0
    minutes_min: Annotated[int, cells.whole(0, 10000)] = 0
    days_min: Annotated[int, cells.whole(0, 3650)] = 0
    days_max: Annotated[int | None, cells.whole(0, 3650)] = None
    cure_days: Annotated[int | None, cells.whole(0, 3650)] = None
    group: Annotated[str, cells.text(40)] = ""
    targets: Annotated[str, cells.text(2000)] = ""
    cautions: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class PriceRow(Row):
    """The wholesale unit price of one product on one dated list, without tax."""

    FILE = "price_list.csv"
    KEY = ("price_list", "item")
    price_list: Annotated[str, cells.CODE]
    valid_from: Annotated[date, cells.DAY]
    valid_until: Annotated[date | None, cells.DAY] = None
    item: Annotated[str, cells.CODE]
    unit_price: Annotated[Decimal, cells.MONEY]


@dataclass(frozen=True, kw_only=True)
class TierRow(Row):
    """From this amount of list goods on, so many percent off."""

    FILE = "tiers.csv"
    KEY = ("from_amount",)
    OPTIONAL = True
    from_amount: Annotated[Decimal, cells.number(places=3)]
    percent: Annotated[Decimal, cells.PERCENT]


@dataclass(frozen=True, kw_only=True)
class ShopRow(Row):
    """A shop's account. ``last_order_on`` is its last order from before this service was used."""

    FILE = "shops.csv"
    KEY = ("shop",)
    shop: Annotated[str, cells.code(60)]
    trade_name: Annotated[str, cells.text(200)]
    legal_name: Annotated[str, cells.text(200)]
    country: Annotated[str, cells.COUNTRY]
    tax_id: Annotated[str, cells.text(32)] = ""
    email: Annotated[str, cells.EMAIL]
    phone: Annotated[str, cells.text(40)] = ""
    opened_on: Annotated[date, cells.DAY]
    closed_on: Annotated[date | None, cells.DAY] = None
    last_order_on: Annotated[date | None, cells.DAY] = None
    certificate_number: Annotated[str, cells.text(40)] = ""
    certificate_state: Annotated[str, cells.text(40)] = ""
    certificate_signed_on: Annotated[date | None, cells.DAY] = None
    certificate_expires_on: Annotated[date | None, cells.DAY] = None
    opening_hours: Annotated[str, cells.text(2000)] = ""
    terms_note: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class AddressRow(Row):
    """Where a shop's goods (``ship_to``) or bills (``bill_to``) go."""

    FILE = "addresses.csv"
    KEY = ("shop", "kind", "name")
    shop: Annotated[str, cells.code(60)]
    kind: Annotated[str, cells.one_of("ship_to", "bill_to")]
    name: Annotated[str, cells.text(200)]
    line1: Annotated[str, cells.text(200)]
    line2: Annotated[str, cells.text(200)] = ""
    city: Annotated[str, cells.text(120)]
    region: Annotated[str, cells.text(120)] = ""
    postcode: Annotated[str, cells.text(20)] = ""
    country: Annotated[str, cells.COUNTRY]
    default: Annotated[bool, cells.FLAG] = False


@dataclass(frozen=True, kw_only=True)
class PersonRow(Row):
    """Somebody of the workshop (``staff_role``), or of a shop (``shop`` and ``shop_role``; one row a shop)."""

    FILE = "people.csv"
    KEY = ("email", "shop")
    email: Annotated[str, cells.EMAIL]
    name: Annotated[str, cells.text(120)]
    staff_role: Annotated[str, cells.one_of("maker", "helper")] = ""
    shop: Annotated[str, cells.code(60)] = ""
    shop_role: Annotated[str, cells.one_of("owner", "buyer", "reader")] = ""


@dataclass(frozen=True, kw_only=True)
class StockRow(Row):
    """A lot at a place: pieces, or grams for items counted in grams.

    ``quantity`` is what the lot is opened with: another one is booked as a correction.
    A saved workbook has ``on_hand`` in its stead, what lay there then: it opens a lot
    that is new, and leaves a known one alone, for which the shelf is counted.
    """

    FILE = "stock.csv"
    KEY = ("lot", "place")
    OPTIONAL = True
    lot: Annotated[str, cells.CODE]
    item: Annotated[str, cells.CODE]
    scent: Annotated[str, cells.code(20)] = ""
    made_on: Annotated[date, cells.DAY]
    usable_on: Annotated[date, cells.DAY]
    quantity: Annotated[Decimal | None, cells.GRAMS] = None
    on_hand: Annotated[Decimal | None, cells.number(most="1000000000", places=3)] = None
    place: Annotated[str, cells.text(40)] = "shelf"
    state: Annotated[str, cells.one_of("ok", "hold", "recalled")] = "ok"
    supplier: Annotated[str, cells.text(120)] = ""
    supplier_lot: Annotated[str, cells.text(60)] = ""
    expires_on: Annotated[date | None, cells.DAY] = None


@dataclass(frozen=True, kw_only=True)
class DeliveryRow(Row):
    """What is on order from a supplier, and the day it is to come: pieces, or grams for items counted in grams.

    ``reference`` is the number by which a row is known again: one that has come or was called off is left alone.
    """

    FILE = "deliveries.csv"
    KEY = ("item", "scent", "reference")
    OPTIONAL = True
    item: Annotated[str, cells.CODE]
    scent: Annotated[str, cells.code(20)] = ""
    quantity: Annotated[Decimal, cells.number(least="0.001", most="1000000000", places=3)]
    ordered_on: Annotated[date, cells.DAY]
    expected_on: Annotated[date, cells.DAY]
    supplier: Annotated[str, cells.text(120)] = ""
    reference: Annotated[str, cells.text(60)] = ""


@dataclass(frozen=True, kw_only=True)
class TargetRow(Row):
    """How many free pieces of something the shelf shall have; rows left out no longer apply."""

    FILE = "targets.csv"
    KEY = ("item", "scent")
    OPTIONAL = True
    item: Annotated[str, cells.CODE]
    scent: Annotated[str, cells.code(20)] = ""
    pieces: Annotated[int, cells.whole(1)]


@dataclass(frozen=True, kw_only=True)
class OrderRow(Row):
    """One line of an open order; the rows of an order share its ``token``.

    ``by`` is the member who orders; ``confirmed`` orders are accepted by the maker at once.
    """

    FILE = "orders.csv"
    KEY = ("token", "item", "mix")
    OPTIONAL = True
    token: Annotated[str, cells.text(64)]
    shop: Annotated[str, cells.code(60)]
    by: Annotated[str, cells.EMAIL]
    po_number: Annotated[str, cells.text(40)] = ""
    note: Annotated[str, cells.text(2000)] = ""
    confirmed: Annotated[bool, cells.FLAG] = False
    item: Annotated[str, cells.CODE]
    cases: Annotated[int, cells.whole(1, 999)]
    mix: Annotated[tuple[tuple[str, int], ...], cells.MIX] = (("", 0),)


@dataclass(frozen=True, kw_only=True)
class BatchRow(Row):
    """A batch that is setting or curing on the first day here: good pieces that have gone through a step.

    ``day`` is when that ``step`` was done; ``order`` the token of the open order they are
    for, empty for the shelf. ``usable_on`` is needed where the cure began before that step.
    """

    FILE = "batches.csv"
    KEY = ("number", "item", "scent", "order")
    OPTIONAL = True
    number: Annotated[str, cells.code(20)]
    item: Annotated[str, cells.CODE]
    scent: Annotated[str, cells.code(20)] = ""
    step: Annotated[str, cells.CODE]
    day: Annotated[date, cells.DAY]
    pieces: Annotated[int, cells.whole(1)]
    order: Annotated[str, cells.text(64)] = ""
    usable_on: Annotated[date | None, cells.DAY] = None


@dataclass(frozen=True, kw_only=True)
class OpenInvoiceRow(Row):
    """An invoice issued before the first day here that is not paid in full; its paper stays where it was made."""

    FILE = "open_invoices.csv"
    KEY = ("number",)
    OPTIONAL = True
    number: Annotated[str, cells.code(30)]
    shop: Annotated[str, cells.code(60)]
    issued_on: Annotated[date, cells.DAY]
    due_on: Annotated[date, cells.DAY]
    net: Annotated[Decimal, cells.AMOUNT]
    tax: Annotated[Decimal, cells.AMOUNT]
    gross: Annotated[Decimal, cells.AMOUNT]
    paid: Annotated[Decimal, cells.AMOUNT] = Decimal(0)


@dataclass(frozen=True, kw_only=True)
class OpenCreditRow(Row):
    """Money of a shop that stands on its account on the first day here: a credit, or paid too much."""

    FILE = "open_credits.csv"
    KEY = ("shop", "reference", "dated")
    OPTIONAL = True
    shop: Annotated[str, cells.code(60)]
    reference: Annotated[str, cells.text(80)]
    dated: Annotated[date, cells.DAY]
    amount: Annotated[Decimal, cells.AMOUNT]


@dataclass(frozen=True, kw_only=True)
class SeriesRow(Row):
    """The next number of a series, such as W- for orders; it can't fall back to one that is used."""

    FILE = "series.csv"
    KEY = ("series",)
    OPTIONAL = True
    series: Annotated[str, cells.text(20)]
    next_number: Annotated[int, cells.whole(1, 10**12)]


SHEETS: tuple[type[Row], ...] = (
    SettingRow, WeekRow, DayRow, MaterialRow, SubstituteRow, ItemRow, ScentRow, EquipmentRow, OutageRow, RecipeLineRow,
    OperationRow, PriceRow, TierRow, ShopRow, AddressRow, PersonRow, StockRow, DeliveryRow, TargetRow, OrderRow,
    BatchRow, OpenInvoiceRow, OpenCreditRow, SeriesRow,
)  # fmt: skip
