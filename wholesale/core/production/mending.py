"""Planning again: what still has its place stays, what is overdue or short is lifted out and placed anew."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.production.bench import Bench, Flow
from wholesale.core.production.course import course_of, is_settled, planned, remainder
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.tasks import Task, Tasks, usable_on
from wholesale.core.production.work import Demand, Load, Outcome, Placed, Plan, Portion, Shop, Waiting
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
    kept = _since_deposit(_that_still_fit(shop, plan, in_order, today), in_order)
    torn = _torn(shop.catalogue, kept, in_order)
    kept = lift(kept, torn, shop.catalogue)
    kept = _without_short(shop, kept, on_hand, first_day, in_order, torn)
    again = _Again(Bench(shop, kept, on_hand, first_day), kept)
    for demand in (d for d in in_order if d.key in torn):
        again.place(demand)
    mended = _without_spare_casts(shop, again.bench.plan(), torn, on_hand, first_day)
    return Outcome(plan=mended, placed=tuple(again.placed), waiting=tuple(again.waiting))


def _torn(catalogue: Catalogue, kept: Plan, demands: Iterable[Demand]) -> set[str]:
    """The demands of which not all that is left to do is planned as it should be."""
    parts, nothing = kept.by_demand(), Plan()
    return {
        d.key for d in demands
        if remainder(catalogue, own := parts.get(d.key, nothing), d) != planned(catalogue, own, d)
    }  # fmt: skip


#: Refusals for what is not there and nobody knows when it is: the order waits without a day, and the maker is told.
_WAITS = frozenset({"not_made", "no_supply", "out_of_use", "no_hours"})


class _Again:
    """Demands placed anew on a bench, one after the other."""

    def __init__(self, bench: Bench, kept: Plan) -> None:
        self.bench = bench
        self.kept = kept.by_demand()
        self.placed: list[Placed] = []
        self.waiting: list[Waiting] = []

    def place(self, demand: Demand) -> None:
        """What of a demand is not finished, the furthest along first; what waits for stock or supply is not placed.

        Fresh pieces must not take the room of bases that wait.
        """
        kept, mark = self.kept.get(demand.key, Plan()), self.bench.mark()
        try:
            on_course = course_of(self.bench.catalogue, kept, demand)
            self.placed += Insertion(self.bench.shop, self.bench, demand, on_course, kept).run()
        except Refusal as refusal:
            if refusal.code not in _WAITS:
                raise
            # Of what leaves from stock only, the pieces that are there stay picked.
            if refusal.code != "not_made":
                self.bench.back_to(mark)
            self.waiting.append(Waiting(demand.key, refusal.message))


def _since_deposit(plan: Plan, demands: Iterable[Demand]) -> Plan:
    """The plan without what would be begun before its deposit may be there."""
    starts = {d.key: d.starts_from for d in demands if d.starts_from is not None}
    loads = (_from_start(load, starts) for load in plan.loads) if starts else plan.loads
    return replace(plan, loads=tuple(load for load in loads if load.portions))


def _from_start(load: Load, starts: Mapping[str, date]) -> Load:
    return _less(load, lambda p: load.day >= starts.get(p.demand, load.day))


def _that_still_fit(shop: Shop, plan: Plan, in_order: Sequence[Demand], today: date) -> Plan:
    """What is done or begun, and the loads from today on that still have their place; the first served keeps it."""
    history = Plan(loads=tuple(load for load in plan.loads if is_settled(load)))
    bench = Bench(shop, history, (), today)
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
    on_hand, made = tuple(stock), _parts_for(plan, gone, shop.catalogue)
    if made:
        bench = Bench(shop, _about(left, made, shop.catalogue), on_hand, first_day)
        if any(bench.short_on(sku) for sku in made):
            with_parts = replace(lift(plan, gone, shop.catalogue), picks=left.picks)
            return _without_spare_casts(shop, with_parts, gone, on_hand, first_day)
    return left


def _parts_for(plan: Plan, demands: Collection[str], catalogue: Catalogue) -> set[Sku]:
    """The parts that are made for some demands."""
    found = {p.sku for load in plan.loads for p in load.portions if p.demand in demands}
    return {sku for sku in found if _is_part(catalogue, sku)}


def _about(plan: Plan, parts: Collection[Sku], catalogue: Catalogue) -> Plan:
    """The loads that make or take some parts, and what is done or begun: all that their place on the shelf hangs on."""
    tasks = Tasks(catalogue)

    def takes(portion: Portion) -> bool:
        task = tasks.of(portion.sku, portion.operation)
        return portion.sku in parts or (task is not None and any(part.sku in parts for part in tasks.parts(task)))

    return _only(plan, takes)


def lift(plan: Plan, demands: set[str], catalogue: Catalogue) -> Plan:
    """The plan without the unfinished product steps of these demands; parts being made for them stay."""
    return _only(plan, lambda p: p.demand not in demands or _is_part(catalogue, p.sku))


def _without_spare_casts(
    shop: Shop, plan: Plan, torn: set[str], stock: Iterable[OnHand], first_day: date
) -> Plan:  # fmt: skip
    """The plan less the casts to do that demands gone or placed anew left behind and nobody counts on, latest first."""
    made = _parts_for(plan, torn, shop.catalogue)
    if not made:
        return plan
    bench = Bench(shop, _about(plan, made, shop.catalogue), stock, first_day)
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


def _without_short(
    shop: Shop, plan: Plan, stock: Iterable[OnHand], first_day: date, in_order: Sequence[Demand], torn: set[str]
) -> Plan:  # fmt: skip
    """The plan without what needs more than there is; the demands that lose product steps so are torn as well."""
    rank = {demand.key: place for place, demand in enumerate(in_order)}
    books = _Books(shop, plan, stock, first_day)
    while short := _first_short(books, rank):
        if not _is_part(shop.catalogue, short.sku):
            torn.add(short.demand)
        books.take_out(short)
    return books.plan


class _Books:
    """A plan that loses portions, and what is there of the things that it takes."""

    def __init__(self, shop: Shop, plan: Plan, stock: Iterable[OnHand], first_day: date) -> None:
        self.shop = shop
        self.plan = plan
        self.stock = tuple(stock)
        self.first_day = first_day
        self.bench = Bench(shop, plan, self.stock, first_day)

    def short_lines(self) -> Iterator[tuple[Sku | Flow, date]]:
        """What is short, and the first day on which it is."""
        skus = {portion.sku for load in self.plan.loads for portion in load.portions}
        tasks = [Task(sku, step) for sku in skus for step in self.shop.catalogue.steps(sku.item)]
        used = {part.sku for task in tasks for part in self.bench.tasks.parts(task)}
        lines: list[Sku | Flow] = [*sorted(used), *self.bench.flows()]
        for line in lines:
            if short := self.bench.short_on(line):
                yield line, short[0]

    def uses(self, line: Sku | Flow) -> Iterator[tuple[Portion, date]]:
        """Planned portions that take something, each with its day."""
        for load in self.plan.loads:
            for portion in load.portions if not is_settled(load) else ():
                if self._takes(portion, line):
                    yield portion, load.day

    def _takes(self, portion: Portion, line: Sku | Flow) -> bool:
        if isinstance(line, Flow):
            steps = self.shop.catalogue.steps(portion.sku.item)
            after = steps[line.step + 1].code if line.sku == portion.sku else ""
            return (portion.demand, portion.sku, portion.operation) == (line.demand, line.sku, after)
        task = self.bench.tasks.of(portion.sku, portion.operation)
        return task is not None and any(part.sku == line for part in self.bench.tasks.parts(task))

    def take_out(self, short: Portion) -> None:
        """Take out what takes too much: a product's unfinished steps, or that step of a part."""
        catalogue = self.shop.catalogue
        by_step = _is_part(catalogue, short.sku)

        def stays(p: Portion) -> bool:
            if by_step:
                return (p.demand, p.sku, p.operation) != (short.demand, short.sku, short.operation)
            return p.demand != short.demand or _is_part(catalogue, p.sku)

        gone = [(load, p) for load in self.plan.loads if not is_settled(load) for p in load.portions if not stays(p)]
        self.plan = _only(self.plan, stays)
        if self.bench.has_risks():
            self.bench = Bench(self.shop, self.plan, self.stock, self.first_day)
        else:
            for load, portion in gone:
                self.bench.forget(load, portion)


def _first_short(books: _Books, rank: Mapping[str, int]) -> Portion | None:
    """The planned portion to take out because what it needs is short: of those served last the latest."""
    for line, day in books.short_lines():
        uses = [use for use in books.uses(line) if use[1] <= day]
        if uses:
            return max(uses, key=lambda use: (rank.get(use[0].demand, -1), use[1]))[0]
    return None


def _is_part(catalogue: Catalogue, sku: Sku) -> bool:
    return catalogue.items[sku.item].kind is ItemKind.PART


def _only(plan: Plan, stays: Callable[[Portion], bool]) -> Plan:
    """The plan with those portions alone; what is done or begun stays as it is."""
    loads = (_less(load, stays) for load in plan.loads)
    return Plan(loads=tuple(load for load in loads if load.portions), picks=plan.picks)


def _less(load: Load, stays: Callable[[Portion], bool]) -> Load:
    """A load to do with those portions alone."""
    if is_settled(load) or all(map(stays, load.portions)):
        return load
    return replace(load, portions=tuple(p for p in load.portions if stays(p)))
