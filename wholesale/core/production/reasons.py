"""Why not sooner: what keeps a piece from its cure step, in words about the workshop only."""

from collections.abc import Iterable, Sequence
from datetime import date

from wholesale.core.catalogue import Sku
from wholesale.core.production.bench import Bench, Task, days_back, usable_on
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Plan
from wholesale.core.stock import OnHand


def why_not(shop: Shop, plan: Plan, sku: Sku, stock: Iterable[OnHand], first_day: date, day: date) -> str:
    """What keeps one more piece of ``sku`` from its cure step on ``day``.

    "" when only a wait that nature sets does. Names resources, never another shop.
    """
    if not shop.calendar.is_work(day):
        return f"{shop.calendar.day(day).kind} day"
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    steps = shop.catalogue.recipe(sku.item).operations
    cure_step = shop.catalogue.recipe(sku.item).cure_step
    task = Task(sku, steps[cure_step])
    return (
        _full(shop, bench, task, [day])
        or _parts_short(shop, bench, task, first_day, day)
        or (_step_before_full(shop, bench, Task(sku, steps[cure_step - 1]), first_day, day) if cure_step else "")
    )


def _parts_short(shop: Shop, bench: Bench, task: Task, first_day: date, day: date) -> str:
    for part, each, _ in bench.parts_of(task):
        if bench.free_on(part, day) < each:
            casting = shop.catalogue.recipe(part.item).operations[-1]
            window = [d for d in shop.calendar.work_days(first_day, day) if usable_on(casting, d) <= day]
            if reason := _full(shop, bench, Task(part, casting), window):
                return reason
    return ""


def _step_before_full(shop: Shop, bench: Bench, before: Task, first_day: date, day: date) -> str:
    window = [d for d in days_back(before.operation, day) if d >= first_day and shop.calendar.is_work(d)]
    return _full(shop, bench, before, window)


def _full(shop: Shop, bench: Bench, task: Task, days: Sequence[date]) -> str:
    """Which resource is full on all these days; "" when there is room on one of them, or no day at all."""
    if not days or any(bench.room(task, day) for day in days):
        return ""
    equipment = shop.catalogue.equipment.get(task.operation.equipment)
    if equipment and all(bench.equipment_room(task, day) == 0 for day in days):
        return f"{equipment.name} full"
    return "no hands-minutes left"
