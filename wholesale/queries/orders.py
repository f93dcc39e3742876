"""What a basket would cost and when it would leave, at this moment, and what would come sooner."""

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from decimal import Decimal

from accounts.certificates import certificate_holds
from accounts.models import Shop as ShopRow
from wholesale import clock
from wholesale.core import pricing
from wholesale.core.catalogue import Catalogue
from wholesale.core.orders import Basket, OrderState, refuse_basket, refuse_wishes
from wholesale.core.pricing import Account, Goods, Offer, Priced, Terms, price, refuse_below_minimum
from wholesale.core.production.alternatives import Alternative, Asking, fetched, sooner
from wholesale.core.production.baskets import (
    Ground,
    Held,
    around,
    asked_for,
    demands_of,
    leaving_days,
    without_held,
)
from wholesale.core.production.bench import Bench
from wholesale.core.production.plan import Outcome, Placed, Shop
from wholesale.core.production.promise import Asked, Promise, bound, promise_on
from wholesale.core.production.work import Demand, Plan
from wholesale.core.values import Refusal
from wholesale.core.workshop import Workshop
from wholesale.models import HeldBasket, Order, ShopAccount
from wholesale.queries import catalogue, production, workshop
from wholesale.queries.benches import bench_on

_log = logging.getLogger(__name__)

#: Alternatives that are shown at most.
MOST_OFFERS = 3


@dataclass(frozen=True, kw_only=True)
class Part:
    """What leaves together: one shipment's basket, goods, amounts and promise; ``keys`` begin with ``begins``."""

    basket: Basket
    goods: tuple[Goods, ...]
    priced: Priced
    promise: Promise
    holds_until: datetime
    begins: str


@dataclass(frozen=True, kw_only=True)
class Sooner:
    """An alternative, what it asks of the shop in a few words, and what it comes to."""

    alternative: Alternative
    words: str
    priced: Priced

    @property
    def arrives(self) -> date:
        """The day the last of it arrives."""
        return self.alternative.rest_arrives or self.alternative.arrives


@dataclass(frozen=True, kw_only=True)
class Quote:
    """A basket priced and promised against one version of the plan.

    ``refusal`` says why it can't be placed as it is; ``promise`` is missing when the basket
    itself is wrong. Of what goes in two shipments ``parts`` has both, ``promise`` is the first's.
    ``kept_until`` is set while the place is held for the shop.
    """

    basket: Basket
    goods: tuple[Goods, ...]
    names: dict[str, str]
    terms: Terms
    priced: Priced
    parts: tuple[Part, ...]
    outcome: Outcome | None
    holds_until: datetime | None
    version: int
    refusal: Refusal | None
    asked: Asked | None = None
    kept_until: datetime | None = None
    ground: Ground | None = None
    #: The baskets at checkout, by row, that kept their places when this was worked out.
    around: tuple[int, ...] = ()
    sooner: tuple[Sooner, ...] = ()

    @property
    def promise(self) -> Promise | None:
        """When the basket, or its first shipment, leaves."""
        return self.parts[0].promise if self.parts else None

    def placing(self) -> Outcome:
        """The plan with the basket in it, and where its pieces go; a ``Refusal`` when it has no date."""
        if self.outcome is None or not self.parts:
            raise Refusal("no_date", "No date can be promised for this order; ask the workshop.")
        return self.outcome


@dataclass(frozen=True, kw_only=True)
class _Books:
    """What every price and promise of one moment is worked out from."""

    settings: Workshop
    planner: Shop
    unit_prices: dict[str, Decimal]
    terms: Terms
    known: Account

    @property
    def goods(self) -> Catalogue:
        """Items and scents."""
        return self.planner.catalogue

    def offers(self) -> tuple[Offer, ...]:
        """What could be added to close a gap."""
        return catalogue.offers(self.goods, self.unit_prices, self.terms.currency)

    def terms_for(self, basket: Basket) -> Terms:
        """The terms, without freight for what the shop fetches."""
        return pricing.fetched(self.terms) if basket.pick_up else self.terms


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


def quote(shop: ShopRow, basket: Basket, *, alternatives: bool = False) -> Quote:
    """Price and promise a basket now; nothing is written. The number of queries does not grow with the basket.

    ``alternatives`` asks for what would come sooner, too.
    """
    version = production.plan_version()
    books = _books(shop)
    goods, refusal = _goods(basket, books)
    # What is wrong with a basket may be its division, so it is priced as a whole then.
    whole, priced = _priced(replace(basket, first=()) if refusal else basket, goods, books)
    found = Quote(
        basket=basket, goods=goods, names={code: item.name for code, item in books.goods.items.items()},
        terms=books.terms_for(basket), priced=whole, parts=(), outcome=None, holds_until=None, version=version,
        refusal=refusal or _below(whole),
    )  # fmt: skip
    return found if refusal else _promised(found, shop, books, priced, alternatives=alternatives)


