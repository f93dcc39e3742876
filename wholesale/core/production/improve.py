"""A better plan for the next weeks: fewer late orders, late days, loads and changeovers, then less waiting stock.

The plan's own days ahead are searched by CP-SAT, started from the plan as it is. Today
and what is begun stay, and all that lies beyond the window. A better plan is kept only if
``score``, which counts the finished plan, says so too, and if ``check``, which shares
nothing with either, finds nothing impossible in it and no promise in danger that was not
before.

The same plan in gives the same plan out, on a slow machine too: the search's threads take
turns, its seed is fixed, and its time is counted in steps of work, not on a clock.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import inf
from typing import Any, NamedTuple

from ortools.sat.python import cp_model

from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.check import Breach, check
from wholesale.core.production.model import Model
from wholesale.core.production.packing import packed
from wholesale.core.production.score import Score, score
from wholesale.core.production.window import Only, Spot, Window, all_loads, portions_on, window
from wholesale.core.production.work import Demand, Load, Plan, Shop
from wholesale.core.stock import OnHand

#: The part of the search that goes to loads and promises; the rest to waiting stock.
_MAIN = 0.85
#: Seconds that a round takes before its search begins, and the part of all seconds that it may search at most.
_ROUND, _PART = 0.3, 0.1
#: Seconds of a usual core for one of the search's own counts of work.
_SECONDS_A_COUNT = 4.0
#: Work days that a round rearranges; when rounds no longer help, more of them.
_STRETCHES = (4, 7, 11)
#: Up to so many loads are rearranged all together.
_MANY = 60


@dataclass(frozen=True, kw_only=True)
class Search:
    """How far ahead and how long to look.

    ``today`` is frozen; what moves may go to work days from ``first_day`` on, up to
    ``days`` days ahead of today. ``seconds`` are those of a usual machine;
    ``going_on`` is asked between the rounds, and says ``False`` when nobody waits any more.
    """

    today: date
    first_day: date
    days: int = 21
    seconds: float = 30
    going_on: Callable[[], bool] = lambda: True


@dataclass(frozen=True, kw_only=True)
class Improved:
    """What came of it: the better plan, or the one there was, with why."""

    plan: Plan
    before: Score
    after: Score
    because: str

    @property
    def is_better(self) -> bool:
        """Is the plan another one than before?"""
        return self.after.rank < self.before.rank


def improve(shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Sequence[OnHand], search: Search) -> Improved:
    """The plan with its next weeks rearranged, if that is better; ``demands`` are all open ones."""
    before = score(shop, plan, demands)
    as_it_is = Improved(plan=plan, before=before, after=before, because="There was nothing that could move.")
    days = _days(shop, search)
    if not window(shop, plan, demands, days).moving:
        return as_it_is
    if any(breach.kind == "physics" for breach in check(shop, plan, demands, stock)):
        return replace(as_it_is, because="The plan has to be made again first: it no longer fits the bench.")
    found = _Rounds(shop, demands, stock, search).run(plan, days)
    after = score(shop, found, demands)
    if after.rank >= before.rank:
        return replace(as_it_is, because="No better plan was found.")
    if wrong := _newly_wrong(shop, plan, found, demands, stock):
        return replace(as_it_is, because=f"A plan with less work was found, but not kept: {wrong[0].message}")
    return Improved(plan=found, before=before, after=after, because=_words(before, after))


def _days(shop: Shop, search: Search) -> list[date]:
    """The days that may be rearranged: today is not one of them."""
    first = max(search.first_day, search.today + ONE_DAY)
    return list(shop.calendar.work_days(first, search.today + search.days * ONE_DAY))


def _newly_wrong(
    shop: Shop, plan: Plan, found: Plan, demands: Sequence[Demand], stock: Sequence[OnHand]
) -> list[Breach]:
    """What the check finds in the new plan and not in the old one."""
    known = {(breach.rule, breach.where) for breach in check(shop, plan, demands, stock)}
    return [breach for breach in check(shop, found, demands, stock) if (breach.rule, breach.where) not in known]


class _Rounds:
    """Round after round rearranges a few days, or one equipment over all of them, from what the last one left."""

    def __init__(self, shop: Shop, demands: Sequence[Demand], stock: Sequence[OnHand], search: Search) -> None:
        self.shop = shop
        self.demands = demands
        self.stock = stock
        self.search = search
        self.left = 0.0
        self.many = True

    def run(self, plan: Plan, days: Sequence[date]) -> Plan:
        """The plan after all rounds that there is time for: loads and promises first, then what stands about."""
        free = set(days)
        self.many = sum(1 for load in plan.loads if load.day in free) > _MANY
        for wanted, part in ((_main, _MAIN), (_waiting, 1 - _MAIN)):
            self.left = part * self.search.seconds
            for stretch in _STRETCHES if self.many else (len(days),):
                plan = self._until_at_rest(plan, days, stretch, wanted)
        return plan

    def _until_at_rest(self, plan: Plan, days: Sequence[date], stretch: int, wanted: "Wanted") -> Plan:
        """Rounds over all places until none of them helps any more."""
        helped = True
        while helped:
            helped = False
            for place in _places(self.shop, days, stretch):
                if self.left <= 0 or not self.search.going_on():
                    return plan
                better = self._round(plan, place, wanted)
                helped, plan = helped or better is not None, better or plan
        return plan

    def _round(self, plan: Plan, place: "_Place", wanted: "Wanted") -> Plan | None:
        """The plan with these loads rearranged, or ``None`` where that is no better."""
        free = window(self.shop, plan, self.demands, place.days, place.only)
        if len(free.moving) < 2:
            return None
        self.left -= _ROUND
        model = Model(free, self.stock)
        counts = self._solved(model, wanted, place.strategy)
        if counts is None:
            return None
        loads = packed(free.catalogue, portions_on(free, counts), free.moving)
        if _over(free, loads):
            return None
        return replace(plan, loads=tuple(sorted([*free.fixed, *loads], key=lambda load: (load.day, load.work))))

    def _solved(self, model: Model, wanted: "Wanted", strategy: "Strategy") -> dict[Spot, int] | None:
        solver = cp_model.CpSolver()
        strategy(solver.parameters)
        solver.parameters.random_seed = 4
        most = min(_PART * self.search.seconds, max(self.left, 0.0))
        solver.parameters.max_deterministic_time = most / _SECONDS_A_COUNT
        before = wanted(model)
        status = solver.solve(model.cp)
        self.left -= solver.response_proto.deterministic_time * _SECONDS_A_COUNT
        if status not in {cp_model.OPTIMAL, cp_model.FEASIBLE} or solver.objective_value >= before:
            return None
        return model.counts(solver.value)


#: Tells a model what is wanted, and says what that is at present.
Wanted = Callable[[Model], int]


def _main(model: Model) -> int:
    return model.minimise(model.main)


def _waiting(model: Model) -> int:
    model.hold(model.main)
    return model.minimise(model.waiting)


#: Sets how the search goes about it.
Strategy = Callable[[Any], None]


class _Place(NamedTuple):
    """What a round may move, and how it goes about it."""

    days: Sequence[date]
    only: Only
    strategy: Strategy


def _places(shop: Shop, days: Sequence[date], stretch: int) -> Iterator[_Place]:
    """Where rounds look: each equipment over all days, then so many days at a time, half of them anew each time."""
    for code in sorted(shop.catalogue.equipment):
        yield _Place(days, _in(code), _by_bounds)
    step = max(1, stretch // 2)
    for first in range(0, max(1, len(days) - step), step):
        yield _Place(days[first : first + stretch], all_loads, _by_neighbours)


def _by_bounds(parameters: Any) -> None:
    """One worker with a strong linear relaxation: it often proves that there is nothing better."""
    parameters.num_workers = 1
    parameters.linearization_level = 2


def _by_neighbours(parameters: Any) -> None:
    """Two workers that take turns to free a part of the plan and solve it anew."""
    parameters.num_workers = 2
    parameters.interleave_search = True
    parameters.use_lns_only = True


def _in(equipment: str) -> Only:
    return lambda load: load.work.equipment == equipment


def _over(free: Window, loads: Sequence[Load]) -> bool:
    """Would an equipment take more loads than its quota, because pieces don't fill whole loads as they were counted?"""
    found = Counter((load.work.equipment, load.day) for load in (*loads, *free.fixed) if load.day in free.days)
    return any(count > _quota(free.shop, code, day) for (code, day), count in found.items())


def _quota(shop: Shop, code: str, day: date) -> float:
    equipment = shop.catalogue.equipment.get(code)
    if equipment is None or equipment.loads_per_day is None:
        return inf
    return shop.count_of(code, day) * equipment.loads_per_day


def _words(before: Score, after: Score) -> str:
    """What is better, in words."""
    names = (("late order", "late orders"), ("late day", "late days"), ("load", "loads"),
             ("changeover", "changeovers"), ("piece-day of waiting", "piece-days of waiting"))  # fmt: skip
    less = [(old - new, pair) for old, new, pair in zip(before, after, names, strict=True) if old > new]
    return ", ".join(f"{count} {pair[count != 1]} fewer" for count, pair in less)
