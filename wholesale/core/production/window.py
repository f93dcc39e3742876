"""The stretch of a plan that may be rearranged: which pieces of which step may move to which days.

Pieces move along chains. The chain of a demand is its sku through its steps; parts with
one step stand on the shelf for everybody, so they are one chain a sku, whoever they are
pegged to. How many pieces go into each step stays as it is; only their days change.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, ItemKind, Operation, Sku
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.course import is_settled
from wholesale.core.production.score import cure_of, leaving_days, operation
from wholesale.core.production.work import Demand, Load, Plan, Portion, Shop, Work, work_of
from wholesale.core.production.yields import step_yields

#: Which loads may move at all.
Only = Callable[[Load], bool]


def all_loads(load: Load) -> bool:  # noqa: ARG001  (a rule is asked about a load)
    """Any load may move."""
    return True


class Key(NamedTuple):
    """A chain: the demand it is for ("" where parts stand for everybody), and its sku."""

    demand: str
    sku: Sku


class Spot(NamedTuple):
    """A step of a chain, by its place, on a day."""

    chain: Key
    step: int
    day: date


@dataclass(kw_only=True)
class Chain:
    """One sku's steps: what moves of each, and what of it stands fast.

    ``now`` is pieces by day of what moves; ``into`` and ``out`` are (day, pieces) of
    what doesn't: what went or goes into the step, and what the next may count on.
    """

    key: Key
    steps: tuple[Operation, ...]
    shares: tuple[Fraction, ...]
    now: list[dict[date, int]] = field(default_factory=list)
    into: list[list[tuple[date, Fraction]]] = field(default_factory=list)
    out: list[list[tuple[date, Fraction]]] = field(default_factory=list)
    #: Who the moving pieces of each step are for, in order of their days.
    pegs: list[list[tuple[date, str, int]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for rows in (self.now, self.into, self.out, self.pegs):
            rows.extend([] if rows is not self.now else {} for _ in self.steps)  # type: ignore[misc]

    def moves(self, step: int) -> int:
        """Pieces of a step that may move."""
        return sum(self.now[step].values())


@dataclass(frozen=True, kw_only=True)
class Window:
    """Everything that may move, and what it has to respect.

    ``days`` are the work days it may move to; ``fixed`` the loads that stay. ``least``
    and ``most`` bound each step of a chain by days.
    """

    shop: Shop
    days: tuple[date, ...]
    demands: Mapping[str, Demand]
    chains: Mapping[Key, Chain]
    fixed: tuple[Load, ...]
    moving: tuple[Load, ...]
    leaves: Mapping[str, date]

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue the plan was made for."""
        return self.shop.catalogue

    def may_be(self, chain: Chain, step: int) -> tuple[date, ...]:
        """The days a step of a chain may be on: not before its deposit, and in time for its promise.

        An order that is late already may not become later than it is.
        """
        demand = self.demands.get(chain.key.demand)
        last = self._last_day(chain, step, demand)
        first = (demand.starts_from if demand else None) or date.min
        return tuple(day for day in self.days if first <= day <= last or day in chain.now[step])

    def _last_day(self, chain: Chain, step: int, demand: Demand | None) -> date:
        if demand is None or demand.sku != chain.key.sku:
            return date.max
        leaves = self.leaves[demand.key]
        by = max(leaves, demand.promised or leaves)
        return by - self.cure(chain, step) * ONE_DAY

    def cure(self, chain: Chain, step: int) -> int:
        """Days from a step of a chain to sellable, as far as that step goes."""
        return cure_of(self.catalogue, Portion(chain.key.demand, chain.key.sku, chain.steps[step].code, 0))

    def work(self, chain: Chain, step: int) -> Work:
        """What loads of a step are of."""
        return work_of(chain.key.sku, chain.steps[step], self.catalogue)


def window(shop: Shop, plan: Plan, demands: Sequence[Demand], days: Sequence[date], only: Only = all_loads) -> Window:
    """What of a plan may move within these work days. Settled loads, and those of another day, stay."""
    by_key, free = {demand.key: demand for demand in demands}, set(days)
    may = [load.day in free and only(load) and _may_move(shop.catalogue, load, by_key) for load in plan.loads]
    moving = tuple(load for load, moves in zip(plan.loads, may, strict=True) if moves)
    fixed = tuple(load for load, moves in zip(plan.loads, may, strict=True) if not moves)
    chains = _Chains(shop.catalogue, by_key, days[0] if days else date.max)
    for load in moving:
        chains.move(load)
    for load in fixed:
        chains.keep(load)
    return Window(
        shop=shop, days=tuple(days), demands=by_key, chains=chains.found, fixed=fixed, moving=moving,
        leaves=leaving_days(shop, plan, demands),
    )  # fmt: skip


