"""A shop's orders, papers and account as its pages show them."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.core.paginator import Page, Paginator
from django.db.models import Prefetch, Q, QuerySet, Sum

from accounts.certificates import Standing as Certificate
from accounts.certificates import certificate_holds
from accounts.models import Address, Shop
from wholesale import clock
from wholesale.core.orders import OrderState, wanted_words
from wholesale.core.pricing import Arithmetic
from wholesale.core.production.promise import Gate
from wholesale.core.values import NotFound, from_e4, from_minor
from wholesale.documents.kinds import KINDS
from wholesale.models import Document, Order, OrderEvent, OrderLine, PromiseChange, Scent, Shipment
from wholesale.queries import invoicing, together, workshop

PAGE = 25
#: What a shop reads of an order's state: the shape's name and the words.
STATES = {
    OrderState.PLACED: ("look", "Placed, waiting for the workshop to confirm"),
    OrderState.CONFIRMED: ("well", "Confirmed"),
    OrderState.REFUSED: ("stopped", "Refused"),
    OrderState.WITHDRAWN: ("quiet", "Withdrawn"),
    OrderState.SHIPPED: ("well", "Sent"),
}
_PAPER_STATES = {"waiting": "waiting", "claimed": "making", "done": "ready", "failed": "failed"}
_SHOP_KINDS = [code for code, kind in KINDS.items() if kind.for_shop]


@dataclass(frozen=True, kw_only=True)
class OrderRow:
    """One order of the list; ``total`` before tax in major units."""

    number: str
    placed_at: datetime
    state: str
    word: str
    cases: int
    total: Decimal
    currency: str
    leaves: date
    arrives: date
    open: bool
    pick_up: bool
    #: The other shipment, of what goes in two.
    other: str = ""


@dataclass(frozen=True, kw_only=True)
class LineScent:
    """Pieces of a scent in each case."""

    name: str
    pieces: int


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of an order; prices and amounts in major units."""

    name: str
    code: str
    cases: int
    case_pack: int
    cases_shipped: int
    unit_price: Decimal
    list_amount: Decimal
    discount: Decimal
    scents: tuple[LineScent, ...]

    @property
    def net(self) -> Decimal:
        """List amount less its share of the discount."""
        return self.list_amount - self.discount


@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that happened to the order."""

    at: datetime
    text: str
    by: str


@dataclass(frozen=True, kw_only=True)
class Change:
    """A promised day that gave way to another, and why."""

    at: datetime
    was_leaves: date
    was_arrives: date
    leaves: date
    arrives: date
    because: str


@dataclass(frozen=True, kw_only=True)
class Parcel:
    """One shipment."""

    number: str
    shipped_on: date | None
    arrives_on: date | None
    carrier: str
    tracking: str
    cartons: int


@dataclass(frozen=True, kw_only=True)
class Paper:
    """A paper of the order; ``state`` waiting, making, ready or failed."""

    id: int
    title: str
    state: str


@dataclass(frozen=True, kw_only=True)
class OrderPage:
    """All that a shop sees of one order."""

    row: OrderRow
    po_number: str
    note: str
    placed_by: str
    refused_because: str
    ship_to: tuple[str, ...]
    lines: tuple[Line, ...]
    list_goods: Decimal
    amounts: tuple[Arithmetic, ...]
    deposit: invoicing.Deposit
    how_to_pay: str
    holds_until: datetime
    gates: tuple[Gate, ...]
    events: tuple[Event, ...]
    parcels: tuple[Parcel, ...]
    papers: tuple[Paper, ...]
    bills: tuple[invoicing.InvoiceRow, ...]
    may_withdraw: bool
    #: On which days it is wanted, in words; whether the shop fetches it; days that were promised before.
    wanted: str
    pick_up: bool
    changes: tuple[Change, ...]
    #: Both shipments of what was ordered together and goes in two, the first one first.
    parts: tuple[OrderRow, ...]

    @property
    def together(self) -> Decimal | None:
        """What both shipments come to before tax, as long as neither was given up."""
        if not self.parts or not all(part.open for part in self.parts):
            return None
        return sum((part.total for part in self.parts), Decimal(0))


@dataclass(frozen=True, kw_only=True)
class StoredPaper:
    """A finished paper's file in the storage and the name to save it under."""

    file: str
    name: str


