"""Invoices from shipments, credit notes, and the money that comes in.

Everything that moves a shop's money locks the shop's row first, then the row of an
order whose deposit it touches, so that two of them never set the same money, or pay
the same invoice, twice. Who holds an order's row never waits for its shop's.
"""

from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from django.db import transaction

from accounts import access
from accounts.certificates import certificate_holds
from accounts.models import Shop, User
from wholesale import clock
from wholesale.actions import documents, events, numbers, promises
from wholesale.core import invoicing as core
from wholesale.core.orders import OPEN_STATES
from wholesale.core.pricing import Terms
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words, from_e4, from_minor, to_minor
from wholesale.core.workshop import Workshop
from wholesale.models import Invoice, Order, OrderLine, Payment, Scent, Settlement, Shipment
from wholesale.queries import invoicing as books
from wholesale.queries import workshop
from wholesale.queries.invoicing import Source

#: Letters of a payment's reference.
MOST_LETTERS = 80

# ── invoices ─────────────────────────────────────────────────────────────────


def issue(*, by: User, shipment: str) -> str:
    """Issue the invoice of a packed shipment and return its number.

    What was shipped is billed by the order's frozen terms; tax is left out if a
    certificate is held today. A deposit, then money on account, is drawn down as paid.
    A second invoice is a ``Conflict`` that names the first, unless that one was
    credited: then the new one replaces it.
    """
    _maker(by)
    with transaction.atomic():
        packed = Shipment.objects.select_related("order__shop").filter(number=shipment).first()
        if packed is None:
            raise NotFound("shipment", f"There is no shipment {shipment}.")
        shop = _locked_shop(packed.order.shop.slug)
        order = Order.objects.select_for_update(no_key=True).get(pk=packed.order_id)
        _refuse_second(packed)
        settings = workshop.workshop()
        held, account = books.deposit_held(order), books.on_account(shop)
        at_hand = _at_hand(order, held, account)
        number = f"{settings.invoice_series}{numbers.take(settings.invoice_series):04d}"
        value = core.invoice_for_shipment(_bill(number, packed, order, shop, settings, at_hand))
        row = write_down(by, value, shop=shop, order=order, shipment=packed, replaces=_credited(packed))
        _draw(row, order, held, _of_kind(value, "deposit"))
        _draw(row, None, account, _of_kind(value, "account"))
        events.note(order, by, "invoiced", f"{number} issued for {shipment}: {_words(value.sums.gross, value)}.")
        documents.queue_paper("invoice", invoice=row, mail_to=shop.email)
    return number


def credit(*, by: User, invoice: str, because: str) -> str:
    """Take an invoice back in full and return the credit note's number.

    It closes what is open of the invoice; what had been paid stands on account. An
    early-payment discount granted on it is taken back with it. Stock is not touched.
    """
    _maker(by)
    if not because.strip():
        raise Refusal("reason_missing", "Say why the invoice is credited; the shop will read it.", "because")
    with transaction.atomic():
        found = Invoice.objects.select_related("shop").filter(number=invoice, kind="invoice").first()
        if found is None:
            raise NotFound("invoice", f"There is no invoice {invoice}.")
        shop = _locked_shop(found.shop.slug)
        row = books.invoices_with_open().select_related("order").get(pk=found.pk)
        _refuse_credited(row)
        settings = workshop.workshop()
        number = f"{settings.credit_series}{numbers.take(settings.credit_series):04d}"
        discount = sum(Settlement.objects.filter(invoice=row).values_list("discount_minor", flat=True))
        closes = row.open_minor + discount
        value = core.credit_in_full(
            core.InvoiceValue.from_json(row.frozen), number=number, issued_on=clock.today(), because=because.strip(),
            closes=from_minor(closes, row.currency),
        )  # fmt: skip
        note = write_down(by, value, shop=shop, order=row.order, corrects=row)
        if closes or discount:
            _set(Source(None, note.pk, value.issued_on, 0), closes, -discount, invoice=row.pk)
        if row.order:
            events.note(row.order, by, "credited", f"{number} credits {invoice} in full: {because.strip()}")
        documents.queue_paper("credit_note", invoice=note, mail_to=shop.email)
    return number


def _maker(by: User) -> None:
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may issue invoices and record money.")


def _locked_shop(slug: str) -> Shop:
    """The shop, locked for what moves its money; ``NotFound`` when there is none."""
    # Not its key: orders of this shop may be placed meanwhile.
    shop = Shop.objects.select_for_update(no_key=True).filter(slug=slug).first()
    if shop is None:
        raise NotFound("shop", f"There is no shop '{slug}'.")
    return shop


def _refuse_second(packed: Shipment) -> None:
    standing = Invoice.objects.filter(shipment=packed, credit_note__isnull=True).first()
    if standing:
        message = f"{packed.number} is already invoiced as {standing.number}; nothing was issued. Open that invoice."
        raise Conflict("invoiced_already", message, invoice=standing.number)


