"""The bench while a plan is being made: room in loads, hands-minutes, parts by day.

Values go in, ``plan()`` gives a value back, and every booking can be undone to the mark
it started from. Nothing of it is for two users at a time.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from operator import attrgetter
from typing import NamedTuple

from wholesale.core.catalogue import NO_LIMIT, ItemKind, Operation, Sku
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.draft import Draft, Key
from wholesale.core.production.takes import binds
from wholesale.core.production.tasks import Task, Tasks, usable_on
from wholesale.core.production.work import Load, Pick, Plan, Portion, Shop, Work
from wholesale.core.production.yields import risk_of, step_yields
from wholesale.core.stock import OnHand, Timeline


class Flow(NamedTuple):
    """Pieces of a demand on their way from one step (by its place) of a sku to the next."""

    demand: str
    sku: Sku
    step: int


#: What was asked of a day's room, of which step.
_Asked = tuple[str, Sku, str]
#: The room of a day for all that was asked.
_Rooms = dict[_Asked, int]
#: How a change of a timeline is booked: put there, or taken back.
_Book = Callable[[Timeline, date, Fraction], None]


class Bench:
    """Room, minutes, parts and materials of the days ahead, given a plan and the stock on hand.

    ``first_day`` is the first day that may still be used. Several things may be tried on
    one bench: ``mark`` it, insert, read, and go ``back_to`` the mark.
    """

    def __init__(self, shop: Shop, plan: Plan, stock: Iterable[OnHand], first_day: date) -> None:
        self.shop = shop
        self.catalogue = shop.catalogue
        self.calendar = shop.calendar
        self.tasks = Tasks(shop.catalogue)
        self.first_day = first_day
        self.picks = list(plan.picks)
        self._drafts: dict[tuple[str, date], list[Draft]] = defaultdict(list)
        self._minutes: dict[tuple[str, date], Decimal] = defaultdict(Decimal)
        self._lines: dict[Sku | Flow, Timeline] = defaultdict(Timeline)
        #: Is there a material that the plan waits for?
        self.has_binding = any(binds(item) for item in shop.catalogue.items.values())
        #: Room by day, worked out once; what is booked on a day has it worked out anew until that is undone.
        self._rooms: dict[date, _Rooms] = defaultdict(dict)
        #: No day before has room for a step; only a load that is started may give it some again.
        self._full_before: dict[tuple[Sku, str], date] = {}
        #: The steps this is noted of, by the work that may give them room again.
        self._full_of: dict[Work, set[tuple[Sku, str]]] = defaultdict(set)
        self._undo: list[tuple[Callable[..., object], *tuple[object, ...]]] = []
        for on_hand in stock:
            self._lines[on_hand.sku].add(on_hand.usable_on, on_hand.quantity, on_hand.expires_on)
        #: What the given plan is for: a load of it that did not change is for nothing else.
        self._given = {portion.demand for load in plan.loads for portion in load.portions}
        self._counted = self._counted_on(plan)
        for load in plan.loads:
            self._take_over(load)
        for pick in plan.picks:
            self._lines[pick.sku].add(max(pick.sellable_on, first_day), Fraction(-pick.pieces))
        self._undo.clear()

    # ── marks ────────────────────────────────────────────────────────────────

    def mark(self) -> int:
        """Where the bookings stand, to come back to."""
        return len(self._undo)

    def back_to(self, mark: int) -> None:
        """Undo every booking since the mark."""
        while len(self._undo) > mark:
            undo, *given = self._undo.pop()
            undo(*given)

    def keep(self) -> None:
        """Forget how to undo what is booked by now: no mark set so far is come back to."""
        self._undo.clear()

    def move_to(self, shop: Shop) -> None:
        """Have the same bookings at a bench with other days or another number of equipment: room is found out anew.

        No mark set so far is come back to.
        """
        self.keep()
        self.shop, self.catalogue, self.calendar = shop, shop.catalogue, shop.calendar
        self._rooms.clear()
        self._full_before.clear()

    def plan(self) -> Plan:
        """The plan as it now stands, by day, equipment and work."""
        # Work of one equipment stands together: sorting each day's few loads is sorting them all.
        days = sorted(self._drafts.items(), key=lambda of_day: (of_day[0][1], of_day[0][0]))
        drafts = (draft for _, of_day in days for draft in sorted(of_day, key=attrgetter("work")))
        loads = (draft.load() for draft in drafts)
        return Plan(loads=tuple([load for load in loads if load.portions]), picks=tuple(self.picks))

    def portions_of(self, demand: str) -> list[tuple[date, Sku, str]]:
        """(day, sku, step) of all that is planned for one demand."""
        known = demand in self._given
        return [
            (draft.day, key[1], key[2]) for drafts in self._drafts.values() for draft in drafts
            if known or draft.changes or draft.of is None
            for key, pieces in draft.portions.items() if key[0] == demand and pieces
        ]  # fmt: skip

    # ── parts and finished stock ─────────────────────────────────────────────

    def free_on(self, sku: Sku | Flow, day: date) -> Fraction:
        """What can be taken of a part, a product or a step's output on a day, and isn't spoken for later."""
        line = self._lines.get(sku)
        return line.free_on(day) if line else Fraction(0)

    def free_from(self, sku: Sku, quantity: Fraction, day: date) -> date | None:
        """The first day, not before ``day``, on which so much of a sku can be taken; ``None`` when there is none."""
        return self._lines[sku].free_from(day, quantity)

    def perishes(self, sku: Sku) -> bool:
        """Is some of a sku good up to a day only?"""
        line = self._lines.get(sku)
        return line is not None and line.perishes

    def left_of(self, sku: Sku) -> Fraction:
        """What of all that is there and comes nobody needs, whenever it is good; below 0 where more is needed."""
        return self._lines[sku].left

    def short_on(self, sku: Sku | Flow) -> tuple[date, Fraction] | None:
        """First day on which a part, or what a step needs, is short, and by how much."""
        return self._lines[sku].short_on()

    def flows(self) -> list[Flow]:
        """The ways of parts between their steps."""
        return sorted(line for line in self._lines if isinstance(line, Flow))

    def fresh_on(self, line: Sku | Flow, day: date, keeps: timedelta, waited: date | None) -> Fraction:
        """What is left on a day of what came at most ``keeps`` before, or on ``waited``; see ``Timeline.fresh_on``."""
        return self._lines[line].fresh_on(day, keeps, waited)

    def supply_days(self, sku: Sku) -> list[date]:
        """Days on which more of a sku comes."""
        return self._lines[sku].supply_days()

    def supply(self, sku: Sku | Flow, day: date, quantity: Fraction) -> None:
        """Book that so many (negative: are needed) on a day."""
        line = self._lines[sku]
        line.add(day, quantity)
        self._undo.append((line.take_back, day, quantity))

    def pick(self, pick: Pick) -> None:
        """Reserve finished pieces."""
        self.picks.append(pick)
        self._undo.append((self.picks.remove, pick))
        self.supply(pick.sku, max(pick.sellable_on, self.first_day), Fraction(-pick.pieces))

    # ── room ─────────────────────────────────────────────────────────────────

    def room(self, task: Task, day: date) -> int:
        """Pieces of a step that can still be done on a day: work day, equipment and hands."""
        known, key = self._rooms[day], ("room", task.sku, task.operation.code)
        if key not in known:
            known[key] = self._room(task, day)
        return known[key]

    def first_room(self, task: Task, first: date, last: date) -> date | None:
        """The first day of these with room for a step."""
        key = (task.sku, task.operation.code)
        known = self._full_before.get(key, self.first_day)
        day = max(first, known)
        while day <= last and not self.room(task, day):
            day += ONE_DAY
        if first <= known < day:
            self._full_of[self.tasks.size(task).work].add(key)
            self._set_full_before(key, day)
        return day if day <= last else None

    def _set_full_before(self, key: tuple[Sku, str], day: date) -> None:
        self._undo.append((self._full_before.__setitem__, key, self._full_before.get(key, self.first_day)))
        self._full_before[key] = day

    def _give_room(self, started: Draft) -> None:
        """Steps of the same work may find room in a load that was started."""
        for key in self._full_of.get(started.work, ()):
            if started.day < self._full_before.get(key, self.first_day):
                self._set_full_before(key, started.day)

    def _room(self, task: Task, day: date) -> int:
        if day < self.first_day or not self.calendar.is_work(day):
            return 0
        return min(self.equipment_room(task, day), self.hands_room(task, day))

    def equipment_room(self, task: Task, day: date) -> int:
        """Pieces that fit into the day's started and new loads."""
        if not task.operation.equipment:
            return NO_LIMIT
        there = self.shop.count_of(task.operation.equipment, day)
        if not there:
            return 0
        new = self._new_loads(task, day, there)
        return min(NO_LIMIT, self._shared(task, day) + (new * self.tasks.load_pieces(task) if new else 0))

    def _shared(self, task: Task, day: date) -> int:
        """Pieces that fit into loads already planned for that day."""
        known, key = self._rooms[day], ("shared", task.sku, task.operation.code)
        if key not in known:
            known[key] = sum(self._room_in(draft, task) for draft in self._open(task, day))
        return known[key]

    def hands_room(self, task: Task, day: date) -> int:
        """Pieces the day's remaining minutes allow; a new load's own minutes come off first."""
        left = self.minutes_left(task.operation.hands, day)
        if left is None:
            return NO_LIMIT
        per_piece, per_load = task.operation.minutes_per_piece, task.operation.minutes_per_load
        if not per_piece and not per_load:
            return NO_LIMIT
        if not per_load:
            return max(0, int(left // per_piece))
        return self._hands_room_by_load(task, day, left)

    def minutes_left(self, hands: str, day: date) -> Decimal | None:
        """Minutes nobody has spoken for; ``None`` when that group's minutes are not counted."""
        minutes = self.calendar.minutes(hands, day) if hands else None
        return None if minutes is None else minutes - self._minutes[hands, day]

    def joinable(self, task: Task, day: date) -> int:
        """Pieces that fit into loads already planned for that day, hands permitting."""
        if day < self.first_day or not self._shared(task, day) or not self.calendar.is_work(day):
            return 0
        return min(self._shared(task, day), self.hands_room(task, day))

    def book(self, task: Task, day: date, pieces: int, demand: str) -> None:
        """Put pieces into the day's loads, started ones first; the caller has asked for the room."""
        self.use_minutes(task.operation, day, task.operation.minutes_per_piece * pieces)
        for draft in self._open(task, day):
            pieces -= self._fill(draft, task, min(pieces, self._room_in(draft, task)), demand)
        while pieces:
            draft = self._start_load(task, day)
            pieces -= self._fill(draft, task, min(pieces, self._room_in(draft, task)), demand)

    def use_minutes(self, operation: Operation, day: date, minutes: Decimal) -> None:
        """Take minutes of the operation's hands."""
        if minutes:
            rooms = self._spend(operation.hands, day, minutes)
            self._undo.append((self._spend, operation.hands, day, -minutes, rooms))

    def _spend(self, hands: str, day: date, minutes: Decimal, rooms: _Rooms | None = None) -> _Rooms | None:
        self._minutes[hands, day] += minutes
        return self._know(day, rooms)

    def _know(self, day: date, rooms: _Rooms | None) -> _Rooms | None:
        """Forget the room of a day, or know it as it was before a booking that is undone; what was known till now."""
        known = self._rooms.pop(day, None)
        if rooms is not None:
            self._rooms[day] = rooms
        return known

    def keeps(self, load: Load) -> bool:
        """Whether a planned load still has its work, day, quota, size and minutes; it is counted if so."""
        kept = (
            load.day >= self.first_day
            and len(self._tasks(load)) == len(load.portions)
            and all(self.tasks.size(task).work == load.work for task, _ in self._tasks(load))
            and self.calendar.is_work(load.day)
            and self._has_place(load)
            and all(
                (left := self.minutes_left(hands, load.day)) is None or minutes <= left
                for hands, minutes in self._minutes_of(load).items()
            )
        )
        if kept:
            self._take_over(load)
        return kept

    def forget(self, load: Load, portion: Portion) -> None:
        """Let parts and materials stand as if a portion of the given plan weren't there; its room stays taken."""
        task = self.tasks.of(portion.sku, portion.operation)
        if task:
            self._count(task, load, portion, Timeline.take_back)

    def beside(self, load: Load, task: Task) -> int:
        """Pieces of a step that fit into a planned load beside its own: room and minutes of its day."""
        if load.done or load.begun or task.operation.minutes_per_load > self._draft(load).own_minutes:
            return 0
        trial = self._draft(load)
        for own, portion in self._tasks(load):
            self._fill(trial, own, portion.pieces, portion.demand)
        minutes, each = self.minutes_left(task.operation.hands, load.day), task.operation.minutes_per_piece
        by_hand = NO_LIMIT if minutes is None or not each else max(0, int(minutes // each))
        return min(self._room_in(trial, task), by_hand)

    # ── inside ───────────────────────────────────────────────────────────────

    def _has_place(self, load: Load) -> bool:
        """Whether a load of that size fits, and one more load on its day."""
        tasks = self._tasks(load)
        equipment = tasks[0][0].operation.equipment
        if equipment and not self._new_loads(tasks[0][0], load.day, self.shop.count_of(equipment, load.day)):
            return False
        trial = self._draft(load)
        for task, portion in tasks:
            if self._room_in(trial, task) < portion.pieces:
                return False
            self._fill(trial, task, portion.pieces, portion.demand)
        return True

    def _draft(self, load: Load) -> Draft:
        own = max((task.operation.minutes_per_load for task, _ in self._tasks(load)), default=Decimal(0))
        return Draft(load.work, load.day, own, load)

    def _tasks(self, load: Load) -> list[tuple[Task, Portion]]:
        """The load's portions with their steps; a step that the recipe no longer knows is left out."""
        found = ((self.tasks.of(p.sku, p.operation), p) for p in load.portions)
        return [(task, portion) for task, portion in found if task]

    def _minutes_of(self, load: Load) -> dict[str, Decimal]:
        """Minutes a load takes of each group of hands; its own, once, are the most that one of its steps asks."""
        minutes: dict[str, Decimal] = defaultdict(Decimal)
        tasks = self._tasks(load)
        for task, portion in tasks:
            minutes[task.operation.hands] += task.operation.minutes_per_piece * portion.pieces
        if opened := max((task.operation for task, _ in tasks), key=lambda step: step.minutes_per_load, default=None):
            minutes[opened.hands] += opened.minutes_per_load
        return minutes

    def _take_over(self, load: Load) -> None:
        """Count a load of the given plan: its place, its minutes, the parts it needs or makes."""
        draft, tasks = self._draft(load), self._tasks(load)
        self._drafts[load.work.equipment, load.day].append(draft)
        for hands, minutes in self._minutes_of(load).items():
            self._spend(hands, load.day, minutes)
        for task, portion in tasks:
            self._fill(draft, task, portion.pieces, portion.demand, portion.good)
            self._count(task, load, portion, Timeline.add)
        draft.changes = 0 if len(draft.portions) == len(load.portions) else 1

    def _count(self, task: Task, load: Load, portion: Portion, book: _Book) -> None:
        """What a portion takes off the shelf and puts there, and what it hands on from step to step."""
        if not load.done:
            self._count_parts(task, load, portion, book)
        item = self.catalogue.items[task.sku.item]
        if item.kind is ItemKind.PART and len(self.catalogue.steps(item.code)) > 1:
            self._count_way(task, load, portion, book)

    def _count_parts(self, task: Task, load: Load, portion: Portion, book: _Book) -> None:
        """What a load to do takes of stocked parts, and the good parts that will come of it."""
        for part in self.tasks.parts(task):
            # What is weighed for a begun load has left the shelf already.
            if not (load.begun and part.weighed):
                book(self._lines[part.sku], load.day, -part.each * portion.pieces)
        item = self.catalogue.items[task.sku.item]
        if item.kind is ItemKind.PART and task.operation is self.catalogue.steps(item.code)[-1]:
            share = self._counted.get((portion.demand, task.sku), Fraction(step_yields(item)[-1]))
            book(self._lines[task.sku], usable_on(task.operation, load.day), share * portion.pieces)

    def _count_way(self, task: Task, load: Load, portion: Portion, book: _Book) -> None:
        """Pieces of a part with several steps that come out of a step, and that go into one."""
        item = self.catalogue.items[task.sku.item]
        steps = self.catalogue.steps(item.code)
        at = steps.index(task.operation)
        if at + 1 < len(steps):
            good = portion.counted if load.done else Fraction(step_yields(item)[at]) * portion.pieces
            flow = Flow(portion.demand, task.sku, at)
            book(self._lines[flow], usable_on(task.operation, load.day), Fraction(good))
        if at:
            book(self._lines[Flow(portion.demand, task.sku, at - 1)], load.day, Fraction(-portion.pieces))

    def _counted_on(self, plan: Plan) -> dict[tuple[str, Sku], Fraction]:
        """Good pieces counted on per start of a part with a shortage risk: none beyond what its demand takes.

        So the pieces that are started for safety's sake are nobody else's.
        """
        started: dict[tuple[str, Sku], int] = defaultdict(int)
        needed: dict[tuple[str, Sku], Fraction] = defaultdict(Fraction)
        for load in plan.loads if self.has_risks() else ():
            for task, portion in self._tasks(load) if not load.done else ():
                if task.operation is self.catalogue.steps(task.sku.item)[-1]:
                    started[portion.demand, task.sku] += portion.pieces
                for part in self.tasks.parts(task):
                    needed[portion.demand, part.sku] += part.each * portion.pieces
        return {key: self._share(key, count, needed[key]) for key, count in started.items()}

    def _share(self, key: tuple[str, Sku], started: int, needed: Fraction) -> Fraction:
        item = self.catalogue.items[key[1].item]
        expected = Fraction(step_yields(item)[-1])
        if risk_of(self.catalogue, item) is None or not needed:
            return expected
        return min(expected, needed / started)

    def has_risks(self) -> bool:
        """Does what is counted on of one portion hang on the others?"""
        return any(risk_of(self.catalogue, item) is not None for item in self.catalogue.items.values())

    def _open(self, task: Task, day: date) -> list[Draft]:
        """Started loads that pieces of this step may join: of the same work, and long enough to set up for it."""
        drafts = self._drafts.get((task.operation.equipment, day))
        if not drafts:
            return []
        work, own = self.tasks.size(task).work, task.operation.minutes_per_load
        return [
            d for d in drafts
            if d.work == work and d.own_minutes >= own and not d.done and not d.begun
        ]  # fmt: skip

    def _new_loads(self, task: Task, day: date, there: int) -> int:
        """Loads that may still be started where so many of the equipment are in use."""
        equipment = self.catalogue.equipment[task.operation.equipment]
        if equipment.loads_per_day is None:
            return NO_LIMIT
        begun = len([d for d in self._drafts.get((equipment.code, day), ()) if d.pieces])
        # More loads may stand there than the quota (a tray was taken away): no room is not less than none.
        return max(0, there * equipment.loads_per_day - begun)

    def _room_in(self, draft: Draft, task: Task) -> int:
        size = self.tasks.size(task)
        limits = [NO_LIMIT if size.pieces is None else size.pieces - draft.pieces]
        if size.net_room is not None and size.grams:
            limits.append(int((size.net_room - draft.grams) // size.grams))
        return max(0, min(limits))

    def _hands_room_by_load(self, task: Task, day: date, left: Decimal) -> int:
        per_piece, per_load = task.operation.minutes_per_piece, task.operation.minutes_per_load
        size = self.tasks.load_pieces(task)
        fits = min(
            self._shared(task, day),
            int(left // per_piece) if per_piece else NO_LIMIT,
        )
        left -= fits * per_piece
        whole = int(left // (per_load + size * per_piece))
        rest = left - whole * (per_load + size * per_piece) - per_load
        partial = min(size, int(rest // per_piece) if per_piece else size) if rest >= 0 else 0
        return max(0, fits + whole * size + partial)

    def _start_load(self, task: Task, day: date) -> Draft:
        own = task.operation.minutes_per_load
        draft = Draft(self.tasks.size(task).work, day, own)
        drafts = self._drafts[draft.work.equipment, day]
        drafts.append(draft)
        self._undo.append((drafts.pop,))
        self._give_room(draft)
        self.use_minutes(task.operation, day, own)
        return draft

    def _fill(self, draft: Draft, task: Task, pieces: int, demand: str, good: int | None = None) -> int:
        if not pieces:
            return 0
        key = (demand, task.sku, task.operation.code, good)
        grams = self.tasks.size(task).grams * pieces
        rooms = self._put(draft, key, pieces, grams)
        self._undo.append((self._put, draft, key, -pieces, -grams, rooms))
        return pieces

    def _put(
        self, draft: Draft, key: Key, pieces: int, grams: Decimal, rooms: _Rooms | None = None
    ) -> _Rooms | None:  # fmt: skip
        draft.put(key, pieces, grams)
        return self._know(draft.day, rooms)