def orders(shop: Shop, page: str) -> Page[OrderRow]:
    """One page of the shop's orders, newest first: 3 queries."""
    rows: QuerySet = (
        Order.objects.filter(shop=shop).annotate(case_count=Sum("lines__cases")).order_by("-placed_at", "-pk")
    )
    found = Paginator(rows, PAGE).get_page(page)
    shown = list(found.object_list)
    beside = together.others(shop, shown)
    found.object_list = [_row(order, beside.get(order.pk)) for order in shown]
    return found


def order(shop: Shop, number: str) -> OrderPage:
    """One order of the shop, ``NotFound`` for any other: 11 queries, however many lines."""
    row = (
        _orders_of(shop)
        .annotate(case_count=Sum("lines__cases"))
        .select_related("placed_by")
        .filter(number=number)
        .first()
    )
    if row is None:
        raise NotFound("order", f"There is no order {number}.", "number")
    other = together.others(shop, [row]).get(row.pk)
    return _page(row, other, dict(Scent.objects.values_list("code", "name")), workshop.workshop().how_to_pay)


def placed_with(shop: Shop, token: str) -> str:
    """The number of the order that was placed with this token, empty when there is none: 1 query."""
    return Order.objects.filter(shop=shop, token=token).values_list("number", flat=True).first() or ""


def papers(shop: Shop, number: str) -> tuple[Paper, ...]:
    """The papers of one order of the shop, ``NotFound`` for any other: 2 queries."""
    row = Order.objects.filter(shop=shop, number=number).first()
    if row is None:
        raise NotFound("order", f"There is no order {number}.", "number")
    return tuple(_papers(row))


def paper(shop: Shop, paper_id: int) -> Paper:
    """One paper the shop may see, ``NotFound`` for any other: 1 query."""
    return _paper(_paper_row(shop, paper_id))


def stored_paper(shop: Shop, paper_id: int) -> StoredPaper:
    """The file of a finished paper, ``NotFound`` while there is none: 1 query."""
    row = _paper_row(shop, paper_id)
    if row.state != "done" or not row.file:
        raise NotFound("paper", "This paper is not made yet; look again in a minute.")
    return StoredPaper(file=row.file, name=f"{_paper_title(row).replace(' ', '-').lower()}.pdf")


@dataclass(frozen=True, kw_only=True)
class Whereto:
    """One address: what is sent there, and its lines."""

    kind: str
    is_default: bool
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Standing:
    """A shop's money, addresses and certificate."""

    money: invoicing.AccountPage
    certificate: Certificate
    addresses: tuple[Whereto, ...]
    how_to_pay: str


def standing(shop: Shop) -> Standing:
    """How the shop stands with the workshop: 11 queries."""
    rows = Address.objects.filter(shop=shop)
    return Standing(
        money=invoicing.shop_account(shop.slug, on=clock.today()),
        certificate=certificate_holds(shop, clock.today()),
        addresses=tuple(
            Whereto(kind=row.get_kind_display(), is_default=row.is_default, lines=tuple(row.lines)) for row in rows
        ),
        how_to_pay=workshop.workshop().how_to_pay,
    )


def _orders_of(shop: Shop) -> QuerySet:
    lines = Prefetch("lines", OrderLine.objects.select_related("item").prefetch_related("scents"))
    events = Prefetch("events", OrderEvent.objects.filter(for_shop=True).select_related("by"))
    return Order.objects.filter(shop=shop).prefetch_related(lines, events, "shipments", "promise_changes")


def _row(order: Order, other: Order | None = None) -> OrderRow:
    state, word = STATES[OrderState(order.state)]
    return OrderRow(
        number=order.number, placed_at=order.placed_at, state=state, word=word,
        cases=order.case_count,  # type: ignore[attr-defined]
        total=from_minor(order.total_minor, order.currency), currency=order.currency,
        leaves=order.promised_leaves, arrives=order.promised_arrives,
        open=order.state in {OrderState.PLACED, OrderState.CONFIRMED, OrderState.SHIPPED},
        pick_up=order.pick_up, other=other.number if other else "",
    )  # fmt: skip


