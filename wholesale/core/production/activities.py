"""What can be put in order by the minute: activities, the lags between them, and what can't be done at all."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from wholesale.core.values import Refusal

#: The moment that all minutes count from, as a place that lags lead from and to.
_ZERO = ""


@dataclass(frozen=True, kw_only=True)
class Activity:
    """Work of so many whole minutes that takes ``needs`` units of each resource from start to end.

    It starts at ``earliest`` or later and ends by ``latest``, in minutes from the problem's zero.
    """

    key: str
    minutes: int
    needs: Mapping[str, int] = field(default_factory=dict)
    earliest: int = 0
    latest: int | None = None


class Lag(NamedTuple):
    """Minutes from the end of one activity to the start of another: at least, and at most if stated.

    A negative ``least`` lets the second start before the first has ended.
    """

    before: str
    after: str
    least: int = 0
    most: int | None = None


@dataclass(frozen=True, kw_only=True)
class Problem:
    """Activities, the units there are of each resource, and the lags between activities.

    ``weights`` are of each activity's end: their weighted sum is made small. Without
    weights it is the makespan, the end of the last activity.
    """

    activities: tuple[Activity, ...]
    capacity: Mapping[str, int] = field(default_factory=dict)
    lags: tuple[Lag, ...] = ()
    weights: Mapping[str, int] = field(default_factory=dict)

    @property
    def by_key(self) -> dict[str, Activity]:
        """Each activity by its key."""
        return {one.key: one for one in self.activities}


class _Push(NamedTuple):
    """The start of ``to`` is at least that of ``of`` and so many minutes more; ``is_limit``: by a latest time."""

    of: str
    to: str
    minutes: int
    is_limit: bool = False


def refuse_unready(problem: Problem) -> None:
    """A ``Refusal`` for what is wrong by itself: a resource, a time, a lag."""
    known = problem.by_key
    if len(known) < len(problem.activities):
        raise Refusal("activity_twice", "Two activities have the same key; give each its own.", "activities")
    for one in problem.activities:
        _refuse_activity(one, problem.capacity)
    for lag in problem.lags:
        _refuse_lag(lag, known)
    for key in problem.weights:
        if key not in known:
            raise Refusal("activity_unknown", f"A weight is of '{key}', which is no activity; take it out.", key)


def _refuse_activity(activity: Activity, capacity: Mapping[str, int]) -> None:
    if activity.minutes < 0 or activity.earliest < 0:
        raise Refusal("activity_minutes", f"{activity.key}: minutes are 0 or more; correct them.", activity.key)
    for resource, units in activity.needs.items():
        there = capacity.get(resource, 0)
        if units > there:
            message = f"{activity.key} needs {units} of {resource}, and there are {there}; it can't be done that way."
            raise Refusal("no_capacity", message, resource, needed=units, there=there)
    if activity.latest is not None and activity.earliest + activity.minutes > activity.latest:
        there = activity.latest - activity.earliest
        message = f"{activity.key} takes {activity.minutes} minutes and has {there}; split it, or give it more time."
        raise Refusal("activity_too_long", message, activity.key, needed=activity.minutes, there=there)


def _refuse_lag(lag: Lag, known: Mapping[str, Activity]) -> None:
    for key in (lag.before, lag.after):
        if key not in known:
            raise Refusal("activity_unknown", f"A lag names '{key}', which is no activity; take it out.", key)
    if lag.most is not None and lag.most < lag.least:
        message = f"From {lag.before} to {lag.after} at least {lag.least} and at most {lag.most} minutes: turned round."
        raise Refusal("wait_turned_round", message, lag.after)


def earliest_starts(problem: Problem) -> dict[str, int]:
    """The earliest start of each activity by its own times and the lags, resources left out.

    A ``Refusal`` names activities that wait for each other in a circle, or whose latest times are too early.
    """
    pushes = list(_pushes(problem))
    starts = dict.fromkeys([_ZERO, *problem.by_key], 0)
    pushed_by: dict[str, _Push] = {}
    moved = pushes
    for _ in range(len(starts) + 1):
        if not moved:
            return {key: start for key, start in starts.items() if key != _ZERO}
        moved = [push for push in pushes if _moves(push, starts, pushed_by)]
    raise _circle(pushed_by, moved[-1].to)


def _moves(push: _Push, starts: dict[str, int], pushed_by: dict[str, _Push]) -> bool:
    """Move an activity on, if it is pushed; was it?"""
    if starts[push.of] + push.minutes <= starts[push.to]:
        return False
    starts[push.to] = starts[push.of] + push.minutes
    pushed_by[push.to] = push
    return True


def _pushes(problem: Problem) -> Iterator[_Push]:
    known = problem.by_key
    for one in problem.activities:
        yield _Push(_ZERO, one.key, one.earliest)
        if one.latest is not None:
            yield _Push(one.key, _ZERO, one.minutes - one.latest, is_limit=True)
    for lag in problem.lags:
        minutes = known[lag.before].minutes
        yield _Push(lag.before, lag.after, minutes + lag.least)
        if lag.most is not None:
            yield _Push(lag.after, lag.before, -minutes - lag.most, is_limit=True)


def _circle(pushed_by: Mapping[str, _Push], among: str) -> Refusal:
    """Walk back until a place comes twice: what lies between pushes itself on for ever."""
    at = among
    for _ in pushed_by:
        at = pushed_by[at].of
    circle = [pushed_by[at]]
    while circle[0].of != at:
        circle.insert(0, pushed_by[circle[0].of])
    names = [push.to for push in circle if push.to != _ZERO]
    if any(push.is_limit for push in circle):
        message = f"There is too little time for {', '.join(sorted(names))}: waits and work are longer than allowed."
        return Refusal("too_little_time", message, names[0])
    chain = " → ".join([names[-1], *names])
    return Refusal("activity_circle", f"Each waits for the other: {chain}. Take one of these waits out.", names[0])
