"""Why not sooner: what keeps a piece from its cure step, in words about the workshop only."""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from wholesale.core.catalogue import ItemKind, Operation, Sku, sku_name
from wholesale.core.production.bench import Bench
from wholesale.core.production.tasks import Task, days_back, usable_on
from wholesale.core.production.work import Shop
from wholesale.core.values import Refusal


class Reason(NamedTuple):
    """What keeps a piece, in words; the days on which it does, and the material that is waited for, if it is one."""

    words: str
    days: tuple[date, ...]
    material: Sku | None = None


def why_not(bench: Bench, sku: Sku, first_day: date, day: date) -> Reason | None:
    """What keeps one more piece of ``sku`` from its cure step on ``day``, when nothing begins before ``first_day``.

    ``None`` when only a wait that nature sets does. Names resources, never another shop.
    """
    if not bench.calendar.is_work(day):
        return Reason(f"{bench.calendar.day(day).kind} day", (day,))
    recipe = bench.catalogue.recipe(sku.item)
    task = Task(sku, recipe.operations[recipe.cure_step])
    return (
        _kept_from(bench, task, [day])
        or _parts_short(bench, task, first_day, day)
        or (_step_before(bench, Task(sku, recipe.operations[recipe.cure_step - 1]), first_day, day)
            if recipe.cure_step else None)
    )  # fmt: skip


def no_room(bench: Bench, sku: Sku, pieces: int, first_day: date) -> Refusal:
    """Why so many pieces find no room in all the days that are planned: what never is there, if it is one thing."""
    ahead = bench.shop.horizon_days
    days = list(bench.calendar.work_days(first_day, first_day + timedelta(days=ahead)))
    name = sku_name(bench.catalogue, sku)
    if not days:
        message = f"{name}: the calendar has no work day in the next {ahead} days; open some before promising."
        return Refusal("no_work_days", message, "calendar")
    lacking = dict.fromkeys(_lacking(bench, sku, days[-1]))
    found = (_never(bench, name, step, days) for one in lacking for step in bench.catalogue.steps(one.item))
    message = f"{name}: {pieces} pieces find no room in the next {ahead} days."
    return next((why for why in found if why), Refusal("no_room", message, "cases"))


def _lacking(bench: Bench, sku: Sku, day: date) -> Iterator[Sku]:
    """A sku, and the parts below it of which not enough for one piece is there by a day, so that they are made."""
    yield sku
    for step in bench.catalogue.steps(sku.item):
        for part, each, _ in bench.tasks.parts(Task(sku, step)):
            if bench.catalogue.items[part.item].kind is ItemKind.PART and bench.free_on(part, day) < each:
                yield from _lacking(bench, part, day)


def _never(bench: Bench, name: str, step: Operation, days: Sequence[date]) -> Refusal | None:
    """What a step lacks on every one of these days: its equipment, or its hands."""
    if step.equipment and _is_gone(bench.shop, step.equipment, days):
        message = (
            f"{name}: {bench.catalogue.equipment[step.equipment].name} is out of use until further notice, "
            f"and {step.name.lower()} needs it. No date can be promised before it is back or replaced."
        )
        return Refusal("out_of_use", message, "cases")
    if step.hands and not any(bench.calendar.minutes(step.hands, day) != 0 for day in days):
        message = (
            f"{name}: the calendar has no minutes of '{step.hands}' in the next {bench.shop.horizon_days} days; "
            "give its days some before promising."
        )
        return Refusal("no_hours", message, "calendar")
    return None


def _is_gone(shop: Shop, equipment: str, days: Sequence[date]) -> bool:
    """Is none of an equipment there on any of these days, or none any more from some day on?"""
    return not shop.count_of(equipment, date.max) or not any(shop.count_of(equipment, day) for day in days)


def _parts_short(bench: Bench, task: Task, first_day: date, day: date) -> Reason | None:
    for part, each, _ in bench.tasks.parts(task):
        if bench.catalogue.items[part.item].kind is ItemKind.PART and bench.free_on(part, day) < each:
            casting = bench.catalogue.recipe(part.item).operations[-1]
            window = [d for d in bench.calendar.work_days(first_day, day) if usable_on(casting, d) <= day]
            if reason := _kept_from(bench, Task(part, casting), window):
                return reason
    return None


def _step_before(bench: Bench, before: Task, first_day: date, day: date) -> Reason | None:
    window = [d for d in days_back(before.operation, day) if d >= first_day and bench.calendar.is_work(d)]
    return _kept_from(bench, before, window)


def _kept_from(bench: Bench, task: Task, days: Sequence[date]) -> Reason | None:
    """What a step lacks on all these days: room, or a material; ``None`` when it could be done on one of them."""
    return (_full(bench, task, days) or _not_there(bench, task, days)) if days else None


def _full(bench: Bench, task: Task, days: Sequence[date]) -> Reason | None:
    if any(bench.room(task, day) for day in days):
        return None
    code = task.operation.equipment
    if code in bench.catalogue.equipment and all(bench.equipment_room(task, day) == 0 for day in days):
        is_out = not any(bench.shop.count_of(code, day) for day in days)
        return Reason(f"{bench.catalogue.equipment[code].name} {'out of use' if is_out else 'full'}", tuple(days))
    return Reason("no hands-minutes left", tuple(days))


def _not_there(bench: Bench, task: Task, days: Sequence[date]) -> Reason | None:
    """The material that is missing on each day that has room."""
    open_days = [day for day in days if bench.room(task, day)]
    for part, each, _ in bench.tasks.parts(task):
        item = bench.catalogue.items[part.item]
        if item.kind is ItemKind.MATERIAL and all(bench.free_on(part, day) < each for day in open_days):
            return Reason(f"{item.name} not there yet", tuple(days), part)
    return None
