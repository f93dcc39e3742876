"""What the check judges a plan by: pieces by step, what they weigh and take, when they leave.

Everything is counted anew from the catalogue, the calendar and the loads; nothing is
shared with the planner.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple

from wholesale.core.catalogue import Basis, Catalogue, Equipment, Item, ItemKind, Operation, RecipeLine, Sku, Unit
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


class Take(NamedTuple):
    """A part from the shelf, and how much of it one piece takes; ``weighed`` with a melt."""

    sku: Sku
    each: Fraction
    weighed: bool


@dataclass(frozen=True, kw_only=True)
class Case:
    """A plan with everything it is judged by."""

    shop: Shop
    plan: Plan
    demands: Sequence[Demand]
    stock: tuple[OnHand, ...]
    first_day: date | None

    @cached_property
    def steps(self) -> dict[tuple[str, Sku, str], list[Step]]:
        """Pieces by (peg, sku, step): by day, done ones first."""
        found: dict[tuple[str, Sku, str], list[Step]] = defaultdict(list)
        for load, portion, operation in self.portions():
            expected = portion.pieces * self.yield_of(portion.sku, operation)
            out = Fraction(portion.counted) if load.done else expected
            # Of what is begun whole pieces can be counted on, no halves.
            sure = Fraction(int(expected)) if load.begun else min(out, expected)
            step = Step(load.day, portion.pieces, out, sure, settled(load))
            found[portion.demand, portion.sku, portion.operation].append(step)
        return {key: sorted(steps, key=lambda step: (step.day, not step.settled)) for key, steps in found.items()}

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
        return next((o for o in self.operations(portion.sku) if o.code == portion.operation), None)

    def portions(self, *, todo: bool = False) -> Iterator[tuple[Load, Portion, Operation]]:
        """Every portion whose step is known, with its load and its step."""
        for load in self.plan.loads:
            for portion in load.portions if not (todo and load.done) else ():
                if operation := self.operation(portion):
                    yield load, portion, operation

    def yield_of(self, sku: Sku, operation: Operation) -> Fraction:
        """The share that comes good out of a step; the last one bears the loss of the whole making too."""
        item = self.item(sku)
        share = Fraction(operation.yield_share)
        last = self.operations(sku)[-1] == operation
        return share * Fraction(item.yield_share) if item and last else share

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

    def is_part(self, sku: Sku) -> bool:
        """Is it made for use in others?"""
        item = self.item(sku)
        return item is not None and item.kind is ItemKind.PART

    def is_product(self, sku: Sku) -> bool:
        """Is it sold?"""
        item = self.item(sku)
        return item is not None and item.kind is ItemKind.PRODUCT


def settled(load: Load) -> bool:
    """Has it happened, or begun to? Then no rule can change it."""
    return load.done or load.begun


# ── what fills a load ────────────────────────────────────────────────────────


def content(case: Case, portion: Portion, operation: Operation) -> tuple[str, str, str]:
    """What fills the equipment: a melt in its scent where grams count, else the step of the sku itself."""
    equipment = case.catalogue.equipment.get(operation.equipment)
    if operation.melt and equipment and equipment.load_g is not None:
        return operation.melt, portion.sku.scent if case.catalogue.items[operation.melt].scented else "", ""
    return portion.sku.item, portion.sku.scent, operation.code


def counted_pieces(case: Case, load: Load) -> int:
    """Pieces in a load; what is counted in grams is weighed instead."""
    items = ((case.item(portion.sku), portion) for portion in load.portions)
    return sum(portion.pieces for item, portion in items if item is None or item.unit is Unit.PIECE)


def grams_in(case: Case, load: Load, equipment: Equipment) -> Fraction:
    """Grams of a load that count against its equipment: with the loss, of all or of the wax alone."""
    total = Fraction(0)
    for portion in load.portions:
        if operation := case.operation(portion):
            what, grams = _melted(case, portion, operation)
            wax = sum((part for line, part in mixed(what) if line.basis is Basis.SHARE), Fraction(0)) if what else 1
            total += grams * (wax or 1) if equipment.load_basis == "carrier" else grams
    return total


def _melted(case: Case, portion: Portion, operation: Operation) -> tuple[Item | None, Fraction]:
    """What is melted for a portion, and its grams over what the loss leaves; a part in grams is its own melt."""
    item = case.item(portion.sku)
    if operation.melt and item and item.recipe:
        melt = case.catalogue.items[operation.melt]
        net = sum(
            Fraction(line.quantity)
            for line in item.recipe.lines
            if (line.component, line.basis) == (operation.melt, Basis.PER_PIECE) and line.step in {"", operation.code}
        )
        return melt, net * portion.pieces / (1 - Fraction(melt.loss))
    if item and item.unit is Unit.GRAM:
        first = case.operations(portion.sku)[0] == operation
        return item, portion.pieces / (1 - Fraction(item.loss) if first else Fraction(1))
    return None, Fraction(0)


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


def daily_loads(equipment: Equipment | None) -> int | None:
    """Loads that all of it take a day; ``None`` where that never binds."""
    if equipment is None or equipment.loads_per_day is None:
        return None
    return equipment.count * equipment.loads_per_day


def own_minutes(case: Case, load: Load) -> tuple[str, Fraction]:
    """Whose minutes the load takes by itself, and how many: the most that one of its steps asks for."""
    steps = [operation for portion in load.portions if (operation := case.operation(portion))]
    opened = max(steps, key=lambda step: step.minutes_per_load, default=None)
    return (opened.hands, Fraction(opened.minutes_per_load)) if opened else ("", Fraction(0))


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


def changes(case: Case) -> Mapping[Sku, Mapping[date, Fraction]]:
    """What comes and goes of each sku by day: stock, parts to come, parts to use, picks. What is done is in stock."""
    found: dict[Sku, dict[date, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for on_hand in case.stock:
        found[on_hand.sku][on_hand.usable_on] += on_hand.quantity
    for pick in case.plan.picks:
        found[pick.sku][pick.sellable_on] -= pick.pieces
    for load, portion, operation in case.portions(todo=True):
        for take in taken(case, portion, operation):
            # What is weighed for a begun load has left the shelf.
            if not (load.begun and take.weighed):
                found[take.sku][load.day] -= take.each * portion.pieces
        if case.is_part(portion.sku) and operation == case.operations(portion.sku)[-1]:
            usable = load.day + max(operation.nights_min, operation.days_min) * A_DAY
            found[portion.sku][usable] += case.yield_of(portion.sku, operation) * portion.pieces
    return found


def taken(case: Case, portion: Portion, operation: Operation) -> Iterator[Take]:
    """Parts out of stock, and how many, that one piece takes at a step: parts that have steps of their own."""
    item = case.item(portion.sku)
    if item is None or item.recipe is None:
        return
    melts = {step.melt for step in item.recipe.operations}
    first = operation == item.recipe.operations[0]
    for line in item.recipe.lines:
        melted = line.component == operation.melt and line.component is not None
        here = line.step in ({"", operation.code} if melted or (first and line.component not in melts)
                             else {operation.code})  # fmt: skip
        if here and line.basis is Basis.PER_PIECE and line.component:
            yield from _shelf(case, line.component, portion.sku.scent, Fraction(line.quantity), weighed=melted)
    for line, part in mixed(item) if item.unit is Unit.GRAM else []:
        if line.component and line.step in ({"", operation.code} if first else {operation.code}):
            each = part / (1 - Fraction(item.loss))
            yield from _shelf(case, line.component, portion.sku.scent, each, weighed=True)


def _shelf(case: Case, code: str, scent: str, each: Fraction, *, weighed: bool) -> Iterator[Take]:
    """A part with steps stands on the shelf; one without is mixed for the load, from what it is mixed of."""
    item = case.catalogue.items[code]
    if item.kind is not ItemKind.PART or item.recipe is None:
        return
    if item.recipe.operations:
        yield Take(Sku(code, scent if item.scented else ""), each, weighed)
        return
    for line, part in mixed(item):
        if line.component:
            grams = each * part / (1 - Fraction(item.loss))
            yield from _shelf(case, line.component, scent, grams, weighed=True)


# ── when it leaves ───────────────────────────────────────────────────────────


def _cure_days(case: Case, sku: Sku, operation: Operation) -> int:
    """Days from this step to sellable: only on the last step that cures, 0 on all others."""
    curing = [o for o in case.operations(sku) if o.cure_days is not None]
    return curing[-1].cure_days or 0 if curing and curing[-1] == operation else 0


def leaves(case: Case, demand: Demand) -> date | None:
    """The first work day on which the last piece is sellable and finished; ``None`` when there is no piece."""
    days = [pick.sellable_on for pick in case.plan.picks if pick.demand == demand.key]
    for operation in case.operations(demand.sku):
        cure = _cure_days(case, demand.sku, operation) * A_DAY
        steps = case.steps.get((demand.key, demand.sku, operation.code), [])
        days += [step.day + cure for step in steps if step.out]
    return _work_day_from(case.shop, max(days)) if days else None


def _work_day_from(shop: Shop, day: date) -> date | None:
    return next((later for n in range(_FAR) if shop.calendar.is_work(later := day + n * A_DAY)), None)
