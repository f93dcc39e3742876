"""The sheets of a workbook: for each file its columns, one frozen row class a file.

A column without a default must be there and filled in; one with a default may be
left empty, or left out altogether.
"""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from datetime import date, time
from decimal import Decimal
from typing import Annotated, Any, ClassVar, NamedTuple

from wholesale.core.catalogue import Basis, ItemKind, Unit
from wholesale.core.production.calendar import DayKind
from wholesale.core.workbook import cells
from wholesale.core.workbook.cells import Kind


class Column(NamedTuple):
    """One column: what may stand in it, and what an empty cell is read as."""

    kind: Kind[Any]
    default: Any

    @property
    def is_needed(self) -> bool:
        """Whether the column must be there and filled in."""
        return self.default is MISSING


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row; ``row`` is its number as the spreadsheet shows it (the header is row 1), ``raw`` what stands in it.

    ``FILE`` is the sheet's file; ``KEY`` the columns no two rows may share;
    ``OPTIONAL`` files may be missing, and then leave what is stored alone.
    """

    FILE: ClassVar[str]
    KEY: ClassVar[tuple[str, ...]]
    OPTIONAL: ClassVar[bool] = False

    row: int = 0
    raw: Mapping[str, str] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def columns(cls) -> dict[str, Column]:
        """The columns by name, in order."""
        own = [column for column in fields(cls) if column.name not in {"row", "raw"}]
        return {c.name: Column(c.type.__metadata__[0], c.default) for c in own}  # type: ignore[union-attr]

    @classmethod
    def meaning(cls) -> str:
        """What one row is, in a sentence."""
        return (cls.__doc__ or "").partition("\n")[0].replace("``", "")

    @property
    def key(self) -> tuple[Any, ...]:
        """The values of the key columns."""
        return tuple(getattr(self, name) for name in self.KEY)

    @property
    def label(self) -> str:
        """The key as it stands in the sheet."""
        return " ".join(text for name in self.KEY if (text := self.raw.get(name, "")))


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
    """Something bought. ``max_load`` is the most oil it holds, as a share of it; temperatures are the supplier's."""

    FILE = "materials.csv"
    KEY = ("code",)
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(120)]
    unit: Annotated[Unit, cells.UNIT]
    max_load: Annotated[Decimal | None, cells.SHARE] = None
    flash_point_c: Annotated[Decimal | None, cells.number(most="1000", places=1)] = None
    heating_limit_c: Annotated[Decimal | None, cells.number(most="1000", places=1)] = None
    description: Annotated[str, cells.text(2000)] = ""


@dataclass(frozen=True, kw_only=True)
class ItemRow(Row):
    """A part or a product and how it is sold; ``retail_price`` is what shops are advised to ask."""

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
    loss: Annotated[Decimal, cells.number(most="0.99")] = Decimal(0)
    yield_share: Annotated[Decimal, cells.number(least="0.01", most="1")] = Decimal(1)
    samples_per_batch: Annotated[int, cells.whole(0)] = 0
    on_sale: Annotated[bool, cells.FLAG] = True
    gtin: Annotated[str, cells.GTIN] = ""
    retail_price: Annotated[Decimal | None, cells.MONEY] = None
    net_weight_g: Annotated[Decimal | None, cells.number(places=3)] = None
    description: Annotated[str, cells.text(2000)] = ""


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
    """What holds a load; an empty ``loads_per_day`` never binds."""

    FILE = "equipment.csv"
    KEY = ("code",)
    code: Annotated[str, cells.CODE]
    name: Annotated[str, cells.text(80)]
    kind: Annotated[str, cells.text(40)]
    count: Annotated[int, cells.whole(1)] = 1
    load_g: Annotated[Decimal | None, cells.number(least="0.001", places=3)] = None
    load_pieces: Annotated[int | None, cells.whole(1)] = None
    loads_per_day: Annotated[int | None, cells.whole(1)] = None
    hold_minutes: Annotated[int, cells.whole(0)] = 0
    window_minutes: Annotated[int | None, cells.whole(1)] = None


@dataclass(frozen=True, kw_only=True)
class RecipeLineRow(Row):
    """One component of an item; rows of an item stand in the order they are weighed in."""

    FILE = "recipe_lines.csv"
    KEY = ("item", "component", "step")
    item: Annotated[str, cells.CODE]
    component: Annotated[str, cells.CODE]
    basis: Annotated[Basis, cells.BASIS]
    quantity: Annotated[Decimal, cells.number(least="0.000001")]
    carrier: Annotated[str, cells.CODE] = ""
    step: Annotated[str, cells.CODE] = ""


@dataclass(frozen=True, kw_only=True)
class OperationRow(Row):
    """One step of making an item; rows of an item stand in the order they are done."""

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
    nights_min: Annotated[int, cells.whole(0, 365)] = 0
    days_min: Annotated[int, cells.whole(0, 365)] = 0
    days_max: Annotated[int | None, cells.whole(0, 365)] = None
    cure_days: Annotated[int | None, cells.whole(0, 365)] = None
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
    percent: Annotated[Decimal, cells.number(most="100", places=3)]


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
    """A lot on the shelf: pieces, or grams for items counted in grams."""

    FILE = "stock.csv"
    KEY = ("lot",)
    OPTIONAL = True
    lot: Annotated[str, cells.CODE]
    item: Annotated[str, cells.CODE]
    scent: Annotated[str, cells.code(20)] = ""
    made_on: Annotated[date, cells.DAY]
    usable_on: Annotated[date, cells.DAY]
    quantity: Annotated[Decimal, cells.number(places=3)]


@dataclass(frozen=True, kw_only=True)
class OrderRow(Row):
    """One line of an open order; the rows of an order share its ``token``.

    ``by`` is the member who orders; ``confirmed`` orders are accepted by the maker at once.
    """

    FILE = "orders.csv"
    KEY = ("token", "item", "mix")
    OPTIONAL = True
    token: Annotated[str, cells.code(64)]
    shop: Annotated[str, cells.code(60)]
    by: Annotated[str, cells.EMAIL]
    po_number: Annotated[str, cells.text(40)] = ""
    note: Annotated[str, cells.text(500)] = ""
    confirmed: Annotated[bool, cells.FLAG] = False
    item: Annotated[str, cells.CODE]
    cases: Annotated[int, cells.whole(1, 999)]
    mix: Annotated[tuple[tuple[str, int], ...], cells.MIX] = (("", 0),)


SHEETS: tuple[type[Row], ...] = (
    SettingRow, WeekRow, DayRow, MaterialRow, ItemRow, ScentRow, EquipmentRow, RecipeLineRow, OperationRow,
    PriceRow, TierRow, ShopRow, AddressRow, PersonRow, StockRow, OrderRow,
)  # fmt: skip
