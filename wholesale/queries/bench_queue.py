"""The production queue: open orders by promised date, what each still needs, and which are at risk."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Q, QuerySet, Sum
from django.db.models.functions import Coalesce

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind
from wholesale.core.orders import OPEN_STATES, OrderState
from wholesale.core.production.calendar import ONE_DAY, Calendar
from wholesale.core.production.plan import planned, remainder
from wholesale.core.production.work import Demand, Load, Plan, Portion
from wholesale.core.values import from_minor, short_day
from wholesale.models import Order, Reservation
from wholesale.queries import catalogue, production

#: One piece, several pieces.
IN_NO_LOAD = ("piece is in no load", "pieces are in no load")


class Need(NamedTuple):
    """Pieces that still have to go through a step, such as 12 to *Pour base*."""

    step: str
    pieces: int
    #: Its place in the routing; parts come before it.
    place: int


class Curing(NamedTuple):
    """Pieces made for an order that may be sold from ``until`` on."""

    pieces: int
    until: date


@dataclass(frozen=True, kw_only=True)
class DemandNeeds:
    """What one scent of an order line still needs; ``short`` pieces are in no load yet."""

    needs: tuple[Need, ...]
    short: int
    overdue: tuple[tuple[str, date], ...]


class Slack(NamedTuple):
    """Work days between the day an order is planned to leave and the day it is promised to; negative when late.

    ``None`` while some of its pieces are in no load: then the plan knows no such day.
    """

    days: int | None

    @property
    def words(self) -> str:
        """Such as ``2 working days in hand``, ``leaves on the day``, ``1 working day late``, ``not planned``."""
        if self.days is None:
            return "not planned"
        if not self.days:
            return "leaves on the day"
        count = "1 working day" if abs(self.days) == 1 else f"{abs(self.days)} working days"
        return f"{count} in hand" if self.days > 0 else f"{count} late"

    @property
    def state(self) -> str:
        """Its shape: ``well``, ``quiet`` where it leaves as promised, ``stopped`` where it is late or not planned."""
        if self.days == 0:
            return "quiet"
        return "well" if self.days and self.days > 0 else "stopped"


@dataclass(frozen=True, kw_only=True)
class QueueRow:
    """One open order; ``risks`` says why it may be late, one sentence each.

    ``planned`` is missing while some of its pieces are in no load: the day known last is none to rely on.
    """

    number: str
    shop: str
    state: str
    cases: int
    cases_shipped: int
    promised: date
    planned: date | None
    slack: Slack
    needs: tuple[Need, ...]
    curing: tuple[Curing, ...]
    deposit: Decimal
    deposit_received: Decimal
    currency: str
    risks: tuple[str, ...]

    @property
    def deposit_open(self) -> Decimal:
        """What of the deposit has not come in."""
        return max(self.deposit - self.deposit_received, Decimal(0))


@dataclass(frozen=True, kw_only=True)
class Queue:
    """All open orders; ``mend_because`` says why the plan should be made again, if it should."""

    rows: tuple[QueueRow, ...]
    mend_because: str


def queue() -> Queue:
    """Open orders by promised date: 16 queries (and up to 4 for deposits and wishes), however long it is."""
    orders = _orders()
    goods, calendar = catalogue.catalogue(clock.today()), production.calendar()
    plan = production.current_plan()
    needs = needs_by_order(goods, plan)
    deposits = deposits_received(orders)
    curing = curing_by_order(Q(order_scent__line__order__in=orders))
    rows = tuple(
        _row(order, slack(calendar, order, of_it, clock.today()), of_it, deposits, curing)
        for order, of_it in ((order, needs.get(order.pk, [])) for order in orders)
    )
    return Queue(rows=rows, mend_because=_mend_because(needs))


def needs_by_order(goods: Catalogue, plan: Plan) -> dict[int, list[DemandNeeds]]:
    """What each open order still needs, by its row number: 1 query."""
    found: dict[int, list[DemandNeeds]] = {}
    mine = _by_demand(plan)
    for demand in production.demands():
        own = mine.get(demand.key, Plan())
        found.setdefault(demand.rank, []).append(demand_needs(goods, own, demand, clock.today()))
    return found


def _by_demand(plan: Plan) -> dict[str, Plan]:
    """The loads of each demand, as ``plan.of`` has them: for all demands in one walk through the plan."""
    found: dict[str, list[Load]] = {}
    for load in plan.loads:
        shares: dict[str, list[Portion]] = {}
        for portion in load.portions:
            shares.setdefault(portion.demand, []).append(portion)
        for demand, portions in shares.items():
            found.setdefault(demand, []).append(replace(load, portions=tuple(portions)))
    return {demand: Plan(loads=tuple(loads)) for demand, loads in found.items()}


def demand_needs(goods: Catalogue, plan: Plan, demand: Demand, today: date) -> DemandNeeds:
    """Pieces by remaining step, parts before them; what is short, and what is past its day."""
    steps = goods.recipe(demand.sku.item).operations
    waiting = remainder(goods, plan, demand)
    own = planned(goods, plan, demand)
    needs = _parts(goods, plan.loads)
    for index, step in enumerate(steps):
        pieces = sum(count for at, count in waiting.items() if at <= index)
        needs += [Need(step.name, pieces, index)] if pieces else []
    # A step that the loads pass by (the recipe has it only since) is short of what comes to it.
    short = sum(max(waiting.get(at, 0) - own.get(at, 0), 0) for at in range(len(steps)))
    return DemandNeeds(needs=tuple(needs), short=short, overdue=_overdue(goods, plan.loads, today))


def _parts(goods: Catalogue, loads: Iterable[Load]) -> list[Need]:
    """Casts still to do for a demand."""
    todo = [
        p for load in loads if not load.done for p in load.portions if goods.items[p.sku.item].kind is ItemKind.PART
    ]
    return _added(Need(_step_name(goods, p.sku.item, p.operation), p.pieces, -1) for p in todo)


def _overdue(goods: Catalogue, loads: Iterable[Load], today: date) -> tuple[tuple[str, date], ...]:
    late = [(load.day, p) for load in loads if not load.done and load.day < today for p in load.portions]
    return tuple(dict.fromkeys((_step_name(goods, p.sku.item, p.operation), day) for day, p in late))


def _step_name(goods: Catalogue, item: str, code: str) -> str:
    return next(step.name for step in goods.recipe(item).operations if step.code == code)


def together(needs: Iterable[DemandNeeds]) -> tuple[Need, ...]:
    """What the scents of an order need, step by step."""
    return tuple(_added(need for one in needs for need in one.needs))


def _added(needs: Iterable[Need]) -> list[Need]:
    """Needs of the same step as one, in the order of work."""
    found: dict[tuple[int, str], int] = {}
    for need in needs:
        found[need.place, need.step] = found.get((need.place, need.step), 0) + need.pieces
    return [Need(step, pieces, place) for (place, step), pieces in sorted(found.items())]


def deposits_received(orders: Iterable[Order]) -> dict[int, int]:
    """Minor units received as deposit, by the order's row number: 1 query. What an invoice drew down still counts."""
    rows = Order.objects.filter(pk__in=[order.pk for order in orders], deposits__amount_minor__gt=0)
    return dict(rows.order_by().annotate(received=Sum("deposits__amount_minor")).values_list("pk", "received"))


