"""One demand on its way into the plan: from stock first, then group by group through its steps."""

from collections.abc import Iterator
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import Operation, Sku
from wholesale.core.production.bench import Bench, Task, usable_on
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.course import Course, course, is_settled
from wholesale.core.production.making import LAST_DAY, Making, PartMaking, part_shares
from wholesale.core.production.work import Demand, Pick, Placed, Plan, Shop
from wholesale.core.values import Refusal, ceil_div, day_words

#: So many days ahead full days are looked for at once.
_AHEAD = 60


class Insertion(Making):
    """Places a demand's pieces; the step that starts the cure goes on the earliest day it can.

    ``on_course`` says what of the demand waits where; without it all pieces are new.
    ``history`` holds the loads behind that.
    """

    def __init__(
        self, shop: Shop, bench: Bench, demand: Demand, on_course: Course | None = None, history: Plan | None = None
    ) -> None:
        self.demand = demand
        self.on_course = on_course or course(shop.catalogue, demand.sku, demand.pieces)
        self.history = history or Plan()
        self.made = 0
        self.anchored = 0
        self._last_ready: dict[int, date] = {}
        self._part_shares: dict[Sku, tuple[Fraction, ...]] = {}
        super().__init__(shop, bench, demand.key, demand.sku, self.on_course.shares)
        self.anchor = shop.catalogue.recipe(demand.sku.item).cure_step if self.steps else 0
        self.full = self._full_days()

    def _full_days(self) -> frozenset[tuple[Sku, str, date]]:
        """Days that have no room for a step before anything is booked: only where parts are made of parts.

        There the same days are asked for hundreds of times; a booking only takes room.
        """
        tasks = [task for sku in self._parts_below() for task in (Task(sku, s) for s in self._steps_of(sku))]
        days = [self.bench.first_day + n * ONE_DAY for n in range(min(_AHEAD, self.shop.horizon_days))]
        if len(tasks) < 2 or not any(self.bench.parts_of(task) for task in tasks):
            return frozenset()
        return frozenset((t.sku, t.operation.code, day) for t in tasks for day in days if not self.bench.room(t, day))

    def _parts_below(self) -> list[Sku]:
        """Every part that goes into the demand's pieces, through all levels."""
        found: dict[Sku, None] = {}
        waiting = [self.sku]
        while waiting:
            sku = waiting.pop()
            for part in (part.sku for step in self._steps_of(sku) for part in self.bench.parts_of(Task(sku, step))):
                if part not in found:
                    found[part] = None
                    waiting.append(part)
        return list(found)

    def _steps_of(self, sku: Sku) -> tuple[Operation, ...]:
        return self.shop.catalogue.steps(sku.item)

    def run(self) -> list[Placed]:
        """Place all pieces, the furthest along first; what stock covers is not made."""
        placed = [] if self.demand.for_shelf else self._from_stock(self.on_course.fresh)
        taken = sum(group.pieces for group in placed)
        if taken:
            left = self.on_course.good - taken
            self.on_course = course(self.shop.catalogue, self.sku, left, self.on_course.waiting)
            self.shares = self.on_course.shares
        if self.on_course.begins and not self.steps:
            raise self._not_made(self.on_course.fresh)
        return [*placed, *self._made()]

    def _not_made(self, missing: int) -> Refusal:
        message = (
            f"{self.sku} leaves from stock only, and {missing} more are asked for than are free. "
            "Order fewer, or ask the workshop when more comes."
        )
        return Refusal("not_made", message, "cases", missing=missing)

    def _from_stock(self, most: int) -> list[Placed]:
        """Reserve free finished pieces, soonest sellable first."""
        sku, left, placed = self.demand.sku, most, []
        for day in [self.bench.first_day, *self.bench.supply_days(sku)] if most else []:
            take = min(left, int(self.bench.free_on(sku, day)))
            if take and day >= self.bench.first_day:
                self.bench.pick(Pick(self.demand.key, sku, take, day))
                leaves = self.bench.calendar.work_from(day)
                placed.append(
                    Placed(demand=self.demand.key, sku=sku, pieces=take, steps=(), sellable_on=day, leaves=leaves)
                )
                left -= take
        return placed

    def _made(self) -> Iterator[Placed]:
        """What is made: pieces that wait for a step go on, new ones begin at the first."""
        begins = self.on_course.begins
        for step in begins:
            if step and (done := self._done(step - 1)):
                ready = self.waited[step - 1] = usable_on(self.steps[step - 1], done)
                self.bench.supply(self.out_of(step - 1), ready, Fraction(begins[step]))
        for step in reversed(begins):
            self.first_step = step
            yield from self._cured(step) if step > self.anchor else self._from(step, lowest=step == min(begins))

    def _from(self, step: int, *, lowest: bool) -> Iterator[Placed]:
        """Groups of pieces that begin at a step, as many each day as can pass the anchor step on it."""
        left = self.on_course.into[self.anchor] - self.anchored if lowest else self._to_anchor(step)
        day = self.bench.first_day
        last = day + self.shop.horizon_days * ONE_DAY
        cure = self.steps[self.anchor].cure_days or 0
        while left and day <= last:
            days: dict[int, date] = {}
            if self.bench.calendar.is_work(day) and (pieces := self.book_most(left, self.anchor, day, days)):
                self.anchored += pieces
                left -= pieces
                yield from self._finish(day, day + cure * ONE_DAY, self.anchor + 1, days)
            day += ONE_DAY
        if left:
            raise self._no_room()

    def _no_room(self) -> Refusal:
        left = ceil_div(self.on_course.good, 1) - self.made
        message = f"{self.sku}: {left} pieces find no room in the next {self.shop.horizon_days} days."
        return Refusal("no_room", message, "cases")

    def _to_anchor(self, step: int) -> int:
        """Of the pieces that wait for a step, whole ones to count on at the anchor step."""
        counted = Fraction(self.on_course.waiting[step])
        for share in self.shares[step : self.anchor]:
            counted *= share
        return int(counted)

    def _cured(self, step: int) -> Iterator[Placed]:
        """Pieces already curing: only the steps after it are left."""
        day = self.bench.calendar.work_from(self.bench.first_day)
        cured_from = self._done(self.anchor) or day
        cure = self.steps[self.anchor].cure_days or 0
        yield from self._finish(self._done(step - 1) or day, cured_from + cure * ONE_DAY, step, {})

    def _finish(self, day: date, sellable: date, step: int, days: dict[int, date]) -> Iterator[Placed]:
        """Book the steps after the cure began and find the leaving day."""
        leaves = self.bench.calendar.work_from(max(sellable, self.bench.first_day))
        for later in range(step, len(self.steps)):
            ready = self._ready(later, day)
            pieces = int(self.bench.free_on(self.out_of(later - 1), ready))
            if not pieces:
                break
            day = self._downstream(later, pieces, ready, leaves)
            days[later] = day
            leaves = max(leaves, day)
        if good := self._come_good():
            steps = tuple((self.steps[i].code, days[i]) for i in sorted(days))
            yield Placed(
                demand=self.key, sku=self.sku, pieces=good, steps=steps, sellable_on=sellable, leaves=leaves,
                note=self._too_old(days),
            )  # fmt: skip

    def _too_old(self, days: dict[int, date]) -> str:
        """What to tell when pieces that wait for their step will have waited too long; the maker decides about them."""
        step = self.first_step
        before, made = (self.steps[step - 1], self._done(step - 1)) if step else (None, None)
        if before is None or made is None or before.days_max is None or step not in days:
            return ""
        waited = (days[step] - made).days
        if waited <= before.days_max:
            return ""
        return (
            f"{before.name} of {day_words(made)} waits {waited} days for {self.steps[step].name.lower()}, "
            f"{before.days_max} are the most: look at the pieces, and reject those that are no good."
        )

    def _ready(self, step: int, made: date) -> date:
        """When pieces made on a day may go into a step; where some are lost, those of all groups before as well."""
        ready = usable_on(self.steps[step - 1], made)
        if self.shares[step - 1] < 1:
            ready = max(ready, self._last_ready.get(step, ready))
            self._last_ready[step] = ready
        return ready

    def _come_good(self) -> int:
        """Whole good pieces that the last step gives by now and no group has counted yet."""
        line = self.out_of(len(self.steps) - 1)
        good = int(self.bench.free_on(line, LAST_DAY))
        self.bench.supply(line, LAST_DAY, Fraction(-good))
        self.made += good
        return good

    def _downstream(self, step: int, pieces: int, ready: date, leaves: date) -> date:
        """Book a step after the cure began: late, but before the leaving day where there is room. The last day used."""
        task, calendar = self.task(step), self.bench.calendar
        before = list(calendar.work_days(max(ready, self.bench.first_day), leaves - ONE_DAY))
        after = calendar.work_days(max(leaves, ready, self.bench.first_day), leaves + self.shop.horizon_days * ONE_DAY)
        last = ready
        for day in (*reversed(before), *after):
            take = min(pieces, self.bench.room(task, day))
            if take and self._book_later(step, day, take):
                pieces -= take
                last = max(last, day)
            if not pieces:
                return last
        message = f"{self.sku}: no minutes left for step {task.operation.name} in the horizon."
        raise Refusal("no_room", message, "cases")

    def _book_later(self, step: int, day: date, pieces: int) -> bool:
        mark = self.bench.mark()
        if self._take_parts(step, pieces, day) and self._book(step, day, pieces):
            self.bench.supply(self.out_of(step - 1), day, Fraction(-pieces))
            self.bench.supply(self.out_of(step), usable_on(self.steps[step], day), self.shares[step] * pieces)
            return True
        self.bench.back_to(mark)
        return False

    def _done(self, step: int) -> date | None:
        """The last day on which a step was done for this demand, or begun."""
        code = self.steps[step].code
        days = [
            load.day for load in self.history.loads if is_settled(load) for p in load.portions
            if (p.demand, p.sku, p.operation) == (self.key, self.sku, code)
        ]  # fmt: skip
        return max(days, default=None)

    def _part(self, step: int, part: Sku, each: Fraction, missing: Fraction) -> PartMaking:
        """A risk is held for all the parts that the demand needs, not for each group's anew."""
        if part not in self._part_shares:
            in_all = each * self.on_course.into[step] - self.bench.free_on(part, LAST_DAY)
            self._part_shares[part] = part_shares(self.shop, part, max(in_all, missing))
        return PartMaking(self.shop, self.bench, self.key, part, self._part_shares[part])
