"""What a basket would cost and when it would leave, at this moment."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from accounts.certificates import certificate_holds
from accounts.models import Shop as ShopRow
from wholesale import clock
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.orders import Basket, OrderState, refuse_basket
from wholesale.core.pricing import Account, Goods, Priced, Terms, price, refuse_below_minimum
from wholesale.core.production.plan import Outcome, Shop
from wholesale.core.production.promise import Asked, Promise, promise
from wholesale.core.production.work import Demand
from wholesale.core.values import Refusal
from wholesale.core.workshop import Workshop
from wholesale.models import Order, ShopAccount
from wholesale.queries import catalogue, production, workshop


@dataclass(frozen=True, kw_only=True)
class Quote:
    """A basket priced and promised against one version of the plan.

    ``refusal`` says why it can't be placed as it is; ``promise`` is missing when the basket itself is wrong.
    """

    basket: Basket
    goods: tuple[Goods, ...]
    names: dict[str, str]
    terms: Terms
    priced: Priced
    promise: Promise | None
    outcome: Outcome | None
    holds_until: datetime | None
    version: int
    refusal: Refusal | None


def account(shop: ShopRow, on: date) -> Account:
    """When the shop last ordered (here or before), and whether it is billed tax-free: 2 queries."""
    gone = [OrderState.REFUSED, OrderState.WITHDRAWN]
    placed = (
        Order.objects.filter(shop=shop)
        .exclude(state__in=gone)
        .order_by("-placed_at")
        .values_list("placed_at", flat=True)
        .first()
    )
    before = ShopAccount.objects.filter(shop=shop).values_list("last_order_on", flat=True).first()
    days = [day for day in (placed and placed.astimezone(clock.workshop_zone()).date(), before) if day]
    exempt = certificate_holds(shop, on)
    return Account(last_order_on=max(days, default=None), tax_exempt_because=exempt.reason if exempt.holds else "")


def quote(shop: ShopRow, basket: Basket) -> Quote:
    """Price and promise a basket now; nothing is written. The number of queries does not grow with the basket."""
    settings = workshop.workshop()
    version = production.plan_version()
    planner = production.planner(settings)
    unit_prices = catalogue.prices(clock.today())
    terms = workshop.terms(settings)
    goods, refusal = _goods(basket, planner.catalogue, unit_prices)
    offers = catalogue.offers(planner.catalogue, unit_prices, terms.currency)
    known = account(shop, clock.today())
    priced = price(goods, terms, known, clock.today(), offers)
    promised, outcome, no_room = (None, None, None) if refusal else _promise(basket, planner, settings, priced)
    return Quote(
        basket=basket, goods=goods, names={code: item.name for code, item in planner.catalogue.items.items()},
        terms=terms, priced=priced, promise=promised, outcome=outcome, version=version,
        holds_until=_at(promised.holds_on, settings) if promised else None,
        refusal=refusal or no_room or _below(priced),
    )  # fmt: skip


def demands_of(basket: Basket) -> list[Demand]:
    """One demand a scent of a line; the key says which: "line/scent"."""
    return [
        Demand(key=f"{position}/{sku.scent}", sku=Sku(line.item, sku.scent), pieces=pieces)
        for position, line in enumerate(basket.lines)
        for sku, pieces in line.pieces().items()
    ]


def asked_now(settings: Workshop, deposit_days: int | None = None) -> Asked:
    """This moment at the workshop, with the rules a promise is walked by."""
    local = clock.now().astimezone(clock.workshop_zone())
    return Asked(
        on=local.date(), at=local.time().replace(tzinfo=None), cut_off=settings.order_cut_off,
        carrier_days=settings.carrier_days, deposit_days=deposit_days,
    )  # fmt: skip


def _goods(
    basket: Basket, goods: Catalogue, unit_prices: dict[str, Decimal]
) -> tuple[tuple[Goods, ...], Refusal | None]:
    """The basket's lines as priced goods, without those that can't be sold, and what is wrong."""
    refusal = None
    try:
        refuse_basket(basket, goods)
        _refuse_unpriced(basket, goods, unit_prices)
    except Refusal as found:
        refusal = found
    lines = [line for line in basket.lines if line.item in unit_prices and line.item in goods.items and line.cases > 0]
    return tuple(
        Goods(
            item=line.item,
            cases=line.cases,
            case_pack=goods.items[line.item].case_pack,
            unit_price=unit_prices[line.item],
        )
        for line in lines
    ), refusal


def _refuse_unpriced(basket: Basket, goods: Catalogue, unit_prices: dict[str, Decimal]) -> None:
    for line in basket.lines:
        if line.item not in unit_prices:
            name = goods.items[line.item].name
            raise Refusal("not_sold", f"{name} has no price at the moment; take it off the order.", line.item)


def _promise(
    basket: Basket, planner: Shop, settings: Workshop, priced: Priced
) -> tuple[Promise | None, Outcome | None, Refusal | None]:
    asked = asked_now(settings, settings.deposit_days if priced.totals.deposit else None)
    stock = production.free_stock()
    plan = production.promised_against(planner, stock, planner.calendar.bench_day(asked.on, asked.at, asked.cut_off))
    try:
        found, outcome = promise(planner, plan, demands_of(basket), stock, asked)
    except Refusal as no_room:
        return None, None, no_room
    return found, outcome, None


def _below(priced: Priced) -> Refusal | None:
    try:
        refuse_below_minimum(priced)
    except Refusal as below:
        return below
    return None


def _at(day: date, settings: Workshop) -> datetime:
    return datetime.combine(day, settings.order_cut_off, clock.workshop_zone())
