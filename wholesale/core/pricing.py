"""What an order costs: tiers, minimums, freight, deposit, tax, and what closes a gap.

All amounts are ``Decimal`` in major units of one currency, rounded once, at the
amount that is shown. Every amount carries its arithmetic in words.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields, replace
from datetime import date
from decimal import Decimal
from itertools import pairwise
from typing import Any

from wholesale.core.values import Refusal, bare, from_minor, money_words, round_money, share, to_minor
from wholesale.core.workshop import Workshop

#: More cases than this close no gap a shop would want closed.
_MOST_CASES = 500


@dataclass(frozen=True, kw_only=True)
class Tier:
    """From this amount of list goods on, so many percent off."""

    from_amount: Decimal
    percent: Decimal


@dataclass(frozen=True, kw_only=True)
class Terms:
    """The rules an order is priced by; frozen on the order when it is placed."""

    currency: str
    opening_minimum: Decimal
    reorder_minimum: Decimal
    dormant_months: int
    tiers: tuple[Tier, ...]
    tier_method: str
    freight_flat: Decimal
    freight_free_from: Decimal
    freight_judged_on: str
    first_order_deposit: Decimal
    tax_name: str
    tax_percent: Decimal
    tax_on: str
    tax_exemption: str
    net_days: int
    early_discount: Decimal
    early_days: int

    def to_json(self) -> dict[str, Any]:
        """The terms as JSON-ready values, amounts as text."""
        return {name: _plain(value) for name, value in asdict(self).items()}

    @classmethod
    def from_json(cls, frozen: dict[str, Any]) -> "Terms":
        """The terms that ``to_json`` froze."""
        tiers = tuple(Tier(**{name: Decimal(text) for name, text in tier.items()}) for tier in frozen["tiers"])
        decimals = {f.name for f in fields(cls) if f.type in (Decimal, "Decimal")}
        rest: dict[str, Any] = {name: Decimal(value) if name in decimals else value for name, value in frozen.items()}
        return cls(**{**rest, "tiers": tiers})


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, tuple):
        return [{name: _plain(part) for name, part in row.items()} for row in value]
    return value


def terms_of(workshop: Workshop, tiers: Sequence[Tier]) -> Terms:
    """The terms in force: the workshop's settings and its ladder of tiers, lowest first."""
    named = {f.name: getattr(workshop, f.name) for f in fields(Terms) if f.name != "tiers"}
    return Terms(**named, tiers=tuple(sorted(tiers, key=lambda tier: tier.from_amount)))


@dataclass(frozen=True, kw_only=True)
class Account:
    """What pricing must know of the shop: when it last ordered, and whether tax is charged."""

    last_order_on: date | None = None
    tax_exempt_because: str = ""


@dataclass(frozen=True, kw_only=True)
class Goods:
    """One line of goods: whole cases of one product at a unit price."""

    item: str
    cases: int
    case_pack: int
    unit_price: Decimal

    @property
    def pieces(self) -> int:
        """Pieces in all."""
        return self.cases * self.case_pack

    def list_amount(self, currency: str) -> Decimal:
        """Unit price times pieces, rounded once."""
        return round_money(self.unit_price * self.pieces, currency)


@dataclass(frozen=True, kw_only=True)
class Offer:
    """A product a shop could add, by the case, at its list price."""

    item: str
    name: str
    case_price: Decimal


@dataclass(frozen=True, kw_only=True)
class Closer:
    """The cheapest cases of one product that close a gap; ``total_change`` is what they add to the total."""

    item: str
    name: str
    cases: int
    list_amount: Decimal
    total_change: Decimal


@dataclass(frozen=True, kw_only=True)
class Gap:
    """What is missing to the ``minimum``, the ``next_tier`` or ``free_freight``, and what closes it."""

    kind: str
    threshold: Decimal
    missing: Decimal
    closer: Closer | None
    percent: Decimal = Decimal(0)


@dataclass(frozen=True, kw_only=True)
class Arithmetic:
    """One amount of the breakdown with the sum it came from."""

    name: str
    amount: Decimal
    shown: str


