"""What an order comes to and when it leaves, in the words of the order sheet."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal

from wholesale.core.pricing import Arithmetic, Gap, Terms
from wholesale.core.production.alternatives import Alternative
from wholesale.queries.orders import Part, Quote, Sooner
from wholesale.queries.sheet import Product
from wholesale.shop.changes import offered
from wholesale.shop.typed import to_take
from wholesale.web.gates import Step, steps
from wholesale.web.templatetags.casewright import count, day, money


@dataclass(frozen=True, kw_only=True)
class Amount:
    """One line of the sums and how it was found."""

    name: str
    amount: Decimal
    how: str


@dataclass(frozen=True, kw_only=True)
class Fix:
    """What is missing to a threshold, and the cheapest cases that close the gap."""

    kind: str
    missing: str
    closer: str
    add: str
    button: str


@dataclass(frozen=True, kw_only=True)
class Way:
    """What would come sooner: what to do, the cases it changes, when it comes, what it costs, what its button sends."""

    words: str
    changes: str
    when: str
    costs: str
    take: str


@dataclass(frozen=True, kw_only=True)
class Together:
    """What leaves on one day: cases, its days and its gates."""

    cases: int
    leaves: date
    arrives: date
    steps: tuple[Step, ...]


@dataclass(frozen=True, kw_only=True)
class Panel:
    """The sums, the gaps and the promise of one basket; ``at_once`` is what a split order's button sends."""

    currency: str
    cases: int
    sums: tuple[Amount, ...]
    total: Amount
    tax: Amount
    deposit: Amount
    fixes: tuple[Fix, ...]
    refused: str
    short: Decimal
    leaves: date | None
    arrives: date | None
    holds_until: datetime | None
    kept_until: datetime | None
    pick_up: bool
    shipments: tuple[Together, ...]
    at_once: str
    ways: tuple[Way, ...]


def panel(quote: Quote, products: Sequence[Product]) -> Panel:
    """Put a quote into the words of the page."""
    totals, promise = quote.priced.totals, quote.promise
    sums = {row.name: row for row in totals.arithmetic}
    return Panel(
        currency=totals.currency,
        cases=sum(line.cases for line in quote.goods),
        sums=_sums(quote, sums),
        total=_amount("Total before tax", sums["Total before tax"]),
        tax=_amount(_tax_name(quote.terms, totals.tax), sums[quote.terms.tax_name]),
        deposit=_amount("Deposit, before the bench starts", sums["Deposit"]),
        fixes=tuple(_fix(gap, quote) for gap in quote.priced.gaps),
        refused=quote.refusal.message if quote.refusal and quote.refusal.code != "below_minimum" else "",
        short=totals.below_minimum,
        leaves=promise.leaves if promise else None,
        arrives=promise.arrives if promise else None,
        holds_until=quote.holds_until,
        kept_until=quote.kept_until,
        pick_up=quote.basket.pick_up,
        shipments=tuple(_together(part) for part in quote.parts),
        at_once=to_take(quote.basket, replace(quote.basket, first=())) if quote.basket.first else "",
        ways=tuple(_way(found, quote, products) for found in quote.sooner),
    )


def _together(part: Part) -> Together:
    promise = part.promise
    return Together(
        cases=part.basket.cases, leaves=promise.leaves, arrives=promise.arrives, steps=steps(promise.gates)
    )  # fmt: skip


def _way(found: Sooner, quote: Quote, products: Sequence[Product]) -> Way:
    other, currency = found.alternative, quote.terms.currency
    change = found.priced.totals.total - quote.priced.totals.total
    return Way(
        words=found.words, changes=offered(quote.basket, other.basket, products), when=_when(other, quote),
        take=to_take(quote.basket, other.basket),
        costs=f"{_signed(change, currency)} before tax" if change else "the same total",
    )  # fmt: skip


def _when(other: Alternative, quote: Quote) -> str:
    """The day it comes, how much sooner that is, and when the rest follows."""
    arrives = max(part.promise.arrives for part in quote.parts)
    sooner = f"{count((arrives - other.arrives).days, 'day,days')} sooner"
    rest = f"; the rest {day(other.rest_arrives)}" if other.rest_arrives else ""
    return f"with you {day(other.arrives)}, {sooner}{rest}"


def _sums(quote: Quote, found: dict[str, Arithmetic]) -> tuple[Amount, ...]:
    totals = quote.priced.totals
    how = " + ".join(
        f"{count(line.cases, 'case,cases')} × {line.list_amount(totals.currency) / line.cases:f}"
        for line in quote.goods
    )
    percent = f"{totals.tier_percent.normalize():f} %"
    return (
        Amount(name="Goods at list price", amount=totals.list_goods, how=how),
        _amount(f"Discount, {percent}" if totals.discount else "Discount", found["Discount"]),
        _amount("Goods", found["Goods"]),
        _amount("Freight", found["Freight"]),
    )


def _amount(name: str, found: Arithmetic) -> Amount:
    return Amount(name=name, amount=found.amount, how=found.shown)


def _tax_name(terms: Terms, tax: Decimal) -> str:
    name = f"{terms.tax_percent.normalize():f} % {terms.tax_name}"
    if not tax:
        return terms.tax_name
    return name if terms.tax_exemption == "none" else f"{name} if billed without a resale certificate"


def _fix(gap: Gap, quote: Quote) -> Fix:
    currency, closer = quote.terms.currency, gap.closer
    return Fix(
        kind=gap.kind,
        missing=_missing(gap, quote),
        closer="" if closer is None else (
            f"{count(closer.cases, 'case,cases')} of {closer.name}: "
            f"adds {money(closer.list_amount, currency)} of goods, "
            f"changes the total by {_signed(closer.total_change, currency)}."
        ),
        add="" if closer is None else f"{closer.item}:{closer.cases}",
        button="" if closer is None else f"Add {count(closer.cases, 'case,cases')} of {closer.name}",
    )  # fmt: skip


def _missing(gap: Gap, quote: Quote) -> str:
    currency, percent = quote.terms.currency, f"{gap.percent.normalize():f} %"
    missing, threshold = money(gap.missing, currency), money(gap.threshold, currency)
    if gap.kind == "next_tier":
        return f"{missing} to {percent} off, which starts at {threshold} of goods."
    if gap.kind == "free_freight":
        return f"{missing} to free freight, from {threshold} of goods."
    name = "reorder minimum" if quote.priced.totals.minimum_kind == "reorder" else "opening minimum"
    return f"{missing} short of the {name} of {threshold}."


def _signed(amount: Decimal, currency: str) -> str:
    return f"+{money(amount, currency)}" if amount > 0 else money(amount, currency)
