"""A batch from weighing to release: what came of it, what failed, and mistakes taken back by counter-entries."""

from django.db import transaction
from django.db.models import Sum

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import events, ledger, lots, mending, plan_rows
from wholesale.actions.batch_rows import Batch, note, open_batch, refuse_others, take_pieces
from wholesale.actions.weighing import OnScale, take_as_planned, weigh
from wholesale.actions.yields import Made, passed, record
from wholesale.core.catalogue import ItemKind, Operation
from wholesale.core.production.plan import without
from wholesale.core.production.weighing import left_over, poured_grams
from wholesale.core.production.yields import step_yields
from wholesale.core.values import Conflict, NotAllowed, Refusal, ceil_div, day_words, from_mg, plain
from wholesale.models import Item, LoadPortion, Lot, Reject
from wholesale.queries import orders as quotes
from wholesale.queries import production

__all__ = ["Made", "OnScale", "mark_done", "release", "scrap", "take_back", "weigh"]

_MOST_BECAUSE = 200
#: Less than a gram in a pot is its loss.
_LEAST_LEFT_MG = 1000
#: What marking a load done wrote into the ledger, and taking it back takes back.
_MADE = (*lots.PUT_IN, "used")


# ── done ─────────────────────────────────────────────────────────────────────────


def mark_done(*, by: User, load: int, made: Made) -> str:
    """Record what a load really yielded, today, and return its batch number.

    Parts, curing products and what is left of a melt enter the ledger; what the load
    used leaves it. Rejects become new need at once; a kept sample that didn't come
    good is called off. ``Conflict`` when it is done already.
    """
    refuse_others(by)
    with transaction.atomic():
        state = plan_rows.lock()
        batch = open_batch(by, load)
        _refuse_done(batch)
        record(batch, made)
        batch.begin()
        row = batch.row
        row.day, row.done_at, row.done_by, row.note = clock.today(), clock.now(), by, made.note
        row.minutes = made.minutes
        row.save()
        if not row.weighings.exists():
            take_as_planned(batch)
        take_pieces(batch)
        lots.enter(batch)
        _keep_leftover(batch)
        _close_made(batch)
        _tell(batch)
        if _call_off_samples(batch) | _is_short(batch):
            mending.mend_plan(batch.shop)
        plan_rows.changed(state, f"{row.number} done")
        return str(row.number)


def _refuse_done(batch: Batch) -> None:
    row = batch.row
    if row.scrapped_at is not None:
        raise Conflict("scrapped", f"{row.number} was scrapped; its pieces are planned anew. Look at the day sheet.")
    if row.done_at is not None:
        raise Conflict("done_already", f"This load is already marked done as {row.number}; nothing was changed.")


def _is_short(batch: Batch) -> bool:
    """Did fewer come good than the plan counts on?"""
    return any(_good(portion) < _expected(batch, portion) for portion in batch.portions)


def _good(portion: LoadPortion) -> int:
    return portion.pieces if portion.good is None else portion.good


def _expected(batch: Batch, portion: LoadPortion) -> int:
    """Good pieces the plan counts on: by the expected yield of the step."""
    item, step = batch.goods.items[portion.item.code], batch.step(portion)
    return ceil_div(portion.pieces * step_yields(item)[batch.goods.steps(item.code).index(step)], 1)


def _keep_leftover(batch: Batch) -> None:
    """What is left in a pot whose melt is kept becomes a lot of it, used first in the next one."""
    poured = list(poured_grams(batch.goods, batch.load))
    melt = batch.goods.items[poured[0].item] if len(poured) == 1 else None
    if melt is None or not melt.keeps_leftover:
        return
    sku, found = poured[0], batch.row.weighings.aggregate(planned=Sum("planned_mg"), actual=Sum("actual_mg"))
    left = left_over(melt, found["planned"] or 0, found["actual"] or 0)
    if left >= _LEAST_LEFT_MG:
        today = clock.today()
        known = {"item": Item.objects.get(code=sku.item), "scent": sku.scent, "load": batch.row}
        lot, _ = Lot.objects.update_or_create(
            code=lots.left_over_code(batch.row), defaults={**known, "made_on": today, "usable_on": today}
        )
        ledger.move(lot, left, batch.why("left over"))
        note(batch, "left_over", f"{plain(from_mg(left), 3)} g are left as {lot.code}; use them first next time.")


def _close_made(batch: Batch) -> None:
    """What the workshop made for itself is closed once its last step is done."""
    for portion in batch.portions:
        last = batch.goods.recipe(portion.item.code).operations[-1].code
        mine = portion.for_stock if portion.item.kind == ItemKind.PRODUCT else None
        if mine and portion.operation == last and passed(portion, last, "good") >= mine.pieces:
            mine.closed_at = clock.now()
            mine.save(update_fields=["closed_at"])


