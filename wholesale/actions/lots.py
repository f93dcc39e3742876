"""Lots of what is made: begun when pieces enter the stock, and undone with the batch that put them in.

Pieces of a product that were poured in one batch and may be sold from the same day are one
lot, whichever batches topped them: so orders that shared a pot carry the same number. What a
batch makes in one step, and every part, is a lot of that batch.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta

from django.db.models import Exists, F, OuterRef, QuerySet, Sum

from wholesale import clock
from wholesale.actions import ledger
from wholesale.actions.batch_rows import Batch, note
from wholesale.core.catalogue import ItemKind
from wholesale.core.production.batches import Passed, Poured, split, waiting
from wholesale.core.production.tasks import usable_on as usable_after
from wholesale.core.values import Refusal
from wholesale.models import Load, LoadPortion, Lot, StockMovement
from wholesale.queries import production

#: Entries that put pieces of a batch into lots, a kept sample's way out again among them.
PUT_IN = ("made", "sample", "left over")

# ── into stock ───────────────────────────────────────────────────────────────


def enter(batch: Batch) -> None:
    """Parts, and products whose cure begins, become lots; products stay reserved for their order."""
    entered: dict[str, int] = {}
    for portion in batch.portions:
        for poured, pieces in _dealt(batch, portion) if portion.good and _enters_stock(batch, portion) else ():
            lot = lot_of(poured, portion, made_on=clock.today(), usable_on=_usable_on(batch, portion))
            _put_in(batch, portion, lot, pieces)
            name = f"lot {lot.code}{' (on hold)' if lot.state == 'hold' else ''}"
            entered[name] = entered.get(name, 0) + pieces
    if entered:
        note(batch, "into_stock", f"Into stock: {', '.join(f'{n} as {name}' for name, n in entered.items())}.")


def lot_of(poured: Load, portion: LoadPortion, *, made_on: date, usable_on: date) -> Lot:
    """The lot of pieces like these out of one batch that are usable from the same day; begun where there is none.

    It carries the batch's number while no other lot does. A ``Refusal`` when pieces like
    these are recalled; on hold, the new lot is on hold as well.
    """
    like = Lot.objects.filter(load=poured, item=portion.item, scent=portion.scent).exclude(code=left_over_code(poured))
    _refuse_recalled(like)
    days = {"made_on": made_on, "usable_on": usable_on}
    # A batch that was taken back and is done again finds its empty lot there.
    if lot := like.filter(usable_on=usable_on).first() or _emptied(like):
        return lot if lot.usable_on == usable_on else _moved_to(lot, days)
    held = like.filter(state="hold").first()
    state = {"state": "hold", "state_because": held.state_because} if held else {}
    known = {"item": portion.item, "scent": portion.scent, "load": poured}
    return Lot.objects.create(code=_free_code(str(poured.number)), **known, **days, **state)


def left_over_code(batch: Load) -> str:
    """The number of what is left in a batch's pot."""
    return f"{batch.number}-left"


def _enters_stock(batch: Batch, portion: LoadPortion) -> bool:
    """Does a lot begin with this step: the cure of a product, the last step of a part?"""
    step = batch.step(portion)
    is_part = portion.item.kind == ItemKind.PART
    return step.cure_days is not None or (is_part and step == batch.goods.recipe(portion.item.code).operations[-1])


def _usable_on(batch: Batch, portion: LoadPortion) -> date:
    step, today = batch.step(portion), clock.today()
    return today + timedelta(days=step.cure_days) if step.cure_days is not None else usable_after(step, today)


def _put_in(batch: Batch, portion: LoadPortion, lot: Lot, pieces: int) -> None:
    ledger.move(lot, pieces * production.UNITS[portion.item.unit], batch.why("made", portion=portion))
    if portion.item.kind != ItemKind.PRODUCT:
        return
    if portion.order_scent_id:
        ledger.hold(lot, portion.order_scent_id, pieces)
    elif portion.is_sample:
        ledger.take(lot, pieces, batch.why("sample", "kept of its batch", portion))


def _refuse_recalled(like: QuerySet[Lot]) -> None:
    if lot := like.filter(state="recalled").first():
        message = (
            f"Lot {lot.code} is recalled ({lot.state_because}), and good pieces of this batch would join it. "
            "Count them as rejects, or ask the maker to release the lot."
        )
        raise Refusal("lot_recalled", message, "good", lot=lot.code)


def _emptied(like: QuerySet[Lot]) -> Lot | None:
    """One whose every entry was taken back."""
    standing = StockMovement.objects.filter(lot=OuterRef("pk"), corrects=None, corrected_by=None).exclude(quantity=0)
    return like.exclude(Exists(standing)).first()


def _moved_to(lot: Lot, days: Mapping[str, date]) -> Lot:
    lot.made_on, lot.usable_on = days["made_on"], days["usable_on"]
    lot.save(update_fields=["made_on", "usable_on"])
    return lot


def _free_code(number: str) -> str:
    """The batch's number, or the first free one behind it."""
    taken = set(Lot.objects.filter(code__startswith=number).values_list("code", flat=True))
    codes = (f"{number}-{place}" if place > 1 else number for place in range(1, len(taken) + 2))
    return next(code for code in codes if code not in taken)


# ── poured in which batch ────────────────────────────────────────────────────


