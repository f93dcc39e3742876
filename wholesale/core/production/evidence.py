"""What the check judges a plan by: pieces by step, what they weigh and take, when they leave.

Everything is counted anew from the catalogue, the calendar and the loads; nothing is
shared with the planner.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Operation, RecipeLine, Sku, Unit
from wholesale.core.production.work import Demand, Load, Plan, Portion, Shop
from wholesale.core.stock import OnHand

A_DAY = timedelta(days=1)
#: How far a leaving day is looked for in a calendar with hardly a work day.
_FAR = 800


class Step(NamedTuple):
    """Pieces of one step on one day.

    ``out`` is what the next step can count on: the good ones, or expected ones of what
    is not done; ``sure`` is no more than was expected. ``settled``: done or begun.
    """

    day: date
    into: int
    out: Fraction
    sure: Fraction
    settled: bool


class Flow(NamedTuple):
    """Pieces on their way from one step's day to the next step's day."""

    made: date
    used: date
    pieces: Fraction
    made_settled: bool
    used_settled: bool


class Gathered(NamedTuple):
    """Pieces that go through one step, by day; ``begun``: they are weighed for, and not done yet."""

    sku: Sku
    operation: Operation
    begun: bool
    done: bool
    pieces: Mapping[date, int]


class Take(NamedTuple):
    """A part from the shelf, and how much of it one piece takes; ``weighed`` with a melt.

    Whole numbers are ints: sums over a thousand orders are worked out in them many times faster.
    """

    sku: Sku
    each: Fraction | int
    weighed: bool


class _Seen(NamedTuple):
    """A load, and the demands it is for."""

    load: Load
    demands: frozenset[str]


#: Pieces by day of each sku and step; begun; done.
_Pieces = dict[tuple[Sku, str, bool, bool], dict[date, int]]


@dataclass
class Memory:
    """What was looked up in one catalogue before: the steps of skus, their yields, what a piece takes and weighs there.

    And the loads last looked at: the next plan has most of them still.
    """

    steps: dict[tuple[Sku, str], Operation | None] = field(default_factory=dict)
    yields: dict[tuple[Sku, str], Fraction] = field(default_factory=dict)
    takes: dict[tuple[Sku, str], tuple[Take, ...]] = field(default_factory=dict)
    grams: dict[tuple[Sku, str], tuple[Item | None, Fraction]] = field(default_factory=dict)
    #: The loads that were gathered last, by identity, and what they came to.
    seen: dict[int, _Seen] = field(default_factory=dict)
    pieces: _Pieces = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Case:
    """A plan with everything it is judged by; ``of``: only what these demands touch is judged.

    Plans of one catalogue may be judged with one ``memory``.
    """

    shop: Shop
    plan: Plan
    demands: Sequence[Demand]
    stock: tuple[OnHand, ...]
    first_day: date | None
    of: frozenset[str] | None = None
    memory: Memory = field(default_factory=Memory)

    def is_judged(self, demand: str) -> bool:
        """Is this demand looked at?"""
        return self.of is None or demand in self.of

    @cached_property
    def steps(self) -> dict[tuple[str, Sku, str], list[Step]]:
        """Pieces by (peg, sku, step): by day, done ones first."""
        found: dict[tuple[str, Sku, str], list[Step]] = defaultdict(list)
        judged = ((load, p, step) for load, p, step in self.portions(self.own_loads) if self.is_judged(p.demand))
        for load, portion, operation in judged:
            expected = portion.pieces * self.yield_of(portion.sku, operation)
            out = Fraction(portion.counted) if load.done else expected
            # Of what is begun whole pieces can be counted on, no halves.
            sure = Fraction(int(expected)) if load.begun else min(out, expected)
            step = Step(load.day, portion.pieces, out, sure, settled(load))
            found[portion.demand, portion.sku, portion.operation].append(step)
        return {key: sorted(steps, key=lambda step: (step.day, not step.settled)) for key, steps in found.items()}

    @cached_property
    def lots(self) -> Mapping[Sku, Sequence[OnHand]]:
        """What is on hand and on its way of each sku."""
        found: dict[Sku, list[OnHand]] = defaultdict(list)
        for lot in self.stock:
            found[lot.sku].append(lot)
        return found

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue the plan was made for."""
        return self.shop.catalogue

    def item(self, sku: Sku) -> Item | None:
        """The item of a sku, if there is one."""
        return self.catalogue.items.get(sku.item)

    def operations(self, sku: Sku) -> tuple[Operation, ...]:
        """The steps of a sku; none for what has no recipe."""
        item = self.item(sku)
        return item.recipe.operations if item and item.recipe else ()

    def operation(self, portion: Portion) -> Operation | None:
        """The step of a portion, if its recipe knows it."""
        return self.step(portion.sku, portion.operation)

    def step(self, sku: Sku, code: str) -> Operation | None:
        """The step of that code, if the sku's recipe knows it."""
        key, known = (sku, code), self.memory.steps
        if key not in known:
            known[key] = next((o for o in self.operations(sku) if o.code == code), None)
        return known[key]

    def portions(self, loads: Sequence[Load]) -> Iterator[tuple[Load, Portion, Operation]]:
        """Every portion of these loads whose step is known, with its load and its step."""
        for load in loads:
            for portion in load.portions:
                if operation := self.operation(portion):
                    yield load, portion, operation

    def yield_of(self, sku: Sku, operation: Operation) -> Fraction:
        """The share that comes good out of a step; the last one bears the loss of the whole making too."""
        key, known = (sku, operation.code), self.memory.yields
        if key not in known:
            item, last = self.item(sku), self.operations(sku)[-1] == operation
            share = Fraction(operation.yield_share)
            known[key] = share * Fraction(item.yield_share) if item and last else share
        return known[key]

    def yield_from(self, sku: Sku, position: int) -> Fraction:
        """The share of pieces into a step, by its place, that comes good out of the last."""
        share = Fraction(1)
        for operation in self.operations(sku)[position:]:
            share *= self.yield_of(sku, operation)
        return share

    def risk(self, sku: Sku) -> Fraction | None:
        """The chance of too few good pieces that is accepted, where one is set."""
        item = self.item(sku)
        found = item.shortage_risk if item and item.shortage_risk is not None else self.catalogue.shortage_risk
        return None if found is None else Fraction(found)

    @cached_property
    def _seen(self) -> dict[int, _Seen]:
        """Every load by identity: most are known from the plan before."""
        known = self.memory.seen
        return {
            id(load): known.get(id(load)) or _Seen(load, frozenset([p.demand for p in load.portions]))
            for load in self.plan.loads
        }

    @cached_property
    def own_loads(self) -> tuple[Load, ...]:
        """The loads that hold something of the demands that are judged."""
        own = self.of
        if own is None:
            return self.plan.loads
        seen = self._seen
        return tuple([load for load in self.plan.loads if not own.isdisjoint(seen[id(load)].demands)])

    @cached_property
    def loads(self) -> tuple[Load, ...]:
        """The loads of the days that are judged: where not all are, those on which the demands have something to do."""
        if self.of is None:
            return self.plan.loads
        days = {load.day for load in self.own_loads}
        return tuple(load for load in self.plan.loads if load.day in days)

    @cached_property
    def gathered(self) -> tuple[Gathered, ...]:
        """What all loads do, gathered by day and step: a thousand orders ask for a few different things a day."""
        memory, now = self.memory, self._seen
        if len(now) < len(self.plan.loads):
            # One load stands in the plan twice: told apart by identity it would count once.
            return tuple(gathered(self, self.plan.loads))
        gone = [memory.seen[key].load for key in memory.seen.keys() - now.keys()]
        came = [now[key].load for key in now.keys() - memory.seen.keys()]
        memory.seen, memory.pieces = now, _changed(memory.pieces, _pieces(gone), _pieces(came))
        return tuple(_gathered(self, memory.pieces))

    @cached_property
    def touched(self) -> frozenset[Sku]:
        """The skus that the demands make, take or pick, where not all are judged."""
        own = {(p.sku, o.code): o for _, p, o in self.portions(self.own_loads) if self.is_judged(p.demand)}
        took = {take.sku for (sku, _), o in own.items() for take in taken(self, sku, o)}
        return frozenset(took | {sku for sku, _ in own} | {demand.sku for demand in self.demands})

    def is_touched(self, sku: Sku) -> bool:
        """Is the stock of a sku judged?"""
        return self.of is None or sku in self.touched

    def is_part(self, sku: Sku) -> bool:
        """Is it made for use in others?"""
        item = self.item(sku)
        return item is not None and item.kind is ItemKind.PART

    def is_awaited(self, sku: Sku) -> bool:
        """Is it a material that the plan waits for?"""
        item = self.item(sku)
        return item is not None and item.kind is ItemKind.MATERIAL and item.binds_plan

    @cached_property
    def has_awaited(self) -> bool:
        """Does the plan wait for any material?"""
        return any(self.is_awaited(Sku(code)) for code in self.catalogue.items)

    def is_product(self, sku: Sku) -> bool:
        """Is it sold?"""
        item = self.item(sku)
        return item is not None and item.kind is ItemKind.PRODUCT


