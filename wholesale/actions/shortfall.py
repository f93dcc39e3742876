"""Pieces that orders hold of a lot and can't have any more: let go, and needed again."""

from collections.abc import Iterable

from django.db.models import F

from accounts.models import User
from wholesale import clock
from wholesale.actions import events
from wholesale.models import BatchEvent, LoadPortion, Lot, Reject, Reservation
from wholesale.queries import catalogue


def holders(lot: Lot) -> list[Reservation]:
    """Who holds pieces that have not left, the one promised last first."""
    rows = lot.reservations.filter(pieces__gt=F("shipped")).select_related("order_scent__line__order", "lot__item")
    return list(rows.order_by("-order_scent__line__order__promised_leaves", "-order_scent__line__order_id", "-pk"))


def give_up(by: User, lot: Lot, pieces: int, because: str) -> None:
    """Take pieces of a lot from the orders that hold them, the one promised last first; what they lack is need again.

    The caller holds the plan's lock and mends the plan.
    """
    left = pieces
    for held in holders(lot):
        part = min(left, held.pieces - held.shipped)
        if part:
            text = f"{part} of {lot.code} can't be had any more ({because}); they are planned anew."
            events.note(held.order_scent.line.order, by, "short", text, for_shop=False)
            _let_go(by, held, part, because)
        left -= part


def _let_go(by: User, held: Reservation, pieces: int, because: str) -> None:
    if not held.from_stock:
        _unmake(by, held, pieces, because)
    held.pieces -= pieces
    if held.pieces:
        held.save(update_fields=["pieces"])
    else:
        held.delete()


def _unmake(by: User, held: Reservation, pieces: int, because: str) -> None:
    """Pieces made for an order and lost again are rejects of the step they had come to."""
    steps = catalogue.catalogue(clock.today()).recipe(held.lot.item.code)
    codes = [step.code for step in steps.operations][steps.cure_step :]
    left = pieces
    for step, after in zip(codes, [*codes[1:], ""], strict=True):
        waiting = sum(p.good or 0 for p in _done(held, step)) - sum(p.pieces for p in _done(held, after))
        for portion in _done(held, step):
            lost = min(left, waiting, portion.good or 0)
            if lost > 0:
                _reject(by, portion, lost, because)
                left, waiting = left - lost, waiting - lost


def _done(held: Reservation, operation: str) -> Iterable[LoadPortion]:
    rows = LoadPortion.objects.filter(order_scent=held.order_scent_id, item=held.lot.item, scent=held.lot.scent)
    return list(rows.filter(operation=operation, load__done_at__isnull=False).select_related("load").order_by("-pk"))


def _reject(by: User, portion: LoadPortion, pieces: int, because: str) -> None:
    portion.good = (portion.good or 0) - pieces
    portion.save(update_fields=["good"])
    Reject.objects.create(portion=portion, pieces=pieces, reason="lost in stock")
    text = f"{pieces} lost in stock: {because}"
    BatchEvent.objects.create(load=portion.load, at=clock.now(), by=by, kind="rejects", text=text)
