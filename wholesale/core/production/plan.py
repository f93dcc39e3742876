"""Which load on which day: deterministic insertion, earliest first, into what is already planned.

A demand's pieces travel in groups. The step that starts the cure is placed on the
earliest day on which everything before it can be in time; steps before it go as
late as their waits allow (joining started loads first, so that pots are filled),
parts as early as there is room, steps after it as late as they may without
holding the order up. Loads already planned never move: accepting an order makes
no other one late.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import Catalogue, Operation, Recipe, Sku
from wholesale.core.production.bench import Bench, Task, days_back, usable_on
from wholesale.core.production.calendar import ONE_DAY, Calendar
from wholesale.core.production.work import Demand, Load, Pick, Plan, Portion, pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal, ceil_div


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Pieces of a demand that travel together: the days of their steps, sellable-on and leaving day.

    ``steps`` holds (operation code, last day of the step); empty for pieces from stock.
    """

    demand: str
    sku: Sku
    pieces: int
    steps: tuple[tuple[str, date], ...]
    sellable_on: date
    leaves: date


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A new plan, and where the inserted pieces went."""

    plan: Plan
    placed: tuple[Placed, ...]

    def leaves(self, demand: str | None = None) -> date:
        """The day the last piece (of one demand, or of all) leaves."""
        return max(group.leaves for group in self.placed if demand in {None, group.demand})


@dataclass(frozen=True, kw_only=True)
class Shop:
    """What the planner stands on: catalogue, calendar, horizon in days."""

    catalogue: Catalogue
    calendar: Calendar
    horizon_days: int


def insert(shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], first_day: date) -> Outcome:
    """Place new demands, one after the other, from ``first_day`` on.

    A ``Refusal`` names the demand and the step when the horizon has no room.
    """
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    placed: list[Placed] = []
    for demand in demands:
        placed += _Insertion(shop, bench, demand).run()
    return Outcome(plan=bench.plan(), placed=tuple(placed))


def mend(
    shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], first_day: date, today: date
) -> Outcome:
    """The plan after something happened: what is overdue, short or without its place is placed again, all else stays.

    Demands are all open ones. A demand is taken up again when one of its loads is
    past (before ``today``) or has lost its day, quota or minutes, a step came out
    short, or parts it counts on are missing; its unfinished pieces are placed anew,
    served by promised date, then rank.
    """
    on_hand = tuple(stock)
    in_order = sorted(demands, key=lambda d: (d.promised or date.max, d.rank, d.key))
    kept = _that_still_fit(shop, plan, in_order, today)
    torn = {d.key for d in in_order if remainder(shop.catalogue, kept, d) != planned(shop.catalogue, kept, d)}
    kept = lift(kept, torn, shop.catalogue)
    while short := _first_short(shop, kept, on_hand, first_day, in_order, torn):
        torn.add(short)
        kept = lift(kept, torn, shop.catalogue)
    bench = Bench(shop.catalogue, shop.calendar, kept, on_hand, first_day)
    placed: list[Placed] = []
    for demand in (d for d in in_order if d.key in torn):
        # The furthest along first: fresh pieces must not take the room of bases that wait.
        for step, pieces in reversed(remainder(shop.catalogue, kept, demand).items()):
            placed += _Insertion(shop, bench, replace(demand, pieces=pieces), step, kept).run()
    mended = _without_spare_casts(shop, bench.plan(), torn, on_hand, first_day)
    return Outcome(plan=mended, placed=tuple(placed))


def _without_spare_casts(
    shop: Shop, plan: Plan, torn: set[str], stock: Iterable[OnHand], first_day: date
) -> Plan:  # fmt: skip
    """The plan less the unfinished casts that demands placed anew left behind and nobody counts on, latest first."""
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    loads = list(plan.loads)
    for number in reversed(range(len(loads))):
        if not loads[number].done:
            kept = (_counted_on(shop, bench, loads[number].day, p, torn) for p in loads[number].portions)
            loads[number] = replace(loads[number], portions=tuple(p for p in kept if p.pieces))
    return replace(plan, loads=tuple(load for load in loads if load.portions))


def _counted_on(shop: Shop, bench: Bench, day: date, portion: Portion, torn: set[str]) -> Portion:
    """A portion less the spare pieces in it, if it is a cast for one of the demands; the bench no longer has those."""
    item = shop.catalogue.items[portion.sku.item]
    if portion.demand not in torn or item.kind != "part":
        return portion
    usable = usable_on(bench.operation(portion.sku, portion.operation), day)
    spare = min(portion.pieces, int(bench.free_on(portion.sku, usable) / Fraction(item.yield_share)))
    bench.supply(portion.sku, usable, -Fraction(item.yield_share) * spare)
    return portion._replace(pieces=portion.pieces - spare)


def _that_still_fit(shop: Shop, plan: Plan, in_order: Sequence[Demand], today: date) -> Plan:
    """What is done, and the loads from today on that still have their place; who is served first keeps it first."""
    history = Plan(loads=tuple(load for load in plan.loads if load.done))
    bench = Bench(shop.catalogue, shop.calendar, history, (), today)
    rank = {demand.key: place for place, demand in enumerate(in_order)}

    def place(numbered: tuple[int, Load]) -> int:
        return min(rank.get(portion.demand, len(rank)) for portion in numbered[1].portions)

    todo = [(number, load) for number, load in enumerate(plan.loads) if load.portions and not load.done]
    kept = {number for number, load in sorted(todo, key=place) if bench.keeps(load)}
    loads = tuple(load for number, load in enumerate(plan.loads) if load.done or number in kept)
    return Plan(loads=loads, picks=plan.picks)


def without(shop: Shop, plan: Plan, gone: set[str], stock: Iterable[OnHand], first_day: date) -> Plan:
    """The plan when these demands fall away; parts being cast for them stay if others count on them."""

    def keeps(load: Load) -> Load:
        return load if load.done else replace(load, portions=tuple(p for p in load.portions if p.demand not in gone))

    loads = (keeps(load) for load in plan.loads)
    left = Plan(
        loads=tuple(load for load in loads if load.portions), picks=tuple(p for p in plan.picks if p.demand not in gone)
    )
    bench = Bench(shop.catalogue, shop.calendar, left, stock, first_day)
    cast = {p.sku for load in plan.loads for p in load.portions if shop.catalogue.items[p.sku.item].kind == "part"}
    return (
        replace(lift(plan, gone, shop.catalogue), picks=left.picks)
        if any(bench.short_on(sku) for sku in cast)
        else left
    )


def lift(plan: Plan, demands: set[str], catalogue: Catalogue) -> Plan:
    """The plan without the unfinished product steps of these demands; parts being cast for them stay."""

    def keeps(load: Load) -> Load:
        stay = tuple(p for p in load.portions if p.demand not in demands or catalogue.items[p.sku.item].kind == "part")
        return load if load.done else replace(load, portions=stay)

    loads = (keeps(load) for load in plan.loads)
    return Plan(loads=tuple(load for load in loads if load.portions), picks=plan.picks)


def remainder(catalogue: Catalogue, plan: Plan, demand: Demand) -> dict[int, int]:
    """Pieces still to be made, by the step they wait for.

    A step's queue is what came good from the step before less what was put into it;
    what is alive nowhere (rejects included) waits for the first step.
    """
    done = [
        p for load in plan.loads if load.done for p in load.portions if (p.demand, p.sku) == (demand.key, demand.sku)
    ]
    codes = [step.code for step in catalogue.recipe(demand.sku.item).operations]
    into = [sum(p.pieces for p in done if p.operation == code) for code in codes]
    good = [sum(p.counted for p in done if p.operation == code) for code in codes]
    waiting = [0] + [good[i - 1] - into[i] for i in range(1, len(codes))]
    waiting[0] = demand.pieces - _picked(plan, demand) - good[-1] - sum(waiting)
    return {step: pieces for step, pieces in enumerate(waiting) if pieces > 0}


def planned(catalogue: Catalogue, plan: Plan, demand: Demand) -> dict[int, int]:
    """Pieces that the plan's unfinished loads take in at each step beyond what comes from the step before."""
    steps = catalogue.recipe(demand.sku.item).operations
    todo = [load for load in plan.loads if not load.done]
    taken = [sum(pieces_by_day(todo, demand.sku, step.code, demand.key).values()) for step in steps]
    own = {i: taken[i] - (taken[i - 1] if i else 0) for i in range(len(steps))}
    return {i: pieces for i, pieces in own.items() if pieces}