def settled(load: Load) -> bool:
    """Has it happened, or begun to? Then no rule can change it."""
    return load.done or load.begun


# ── from step to step ────────────────────────────────────────────────────────


def makings(case: Case) -> list[tuple[str, Sku]]:
    """Each (peg, sku) that the loads are for."""
    return sorted({(key, sku) for key, sku, _ in case.steps})


def matched(before: Sequence[Step], after: Sequence[Step], longest: int | None = None) -> tuple[list[Flow], Fraction]:
    """Pieces handed on first in, first out; and how many pieces of the later step nobody made.

    What is planned and would wait for more than ``longest`` days is left aside.
    """
    flows: list[Flow] = []
    waiting = [(step, step.out) for step in reversed(before) if step.out]
    unmade = Fraction(0)
    for step in after:
        need = Fraction(step.into)
        while need and waiting:
            made, left = waiting.pop()
            if longest is not None and not made.settled and (step.day - made.day).days > longest:
                continue
            taken = min(need, left)
            flows.append(Flow(made.day, step.day, taken, made.settled, step.settled))
            need -= taken
            if left > taken:
                waiting.append((made, left - taken))
        unmade += 0 if step.settled else need
    return flows, unmade


# ── parts and stock ──────────────────────────────────────────────────────────


#: Quantities by day, of each part and product.
_ByDay = Mapping[Sku, Mapping[date, Fraction | int]]


