"""What was invoiced, what came in, and how each shop's account stands.

An invoice's open amount is its gross less what was set against it, discounts
included. What of a payment or a credit note is set against nothing stands on account.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from django.core.paginator import Page, Paginator
from django.db.models import F, IntegerField, OuterRef, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from accounts.models import Shop
from wholesale.core.invoicing import EarlyPayment, InvoiceValue
from wholesale.core.orders import OPEN_STATES
from wholesale.core.values import NotFound, day_words, from_minor
from wholesale.models import Invoice, Order, Payment, Settlement
from wholesale.queries import workshop

#: Invoices on one page of the list.
PER_PAGE = 50

# ── rows with what is open ───────────────────────────────────────────────────


def invoices_with_open() -> QuerySet[Any]:
    """Invoices and credit notes with ``open_minor``: what is still to pay, or not yet set against anything."""
    settled = _summed("invoice", F("amount_minor") + F("discount_minor"))
    given = _summed("credit", F("amount_minor"))
    return Invoice.objects.annotate(open_minor=F("gross_minor") - settled - given)


def payments_with_rest() -> QuerySet[Any]:
    """Payments with ``rest_minor``: what is set against nothing."""
    return Payment.objects.annotate(rest_minor=F("amount_minor") - _summed("payment", F("amount_minor")))


def _summed(by: str, what: Any) -> Coalesce:
    """A subquery that sums settlements of the row; 0 where there are none."""
    grouped = Settlement.objects.filter(**{by: OuterRef("pk")}).order_by().values(by)
    return Coalesce(Subquery(grouped.annotate(total=Sum(what)).values("total"), output_field=IntegerField()), Value(0))


class Source(NamedTuple):
    """Money to draw on: of a payment or of a credit note, in minor units; ``since`` is when it came in."""

    payment: int | None
    credit: int | None
    since: date
    minor: int


def on_account(shop: Shop) -> list[Source]:
    """What stands on a shop's account, oldest first: 2 queries."""
    paid = payments_with_rest().filter(shop=shop, rest_minor__gt=0)
    credited = invoices_with_open().filter(shop=shop, kind="credit", open_minor__gt=0)
    sources = [Source(row.pk, None, row.received_on, row.rest_minor) for row in paid]
    sources += [Source(None, row.pk, row.issued_on, row.open_minor) for row in credited]
    return sorted(sources, key=lambda source: (source.since, source.payment or 0, source.credit or 0))


def deposit_held(order: Order) -> list[Source]:
    """What is held as an order's deposit and not drawn down, oldest first: 1 query."""
    rows = Settlement.objects.filter(deposit_of=order).order_by()
    sums = rows.values_list("payment_id", "credit_id", "payment__received_on", "credit__issued_on")
    found = [
        Source(payment, credit, received or issued, minor)
        for payment, credit, received, issued, minor in sums.annotate(minor=Sum("amount_minor")).filter(minor__gt=0)
    ]
    return sorted(found, key=lambda source: (source.since, source.payment or 0, source.credit or 0))


def deposit_received_minor(order: Order) -> int:
    """All that came in as an order's deposit, drawn down or not, in minor units: 1 query."""
    came = Settlement.objects.filter(deposit_of=order, amount_minor__gt=0)
    return came.aggregate(total=Sum("amount_minor"))["total"] or 0


# ── the deposit of an order ──────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Deposit:
    """An order's deposit: ``due`` when it was placed, ``received`` so far, ``held`` and not drawn down yet."""

    order: str
    currency: str
    due: Decimal
    received: Decimal
    held: Decimal

    @property
    def missing(self) -> Decimal:
        """What has not come in."""
        return max(self.due - self.received, Decimal(0))

    @property
    def in_full(self) -> bool:
        """Whether nothing of it is missing."""
        return not self.missing


def deposit(number: str) -> Deposit:
    """How an order's deposit stands: 2 queries. ``NotFound`` when there is no such order."""
    order = Order.objects.filter(number=number).first()
    if order is None:
        raise NotFound("order", f"There is no order {number}.")
    return _deposits([order])[0]


