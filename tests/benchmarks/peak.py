"""The planner's peak memory, in a process of its own: `python -m tests.benchmarks.peak insertion|improvement`."""

import sys
from pathlib import Path

from tests.benchmarks import reference, weeks
from wholesale.core.production.improve import improve


def mebibytes() -> int:
    """The most memory this program has held so far: not `ru_maxrss`, which begins at what its parent held."""
    status = Path("/proc/self/status").read_text().split("VmHWM:")[1]
    return int(status.split()[0]) // 1024


def insertion() -> None:
    """Insert 2,000 orders."""
    weeks.open_orders(2_000)


def improvement() -> None:
    """Improve three weeks of 200 open orders, for half a minute."""
    state = weeks.open_orders()
    improve(state.shop, state.plan, state.demands, (), reference.search(30))


if __name__ == "__main__":
    before = mebibytes()
    {"insertion": insertion, "improvement": improvement}[sys.argv[1]]()
    print(mebibytes(), before)  # noqa: T201  (read by the bench)
