"""Kept samples give way: orders are planned as if they weren't there, and then they stay where they still fit."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from wholesale.core.production.check import check
from wholesale.core.production.course import is_settled
from wholesale.core.production.work import Demand, Load, Plan, Portion, Shop
from wholesale.core.stock import OnHand


def put_back(
    shop: Shop, before: Plan, plan: Plan, samples: Sequence[str], demands: Sequence[Demand], stock: Iterable[OnHand]
) -> Plan:
    """A plan made without these samples, with each of them where it was ``before``, if the plan stays as sound.

    One that had a load to itself is left out: it may share another one now. ``demands``
    are all open ones, those of the samples among them.
    """
    on_hand = tuple(stock)
    known = set(check(shop, plan, demands, on_hand))

    def is_sound(trial: Plan) -> bool:
        return set(check(shop, trial, demands, on_hand)) <= known

    whole = _with(before, plan, there := [key for key in samples if _has_place(before, plan, key)])
    if not there or is_sound(whole):
        return whole
    for key in there:
        trial = _with(before, plan, [key])
        plan = trial if is_sound(trial) else plan
    return plan


def _has_place(before: Plan, plan: Plan, key: str) -> bool:
    """Is there still every load that the sample's pieces were in?"""
    loads = {load.ref for load in plan.loads}
    mine = [load.ref for load in before.loads if not is_settled(load) and any(p.demand == key for p in load.portions)]
    return bool(mine) and all(ref in loads for ref in mine)


def _with(before: Plan, plan: Plan, keys: Collection[str]) -> Plan:
    """The plan with what these had in its loads to do, behind all others."""
    had = {load.ref: [p for p in load.portions if p.demand in keys] for load in before.loads if not is_settled(load)}
    return replace(plan, loads=tuple(_filled(load, had.get(load.ref, ())) for load in plan.loads))


def _filled(load: Load, portions: Iterable[Portion]) -> Load:
    missing = [portion for portion in portions if portion not in load.portions]
    return replace(load, portions=(*load.portions, *missing)) if missing else load