def _refuse_credited(row: Invoice) -> None:
    note = Invoice.objects.filter(corrects=row).first()
    if note:
        message = f"{row.number} is already credited in full by {note.number}; nothing was issued."
        raise Conflict("credited_already", message, credit_note=note.number)


def _credited(packed: Shipment) -> Invoice | None:
    """The credited invoice of a shipment that a new one replaces."""
    row: Invoice | None = Invoice.objects.filter(shipment=packed, replaced_by__isnull=True).first()
    return row


def write_down(by: User, value: core.InvoiceValue, **of: Any) -> Invoice:
    """The row of an issued document: the whole value frozen, its totals beside it."""
    sums, currency = value.sums, value.currency
    row: Invoice = Invoice.objects.create(
        number=value.number, kind=value.kind, issued_at=clock.now(), issued_on=value.issued_on, issued_by=by,
        due_on=value.due_on, currency=currency, net_minor=to_minor(sums.net, currency),
        tax_minor=to_minor(sums.tax, currency), gross_minor=to_minor(sums.gross, currency), frozen=value.to_json(),
        **of,
    )  # fmt: skip
    return row


def _words(amount: Decimal, value: core.InvoiceValue) -> str:
    return f"{amount} {value.currency}"


# ── what an invoice is made from ─────────────────────────────────────────────


def _bill(
    number: str, packed: Shipment, order: Order, shop: Shop, settings: Workshop, at_hand: tuple[core.Prepaid, ...]
) -> core.Bill:  # fmt: skip
    today, standing = clock.today(), _standing(order)
    certificate = certificate_holds(shop, today)
    freight = from_minor(order.freight_minor, order.currency)
    lines = _lines(packed, order, standing)
    return core.Bill(
        number=number, issued_on=today, supply_on=packed.shipped_on or _local_day(packed),
        terms=Terms.from_json(order.terms), seller=seller(settings), buyer=_buyer(shop, order),
        ship_to=core.Party(**order.ship_to), order_number=order.number, shipment_number=packed.number, lines=lines,
        freight=freight - sum((c.amount for value in standing for c in value.charges), Decimal(0)),
        po_number=order.po_number, how_to_pay=settings.how_to_pay,
        exempt_because=certificate.reason if certificate.holds else "", at_hand=at_hand,
        more_to_come=_more_to_come(order, lines),
    )  # fmt: skip


def _standing(order: Order) -> list[core.InvoiceValue]:
    """The order's invoices that no credit note has taken back."""
    rows = Invoice.objects.filter(order=order, kind="invoice", credit_note__isnull=True)
    return [core.InvoiceValue.from_json(row.frozen) for row in rows.order_by("pk")]


def _lines(packed: Shipment, order: Order, standing: Sequence[core.InvoiceValue]) -> tuple[core.BilledLine, ...]:
    names = dict(Scent.objects.values_list("code", "name"))
    rows = packed.lines.select_related("order_line__item").prefetch_related("order_line__scents")
    before = [line for value in standing for line in value.lines]
    return tuple(_line(row.order_line, row.cases, before, names, order.currency) for row in rows)


def _line(
    line: OrderLine, cases: int, before: Iterable[core.InvoiceLine], names: dict[str, str], currency: str
) -> core.BilledLine:  # fmt: skip
    billed = [row for row in before if row.position == line.position]
    mix = [f"{s.pieces_per_case} {names.get(s.scent, s.scent)}".strip() for s in line.scents.all() if s.scent]
    return core.BilledLine(
        position=line.position, item=line.item.code, name=line.name, gtin=line.item.gtin, cases=cases,
        case_pack=line.case_pack, unit_price=from_e4(line.unit_price_e4), cases_ordered=line.cases,
        discount_ordered=from_minor(line.discount_minor, currency), note=f"each case {', '.join(mix)}" if mix else "",
        cases_before=sum(row.cases for row in billed),
        list_before=sum((row.list_amount for row in billed), Decimal(0)),
        discount_before=sum((row.allowance for row in billed), Decimal(0)),
    )  # fmt: skip


def _more_to_come(order: Order, lines: Sequence[core.BilledLine]) -> bool:
    ordered = sum(OrderLine.objects.filter(order=order).values_list("cases", flat=True))
    earlier = sum(line.cases for value in _standing(order) for line in value.lines)
    return earlier + sum(line.cases for line in lines) < ordered


def seller(settings: Workshop) -> core.Party:
    """The workshop as it stands on its invoices."""
    return core.Party(
        name=settings.legal_name or settings.name, trade_name=settings.name, line1=settings.street,
        city=settings.city, region=settings.region, postcode=settings.postcode, country=settings.country,
        tax_id=settings.tax_id, email=settings.email, phone=settings.phone,
    )  # fmt: skip


