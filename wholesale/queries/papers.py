"""From the row of a paper to the frozen value that is printed."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal

from django.db.models import Prefetch
from django.db.models import Sum as Total

from accounts.certificates import certificate_holds
from wholesale import clock
from wholesale.core.documents.batch import BatchSheet
from wholesale.core.documents.papers import (
    Confirmation,
    ConfirmationLine,
    DateChange,
    House,
    InvoicePaper,
    LotCount,
    PackingSlip,
    Paper,
    Party,
    PromiseStep,
    ScentCount,
    SlipLine,
    SlipScent,
    Sum,
    address_lines,
    payment_terms,
    tax_note,
)
from wholesale.core.invoicing import InvoiceValue
from wholesale.core.orders import OrderState, wanted_words
from wholesale.core.pricing import Terms
from wholesale.core.production.promise import Gate
from wholesale.core.values import from_e4, from_minor, percent, round_money
from wholesale.core.workshop import Workshop
from wholesale.models import (
    Document,
    Invoice,
    Order,
    OrderLine,
    Scent,
    Shipment,
    ShipmentLine,
    ShipmentLot,
)
from wholesale.queries import workshop
from wholesale.queries.batch_sheet import batch_sheet


def value_of(document: Document) -> Paper:
    """What a paper's row prints; ``ObjectDoesNotExist`` when what it is about is gone."""
    return _BUILDERS[document.kind](document, workshop.workshop())


def house(settings: Workshop) -> House:
    """The workshop as it stands at the head of its papers."""
    place = {"line1": settings.street, "city": settings.city, "region": settings.region}
    lines = address_lines({**place, "postcode": settings.postcode, "country": settings.country})
    party = Party(
        name=settings.legal_name or settings.name, lines=lines, tax_id=settings.tax_id,
        email=settings.email, phone=settings.phone,
    )  # fmt: skip
    return House(name=settings.name, party=party, country=settings.country)


# ── order confirmation ───────────────────────────────────────────────────────────


def confirmation(document: Document, settings: Workshop) -> Confirmation:
    """The order as it was agreed: 5 queries, however many lines."""
    lines = Prefetch("lines", OrderLine.objects.select_related("item").prefetch_related("scents"))
    order = Order.objects.select_related("shop").prefetch_related(lines, "promise_changes").get(documents=document)
    terms, scents, shown = Terms.from_json(order.terms), _scent_names(), _shown(order)
    written_on = _day(document)
    exempt = certificate_holds(order.shop, written_on)
    buyer = Party(name=order.shop.legal_name, lines=_bill_to(order), tax_id=order.shop.tax_id)
    return Confirmation(
        house=house(settings), number=order.number, written_on=written_on,
        confirmed=order.state in {OrderState.CONFIRMED, OrderState.SHIPPED},
        placed_on=_local(order.placed_at), po_number=order.po_number, note=order.note, buyer=buyer,
        ship_to=address_lines(order.ship_to), currency=order.currency,
        lines=tuple(_confirmed_line(line, order.currency, scents) for line in order.lines.all()),
        sums=_sums(order, terms, shown), total=from_minor(order.total_minor, order.currency),
        deposit=from_minor(order.deposit_minor, order.currency), deposit_how=shown.get("Deposit", ("", ""))[1],
        tax_note=tax_note(terms, exempt.reason if exempt.holds else ""), payment_terms=payment_terms(terms),
        how_to_pay=settings.how_to_pay, leaves=order.promised_leaves, arrives=order.promised_arrives,
        holds_until=order.promise_holds_until if order.deposit_minor else None,
        steps=tuple(_step(Gate.from_json(gate)) for gate in order.gates),
        wanted=wanted_words(order.wanted_from, order.wanted_by), pick_up=order.pick_up,
        changes=tuple(
            DateChange(told_on=_local(row.at), was=row.was_leaves, now=row.leaves, because=row.because)
            for row in order.promise_changes.all()
        ),
    )  # fmt: skip


def _confirmed_line(line: OrderLine, currency: str, scents: dict[str, str]) -> ConfirmationLine:
    unit = from_e4(line.unit_price_e4)
    return ConfirmationLine(
        code=line.item.code, name=line.name,
        scents=tuple(
            ScentCount(name=scents.get(row.scent, row.scent), pieces=row.pieces_per_case)
            for row in line.scents.all() if row.scent
        ),
        cases=line.cases, case_pack=line.case_pack, unit_price=unit,
        case_price=round_money(unit * line.case_pack, currency), amount=from_minor(line.list_minor, currency),
    )  # fmt: skip


def _sums(order: Order, terms: Terms, shown: dict[str, tuple[str, str]]) -> tuple[Sum, ...]:
    """The order's amounts from list goods to total, each with the arithmetic frozen when it was placed."""

    def row(name: str, minor: int, key: str, *, strong: bool = False) -> Sum:
        amount = from_minor(minor, order.currency)
        return Sum(name=name, amount=amount, how=shown.get(key, ("", ""))[1], strong=strong)

    rows = [Sum(name="Goods at list price", amount=from_minor(order.list_minor, order.currency))]
    if order.discount_minor:
        rows.append(row(f"Discount, {percent(order.tier_percent)}", -order.discount_minor, "Discount"))
        rows.append(row("Goods", order.goods_minor, "Goods"))
    rows.append(row("Freight", order.freight_minor, "Freight"))
    rows.append(row("Total before tax", order.total_minor, "Total before tax", strong=True))
    tax, how = shown.get(terms.tax_name, ("0", ""))
    if Decimal(tax):
        rows.append(Sum(name=f"{terms.tax_name} if billed today", amount=Decimal(tax), how=how))
    return tuple(rows)


