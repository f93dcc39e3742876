"""Invoices and credit notes as data, and what money that came in does to them.

Totals follow EN 16931-1 (BR-CO-10 to 17); amounts are ``Decimal`` in major units of
one currency, halves away from zero. Over all deliveries of an order the amounts of a
line add up to the order's frozen ones: each invoice takes the share up to its own
cases, less what was invoiced before.

What is taxed, and what a certificate frees from tax, is for local rules and a tax
adviser to say; here the workshop's settings are followed.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, NamedTuple, get_args, get_origin, get_type_hints

from wholesale.core.pricing import Arithmetic, Terms
from wholesale.core.values import bare, day_words, round_money

ZERO = Decimal(0)

# ── what an invoice says ─────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Party:
    """Who sells, buys or receives. ``country`` is ISO 3166 alpha-2; ``name`` the legal name."""

    name: str
    trade_name: str = ""
    line1: str = ""
    line2: str = ""
    city: str = ""
    region: str = ""
    postcode: str = ""
    country: str = ""
    tax_id: str = ""
    email: str = ""
    phone: str = ""


@dataclass(frozen=True, kw_only=True)
class InvoiceLine:
    """Whole cases of one product: ``net`` (BT-131) = ``list_amount`` − ``allowance`` (BT-136).

    ``unit_price`` (BT-146) is per piece. ``category`` and ``percent`` are its tax
    category (UNCL 5305) and rate.
    """

    position: int
    item: str
    name: str
    note: str
    gtin: str
    cases: int
    case_pack: int
    unit_price: Decimal
    list_amount: Decimal
    allowance: Decimal
    net: Decimal
    category: str
    percent: Decimal

    @property
    def pieces(self) -> int:
        """Pieces in all (BT-129)."""
        return self.cases * self.case_pack


@dataclass(frozen=True, kw_only=True)
class Charge:
    """A charge on the whole document (BT-99): freight."""

    reason: str
    amount: Decimal
    category: str
    percent: Decimal


@dataclass(frozen=True, kw_only=True)
class TaxGroup:
    """One tax category at one rate: BT-116 taxable, BT-117 tax; ``reason`` says why a group is exempt (BT-120)."""

    category: str
    percent: Decimal
    taxable: Decimal
    tax: Decimal
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class Sums:
    """The totals of a document, with EN 16931's terms: lines BT-106 … due BT-115."""

    lines: Decimal
    allowances: Decimal
    charges: Decimal
    net: Decimal
    tax: Decimal
    gross: Decimal
    paid: Decimal
    rounding: Decimal
    due: Decimal


@dataclass(frozen=True, kw_only=True)
class Prepaid:
    """Money that was there before the invoice: ``kind`` is ``deposit`` or ``account``."""

    kind: str
    words: str
    amount: Decimal


@dataclass(frozen=True, kw_only=True)
class EarlyPayment:
    """So many percent off the amount due when it is paid ``by`` that day, the day itself included."""

    percent: Decimal
    by: date
    discount: Decimal
    pays: Decimal


