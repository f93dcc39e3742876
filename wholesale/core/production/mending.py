"""Planning again: what still has its place stays, what is overdue or short is lifted out and placed anew."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.production.bench import Bench, Flow, usable_on
from wholesale.core.production.course import course_of, is_settled, planned, remainder
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.work import Demand, Load, Outcome, Placed, Plan, Portion, Shop
from wholesale.core.production.yields import risk_of, step_yields
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal


def mend(
    shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], first_day: date, today: date
) -> Outcome:
    """The plan after something happened: what is overdue, short or without its place is placed again, all else stays.

    Demands are all open ones. A demand is taken up again when one of its loads is
    past (before ``today``) or has lost its day, quota or minutes, a step came out
    short, or parts it counts on are missing; its unfinished pieces are placed anew,
    served by promised date, then rank. A begun load stays where it is.
    """
    on_hand = tuple(stock)
    in_order = sorted(demands, key=lambda d: (d.promised or date.max, d.rank, d.key))
    kept = _that_still_fit(shop, plan, in_order, today)
    torn = {d.key for d in in_order if remainder(shop.catalogue, kept, d) != planned(shop.catalogue, kept, d)}
    kept = lift(kept, torn, shop.catalogue)
    while short := _first_short(shop, kept, on_hand, first_day, in_order):
        kept = _without_user(shop.catalogue, kept, short, torn)
    bench = Bench(shop.catalogue, shop.calendar, kept, on_hand, first_day)
    placed: list[Placed] = []
    for demand in (d for d in in_order if d.key in torn):
        # The furthest along first: fresh pieces must not take the room of bases that wait.
        placed += _placed_again(shop, bench, demand, kept)
    mended = _without_spare_casts(shop, bench.plan(), torn, on_hand, first_day)
    return Outcome(plan=mended, placed=tuple(placed))


def _placed_again(shop: Shop, bench: Bench, demand: Demand, kept: Plan) -> list[Placed]:
    """What of a demand is not finished, placed anew; what can only come from stock waits for it."""
    try:
        return Insertion(shop, bench, demand, course_of(shop.catalogue, kept, demand), kept).run()
    except Refusal as refusal:
        if refusal.code == "not_made":
            return []
        raise


def _that_still_fit(shop: Shop, plan: Plan, in_order: Sequence[Demand], today: date) -> Plan:
    """What is done or begun, and the loads from today on that still have their place; the first served keeps it."""
    history = Plan(loads=tuple(load for load in plan.loads if is_settled(load)))
    bench = Bench(shop.catalogue, shop.calendar, history, (), today)
    rank = {demand.key: place for place, demand in enumerate(in_order)}

    def place(numbered: tuple[int, Load]) -> int:
        return min(rank.get(portion.demand, len(rank)) for portion in numbered[1].portions)

    todo = [(number, load) for number, load in enumerate(plan.loads) if load.portions and not is_settled(load)]
    kept = {number for number, load in sorted(todo, key=place) if bench.keeps(load)}
    loads = tuple(load for number, load in enumerate(plan.loads) if is_settled(load) or number in kept)
    return Plan(loads=loads, picks=plan.picks)


def without(shop: Shop, plan: Plan, gone: set[str], stock: Iterable[OnHand], first_day: date) -> Plan:
    """The plan when these demands fall away; of the parts being made for them those stay that others count on."""
    left = replace(
        _only(plan, lambda p: p.demand not in gone), picks=tuple(p for p in plan.picks if p.demand not in gone)
    )
    on_hand = tuple(stock)
    bench = Bench(shop.catalogue, shop.calendar, left, on_hand, first_day)
    made = {p.sku for load in plan.loads for p in load.portions if _is_part(shop.catalogue, p.sku)}
    if any(bench.short_on(sku) for sku in made):
        with_parts = replace(lift(plan, gone, shop.catalogue), picks=left.picks)
        return _without_spare_casts(shop, with_parts, gone, on_hand, first_day)
    return left


def lift(plan: Plan, demands: set[str], catalogue: Catalogue) -> Plan:
    """The plan without the unfinished product steps of these demands; parts being made for them stay."""
    return _only(plan, lambda p: p.demand not in demands or _is_part(catalogue, p.sku))


def _without_spare_casts(
    shop: Shop, plan: Plan, torn: set[str], stock: Iterable[OnHand], first_day: date
) -> Plan:  # fmt: skip
    """The plan less the casts to do that demands gone or placed anew left behind and nobody counts on, latest first."""
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    loads = list(plan.loads)
    for number, load in reversed(list(enumerate(loads))):
        if not is_settled(load):
            kept = (_counted_on(shop.catalogue, bench, load.day, p, torn) for p in load.portions)
            loads[number] = replace(load, portions=tuple(p for p in kept if p.pieces))
    return replace(plan, loads=tuple(load for load in loads if load.portions))


def _counted_on(catalogue: Catalogue, bench: Bench, day: date, portion: Portion, torn: set[str]) -> Portion:
    """A portion less the spare pieces in it, if it is a cast for one of the demands; the bench no longer has those."""
    item, steps = catalogue.items[portion.sku.item], catalogue.steps(portion.sku.item)
    is_cast = _is_part(catalogue, portion.sku) and len(steps) == 1 and risk_of(catalogue, item) is None
    if portion.demand not in torn or not is_cast:
        return portion
    usable, good = usable_on(steps[0], day), Fraction(step_yields(item)[0])
    spare = min(portion.pieces, int(bench.free_on(portion.sku, usable) / good))
    bench.supply(portion.sku, usable, -good * spare)
    return portion._replace(pieces=portion.pieces - spare)


# ── what is short ────────────────────────────────────────────────────────────


class _Use(NamedTuple):
    """A planned portion that takes something that is short."""

    portion: Portion
    day: date


def _first_short(
    shop: Shop, plan: Plan, stock: Iterable[OnHand], first_day: date, in_order: Sequence[Demand]
) -> Portion | None:
    """The planned portion to take out because what it needs is short: of those served last the latest."""
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    rank = {demand.key: place for place, demand in enumerate(in_order)}
    for line, day in _short_lines(shop.catalogue, bench, plan):
        uses = [use for use in _uses(shop.catalogue, plan, line) if use.day <= day]
        if uses:
            return max(uses, key=lambda use: (rank.get(use.portion.demand, -1), use.day)).portion
    return None


def _short_lines(catalogue: Catalogue, bench: Bench, plan: Plan) -> Iterator[tuple[Sku | Flow, date]]:
    """What is short, and the first day on which it is."""
    used = {
        part.sku for load in plan.loads for p in load.portions for step in catalogue.steps(p.sku.item)
        for part in stocked_parts(catalogue, p.sku, step)
    }  # fmt: skip
    lines: list[Sku | Flow] = [*sorted(used), *bench.flows()]
    for line in lines:
        if short := bench.short_on(line):
            yield line, short[0]


def _uses(catalogue: Catalogue, plan: Plan, line: Sku | Flow) -> Iterator[_Use]:
    for load in plan.loads:
        for portion in load.portions if not is_settled(load) else ():
            if _takes(catalogue, portion, line):
                yield _Use(portion, load.day)


def _takes(catalogue: Catalogue, portion: Portion, line: Sku | Flow) -> bool:
    steps = catalogue.steps(portion.sku.item)
    if isinstance(line, Flow):
        after = steps[line.step + 1].code if line.sku == portion.sku else ""
        return (portion.demand, portion.sku, portion.operation) == (line.demand, line.sku, after)
    here = [step for step in steps if step.code == portion.operation]
    return any(part.sku == line for step in here for part in stocked_parts(catalogue, portion.sku, step))


def _without_user(catalogue: Catalogue, plan: Plan, short: Portion, torn: set[str]) -> Plan:
    """The plan without what takes too much: a product's unfinished steps, or that step of a part."""
    if not _is_part(catalogue, short.sku):
        torn.add(short.demand)
        return lift(plan, {short.demand}, catalogue)
    return _only(plan, lambda p: (p.demand, p.sku, p.operation) != (short.demand, short.sku, short.operation))


def _is_part(catalogue: Catalogue, sku: Sku) -> bool:
    return catalogue.items[sku.item].kind is ItemKind.PART


def _only(plan: Plan, stays: Callable[[Portion], bool]) -> Plan:
    """The plan with those portions alone; what is done or begun stays as it is."""
    loads = (
        load if is_settled(load) else replace(load, portions=tuple(p for p in load.portions if stays(p)))
        for load in plan.loads
    )
    return Plan(loads=tuple(load for load in loads if load.portions), picks=plan.picks)
