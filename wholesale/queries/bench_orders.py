"""Everything the bench knows of one order: promise, lines, steps, what it needs, history."""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal

from django.db.models import Q, Sum

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.documents import batch
from wholesale.core.documents.papers import address_lines
from wholesale.core.orders import wanted_words
from wholesale.core.pricing import Arithmetic
from wholesale.core.production.baskets import arrives_on
from wholesale.core.production.promise import Gate
from wholesale.core.values import NotFound, from_e4, from_minor
from wholesale.models import LoadPortion, Order, OrderLine, Reservation
from wholesale.queries import bench_queue, catalogue, documents, production, workshop
from wholesale.queries.bench_queue import Curing, Need
from wholesale.queries.documents import PaperRow


@dataclass(frozen=True, kw_only=True)
class LineRow:
    """One order line; ``mix`` says what is in one case."""

    id: int
    name: str
    mix: str
    cases: int
    case_pack: int
    cases_shipped: int
    unit_price: Decimal
    list_amount: Decimal
    discount: Decimal

    @property
    def open(self) -> int:
        """Cases that have not left."""
        return self.cases - self.cases_shipped


@dataclass(frozen=True, kw_only=True)
class StepRow:
    """Pieces of an order in one load."""

    load: int
    number: str
    day: date
    step: str
    what: str
    pieces: int
    good: int | None
    state: str


@dataclass(frozen=True, kw_only=True)
class HeldRow:
    """Pieces of one lot that an order holds or has got; ``usable_on`` is the first day they may be sold."""

    lot: str
    what: str
    pieces: int
    gone: int
    usable_on: date


@dataclass(frozen=True, kw_only=True)
class EventRow:
    """One entry of the history; ``for_shop`` says whether the shop reads it too."""

    at: datetime
    by: str
    text: str
    for_shop: bool


@dataclass(frozen=True, kw_only=True)
class BenchOrder:
    """One order as the bench sees it; money in major units of ``currency``."""

    number: str
    state: str
    shop: str
    slug: str
    placed_by: str
    placed_at: datetime
    po_number: str
    note: str
    refused_because: str
    ship_to: tuple[str, ...]
    promised: date
    arrives: date
    planned: date
    gates: tuple[Gate, ...]
    currency: str
    total: Decimal
    deposit: Decimal
    deposit_received: Decimal
    arithmetic: tuple[Arithmetic, ...]
    lines: tuple[LineRow, ...]
    steps: tuple[StepRow, ...]
    held: tuple[HeldRow, ...]
    needs: tuple[Need, ...]
    curing: tuple[Curing, ...]
    risks: tuple[str, ...]
    events: tuple[EventRow, ...]
    wanted: str
    pick_up: bool

    @property
    def deposit_open(self) -> Decimal:
        """What of the deposit has not come in."""
        return max(self.deposit - self.deposit_received, Decimal(0))

    @property
    def is_open(self) -> bool:
        """Does it still ask for work or packing?"""
        return self.state in {"placed", "confirmed"}


def bench_order(number: str) -> BenchOrder:
    """One order by its number: 19 queries, however many lines and loads; ``NotFound`` when there is none.

    One more where it is planned for another day than promised.
    """
    order = Order.objects.select_related("shop", "placed_by").filter(number=number).first()
    if order is None:
        raise NotFound("no_order", f"There is no order {number}.")
    goods = catalogue.catalogue(clock.today())
    needs = bench_queue.needs_by_order(goods, production.current_plan()).get(order.pk, [])
    amounts = {name: from_minor(getattr(order, f"{name}_minor"), order.currency) for name in ("total", "deposit")}
    received = bench_queue.deposits_received([order]).get(order.pk, 0)
    return BenchOrder(
        number=order.number, state=order.state, shop=order.shop.trade_name, slug=order.shop.slug,
        placed_by=str(order.placed_by), placed_at=order.placed_at, po_number=order.po_number, note=order.note,
        refused_because=order.refused_because, ship_to=address_lines(order.ship_to),
        promised=order.promised_leaves, arrives=_arrives(order), planned=order.planned_leaves,
        gates=tuple(Gate.from_json(gate) for gate in order.gates), currency=order.currency,
        deposit_received=from_minor(received, order.currency), arithmetic=_arithmetic(order),
        lines=_lines(goods, order), steps=_steps(goods, order), held=_held(goods, order),
        needs=bench_queue.together(needs),
        curing=tuple(bench_queue.curing_by_order(Q(order_scent__line__order=order)).get(order.pk, ())),
        risks=bench_queue.risks(order, needs), events=_events(order),
        wanted=wanted_words(order.wanted_from, order.wanted_by), pick_up=order.pick_up,
        **amounts,
    )  # fmt: skip