def _may_move(catalogue: Catalogue, load: Load, demands: Mapping[str, Demand]) -> bool:
    """Is it to do, and all in it known and asked for?"""
    return not is_settled(load) and all(
        portion.demand in demands
        and operation(catalogue, portion) is not None
        and (is_part(catalogue, portion.sku) or demands[portion.demand].sku == portion.sku)
        for portion in load.portions
    )


def is_part(catalogue: Catalogue, sku: Sku) -> bool:
    """Is it made for use in others?"""
    return catalogue.items[sku.item].kind is ItemKind.PART


class _Chains:
    """The chains, while they are gathered."""

    def __init__(self, catalogue: Catalogue, demands: Mapping[str, Demand], first: date) -> None:
        self.catalogue = catalogue
        self.demands = demands
        self.first = first
        self.found: dict[Key, Chain] = {}

    def move(self, load: Load) -> None:
        """Count what may move."""
        for portion, chain, step in self._portions(load):
            chain.now[step][load.day] = chain.now[step].get(load.day, 0) + portion.pieces
            chain.pegs[step].append((load.day, portion.demand, portion.pieces))

    def keep(self, load: Load) -> None:
        """Count what stands fast; of parts that are done the shelf tells."""
        for portion, chain, step in self._portions(load):
            last = step == len(chain.steps) - 1
            if load.done and last and is_part(self.catalogue, portion.sku):
                continue
            good = Fraction(portion.counted) if load.done else chain.shares[step] * portion.pieces
            chain.into[step].append((load.day, Fraction(portion.pieces)))
            chain.out[step].append((load.day, good))

    def _portions(self, load: Load) -> Iterator[tuple[Portion, Chain, int]]:
        for portion in load.portions:
            if step := operation(self.catalogue, portion):
                chain = self._chain(portion)
                yield portion, chain, chain.steps.index(step)

    def _chain(self, portion: Portion) -> Chain:
        key = Key("" if self._for_all(portion) else portion.demand, portion.sku)
        if key not in self.found:
            item = self.catalogue.items[portion.sku.item]
            shares = tuple(Fraction(share) for share in step_yields(item))
            self.found[key] = Chain(key=key, steps=self.catalogue.steps(item.code), shares=shares)
        return self.found[key]

    def _for_all(self, portion: Portion) -> bool:
        """Parts of one step are everybody's, but for those that may not be begun yet."""
        demand = self.demands.get(portion.demand)
        waits = demand is not None and demand.starts_from is not None and demand.starts_from > self.first
        single = len(self.catalogue.steps(portion.sku.item)) == 1
        return is_part(self.catalogue, portion.sku) and single and not waits


def portions_on(window: Window, counts: Mapping[Spot, int]) -> dict[tuple[Work, date], list[Portion]]:
    """The portions that go on each day, by what their loads are of: who came first stays first."""
    found: dict[tuple[Work, date], list[Portion]] = defaultdict(list)
    for key, chain in window.chains.items():
        for step, operation_ in enumerate(chain.steps):
            work = window.work(chain, step)
            by_day = [(day, counts[Spot(key, step, day)]) for day in window.days if Spot(key, step, day) in counts]
            for day, demand, pieces in _dealt(by_day, sorted(chain.pegs[step])):
                found[work, day].append(Portion(demand, key.sku, operation_.code, pieces))
    return found


def _dealt(
    by_day: Sequence[tuple[date, int]], pegs: Sequence[tuple[date, str, int]]
) -> Iterator[tuple[date, str, int]]:
    """Pieces by day and demand: the days' pieces dealt to the pegs in their order."""
    waiting = [(demand, pieces) for _, demand, pieces in reversed(pegs)]
    for day, count in by_day:
        left, dealt = count, dict[str, int]()
        while left:
            demand, pieces = waiting.pop()
            take = min(left, pieces)
            dealt[demand] = dealt.get(demand, 0) + take
            left -= take
            if pieces > take:
                waiting.append((demand, pieces - take))
        yield from ((day, demand, pieces) for demand, pieces in dealt.items())
