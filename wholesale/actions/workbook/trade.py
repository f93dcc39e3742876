"""Prices, tiers, shops and people."""

from accounts.models import Address, Membership, Shop, User
from accounts.tax_ids import check_tax_id
from wholesale.actions.workbook.changes import Changes
from wholesale.core.values import bare, from_minor, to_e4, to_minor
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import (
    AddressRow,
    PersonRow,
    PriceRow,
    ShopRow,
    TierRow,
)
from wholesale.core.workbook.trade import currency
from wholesale.models import Item, Price, PriceList, ShopAccount, Tier


def write(changes: Changes, book: Workbook, first_password: str | None) -> None:
    """Write what shops see and who they are."""
    _write_prices(changes, book)
    if book.has(TierRow):
        _write_tiers(changes, book)
    shops = {row.shop: _write_shop(changes, row) for row in book.rows(ShopRow)}
    for address in book.rows(AddressRow):
        _write_address(changes, address, shops[address.shop])
    for person in book.rows(PersonRow):
        _write_person(changes, person, shops, first_password)


# ── prices: a list and the tiers are whole, old lists stay ───────────────────


def _write_prices(changes: Changes, book: Workbook) -> None:
    items = dict(Item.objects.values_list("code", "pk"))
    rows = book.rows(PriceRow)
    lists = {row.price_list: row for row in rows}
    for row in lists.values():
        days = {"valid_from": row.valid_from, "valid_until": row.valid_until}
        prices = changes.put(row, PriceList, {"code": row.price_list}, days, "the list")
        mine = [other for other in rows if other.price_list == row.price_list]
        for price in mine:
            key = {"price_list_id": prices.pk, "item_id": items[price.item]}
            changes.put(price, Price, key, {"unit_price_e4": to_e4(price.unit_price)})
        gone = Price.objects.filter(price_list=prices).exclude(item__code__in=[price.item for price in mine])
        changes.drop(PriceRow, gone.select_related("item", "price_list"), lambda price: price.item.code)


def _write_tiers(changes: Changes, book: Workbook) -> None:
    rows = {to_minor(row.from_amount, currency(book)): row for row in book.rows(TierRow)}
    for minor, row in rows.items():
        changes.put(row, Tier, {"from_minor": minor}, {"percent": row.percent})
    gone = Tier.objects.exclude(from_minor__in=rows)
    changes.drop(TierRow, gone, lambda tier: bare(from_minor(tier.from_minor, currency(book))))


# ── shops and people: never removed ──────────────────────────────────────────


def _write_shop(changes: Changes, row: ShopRow) -> Shop:
    same = (
        "trade_name",
        "legal_name",
        "country",
        "email",
        "phone",
        "opened_on",
        "closed_on",
        "opening_hours",
        "terms_note",
    )
    certificate = {f"resale_certificate_{name}": getattr(row, f"certificate_{name}") for name in _CERTIFICATE}
    values = {
        **{name: getattr(row, name) for name in same},
        **certificate,
        "tax_id": check_tax_id(row.country, row.tax_id),
    }
    shop = changes.put(row, Shop, {"slug": row.shop}, values)
    changes.put(row, ShopAccount, {"shop_id": shop.pk}, {"last_order_on": row.last_order_on}, "earlier trade")
    return shop


_CERTIFICATE = ("number", "state", "signed_on", "expires_on")


def _write_address(changes: Changes, row: AddressRow, shop: Shop) -> None:
    same = ("line1", "line2", "city", "region", "postcode", "country")
    values = {**{name: getattr(row, name) for name in same}, "is_default": row.default}
    if row.default:
        _step_back(changes, row, shop)
    changes.put(row, Address, {"shop_id": shop.pk, "kind": row.kind, "name": row.name}, values)


def _step_back(changes: Changes, row: AddressRow, shop: Shop) -> None:
    """Make way for a new default address: a shop has one of each kind."""
    for other in changes.stored(Address, ("shop_id", "kind", "name")).values():
        if other.is_default and (other.shop_id, other.kind) == (shop.pk, row.kind) and other.name != row.name:
            changes.amend(row, other, {"is_default": False})


def _write_person(changes: Changes, row: PersonRow, shops: dict[str, Shop], first_password: str | None) -> None:
    people, named = changes.stored(User, ("email",)), {"name": row.name, "staff_role": row.staff_role}
    if (row.email,) not in people:
        people[row.email,] = User.objects.create_user(row.email, first_password, **named)
        changes.note(row, "added", "may sign in")
    person = people[row.email,]
    changes.amend(row, person, named)
    if row.shop:
        key = {"user_id": person.pk, "shop_id": shops[row.shop].pk}
        changes.put(row, Membership, key, {"role": row.shop_role}, row.shop_role)