@dataclass(frozen=True, kw_only=True)
class Totals:
    """An order's amounts. ``total`` is before tax; ``total_with_tax`` is what is billed if nothing changes."""

    currency: str
    list_goods: Decimal
    tier_percent: Decimal
    discount: Decimal
    goods: Decimal
    freight: Decimal
    total: Decimal
    deposit: Decimal
    tax: Decimal
    total_with_tax: Decimal
    minimum: Decimal
    minimum_kind: str
    arithmetic: tuple[Arithmetic, ...] = ()

    @property
    def below_minimum(self) -> Decimal:
        """What is missing to the minimum, 0 when it is met."""
        return max(self.minimum - self.list_goods, Decimal(0))


@dataclass(frozen=True, kw_only=True)
class Priced:
    """A priced basket: totals, each line's list amount, discount and net, and the gaps."""

    totals: Totals
    list_amounts: tuple[Decimal, ...]
    discounts: tuple[Decimal, ...]
    gaps: tuple[Gap, ...] = ()

    @property
    def nets(self) -> tuple[Decimal, ...]:
        """Each line's list amount less its share of the discount."""
        return tuple(amount - off for amount, off in zip(self.list_amounts, self.discounts, strict=True))


def price(goods: Sequence[Goods], terms: Terms, account: Account, on: date, offers: Sequence[Offer] = ()) -> Priced:
    """Price a basket on a day; an empty basket has zero amounts and no freight."""
    amounts = tuple(line.list_amount(terms.currency) for line in goods)
    totals = total_up(sum(amounts, Decimal(0)), terms, account, on)
    off = share(to_minor(totals.discount, terms.currency), amounts) if amounts else ()
    discounts = tuple(from_minor(part, terms.currency) for part in off)
    found = gaps(totals, terms, account, on, offers)
    return Priced(totals=totals, list_amounts=amounts, discounts=discounts, gaps=found)


def total_up(list_goods: Decimal, terms: Terms, account: Account, on: date) -> Totals:
    """All amounts that follow from the list goods of an order."""
    off = tier_discount(list_goods, terms)
    kind = minimum_kind(account.last_order_on, terms.dormant_months, on)
    minimum = terms.reorder_minimum if kind == "reorder" else terms.opening_minimum
    totals = _summed(terms, account, list_goods, off, freight_for(list_goods, list_goods - off[1], terms))
    return replace(totals, minimum=minimum, minimum_kind=kind)


def _summed(
    terms: Terms, account: Account, list_goods: Decimal, off: tuple[Decimal, Decimal, str], sent: tuple[Decimal, str]
) -> Totals:
    """The amounts, given the tier's percentage with its discount, and the freight; no minimum yet."""
    (percent, discount, discount_shown), (freight, freight_shown) = off, sent
    goods = list_goods - discount
    total = goods + freight
    deposit = _deposit(total, terms, account)
    tax, tax_shown = tax_for(goods, freight, terms, account.tax_exempt_because)
    sums = (
        Arithmetic(name="Discount", amount=-discount, shown=discount_shown),
        Arithmetic(name="Goods", amount=goods, shown=f"{list_goods} − {discount}"),
        Arithmetic(name="Freight", amount=freight, shown=freight_shown),
        Arithmetic(name="Total before tax", amount=total, shown=f"{goods} + {freight}"),
        Arithmetic(name=terms.tax_name, amount=tax, shown=tax_shown),
        Arithmetic(
            name="Deposit",
            amount=deposit,
            shown=f"{bare(terms.first_order_deposit)} % of {total}" if deposit else "none due",
        ),
    )
    return Totals(
        currency=terms.currency, list_goods=list_goods, tier_percent=percent, discount=discount, goods=goods,
        freight=freight, total=total, deposit=deposit, tax=tax, total_with_tax=total + tax,
        minimum=Decimal(0), minimum_kind="", arithmetic=sums,
    )  # fmt: skip


def fetched(terms: Terms) -> Terms:
    """The same terms for goods that the shop fetches: no freight."""
    return replace(terms, freight_flat=Decimal(0))


def shared_out(whole: Priced, parts: Sequence[Sequence[Goods]], terms: Terms, account: Account) -> tuple[Priced, ...]:
    """The shipments of one order, each priced for itself: tier and minimum of the whole, freight of its own.

    The discount is dealt by list goods, so that the parts' discounts sum to the whole's.
    """
    lists = [sum((line.list_amount(terms.currency) for line in part), Decimal(0)) for part in parts]
    off = share(to_minor(whole.totals.discount, terms.currency), lists)
    return tuple(
        _part(whole.totals, part, from_minor(minor, terms.currency), terms, account)
        for part, minor in zip(parts, off, strict=True)
    )