def used(case: Case) -> _ByDay:
    """What is taken of each part and product by day: by loads to do, and picked.

    What is done is in stock. Materials have a sum of their own: ``awaited``.
    """
    found: dict[Sku, dict[date, Fraction | int]] = defaultdict(lambda: defaultdict(int))
    for pick in case.plan.picks:
        if case.is_touched(pick.sku):
            found[pick.sku][pick.sellable_on] += pick.pieces
    for (sku, each), by_day in _off_the_shelf(case).items():
        for day, pieces in by_day.items() if not case.is_awaited(sku) else ():
            found[sku][day] += each * pieces
    return found


def made(case: Case) -> _ByDay:
    """What loads to do give of each part, by the day it is usable."""
    found: dict[Sku, dict[date, Fraction | int]] = defaultdict(lambda: defaultdict(int))
    for sku, share, by_day in _onto_the_shelf(case):
        for day, pieces in by_day.items():
            found[sku][day] += share * pieces
    return found


def _onto_the_shelf(case: Case) -> Iterator[tuple[Sku, Fraction | int, Mapping[date, int]]]:
    """Parts that come of loads to do: the sku, the share that comes good, and pieces by the day they are usable."""
    for batch in case.gathered:
        is_part = not batch.done and case.is_part(batch.sku) and case.is_touched(batch.sku)
        if is_part and batch.operation == case.operations(batch.sku)[-1]:
            wait = max(batch.operation.nights_min, batch.operation.days_min) * A_DAY
            usable = {day + wait: pieces for day, pieces in batch.pieces.items()}
            yield batch.sku, case.yield_of(batch.sku, batch.operation), usable


