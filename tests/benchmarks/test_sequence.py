"""How far and how fast the order of work is proved for hard published instances; the numbers are printed.

What is found does not hang on the machine: the limits count work, not seconds. The
seconds printed are real ones, beside those of the processor (all searches together).
"""

import statistics
import time
from typing import NamedTuple

import pytest

from tests import minutes, published
from wholesale.core.production.sequence import Problem, Sequenced, sequence

pytestmark = pytest.mark.bench
#: Deterministic seconds: about 10 real ones on two cores that have nothing else to do.
TEN_SECONDS = 3.0
ROUNDS = 3


class _Run(NamedTuple):
    found: Sequenced
    seconds: float
    processor: float


def _run(problem: Problem, effort: float) -> _Run:
    began, worked = time.perf_counter(), time.process_time()
    found = sequence(problem, effort=effort)
    run = _Run(found, time.perf_counter() - began, time.process_time() - worked)
    assert minutes.broken(problem, found.starts) == []
    return run


def _median(runs: list[_Run]) -> str:
    real, worked = (statistics.median(of) for of in ([r.seconds for r in runs], [r.processor for r in runs]))
    return f"median {real:.2f} s, {worked:.2f} s of processor time"


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("name", ["ft06", "la01", "la02", "la06", "la16", "ft10"])
def test_a_job_shop_is_proved(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """JS-1, JS-2, JS-4: Fisher & Thompson 1963; Lawrence 1984. ft10 is 930."""
    runs = [_run(published.job_shop(name), effort=20) for _ in range(ROUNDS if name != "ft10" else 1)]

    assert {run.found.starts == runs[0].found.starts for run in runs} == {True}
    assert (runs[0].found.value, runs[0].found.status) == (published.optimum("jobshop", name), "proved optimal")
    with capsys.disabled():
        print(f"\n{name}: {runs[0].found.value}, {runs[0].found.status}; {_median(runs)}")  # noqa: T201


@pytest.mark.timeout(1200)
def test_thirteen_projects_within_ten_seconds_each(capsys: pytest.CaptureFixture[str]) -> None:
    """RC: 13 instances of PSPLIB's j30; the mean gap to the published optima is at most 1 %."""
    runs = {name: _run(published.project(name), TEN_SECONDS) for name in published.names("rcpsp")}

    gaps = {name: run.found.value / published.optimum("rcpsp", name) - 1 for name, run in runs.items()}
    assert len(gaps) == 13
    assert statistics.mean(gaps.values()) <= 0.01
    proved = sum(run.found.proved for run in runs.values())
    longest = max(run.seconds for run in runs.values())
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{len(gaps)} projects: mean gap {statistics.mean(gaps.values()):.2%}, {proved} proved optimal; "
            f"{_median([*runs.values()])}, longest {longest:.2f} s"
        )
