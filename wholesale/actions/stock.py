"""What happens at the shelf: goods received, counted, taken out, moved, put on hold.

Whoever works at the bench may receive, count, take out, move, and stop a lot. Only the
maker releases or recalls a lot, takes an entry back, names targets, and decides that an
order goes short for what is missing.
"""

from datetime import date
from decimal import Decimal
from statistics import median

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import events, ledger, mending, numbers, plan_rows, shortfall
from wholesale.actions.ledger import SHELF, Why, amount
from wholesale.core.values import MILLIGRAM, Conflict, NotAllowed, NotFound, Refusal, to_mg
from wholesale.models import (
    Item,
    Lot,
    PlanState,
    Scent,
    StockMovement,
    StockTarget,
)
from wholesale.queries import production, trace, workshop
from wholesale.queries.stock import BY_HAND

#: Why something leaves the shelf without an order or a batch.
TAKEN_OUT = ("scrap", "sample", "breakage")
#: A decimal point slips by ten; between a fifth and five times lies what a delivery may really be.
SLIP = 5
#: Receipts that say what is usual.
_RECENT = 5
_MOST = 10**15
#: No delivery is booked in so many years after it came: then the year is a slip.
_MOST_YEARS = 20
_MOST_PLACE = 40
_MOST_BECAUSE = 200


def receive(  # noqa: PLR0913  (what stands on a delivery note)
    *,
    by: User,
    item: str,
    quantity: Decimal,
    token: str,
    supplier: str = "",
    supplier_lot: str = "",
    place: str = SHELF,
    received_on: date | None = None,
    usable_on: date | None = None,
    expires_on: date | None = None,
    scent: str = "",
    sure: bool = False,
) -> str:
    """Book a delivery as a new lot and return the lot's code; the same ``token`` returns the first one.

    ``quantity`` is pieces, or grams of what is counted in grams. A quantity far from the
    usual one, and a supplier's lot that is on hold here, are asked about: ``sure`` says
    it is right, and what comes of a lot on hold is put on hold too.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        if booked := _booked(token):
            return booked.lot.code
        row = _to_receive(item, scent)
        counted = in_units(quantity, row.unit, "quantity")
        held = _on_hold(row, supplier_lot.strip())
        if not sure:
            _ask(_far_from_usual(row, counted), _known_hold(row, held))
        lot = Lot.objects.create(
            code=_new_code(), item=row, scent=scent, supplier=supplier.strip() or row.supplier,
            supplier_lot=supplier_lot.strip(), **_days(received_on, usable_on, expires_on),
            state="hold" if held else "ok", state_because=held.state_because if held else "",
        )  # fmt: skip
        ledger.move(lot, counted, Why(reason="received", by=by, token=token), place=_place(place))
        _changed(state, lot, f"{lot.code} received")
        return lot.code


def count(  # noqa: PLR0913  (what was found where, and the answers to what is asked)
    *,
    by: User,
    lot: str,
    found: Decimal,
    token: str,
    place: str = SHELF,
    because: str = "",
    sure: bool = False,
    short: bool = False,
) -> None:
    """Book what was found of a lot at a place: the difference, with its reason, is an entry of the ledger.

    Fewer than orders hold is refused by their numbers; ``short`` says that the one
    promised last goes short, which is planned anew at once.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        row = _lot(lot)
        if _booked(token):
            return
        _refuse_below_zero(found)
        there = ledger.places(row).get(_place(place), 0)
        counted = in_units(found, row.item.unit, "found", least=0)
        if counted != there:
            _refuse_unexplained(because, row, there, counted)
        if not sure:
            _ask(_far_from_there(row, there, counted))
        why = Why(reason="counted", by=by, because=short_reason(because), token=token)
        _book(by, state, row, counted - there, why, place, short=short)


def take_out(  # noqa: PLR0913  (what, how much, from where, and why)
    *,
    by: User,
    lot: str,
    quantity: Decimal,
    kind: str,
    because: str,
    token: str,
    place: str = SHELF,
    short: bool = False,
) -> None:
    """Take something out for good: "scrap", "sample" or "breakage"; ``short`` as in ``count``."""
    _bench(by)
    if kind not in TAKEN_OUT:
        raise Refusal("kind", f"'{kind}' is no way to take stock out; choose {', '.join(TAKEN_OUT)}.", "kind")
    _refuse_no_reason(because)
    with transaction.atomic():
        state = plan_rows.lock()
        row = _lot(lot)
        if _booked(token):
            return
        taken = in_units(quantity, row.item.unit, "quantity")
        why = Why(reason=kind, by=by, because=short_reason(because), token=token)
        _book(by, state, row, -taken, why, place, short=short)


