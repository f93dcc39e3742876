"""Random baskets accepted in random order on a bench that works on: `make bench-baskets`.

At most 200 orders are open. After every 50 the days go by until a quarter of them have
left, what was due is done, the plan is made again, and a better one is looked for. Counted
are promises broken and plans refused; the seed is printed, and the same seed repeats the run.
"""

import argparse
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from fractions import Fraction
from random import Random

from tests.benchmarks import weeks
from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.production.check import check
from wholesale.core.production.improve import Search, improve
from wholesale.core.production.plan import insert, mend
from wholesale.core.production.score import leaving_days, operation
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.work import Demand, Load, Plan
from wholesale.core.production.yields import step_yields
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

MOST_OPEN, AT_ONCE = 200, 50
A_DAY = timedelta(days=1)


@dataclass
class Counts:
    """What happened so far."""

    accepted: int = 0
    broken: int = 0
    refused: int = 0
    better: int = 0
    saved: int = 0
    notes: list[str] = field(default_factory=list)


class Bench:
    """The bench through the years: its plan, what stands on the shelf, who waits for what."""

    def __init__(self, seconds: float) -> None:
        self.shop = weeks.bench()
        self.seconds = seconds
        self.plan = Plan()
        self.demands: tuple[Demand, ...] = ()
        self.shelf: dict[tuple[Sku, date], Fraction] = {}
        self.today = weeks.START
        self.counts = Counts()
        self.broken: set[str] = set()

    @property
    def stock(self) -> list[OnHand]:
        """What stands on the shelf, or will once it has set."""
        return [OnHand(sku=sku, usable_on=day, quantity=count) for (sku, day), count in self.shelf.items() if count]

    @property
    def open(self) -> int:
        """Orders that have not left."""
        return len({demand.rank for demand in self.demands})

    def accept(self, orders: Sequence[weeks.Order]) -> None:
        """Promise each for the day the plan finds, one behind the other."""
        asked = [demand for order in orders for demand in order.demands]
        try:
            outcome = insert(self.shop, self.plan, asked, self.stock, self.today)
        except Refusal as refusal:
            self._refused(refusal.message)
            return
        self.plan = outcome.plan
        self.demands += tuple(replace(demand, promised=outcome.leaves(demand.key)) for demand in asked)
        self.counts.accepted += len(orders)
        self.judge("accepted")

    def work(self, until_open: int) -> None:
        """Let days go by, with all that was planned done, until no more than so many orders are open."""
        while self.open > until_open:
            self._do([load for load in self.plan.loads if not load.done and load.day == self.today])
            self.today += A_DAY
            leaves = leaving_days(self.shop, self.plan, self.demands)
            self.demands = tuple(demand for demand in self.demands if leaves[demand.key] >= self.today)
            self._forget()

    def plan_again(self) -> None:
        """Mend what no longer fits: nothing should, as all went as planned."""
        try:
            self.plan = mend(self.shop, self.plan, self.demands, self.stock, self.today, self.today).plan
        except Refusal as refusal:
            self._refused(refusal.message)
        self.judge("planned again")

    def improve(self) -> None:
        """Look for a better plan, and take it."""
        # Nothing is begun yet this morning: today may move as well.
        search = Search(today=self.today - A_DAY, first_day=self.today, seconds=self.seconds)
        found = improve(self.shop, self.plan, self.demands, self.stock, search)
        self.counts.better += found.is_better
        self.counts.saved += found.before.scalar - found.after.scalar
        self.plan = found.plan
        self.judge("improved")

    def judge(self, after: str) -> None:
        """Count promises that the plan breaks, and refuse it if it can't be done."""
        found = check(self.shop, self.plan, self.demands, self.stock, self.today)
        self.broken |= {breach.where for breach in found if breach.kind == "promise"}
        self.counts.broken = len(self.broken)
        self.counts.refused += any(breach.kind == "physics" for breach in found)
        self.counts.notes += [f"{self.today} {after}: {breach.message}" for breach in found[:3]]

    def _refused(self, message: str) -> None:
        self.counts.refused += 1
        self.counts.notes.append(f"{self.today}: {message}")

    def _do(self, loads: Sequence[Load]) -> None:
        # Two trays of the same casts are two loads, however alike they are.
        for load in loads:
            for sku, day, count in moves(self.shop.catalogue, load):
                self.shelf[sku, day] = self.shelf.get((sku, day), Fraction(0)) + count
        done = set(loads)
        self.plan = replace(
            self.plan, loads=tuple(replace(load, done=True) if load in done else load for load in self.plan.loads)
        )

    def _forget(self) -> None:
        """Drop what was made for orders that have left, and put on one row what has set on the shelf."""
        waiting = {demand.key for demand in self.demands}
        loads = (
            replace(load, portions=tuple(p for p in load.portions if p.demand in waiting)) if load.done else load
            for load in self.plan.loads
        )
        self.plan = replace(self.plan, loads=tuple(load for load in loads if load.portions))
        shelf: dict[tuple[Sku, date], Fraction] = {}
        for (sku, day), count in self.shelf.items():
            since = max(day, self.today)
            shelf[sku, since] = shelf.get((sku, since), Fraction(0)) + count
        self.shelf = shelf


def moves(catalogue: Catalogue, load: Load) -> Iterator[tuple[Sku, date, Fraction]]:
    """What a load that is done takes off the shelf and puts on it: expected yields, nothing lost by chance."""
    for portion in load.portions:
        step = operation(catalogue, portion)
        if step is None:
            continue
        for part in stocked_parts(catalogue, portion.sku, step):
            yield part.sku, load.day, -part.each * portion.pieces
        item = catalogue.items[portion.sku.item]
        if item.kind is ItemKind.PART and step == catalogue.steps(item.code)[-1]:
            yield portion.sku, usable_on(step, load.day), Fraction(step_yields(item)[-1]) * portion.pieces


def run(count: int, seed: int, seconds: float) -> Counts:
    """Accept so many baskets; say every thousand how it stands."""
    placed = weeks.orders(seed, count)
    Random(seed).shuffle(placed)
    bench = Bench(seconds)
    for first in range(0, count, AT_ONCE):
        bench.accept(placed[first : first + AT_ONCE])
        bench.work(MOST_OPEN - AT_ONCE)
        bench.plan_again()
        bench.improve()
        if (first + AT_ONCE) % 500 == 0:
            print(first + AT_ONCE, bench.today, bench.counts, flush=True)  # noqa: T201  (for whoever waits)
    return bench.counts


def main() -> None:
    """Run, print, and fail when a promise was broken or a plan refused."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--seconds", type=float, default=1.0)
    asked = parser.parse_args()
    started = time.monotonic()
    counts = run(asked.count, asked.seed, asked.seconds)
    took = time.monotonic() - started
    print(f"seed {asked.seed}: {counts.accepted} baskets accepted, {counts.broken} promises broken, "  # noqa: T201
          f"{counts.refused} plans refused, {counts.better} plans better ({counts.saved} loads and changeovers "
          f"saved), {took:.0f} s")  # fmt: skip
    sys.exit(bool(counts.broken or counts.refused))


if __name__ == "__main__":
    main()
