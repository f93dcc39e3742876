"""The shops the workshop supplies, with what each owes: one row a shop."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Sum

from accounts.certificates import certificate_holds
from accounts.models import Address, Shop
from wholesale.core.values import NotFound, from_minor
from wholesale.models import Order
from wholesale.queries import workshop
from wholesale.queries.invoicing import invoices_with_open


@dataclass(frozen=True, kw_only=True)
class ShopRow:
    """One shop: what is open on its invoices, and whether it may be billed without tax."""

    slug: str
    name: str
    country: str
    closed: bool
    owed: Decimal
    currency: str
    certificate: bool


@dataclass(frozen=True, kw_only=True)
class ShopFacts:
    """Who a shop is, for the head of its page."""

    slug: str
    name: str
    legal_name: str
    tax_id: str
    email: str
    phone: str
    opening_hours: str
    certificate: bool
    certificate_words: str
    ship_to: tuple[str, ...]
    orders: tuple[tuple[str, str, date], ...]


def shops(on: date) -> tuple[ShopRow, ...]:
    """All shops by name: 3 queries, however many."""
    currency = workshop.workshop().currency
    open_rows = invoices_with_open().filter(kind="invoice", open_minor__gt=0).order_by()
    owed = dict(open_rows.values_list("shop_id").annotate(owed=Sum("open_minor")))
    return tuple(
        ShopRow(
            slug=row.slug, name=row.trade_name, country=row.country, closed=row.closed_on is not None,
            owed=from_minor(owed.get(row.pk, 0), currency), currency=currency,
            certificate=certificate_holds(row, on).holds,
        )
        for row in Shop.objects.order_by("trade_name", "pk")
    )  # fmt: skip


def shop_facts(slug: str, on: date) -> ShopFacts:
    """One shop with its delivery address and last ten orders: 3 queries; ``NotFound`` when there is none."""
    row = Shop.objects.filter(slug=slug).first()
    if row is None:
        raise NotFound("shop", f"There is no shop '{slug}'.")
    standing = certificate_holds(row, on)
    place = Address.objects.filter(shop=row, kind=Address.Kind.SHIP_TO).order_by("-is_default", "pk").first()
    orders = Order.objects.filter(shop=row).values_list("number", "state", "promised_leaves")[:10]
    return ShopFacts(
        slug=row.slug, name=row.trade_name, legal_name=row.legal_name, tax_id=row.tax_id, email=row.email,
        phone=row.phone, opening_hours=row.opening_hours, certificate=standing.holds, certificate_words=standing.reason,
        ship_to=tuple(place.lines) if place else (), orders=tuple(orders),
    )  # fmt: skip