def _arrives(order: Order) -> date:
    """The day it is with the shop by the plan."""
    if order.planned_leaves == order.promised_leaves:
        return order.promised_arrives
    return arrives_on(order.planned_leaves, workshop.workshop().carrier_days, pick_up=order.pick_up)


def papers(number: str) -> tuple[PaperRow, ...]:
    """The papers of an order, its shipments and its invoices: 2 queries."""
    order = Order.objects.filter(number=number).values_list("pk", flat=True).first()
    return documents.papers_of_order(order) if order is not None else ()


def _lines(goods: Catalogue, order: Order) -> tuple[LineRow, ...]:
    rows = OrderLine.objects.filter(order=order).prefetch_related("scents").order_by("position")
    return tuple(
        LineRow(
            id=row.pk, name=row.name, mix=_mix(goods, row), cases=row.cases, case_pack=row.case_pack,
            cases_shipped=row.cases_shipped, unit_price=from_e4(row.unit_price_e4),
            list_amount=from_minor(row.list_minor, order.currency),
            discount=from_minor(row.discount_minor, order.currency),
        )
        for row in rows
    )  # fmt: skip


def _mix(goods: Catalogue, line: OrderLine) -> str:
    scents = [
        (goods.scents[part.scent].name, part.pieces_per_case)
        for part in line.scents.all()
        if part.scent in goods.scents
    ]
    return ", ".join(f"{pieces} {name}" for name, pieces in scents)


def _steps(goods: Catalogue, order: Order) -> tuple[StepRow, ...]:
    """The loads an order is in, by day."""
    portions = LoadPortion.objects.filter(order_scent__line__order=order).select_related("load", "item")
    return tuple(_step(goods, portion) for portion in portions.order_by("load__day", "load__done_at", "pk"))


def _step(goods: Catalogue, portion: LoadPortion) -> StepRow:
    load, steps = portion.load, goods.recipe(portion.item.code).operations
    todo = "overdue" if load.day < clock.today() else "to do"
    return StepRow(
        load=load.pk, number=load.number or "", day=load.day, pieces=portion.pieces, good=portion.good,
        step=next(step.name for step in steps if step.code == portion.operation),
        what=batch.sku_name(goods, Sku(portion.item.code, portion.scent)), state="done" if load.done_at else todo,
    )  # fmt: skip


def _held(goods: Catalogue, order: Order) -> tuple[HeldRow, ...]:
    """The lots an order's pieces are in, or were: 1 query."""
    rows = Reservation.objects.filter(order_scent__line__order=order).order_by("lot__usable_on", "lot__code")
    columns = ("lot__code", "lot__item__code", "lot__scent", "lot__usable_on")
    sums = rows.values_list(*columns).annotate(all=Sum("pieces"), gone=Sum("shipped"))
    return tuple(
        HeldRow(lot=lot, what=batch.sku_name(goods, Sku(item, scent)), pieces=pieces, gone=gone, usable_on=day)
        for lot, item, scent, day, pieces, gone in sums
    )


def _events(order: Order) -> tuple[EventRow, ...]:
    rows = order.events.select_related("by").order_by("-at", "-pk")
    return tuple(
        EventRow(at=row.at, by=str(row.by) if row.by else "", text=row.text, for_shop=row.for_shop) for row in rows
    )


def _arithmetic(order: Order) -> tuple[Arithmetic, ...]:
    return tuple(
        Arithmetic(name=row["name"], amount=Decimal(row["amount"]), shown=row["shown"]) for row in order.arithmetic
    )
