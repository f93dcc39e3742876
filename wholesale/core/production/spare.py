"""Spare room of a planned load: how much of what fits beside its pieces, and for whom it may be used.

First for open orders of the same melt that are poured later, then for what the shelf
lacks, then for the shelf at all.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from wholesale.core.catalogue import NO_LIMIT, Catalogue, ItemKind, Operation, Sku, filling, net_room, sku_name
from wholesale.core.production.bench import Bench
from wholesale.core.production.check import check, leaving_day
from wholesale.core.production.course import course, is_settled
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.tasks import Task
from wholesale.core.production.work import Demand, Load, Outcome, Plan, Portion, Shop, work_of
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal


@dataclass(frozen=True, kw_only=True)
class SpareRoom:
    """What still fits into a load: net ``grams`` (``None`` where they don't bind), and pieces of each sku alone.

    ``begins`` are those whose first step the load is: others come to it from an earlier one.
    """

    grams: Decimal | None
    pieces: dict[Sku, int]
    begins: frozenset[Sku]


class Offer(NamedTuple):
    """Pieces of an open order that are planned for a later load of the same work, and could go into this one."""

    demand: str
    sku: Sku
    operation: str
    pieces: int
    instead_of: date


def spare(shop: Shop, plan: Plan, load: Load) -> SpareRoom:
    """The room left in a planned load; none in one that is begun or done, or that nothing limits."""
    of_day = Plan(loads=tuple(one for one in plan.loads if one.day == load.day))
    bench = Bench(shop, of_day, (), load.day)
    rooms = {task: bench.beside(load, task) for task in _tasks(shop.catalogue, load)}
    fits = {task.sku: room for task, room in rooms.items() if 0 < room < NO_LIMIT}
    begins = frozenset(task.sku for task in rooms if task.sku in fits and _is_first(shop.catalogue, task))
    return SpareRoom(grams=_grams_left(shop.catalogue, load), pieces=fits, begins=begins)


def offers(shop: Shop, plan: Plan, load: Load, demands: Sequence[Demand], stock: Iterable[OnHand]) -> tuple[Offer, ...]:
    """Later pours that could be done in this load, the next first; each alone keeps the plan sound and nobody later."""
    on_hand, open_keys = tuple(stock), {demand.key for demand in demands}
    later = (offer for offer in _later(shop, plan, load) if offer.demand in open_keys)
    return tuple(offer for offer in later if _moved_soundly(shop, plan, load, offer, demands, on_hand))


def take(shop: Shop, plan: Plan, load: Load, offer: Offer, demands: Sequence[Demand], stock: Iterable[OnHand]) -> Plan:
    """The plan with the offer's pieces in this load; a ``Refusal`` when it no longer stands."""
    moved = _moved_soundly(shop, plan, load, offer, demands, tuple(stock))
    if moved is None:
        name = sku_name(shop.catalogue, offer.sku)
        message = f"{name}: {offer.pieces} no longer fit into this load in time; look at its offers again."
        raise Refusal("no_spare", message, "offer")
    return moved


def fill(shop: Shop, plan: Plan, load: Load, demand: Demand, stock: Iterable[OnHand], first_day: date) -> Outcome:
    """The plan with a demand begun in this load's spare room, and its next steps planned after it.

    A ``Refusal`` when the load is not of the demand's first step, its pieces (with what
    the yields ask for) don't fit, or what comes after finds no room or parts.
    """
    on_hand = tuple(stock)
    step = shop.catalogue.steps(demand.sku.item)[0]
    if work_of(demand.sku, step, shop.catalogue) != load.work:
        name = sku_name(shop.catalogue, demand.sku)
        raise Refusal("no_spare", f"{name} does not begin in this load; choose one that does.", "load")
    ideal = course(shop.catalogue, demand.sku, demand.pieces)
    refuse_too_many(shop, plan, load, demand.sku, demand.pieces)
    portion = Portion(demand.key, demand.sku, step.code, ideal.into[0])
    filled = _replaced(plan, load, replace(load, portions=(*load.portions, portion)))
    begun = Plan(loads=(replace(load, portions=(portion,), begun=True),))
    bench = Bench(shop, filled, on_hand, first_day)
    waiting = [0, *ideal.into[1:2], *([0] * (len(ideal.into) - 2))]
    rest = course(shop.catalogue, demand.sku, demand.pieces if ideal.into[1:] else 0, waiting[: len(ideal.into)])
    placed = Insertion(shop, bench, demand, rest, begun).run()
    return Outcome(plan=bench.plan(), placed=tuple(placed))


def refuse_too_many(shop: Shop, plan: Plan, load: Load, sku: Sku, pieces: int) -> None:
    """A ``Refusal`` when so many good pieces of a sku can't begin beside what is in a load."""
    same_day = replace(plan, loads=tuple(one for one in plan.loads if one.day == load.day))
    bench = Bench(shop, same_day, (), load.day)
    begun = course(shop.catalogue, sku, pieces).into[0]
    if (room := bench.beside(load, Task(sku, shop.catalogue.steps(sku.item)[0]))) < begun:
        raise Refusal("no_spare", _no_fit(sku_name(shop.catalogue, sku), begun, room), "pieces", room=room)


def _no_fit(name: str, pieces: int, room: int) -> str:
    """Say that pieces find no room: how many, and for how many there is."""
    fit = "1 piece does" if pieces == 1 else f"{pieces} pieces do"
    return f"{name}: {fit} not fit into this load; there is room for {room}."


def most_good(catalogue: Catalogue, sku: Sku, room: int) -> int:
    """Good pieces that starts up to ``room`` are enough for."""
    good = room
    while good and course(catalogue, sku, good).into[0] > room:
        good -= 1
    return good


def _tasks(catalogue: Catalogue, load: Load) -> Iterator[Task]:
    """Every step that may share this load: first steps of products, and those that are in the equipment already."""
    inside = {(portion.sku, portion.operation) for portion in load.portions if load.work.equipment}
    for item in catalogue.items.values():
        for sku in (Sku(item.code, scent) for scent in (catalogue.scents if item.scented else [""])):
            for task in (Task(sku, step) for step in catalogue.steps(item.code)):
                begins = item.kind is ItemKind.PRODUCT and _is_first(catalogue, task)
                if (begins or (sku, task.operation.code) in inside) and work_of(*task, catalogue) == load.work:
                    yield task


def _is_first(catalogue: Catalogue, task: Task) -> bool:
    return task.operation is catalogue.steps(task.sku.item)[0]


def _grams_left(catalogue: Catalogue, load: Load) -> Decimal | None:
    room, used = None, Decimal(0)
    for portion in load.portions:
        step = next(step for step in catalogue.steps(portion.sku.item) if step.code == portion.operation)
        room = net_room(catalogue, portion.sku.item, step)
        used += filling(catalogue, portion.sku.item, step)[1] * portion.pieces
    return None if room is None else room - used


def _later(shop: Shop, plan: Plan, load: Load) -> Iterator[Offer]:
    """Pieces at the first step in later loads of the same work, as many as still fit."""
    bench = Bench(shop, plan, (), load.day)
    later = (one for one in plan.loads if one.work == load.work and one.day > load.day and not is_settled(one))
    for one in sorted(later, key=lambda one: one.day):
        for portion in one.portions:
            step = _first(shop.catalogue, portion)
            room = bench.beside(load, Task(portion.sku, step)) if step else 0
            if room:
                yield Offer(portion.demand, portion.sku, portion.operation, min(room, portion.pieces), one.day)


def _first(catalogue: Catalogue, portion: Portion) -> Operation | None:
    steps = catalogue.steps(portion.sku.item)
    return steps[0] if steps and steps[0].code == portion.operation else None


def _moved_soundly(
    shop: Shop, plan: Plan, load: Load, offer: Offer, demands: Sequence[Demand], stock: tuple[OnHand, ...]
) -> Plan | None:
    """The plan with the pieces moved, if it is as sound as it was and the order leaves no later."""
    moved = _moved(plan, load, offer)
    demand = next((d for d in demands if d.key == offer.demand), None)
    if moved is None or demand is None:
        return None
    before, after = (set(check(shop, one, demands, stock)) for one in (plan, moved))
    was, now = (leaving_day(shop, one, demand) for one in (plan, moved))
    in_time = was is None or (now is not None and now <= was)
    return moved if in_time and after <= before else None


def _moved(plan: Plan, load: Load, offer: Offer) -> Plan | None:
    """The plan with the offer's pieces taken out of the later load and put into this one."""
    wanted = (offer.demand, offer.sku, offer.operation)
    source = next(
        (one for one in plan.loads if one.day == offer.instead_of and one.work == load.work and not is_settled(one)
         and any(p[:3] == wanted and p.pieces >= offer.pieces for p in one.portions)), None
    )  # fmt: skip
    if source is None or load not in plan.loads:
        return None
    less = tuple(p._replace(pieces=p.pieces - offer.pieces) if p[:3] == wanted else p for p in source.portions)
    rest = replace(source, portions=tuple(p for p in less if p.pieces))
    return _replaced(_replaced(plan, source, rest), load, replace(load, portions=_joined(load.portions, offer)))


def _joined(portions: tuple[Portion, ...], offer: Offer) -> tuple[Portion, ...]:
    wanted = (offer.demand, offer.sku, offer.operation)
    if any(p[:3] == wanted for p in portions):
        return tuple(p._replace(pieces=p.pieces + offer.pieces) if p[:3] == wanted else p for p in portions)
    return (*portions, Portion(*wanted, offer.pieces))


def _replaced(plan: Plan, old: Load, new: Load) -> Plan:
    """The plan with the first such load replaced; taken out when nothing is left in it."""
    loads = list(plan.loads)
    loads[loads.index(old)] = new
    return replace(plan, loads=tuple(load for load in loads if load.portions))
