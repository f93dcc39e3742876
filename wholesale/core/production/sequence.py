"""The order of work by the minute: activities that share people and equipment, with waits between them.

One model for a day at the bench and for the published job-shop and resource-constrained
project instances: an activity takes minutes and so many units of each resource all that
time. Hands that are needed for a part of the time only are an activity of their own,
tied by a lag of 0 to the one that goes on holding the equipment.

Solved by CP-SAT within a limit that counts work, not seconds, so that the same problem
has the same answer on every machine.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ortools.sat.python import cp_model

from wholesale.core.production.activities import Activity, Lag, Problem, earliest_starts, refuse_unready
from wholesale.core.values import Refusal

__all__ = ["Activity", "Lag", "Problem", "Sequenced", "makespan", "sequence"]

#: Deterministic seconds that one search has alone: small problems are proved fastest that way.
ALONE = 1.0
#: Searches that take turns when one alone has not proved its answer.
IN_TURNS = 8
SEED = 4


@dataclass(frozen=True, kw_only=True)
class Sequenced:
    """The start of each activity, what the objective comes to, and the bound it can't be below."""

    starts: Mapping[str, int]
    value: int
    bound: int

    @property
    def proved(self) -> bool:
        """Is there surely nothing better?"""
        return self.value == self.bound

    @property
    def status(self) -> str:
        """In words: ``proved optimal``, or how far the bound is away."""
        return "proved optimal" if self.proved else f"not proved; the bound is {self.bound}"


def sequence(problem: Problem, *, effort: float = 20.0, hint: Mapping[str, int] | None = None) -> Sequenced:
    """The starts that make the objective smallest, as far as ``effort`` (deterministic seconds) proves it.

    ``hint``, starts of every activity that keep all rules, is where the search begins. A
    ``Refusal`` names what can't be done at all: an unknown or too small resource, an activity
    longer than its window, lags that run in a circle or leave too little time.
    """
    refuse_unready(problem)
    model = _Model(problem, earliest_starts(problem))
    found, alone = model.solved(hint or {}, min(effort, ALONE), workers=1), min(effort, ALONE)
    if found is None or not (found.proved or effort <= alone):
        begun = found.starts if found else hint or {}
        found = model.solved(begun, effort - alone, workers=IN_TURNS) or found
    if found is None:
        message = "No order of work was found in the time given; give it more, or take some of the work out."
        raise Refusal("no_order_found", message, "activities")
    return found


class _Model:
    """The problem in CP-SAT's terms."""

    def __init__(self, problem: Problem, earliest: Mapping[str, int]) -> None:
        self.problem = problem
        self.model = cp_model.CpModel()
        self.horizon = _horizon(problem)
        self.starts = {one.key: self._start(one, earliest[one.key]) for one in problem.activities}
        self.ends = {one.key: self.starts[one.key] + one.minutes for one in problem.activities}
        for lag in problem.lags:
            self._keep(lag)
        for resource, capacity in problem.capacity.items():
            self._share(resource, capacity)
        self._aim()

    def solved(self, hint: Mapping[str, int], effort: float, *, workers: int) -> Sequenced | None:
        """The best found within the effort; ``None`` for nothing found, a ``Refusal`` when nothing can be."""
        self.model.proto.clear_solution_hint()
        for key, start in hint.items():
            self.model.add_hint(self.starts[key], start)
        solver = _solver(effort, workers)
        status = solver.solve(self.model)
        if status == cp_model.INFEASIBLE:
            message = "This work can't all be done within its times; give it a longer day, or take some of it out."
            raise Refusal("no_order", message, "activities")
        if status not in {cp_model.OPTIMAL, cp_model.FEASIBLE}:
            return None
        return Sequenced(
            starts={key: int(solver.value(start)) for key, start in self.starts.items()},
            value=round(solver.objective_value), bound=-int(-(solver.best_objective_bound - 1e-6) // 1),
        )  # fmt: skip

    def _start(self, activity: Activity, earliest: int) -> Any:
        latest = self.horizon if activity.latest is None else activity.latest
        return self.model.new_int_var(earliest, latest - activity.minutes, activity.key)

    def _keep(self, lag: Lag) -> None:
        waited = self.starts[lag.after] - self.ends[lag.before]
        self.model.add(waited >= lag.least)
        if lag.most is not None:
            self.model.add(waited <= lag.most)

    def _share(self, resource: str, capacity: int) -> None:
        """Never more units of a resource in use than there are; one at a time where no two fit beside each other."""
        using = [one for one in self.problem.activities if one.needs.get(resource) and one.minutes]
        spans = [self.model.new_fixed_size_interval_var(self.starts[one.key], one.minutes, one.key) for one in using]
        units = [one.needs[resource] for one in using]
        if units and sum(sorted(units)[:2]) > capacity:
            self.model.add_no_overlap(spans)
        elif units:
            self.model.add_cumulative(spans, units, capacity)

    def _aim(self) -> None:
        if self.problem.weights:
            self.model.minimize(sum(weight * self.ends[key] for key, weight in self.problem.weights.items()))
            return
        makespan = self.model.new_int_var(0, self.horizon, "makespan")
        for end in self.ends.values():
            self.model.add(makespan >= end)
        self.model.minimize(makespan)


def _solver(effort: float, workers: int) -> Any:
    solver = cp_model.CpSolver()
    solver.parameters.max_deterministic_time = effort
    solver.parameters.random_seed = SEED
    solver.parameters.num_workers = workers
    # Searches that run side by side answer by who is first; those that take turns always answer alike.
    solver.parameters.interleave_search = workers > 1
    return solver


def _horizon(problem: Problem) -> int:
    """A time by which all can be done if it can be done at all.

    Each activity is followed by its longest least lag at most (the bound usual for waits at least and at most).
    """
    after: dict[str, int] = {}
    for lag in problem.lags:
        after[lag.before] = max(after.get(lag.before, 0), lag.least)
    spans = (max(one.minutes, one.minutes + after.get(one.key, 0)) for one in problem.activities)
    return max((one.earliest for one in problem.activities), default=0) + sum(spans)


def makespan(activities: Iterable[Activity], starts: Mapping[str, int]) -> int:
    """The end of the last activity; 0 without any."""
    return max((starts[one.key] + one.minutes for one in activities), default=0)
