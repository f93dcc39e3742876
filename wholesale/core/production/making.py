"""Pieces of one sku through its steps: a step on a day, what must go before it, and the parts it takes.

Steps before another go as late as their waits allow, joining started loads first,
so that pots are filled; parts are made as early as there is room.
"""

from collections.abc import Callable
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import NO_LIMIT, Operation, Sku
from wholesale.core.production.bench import Bench, Flow
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.tasks import Task, days_back, latest_for, usable_on
from wholesale.core.production.work import Shop
from wholesale.core.production.yields import risk_of, starts, step_yields, yields_from
from wholesale.core.values import ceil_div

#: A day behind all others.
LAST_DAY = date.max


class Making:
    """Books one sku's steps for one demand on a bench.

    ``shares`` is pieces of the next step (good ones, after the last) that each piece
    into a step is counted for. Nothing begins before ``first_day``, nor before
    ``first_step``: it waits there.
    """

    def __init__(
        self, shop: Shop, bench: Bench, key: str, sku: Sku, shares: tuple[Fraction, ...], first_day: date
    ) -> None:
        self.shop = shop
        self.bench = bench
        self.key = key
        self.sku = sku
        self.shares = shares
        self.first_day = first_day
        self.first_step = 0
        #: Since when pieces really stand ready after a step: the maker decides whether they are too old.
        self.waited: dict[int, date] = {}
        self.steps = shop.catalogue.steps(sku.item)
        self._tasks = [Task(sku, step) for step in self.steps]

    def task(self, step: int) -> Task:
        """A step of the sku, by its place."""
        return self._tasks[step]

    def out_of(self, step: int) -> Sku | Flow:
        """Where pieces stand that came out of a step: before the next one."""
        return Flow(self.key, self.sku, step)

    def into(self, step: int, pieces: int, day: date, days: dict[int, date]) -> bool:
        """Book pieces into a step on a day, with all that goes before; ``False``, and nothing booked, if it can't be.

        ``days`` gets the last day of each step.
        """
        mark = self.bench.mark()
        if (
            self._take_parts(step, pieces, day)
            and self._book(step, day, pieces)
            and self._upstream(step - 1, pieces, day, days)
        ):
            days[step] = max(day, days.get(step, day))
            self.bench.supply(self.out_of(step), usable_on(self.steps[step], day), self.shares[step] * pieces)
            return True
        self.bench.back_to(mark)
        return False

    def book_most(self, left: int, step: int, day: date, days: dict[int, date]) -> int:
        """Book the most pieces (up to ``left``) that can go into a step on a day with all before it, and say how many.

        Mostly all can that find room themselves, so that is tried first.
        """
        most = min(left, self.bench.room(self.task(step), day))
        if not most or not self._could(step, day):
            return 0
        most = min(most, self._could_come(step - 1, day))
        if self.into(step, most, day, days):
            return most
        return self._book_fewer(most, step, day, days) if most > 1 and self._fits(1, step, day) else 0

    def _book_fewer(self, most: int, step: int, day: date, days: dict[int, date]) -> int:
        pieces = largest(most - 1, lambda n: self._fits(n, step, day))
        self.into(step, pieces, day, days)
        return pieces

    def _fits(self, pieces: int, step: int, day: date) -> bool:
        mark = self.bench.mark()
        fits = self.into(step, pieces, day, {})
        self.bench.back_to(mark)
        return fits

    def _could(self, step: int, day: date) -> bool:
        """Might one piece go into a step on a day? Not where what it needs finds no room, whatever else is booked."""
        parts = self.bench.tasks.parts(self.task(step))
        return all(self._could_take(part, each, day) for part, each, _ in parts) and self._could_follow(step - 1, day)

    def _could_take(self, part: Sku, each: Fraction, day: date) -> bool:
        if self.bench.free_on(part, day) >= each:
            return True
        steps = self.shop.catalogue.steps(part.item)
        if not steps:
            return False
        latest = latest_for(steps[-1], day)
        return self.bench.first_room(Task(part, steps[-1]), self._since(steps[-1], day), latest) is not None

    def _since(self, last: Operation, by: date) -> date:
        """What keeps for so many days only is not made before."""
        return self.first_day if last.days_max is None else max(self.first_day, by - last.days_max * ONE_DAY)

    def _could_follow(self, step: int, before: date) -> bool:
        if step < 0 or self.bench.free_on(self.out_of(step), before):
            return True
        task = self.task(step)
        return step >= self.first_step and any(
            self.bench.room(task, day) and self._could(step, day) for day in self._window(step, before)
        )

    def _could_come(self, step: int, before: date) -> int:
        """Pieces that a step might hand on by ``before``, by its room alone; where some are lost it is not asked."""
        if step < 0 or self.shares[step] != 1:
            return NO_LIMIT
        task = self.task(step)
        room = sum(self.bench.room(task, day) for day in self._window(step, before)) if step >= self.first_step else 0
        return room + int(self.bench.free_on(self.out_of(step), before))

    def _earliest(self, step: int, last: date) -> date | None:
        """No piece can go into a step before this day, by the room for it and for what must go before; if ever."""
        day = self.first_day
        if step and not self.bench.free_on(self.out_of(step - 1), LAST_DAY):
            before = self._earliest(step - 1, last) if step > self.first_step else None
            if before is None:
                return None
            day = usable_on(self.steps[step - 1], before)
        for part, each, _ in self.bench.tasks.parts(self.task(step)):
            day = max(day, self._earliest_part(part, each, last))
        return self.bench.first_room(self.task(step), day, last)

    def _earliest_part(self, part: Sku, each: Fraction, last: date) -> date:
        """No piece has this part before this day: it is free by then, or there is room to make it."""
        steps = self.shop.catalogue.steps(part.item)
        free = self.bench.free_from(part, each, self.first_day)
        room = self.bench.first_room(Task(part, steps[-1]), self.first_day, last) if steps else None
        made = usable_on(steps[-1], room) if room else LAST_DAY
        return min(made, free or LAST_DAY)

    def _window(self, step: int, before: date) -> list[date]:
        """Days on which a step may be done so that the next may follow, latest first."""
        return [day for day in days_back(self.steps[step], before) if day >= self.first_day]

    def _book(self, step: int, day: date, pieces: int) -> bool:
        task = self.task(step)
        if self.bench.room(task, day) < pieces:
            return False
        self.bench.book(task, day, pieces, self.key)
        return True

    def _upstream(self, step: int, pieces: int, before: date, days: dict[int, date]) -> bool:
        """Book what a step must hand on by ``before``, less what waits there, as late as its wait allows."""
        if step < 0:
            return True
        missing = pieces - self._ready_for(step, before)
        if missing > 0 and not self._make(step, missing, before, days):
            return False
        self.bench.supply(self.out_of(step), before, Fraction(-pieces))
        return True

    def _ready_for(self, step: int, before: date) -> Fraction:
        """What a step has handed on and nobody uses; fractions over of what is lost on the way grow too old, too."""
        line, operation = self.out_of(step), self.steps[step]
        free = self.bench.free_on(line, before)
        if not free or operation.days_max is None or self.shares[step] == 1:
            return free
        keeps = before - usable_on(operation, before - operation.days_max * ONE_DAY)
        return min(free, self.bench.fresh_on(line, before, keeps, self.waited.get(step)))

    def _make(self, step: int, missing: Fraction, before: date, days: dict[int, date]) -> bool:
        if step < self.first_step or not self.shares[step]:
            return False
        pieces = ceil_div(missing, self.shares[step])
        window = self._window(step, before)
        in_vain: set[date] = set()
        for room in (self.bench.joinable, self.bench.room):
            for day in window:
                take = 0 if day in in_vain else min(pieces, room(self.task(step), day))
                if take and self.into(step, take, day, days):
                    pieces -= take
                elif take:
                    in_vain.add(day)
        return pieces == 0

    def _take_parts(self, step: int, pieces: int, day: date) -> bool:
        """Take the parts a step needs on ``day``, making what is missing; ``False`` when they can't be there."""
        for part, each, _ in self.bench.tasks.parts(self.task(step)):
            missing = each * pieces - self.bench.free_on(part, day)
            if missing > 0 and not self._part(step, part, each, missing).make(missing, day):
                return False
            self.bench.supply(part, day, -each * pieces)
        return True

    def _part(self, step: int, part: Sku, each: Fraction, missing: Fraction) -> "PartMaking":
        return PartMaking(self.shop, self.bench, self.key, part, part_shares(self.shop, part, missing), self.first_day)


