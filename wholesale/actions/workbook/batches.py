"""Batches that are setting or curing on the first day here: done as far as the sheet says, the rest is planned."""

from collections.abc import Iterable
from datetime import datetime, time, timedelta
from itertools import groupby

from accounts.models import User
from wholesale import clock
from wholesale.actions import ledger, lots, mending
from wholesale.actions.workbook.changes import Changes
from wholesale.core.catalogue import Catalogue, Operation, Sku
from wholesale.core.production.weighing import recipes_used
from wholesale.core.production.work import work_of
from wholesale.core.values import Refusal
from wholesale.core.workbook.first_day import is_curing, step_of
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import BatchRow
from wholesale.models import (
    BatchEvent,
    Equipment,
    ForStock,
    Item,
    Load,
    LoadPortion,
    OrderLineScent,
)
from wholesale.queries import production, workshop

#: The hour that stands for a day whose hour nobody noted.
_NOON = time(12)


def write(changes: Changes, book: Workbook, catalogue: Catalogue, by: User | None, *, ordered: bool) -> bool:
    """Write the batches for open orders (``ordered``), or those for the shelf; tell whether there were any.

    A known one is left alone.
    """
    known = set(Load.objects.exclude(number=None).values_list("number", flat=True))
    rows = [row for row in book.rows(BatchRow) if row.number not in known and bool(row.order) is ordered]
    for row in rows:
        try:
            _write_row(changes, row, catalogue, by)
        except Refusal as refusal:
            book.complain(row, refusal.field or "number", refusal.message)
    if rows and not book.complaints:
        _freeze_recipes(rows)
        mending.mend_plan(production.planner(workshop.workshop()))
    return bool(rows)


def _write_row(changes: Changes, row: BatchRow, catalogue: Catalogue, by: User | None) -> None:
    step = step_of(catalogue, row)
    if step is None:
        return
    load = _load(row, step, catalogue)
    for portion in _portions(row, load, step, catalogue):
        if is_curing(catalogue, row):
            _into_stock(portion, row, step, by)
    text = f"{row.pieces} good {row.item} {row.scent} had come to the step {step.name} on {row.day}."
    BatchEvent.objects.create(load=load, at=clock.now(), by=by, kind="opening", text=text)
    changes.note(row, "added", f"{row.pieces} pieces, {step.name.lower()} done on {row.day}")


def _load(row: BatchRow, step: Operation, catalogue: Catalogue) -> Load:
    """The batch's row; a second row of the sheet joins the first one's."""
    work = work_of(Sku(row.item, row.scent), step, catalogue)
    then = datetime.combine(row.day, _NOON, clock.workshop_zone())
    known = {
        "day": row.day, "done_at": then, "scent": work.what.scent, "operation": work.operation,
        "what": Item.objects.get(code=work.what.item),
        "equipment": Equipment.objects.filter(code=work.equipment).first(),
        "note": "Brought along on the first day; what it took is in no book here.",
    }  # fmt: skip
    return Load.objects.get_or_create(number=row.number, defaults=known)[0]


def _portions(row: BatchRow, load: Load, step: Operation, catalogue: Catalogue) -> list[LoadPortion]:
    item = Item.objects.get(code=row.item)
    of_the_row = {"load": load, "item": item, "scent": row.scent, "operation": step.code}
    if row.order:
        wanted = _wanted(row)
        return [
            LoadPortion.objects.create(order_scent_id=scent, pieces=pieces, good=pieces, **of_the_row)
            for scent, pieces in wanted
        ]
    is_last = step.code == catalogue.steps(row.item)[-1].code
    mine = ForStock.objects.create(
        item=item, scent=row.scent, pieces=row.pieces, because=f"batch {row.number}", asked_at=clock.now(),
        closed_at=clock.now() if is_last else None,
    )  # fmt: skip
    return [LoadPortion.objects.create(for_stock=mine, pieces=row.pieces, good=row.pieces, **of_the_row)]


def _wanted(row: BatchRow) -> Iterable[tuple[int, int]]:
    """The lines of the order that the pieces are for, each with what of it is still to be made."""
    scents = OrderLineScent.objects.filter(line__order__token=row.order, line__item__code=row.item, scent=row.scent)
    open_demands = {demand.key: demand.pieces for demand in production.demands()}
    left, found = row.pieces, []
    for pk in scents.order_by("line__position").values_list("pk", flat=True):
        passed = LoadPortion.objects.filter(order_scent=pk, load__done_at__isnull=False, item__code=row.item)
        to_make = open_demands.get(str(pk), 0) - sum(portion.good or 0 for portion in passed)
        if part := min(left, max(to_make, 0)):
            found.append((pk, part))
            left -= part
    if left:
        message = f"the order {row.order} takes {row.pieces - left} of these. Put the rest on a row without an order."
        raise Refusal("too_many", message, "pieces")
    return found


def _into_stock(portion: LoadPortion, row: BatchRow, step: Operation, by: User | None) -> None:
    """A product whose cure has begun is a lot, reserved for its order."""
    usable_on = row.usable_on or row.day + timedelta(days=step.cure_days or 0)
    lot = lots.lot_of(portion.load, portion, made_on=row.day, usable_on=usable_on)
    why = ledger.Why(
        reason="made", by=by, reference=row.number, load=portion.load, portion=portion, because="from the workbook"
    )  # fmt: skip
    ledger.move(lot, portion.good or 0, why)
    if portion.order_scent_id:
        ledger.hold(lot, portion.order_scent_id, portion.good or 0)


def _freeze_recipes(rows: Iterable[BatchRow]) -> None:
    """The batches keep the versions in force; who knows by which they were begun?"""
    current = production.planner(workshop.workshop()).catalogue
    for number, _ in groupby(sorted(row.number for row in rows)):
        load = Load.objects.prefetch_related("portions__item").select_related("equipment", "what").get(number=number)
        load.recipes = recipes_used(current, production.load_value(load))
        load.save(update_fields=["recipes"])