def _deposits(orders: list[Order]) -> tuple[Deposit, ...]:
    rows = Settlement.objects.filter(deposit_of__in=orders).order_by().values_list("deposit_of_id")
    sums = rows.annotate(received=Sum("amount_minor", filter=Q(amount_minor__gt=0)), held=Sum("amount_minor"))
    found = {order: (received or 0, held) for order, received, held in sums}
    return tuple(
        Deposit(
            order=order.number, currency=order.currency, due=from_minor(order.deposit_minor, order.currency),
            received=from_minor(found.get(order.pk, (0, 0))[0], order.currency),
            held=from_minor(found.get(order.pk, (0, 0))[1], order.currency),
        )
        for order in orders
    )  # fmt: skip


# ── the list of invoices ─────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class InvoiceRow:
    """One invoice or credit note in a list.

    ``open`` is what is still to pay, for a credit note what of it stands on account.
    ``order`` is "" for what was issued before the first day here (``opening``), and its credit.
    ``state`` is ``open``, ``overdue``, ``paid``, ``credited`` or, of a credit note, ``credit``.
    """

    number: str
    kind: str
    state: str
    shop_slug: str
    shop: str
    order: str
    issued_on: date
    due_on: date | None
    currency: str
    gross: Decimal
    open: Decimal
    early: EarlyPayment | None
    opening: bool = False


def invoices(*, on: date, shop: str = "", only_open: bool = False, page: int | str = 1) -> Page[InvoiceRow]:
    """Invoices and credit notes, newest first, ``PER_PAGE`` a page: 2 queries, however many.

    ``shop`` is a slug; ``only_open`` leaves out credit notes and what is paid.
    """
    rows = _listed()
    if shop:
        rows = rows.filter(shop__slug=shop)
    if only_open:
        rows = rows.filter(kind="invoice", open_minor__gt=0).order_by("due_on", "pk")
    found: Page[Any] = Paginator(rows, PER_PAGE).get_page(page)
    found.object_list = [_invoice_row(row, on) for row in found.object_list]
    return found


def invoices_of_order(number: str, on: date) -> tuple[InvoiceRow, ...]:
    """Invoices and credit notes of one order, newest first: 1 query."""
    return tuple(_invoice_row(row, on) for row in _listed().filter(order__number=number))


def _listed() -> QuerySet[Any]:
    return invoices_with_open().select_related("shop", "order", "credit_note")


def _invoice_row(row: Any, on: date) -> InvoiceRow:
    return InvoiceRow(
        number=row.number, kind=row.kind, state=_state(row, on), shop_slug=row.shop.slug, shop=row.shop.trade_name,
        order=row.order.number if row.order else "", issued_on=row.issued_on, due_on=row.due_on, currency=row.currency,
        gross=from_minor(row.gross_minor, row.currency), open=from_minor(row.open_minor, row.currency),
        early=InvoiceValue.from_json(row.frozen).early, opening=row.opening,
    )  # fmt: skip


def _state(row: Any, on: date) -> str:
    if row.kind == "credit":
        return "credit"
    if hasattr(row, "credit_note"):
        return "credited"
    if not row.open_minor:
        return "paid"
    return "overdue" if row.due_on is not None and row.due_on < on else "open"


# ── one invoice ──────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class SettledRow:
    """Money set against an invoice (or given by a credit note): when, what it was, and the discount granted."""

    on: date
    words: str
    amount: Decimal
    discount: Decimal


@dataclass(frozen=True, kw_only=True)
class InvoicePage:
    """One issued document as it was frozen, and what happened to it since.

    ``credited_by`` and ``replaced_by`` are numbers, "" where there is none; ``replaces`` likewise.
    """

    row: InvoiceRow
    value: InvoiceValue
    settled: tuple[SettledRow, ...]
    credited_by: str
    replaces: str
    replaced_by: str


def invoice_page(number: str, *, on: date, shop: str = "") -> InvoicePage:
    """One invoice or credit note: 2 queries. ``NotFound`` when there is none, or none of that shop (a slug)."""
    own = Q(shop__slug=shop) if shop else Q()
    row = _listed().select_related("replaces", "replaced_by").filter(own, number=number).first()
    if row is None:
        raise NotFound("invoice", f"There is no invoice {number}.")
    rows = Settlement.objects.filter(Q(invoice=row) | Q(credit=row))
    settled = rows.select_related("payment", "credit", "invoice", "deposit_of")
    return InvoicePage(
        row=_invoice_row(row, on), value=InvoiceValue.from_json(row.frozen),
        settled=tuple(_settled_row(part, row) for part in settled),
        credited_by=_number(row, "credit_note"), replaces=_number(row, "replaces"),
        replaced_by=_number(row, "replaced_by"),
    )  # fmt: skip


