"""A promised date that can't be kept: told to the shop by the maker, or moved by a deposit that is late."""

from collections.abc import Iterable
from datetime import date

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import documents, events, mending, plan_rows
from wholesale.core.orders import OPEN_STATES
from wholesale.core.production.baskets import arrives_on
from wholesale.core.production.promise import Gate
from wholesale.core.values import NotAllowed, NotFound, Refusal, day_words
from wholesale.models import LoadPortion, Order, OrderLineScent, PromiseChange
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop

#: Letters of a reason.
MOST_LETTERS = 300
LATE = "The deposit is not here yet; the bench starts when it has come."


def change(*, by: User, number: str, leaves: date, because: str) -> None:
    """Promise another day than before, with a reason; the shop reads both days and the reason, for ever.

    A ``Refusal`` for a day on which the plan does not have it leave yet, for one that
    is no working day, and without a reason.
    """
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may promise another day.")
    because = because.strip()
    if not 1 <= len(because) <= MOST_LETTERS:
        raise Refusal("reason_missing", f"Give the shop a reason of up to {MOST_LETTERS} letters.", "because")
    with transaction.atomic():
        state = plan_rows.lock()
        order = _open_order(number)
        _refuse_day(order, leaves)
        _move(order, by, leaves, because)
        documents.queue_paper("confirmation", order=order, mail_to=order.shop.email)
        plan_rows.changed(state, f"{number} promised anew")


def watch_deposits() -> None:
    """Move what waits for a late deposit on, day for day; the promise was made under that condition."""
    if not _too_early():
        return
    with transaction.atomic():
        state = plan_rows.lock()
        waiting = _too_early()
        if not waiting:
            return
        mending.mend_plan(production.planner(workshop.workshop()), _demands_of(waiting))
        for order in Order.objects.select_related("shop").filter(pk__in=waiting):
            if order.planned_leaves > order.promised_leaves:
                _move_with_deposit(order, waiting[order.pk])
        plan_rows.changed(state, "a deposit is late")


def deposit_came(order: Order) -> None:
    """Place anew, as early as there is room, what waited for a late deposit that is here now."""
    if not PromiseChange.objects.filter(order=order, by=None).exists():
        return
    settings = workshop.workshop()
    planner = production.planner(settings)
    with transaction.atomic():
        state = plan_rows.lock()
        if order.pk in production.late_deposits(planner.calendar, settings):
            return
        mending.mend_plan(planner, _demands_of([order.pk]))
        order.refresh_from_db()
        if order.planned_leaves != order.promised_leaves:
            _move(order, None, order.planned_leaves, "The deposit is here.")
        plan_rows.changed(state, f"the deposit of {order.number} came")


def _open_order(number: str) -> Order:
    order = Order.objects.select_for_update(of=("self",)).select_related("shop").filter(number=number).first()
    if order is None:
        raise NotFound("order", f"There is no order {number}.")
    if order.state not in OPEN_STATES:
        raise Refusal("order_state", f"Order {number} is {order.state}; its day can't be changed any more.", "leaves")
    return order


def _refuse_day(order: Order, leaves: date) -> None:
    if leaves == order.promised_leaves:
        raise Refusal("leaves", f"{day_words(leaves)} is promised already; choose another day.", "leaves")
    if leaves < max(order.planned_leaves, clock.today()):
        planned = day_words(max(order.planned_leaves, clock.today()))
        raise Refusal("leaves", f"The plan has it leave on {planned} at the earliest; promise no day before.", "leaves")
    if not production.calendar().is_work(leaves):
        raise Refusal("leaves", f"{day_words(leaves)} is no working day, so nothing leaves; choose another.", "leaves")


def _move(order: Order, by: User | None, leaves: date, because: str) -> None:
    """The new day on the order, the row that keeps both, and the history."""
    was_leaves, was_arrives = order.promised_leaves, order.promised_arrives
    arrives = arrives_on(leaves, workshop.workshop().carrier_days, pick_up=order.pick_up)
    PromiseChange.objects.create(
        order=order, at=clock.now(), by=by, was_leaves=was_leaves, was_arrives=was_arrives, leaves=leaves,
        arrives=arrives, because=because,
    )  # fmt: skip
    order.promised_leaves, order.promised_arrives = leaves, arrives
    order.save(update_fields=["promised_leaves", "promised_arrives"])
    text = f"Now leaves {day_words(leaves)} instead of {day_words(was_leaves)}: {because}"
    events.note(order, by, "promise", text)


def _too_early() -> dict[int, date]:
    """Orders whose deposit is late and which the plan has begin before it may come, with the day it may: 5 queries."""
    late = production.late_deposits(production.calendar(), workshop.workshop())
    rows = LoadPortion.objects.filter(
        order_scent__line__order__in=late, load__done_at__isnull=True, load__weighed_at__isnull=True
    ).values_list("order_scent__line__order", "load__day")
    return {order: late[order] for order, day in rows if day < late[order]}


def _demands_of(orders: Iterable[int]) -> set[str]:
    scents = OrderLineScent.objects.filter(line__order__in=orders)
    return {str(pk) for pk in scents.values_list("pk", flat=True)}


def _move_with_deposit(order: Order, starts: date) -> None:
    """Promise what the plan now says, told by its gates; the shop gets an e-mail the first time."""
    first = not PromiseChange.objects.filter(order=order, by=None).exists()
    _move(order, None, order.planned_leaves, LATE)
    order.gates = [gate.to_json() for gate in _late_gates(order, starts)]
    order.promise_holds_until = quotes.at_cut_off(starts, workshop.workshop())
    order.save(update_fields=["gates", "promise_holds_until"])
    if first:
        documents.queue_paper("confirmation", order=order, mail_to=order.shop.email)


def _late_gates(order: Order, starts: date) -> list[Gate]:
    """The gates of a promise that a late deposit decides."""
    opening = [gate for gate in (Gate.from_json(gate) for gate in order.gates) if gate.code == "cut_off"]
    since = opening[-1].passed_on if opening else starts

    def gate(code: str, title: str, day: date, before: date, because: str = "") -> Gate:
        return Gate(
            code=code, title=title, passed_on=day, took_days=(day - before).days, because=because,
            binding=code == "deposit",
        )  # fmt: skip

    leaves, arrives = order.promised_leaves, order.promised_arrives
    last = ("pick_up", "Ready for you") if order.pick_up else ("carrier", "Arrives")
    return [
        *opening,
        gate("deposit", "Deposit", starts, since, LATE),
        gate("packing", "Packed, leaves", leaves, starts, "made, set and cured by then"),
        gate(*last, arrives, leaves),
    ]
