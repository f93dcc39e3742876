"""Packing whole cases from the lots reserved for an order, and sending them off."""

from collections.abc import Iterable, Mapping

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import documents, events, ledger, numbers, plan_rows
from wholesale.core.orders import OrderState, refuse_step
from wholesale.core.production.baskets import arrives_on
from wholesale.core.shipping import LineShelf, Taken, refuse_cases, take
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words
from wholesale.models import Order, OrderLine, Reservation, Shipment, ShipmentLine, ShipmentLot
from wholesale.queries import catalogue, workshop
from wholesale.queries import shipping as shelf

#: More cartons than this is a slip of the finger.
MOST_CARTONS = 999
#: Letters of a carrier's name or a tracking number.
MOST_LETTERS = 80


def pack(*, by: User, number: str, cases: Mapping[int, int], token: str, cartons: int = 1) -> str:
    """Pack whole cases of an order and return the shipment's number; the same ``token`` returns the first one.

    ``cases`` is cases by the row of the order line; a line left out waits. Pieces are
    taken from the lots reserved for the order, oldest first, as far as they are
    sellable today and finished. A ``Refusal`` names the line and what is ready.
    """
    _bench(by)
    _refuse_slip(token, cartons)
    with transaction.atomic():
        plan_rows.lock()
        order = _locked(number)
        packed = Shipment.objects.filter(order=order, token=token).first()
        if packed:
            return packed.number
        _refuse_unconfirmed(order)
        lines = list(OrderLine.objects.filter(order=order).select_related("item"))
        shelves = shelf.shelves(lines, catalogue.catalogue(clock.today()))
        refuse_cases(cases, list(shelves.values()), clock.today())
        shipment = _shipment(by, order, token, cartons)
        for line in lines:
            if cases.get(line.pk):
                _pack_line(by, shipment, line, shelves[line.pk], cases[line.pk])
        events.note(order, by, "packed", f"{shipment.number} packed: {_contents(lines, cases)}.")
        documents.queue_paper("packing_slip", shipment=shipment)
    return shipment.number


def ship(*, by: User, number: str, carrier: str = "", tracking: str = "") -> None:
    """Send a packed shipment off today; an order of which nothing is left becomes shipped.

    The shop gets the packing slip by e-mail, with the day it arrives.
    """
    _bench(by)
    _refuse_long(carrier=carrier.strip(), tracking=tracking.strip())
    with transaction.atomic():
        order = _locked(_order_of(number))
        shipment = _unshipped(number)
        shipment.shipped_on = clock.today()
        days = workshop.workshop().carrier_days
        shipment.arrives_on = arrives_on(clock.today(), days, pick_up=order.pick_up)
        shipment.carrier, shipment.tracking = carrier.strip(), tracking.strip()
        shipment.save(update_fields=["shipped_on", "arrives_on", "carrier", "tracking"])
        events.note(
            order, by, "shipped", f"{number} has left{_with(shipment)}; it arrives {day_words(shipment.arrives_on)}."
        )
        documents.queue_paper("packing_slip", shipment=shipment, mail_to=order.shop.email)
        _close(order)


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may pack and ship.")


def _refuse_slip(token: str, cartons: int) -> None:
    if not token:
        raise Refusal("token", "Open the packing page again: this form carries no mark of its own.", "token")
    if not 1 <= cartons <= MOST_CARTONS:
        message = f"{cartons} cartons can't be right; give a whole number from 1 to {MOST_CARTONS}."
        raise Refusal("cartons", message, "cartons")


def _refuse_long(**words: str) -> None:
    for field, text in words.items():
        if len(text) > MOST_LETTERS:
            message = f"The {field} has {len(text)} letters; shorten it to at most {MOST_LETTERS}."
            raise Refusal("too_long", message, field)


def _locked(number: str) -> Order:
    """The order, locked for this transaction; ``NotFound`` when there is none."""
    order = Order.objects.select_for_update(of=("self",)).select_related("shop").filter(number=number).first()
    if order is None:
        raise NotFound("order", f"There is no order {number}.")
    return order


def _refuse_unconfirmed(order: Order) -> None:
    if order.state == OrderState.PLACED:
        message = f"Order {order.number} is not confirmed yet; confirm it before packing."
        raise Refusal("order_state", message, "state", state=order.state)
    if order.state != OrderState.CONFIRMED:
        message = f"Order {order.number} is {order.state}; nothing of it is left to pack."
        raise Refusal("order_state", message, "state", state=order.state)


def _shipment(by: User, order: Order, token: str, cartons: int) -> Shipment:
    return Shipment.objects.create(
        number=f"S-{numbers.take('S-')}", order=order, token=token, packed_at=clock.now(), packed_by=by,
        cartons=cartons,
    )  # fmt: skip


def _pack_line(by: User, shipment: Shipment, line: OrderLine, found: LineShelf, cases: int) -> None:
    """Write the cases of one line, and take their pieces out of the lots they were reserved in."""
    row = ShipmentLine.objects.create(shipment=shipment, order_line=line, cases=cases)
    for scent in found.scents:
        _take(by, row, take(scent, cases * scent.per_case, clock.today()))
    line.cases_shipped += cases
    line.save(update_fields=["cases_shipped"])


def _take(by: User, row: ShipmentLine, taken: Iterable[Taken]) -> None:
    for reservation, pieces in taken:
        held = Reservation.objects.select_related("lot").get(pk=reservation)
        held.shipped += pieces
        held.save(update_fields=["shipped"])
        ShipmentLot.objects.create(line=row, lot=held.lot, pieces=pieces)
        ledger.take(held.lot, pieces, ledger.Why(reason="shipped", by=by, reference=row.shipment.number))


def _contents(lines: Iterable[OrderLine], cases: Mapping[int, int]) -> str:
    """What was packed and what waits, in words."""
    rows = list(lines)
    packed = [f"{cases[row.pk]} × {row.name}" for row in rows if cases.get(row.pk)]
    waiting = sum(row.cases - row.cases_shipped for row in rows)
    words = ", ".join(packed)
    return f"{words}; {waiting} {'case waits' if waiting == 1 else 'cases wait'}" if waiting else words


def _order_of(number: str) -> str:
    """The number of a shipment's order; ``NotFound`` when there is no such shipment."""
    order = Shipment.objects.filter(number=number).values_list("order__number", flat=True).first()
    if order is None:
        raise NotFound("shipment", f"There is no shipment {number}.")
    return order


def _unshipped(number: str) -> Shipment:
    """The shipment, read under its order's lock; a ``Conflict`` when it has left."""
    shipment = Shipment.objects.get(number=number)
    if shipment.shipped_on is not None:
        message = f"{number} has already left, on {shipment.shipped_on}; nothing was changed."
        raise Conflict("shipped_already", message)
    return shipment


def _with(shipment: Shipment) -> str:
    words = " ".join(part for part in (shipment.carrier, shipment.tracking) if part)
    return f" with {words}" if words else ""


def _close(order: Order) -> None:
    """Call the order shipped once every case of it has left."""
    lines = OrderLine.objects.filter(order=order)
    left_to_pack = any(line.cases_shipped < line.cases for line in lines)
    left_to_ship = Shipment.objects.filter(order=order, shipped_on__isnull=True).exists()
    if left_to_pack or left_to_ship:
        return
    refuse_step(order.number, OrderState(order.state), OrderState.SHIPPED)
    order.state = OrderState.SHIPPED
    order.save(update_fields=["state"])