def _part(whole: Totals, goods: Sequence[Goods], discount: Decimal, terms: Terms, account: Account) -> Priced:
    amounts = tuple(line.list_amount(terms.currency) for line in goods)
    list_goods = sum(amounts, Decimal(0))
    freight = freight_for(list_goods, list_goods - discount, terms)
    shown = f"its part of {whole.discount} on {whole.list_goods} ordered together"
    totals = _summed(terms, account, list_goods, (whole.tier_percent, discount, shown), freight)
    return Priced(
        totals=replace(totals, minimum=min(whole.minimum, list_goods), minimum_kind=whole.minimum_kind),
        list_amounts=amounts,
        discounts=tuple(
            from_minor(part, terms.currency) for part in share(to_minor(discount, terms.currency), amounts)
        ),
    )


def together(whole: Priced, parts: Sequence[Priced], terms: Terms) -> Priced:
    """The whole as its shipments come to it: their freight, deposit and tax added up."""

    def added(name: str) -> Decimal:
        return sum((getattr(part.totals, name) for part in parts), Decimal(0))

    names = {"Freight": "freight", "Total before tax": "total", "Deposit": "deposit", terms.tax_name: "tax"}
    shown = [
        replace(row, amount=added(names[row.name]), shown=" + ".join(_shown_of(part, row.name) for part in parts))
        if row.name in names else row
        for row in whole.totals.arithmetic
    ]  # fmt: skip
    totals = replace(
        whole.totals, arithmetic=tuple(shown), freight=added("freight"), total=added("total"),
        deposit=added("deposit"), tax=added("tax"), total_with_tax=added("total_with_tax"),
    )  # fmt: skip
    # What would free the freight of the whole frees that of no shipment.
    gaps_left = tuple(gap for gap in whole.gaps if gap.kind != "free_freight")
    return replace(whole, totals=totals, gaps=gaps_left)


def _shown_of(part: Priced, name: str) -> str:
    return str(next(row.amount for row in part.totals.arithmetic if row.name == name))


def tier_discount(list_goods: Decimal, terms: Terms) -> tuple[Decimal, Decimal, str]:
    """The tier's percentage, the discount and its arithmetic, by the method in the terms."""
    reached = [tier for tier in terms.tiers if list_goods >= tier.from_amount]
    percent = reached[-1].percent if reached else Decimal(0)
    if terms.tier_method == "whole_order":
        off = round_money(list_goods * percent / 100, terms.currency)
        return percent, off, f"{bare(percent)} % of {list_goods}, whole order"
    bands = [*[(t.from_amount, t.percent) for t in reached], (list_goods, Decimal(0))]
    parts = [(above - below, rate) for (below, rate), (above, _) in pairwise(bands) if above > below and rate]
    off = round_money(sum((width * rate for width, rate in parts), Decimal(0)) / 100, terms.currency)
    return percent, off, " + ".join(f"{bare(rate)} % of {width}" for width, rate in parts) or "no tier reached"


def freight_for(list_goods: Decimal, goods: Decimal, terms: Terms) -> tuple[Decimal, str]:
    """Freight of an order and why: flat below the threshold, free from it on, none for an empty basket."""
    judged = goods if terms.freight_judged_on == "discounted_goods" else list_goods
    if not list_goods:
        return Decimal(0), "nothing ordered"
    if not terms.freight_flat:
        return Decimal(0), "none is charged"
    if terms.freight_free_from and judged >= terms.freight_free_from:
        return Decimal(0), f"free: {judged} ≥ {terms.freight_free_from}"
    return terms.freight_flat, f"flat: {judged} < {terms.freight_free_from}"


def tax_for(goods: Decimal, freight: Decimal, terms: Terms, exempt_because: str) -> tuple[Decimal, str]:
    """Tax on goods (and freight, if the terms say so), and its arithmetic; 0 with the reason when exempt."""
    if exempt_because and terms.tax_exemption != "none":
        return Decimal(0), f"no tax: {exempt_because}"
    taxed = goods + freight if terms.tax_on == "goods_and_freight" else goods
    return round_money(taxed * terms.tax_percent / 100, terms.currency), f"{bare(terms.tax_percent)} % of {taxed}"


