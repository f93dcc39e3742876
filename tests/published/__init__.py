"""Published instances of scheduling as our own problems; each file names its source and licence."""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

from wholesale.core.production.sequence import Activity, Lag, Problem

_HERE = Path(__file__).parent


def names(file: str) -> list[str]:
    """The instances of a file: "jobshop", "flowshop" or "rcpsp"."""
    return list(_read(file))


def optimum(file: str, name: str) -> int:
    """The published makespan that nothing is below."""
    found = _read(file)[name]
    return int(found.get("optimum", found.get("makespan")))


def published(file: str, name: str) -> dict[str, Any]:
    """One instance as it stands in its file."""
    return dict(_read(file)[name])


def job_shop(name: str) -> Problem:
    """Jobs whose steps each keep one machine to themselves, one step after the other."""
    jobs = {str(n): job for n, job in enumerate(_read("jobshop")[name]["jobs"])}
    return _in_steps({job: [(str(machine), minutes) for machine, minutes in steps] for job, steps in jobs.items()})


def two_machines(name: str) -> Problem:
    """Jobs that pass the first machine, then the second."""
    jobs = _read("flowshop")[name]["jobs"]
    return _in_steps({job: [("first", first), ("second", second)] for job, (first, second) in jobs.items()})


def project(name: str) -> Problem:
    """Activities with successors that share four renewable resources."""
    found = _read("rcpsp")[name]
    jobs = {str(n): job for n, job in enumerate(found["jobs"], 1)}
    return Problem(
        activities=tuple(
            Activity(key=key, minutes=minutes, needs={str(r): units for r, units in enumerate(units_of) if units})
            for key, (minutes, units_of, _) in jobs.items()
        ),
        capacity={str(r): units for r, units in enumerate(found["capacity"])},
        lags=tuple(Lag(key, str(after)) for key, (_, _, successors) in jobs.items() for after in successors),
    )


def _in_steps(jobs: dict[str, list[tuple[str, int]]]) -> Problem:
    activities, lags = [], []
    for job, steps in jobs.items():
        keys = [f"{job}.{n}" for n in range(len(steps))]
        activities += [
            Activity(key=key, minutes=minutes, needs={machine: 1})
            for key, (machine, minutes) in zip(keys, steps, strict=True)
        ]
        lags += [Lag(before, after) for before, after in pairwise(keys)]
    machines = {machine for steps in jobs.values() for machine, _ in steps}
    return Problem(activities=tuple(activities), capacity=dict.fromkeys(sorted(machines), 1), lags=tuple(lags))


def _read(file: str) -> dict[str, Any]:
    return dict(json.loads((_HERE / f"{file}.json").read_text())["instances"])