def _call_off_samples(batch: Batch) -> bool:
    """A kept sample that didn't come good is not made again; tell whether any was called off."""
    gone: set[str] = set()
    for portion in _lost_samples(batch):
        sample = portion.for_stock
        if sample is None:
            continue
        left = sample.pieces - (portion.pieces - _good(portion))
        sample.pieces, sample.closed_at = (left, None) if left > 0 else (sample.pieces, clock.now())
        sample.save(update_fields=["pieces", "closed_at"])
        if left <= 0:
            gone.add(f"s{sample.pk}")
        kept = "No sample" if left <= 0 else f"Only {left} as a sample"
        note(batch, "no_sample", f"{kept} kept: the good pieces went to orders and the shelf.")
    if gone:
        _drop(batch, gone)
    return bool(gone)


def _lost_samples(batch: Batch) -> list[LoadPortion]:
    return [
        portion
        for portion in batch.portions
        if portion.is_sample and portion.item.kind == ItemKind.PRODUCT and _good(portion) < portion.pieces
    ]


def _drop(batch: Batch, gone: set[str]) -> None:
    """Take what was called off out of the plan."""
    plan, asked = production.current_plan(), quotes.asked_now(batch.settings)
    first_day = batch.shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    plan_rows.store(plan, without(batch.shop, plan, gone, production.free_stock(), first_day))


def _tell(batch: Batch) -> None:
    """Put what came of it into the batch's history, and each reject of a product into its order's, unseen by shops."""
    lost = sum(portion.pieces - _good(portion) for portion in batch.portions)
    started = sum(portion.pieces for portion in batch.portions)
    note(batch, "done", f"Done: {started - lost} of {started} good." + (f" {_why_lost(batch)}" if lost else ""))
    for portion in batch.portions:
        mine, order = portion.pieces - _good(portion), portion.order
        if mine and order and portion.item.kind == ItemKind.PRODUCT:
            why = f": {portion.reject_reason}" if portion.reject_reason else ""
            text = f"{batch.row.number}: {mine} of {portion.pieces} rejected{why}."
            events.note(order, batch.by, "rejects", text, for_shop=False)


def _why_lost(batch: Batch) -> str:
    rows = Reject.objects.filter(portion__load=batch.row).order_by().values_list("reason").annotate(n=Sum("pieces"))
    return "Rejected: " + ", ".join(f"{pieces} {reason}" for reason, pieces in sorted(rows)) + "."


# ── released ─────────────────────────────────────────────────────────────────────


def release(*, by: User, load: int) -> None:
    """Release a cured batch, where the workshop releases by hand; before that nothing of it is sold.

    A ``Refusal`` while it cures, and where batches are released by their date.
    """
    refuse_others(by)
    with transaction.atomic():
        state = plan_rows.lock()
        batch = open_batch(by, load)
        _refuse_release(batch)
        batch.row.released_at = clock.now()
        batch.row.save(update_fields=["released_at"])
        note(batch, "released", "Released for sale.")
        plan_rows.changed(state, f"{batch.row.number} released")


def _refuse_release(batch: Batch) -> None:
    row, made = batch.row, list(lots.entered_by(batch.row).filter(item__kind=ItemKind.PRODUCT, on_hand__gt=0))
    if row.released_at is not None:
        raise Conflict("released_already", f"{row.number} is already released; nothing was changed.")
    if batch.settings.batch_release != "by_hand":
        message = "Batches are released by their date here; to release by hand, set 'batch_release' to by_hand."
        raise Refusal("by_date", message)
    if not made:
        raise Refusal("nothing_to_release", f"{row} has put no product on the shelf, so there is nothing to release.")
    if (cured := max(lot.usable_on for lot in made)) > clock.today():
        raise Refusal("curing", f"{row.number} cures until {day_words(cured)}; release it then.")


# ── failed, and taken back ───────────────────────────────────────────────────────


def scrap(*, by: User, load: int, because: str) -> None:
    """Give a batch up: what it took stays taken, what it was to make is needed anew at once.

    A melt that failed before it was poured leaves the pieces waiting for it as they
    are; of a batch that is done all its pieces are lost. A ``Refusal`` when it is not
    begun, or when its pieces have moved on.
    """
    refuse_others(by)
    because = _reason(because)
    with transaction.atomic():
        state = plan_rows.lock()
        batch = open_batch(by, load)
        _refuse_scrap(batch)
        lots.lose(batch, because)
        _lose_pieces(batch, because)
        now = clock.now()
        row = batch.row
        row.scrapped_at, row.done_at, row.done_by = now, row.done_at or now, row.done_by or by
        row.day = min(row.day, clock.today())
        row.save(update_fields=["scrapped_at", "done_at", "done_by", "day"])
        note(batch, "scrapped", f"Scrapped: {because}.")
        mending.mend_plan(batch.shop)
        plan_rows.changed(state, f"{row.number} scrapped")


