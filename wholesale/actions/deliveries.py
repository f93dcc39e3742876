"""What is on order from suppliers: noted, moved to another day, called off; what comes is received as a lot.

Whoever works at the bench may note and move a delivery; only the maker calls one off.
The plan waits for materials that bind it, so that for these each change is one of the plan.
"""

from datetime import date
from decimal import Decimal
from typing import Any

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import mending, numbers, plan_rows, stock
from wholesale.actions.ledger import amount
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words
from wholesale.models import ExpectedDelivery, Item, Lot, PlanState
from wholesale.queries import production, workshop

#: Nothing is on order for longer.
_MOST_DAYS = 3 * 366


def order(  # noqa: PLR0913  (what stands on an order to a supplier)
    *,
    by: User,
    item: str,
    quantity: Decimal,
    expected_on: date,
    token: str,
    scent: str = "",
    supplier: str = "",
    reference: str = "",
) -> int:
    """Note what was ordered, and when it is to come; return its row. The same ``token`` notes it once.

    ``quantity`` is pieces, or grams of what is counted in grams.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        if not token:
            raise Refusal("token", "Open the page again: this form carries no mark of its own.", "token")
        if known := ExpectedDelivery.objects.filter(token=token).first():
            return known.pk
        row = _bought(stock.find_item(item, scent))
        _refuse_day(expected_on)
        found = ExpectedDelivery.objects.create(
            item=row, scent=scent, quantity=stock.in_units(quantity, row.unit, "quantity"), token=token,
            ordered_on=clock.today(), expected_on=expected_on,
            supplier=supplier.strip() or row.supplier, reference=_reference(row, scent, reference.strip()),
        )  # fmt: skip
        _changed(state, found, f"{row.code} on order for {day_words(expected_on)}")
        return found.pk


def move(*, by: User, delivery: int, expected_on: date) -> None:
    """Say that a delivery comes on another day; what was to be made of it is planned anew where it has to be."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        row = _awaited(delivery)
        _refuse_day(expected_on)
        later = expected_on > row.expected_on
        row.expected_on = expected_on
        row.save(update_fields=["expected_on"])
        _changed(state, row, f"{row.item.code} comes on {day_words(expected_on)}", mend=later)


def call_off(*, by: User, delivery: int, because: str) -> None:
    """Say, as the maker, that a delivery will not come."""
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may call a delivery off.")
    reason = stock.short_reason(because)
    if not reason:
        raise Refusal("reason_missing", "Say why it will not come.", "because")
    with transaction.atomic():
        state = plan_rows.lock()
        row = _awaited(delivery)
        row.closed_at, row.because = clock.now(), reason
        row.save(update_fields=["closed_at", "because"])
        _changed(state, row, f"{row.item.code} will not come: {reason}", mend=True)


def receive(*, by: User, delivery: int, quantity: Decimal, token: str, **note: Any) -> str:
    """Receive a delivery as a new lot and return the lot's code; what of it is missing stays on order.

    ``note`` is what else stands on the delivery note; see ``stock.receive``. The same
    ``token`` returns the first lot.
    """
    with transaction.atomic():
        state = plan_rows.lock()
        known = ExpectedDelivery.objects.select_related("item").filter(pk=delivery).first()
        if known is None:
            raise NotFound("delivery", "There is no such delivery.")
        item, scent = known.item.code, known.scent
        code = stock.receive(by=by, item=item, scent=scent, quantity=quantity, token=token, **note)
        lot = Lot.objects.get(code=code)
        if known.lot_id != lot.pk:
            _came(state, _awaited(delivery), lot, stock.in_units(quantity, known.item.unit, "quantity"))
        return code


def _came(state: PlanState, row: ExpectedDelivery, lot: Lot, received: int) -> None:
    """Close a delivery with the lot that it became; the rest is expected the same day, or from today on."""
    if received < row.quantity:
        ExpectedDelivery.objects.create(
            item=row.item, scent=row.scent, quantity=row.quantity - received, ordered_on=row.ordered_on,
            expected_on=max(row.expected_on, clock.today()), supplier=row.supplier, reference=row.reference,
        )  # fmt: skip
    row.closed_at, row.lot = clock.now(), lot
    row.save(update_fields=["closed_at", "lot"])
    _changed(state, row, f"{lot.code} received", mend=True)


def _reference(item: Item, scent: str, typed: str) -> str:
    """The supplier's number, or one of our own; a ``Refusal`` when it is on order under that number already."""
    if typed and ExpectedDelivery.objects.filter(item=item, scent=scent, reference=typed, closed_at=None).exists():
        message = f"{item.name} is on order as {typed} already; move that one, or give this one another number."
        raise Refusal("reference", message, "reference")
    return typed or f"D-{numbers.take('D-')}"


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may change what is on order.")


def _bought(item: Item) -> Item:
    if item.kind == "product":
        raise Refusal("made_here", f"{item.name} is made here; nothing of it is on order.", "item")
    return item


def _refuse_day(expected_on: date) -> None:
    days = (expected_on - clock.today()).days
    if days < 0:
        raise Refusal("expected_on", f"{day_words(expected_on)} is past; receive what has come.", "expected_on")
    if days > _MOST_DAYS:
        raise Refusal("expected_on", f"{expected_on.year} is far off; look at the year again.", "expected_on")


def _awaited(delivery: int) -> ExpectedDelivery:
    row = ExpectedDelivery.objects.select_for_update(of=("self",)).select_related("item").filter(pk=delivery).first()
    if row is None:
        raise NotFound("delivery", "There is no such delivery.")
    if row.closed_at is not None:
        what = f"{amount(row.quantity, row.item.unit)} of {row.item.name}"
        raise Conflict("delivery_closed", f"{what} came already, or was called off; nothing was changed.")
    return row


def _changed(state: PlanState, row: ExpectedDelivery, because: str, *, mend: bool = False) -> None:
    """For a material that the plan waits for this is a change of the plan."""
    if not row.item.binds_plan:
        return
    if mend:
        mending.mend_plan(production.planner(workshop.workshop()))
    plan_rows.changed(state, because[:120])
