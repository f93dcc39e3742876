"""The order sheet: what a shop can buy today, at what price, and from when it leaves."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Max

from accounts.models import Address, Shop
from wholesale import clock
from wholesale.core.values import from_e4, from_mg, round_money
from wholesale.models import Item, Order, OrderLineScent, Scent, SheetDate
from wholesale.queries import catalogue, together, workshop


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One scent of a product (empty code for an unscented one) and the stored date it leaves from."""

    scent: str
    name: str
    leaves: date | None
    holds_until: datetime | None


@dataclass(frozen=True, kw_only=True)
class Product:
    """One product of the sheet; prices per piece and per case in major units, without tax."""

    code: str
    name: str
    description: str
    case_pack: int
    unit_price: Decimal | None
    case_price: Decimal | None
    retail_price: Decimal | None
    net_grams: Decimal | None
    choices: tuple[Choice, ...]
    mix_scents: int
    mix_least: int
    sold: bool

    @property
    def mixes(self) -> bool:
        """Can a case of it hold several scents?"""
        return len(self.choices) > 1 and self.mix_scents > 1 and 2 * self.mix_least <= self.case_pack


@dataclass(frozen=True, kw_only=True)
class Place:
    """An address goods can go to."""

    id: int
    text: str


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """The whole sheet; ``products`` holds those no longer sold too, so that what was typed can be named."""

    currency: str
    cut_off: str
    products: tuple[Product, ...]
    ship_to: tuple[Place, ...]
    #: The shop's last order; two numbers when it goes in two shipments.
    last_order: tuple[str, ...]
    #: Orders the shop has placed so far, whatever became of them.
    placed: int
    #: Minutes a place is kept for at checkout; 0: it is not.
    hold_minutes: int


def sheet(shop: Shop) -> Sheet:
    """The sheet of one shop: 9 queries, however many products."""
    settings = workshop.workshop()
    prices = catalogue.prices(clock.today())
    scents = list(Scent.objects.values_list("code", "name"))
    dates = _dates()
    rows = Item.objects.filter(kind="product")
    return Sheet(
        currency=settings.currency,
        cut_off=f"{settings.order_cut_off:%H:%M}",
        products=tuple(_product(row, prices.get(row.code), scents, dates, settings.currency) for row in rows),
        ship_to=tuple(Place(id=row.pk, text=", ".join(row.lines)) for row in _places(shop)),
        last_order=tuple(order.number for order in together.last(shop)),
        placed=Order.objects.filter(shop=shop).count(),
        hold_minutes=settings.hold_minutes,
    )


@dataclass(frozen=True, kw_only=True)
class Again:
    """Orders to repeat together, what to type for it by field name, and what can't be repeated in one row.

    Fields: ``c-ITEM-SCENT`` cases of one scent, ``m-ITEM`` mixed cases, ``m-ITEM-SCENT`` pieces of a scent in each.
    """

    numbers: tuple[str, ...]
    fields: dict[str, str]
    left: tuple[str, ...]


def again(shop: Shop, number: str) -> Again:
    """What to type to order the same once more, both shipments of an order that went in two: 3 queries."""
    orders = together.repeated(shop, number)
    lines: dict[int, list[OrderLineScent]] = {}
    rows = OrderLineScent.objects.filter(line__order__in=orders)
    for row in rows.select_related("line__item").order_by("line__order", "line__position", "pk"):
        lines.setdefault(row.line_id, []).append(row)
    typed: dict[str, str] = {}
    left: list[str] = []
    for scents in lines.values():
        fields = _typed_line(scents)
        if _clash(typed, fields):
            left.append(f"{scents[0].line.cases} mixed of {scents[0].line.name}")
        else:
            typed |= _added(typed, fields)
    return Again(numbers=tuple(order.number for order in orders), fields=typed, left=tuple(left))


def _typed_line(scents: list[OrderLineScent]) -> dict[str, str]:
    line, item = scents[0].line, scents[0].line.item.code
    if len(scents) == 1:
        return {field_name("c", item, scents[0].scent): str(line.cases)}
    return {field_name("m", item): str(line.cases)} | {
        field_name("m", item, row.scent): str(row.pieces_per_case) for row in scents
    }


def field_name(kind: str, item: str, scent: str = "") -> str:
    """The plain name of a field of the sheet: kind ``c`` (cases of one scent) or ``m`` (mixed cases)."""
    return "-".join(part for part in (kind, item, scent) if part)


def _clash(typed: dict[str, str], fields: dict[str, str]) -> bool:
    """Is there a mixed case of the product already, of another mix? The sheet has one mixed row a product."""
    mixed = next(iter(fields))
    if not mixed.startswith("m-") or mixed not in typed:
        return False
    mix = {name: value for name, value in typed.items() if name.startswith(f"{mixed}-")}
    return mix != {name: value for name, value in fields.items() if name != mixed}


def _added(typed: dict[str, str], fields: dict[str, str]) -> dict[str, str]:
    cases = next(iter(fields))
    return fields | {cases: str(int(fields[cases]) + int(typed.get(cases, 0)))}


def _product(
    row: Item,
    price: Decimal | None,
    scents: list[tuple[str, str]],
    dates: dict[tuple[int, str], SheetDate],
    currency: str,
) -> Product:
    names = scents if row.scented else [("", "")]
    return Product(
        code=row.code, name=row.name, description=row.description, case_pack=row.case_pack,
        unit_price=price, case_price=price if price is None else round_money(price * row.case_pack, currency),
        retail_price=None if row.retail_price_e4 is None else from_e4(row.retail_price_e4),
        net_grams=None if row.net_weight_mg is None else from_mg(row.net_weight_mg),
        choices=tuple(_choice(code, name, dates.get((row.pk, code))) for code, name in names),
        mix_scents=row.mix_scents, mix_least=row.mix_least, sold=row.on_sale and price is not None,
    )  # fmt: skip


def _choice(code: str, name: str, found: SheetDate | None) -> Choice:
    """The stored date holds until its hour; after that it is worked out with the order."""
    valid = found is not None and found.holds_until > clock.now()
    return Choice(
        scent=code, name=name, leaves=found.leaves if found and valid else None,
        holds_until=found.holds_until if found and valid else None,
    )  # fmt: skip


def _dates() -> dict[tuple[int, str], SheetDate]:
    """The newest stored date of each sku: 1 query."""
    newest = SheetDate.objects.order_by().values("item", "scent").annotate(newest=Max("version"))
    versions = set(newest.values_list("newest", flat=True))
    rows = SheetDate.objects.filter(version__in=versions).order_by("version")
    return {(row.item_id, row.scent): row for row in rows}


def _places(shop: Shop) -> list[Address]:
    return list(Address.objects.filter(shop=shop, kind=Address.Kind.SHIP_TO))
