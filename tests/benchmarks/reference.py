"""Make the references that the 8 seeded weeks are measured against: `make bench-reference`, in the background.

The search that improves a plan is given five minutes a week instead of its half minute.
What was really run stands in `references.json`, and each week is written as soon as it is
done, so that a run that is stopped loses nothing.
"""

import argparse
import json
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.benchmarks import weeks
from wholesale.core.production.improve import Search, improve
from wholesale.core.production.score import score

FILE = Path(__file__).with_name("references.json")
SECONDS = 300


def search(seconds: float) -> Search:
    """On the Sunday before the first Monday, three weeks ahead."""
    return Search(today=weeks.START - timedelta(days=1), first_day=weeks.START, days=21, seconds=seconds)


def references() -> dict[str, dict[str, Any]]:
    """What is stored: by seed, the scalar of the best plan found, and how it was found."""
    return json.loads(FILE.read_text()) if FILE.exists() else {}


def make(seed: int, seconds: float) -> dict[str, Any]:
    """The reference of one week: the best plan found in so many seconds of search."""
    state, started = weeks.week(seed), time.monotonic()
    inserted = score(state.shop, state.plan, state.demands)
    found = improve(state.shop, state.plan, state.demands, (), search(seconds))
    return {
        "scalar": found.after.scalar,
        **found.after._asdict(),
        "inserted": inserted.scalar,
        "seconds_of_search": seconds,
        "seconds_on_the_clock": round(time.monotonic() - started),
    }


def main() -> None:
    """Make the references of some weeks, or of all eight; the better one stays."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", nargs="*", type=int, default=list(range(1, 9)))
    parser.add_argument("--seconds", type=float, default=SECONDS)
    asked = parser.parse_args()
    for seed in asked.seeds:
        found = make(seed, asked.seconds)
        stored = references()
        known = stored.get(str(seed))
        if known is None or found["scalar"] <= known["scalar"]:
            stored[str(seed)] = found
        FILE.write_text(json.dumps(dict(sorted(stored.items())), indent=1) + "\n")
        print(seed, found, flush=True)  # noqa: T201  (for whoever waits for it)


if __name__ == "__main__":
    main()