def _picked(plan: Plan, demand: Demand) -> int:
    return sum(pick.pieces for pick in plan.picks if pick.demand == demand.key)


def _done_on(plan: Plan, demand: Demand, operation: Operation) -> date | None:
    """The last day on which a step was really done for a demand."""
    days = [load.day for load in plan.loads if load.done for p in load.portions
            if (p.demand, p.sku, p.operation) == (demand.key, demand.sku, operation.code)]  # fmt: skip
    return max(days, default=None)


def _first_short(
    shop: Shop, plan: Plan, stock: Iterable[OnHand], first_day: date, demands: Sequence[Demand], torn: set[str]
) -> str | None:
    """The demand to take up again because a part is short: the last in line of those that need it then."""
    bench = Bench(shop.catalogue, shop.calendar, plan, stock, first_day)
    for sku in sorted({p.sku for load in plan.loads for p in load.portions}):
        for part, _ in _parts(shop.catalogue, sku):
            if short := bench.short_on(part):
                using = [d.key for d in demands if d.key not in torn and _uses(shop.catalogue, plan, d, part, short[0])]
                if using:
                    return using[-1]
    return None


def _parts(catalogue: Catalogue, sku: Sku) -> list[tuple[Sku, str]]:
    recipe = catalogue.recipe(sku.item)
    return [(catalogue.component(line, sku.scent), line.step) for line in recipe.lines if line.component and line.step]


