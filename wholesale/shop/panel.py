"""What an order comes to and when it leaves, in the words of the order sheet."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from wholesale.core.pricing import Arithmetic, Gap, Terms
from wholesale.queries.orders import Quote
from wholesale.web.gates import Step, steps
from wholesale.web.templatetags.casewright import count, money


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
class Panel:
    """The sums, the gaps and the promise of one basket."""

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
    steps: tuple[Step, ...]


def panel(quote: Quote) -> Panel:
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
        steps=steps(promise.gates if promise else ()),
    )


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