def curing_by_order(which: Q) -> dict[int, list[Curing]]:
    """Pieces held for orders that may not be sold yet, by the order's row number: 1 query."""
    held = Reservation.objects.filter(which, lot__usable_on__gt=clock.today()).order_by("lot__usable_on")
    sums = held.values_list("order_scent__line__order_id", "lot__usable_on").annotate(pieces=Sum("pieces"))
    found: dict[int, list[Curing]] = {}
    for order, until, pieces in sums:
        found.setdefault(order, []).append(Curing(pieces, until))
    return found


def risks(order: Order, needs: Sequence[DemandNeeds]) -> tuple[str, ...]:
    """Why an order may leave later than promised, one sentence each."""
    overdue = dict.fromkeys(step for need in needs for step in need.overdue)
    found = [f"{step} was planned for {_words(day)} and is not done." for step, day in overdue]
    if short := sum(need.short for need in needs):
        found.append(f"{short} {IN_NO_LOAD[short != 1]} yet.")
    if (late := (order.planned_leaves - order.promised_leaves).days) > 0:
        days = "1 calendar day" if late == 1 else f"{late} calendar days"
        found.append(f"The plan has it leave {_words(order.planned_leaves)}, {days} after the promise.")
    if not found and order.promised_leaves < clock.today():
        found.append(f"It was promised to leave {_words(order.promised_leaves)}.")
    return tuple(found)


def slack(calendar: Calendar, order: Order, needs: Iterable[DemandNeeds], today: date) -> Slack:
    """Work days from the day an order is planned to leave (today, where that is over) to the promised one."""
    if any(need.short for need in needs):
        return Slack(None)
    leaves, promised = max(order.planned_leaves, today), order.promised_leaves
    if leaves <= promised:
        return Slack(sum(1 for _ in calendar.work_days(leaves + ONE_DAY, promised)))
    # Late is late, even where the calendar has lost the work days between.
    return Slack(-max(1, sum(1 for _ in calendar.work_days(promised + ONE_DAY, leaves))))


def _words(day: date) -> str:
    return short_day(day, clock.today())


def _orders() -> list[Order]:
    cases = Coalesce(Sum("lines__cases"), 0)
    shipped = Coalesce(Sum("lines__cases_shipped"), 0)
    rows: QuerySet[Order] = Order.objects.filter(state__in=OPEN_STATES).select_related("shop")
    return list(rows.annotate(cases=cases, shipped=shipped).order_by("promised_leaves", "pk"))


def _row(
    order: Order, in_hand: Slack, needs: Sequence[DemandNeeds], deposits: Mapping[int, int],
    curing: Mapping[int, list[Curing]],
) -> QueueRow:  # fmt: skip
    return QueueRow(
        number=order.number, shop=order.shop.trade_name, state=OrderState(order.state).value,
        cases=order.cases, cases_shipped=order.shipped,  # type: ignore[attr-defined]
        promised=order.promised_leaves, planned=None if in_hand.days is None else order.planned_leaves, slack=in_hand,
        needs=together(needs), curing=tuple(curing.get(order.pk, ())),
        deposit=from_minor(order.deposit_minor, order.currency),
        deposit_received=from_minor(deposits.get(order.pk, 0), order.currency),
        currency=order.currency, risks=risks(order, needs),
    )  # fmt: skip


def _mend_because(needs: Mapping[int, Sequence[DemandNeeds]]) -> str:
    """Why the plan should be made again; "" when nothing is overdue or short."""
    every = [need for order in needs.values() for need in order]
    overdue = sum(len(need.overdue) for need in every)
    short = sum(need.short for need in every)
    found = [(overdue, "step is past its day", "steps are past their day"), (short, *IN_NO_LOAD)]
    return " and ".join(f"{number} {one if number == 1 else many}" for number, one, many in found if number)