def promised_now(basket: Basket) -> tuple[Promise, tuple[str, ...]]:
    """What a shop without a deposit to pay would be promised now, and in words what would come sooner.

    A ``Refusal`` when it can't be ordered or there is no room.
    """
    settings = workshop.workshop()
    planner = production.planner(settings)
    refuse_basket(basket, planner.catalogue)
    ground, asked = standing_plan(planner, settings, live_holds()), asked_now(settings)
    with bench_on(ground, asked) as (ground, _, bench):
        mark = bench.mark()
        found, placed = promise_on(bench, demands_of(basket), asked_for(basket, asked))
        _refuse_faulty(ground, bench.plan(), _bound([("", basket)], planner, asked))
        bench.back_to(mark)
        asking = Asking(ground=ground, basket=basket, asked=asked, promised=found, placed=placed)
        others = sooner(asking, bench)
    return found, tuple(f"{_words(one, planner.catalogue)}: with the shop {_day(one.arrives)}" for one in others)


def standing_plan(planner: Shop, settings: Workshop, held: Sequence[HeldBasket] = ()) -> Ground:
    """The plan orders are promised against: the present one, and around it what is held for others, in order."""
    return around(_present(planner, settings), [held_value(row, settings) for row in held])


def _present(planner: Shop, settings: Workshop) -> Ground:
    """The plan as it stands, without the kept samples that are not begun: they give way to orders."""
    asked, stock = asked_now(settings), tuple(production.free_stock())
    first_day = planner.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    return Ground(shop=planner, plan=production.promised_against(planner, stock, first_day), stock=stock)


def live_holds() -> list[HeldBasket]:
    """Baskets at checkout that keep their place at this moment, the first to come first: 1 query."""
    return list(HeldBasket.objects.filter(ended_at=None, expires_at__gt=clock.now()).order_by("held_at", "pk"))


def keeps_holds(quoted: Quote, but: ShopRow) -> bool:
    """Would every basket at checkout, but the shop's own, still leave on its day once this order stands in the plan?

    A day that something else has taken already is not this order's fault.
    """
    rows = [row for row in live_holds() if row.shop_id != but.pk]
    if not rows or quoted.ground is None or quoted.outcome is None:
        return True
    settings = workshop.workshop()
    held = [held_value(row, settings) for row in rows]
    now = _present(quoted.ground.shop, settings)
    then = replace(now, plan=without_held(quoted.outcome.plan))
    days = zip(rows, leaving_days(now, held), leaving_days(then, held), strict=True)
    return all((after or date.max) <= max(row.leaves, before or date.max) for row, before, after in days)


def held_value(row: HeldBasket, settings: Workshop) -> Held:
    """A held basket as the planner's value."""
    asked = asked_now(settings, row.basket["deposit_days"], _moment(row))
    return Held(key=row.pk, basket=Basket.from_json(row.basket), asked=asked)


def asked_now(settings: Workshop, deposit_days: int | None = None, at: datetime | None = None) -> Asked:
    """This moment (or another) at the workshop, with the rules a promise is walked by."""
    local = (at or clock.now()).astimezone(clock.workshop_zone())
    return Asked(
        on=local.date(), at=local.time().replace(tzinfo=None), cut_off=settings.order_cut_off,
        carrier_days=settings.carrier_days, deposit_days=deposit_days, lead_days=settings.lead_days,
    )  # fmt: skip


# ── what it costs ────────────────────────────────────────────────────────────


def _books(shop: ShopRow) -> _Books:
    settings = workshop.workshop()
    return _Books(
        settings=settings, planner=production.planner(settings), unit_prices=catalogue.prices(clock.today()),
        terms=workshop.terms(settings), known=account(shop, clock.today()),
    )  # fmt: skip


def _goods(basket: Basket, books: _Books) -> tuple[tuple[Goods, ...], Refusal | None]:
    """The basket's lines as priced goods, without those that can't be sold, and what is wrong."""
    refusal = None
    try:
        refuse_basket(basket, books.goods)
        _refuse_unpriced(basket, books)
        latest = clock.today() + timedelta(days=books.planner.horizon_days)
        refuse_wishes(basket, clock.today(), latest)
    except Refusal as found:
        refusal = found
    return _as_goods(basket, books), refusal