def _uses(catalogue: Catalogue, plan: Plan, demand: Demand, part: Sku, by: date) -> bool:
    """Whether a demand's work to do takes the part on or before a day."""
    steps = {step for sku, step in _parts(catalogue, demand.sku) if sku == part}
    loads = (load for load in plan.loads if not load.done and load.day <= by)
    todo = (p for load in loads for p in load.portions if p.demand == demand.key)
    return any(p.operation in steps for p in todo)


class _Insertion:
    """One demand on its way into the plan: from stock first, then group by group through its steps."""

    def __init__(self, shop: Shop, bench: Bench, demand: Demand, step: int = 0, history: Plan | None = None) -> None:
        self.shop = shop
        self.bench = bench
        self.demand = demand
        self.first_step = step
        self.recipe: Recipe = shop.catalogue.recipe(demand.sku.item)
        self.history = history or Plan()

    def run(self) -> list[Placed]:
        """Place all pieces; what stock covers is not made."""
        placed = [] if self.first_step else self._from_stock()
        left = self.demand.pieces - sum(group.pieces for group in placed)
        anchor = self.recipe.cure_step
        day = self.bench.first_day
        last = day + self.shop.horizon_days * ONE_DAY
        while left and day <= last:
            group = self._most(left, day, anchor) if self.bench.calendar.is_work(day) else None
            if group:
                placed.append(group)
                left -= group.pieces
            day += ONE_DAY
        if left:
            raise Refusal(
                "no_room",
                f"{self.demand.sku}: {left} pieces find no room in the next {self.shop.horizon_days} days.",
                "cases",
            )
        return placed

    def _from_stock(self) -> list[Placed]:
        """Reserve free finished pieces, soonest sellable first."""
        sku, left, placed = self.demand.sku, self.demand.pieces, []
        for day in [self.bench.first_day, *self.bench.supply_days(sku)]:
            take = min(left, int(self.bench.free_on(sku, day)))
            if take and day >= self.bench.first_day:
                self.bench.pick(Pick(self.demand.key, sku, take, day))
                leaves = self.bench.calendar.work_from(day)
                placed.append(
                    Placed(demand=self.demand.key, sku=sku, pieces=take, steps=(), sellable_on=day, leaves=leaves)
                )
                left -= take
        return placed

    def _most(self, left: int, day: date, anchor: int) -> Placed | None:
        """The largest group that can pass the anchor step on ``day``, booked; ``None`` when not one piece can."""
        if self.first_step > anchor:
            return self._after_cure(left, day, anchor)
        task = self._task(anchor)
        most = min(left, self.bench.room(task, day))
        if not most or not self._fits(1, day, anchor):
            return None
        if whole := self._group(most, day, anchor):
            return whole
        low, best = 1, most - 1
        while low < best:
            middle = (low + best + 1) // 2
            if self._fits(middle, day, anchor):
                low = middle
            else:
                best = middle - 1
        return self._group(low, day, anchor)

    def _fits(self, pieces: int, day: date, anchor: int) -> bool:
        """Whether so many pieces can pass the anchor step on ``day``; nothing stays booked."""
        mark = self.bench.mark()
        group = self._group(pieces, day, anchor)
        self.bench.back_to(mark)
        return group is not None

    def _group(self, pieces: int, day: date, anchor: int) -> Placed | None:
        """Book a group whose anchor step is on ``day``; ``None``, with nothing booked, when something has no room."""
        mark = self.bench.mark()
        days: dict[int, date] = {anchor: day}
        booked = (
            self._book_parts(anchor, pieces, day)
            and self._book(anchor, day, pieces)
            and self._upstream(anchor - 1, pieces, day, days)
        )
        if not booked:
            self.bench.back_to(mark)
            return None
        cure = self.recipe.operations[anchor].cure_days or 0
        return self._finish(pieces, day, day + cure * ONE_DAY, anchor + 1, days)

    def _finish(self, pieces: int, day: date, sellable: date, step: int, days: dict[int, date]) -> Placed:
        """Book the steps after the cure began and find the leaving day."""
        leaves = self.bench.calendar.work_from(max(sellable, self.bench.first_day))
        for later in range(step, len(self.recipe.operations)):
            ready = usable_on(self.recipe.operations[later - 1], day)
            day = self._downstream(later, pieces, ready, leaves)
            days[later] = day
            leaves = max(leaves, day)
        codes = self.recipe.operations
        steps = tuple((codes[i].code, days[i]) for i in sorted(days))
        return Placed(
            demand=self.demand.key, sku=self.demand.sku, pieces=pieces, steps=steps, sellable_on=sellable, leaves=leaves
        )

    def _after_cure(self, left: int, day: date, anchor: int) -> Placed | None:
        """Pieces already curing: only the steps after it are left."""
        cured_from = self._done(anchor) or day
        cure = self.recipe.operations[anchor].cure_days or 0
        return self._finish(
            left, self._done(self.first_step - 1) or day, cured_from + cure * ONE_DAY, self.first_step, {}
        )

    def _done(self, step: int) -> date | None:
        return _done_on(self.history, self.demand, self.recipe.operations[step])

    def _task(self, step: int) -> Task:
        return Task(self.demand.sku, self.recipe.operations[step])

    def _book(self, step: int, day: date, pieces: int) -> bool:
        task = self._task(step)
        if self.bench.room(task, day) < pieces:
            return False
        self.bench.book(task, day, pieces, self.demand.key)
        return True

    def _upstream(self, step: int, pieces: int, before: date, days: dict[int, date]) -> bool:
        """Book the steps before ``before``, as late as their waits allow, started loads first."""
        if step < self.first_step:
            done = self._done(step) if step >= 0 else None
            return done is None or usable_on(self.recipe.operations[step], done) <= before
        operation = self.recipe.operations[step]
        window = [day for day in days_back(operation, before) if day >= self.bench.first_day]
        for room in (self.bench.joinable, self.bench.room):
            for day in window:
                take = min(pieces, room(self._task(step), day))
                if take and self._step_back(step, take, day, days):
                    pieces -= take
        return pieces == 0

    def _step_back(self, step: int, pieces: int, day: date, days: dict[int, date]) -> bool:
        mark = self.bench.mark()
        if (
            self._book_parts(step, pieces, day)
            and self._book(step, day, pieces)
            and self._upstream(step - 1, pieces, day, days)
        ):
            days[step] = max(day, days.get(step, day))
            return True
        self.bench.back_to(mark)
        return False

    def _downstream(self, step: int, pieces: int, ready: date, leaves: date) -> date:
        """Book a step after the cure began: late, but before the leaving day where there is room. The last day used."""
        task = self._task(step)
        calendar = self.bench.calendar
        before = list(calendar.work_days(max(ready, self.bench.first_day), leaves - ONE_DAY))
        after = calendar.work_days(max(leaves, ready, self.bench.first_day), leaves + self.shop.horizon_days * ONE_DAY)
        last = ready
        for day in (*reversed(before), *after):
            take = min(pieces, self.bench.room(task, day))
            if take:
                self.bench.book(task, day, take, self.demand.key)
                pieces -= take
                last = max(last, day)
            if not pieces:
                return last
        raise Refusal(
            "no_room", f"{self.demand.sku}: no minutes left for step {task.operation.name} in the horizon.", "cases"
        )

    def _book_parts(self, step: int, pieces: int, day: date) -> bool:
        """Take the parts a step needs on ``day``, casting what is missing; ``False`` when they can't be there."""
        for part, each in self.bench.parts_of(self._task(step)):
            missing = each * pieces - self.bench.free_on(part, day)
            if missing > 0 and not self._cast(part, missing, day):
                return False
            self.bench.supply(part, day, -each * pieces)
        return True

    def _cast(self, part: Sku, missing: Fraction, by: date) -> bool:
        """Make good parts in time for a day, as early as there is room: starts = missing ÷ yield, rounded up."""
        item = self.shop.catalogue.items[part.item]
        starts = ceil_div(missing, item.yield_share)
        task = Task(part, item.recipe.operations[-1]) if item.recipe else None
        day = self.bench.first_day
        while task and starts and usable_on(task.operation, day) <= by:
            take = min(starts, self.bench.room(task, day))
            if take:
                self.bench.book(task, day, take, self.demand.key)
                self.bench.supply(part, usable_on(task.operation, day), Fraction(item.yield_share) * take)
                starts -= take
            day += ONE_DAY
        return starts == 0
