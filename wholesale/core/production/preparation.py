"""What has to happen before the night: loads that must stand till tomorrow's work, and waits that end too soon."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, ItemKind, Operation, Sku
from wholesale.core.production.calendar import ONE_DAY, Calendar
from wholesale.core.production.needs import expected, in_one, lines_at, step_of, takes
from wholesale.core.production.plan import mend
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.work import Demand, Load, Plan, Portion, Shop
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal


class Waiting(NamedTuple):
    """A step planned for the next work day that a load has to stand for, and whose pieces it is done to."""

    demand: str
    sku: Sku
    step: str


@dataclass(frozen=True, kw_only=True)
class Overnight:
    """A load that must be made today: what waits for it needs the night before."""

    load: Load
    waiting: tuple[Waiting, ...]


class Made(NamedTuple):
    """A load, and the catalogue with the recipes it is made by."""

    load: Load
    goods: Catalogue


def overnight(todo: Iterable[Made], tomorrow: Sequence[Made], short: Iterable[Sku]) -> tuple[Overnight, ...]:
    """The loads of today that the next work day's loads need a night after.

    ``short``: parts that the shelf alone can't cover tomorrow; casts of others can wait.
    """
    missing = set(short)
    found = []
    for load, goods in todo:
        steps = [(portion, step_of(goods, portion)) for portion in load.portions]
        stand = [
            (portion, next_step(goods, portion)) for portion, step in steps if usable_on(step, load.day) > load.day
        ]
        waiting = dict.fromkeys(one for portion, after in stand for one in _waiting(portion, after, tomorrow, missing))
        if waiting:
            found.append(Overnight(load=load, waiting=tuple(waiting)))
    return tuple(found)


def _waiting(
    portion: Portion, after: Operation | None, tomorrow: Iterable[Made], missing: set[Sku]
) -> Iterable[Waiting]:
    """The portions of tomorrow that go on with these pieces, or take them as parts."""
    for goods, later in ((made.goods, portion) for made in tomorrow for portion in made.load.portions):
        if after is not None:
            follows = (later.demand, later.sku, later.operation) == (portion.demand, portion.sku, after.code)
        else:
            follows = portion.sku in missing and portion.sku in _parts(goods, later)
        if follows:
            yield Waiting(later.demand, later.sku, step_of(goods, later).name)


def next_step(catalogue: Catalogue, portion: Portion) -> Operation | None:
    """The step after a portion's; ``None`` after the last."""
    steps = catalogue.recipe(portion.sku.item).operations
    place = steps.index(step_of(catalogue, portion)) + 1
    return steps[place] if place < len(steps) else None


def _parts(catalogue: Catalogue, portion: Portion) -> list[Sku]:
    lines = lines_at(catalogue, portion.sku.item, step_of(catalogue, portion))
    return [catalogue.component(line, portion.sku.scent) for line in lines]


# ── a wait that ends before anybody is there ─────────────────────────────────────


class TooLong(NamedTuple):
    """Pieces of a step that must go on by ``until``, while the bench works again only on ``next_day``."""

    load: Load
    sku: Sku
    step: str
    then: str
    most: int
    until: date
    next_day: date


def waits_too_long(calendar: Calendar, made: Iterable[Made]) -> tuple[TooLong, ...]:
    """Loads whose longest wait ends before the next work day on which the next step may be done."""
    found = (_too_long(goods, calendar, load, portion) for load, goods in made for portion in load.portions)
    return tuple(dict.fromkeys(one for one in found if one))


def _too_long(catalogue: Catalogue, calendar: Calendar, load: Load, portion: Portion) -> TooLong | None:
    step, after = step_of(catalogue, portion), next_step(catalogue, portion)
    if step.days_max is None or after is None:
        return None
    until = load.day + step.days_max * ONE_DAY
    next_day = calendar.work_from(usable_on(step, load.day))
    if next_day <= until:
        return None
    return TooLong(load, portion.sku, step.name, after.name, step.days_max, until, next_day)


# ── what it would cost ───────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Tomorrow:
    """The bench on the morning after: its first work day, all loads, and free stock in the planner's units."""

    shop: Shop
    plan: Plan
    stock: Sequence[OnHand]
    day: date


def leaves_if_forgotten(
    after: Tomorrow, pots: Iterable[Overnight], demands: Sequence[Demand]
) -> Mapping[str, date | None]:
    """The day each demand that would be planned anew leaves, if these loads were not made today; ``None``: no room.

    All else of today is taken as done, so that what it costs is the pots' alone.
    """
    forgotten = {pot.load for pot in pots}
    asked = {one.demand for pot in pots for one in pot.waiting}
    waiting = [demand for demand in demands if demand.key in asked]
    past = [load for load in after.plan.loads if not load.done and load.day < after.day and load not in forgotten]
    loads = tuple(replace(load, done=True) if load in past else load for load in after.plan.loads)
    stock = (*after.stock, *_given(after.shop.catalogue, past))
    try:
        outcome = mend(after.shop, replace(after.plan, loads=loads), waiting, stock, after.day, after.day)
    except Refusal:
        return {demand.key: None for demand in waiting}
    placed = {group.demand for group in outcome.placed}
    return {key: outcome.leaves(key) for key in placed}


def _given(catalogue: Catalogue, loads: Iterable[Load]) -> Iterable[OnHand]:
    """The good parts that loads give, less the parts they take, in the planner's units: pieces, or grams."""
    for load in loads:
        for row in expected(catalogue, load, load.day):
            yield replace(row, quantity=row.quantity / in_one(catalogue.items[row.sku.item]))
        for take in takes(catalogue, load):
            item = catalogue.items[take.sku.item]
            if item.kind is ItemKind.PART:
                yield OnHand(sku=take.sku, usable_on=load.day, quantity=Fraction(-take.quantity, in_one(item)))