def _as_goods(basket: Basket, books: _Books) -> tuple[Goods, ...]:
    items, prices = books.goods.items, books.unit_prices
    lines = [line for line in basket.lines if line.item in prices and line.item in items and line.cases > 0]
    return tuple(
        Goods(
            item=line.item, cases=line.cases, case_pack=items[line.item].case_pack, unit_price=prices[line.item]
        )
        for line in lines
    )  # fmt: skip


def _refuse_unpriced(basket: Basket, books: _Books) -> None:
    for line in basket.lines:
        if line.item not in books.unit_prices:
            name = books.goods.items[line.item].name
            raise Refusal("not_sold", f"{name} has no price at the moment; take it off the order.", line.item)


def _priced(basket: Basket, goods: Sequence[Goods], books: _Books) -> tuple[Priced, tuple[Priced, ...]]:
    """What the whole comes to, and each shipment of it."""
    terms = books.terms_for(basket)
    whole = price(goods, terms, books.known, clock.today(), books.offers())
    if not basket.first:
        return whole, (whole,)
    parts = pricing.shared_out(whole, [_as_goods(part, books) for part in basket.shipments()], terms, books.known)
    return pricing.together(whole, parts, terms), parts


def _below(priced: Priced) -> Refusal | None:
    try:
        refuse_below_minimum(priced)
    except Refusal as below:
        return below
    return None


# ── when it leaves ───────────────────────────────────────────────────────────


def _promised(
    found: Quote, shop: ShopRow, books: _Books, priced: Sequence[Priced], *, alternatives: bool
) -> Quote:  # fmt: skip
    """The quote with its promise, around what is held for others; the shop's own hold keeps its moment and place."""
    held = live_holds()
    own, others = _own_and_others(held, shop, found.basket)
    asked = _asked(found, books.settings, own)
    ground = standing_plan(books.planner, books.settings, others)
    with bench_on(ground, asked) as (ground, _, bench):
        mark = bench.mark()
        try:
            parts, placed = _parts(found, books, priced, bench, asked)
            outcome = Outcome(plan=bench.plan(), placed=placed)
            _refuse_faulty(ground, outcome.plan, _bound([(p.begins, p.basket) for p in parts], books.planner, asked))
        except Refusal as no_room:
            return replace(found, refusal=found.refusal or no_room)
        finally:
            bench.back_to(mark)
        quoted = replace(
            found, parts=parts, outcome=outcome, holds_until=parts[0].holds_until, asked=asked, ground=ground,
            kept_until=own.expires_at if own and parts[-1].promise.leaves <= own.leaves else None,
            around=tuple(row.pk for row in held),
        )  # fmt: skip
        late = _too_late(quoted)
        wanted = alternatives or late is not None
        if wanted and own is None:
            asking = _asking(quoted, ground, asked, placed)
            quoted = replace(quoted, sooner=_sooner(asking, quoted, books, bench))
    if wanted and own is not None:
        quoted = replace(quoted, sooner=_sooner_than_held(quoted, books, [row for row in held if row != own]))
    return replace(quoted, refusal=quoted.refusal or (late and _told_what_helps(late, quoted)))


def _bound(baskets: Iterable[tuple[str, Basket]], planner: Shop, asked: Asked) -> list[Demand]:
    """The demands of baskets as they are placed; each with what its keys begin with."""
    return [
        demand for begins, basket in baskets
        for demand in bound(planner, demands_of(basket, begins), asked_for(basket, asked))
    ]  # fmt: skip


def _refuse_faulty(ground: Ground, plan: Plan, demands: Sequence[Demand]) -> None:
    """A ``Refusal`` where the demands make of the plan one that can't be done: no date stands on it."""
    if faults := ground.new_faults_of(plan, demands):
        _log.error("A promise was kept back: %s", "; ".join(fault.message for fault in faults))
        message = "No date can be promised for this order just now. Please ask the workshop, or order less."
        raise Refusal("no_plan", message, "cases")


def _asking(quoted: Quote, ground: Ground, asked: Asked, placed: tuple[Placed, ...], *, held: bool = False) -> Asking:
    promised = quoted.parts[0].promise
    return Asking(ground=ground, basket=quoted.basket, asked=asked, promised=promised, placed=placed, held=held)


def _sooner_than_held(quoted: Quote, books: _Books, others: Sequence[HeldBasket]) -> tuple[Sooner, ...]:
    """What would come sooner than a basket that was put by: another basket is asked for now, behind all holds."""
    asked = asked_now(books.settings, quoted.asked.deposit_days if quoted.asked else None)
    with bench_on(standing_plan(books.planner, books.settings, others), asked) as (ground, _, bench):
        mark = bench.mark()
        try:
            _, placed = promise_on(bench, demands_of(quoted.basket), asked_for(quoted.basket, asked))
        except Refusal:
            return ()
        finally:
            bench.back_to(mark)
        return _sooner(_asking(quoted, ground, asked, placed, held=True), quoted, books, bench)