def _number(row: Invoice, related: str) -> str:
    other = getattr(row, related, None)
    return other.number if other else ""


def _settled_row(part: Settlement, of: Invoice) -> SettledRow:
    """One settlement, as seen from one of the two documents it joins."""
    source = part.payment or part.credit
    on = part.payment.received_on if part.payment else part.credit.issued_on if part.credit else part.at.date()
    if part.credit_id == of.pk:
        words = f"set against {part.invoice or part.deposit_of}"
    elif part.payment:
        words = f"Payment {part.payment.reference}".strip()
    else:
        words = f"Credit note {source}"
    return SettledRow(
        on=on, words=words, amount=from_minor(part.amount_minor, of.currency),
        discount=from_minor(part.discount_minor, of.currency),
    )  # fmt: skip


# ── a shop's account ─────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class PaymentRow:
    """One payment: what came in, and what of it stands on account."""

    received_on: date
    reference: str
    amount: Decimal
    on_account: Decimal


@dataclass(frozen=True, kw_only=True)
class AccountPage:
    """How a shop stands. ``balance`` = invoices − credit notes − payments − early discounts; negative is in its favour.

    It is also Σ open − on account − deposits held.
    """

    slug: str
    shop: str
    currency: str
    open: tuple[InvoiceRow, ...]
    payments: tuple[PaymentRow, ...]
    deposits: tuple[Deposit, ...]
    on_account: Decimal
    deposits_held: Decimal
    balance: Decimal

    @property
    def owed(self) -> Decimal:
        """What is open on invoices."""
        return sum((row.open for row in self.open), Decimal(0))

    @property
    def overdue(self) -> Decimal:
        """What of it is past its due date."""
        return sum((row.open for row in self.open if row.state == "overdue"), Decimal(0))

    @property
    def in_favour(self) -> Decimal:
        """What the workshop owes the shop: a negative balance turned round, else 0."""
        return max(-self.balance, Decimal(0))


def shop_account(slug: str, *, on: date, payments: int = 20) -> AccountPage:
    """A shop's open invoices, last payments, deposits and balance: 9 queries. ``NotFound`` for no such shop."""
    shop = Shop.objects.filter(slug=slug).first()
    if shop is None:
        raise NotFound("shop", f"There is no shop '{slug}'.")
    currency = workshop.workshop().currency
    listed = _listed().filter(shop=shop, kind="invoice", open_minor__gt=0).order_by("due_on", "pk")
    orders = list(Order.objects.filter(shop=shop, state__in=OPEN_STATES, deposit_minor__gt=0).order_by("pk"))
    held = Settlement.objects.filter(deposit_of__shop=shop).aggregate(total=Sum("amount_minor"))["total"] or 0
    standing = sum(source.minor for source in on_account(shop))
    open_rows = tuple(_invoice_row(row, on) for row in listed)
    owed = sum((row.open for row in open_rows), Decimal(0))
    return AccountPage(
        slug=shop.slug, shop=shop.trade_name, currency=currency, open=open_rows,
        payments=tuple(_payment_row(row, currency) for row in payments_with_rest().filter(shop=shop)[:payments]),
        deposits=_deposits(orders), on_account=from_minor(standing, currency), deposits_held=from_minor(held, currency),
        balance=owed - from_minor(standing + held, currency),
    )  # fmt: skip


def _payment_row(row: Any, currency: str) -> PaymentRow:
    return PaymentRow(
        received_on=row.received_on, reference=row.reference, amount=from_minor(row.amount_minor, currency),
        on_account=from_minor(row.rest_minor, currency),
    )  # fmt: skip


def source_words(sources: Iterable[Source]) -> str:
    """When the money at hand came in, in words for the invoice."""
    days = dict.fromkeys(day_words(source.since) for source in sources)
    return f"received {' and '.join(days)}"
