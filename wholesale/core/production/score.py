"""What a plan is worth: one plain sum over its loads, whoever made it; the improver's own sums are not used."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, ItemKind, Operation, Sku, Unit
from wholesale.core.production.families import family
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.work import Demand, Load, Plan, Portion, Shop

_LATE_ORDER, _LATE_DAY = 10_000, 100

#: What comes (positive) and goes of something that stands about, by day.
Events = Mapping[date, Fraction]


class Score(NamedTuple):
    """Less is better, the first first.

    ``loads`` are those to do that hold an equipment; ``changeovers`` how often one of
    them changes to another family within a day; ``waiting`` pieces × days that bases
    and cast parts stand about before they go on.
    """

    late_orders: int
    late_days: int
    loads: int
    changeovers: int
    waiting: int

    @property
    def rank(self) -> tuple[int, int, int, int]:
        """What plans are compared by: promises kept, late days, loads and changeovers, waiting stock."""
        return (self.late_orders, self.late_days, self.loads + self.changeovers, self.waiting)

    @property
    def scalar(self) -> int:
        """The one number that benchmarks compare: 10,000 a late order, 100 a late day, 1 a load and a changeover."""
        return _LATE_ORDER * self.late_orders + _LATE_DAY * self.late_days + self.loads + self.changeovers


def score(shop: Shop, plan: Plan, demands: Sequence[Demand]) -> Score:
    """What a plan is worth, for these open demands."""
    late = _late(shop, plan, demands)
    return Score(
        late_orders=len(late),
        late_days=sum(late.values()),
        loads=sum(1 for load in plan.loads if load.work.equipment and not load.done),
        changeovers=_changeovers(shop.catalogue, plan),
        waiting=int(sum(map(_piece_days, _standing(shop.catalogue, plan)))),
    )


def order_of(demand: Demand) -> object:
    """What is late together: the demands of one order share their rank; one without is on its own."""
    return demand.rank or demand.key


def leaving_days(shop: Shop, plan: Plan, demands: Iterable[Demand]) -> dict[str, date]:
    """The work day each demand leaves on: its last piece cured and finished, and not before it is wanted."""
    last: dict[str, date] = {}
    skus = {demand.key: demand.sku for demand in demands}
    for key, day in _ready(shop.catalogue, plan, skus):
        last[key] = max(day, last.get(key, day))
    floors = {demand.key: demand.leaves_from or date.min for demand in demands}
    return {key: shop.calendar.work_from(max(day, floors[key])) for key, day in last.items()}


def _ready(catalogue: Catalogue, plan: Plan, skus: Mapping[str, Sku]) -> Iterator[tuple[str, date]]:
    """For each pick and each portion of a demand's own sku the day it is ready on, as far as that step goes."""
    for pick in plan.picks:
        yield pick.demand, pick.sellable_on
    for load in plan.loads:
        for portion in load.portions:
            if skus.get(portion.demand) == portion.sku:
                yield portion.demand, date.fromordinal(load.day.toordinal() + cure_of(catalogue, portion))


def cure_of(catalogue: Catalogue, portion: Portion) -> int:
    """Days that the pieces of a portion cure from its step on; 0 on all steps but the one that counts."""
    recipe = catalogue.recipe(portion.sku.item)
    cures = recipe.operations[recipe.cure_step]
    return (cures.cure_days or 0) if cures.code == portion.operation else 0


def _late(shop: Shop, plan: Plan, demands: Sequence[Demand]) -> dict[object, int]:
    """Days that each late order leaves after its promise."""
    leaves = leaving_days(shop, plan, demands)
    late: dict[object, int] = {}
    for demand in (d for d in demands if d.promised and d.key in leaves):
        days = (leaves[demand.key] - (demand.promised or date.max)).days
        if days > 0:
            late[order_of(demand)] = max(days, late.get(order_of(demand), 0))
    return late


def operation(catalogue: Catalogue, portion: Portion) -> Operation | None:
    """The step of a portion, if its recipe still knows it."""
    return next((step for step in catalogue.steps(portion.sku.item) if step.code == portion.operation), None)


def _changeovers(catalogue: Catalogue, plan: Plan) -> int:
    """Families beyond the first of each equipment and day on which something is still to do."""
    families: dict[tuple[str, date], set[tuple[str, str]]] = defaultdict(set)
    todo = {(load.work.equipment, load.day) for load in plan.loads if not load.done}
    for load in plan.loads:
        if load.work.equipment and (load.work.equipment, load.day) in todo:
            families[load.work.equipment, load.day].add(family(catalogue, load))
    return sum(len(found) - 1 for found in families.values())


def _standing(catalogue: Catalogue, plan: Plan) -> list[Events]:
    """What comes and goes of each thing that stands about: bases of a demand between two steps, parts of a sku."""
    found: dict[object, dict[date, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for load in plan.loads:
        for portion in load.portions:
            for what, pieces in _moves(catalogue, load, portion):
                found[what][load.day] += pieces
    return list(found.values())


def _moves(catalogue: Catalogue, load: Load, portion: Portion) -> Iterator[tuple[object, Fraction]]:
    """What a portion adds to, and takes from, what stands about."""
    step = operation(catalogue, portion)
    if step is None:
        return
    steps, recipe = catalogue.steps(portion.sku.item), catalogue.recipe(portion.sku.item)
    at = steps.index(step)
    key = (portion.demand, portion.sku)
    if at < recipe.cure_step or (at + 1 < len(steps) and recipe.operations[recipe.cure_step].cure_days is None):
        yield (*key, at), Fraction(portion.counted)
    if 0 < at <= recipe.cure_step:
        yield (*key, at - 1), Fraction(-portion.pieces)
    if not load.done:
        yield from _parts(catalogue, portion, step, last=at == len(steps) - 1)


def _parts(catalogue: Catalogue, portion: Portion, step: Operation, *, last: bool) -> Iterator[tuple[object, Fraction]]:
    """Cast parts that a portion takes off the shelf or puts on it; what is counted in grams takes no room there."""
    for part in stocked_parts(catalogue, portion.sku, step):
        if _is_piece(catalogue, part.sku):
            yield part.sku, -part.each * portion.pieces
    item = catalogue.items[portion.sku.item]
    if last and _is_piece(catalogue, portion.sku):
        yield portion.sku, Fraction(item.yield_share) * Fraction(step.yield_share) * portion.pieces


def _is_piece(catalogue: Catalogue, sku: Sku) -> bool:
    """Is it a part that stands about in pieces?"""
    item = catalogue.items[sku.item]
    return item.kind is ItemKind.PART and item.unit is Unit.PIECE


def _piece_days(events: Events) -> Fraction:
    """Pieces × days that stand about between the first and the last day on which something comes or goes."""
    total = level = Fraction(0)
    for (day, change), (after, _) in pairwise(sorted(events.items())):
        level += change
        total += max(level, Fraction(0)) * (after - day).days
    return total