def _buyer(shop: Shop, order: Order) -> core.Party:
    known = {"name": shop.legal_name, "trade_name": shop.trade_name, "tax_id": shop.tax_id, "email": shop.email}
    return core.Party(**{**order.bill_to, **known, "phone": shop.phone})


def _local_day(packed: Shipment) -> date:
    return packed.packed_at.astimezone(clock.workshop_zone()).date()


# ── money at hand ────────────────────────────────────────────────────────────


def _at_hand(order: Order, held: Sequence[Source], account: Sequence[Source]) -> tuple[core.Prepaid, ...]:
    """The deposit, then what stands on account, each with the days it came in."""
    named = [("deposit", "Deposit", held), ("account", "On account", account)]
    return tuple(
        core.Prepaid(
            kind=kind, words=f"{words} {books.source_words(sources)}",
            amount=from_minor(sum(source.minor for source in sources), order.currency),
        )
        for kind, words, sources in named
        if sources
    )  # fmt: skip


def _of_kind(value: core.InvoiceValue, kind: str) -> int:
    return to_minor(sum((part.amount for part in value.prepaid if part.kind == kind), Decimal(0)), value.currency)


def _draw(row: Invoice, deposit_of: Order | None, sources: Iterable[Source], minor: int) -> None:
    """Set so much of the sources against a new invoice, oldest first; a deposit is moved on from its order."""
    for source in sources:
        part = min(source.minor, minor)
        if part:
            if deposit_of:
                _set(source, -part, deposit_of=deposit_of.pk)
            _set(source, part, invoice=row.pk)
            minor -= part


def _set(
    source: Source, minor: int, discount: int = 0, *, invoice: int | None = None, deposit_of: int | None = None
) -> None:
    Settlement.objects.create(
        payment_id=source.payment, credit_id=source.credit, invoice_id=invoice, deposit_of_id=deposit_of,
        amount_minor=minor, discount_minor=discount, at=clock.now(),
    )  # fmt: skip


# ── money that comes in ──────────────────────────────────────────────────────


def record_payment(  # noqa: PLR0913  (what stands on the bank's line)
    *,
    by: User,
    shop: str,
    amount: Decimal,
    received_on: date,
    reference: str,
    token: str,
    invoice: str = "",
    order: str = "",
) -> int:
    """Record money from a shop and return its row; the same ``token`` returns the first one.

    It pays the invoice named, then the invoices and the missing deposit of the order
    named, then the oldest due. Paid by an invoice's early day, it earns that
    invoice's discount, pro rata. What is above all that stands on account.
    """
    _maker(by)
    currency = workshop.workshop().currency
    minor = _refuse_payment(amount, currency, received_on, reference, token)
    with transaction.atomic():
        payer = _locked_shop(shop)
        recorded = Payment.objects.filter(shop=payer, token=token).first()
        if recorded:
            return int(recorded.pk)
        _refuse_before_account(payer, received_on)
        named = _named(payer, invoice, order)
        payment = Payment.objects.create(
            shop=payer, token=token, received_on=received_on, recorded_at=clock.now(), recorded_by=by,
            amount_minor=minor, reference=reference.strip(),
        )  # fmt: skip
        _spread(by, payer, Source(payment.pk, None, received_on, minor), named, currency, received_on)
    _start_again(named)
    return int(payment.pk)


def use_account(*, by: User, shop: str, invoice: str = "", order: str = "") -> Decimal:
    """Set what stands on a shop's account against open invoices and, of an order named, its deposit.

    The order of payment is that of ``record_payment``; no discount is earned. Returns
    what was set; a ``Refusal`` when there is nothing to set, or nothing to set it against.
    """
    _maker(by)
    currency = workshop.workshop().currency
    with transaction.atomic():
        payer = _locked_shop(shop)
        named = _named(payer, invoice, order)
        sources = books.on_account(payer)
        left = sum(_spread(by, payer, source, named, currency, None) for source in sources)
        used = sum(source.minor for source in sources) - left
        if not used:
            message = f"Nothing was set: {payer} has nothing on account, or nothing open to set it against."
            raise Refusal("nothing_to_set", message)
    _start_again(named)
    return from_minor(used, currency)


def release_deposit(order: Order, by: User) -> None:
    """Put what is held as the deposit of a refused or withdrawn order on the shop's account.

    Inside the caller's transaction, which holds the order's lock.
    """
    held = books.deposit_held(order)
    for source in held:
        _set(source, -source.minor, deposit_of=order.pk)
    if held:
        amount = from_minor(sum(source.minor for source in held), order.currency)
        events.note(order, by, "deposit", f"The deposit of {amount} {order.currency} now stands on account.")