@dataclass(frozen=True, kw_only=True)
class InvoiceValue:
    """One issued document, whole: ``kind`` is ``invoice`` or ``credit``. A credit note's amounts are positive.

    ``corrects`` and ``corrects_on`` name the invoice that a credit note takes back.
    """

    kind: str
    number: str
    currency: str
    issued_on: date
    supply_on: date
    due_on: date | None
    seller: Party
    buyer: Party
    ship_to: Party
    po_number: str
    order_number: str
    shipment_number: str
    lines: tuple[InvoiceLine, ...]
    charges: tuple[Charge, ...]
    tax_name: str
    taxes: tuple[TaxGroup, ...]
    sums: Sums
    prepaid: tuple[Prepaid, ...]
    early: EarlyPayment | None
    payment_terms: str
    how_to_pay: str
    notes: tuple[str, ...]
    arithmetic: tuple[Arithmetic, ...]
    corrects: str = ""
    corrects_on: date | None = None
    because: str = ""

    @property
    def exempt_because(self) -> str:
        """Why no tax, or not on all of it, is charged; empty when all is taxed."""
        return " ".join(group.reason for group in self.taxes if group.reason)

    def to_json(self) -> dict[str, Any]:
        """The document as JSON-ready values: amounts as text, days as ISO 8601."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    @classmethod
    def from_json(cls, frozen: Mapping[str, Any]) -> "InvoiceValue":
        """The document that ``to_json`` froze."""
        return _read_dataclass(cls, frozen)  # type: ignore[no-any-return]


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, Decimal) else value


def _read(kind: Any, frozen: Any) -> Any:
    if frozen is None or kind in {str, int}:
        return frozen
    if get_origin(kind) is tuple:
        return tuple(_read(get_args(kind)[0], part) for part in frozen)
    if get_args(kind):
        return _read(get_args(kind)[0], frozen)
    if is_dataclass(kind):
        return _read_dataclass(kind, frozen)
    return date.fromisoformat(frozen) if kind is date else kind(frozen)


def _read_dataclass(kind: Any, frozen: Mapping[str, Any]) -> Any:
    hints = get_type_hints(kind)
    return kind(**{name: _read(hints[name], value) for name, value in frozen.items()})


# ── totals by EN 16931 ───────────────────────────────────────────────────────


class Taxed(NamedTuple):
    """An amount with its tax category and rate."""

    category: str
    percent: Decimal
    amount: Decimal


def tax_groups(parts: Iterable[Taxed], currency: str, reasons: Mapping[str, str] | None = None) -> tuple[TaxGroup, ...]:
    """One group a category and rate: BT-117 = BT-116 × BT-119 / 100 (BR-CO-17, BR-S-08); ``reasons`` by category."""
    taxable: dict[tuple[str, Decimal], Decimal] = {}
    for part in parts:
        key = (part.category, part.percent)
        taxable[key] = taxable.get(key, ZERO) + part.amount
    return tuple(
        TaxGroup(
            category=category, percent=percent, taxable=amount,
            tax=round_money(amount * percent / 100, currency), reason=(reasons or {}).get(category, ""),
        )
        for (category, percent), amount in taxable.items()
    )  # fmt: skip


def total_up(
    line_nets: Iterable[Decimal],
    groups: Iterable[TaxGroup],
    currency: str,
    *,
    allowances: Iterable[Decimal] = (),
    charges: Iterable[Decimal] = (),
    paid: Decimal = ZERO,
    rounding: Decimal = ZERO,
) -> Sums:
    """The document totals from their parts (EN 16931-1, BR-CO-10 to BR-CO-16)."""
    lines, off, added = sum(line_nets, ZERO), sum(allowances, ZERO), sum(charges, ZERO)
    net, tax = lines - off + added, sum((group.tax for group in groups), ZERO)
    amounts = {
        "lines": lines, "allowances": off, "charges": added, "net": net, "tax": tax, "gross": net + tax,
        "paid": paid, "rounding": rounding, "due": net + tax - paid + rounding,
    }  # fmt: skip
    # No more decimals than the currency has (BR-DEC), and no fewer: 0.00, not 0.
    return Sums(**{name: round_money(amount, currency) for name, amount in amounts.items()})


# ── an invoice from a shipment ───────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class BilledLine:
    """Cases of one order line to invoice, and what was ordered and invoiced of it before.

    ``discount_ordered`` is the line's frozen discount, for all ``cases_ordered``.
    """

    position: int
    item: str
    name: str
    cases: int
    case_pack: int
    unit_price: Decimal
    cases_ordered: int
    discount_ordered: Decimal
    note: str = ""
    gtin: str = ""
    cases_before: int = 0
    list_before: Decimal = ZERO
    discount_before: Decimal = ZERO


@dataclass(frozen=True, kw_only=True)
class Bill:
    """All that an invoice is made from. ``freight`` is what of the order's freight is not invoiced yet.

    ``exempt_because`` says which certificate is held on ``issued_on``; ``at_hand`` is
    money to draw on, in this order; ``more_to_come`` that cases of the order are left.
    """

    number: str
    issued_on: date
    supply_on: date
    terms: Terms
    seller: Party
    buyer: Party
    ship_to: Party
    order_number: str
    shipment_number: str
    lines: tuple[BilledLine, ...]
    freight: Decimal
    po_number: str = ""
    how_to_pay: str = ""
    exempt_because: str = ""
    at_hand: tuple[Prepaid, ...] = ()
    more_to_come: bool = False


class TaxRule(NamedTuple):
    """Category and rate of goods and of freight, and the reason of each category that is not taxed."""

    goods: tuple[str, Decimal]
    freight: tuple[str, Decimal]
    reasons: dict[str, str]


def tax_rule(terms: Terms, exempt_because: str) -> TaxRule:
    """How goods and freight are taxed: S at the rate, E with a reason, or Z where the rate is 0 (UNCL 5305)."""
    if exempt_because and terms.tax_exemption != "none":
        return TaxRule(("E", ZERO), ("E", ZERO), {"E": exempt_because})
    if not terms.tax_percent:
        return TaxRule(("Z", ZERO), ("Z", ZERO), {})
    taxed = ("S", terms.tax_percent)
    if terms.tax_on == "goods_and_freight":
        return TaxRule(taxed, taxed, {})
    return TaxRule(taxed, ("E", ZERO), {"E": f"No {terms.tax_name.lower()} on freight."})


def invoice_for_shipment(bill: Bill) -> InvoiceValue:
    """The invoice of what was shipped, with money at hand drawn down as paid (BT-113)."""
    rule, currency = tax_rule(bill.terms, bill.exempt_because), bill.terms.currency
    lines = tuple(_invoice_line(line, rule.goods, currency) for line in bill.lines)
    charges = _freight(bill.freight, rule.freight)
    groups = tax_groups(_taxed(lines, charges), currency, rule.reasons)
    nets, added = [line.net for line in lines], [charge.amount for charge in charges]
    before_paid = total_up(nets, groups, currency, charges=added)
    prepaid = draw_down(before_paid.gross, bill.at_hand)
    sums = total_up(nets, groups, currency, charges=added, paid=sum((part.amount for part in prepaid), ZERO))
    due_on = bill.issued_on + timedelta(days=bill.terms.net_days)
    early = early_payment(sums.due, bill.terms, bill.issued_on)
    return InvoiceValue(
        kind="invoice", number=bill.number, currency=currency, issued_on=bill.issued_on, supply_on=bill.supply_on,
        due_on=due_on, seller=bill.seller, buyer=bill.buyer, ship_to=bill.ship_to, po_number=bill.po_number,
        order_number=bill.order_number, shipment_number=bill.shipment_number, lines=lines, charges=charges,
        tax_name=bill.terms.tax_name, taxes=groups, sums=sums, prepaid=prepaid, early=early,
        payment_terms=_terms_words(sums.due, currency, due_on, early), how_to_pay=bill.how_to_pay,
        notes=("More cases of this order follow, with an invoice of their own.",) if bill.more_to_come else (),
        arithmetic=_arithmetic(lines, charges, groups, sums, bill.terms.tax_name),
    )  # fmt: skip


def share_so_far(whole: Decimal, cases: int, of_cases: int, currency: str) -> Decimal:
    """The part of ``whole`` that the first ``cases`` of ``of_cases`` cases carry, rounded once."""
    return round_money(whole * cases / of_cases, currency)


def _invoice_line(line: BilledLine, tax: tuple[str, Decimal], currency: str) -> InvoiceLine:
    so_far = line.cases_before + line.cases
    list_so_far = round_money(line.unit_price * line.case_pack * so_far, currency)
    list_amount = list_so_far - line.list_before
    off = share_so_far(line.discount_ordered, so_far, line.cases_ordered, currency) - line.discount_before
    return InvoiceLine(
        position=line.position, item=line.item, name=line.name, note=line.note, gtin=line.gtin, cases=line.cases,
        case_pack=line.case_pack, unit_price=line.unit_price, list_amount=list_amount, allowance=off,
        net=list_amount - off, category=tax[0], percent=tax[1],
    )  # fmt: skip


def _freight(amount: Decimal, tax: tuple[str, Decimal]) -> tuple[Charge, ...]:
    return (Charge(reason="Freight", amount=amount, category=tax[0], percent=tax[1]),) if amount else ()


def _taxed(lines: Sequence[InvoiceLine], charges: Sequence[Charge]) -> list[Taxed]:
    goods = [Taxed(line.category, line.percent, line.net) for line in lines]
    return goods + [Taxed(charge.category, charge.percent, charge.amount) for charge in charges]


def draw_down(gross: Decimal, at_hand: Iterable[Prepaid]) -> tuple[Prepaid, ...]:
    """What of the money at hand pays an invoice of ``gross``, in the order given; never more than it."""
    drawn, left = [], gross
    for money in at_hand:
        amount = min(money.amount, left)
        if amount > 0:
            drawn.append(replace(money, amount=amount))
            left -= amount
    return tuple(drawn)


def early_payment(due: Decimal, terms: Terms, issued_on: date) -> EarlyPayment | None:
    """The early-payment discount on what is due, if the terms give one. What a deposit paid earns none."""
    off = round_money(due * terms.early_discount / 100, terms.currency)
    if off <= 0:
        return None
    by = issued_on + timedelta(days=terms.early_days)
    return EarlyPayment(percent=terms.early_discount, by=by, discount=off, pays=due - off)


def _terms_words(due: Decimal, currency: str, due_on: date, early: EarlyPayment | None) -> str:
    if not due:
        return "Paid in full. Nothing is due."
    words = f"{due} {currency} is due by {day_words(due_on)}."
    if early is None:
        return words
    percent = bare(early.percent)
    return f"{words} {percent} % off ({early.discount}) if paid by {day_words(early.by)}: then {early.pays} {currency}."


def _arithmetic(
    lines: Sequence[InvoiceLine], charges: Sequence[Charge], groups: Sequence[TaxGroup], sums: Sums, tax_name: str
) -> tuple[Arithmetic, ...]:
    """Each total with the sum it came from."""
    list_goods, off = sum(line.list_amount for line in lines), sum(line.allowance for line in lines)
    rows = [
        ("Goods", sums.lines, f"{list_goods} − {off} discount" if off else f"{list_goods}"),
        *((charge.reason, charge.amount, "as agreed with the order") for charge in charges),
        ("Net", sums.net, f"{sums.lines} + {sums.charges}"),
        (tax_name, sums.tax, _tax_shown(groups)),
        ("Total", sums.gross, f"{sums.net} + {sums.tax}"),
        ("Due", sums.due, f"{sums.gross} − {sums.paid}"),
    ]
    return tuple(Arithmetic(name=name, amount=amount, shown=shown) for name, amount, shown in rows)


def _tax_shown(groups: Sequence[TaxGroup]) -> str:
    taxed = [f"{bare(group.percent)} % of {group.taxable}" for group in groups if group.percent]
    return " + ".join(taxed) or " ".join(group.reason for group in groups) or "0 %"


# ── a credit note ────────────────────────────────────────────────────────────


def credit_in_full(
    invoice: InvoiceValue, *, number: str, issued_on: date, because: str, closes: Decimal
) -> InvoiceValue:
    """The credit note that takes a whole invoice back: every line, the freight and the tax.

    ``closes`` is what of it settles the invoice; the rest, what had been paid, stands on account.
    """
    nets, added = [line.net for line in invoice.lines], [charge.amount for charge in invoice.charges]
    sums = total_up(nets, invoice.taxes, invoice.currency, charges=added)
    rest = sums.gross - closes
    words = f"{closes} {invoice.currency} closes {invoice.number}; {rest} {invoice.currency} stands on account."
    arithmetic = _arithmetic(invoice.lines, invoice.charges, invoice.taxes, sums, invoice.tax_name)
    return replace(
        invoice, kind="credit", number=number, issued_on=issued_on, due_on=None, sums=sums, prepaid=(), early=None,
        payment_terms=words, how_to_pay="", notes=(), corrects=invoice.number, corrects_on=invoice.issued_on,
        because=because, arithmetic=tuple(row for row in arithmetic if row.name != "Due"),
    )  # fmt: skip


# ── money that comes in ──────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class OpenInvoice:
    """An invoice with something still to pay; ``percent`` off what is paid by ``early_by``, if the terms say so."""

    key: int
    amount: Decimal
    percent: Decimal = ZERO
    early_by: date | None = None


class Settled(NamedTuple):
    """Money set against one invoice, and the early-payment discount granted with it."""

    key: int
    amount: Decimal
    discount: Decimal


def settle(cash: Decimal, to_pay: Decimal, percent: Decimal, currency: str) -> tuple[Decimal, Decimal]:
    """How much of ``cash`` pays an open amount, and its discount, pro rata: at 2 % cash settles cash / 0.98."""
    closing = to_pay - round_money(to_pay * percent / 100, currency)
    if cash >= closing:
        return closing, to_pay - closing
    return cash, round_money(cash * 100 / (100 - percent), currency) - cash


def allocate(
    cash: Decimal, invoices: Iterable[OpenInvoice], received_on: date | None, currency: str
) -> tuple[tuple[Settled, ...], Decimal]:
    """Set money against invoices in the order given; return what was set and what is left over.

    Money received after an invoice's early day, or with no day of its own
    (``None``: it stood on account), earns no discount.
    """
    settled, left = [], cash
    for invoice in invoices:
        if left <= 0:
            break
        in_time = received_on is not None and invoice.early_by is not None and received_on <= invoice.early_by
        used, off = settle(left, invoice.amount, invoice.percent if in_time else ZERO, currency)
        settled.append(Settled(invoice.key, used, off))
        left -= used
    return tuple(settled), left