def move_place(*, by: User, lot: str, quantity: Decimal, to: str, token: str, place: str = SHELF) -> None:
    """Carry some of a lot from one place to another; what is there in all stays the same."""
    _bench(by)
    with transaction.atomic():
        plan_rows.lock()
        row = _lot(lot)
        if _booked(token):
            return
        there, here = _place(to, "to"), _place(place)
        if there == here:
            raise Refusal("place", f"'{here}' is where it lies already; name another place.", "to")
        moved = in_units(quantity, row.item.unit, "quantity")
        why = Why(reason="moved", by=by, token=token)
        ledger.move(row, moved, why, place=there)
        ledger.move(row, -moved, why, place=here)


def take_back(*, by: User, entry: int, because: str) -> None:
    """Correct a wrong entry, as the maker, by one that takes it back; both stay in the ledger."""
    _maker(by)
    _refuse_no_reason(because)
    with transaction.atomic():
        state = plan_rows.lock()
        wrong = StockMovement.objects.select_related("lot__item").filter(pk=entry).first()
        if wrong is None:
            raise NotFound("entry", "There is no such entry in the ledger.")
        _refuse_not_by_hand(wrong)
        why = Why(reason="taken back", by=by, because=short_reason(because))
        _book(by, state, wrong.lot, -wrong.quantity, why, wrong.place, corrects=wrong)


def hold(*, by: User, lot: str, because: str, made_of_it: bool = False) -> None:
    """Stop a lot: nothing of it is used, promised or packed until the maker releases it.

    ``made_of_it`` stops the lots that were made of it, too; those stopped already stay as they are.
    """
    _bench(by)
    _set_state(by, lot, "hold", "hold", because, made_of_it=made_of_it)


def release(*, by: User, lot: str, because: str) -> None:
    """Let a lot that was stopped or recalled be used again, as the maker."""
    _maker(by)
    _set_state(by, lot, "ok", "released", because)


def recall(*, by: User, lot: str, because: str, made_of_it: bool = False) -> None:
    """Call a lot back, as the maker: what orders hold of it and is still here is made anew.

    ``made_of_it`` calls back the lots that were made of it, too.
    """
    _maker(by)
    _set_state(by, lot, "recalled", "recalled", because, made_of_it=made_of_it)


def set_target(*, by: User, item: str, pieces: int, scent: str = "") -> None:
    """Say, as the maker, how many free pieces of a product or part the shelf shall have; 0 takes the target away."""
    _maker(by)
    with transaction.atomic():
        state = plan_rows.lock()
        row = find_item(item, scent)
        if row.kind == "material" or row.unit != "piece":
            raise Refusal("target", f"{row.name} is not made by the piece; a target is for what is.", "pieces")
        if not 0 <= pieces < _MOST:
            raise Refusal("pieces", f"{pieces} can't be kept on a shelf; give 0 or more pieces.", "pieces")
        StockTarget.objects.filter(item=row, scent=scent).delete()
        if pieces:
            StockTarget.objects.create(item=row, scent=scent, pieces=pieces)
        plan_rows.changed(state, f"target of {row.code} {scent}".strip())


# ── rights, and what was typed ───────────────────────────────────────────────


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may change the stock.")


def _maker(by: User) -> None:
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may do this.")


def _booked(token: str) -> StockMovement | None:
    """What the same form has booked before; a form without a mark of its own is refused."""
    if not token:
        raise Refusal("token", "Open the page again: this form carries no mark of its own.", "token")
    return StockMovement.objects.filter(token=token).select_related("lot").first()


def in_units(quantity: Decimal, unit: str, field: str, least: int = 1) -> int:
    """A typed quantity in the ledger's unit: whole pieces, or milligrams."""
    if not quantity.is_finite() or abs(quantity) >= _MOST:
        raise Refusal("quantity", f"{quantity} is no quantity; type a number.", field)
    step = MILLIGRAM if unit == "gram" else Decimal(1)
    if quantity % step:
        finest = "milligrams: at most three decimals" if unit == "gram" else "whole pieces"
        raise Refusal("quantity", f"{quantity} is finer than {finest}; round it.", field)
    counted = to_mg(quantity) if unit == "gram" else int(quantity)
    if counted < least:
        raise Refusal("quantity", f"{quantity} is nothing to book; give more than 0.", field)
    return counted


def _refuse_below_zero(found: Decimal) -> None:
    if found < 0:
        message = f"A count can't be below zero: {found}. Type what lies there; 0 when there is none."
        raise Refusal("below_zero", message, "found", found=str(found))


def _place(name: str, field: str = "place") -> str:
    place = " ".join(name.split())
    if not place or len(place) > _MOST_PLACE:
        raise Refusal("place", f"Name the place in 1 to {_MOST_PLACE} letters, such as '{SHELF}'.", field)
    return place


