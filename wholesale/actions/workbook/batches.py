"""Batches that are setting or curing on the first day here: done as far as the sheet says, the rest is planned."""

from collections.abc import Collection, Iterable, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

from accounts.models import User
from wholesale import clock
from wholesale.actions import ledger, lots, mending
from wholesale.actions.workbook.changes import Changes
from wholesale.core.catalogue import Catalogue, Operation, Sku
from wholesale.core.production.tasks import latest_for
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
    loads: set[int] = set()
    for row in rows:
        try:
            loads |= _write_row(changes, row, catalogue, by)
        except Refusal as refusal:
            book.complain(row, refusal.field or "number", refusal.message)
    if rows and not book.complaints:
        _freeze_recipes(loads)
        mending.mend_plan(production.planner(workshop.workshop()))
    return bool(rows)


def _write_row(changes: Changes, row: BatchRow, catalogue: Catalogue, by: User | None) -> set[int]:
    """Write what a row tells; the keys of its loads, one for each step that the pieces have gone through."""
    steps, last = catalogue.steps(row.item), step_of(catalogue, row)
    if last is None:
        return set()
    whole = _whose(row, first=steps[0], is_last=last == steps[-1])
    loads = [_load(row, step, day, catalogue) for step, day in _passed(steps, last, row.day)]
    portions = [
        LoadPortion.objects.create(load=load, operation=step.code, **part)
        for load, step in zip(loads, steps, strict=False) for part in whole
    ]  # fmt: skip
    for portion in portions[-len(whole) :] if is_curing(catalogue, row) else ():
        _into_stock(loads[0], portion, row, last, by)
    text = f"{row.pieces} good {row.item} {row.scent} had come to the step {last.name} on {row.day}."
    BatchEvent.objects.create(load=loads[-1], at=clock.now(), by=by, kind="opening", text=text)
    changes.note(row, "added", f"{row.pieces} pieces, {last.name.lower()} done on {row.day}")
    return {load.pk for load in loads}


def _passed(steps: Sequence[Operation], last: Operation, day: date) -> list[tuple[Operation, date]]:
    """The steps that the pieces have gone through, each on the last day it can have been done."""
    passed = [(last, day)]
    for step in reversed(steps[: steps.index(last)]):
        passed.insert(0, (step, latest_for(step, passed[0][1])))
    return passed


def _load(row: BatchRow, step: Operation, day: date, catalogue: Catalogue) -> Load:
    """The batch's row at a step; a second row of the sheet joins the first one's.

    The sheet's number is that of the first step, as pieces are known by what they were
    poured in; the later steps have their place behind it.
    """
    place = catalogue.steps(row.item).index(step) + 1
    work = work_of(Sku(row.item, row.scent), step, catalogue)
    known = {
        "scent": work.what.scent, "operation": work.operation, "what": Item.objects.get(code=work.what.item),
        "equipment": Equipment.objects.filter(code=work.equipment).first(),
    }  # fmt: skip
    then = datetime.combine(day, _NOON, clock.workshop_zone())
    told = {"day": day, "done_at": then, "note": "Brought along on the first day; what it took is in no book here."}
    number = row.number if place == 1 else f"{row.number}.{place}"
    load, _ = Load.objects.get_or_create(number=number, defaults=known | told)
    if any(getattr(load, name) != value for name, value in known.items()):
        message = f"{number} would stand for batches of different work. Give each a number of its own."
        raise Refusal("taken", message, "number")
    return load


def _whose(row: BatchRow, *, first: Operation, is_last: bool) -> list[dict[str, Any]]:
    """What the batch's portions have in common at each step, by whom the pieces are for."""
    item = Item.objects.get(code=row.item)
    of_the_row = {"item": item, "scent": row.scent}
    if row.order:
        wanted = _wanted(row, first)
        return [{"order_scent_id": scent, "pieces": pieces, "good": pieces, **of_the_row} for scent, pieces in wanted]
    mine = ForStock.objects.create(
        item=item, scent=row.scent, pieces=row.pieces, because=f"batch {row.number}", asked_at=clock.now(),
        closed_at=clock.now() if is_last else None,
    )  # fmt: skip
    return [{"for_stock": mine, "pieces": row.pieces, "good": row.pieces, **of_the_row}]


def _wanted(row: BatchRow, first: Operation) -> Iterable[tuple[int, int]]:
    """The lines of the order that the pieces are for, each with what of it is still to be made."""
    scents = OrderLineScent.objects.filter(line__order__token=row.order, line__item__code=row.item, scent=row.scent)
    open_demands = {demand.key: demand.pieces for demand in production.demands()}
    left, found = row.pieces, []
    for pk in scents.order_by("line__position").values_list("pk", flat=True):
        # Whatever is brought along has gone through the first step.
        begun = LoadPortion.objects.filter(
            order_scent=pk, load__done_at__isnull=False, item__code=row.item, operation=first.code
        )
        to_make = open_demands.get(str(pk), 0) - sum(portion.good or 0 for portion in begun)
        if part := min(left, max(to_make, 0)):
            found.append((pk, part))
            left -= part
    if left:
        message = f"the order {row.order} takes {row.pieces - left} of these. Put the rest on a row without an order."
        raise Refusal("too_many", message, "pieces")
    return found


def _into_stock(poured: Load, portion: LoadPortion, row: BatchRow, step: Operation, by: User | None) -> None:
    """A product whose cure has begun is a lot, reserved for its order."""
    usable_on = row.usable_on or row.day + timedelta(days=step.cure_days or 0)
    lot = lots.lot_of(poured, portion, made_on=row.day, usable_on=usable_on)
    why = ledger.Why(
        reason="made", by=by, reference=row.number, load=portion.load, portion=portion, because="from the workbook"
    )  # fmt: skip
    ledger.move(lot, portion.good or 0, why)
    if portion.order_scent_id:
        ledger.hold(lot, portion.order_scent_id, portion.good or 0)


def _freeze_recipes(loads: Collection[int]) -> None:
    """The batches keep the versions in force; who knows by which they were begun?"""
    current = production.planner(workshop.workshop()).catalogue
    rows = Load.objects.filter(pk__in=loads).prefetch_related("portions__item").select_related("equipment", "what")
    for load in rows:
        load.recipes = recipes_used(current, production.load_value(load))
        load.save(update_fields=["recipes"])