def take_back(*, by: User, load: int, because: str = "") -> None:
    """Take back that a load was marked done: counter-entries, and it stands as begun again. Only the maker may.

    A ``Refusal`` when its pieces have moved on: into a later step, out of the shelf, or to a shop.
    """
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may take back that a batch was done.")
    with transaction.atomic():
        state = plan_rows.lock()
        batch = open_batch(by, load)
        _refuse_take_back(batch)
        _take_back_entries(batch, because.strip()[:_MOST_BECAUSE])
        _forget_yield(batch)
        row = batch.row
        row.weighed_at, row.done_at, row.done_by, row.minutes = row.weighed_at or row.done_at, None, None, None
        row.released_at = None
        row.save(update_fields=["weighed_at", "done_at", "done_by", "minutes", "released_at"])
        note(batch, "taken_back", f"Taken back: it was not done{f' ({because.strip()})' if because.strip() else ''}.")
        mending.mend_plan(batch.shop)
        plan_rows.changed(state, f"{row.number} taken back")


def _refuse_scrap(batch: Batch) -> None:
    row = batch.row
    if row.scrapped_at is not None:
        raise Conflict("scrapped", f"{row.number} is already scrapped; nothing was changed.")
    if row.weighed_at is None and row.done_at is None:
        message = "Nothing was weighed for this load yet, so nothing can have failed."
        raise Refusal("not_begun", message)
    _refuse_moved_on(batch)


def _refuse_take_back(batch: Batch) -> None:
    row = batch.row
    if row.done_at is None:
        raise Conflict("not_done", "This load is not marked done, so there is nothing to take back.")
    if row.scrapped_at is not None:
        raise Refusal("scrapped", f"{row.number} was scrapped and its pieces planned anew; that can't be taken back.")
    _refuse_moved_on(batch)


def _refuse_moved_on(batch: Batch) -> None:
    """A ``Refusal`` when something was done with what the batch made."""
    if batch.row.done_at is None:
        return
    for portion in batch.portions:
        after = _next_step(batch, portion)
        left = passed(portion, portion.operation, "good") - _good(portion)
        if after and passed(portion, after.code, "pieces") > left:
            message = f"Pieces of {batch.row.number} have gone through '{after.name}' since; take that back first."
            raise Refusal("moved_on", message)
    lots.refuse_moved_on(batch)


def _next_step(batch: Batch, portion: LoadPortion) -> Operation | None:
    steps = batch.goods.recipe(portion.item.code).operations
    place = [step.code for step in steps].index(portion.operation)
    return steps[place + 1] if place + 1 < len(steps) else None


def _lose_pieces(batch: Batch, because: str) -> None:
    """None of the pieces is good."""
    for portion in batch.portions:
        lost = _good(portion)
        portion.good, portion.reject_reason = 0, because[:120]
        portion.save(update_fields=["good", "reject_reason"])
        if lost and batch.row.done_at is not None:
            Reject.objects.create(portion=portion, pieces=lost, reason="other")
        if portion.order and portion.item.kind == ItemKind.PRODUCT:
            pieces = f"with {lost} pieces" if batch.row.done_at else "before it was poured"
            text = f"{batch.row.number} was scrapped {pieces}: {because}."
            events.note(portion.order, batch.by, "rejects", text, for_shop=False)


def _take_back_entries(batch: Batch, because: str) -> None:
    """Counter each entry that marking done made, the last one first."""
    reasons = list(_MADE)
    if not batch.row.weighings.exists():
        reasons.append("weighed")
    lots.let_go(batch)
    entries = batch.row.movements.filter(reason__in=reasons, corrects=None, corrected_by=None)
    for entry in entries.select_related("lot__item", "portion").order_by("-pk"):
        why = batch.why("taken back", because, entry.portion)
        ledger.move(entry.lot, -entry.quantity, why, place=entry.place, corrects=entry)


def _forget_yield(batch: Batch) -> None:
    """The pieces count as planned again, samples and what was made for the shelf included."""
    lost = {portion.pk for portion in _lost_samples(batch)}
    for portion in batch.portions:
        mine = portion.for_stock
        if mine and portion.item.kind == ItemKind.PRODUCT:
            if portion.pk in lost and mine.closed_at is None:
                mine.pieces += portion.pieces - _good(portion)
            mine.closed_at = None
            mine.save(update_fields=["pieces", "closed_at"])
        portion.rejects.all().delete()
        portion.good, portion.reject_reason = None, ""
        portion.save(update_fields=["good", "reject_reason"])


def _reason(because: str) -> str:
    because = because.strip().rstrip(".")
    if not because:
        raise Refusal("because", "Say in a few words why it is given up.", "because")
    if len(because) > _MOST_BECAUSE:
        raise Refusal("because", f"Say it in at most {_MOST_BECAUSE} letters.", "because")
    return because
