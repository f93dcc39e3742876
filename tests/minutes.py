"""An order of work looked at minute by minute; it shares no code with the models that make one."""

from collections import Counter
from collections.abc import Iterator, Mapping

from wholesale.core.production.sequence import Problem


def broken(problem: Problem, starts: Mapping[str, int]) -> list[str]:
    """Every rule of a problem that the starts break."""
    return [*_times(problem, starts), *_lags(problem, starts), *_units(problem, starts)]


def _times(problem: Problem, starts: Mapping[str, int]) -> Iterator[str]:
    for one in problem.activities:
        if one.key not in starts:
            yield f"{one.key} has no start"
        elif starts[one.key] < one.earliest:
            yield f"{one.key} starts too early"
        elif one.latest is not None and starts[one.key] + one.minutes > one.latest:
            yield f"{one.key} ends too late"


def _lags(problem: Problem, starts: Mapping[str, int]) -> Iterator[str]:
    minutes = {one.key: one.minutes for one in problem.activities}
    for lag in problem.lags:
        waited = starts[lag.after] - (starts[lag.before] + minutes[lag.before])
        if waited < lag.least or (lag.most is not None and waited > lag.most):
            yield f"{waited} minutes from {lag.before} to {lag.after}"


def _units(problem: Problem, starts: Mapping[str, int]) -> Iterator[str]:
    used: Counter[tuple[str, int]] = Counter()
    for one in problem.activities:
        for minute in range(starts[one.key], starts[one.key] + one.minutes):
            for resource, units in one.needs.items():
                used[resource, minute] += units
    for (resource, minute), units in used.items():
        if units > problem.capacity[resource]:
            yield f"{units} of {resource} at {minute}"
