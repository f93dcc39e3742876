"""The planner on the bench of four: explode to plan, its memory, and eight weeks against their references."""

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta

import pytest

from tests.benchmarks import baskets, reference, weeks
from wholesale.core.production.check import check
from wholesale.core.production.explode import explode, net
from wholesale.core.production.improve import Improved, improve
from wholesale.core.production.plan import insert
from wholesale.core.production.score import score
from wholesale.core.production.work import Plan

ROUNDS = 3
Capture = pytest.CaptureFixture[str]


def took(what: Callable[[], object]) -> float:
    """Seconds of this process's own work."""
    started = time.process_time()
    what()
    return time.process_time() - started


def explode_to_plan(count: int) -> Callable[[], object]:
    """From so many orders to a plan of all of them."""
    shop = weeks.bench()
    demands = [demand for order in weeks.orders(4, count) for demand in order.demands]

    def run() -> None:
        net(explode(shop.catalogue, demands), {})
        insert(shop, Plan(), demands, (), weeks.START)

    return run


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_explode_to_plan(capsys: Capture) -> None:
    """Print the median for 200 orders, and the ratio for ten times as many: at most 1 s and 12 times that."""
    few = [took(explode_to_plan(200)) for _ in range(ROUNDS)]
    many = took(explode_to_plan(2_000))
    median = statistics.median(few)
    with capsys.disabled():
        print(f"\nexplode to plan, 200 orders: median {median:.2f} s of work, most {max(few):.2f} s, {ROUNDS} rounds; "  # noqa: T201
              f"2,000 orders: {many:.1f} s, {many / median:.1f} times")  # fmt: skip
    state = weeks.open_orders()
    loads = [load for load in state.plan.loads if load.work.equipment]
    assert len(loads) >= 1_000
    # Eight weeks of pouring and casting; the last ones cure for two weeks more.
    assert max(load.day for load in loads) <= weeks.START + timedelta(weeks=9)
    assert check(state.shop, state.plan, state.demands, (), weeks.START) == ()


@pytest.mark.bench
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("what", "bar"), [("insertion", 300), ("improvement", 700)])
def test_peak_memory(capsys: Capture, what: str, bar: int) -> None:
    """Print the most memory a process held that does nothing else."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.peak", what], check=True, capture_output=True, text=True
    )
    most, before = map(int, done.stdout.split())
    with capsys.disabled():
        print(f"\npeak of {what}: {most} MiB ({before} before it began; at most {bar})")  # noqa: T201
    assert most > before


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_eight_weeks_against_their_references(capsys: Capture) -> None:
    """Print how far insertion (at most 10 %) and half a minute of improving (3 %) are above the reference."""
    known = reference.references()
    above: list[tuple[float, float]] = []
    for seed, state in weeks.weeks():
        inserted = score(state.shop, state.plan, state.demands).scalar
        found = improve(state.shop, state.plan, state.demands, (), reference.search(30))
        assert found.after.scalar <= inserted
        assert check(state.shop, found.plan, state.demands, (), weeks.START) == ()
        if str(seed) in known:
            above.append(_told(capsys, seed, inserted, found, known[str(seed)]["scalar"]))
    assert above
    with capsys.disabled():
        means = [statistics.mean(row) for row in zip(*above, strict=True)]
        print(f"mean of {len(above)} weeks: insertion {means[0]:.1f} %, improved {means[1]:.1f} % above")  # noqa: T201


def _told(capsys: Capture, seed: int, inserted: int, found: Improved, best: int) -> tuple[float, float]:
    above = (100 * (inserted / best - 1), 100 * (found.after.scalar / best - 1))
    with capsys.disabled():
        print(f"\nweek {seed}: reference {best}, insertion {inserted} ({above[0]:+.1f} %), "  # noqa: T201
              f"improved {found.after.scalar} ({above[1]:+.1f} %)")  # fmt: skip
    return above


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_random_baskets_keep_every_promise(capsys: Capture) -> None:
    """Five hundred of them; `make bench-baskets` runs ten thousand."""
    started = time.monotonic()
    counts = baskets.run(500, seed=2026, seconds=1)
    with capsys.disabled():
        print(f"\n500 baskets, seed 2026: {counts.broken} promises broken, {counts.refused} plans refused, "  # noqa: T201
              f"{time.monotonic() - started:.0f} s")  # fmt: skip
    assert (counts.accepted, counts.broken, counts.refused, counts.notes) == (500, 0, 0, [])