class _Named(NamedTuple):
    """What a payment is for, as far as it says."""

    invoice: Invoice | None
    order: Order | None


def _start_again(named: _Named) -> None:
    """Place an order anew whose late deposit came: after the money is recorded, for that locks the plan first."""
    if named.order:
        promises.deposit_came(named.order)


def _refuse_payment(amount: Decimal, currency: str, received_on: date, reference: str, token: str) -> int:
    """The amount in minor units; a ``Refusal`` for what can't have come in like that."""
    if not token:
        raise Refusal("token", "Open the payment page again: this form carries no mark of its own.", "token")
    if amount <= 0:
        raise Refusal("amount", f"{amount} can't have come in; give an amount above 0.", "amount")
    if received_on > clock.today():
        message = f"{day_words(received_on)} is still to come; give the day the money came in."
        raise Refusal("received_on", message, "received_on")
    if len(reference.strip()) > MOST_LETTERS:
        message = f"The reference has {len(reference.strip())} letters; shorten it to at most {MOST_LETTERS}."
        raise Refusal("too_long", message, "reference")
    return to_minor(amount, currency)


def _refuse_before_account(payer: Shop, received_on: date) -> None:
    """A year mistyped would earn every early-payment discount there is."""
    if received_on < payer.opened_on:
        opened = day_words(payer.opened_on)
        message = f"{payer} has had its account since {opened}; check the year of the day the money came in."
        raise Refusal("received_on", message, "received_on")


def _named(payer: Shop, invoice: str, order: str) -> _Named:
    bill = Invoice.objects.filter(shop=payer, kind="invoice", number=invoice).first() if invoice else None
    if invoice and bill is None:
        raise NotFound("invoice", f"{payer} has no invoice {invoice}; leave it empty to pay the oldest due.", "invoice")
    orders = Order.objects.select_for_update(no_key=True).filter(shop=payer, number=order)
    ordered = orders.first() if order else None
    if order and ordered is None:
        raise NotFound("order", f"{payer} has no order {order}; leave it empty to pay the oldest due.", "order")
    return _Named(bill, ordered)


def _spread(
    by: User, payer: Shop, source: Source, named: _Named, currency: str, received_on: date | None
) -> int:  # fmt: skip
    """Set a source's money against what is named, then against the oldest due; return what is left."""
    rows = list(_open(payer))
    first = [row for row in rows if named.invoice and row.pk == named.invoice.pk]
    first += [row for row in rows if named.order and row.order_id == named.order.pk and row not in first]
    left = _pay(by, source, source.minor, first, currency, received_on)
    if named.order:
        left -= _pay_deposit(by, source, left, named.order)
    return _pay(by, source, left, [row for row in rows if row not in first], currency, received_on)


def _open(payer: Shop) -> Iterable[Any]:
    """The shop's open invoices, oldest due first."""
    rows = books.invoices_with_open().filter(shop=payer, kind="invoice", open_minor__gt=0)
    return rows.select_related("order").order_by("due_on", "pk")


def _pay(
    by: User, source: Source, minor: int, rows: Sequence[Any], currency: str, received_on: date | None
) -> int:  # fmt: skip
    """Set up to ``minor`` of a source against invoices in turn; return what is left."""
    by_key = {row.pk: row for row in rows}
    invoices = [_open_invoice(row) for row in rows]
    settled, left = core.allocate(from_minor(minor, currency), invoices, received_on, currency)
    for key, amount, discount in settled:
        row = by_key[key]
        _set(source, to_minor(amount, currency), to_minor(discount, currency), invoice=key)
        off = f", with {discount} {currency} off for paying early" if discount else ""
        if row.order:
            events.note(row.order, by, "paid", f"{amount} {currency} paid on {row.number}{off}.")
    return to_minor(left, currency)


def _open_invoice(row: Any) -> core.OpenInvoice:
    early = core.InvoiceValue.from_json(row.frozen).early
    return core.OpenInvoice(
        key=row.pk, amount=from_minor(row.open_minor, row.currency), percent=early.percent if early else core.ZERO,
        early_by=early.by if early else None,
    )  # fmt: skip


def _pay_deposit(by: User, source: Source, minor: int, order: Order) -> int:
    """Set up to ``minor`` against the missing part of an open order's deposit; return what was set."""
    missing = order.deposit_minor - books.deposit_received_minor(order)
    part = min(minor, max(missing, 0)) if order.state in OPEN_STATES else 0
    if part:
        _set(source, part, deposit_of=order.pk)
        amount, whole = from_minor(part, order.currency), from_minor(order.deposit_minor, order.currency)
        text = (
            f"{amount} {order.currency} of the deposit received; {from_minor(missing - part, order.currency)} missing."
        )
        if part == missing:
            text = f"The deposit of {whole} {order.currency} is received in full."
        events.note(order, by, "deposit", text)
    return part