def short_reason(text: str) -> str:
    """A reason as it was typed; a ``Refusal`` when it is too long to be kept."""
    reason = text.strip()
    if len(reason) > _MOST_BECAUSE:
        raise Refusal("too_long", f"The reason has {len(reason)} letters; shorten it to {_MOST_BECAUSE}.", "because")
    return reason


def _refuse_no_reason(because: str) -> None:
    if not because.strip():
        raise Refusal("reason_missing", "Say why: the entry stays in the ledger with its reason.", "because")


def _refuse_unexplained(because: str, lot: Lot, there: int, counted: int) -> None:
    if not because.strip():
        unit = lot.item.unit
        message = (
            f"The ledger has {amount(there, unit)} of {lot.code} there, you found {amount(counted, unit)}. "
            "Count again, or say why it differs."
        )
        raise Refusal("reason_missing", message, "because")


def _refuse_not_by_hand(wrong: StockMovement) -> None:
    if StockMovement.objects.filter(corrects=wrong).exists():
        raise Conflict("taken_back_already", "This entry is taken back already; nothing was changed.")
    if wrong.reason not in BY_HAND or wrong.load_id or not wrong.quantity:
        message = f"This entry belongs to {wrong.reference or 'something else'}; correct it there, or count the lot."
        raise Refusal("not_by_hand", message, "because")


def find_item(code: str, scent: str) -> Item:
    """The row of an item; ``NotFound`` when there is none, a ``Refusal`` when the scent is not one of its own."""
    row: Item | None = Item.objects.filter(code=code).first()
    if row is None:
        raise NotFound("item", f"There is no item '{code}'.")
    if row.scented != bool(scent) or (scent and not Scent.objects.filter(code=scent).exists()):
        message = f"{row.name} has no scent '{scent}'." if scent else f"Say which scent of {row.name} it is."
        raise Refusal("scent", message, "scent")
    return row


def _to_receive(code: str, scent: str) -> Item:
    row = find_item(code, scent)
    if row.kind == "product":
        message = f"{row.name} is made here: its lots come from their batches. Mark the batch done, or count its lot."
        raise Refusal("made_here", message, "item")
    return row


def _days(received_on: date | None, usable_on: date | None, expires_on: date | None) -> dict[str, date | None]:
    received = received_on or clock.today()
    usable = usable_on or received
    if received > clock.today():
        raise Refusal("received_on", "A delivery can't have come on a day that is still to come.", "received_on")
    if received.year < clock.today().year - _MOST_YEARS:
        raise Refusal("received_on", f"{received.year} is long ago; look at the year again.", "received_on")
    if usable < received:
        raise Refusal("usable_on", "It can't be usable before it was received.", "usable_on")
    if expires_on is not None and expires_on < usable:
        raise Refusal("expires_on", "It would expire before it is usable; look at the label again.", "expires_on")
    return {"made_on": received, "usable_on": usable, "expires_on": expires_on}


def _new_code() -> str:
    """The next number of the series; one that the workbook gave to another lot is passed over."""
    code = f"L-{numbers.take('L-')}"
    while Lot.objects.filter(code=code).exists():
        code = f"L-{numbers.take('L-')}"
    return code


def _lot(code: str) -> Lot:
    row: Lot | None = Lot.objects.select_related("item", "load").filter(code=code).first()
    if row is None:
        raise NotFound("lot", f"There is no lot '{code}'.")
    return row


# ── what is asked about ──────────────────────────────────────────────────────


def _ask(*questions: str) -> None:
    asked = [question for question in questions if question]
    if asked:
        raise Refusal("ask", " ".join([*asked, "Nothing was booked. If it is right, tick the box and send it again."]),
                      "sure")  # fmt: skip


def _far_from_usual(item: Item, counted: int) -> str:
    """A question when a delivery is far from the last ones, or from the pack it is bought in."""
    received = StockMovement.objects.filter(lot__item=item, reason="received", corrected_by__isnull=True)
    recent = list(received.order_by("-pk").values_list("quantity", flat=True)[:_RECENT])
    usual = int(median(recent)) if recent else item.purchase_pack
    if not usual or not _slipped(counted, usual):
        return ""
    known = "The usual delivery" if recent else "The pack it is bought in"
    return f"{amount(counted, item.unit)} of {item.name}? {known} is {amount(usual, item.unit)}."


def _far_from_there(lot: Lot, there: int, counted: int) -> str:
    if not there or not counted or not _slipped(counted, there):
        return ""
    unit = lot.item.unit
    return f"{amount(counted, unit)} of {lot.code}? The ledger has {amount(there, unit)} there."


def _slipped(one: int, other: int) -> bool:
    return max(one, other) >= SLIP * min(one, other)