def awaited(case: Case) -> Mapping[Sku, Mapping[date, Fraction]]:
    """What loads to do take of each material that the plan waits for, by day."""
    found: dict[Sku, dict[date, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for (sku, each), by_day in _off_the_shelf(case).items() if case.has_awaited else ():
        for day, pieces in by_day.items() if case.is_awaited(sku) else ():
            found[sku][day] += each * pieces
    return found


def _off_the_shelf(case: Case) -> Mapping[tuple[Sku, Fraction | int], Mapping[date, int]]:
    """Pieces by day that take a sku off the shelf, and how much each; what is weighed for a begun load has left it.

    Pieces are counted before they are weighed: many steps take the same.
    """
    found: dict[tuple[Sku, Fraction | int], dict[date, int]] = defaultdict(lambda: defaultdict(int))
    for batch in case.gathered:
        for take in taken(case, batch.sku, batch.operation) if not batch.done else ():
            if case.is_touched(take.sku) and not (batch.begun and take.weighed):
                by_day = found[take.sku, take.each]
                for day, pieces in batch.pieces.items():
                    by_day[day] += pieces
    return found


def gathered(case: Case, loads: Iterable[Load]) -> Iterator[Gathered]:
    """What loads do, by step and day."""
    return _gathered(case, _pieces(loads))


def _pieces(loads: Iterable[Load]) -> _Pieces:
    found: _Pieces = defaultdict(dict)
    for load in loads:
        day, begun, done = load.day, load.begun, load.done
        for portion in load.portions:
            by_day = found[portion.sku, portion.operation, begun, done]
            by_day[day] = by_day.get(day, 0) + portion.pieces
    return found


def _changed(pieces: _Pieces, gone: _Pieces, came: _Pieces) -> _Pieces:
    """The pieces less those of loads that are gone, and with those of loads that came."""
    found = dict(pieces)
    for changes, sign in ((gone, -1), (came, 1)):
        for key, by_day in changes.items():
            own = found.get(key, {})
            found[key] = {**own, **{day: own.get(day, 0) + sign * count for day, count in by_day.items()}}
    return found


def _gathered(case: Case, pieces: _Pieces) -> Iterator[Gathered]:
    for (sku, code, begun, done), by_day in pieces.items():
        if operation := case.step(sku, code):
            yield Gathered(sku, operation, begun, done, by_day)


def mixed(item: Item) -> list[tuple[RecipeLine, Fraction]]:
    """The lines of a melt, each with its part of the mass: T = M (1 + loads on carriers) + T × loads on the total."""
    lines = item.recipe.lines if item.recipe else ()
    shares = {line.component: Fraction(line.quantity) for line in lines if line.basis is Basis.SHARE}
    whole = sum(shares.values(), Fraction(0))
    if not whole:
        return []
    on_total = sum((Fraction(line.quantity) for line in lines if line.basis is Basis.LOAD_ON_TOTAL), Fraction(0))
    weights = {
        Basis.SHARE: lambda line: Fraction(line.quantity),
        Basis.LOAD_ON_CARRIER: lambda line: Fraction(line.quantity) * (shares[line.carrier] if line.carrier else whole),
    }
    carried = sum((weights[line.basis](line) for line in lines if line.basis in weights), Fraction(0))
    found = [(line, weights[line.basis](line) * (1 - on_total) / carried) for line in lines if line.basis in weights]
    return found + [(line, Fraction(line.quantity)) for line in lines if line.basis is Basis.LOAD_ON_TOTAL]


def taken(case: Case, sku: Sku, operation: Operation) -> tuple[Take, ...]:
    """What one piece takes off the shelf at a step: parts that have steps of their own, materials that bind."""
    key, known = (sku, operation.code), case.memory.takes
    if key not in known:
        known[key] = tuple(_taken(case, sku, operation))
    return known[key]


def _taken(case: Case, sku: Sku, operation: Operation) -> Iterator[Take]:
    item = case.item(sku)
    if item is None or item.recipe is None:
        return
    melts = {step.melt for step in item.recipe.operations}
    first = operation == item.recipe.operations[0]
    for line in item.recipe.lines:
        code = _stands_for(case, line, sku.scent)
        melted = line.component == operation.melt and line.component is not None
        here = line.step in ({"", operation.code} if melted or (first and line.component not in melts)
                             else {operation.code})  # fmt: skip
        if here and line.basis is Basis.PER_PIECE and code:
            yield from _shelf(
                case, code, sku.scent, Fraction(line.quantity) / _kept(case, code, melted), weighed=melted
            )
    for line, part in mixed(item) if item.unit is Unit.GRAM else []:
        code = _stands_for(case, line, sku.scent)
        if code and line.step in ({"", operation.code} if first else {operation.code}):
            yield from _shelf(case, code, sku.scent, part / (1 - Fraction(item.loss)), weighed=True)


def _stands_for(case: Case, line: RecipeLine, scent: str) -> str:
    """The item a line is of; the oil of the scent where it names none."""
    if line.component is not None:
        return line.component
    return case.catalogue.scents[scent].oil if scent in case.catalogue.scents else ""


def _kept(case: Case, code: str, melted: bool) -> Fraction:  # noqa: FBT001  (of one thing, is it melted?)
    """What is left of a gram of a bought material that is melted as it is."""
    item = case.catalogue.items[code]
    return 1 - Fraction(item.loss) if melted and item.kind is ItemKind.MATERIAL else Fraction(1)


def _shelf(case: Case, code: str, scent: str, each: Fraction, *, weighed: bool) -> Iterator[Take]:
    """A part with steps, or a material that binds, stands on the shelf; a part without is mixed, from what it is of."""
    item = case.catalogue.items[code]
    if case.is_awaited(Sku(code)) or (item.kind is ItemKind.PART and item.recipe and item.recipe.operations):
        whole = each.numerator if each.denominator == 1 else each
        yield Take(Sku(code, scent if item.scented else ""), whole, weighed)
    elif item.kind is ItemKind.PART:
        for line, part in mixed(item):
            if inner := _stands_for(case, line, scent):
                yield from _shelf(case, inner, scent, each * part / (1 - Fraction(item.loss)), weighed=True)


# ── when it leaves ───────────────────────────────────────────────────────────


def _cure_days(case: Case, sku: Sku, operation: Operation) -> int:
    """Days from this step to sellable: only on the last step that cures, 0 on all others."""
    curing = [o for o in case.operations(sku) if o.cure_days is not None]
    return curing[-1].cure_days or 0 if curing and curing[-1] == operation else 0


def leaves(case: Case, demand: Demand) -> date | None:
    """The first work day on which the last piece is sellable, finished and wanted; ``None`` when there is no piece.

    ``None``, too, where no work day follows.
    """
    days = _ready_days(case, demand)
    return _work_day_from(case.shop, max([*days, demand.leaves_from or date.min])) if days else None


def is_planned(case: Case, demand: Demand) -> bool:
    """Is any piece of it picked or in a load?"""
    return bool(_ready_days(case, demand))


def _ready_days(case: Case, demand: Demand) -> list[date]:
    days = [pick.sellable_on for pick in case.plan.picks if pick.demand == demand.key]
    for operation in case.operations(demand.sku):
        cure = _cure_days(case, demand.sku, operation) * A_DAY
        steps = case.steps.get((demand.key, demand.sku, operation.code), [])
        days += [step.day + cure for step in steps if step.out]
    return days


def _work_day_from(shop: Shop, day: date) -> date | None:
    return next((later for n in range(_FAR) if shop.calendar.is_work(later := day + n * A_DAY)), None)
