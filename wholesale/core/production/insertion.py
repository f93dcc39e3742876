"""One demand on its way into the plan: from stock first, then group by group through its steps."""

from collections.abc import Iterator
from datetime import date
from fractions import Fraction
from itertools import chain

from wholesale.core.catalogue import Sku, sku_name
from wholesale.core.production import supply
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.course import Course, course, is_settled
from wholesale.core.production.making import LAST_DAY, Making, PartMaking, part_shares
from wholesale.core.production.reasons import no_room
from wholesale.core.production.supply import Supplied
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.work import Demand, Pick, Placed, Plan, Shop
from wholesale.core.values import Refusal, ceil_div, day_words


class Insertion(Making):
    """Places a demand's pieces; the step that starts the cure goes on the earliest day it can.

    ``on_course`` says what of the demand waits where; without it all pieces are new.
    ``history`` holds the loads behind that. ``supplied`` is, once it ran, the material
    that was waited for.
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
        self.supplied: Supplied | None = None
        first_day = max(bench.first_day, demand.starts_from or bench.first_day)
        super().__init__(shop, bench, demand.key, demand.sku, self.on_course.shares, first_day)
        self.anchor = shop.catalogue.recipe(demand.sku.item).cure_step if self.steps else 0

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
        if self.on_course.begins:
            self.bench.tasks.refuse_unworkable(self.sku)
        self._look_for_materials()
        return [*placed, *self._made()]

    def _look_for_materials(self) -> None:
        """Note the material that is waited for; a ``Refusal``, before a day is tried, when it will never be enough."""
        needed = supply.needs(self.bench, self.sku, self.on_course.into)
        supply.refuse_never(self.bench, needed)
        self.supplied = supply.awaited(self.bench, needed, self.first_day)

    def _not_made(self, missing: int) -> Refusal:
        name = sku_name(self.shop.catalogue, self.sku)
        message = (
            f"{name} leaves from stock only, and {missing} more are asked for than are free. "
            "Order fewer, or ask the workshop when more comes."
        )
        return Refusal("not_made", message, "cases", missing=missing)

    def _from_stock(self, most: int) -> list[Placed]:
        """Reserve free finished pieces, soonest sellable first; what perishes must be good on the day it leaves."""
        sku, left, placed = self.demand.sku, most, []
        perishes = self.bench.perishes(sku)
        for day in [self.first_day, *self.bench.supply_days(sku)] if most else []:
            wanted = self._leaves(day) if perishes else day
            take = min(left, int(self.bench.free_on(sku, wanted)))
            if take and day >= self.first_day:
                self.bench.pick(Pick(self.demand.key, sku, take, wanted))
                leaves = self._leaves(day)
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
        last = self.first_day + self.shop.horizon_days * ONE_DAY
        cure = self.steps[self.anchor].cure_days or 0
        one_piece = self._one_piece(step)
        day = self._next_day(one_piece, self.first_day, last)
        while left and day:
            days: dict[int, date] = {}
            if pieces := self.book_most(left, self.anchor, day, days):
                self.anchored += pieces
                left -= pieces
                yield from self._finish(day, day + cure * ONE_DAY, self.anchor + 1, days)
            day = self._next_day(one_piece, day + ONE_DAY, last)
        if left:
            raise self._no_room(one_piece)

    def _one_piece(self, step: int) -> supply.Needs:
        """Materials that not one piece can do without, from a step to the one that starts the cure."""
        return supply.needs(self.bench, self.sku, [int(step <= at <= self.anchor) for at in range(len(self.steps))])

    def _next_day(self, needed: supply.Needs, day: date, last: date) -> date | None:
        """The first day from ``day`` on with room for the anchor step, once there were the materials for one piece.

        What is taken at a step before may be past its day by then.
        """
        first = self.first_day
        days = [self.bench.free_from(material, each, first) for material, each in needed.items()]
        covered = [on for on in days if on is not None]
        if len(covered) < len(days):
            return None
        begins = self._earliest(self.anchor, last)
        return begins and self.bench.first_room(self.task(self.anchor), max([day, begins, *covered]), last)

    def _no_room(self, one_piece: supply.Needs) -> Refusal:
        """Why pieces are left over: a material that never comes, or no room within the horizon."""
        left = ceil_div(self.on_course.good, 1) - self.made
        needed = supply.needs(self.bench, self.sku, course(self.shop.catalogue, self.sku, left).into)
        supply.refuse_never(self.bench, needed)
        for material, each in one_piece.items():
            if self.bench.free_from(material, each, self.first_day) is None:
                return supply.never_comes(self.shop.catalogue.items[material.item], needed.get(material, each))
        return no_room(self.bench, self.sku, left, self.first_day)

    def _to_anchor(self, step: int) -> int:
        """Of the pieces that wait for a step, whole ones to count on at the anchor step."""
        counted = Fraction(self.on_course.waiting[step])
        for share in self.shares[step : self.anchor]:
            counted *= share
        return int(counted)

    def _cured(self, step: int) -> Iterator[Placed]:
        """Pieces already curing: only the steps after it are left."""
        day = self.bench.calendar.work_from(self.first_day)
        cured_from = self._done(self.anchor) or day
        cure = self.steps[self.anchor].cure_days or 0
        yield from self._finish(self._done(step - 1) or day, cured_from + cure * ONE_DAY, step, {})

    def _finish(self, day: date, sellable: date, step: int, days: dict[int, date]) -> Iterator[Placed]:
        """Book the steps after the cure began and find the leaving day."""
        leaves = self.bench.calendar.work_from(max(sellable, self.first_day))
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
                demand=self.key, sku=self.sku, pieces=good, steps=steps, sellable_on=sellable,
                leaves=self._leaves(leaves), note=self._too_old(days),
            )  # fmt: skip

    def _leaves(self, ready: date) -> date:
        """The work day on which what is ready leaves: no sooner than it is wanted."""
        return self.bench.calendar.work_from(max(ready, self.demand.leaves_from or ready))

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
        before = list(calendar.work_days(max(ready, self.first_day), leaves - ONE_DAY))
        after = calendar.work_days(max(leaves, ready, self.first_day), leaves + self.shop.horizon_days * ONE_DAY)
        last = ready
        for day in chain(reversed(before), after):
            take = min(pieces, self.bench.room(task, day))
            if take and self._book_later(step, day, take):
                pieces -= take
                last = max(last, day)
            if not pieces:
                return last
        raise no_room(self.bench, self.sku, pieces, self.first_day)

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
        return PartMaking(self.shop, self.bench, self.key, part, self._part_shares[part], self.first_day)