def _dealt(batch: Batch, portion: LoadPortion) -> list[tuple[Load, int]]:
    """Good pieces of a portion by the batch they were poured in, the first poured first; others began in this one."""
    good = portion.good or 0
    taken = split(_waiting(batch, portion), good)[0]
    poured = Load.objects.in_bulk([part.batch for part in taken])
    found = [(poured[part.batch], part.pieces) for part in taken]
    rest = good - sum(part.pieces for part in taken)
    return [*found, (batch.row, rest)] if rest else found


def _waiting(batch: Batch, portion: LoadPortion) -> list[Poured]:
    """Pieces of a portion's demand that wait for its step, by the batch they were poured in."""
    steps = [step.code for step in batch.goods.recipe(portion.item.code).operations]
    place = steps.index(portion.operation)
    if portion.item.kind != ItemKind.PRODUCT or not place:
        return []
    done = {code: list(_done(portion, code)) for code in steps[: place + 1]}
    poured = [Poured(p.load_id, p.good or 0) for p in done[steps[0]]]
    entered = _entered(portion, {part.batch for part in poured})
    taken = sum(p.pieces for p in done[portion.operation] if p.load_id != batch.row.pk)
    between = ([Passed(p.pieces, p.good or 0) for p in done[code]] for code in steps[1:place])
    return _recalled_last(waiting(poured, between, entered, max(0, taken - sum(entered.values()))))


def _recalled_last(queue: Sequence[Poured]) -> list[Poured]:
    """Where some of the pieces are recalled the good ones are the others."""
    lots = Lot.objects.filter(load__in=[part.batch for part in queue], state="recalled")
    recalled = set(lots.values_list("load", flat=True))
    return sorted(queue, key=lambda part: part.batch in recalled)


def _done(portion: LoadPortion, operation: str) -> Iterable[LoadPortion]:
    """Portions of the same demand that went through a step, in the order they did; no lost melt among them."""
    rows = _of_demand(portion).filter(operation=operation, load__done_at__isnull=False)
    return rows.exclude(load__scrapped_at=F("load__done_at")).order_by("load__done_at", "load_id", "pk")


def _of_demand(portion: LoadPortion) -> QuerySet[LoadPortion]:
    """All portions of the same sku that are for the same line or row."""
    return LoadPortion.objects.filter(
        order_scent=portion.order_scent_id, for_stock=portion.for_stock_id, item=portion.item_id, scent=portion.scent
    )  # fmt: skip


def _entered(portion: LoadPortion, poured: Iterable[int]) -> dict[int, int]:
    """Pieces of a portion's demand that are in lots of these batches, or were."""
    entries = StockMovement.objects.filter(portion__in=_of_demand(portion), reason="made", corrected_by=None)
    entries = entries.filter(lot__load__in=poured)
    return dict(entries.order_by().values_list("lot__load").annotate(sum=Sum("quantity")))


# ── out of it again ──────────────────────────────────────────────────────────


def refuse_moved_on(batch: Batch) -> None:
    """A ``Refusal`` when not all that the batch put into lots is there any more."""
    for lot, mine in _put_by(batch):
        if not _is_whole(lot, mine):
            message = f"Lot {lot.code} is not whole any more: something of it was used, promised or sent off."
            raise Refusal("moved_on", message, lot=lot.code)
    for portion in batch.portions:
        made = portion.movements.filter(reason="made", corrected_by=None).aggregate(sum=Sum("quantity"))["sum"]
        if made and made > (portion.good or 0) * production.UNITS[portion.item.unit]:
            message = f"Pieces of {batch.row.number} were lost in stock since it was done; that can't be undone."
            raise Refusal("moved_on", message)


def let_go(batch: Batch) -> None:
    """Give up what orders hold of what the batch put into lots, and nothing else of these lots."""
    for lot, mine in _put_by(batch):
        for order_scent, pieces in mine.items():
            if order_scent:
                ledger.let_go(lot, order_scent, pieces)


def lose(batch: Batch, because: str) -> None:
    """What the batch put into lots leaves them."""
    let_go(batch)
    for lot, mine in _put_by(batch):
        if pieces := sum(mine.values()):
            ledger.take(lot, pieces, batch.why("scrap", because))


def entered_by(load: Load) -> QuerySet[Lot]:
    """The lots a batch put something into, and has not taken it back."""
    entries = StockMovement.objects.filter(load=load, reason="made", corrects=None, corrected_by=None)
    return Lot.objects.filter(pk__in=entries.values("lot"))


def _put_by(batch: Batch) -> Iterator[tuple[Lot, dict[int, int]]]:
    """What the batch put into each lot, in the ledger's unit, by the line it is for (0: for none)."""
    entries = batch.row.movements.filter(reason__in=PUT_IN, corrects=None, corrected_by=None)
    sums: dict[int, dict[int, int]] = {}
    for lot, order_scent, quantity in entries.values_list("lot", "portion__order_scent", "quantity"):
        mine = sums.setdefault(lot, {})
        mine[order_scent or 0] = mine.get(order_scent or 0, 0) + quantity
    lots = Lot.objects.select_related("item").in_bulk(sums)
    return ((lots[pk], mine) for pk, mine in sums.items())


def _is_whole(lot: Lot, mine: Mapping[int, int]) -> bool:
    """Is all that is ``mine`` in a lot held by those it was made for, or free?"""
    free = lot.on_hand - ledger.reserved(lot)
    for order_scent, pieces in mine.items():
        held = lot.reservations.filter(order_scent=order_scent, from_stock=False)
        kept = held.aggregate(sum=Sum(F("pieces") - F("shipped")))["sum"]
        if kept is None:
            free -= pieces
        elif kept < pieces:
            return False
    return free >= 0