def _deposit(total: Decimal, terms: Terms, account: Account) -> Decimal:
    if account.last_order_on is not None:
        return Decimal(0)
    return round_money(total * terms.first_order_deposit / 100, terms.currency)


def minimum_kind(last_order_on: date | None, dormant_months: int, on: date) -> str:
    """``opening`` for a first order, ``dormant`` after so many months without one, else ``reorder``."""
    if last_order_on is None:
        return "opening"
    return "dormant" if on >= months_after(last_order_on, dormant_months) else "reorder"


def months_after(day: date, months: int) -> date:
    """The same day ``months`` later, or the month's last day where there is no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    for last in range(day.day, 27, -1):
        try:
            return date(day.year + years, month + 1, last)
        except ValueError:
            continue
    return date(day.year + years, month + 1, day.day)


def gaps(totals: Totals, terms: Terms, account: Account, on: date, offers: Sequence[Offer]) -> tuple[Gap, ...]:
    """What is missing to the minimum, the next tier and free freight, in this order; closed gaps are left out."""

    def gap(
        kind: str, threshold: Decimal, reached: Callable[[Totals], Decimal], percent: Decimal = Decimal(0)
    ) -> list[Gap]:
        missing = threshold - reached(totals)
        if missing <= 0:
            return []
        closer = _cheapest(totals, threshold, reached, terms, account, on, offers)
        return [Gap(kind=kind, threshold=threshold, missing=missing, closer=closer, percent=percent)]

    above = [tier for tier in terms.tiers if tier.from_amount > totals.list_goods]
    by_goods = terms.freight_judged_on == "discounted_goods"
    tier = gap("next_tier", above[0].from_amount, lambda t: t.list_goods, above[0].percent) if above else []
    free_from = terms.freight_free_from if terms.freight_flat else Decimal(0)
    freight = gap("free_freight", free_from, lambda t: t.goods if by_goods else t.list_goods)
    return (*gap("minimum", totals.minimum, lambda t: t.list_goods), *tier, *freight)


def _cheapest(
    totals: Totals, threshold: Decimal, reached: Callable[[Totals], Decimal], terms: Terms,
    account: Account, on: date, offers: Sequence[Offer],
) -> Closer | None:  # fmt: skip
    """The offer whose fewest closing cases cost least at list price; ties go to the lower total, then the name."""
    closers = []
    for offer in offers:
        for cases in range(_least_cases(threshold - reached(totals), offer.case_price), _MOST_CASES):
            then = total_up(totals.list_goods + cases * offer.case_price, terms, account, on)
            if reached(then) >= threshold:
                change = then.total - totals.total
                adds = cases * offer.case_price
                closers.append(
                    Closer(item=offer.item, name=offer.name, cases=cases, list_amount=adds, total_change=change)
                )
                break
    return min(closers, key=lambda c: (c.list_amount, c.total_change, c.name), default=None)


def _least_cases(missing: Decimal, case_price: Decimal) -> int:
    """Cases that could close the gap if no discount grew; a free product closes nothing."""
    if case_price <= 0:
        return _MOST_CASES
    return max(1, int(-(-missing // case_price)))


def refuse_below_minimum(priced: Priced) -> None:
    """A ``Refusal`` with the closing case when the list goods are below the minimum."""
    totals = priced.totals
    if not totals.below_minimum:
        return
    closer = next((gap.closer for gap in priced.gaps if gap.kind == "minimum"), None)
    hint = _cheapest_way(closer, totals.currency) if closer else ""
    goods, missing, minimum = (
        _words(amount, totals.currency) for amount in (totals.list_goods, totals.below_minimum, totals.minimum)
    )
    name = "minimum for a reorder" if totals.minimum_kind == "reorder" else "opening minimum"
    message = f"The goods come to {goods}, {missing} below the {name} of {minimum}.{hint}"
    raise Refusal(
        "below_minimum", message, "cases", missing=str(totals.below_minimum), closer=closer.item if closer else ""
    )


def _cheapest_way(closer: Closer, currency: str) -> str:
    cases = "1 more case" if closer.cases == 1 else f"{closer.cases} more cases"
    return f" The cheapest way: {cases} of {closer.name} for {_words(closer.list_amount, currency)}."


def _words(amount: Decimal, currency: str) -> str:
    return money_words(round_money(amount, currency), currency)