def _shown(order: Order) -> dict[str, tuple[str, str]]:
    """(amount, arithmetic) by name, as frozen on the order."""
    return {row["name"]: (row["amount"], row["shown"]) for row in order.arithmetic}


def _step(gate: Gate) -> PromiseStep:
    return PromiseStep(title=gate.title, on=gate.passed_on, because=gate.because, binding=gate.binding)


def _bill_to(order: Order) -> tuple[str, ...]:
    """The billing address, without the name where that is the shop's legal name."""
    lines = address_lines(order.bill_to)
    return lines[1:] if lines[:1] == (order.shop.legal_name,) else lines


# ── invoice and credit note ──────────────────────────────────────────────────────


def invoice(document: Document, settings: Workshop) -> InvoicePaper:
    """An issued document as it was frozen: 1 query. The letterhead is today's."""
    value = InvoiceValue.from_json(Invoice.objects.get(documents=document).frozen)
    return InvoicePaper(house=house(settings), number=value.number, written_on=value.issued_on, invoice=value)


# ── packing slip ─────────────────────────────────────────────────────────────────


def packing_slip(document: Document, settings: Workshop) -> PackingSlip:
    """What is in the cartons of one shipment, and what of the order still waits: 6 queries."""
    shipment = Shipment.objects.select_related("order__shop").get(documents=document)
    order, arrives = shipment.order, shipment.arrives_on
    before = _cases_before(shipment)
    lots = Prefetch("lots", ShipmentLot.objects.select_related("lot"))
    here = {line.order_line_id: line for line in shipment.lines.prefetch_related(lots)}
    scents = _scent_names()
    return PackingSlip(
        house=house(settings), number=shipment.number, written_on=_local(shipment.packed_at),
        order_number=order.number, po_number=order.po_number, shop=order.shop.trade_name,
        ship_to=address_lines(order.ship_to), shipped_on=shipment.shipped_on, arrives_on=arrives,
        carrier=shipment.carrier, tracking=shipment.tracking, cartons=shipment.cartons,
        lines=tuple(
            _slip_line(line, here.get(line.pk), before.get(line.pk, 0), scents)
            for line in order.lines.select_related("item")
        ),
        claim_days=settings.claim_days, claim_until=arrives and arrives + timedelta(days=settings.claim_days),
        wanted=wanted_words(order.wanted_from, order.wanted_by), pick_up=order.pick_up,
    )  # fmt: skip


def _slip_line(line: OrderLine, here: ShipmentLine | None, before: int, scents: dict[str, str]) -> SlipLine:
    return SlipLine(
        code=line.item.code, name=line.name, case_pack=line.case_pack, ordered=line.cases, before=before,
        shipped=here.cases if here else 0, scents=_slip_scents(here, scents) if here else (),
    )  # fmt: skip


def _slip_scents(line: ShipmentLine, scents: dict[str, str]) -> tuple[SlipScent, ...]:
    """Pieces by scent, each with the lots they came from."""
    by_scent: dict[str, list[LotCount]] = {}
    for row in line.lots.all():
        by_scent.setdefault(row.lot.scent, []).append(LotCount(code=row.lot.code, pieces=row.pieces))
    return tuple(
        SlipScent(name=scents.get(scent, scent), pieces=sum(lot.pieces for lot in lots), lots=tuple(lots))
        for scent, lots in by_scent.items()
    )


def _cases_before(shipment: Shipment) -> dict[int, int]:
    """Cases of each order line that earlier shipments of the order held."""
    earlier = ShipmentLine.objects.filter(shipment__order=shipment.order_id, shipment__lt=shipment.pk)
    rows = earlier.order_by().values_list("order_line").annotate(total=Total("cases"))
    return dict(rows)


# ── batch sheet ──────────────────────────────────────────────────────────────────


def _batch_sheet(document: Document, settings: Workshop) -> BatchSheet:
    return batch_sheet(document, house(settings), _day(document), settings)


# ── shared ───────────────────────────────────────────────────────────────────────


def _scent_names() -> dict[str, str]:
    return dict(Scent.objects.values_list("code", "name"))


def _day(document: Document) -> date:
    """The day on which a paper was asked for: making it later does not change its date."""
    return _local(document.created_at)


def _local(moment: datetime) -> date:
    """The date at the workshop."""
    return moment.astimezone(clock.workshop_zone()).date()


_BUILDERS: dict[str, Callable[[Document, Workshop], Paper]] = {
    "confirmation": confirmation,
    "invoice": invoice,
    "credit_note": invoice,
    "packing_slip": packing_slip,
    "batch_sheet": _batch_sheet,
}