def _page(order: Order, other: Order | None, scents: dict[str, str], how_to_pay: str) -> OrderPage:
    return OrderPage(
        row=_row(order), po_number=order.po_number, note=order.note, placed_by=str(order.placed_by),
        refused_because=order.refused_because, ship_to=_address_lines(order.ship_to),
        lines=tuple(_line(line, order.currency, scents) for line in order.lines.all()),
        list_goods=from_minor(order.list_minor, order.currency), amounts=tuple(_amounts(order.arithmetic)),
        deposit=invoicing.deposit(order.number), how_to_pay=how_to_pay,
        holds_until=order.promise_holds_until, gates=tuple(Gate.from_json(gate) for gate in order.gates),
        events=tuple(Event(at=row.at, text=row.text, by=str(row.by or "")) for row in order.events.all()),
        parcels=tuple(_parcel(row) for row in order.shipments.all()), papers=tuple(_papers(order)),
        bills=invoicing.invoices_of_order(order.number, clock.today()),
        may_withdraw=order.state == OrderState.PLACED,
        wanted=wanted_words(order.wanted_from, order.wanted_by), pick_up=order.pick_up,
        changes=tuple(_change(row) for row in order.promise_changes.all()),
        parts=tuple(_row(part) for part in sorted((order, other), key=lambda row: row.pk)) if other else (),
    )  # fmt: skip


def _change(row: PromiseChange) -> Change:
    return Change(
        at=row.at, was_leaves=row.was_leaves, was_arrives=row.was_arrives, leaves=row.leaves, arrives=row.arrives,
        because=row.because,
    )  # fmt: skip


def _line(row: OrderLine, currency: str, scents: dict[str, str]) -> Line:
    return Line(
        name=row.name, code=row.item.code, cases=row.cases, case_pack=row.case_pack, cases_shipped=row.cases_shipped,
        unit_price=from_e4(row.unit_price_e4), list_amount=from_minor(row.list_minor, currency),
        discount=from_minor(row.discount_minor, currency),
        scents=tuple(
            LineScent(name=scents.get(scent.scent, scent.scent), pieces=scent.pieces_per_case)
            for scent in row.scents.all()
            if scent.scent
        ),
    )  # fmt: skip


def _amounts(frozen: Iterable[dict[str, str]]) -> Iterable[Arithmetic]:
    return (Arithmetic(name=row["name"], amount=Decimal(row["amount"]), shown=row["shown"]) for row in frozen)


def _address_lines(frozen: dict[str, str]) -> tuple[str, ...]:
    place = " ".join(frozen.get(name, "") for name in ("city", "region", "postcode"))
    lines = (
        *(frozen.get(name, "") for name in ("name", "line1", "line2")),
        " ".join(place.split()),
        frozen.get("country", ""),
    )
    return tuple(line for line in lines if line)


def _parcel(row: Shipment) -> Parcel:
    return Parcel(
        number=row.number, shipped_on=row.shipped_on, arrives_on=row.arrives_on,
        carrier=row.carrier, tracking=row.tracking, cartons=row.cartons,
    )  # fmt: skip


def _papers(order: Order) -> Iterable[Paper]:
    """The newest paper of each kind about the order, a shipment or an invoice: a slip is made again when it leaves."""
    about = Q(order=order) | Q(shipment__order=order) | Q(invoice__order=order)
    rows = _paper_rows().filter(about).order_by("pk")
    newest = {(row.kind, row.order_id, row.shipment_id, row.invoice_id): row for row in rows}
    return (_paper(row) for row in sorted(newest.values(), key=lambda row: row.pk))


def _paper_rows() -> QuerySet[Document]:
    return Document.objects.filter(kind__in=_SHOP_KINDS).select_related("order", "shipment", "invoice")


def _paper_row(shop: Shop, paper_id: int) -> Document:
    about = Q(order__shop=shop) | Q(shipment__order__shop=shop) | Q(invoice__shop=shop)
    row = _paper_rows().filter(about, pk=paper_id).first()
    if row is None:
        raise NotFound("paper", "There is no such paper.")
    return row


def _paper(row: Document) -> Paper:
    return Paper(id=row.pk, title=_paper_title(row), state=_PAPER_STATES[row.state])


def _paper_title(row: Document) -> str:
    about = row.order or row.shipment or row.invoice
    return KINDS[row.kind].named(about.number if about else "")
