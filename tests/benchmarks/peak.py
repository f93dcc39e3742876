"""The planner's peak memory, in a process of its own: `python -m tests.benchmarks.peak insertion|improvement`."""

import resource
import sys

from tests.benchmarks import reference, weeks
from wholesale.core.production.improve import improve

#: `ru_maxrss` counts kibibytes on Linux.
_KIB = 1024


def mebibytes() -> int:
    """The most memory this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // _KIB


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
