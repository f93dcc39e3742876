"""The plan's rows: locked by every writer, changed only where the plan changed."""

from collections.abc import Iterable
from datetime import timedelta

from django.db.models import Max

from wholesale import clock, queue
from wholesale.core.production.course import is_settled
from wholesale.core.production.plan import Placed
from wholesale.core.production.work import Load, Plan, Portion
from wholesale.models import (
    Equipment,
    Item,
    LoadPortion,
    Order,
    OrderLineScent,
    PlanImprovement,
    PlanState,
    SheetRefresh,
)
from wholesale.models import Load as LoadRow
from wholesale.queries import workshop

NOW = timedelta()
#: Orders come in bursts: the search for a better plan begins when a burst is likely to be over.
AFTER_CHANGE = timedelta(minutes=1)


def lock() -> PlanState:
    """Lock the plan for this transaction and return its state."""
    PlanState.objects.get_or_create(pk=1)
    return PlanState.objects.select_for_update().get(pk=1)


def changed(state: PlanState, because: str, *, improve: bool = True) -> None:
    """Count the plan one version up, and have the order sheet's dates worked out anew.

    A better plan is looked for in the background, but not after one was found (``improve``).
    """
    state.version += 1
    state.changed_at = clock.now()
    state.because = because
    state.save(update_fields=["version", "changed_at", "because"])
    ask_for_dates()
    if improve and workshop.workshop().improve_seconds:
        ask_for_improvement(AFTER_CHANGE)


def ask_for_dates() -> None:
    """Queue one refresh of the order sheet's dates, unless one is already waiting."""
    if SheetRefresh.objects.filter(state="waiting").exists():
        return
    row = SheetRefresh.objects.create(due_at=clock.now(), created_at=clock.now())
    queue.send_on_commit("wholesale.refresh_dates", row.pk)


def ask_for_improvement(pause: timedelta = NOW) -> int:
    """Queue one search for a better plan, unless one is already waiting; return the row that waits.

    With a ``pause`` nobody is woken: more changes may follow, and the sweep takes it up.
    """
    waiting = PlanImprovement.objects.filter(state="waiting").first()
    if waiting is None:
        waiting = PlanImprovement.objects.create(due_at=clock.now() + pause, created_at=clock.now())
    if not pause:
        PlanImprovement.objects.filter(pk=waiting.pk, state="waiting").update(due_at=clock.now())
        queue.send_on_commit("wholesale.improve_plan", waiting.pk)
    return waiting.pk


def store(old: Plan, new: Plan, keys: dict[str, int] | None = None) -> None:
    """Write the difference between two plans; ``keys`` turns a demand's key into its row.

    A batch that is begun or done stays as it is.
    """
    before = {load.ref: load for load in old.loads if load.ref is not None}
    kept = {load.ref for load in new.loads if load.ref is not None}
    gone = LoadRow.objects.filter(pk__in=set(before) - kept, done_at__isnull=True, weighed_at__isnull=True)
    gone.delete()
    codes = _Codes(new.loads)
    for load in new.loads:
        if load.ref is None:
            _add_portions(_new_row(load, codes), load.portions, codes, keys or {})
        elif load != before[load.ref] and not is_settled(before[load.ref]):
            _change(load.ref, load, codes, keys or {})


class _Codes:
    """Row numbers of the items and equipment that loads name: 2 queries."""

    def __init__(self, loads: Iterable[Load]) -> None:
        whats = {load.work.what.item for load in loads}
        skus = {portion.sku.item for load in loads for portion in load.portions}
        self.items = dict(Item.objects.filter(code__in=whats | skus).values_list("code", "pk"))
        self.equipment = dict(Equipment.objects.values_list("code", "pk"))


def _new_row(load: Load, codes: _Codes) -> int:
    work = load.work
    row = LoadRow.objects.create(
        day=load.day,
        equipment_id=codes.equipment.get(work.equipment),
        what_id=codes.items[work.what.item],
        scent=work.what.scent,
        operation=work.operation,
    )
    return row.pk


def _change(row: int, load: Load, codes: _Codes, keys: dict[str, int]) -> None:
    LoadRow.objects.filter(pk=row).update(day=load.day)
    LoadPortion.objects.filter(load_id=row).delete()
    _add_portions(row, load.portions, codes, keys)


def _add_portions(row: int, portions: Iterable[Portion], codes: _Codes, keys: dict[str, int]) -> None:
    LoadPortion.objects.bulk_create(
        LoadPortion(
            load_id=row,
            **_for_whom(portion.demand, keys),
            item_id=codes.items[portion.sku.item],
            scent=portion.sku.scent,
            operation=portion.operation,
            pieces=portion.pieces,
            good=portion.good,
        )
        for portion in portions
    )


def _for_whom(demand: str, keys: dict[str, int]) -> dict[str, int]:
    """The column and row that a demand's key stands for; see ``queries.production.demand_key``."""
    if demand.startswith("s"):
        return {"for_stock_id": int(demand[1:])}
    return {"order_scent_id": keys.get(demand) or int(demand)}


def store_leaving(placed: Iterable[Placed]) -> set[int]:
    """Write the days on which placed demands now leave; return the orders they belong to."""
    leaves: dict[int, Placed] = {}
    for group in (group for group in placed if not group.demand.startswith("s")):
        known = leaves.get(int(group.demand))
        if known is None or group.leaves > known.leaves:
            leaves[int(group.demand)] = group
    orders = set()
    for scent in OrderLineScent.objects.filter(pk__in=leaves).select_related("line"):
        scent.planned_leaves = leaves[scent.pk].leaves
        scent.save(update_fields=["planned_leaves"])
        orders.add(scent.line.order_id)
    for order in Order.objects.filter(pk__in=orders).annotate(last=Max("lines__scents__planned_leaves")):
        Order.objects.filter(pk=order.pk).update(planned_leaves=order.last)
    return orders