class PartMaking(Making):
    """Makes good parts in time for a day."""

    def out_of(self, step: int) -> Sku | Flow:
        """Out of the last step a part stands on the shelf."""
        return self.sku if step == len(self.steps) - 1 else super().out_of(step)

    def make(self, missing: Fraction, by: date) -> bool:
        """Make so many good parts as early as there is room; starts = missing ÷ yield, rounded up.

        What has no steps, a material, nobody makes.
        """
        if not self.steps:
            return False
        last = len(self.steps) - 1
        task, latest = self.task(last), latest_for(self.steps[last], by)
        pieces = ceil_div(missing, self.shares[last])
        begins = self._earliest(last, latest)
        day = begins and self.bench.first_room(task, max(begins, self._since(self.steps[last], by)), latest)
        while pieces and day:
            pieces -= self.book_most(pieces, last, day, {})
            day = self.bench.first_room(task, day + ONE_DAY, latest)
        return pieces == 0


def part_shares(shop: Shop, part: Sku, good: Fraction) -> tuple[Fraction, ...]:
    """What is counted on of each piece into a part's steps, when ``good`` are needed in all.

    Expected yields; with a shortage risk the pieces started for safety's sake are counted for nothing.
    """
    item = shop.catalogue.items[part.item]
    shares = tuple(Fraction(share) for share in step_yields(item))
    risk = risk_of(shop.catalogue, item)
    if risk is None or good <= 0:
        return shares
    into_last = Fraction(starts(ceil_div(good, 1), yields_from(item)[0], risk))
    for share in shares[:-1]:
        into_last *= share
    return (*shares[:-1], good / ceil_div(into_last, 1))


def largest(most: int, fits: Callable[[int], bool]) -> int:
    """The largest number up to ``most`` that fits, when 1 does and all below one that does."""
    low = 1
    while low < most:
        middle = (low + most + 1) // 2
        low, most = (middle, most) if fits(middle) else (low, middle - 1)
    return low
