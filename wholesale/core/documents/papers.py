"""What stands on the papers that leave the workshop: confirmation, invoice, packing slip.

Money is ``Decimal`` in major units. What must stand on an invoice: EU Directive
2006/112 Art. 226; the rest is common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from wholesale.core import invoicing
from wholesale.core.invoicing import InvoiceLine, InvoiceValue, TaxGroup
from wholesale.core.pricing import Terms
from wholesale.core.values import percent

# ── what papers share ────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Party:
    """Somebody a paper names: legal name, address lines, tax number, where to reach them."""

    name: str
    lines: tuple[str, ...] = ()
    tax_id: str = ""
    email: str = ""
    phone: str = ""


@dataclass(frozen=True, kw_only=True)
class House:
    """The workshop on its own papers: the name shops know, its legal identity, its country (ISO 3166)."""

    name: str
    party: Party
    country: str

    @property
    def paper_size(self) -> str:
        """``letter`` in the United States (ANSI Y14.1), ``a4`` elsewhere (ISO 216)."""
        return "letter" if self.country == "US" else "a4"


@dataclass(frozen=True, kw_only=True)
class Paper:
    """What every paper has: who writes it, its number, the day it was written."""

    house: House
    number: str
    written_on: date


@dataclass(frozen=True, kw_only=True)
class Sum:
    """A line of the totals; ``how`` is its arithmetic, ``strong`` marks the one that counts."""

    name: str
    amount: Decimal
    how: str = ""
    strong: bool = False


@dataclass(frozen=True, kw_only=True)
class ScentCount:
    """Pieces of one scent, by name."""

    name: str
    pieces: int


def address_lines(address: Mapping[str, str]) -> tuple[str, ...]:
    """An address as it stands on a label: name, lines, place, country; empty parts are left out."""
    place = " ".join(address[part] for part in ("city", "region", "postcode") if address.get(part))
    named = [address.get(part, "") for part in ("name", "line1", "line2")]
    return tuple(line for line in (*named, place, address.get("country", "")) if line)


# ── order confirmation ───────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class ConfirmationLine:
    """Whole cases of one product: scents in one case, unit and case price, and the list amount."""

    code: str
    name: str
    scents: tuple[ScentCount, ...]
    cases: int
    case_pack: int
    unit_price: Decimal
    case_price: Decimal
    amount: Decimal

    @property
    def pieces(self) -> int:
        """Pieces in all cases."""
        return self.cases * self.case_pack


@dataclass(frozen=True, kw_only=True)
class PromiseStep:
    """One gate of the promise, in short."""

    title: str
    on: date
    because: str = ""
    binding: bool = False


@dataclass(frozen=True, kw_only=True)
class DateChange:
    """A promised day that gave way to another, told on a day, and why."""

    told_on: date
    was: date
    now: date
    because: str


@dataclass(frozen=True, kw_only=True)
class Confirmation(Paper):
    """What was agreed: lines, sums before tax, deposit, and the day it leaves."""

    confirmed: bool
    placed_on: date
    po_number: str
    note: str
    buyer: Party
    ship_to: tuple[str, ...]
    currency: str
    lines: tuple[ConfirmationLine, ...]
    sums: tuple[Sum, ...]
    total: Decimal
    deposit: Decimal
    deposit_how: str
    tax_note: str
    payment_terms: str
    how_to_pay: str
    leaves: date
    arrives: date
    holds_until: datetime | None
    steps: tuple[PromiseStep, ...]
    wanted: str = ""
    pick_up: bool = False
    changes: tuple[DateChange, ...] = ()

    @property
    def decided_by(self) -> PromiseStep | None:
        """The step that cost most of the time."""
        return next((step for step in self.steps if step.binding), None)

    @property
    def cases(self) -> int:
        """Cases in all."""
        return sum(line.cases for line in self.lines)


def payment_terms(terms: Terms) -> str:
    """When an invoice is due, and what paying early earns, as one sentence."""
    due = f"within {terms.net_days} days of the invoice" if terms.net_days else "when you get the invoice"
    if terms.early_discount and terms.early_days:
        early = f"{percent(terms.early_discount)} off when paid within {terms.early_days} days of the invoice"
        return f"{early}; otherwise the full amount {due}."
    return f"The full amount is due {due}."


def tax_note(terms: Terms, exempt_because: str) -> str:
    """What is said about tax before there is an invoice. Whether it is due is decided at billing."""
    what = "goods and freight" if terms.tax_on == "goods_and_freight" else "the goods"
    charged = f"{terms.tax_name}, {percent(terms.tax_percent)} of {what}, is added on the invoice"
    if terms.tax_exemption == "none":
        return f"{charged}."
    if exempt_because:
        return f"No {terms.tax_name.lower()} is planned: {exempt_because} What counts is the day of the invoice."
    return f"{charged}, unless a valid resale certificate is on file when it is written."


# ── invoice and credit note ──────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class TaxedLine:
    """A line of an invoice with its tax rate in words."""

    line: InvoiceLine
    tax: str


@dataclass(frozen=True, kw_only=True)
class InvoicePaper(Paper):
    """An issued invoice or credit note, as it was frozen; ``written_on`` is the day of issue."""

    invoice: InvoiceValue

    @property
    def is_credit(self) -> bool:
        """Whether it takes an invoice back."""
        return self.invoice.kind == "credit"

    @property
    def seller(self) -> Party:
        """Who issued it."""
        return named_party(self.invoice.seller)

    @property
    def buyer(self) -> Party:
        """Who pays it."""
        return named_party(self.invoice.buyer)

    @property
    def ship_to(self) -> tuple[str, ...]:
        """Where the goods went; nothing where no address was frozen."""
        address = self.invoice.ship_to
        return address_lines(vars(address)) if address.line1 or address.city else ()

    @property
    def lines(self) -> tuple[TaxedLine, ...]:
        """What was shipped, each line with its tax rate; a dash where none is charged."""
        return tuple(
            TaxedLine(line=line, tax=percent(line.percent) if line.percent else "–") for line in self.invoice.lines
        )

    @property
    def discounted(self) -> bool:
        """Whether any line carries a discount, so that its column is worth printing."""
        return any(line.allowance for line in self.invoice.lines)

    @property
    def sums(self) -> tuple[Sum, ...]:
        """From the goods to what is due (EN 16931, BT-106 to BT-115), each with its arithmetic."""
        sums = self.invoice.sums
        last = Sum(name="Credited", amount=sums.gross, strong=True)
        if self.is_credit:
            return (*self._up_to_tax(), last)
        paid = (Sum(name=part.words, amount=-part.amount) for part in self.invoice.prepaid)
        rounding = [Sum(name="Rounding", amount=sums.rounding)] if sums.rounding else []
        due = Sum(name="Amount due", amount=sums.due, strong=True)
        return (*self._up_to_tax(), Sum(name="Total", amount=sums.gross), *paid, *rounding, due)

    def _up_to_tax(self) -> list[Sum]:
        value, how = self.invoice, {row.name: row.shown for row in self.invoice.arithmetic}
        goods = Sum(name="Goods", amount=value.sums.lines, how=how.get("Goods", ""))
        charges = [Sum(name=charge.reason, amount=charge.amount) for charge in value.charges]
        net = Sum(name="Net", amount=value.sums.net)
        # What is not taxed has its reason beside the table; a row of zero would say nothing more.
        taxed = [group for group in value.taxes if group.percent] or value.taxes[:1]
        tax = [Sum(name=value.tax_name, amount=group.tax, how=_tax_how(group)) for group in taxed]
        return [goods, *charges, net, *tax]


def _tax_how(group: TaxGroup) -> str:
    return f"{percent(group.percent)} of {group.taxable}" if group.percent else "not charged"


def named_party(party: invoicing.Party) -> Party:
    """A party of an invoice as papers print it: the legal name, then its address without the name."""
    lines = address_lines({**vars(party), "name": ""})
    return Party(name=party.name, lines=lines, tax_id=party.tax_id, email=party.email, phone=party.phone)


# ── packing slip ─────────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class LotCount:
    """Pieces from one lot."""

    code: str
    pieces: int


@dataclass(frozen=True, kw_only=True)
class SlipScent:
    """Pieces of one scent in the cartons, by lot."""

    name: str
    pieces: int
    lots: tuple[LotCount, ...]


@dataclass(frozen=True, kw_only=True)
class SlipLine:
    """One order line, in cases: ordered, sent before, in these cartons; what is left still waits."""

    code: str
    name: str
    case_pack: int
    ordered: int
    before: int
    shipped: int
    scents: tuple[SlipScent, ...]

    @property
    def waiting(self) -> int:
        """Cases that follow later."""
        return self.ordered - self.before - self.shipped


@dataclass(frozen=True, kw_only=True)
class PackingSlip(Paper):
    """What is in the cartons. It holds no price: the person who unpacks need not know any."""

    order_number: str
    po_number: str
    shop: str
    ship_to: tuple[str, ...]
    shipped_on: date | None
    arrives_on: date | None
    carrier: str
    tracking: str
    cartons: int
    lines: tuple[SlipLine, ...]
    claim_days: int
    claim_until: date | None
    wanted: str = ""
    pick_up: bool = False

    @property
    def cases(self) -> int:
        """Cases in these cartons."""
        return sum(line.shipped for line in self.lines)

    @property
    def waiting(self) -> int:
        """Cases of the order that follow later."""
        return sum(line.waiting for line in self.lines)