def _own_and_others(
    held: Sequence[HeldBasket], shop: ShopRow, basket: Basket
) -> tuple[HeldBasket | None, list[HeldBasket]]:
    """The shop's hold of this very basket, and the holds of other shops that come before it."""
    own = next((row for row in held if row.shop_id == shop.pk and Basket.from_json(row.basket) == basket), None)
    others = [row for row in held if row.shop_id != shop.pk]
    return own, [row for row in others if own is None or _came(row) < _came(own)]


def _asked(found: Quote, settings: Workshop, own: HeldBasket | None) -> Asked:
    """Now, or the moment it was held; with the deposit's days where one is due."""
    deposit_days = settings.deposit_days if found.priced.totals.deposit else None
    return asked_now(settings, deposit_days, _moment(own) if own else None)


def _moment(row: HeldBasket) -> datetime | None:
    """The moment a held basket counts as asked at: when it was held, but no day that is over."""
    day = row.held_at.astimezone(clock.workshop_zone()).date()
    return row.held_at if day == clock.today() else None


def _came(row: HeldBasket) -> tuple[datetime, int]:
    return row.held_at, row.pk


def _parts(
    found: Quote, books: _Books, priced: Sequence[Priced], bench: Bench, asked: Asked
) -> tuple[tuple[Part, ...], tuple[Placed, ...]]:
    """Each shipment promised after the one before it, and where all pieces went."""
    parts: list[Part] = []
    placed: list[Placed] = []
    for number, (basket, sums) in enumerate(zip(found.basket.shipments(), priced, strict=True)):
        begins = f"{number}:" if found.basket.first else ""
        promised, groups = promise_on(bench, demands_of(basket, begins), asked_for(basket, asked))
        parts.append(
            Part(
                basket=basket, goods=_as_goods(basket, books), priced=sums, begins=begins,
                promise=fetched(promised) if basket.pick_up else promised,
                holds_until=at_cut_off(promised.holds_on, books.settings),
            )
        )  # fmt: skip
        placed += groups
    return tuple(parts), tuple(placed)


def _too_late(quoted: Quote) -> Refusal | None:
    """That the last of it arrives after the day it is wanted by."""
    wanted, arrives = quoted.basket.wanted_by, max(part.promise.arrives for part in quoted.parts)
    if wanted is None or arrives <= wanted:
        return None
    message = f"The earliest it can be with you is {_day(arrives)}; you want it by {_day(wanted)}."
    return Refusal("wanted_by", message, "wanted_by", earliest=arrives.isoformat(), wanted_by=wanted.isoformat())


def _told_what_helps(late: Refusal, quoted: Quote) -> Refusal:
    wanted = quoted.basket.wanted_by or date.max
    ways = [f"{one.words} ({_day(one.arrives)})" for one in quoted.sooner if one.arrives <= wanted]
    help_ = f" In time: {'; '.join(ways)}." if ways else " Choose that day or a later one."
    return Refusal(late.code, late.message + help_, late.field, **late.facts)


def _sooner(asking: Asking, quoted: Quote, books: _Books, bench: Bench) -> tuple[Sooner, ...]:
    """What would come sooner and may be ordered, the most useful first."""
    found = sooner(asking, bench)
    rows = (
        Sooner(
            alternative=other, words=_words(other, books.goods),
            priced=_priced(other.basket, _as_goods(other.basket, books), books)[0],
        )
        for other in found
    )  # fmt: skip
    least = quoted.priced.totals.below_minimum
    return tuple([row for row in rows if row.priced.totals.below_minimum <= least][:MOST_OFFERS])


def _words(other: Alternative, goods: Catalogue) -> str:
    """What an alternative asks of the shop, in a few words."""
    if other.kind == "pick_up":
        return "Fetch it from the workshop"
    if other.kind == "split":
        return f"In two shipments, {other.cases} of {other.of} cases first"
    if other.kind == "scent":
        new, old = (goods.scents[code].name for code in reversed(other.scents))
        return f"{new} instead of {old}"
    return f"Only {other.cases} of {other.of} cases"


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def at_cut_off(day: date, settings: Workshop) -> datetime:
    """The moment of a day up to which an order still counts for it."""
    return datetime.combine(day, settings.order_cut_off, clock.workshop_zone())