def _on_hold(item: Item, supplier_lot: str) -> Lot | None:
    """A lot here of the same supplier's lot that is stopped or recalled."""
    if not supplier_lot:
        return None
    same = Lot.objects.filter(item=item, supplier_lot__iexact=supplier_lot)
    found: Lot | None = same.exclude(state="ok").first()
    return found


def _known_hold(item: Item, held: Lot | None) -> str:
    if held is None:
        return ""
    standing = "on hold" if held.state == "hold" else "recalled"
    return (
        f"Supplier's lot {held.supplier_lot} of {item.name} is {standing} here as {held.code} "
        f"({held.state_because}); more of it would be put on hold too."
    )


# ── booking ──────────────────────────────────────────────────────────────────


def _book(  # noqa: PLR0913  (an entry and the rights it needs)
    by: User,
    state: PlanState,
    lot: Lot,
    difference: int,
    why: Why,
    place: str,
    *,
    short: bool = False,
    corrects: StockMovement | None = None,
) -> None:
    """One entry at a place; orders that go short for it are planned anew."""
    missing = ledger.reserved(lot) - max(0, lot.on_hand + difference)
    if missing > 0:
        _refuse_short(by, lot, missing, short=short)
        shortfall.give_up(by, lot, missing, why.because)
    ledger.move(lot, difference, why, place=_place(place), corrects=corrects)
    is_less = difference < 0 and _is_counted_on(lot.item)
    _changed(state, lot, f"{lot.code} {why.reason}", mend=missing > 0 or is_less)


def _is_counted_on(item: Item) -> bool:
    """Do loads to come take it off the shelf, so that less of it moves them?"""
    return item.kind == "part" or (item.kind == "material" and item.binds_plan)


def _stands_in_plan(item: Item) -> bool:
    return item.kind != "material" or item.binds_plan


def _changed(state: PlanState, lot: Lot, because: str, *, mend: bool = False) -> None:
    """The plan stands on parts, products and materials that bind it: a change of theirs makes a new version of it."""
    if not _stands_in_plan(lot.item):
        return
    if mend:
        mending.mend_plan(production.planner(workshop.workshop()))
    plan_rows.changed(state, because)


def _refuse_short(by: User, lot: Lot, missing: int, *, short: bool) -> None:
    if short and access.is_maker(by):
        return
    held = ", ".join(f"{row.order_scent.line.order} {row.pieces - row.shipped}" for row in shortfall.holders(lot))
    last = shortfall.holders(lot)[0].order_scent.line.order
    then = f"say that {last}, promised last, goes short" if access.is_maker(by) else "ask the maker"
    message = f"Orders hold {ledger.reserved(lot)} of {lot.code} ({held}): {missing} too few. Count again, or {then}."
    raise Refusal("reserved", message, "short", lot=lot.code, missing=missing)


def _set_state(by: User, code: str, to: str, reason: str, because: str, *, made_of_it: bool = False) -> None:
    """Change a lot's state, and of those made of it if asked; an entry of nothing in the ledger says who did it."""
    _refuse_no_reason(because)
    why = Why(reason=reason, by=by, because=short_reason(because))
    with transaction.atomic():
        state = plan_rows.lock()
        lot = _lot(code)
        others = [_lot(made.code) for made in trace.made_of(code).lots] if made_of_it else []
        changing = [one for one in (lot, *others) if one.state != to and (one is lot or one.state != "recalled")]
        if not changing:
            raise Conflict("state_already", f"{lot.code} is {_STATES[to]} already; nothing was changed.")
        planned_anew = [_put_into(by, one, to, why) for one in changing]
        for one in [one for one in changing if _stands_in_plan(one.item)][:1]:
            _changed(state, one, f"{lot.code} {_STATES[to]}", mend=any(planned_anew))


def _put_into(by: User, lot: Lot, to: str, why: Why) -> bool:
    """Change one lot's state, and tell whether something has to be planned anew for it."""
    lot.state, lot.state_because = to, why.because if to != "ok" else ""
    lot.save(update_fields=["state", "state_because"])
    ledger.move(lot, 0, why)
    gone = ledger.reserved(lot) if to == "recalled" else 0
    _tell_holders(by, lot, to, why.because)
    shortfall.give_up(by, lot, gone, why.because)
    return bool(gone) or (to != "ok" and _is_counted_on(lot.item))


_STATES = {"ok": "released", "hold": "on hold", "recalled": "recalled"}


def _tell_holders(by: User, lot: Lot, to: str, because: str) -> None:
    """Put it into the history of each order that holds pieces of the lot, for the workshop only."""
    for order in dict.fromkeys(row.order_scent.line.order for row in shortfall.holders(lot)):
        text = f"Lot {lot.code} is {_STATES[to]}: {because.strip()}."
        events.note(order, by, "lot", text, for_shop=False)
