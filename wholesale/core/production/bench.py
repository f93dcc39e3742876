"""The bench while a plan is being made: room in loads, hands-minutes, parts by day.

The only mutable thing in ``core``: values go in, ``plan()`` gives a value back, and
every booking can be undone to the mark it started from.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import (
    NO_LIMIT,
    Basis,
    Catalogue,
    Operation,
    RecipeLine,
    Sku,
    load_pieces,
    melt_grams,
)
from wholesale.core.production.calendar import ONE_DAY, Calendar
from wholesale.core.production.work import Load, Pick, Plan, Portion, Work, work_of
from wholesale.core.stock import OnHand, Timeline


class Task(NamedTuple):
    """One step of one sku."""

    sku: Sku
    operation: Operation


class _Size(NamedTuple):
    """What a step's load is of, net grams a piece, and net grams a load has room for."""

    work: Work
    grams: Decimal
    net_room: Decimal


@dataclass
class _Draft:
    """A load that can still be filled."""

    work: Work
    day: date
    ref: int | None
    done: bool
    own_minutes: Decimal
    portions: dict[tuple[str, Sku, str, int | None], int] = field(default_factory=dict)
    grams: Decimal = Decimal(0)
    pieces: int = 0

    def load(self) -> Load:
        """The load as a value."""
        portions = (Portion(*key[:3], pieces, key[3]) for key, pieces in self.portions.items() if pieces)
        return Load(work=self.work, day=self.day, portions=tuple(portions), ref=self.ref, done=self.done)


class Bench:
    """Room, minutes and parts of the days ahead, given a plan and the stock on hand.

    ``first_day`` is the first day that may still be used.
    """

    def __init__(
        self, catalogue: Catalogue, calendar: Calendar, plan: Plan, stock: Iterable[OnHand], first_day: date
    ) -> None:
        self.catalogue = catalogue
        self.calendar = calendar
        self.first_day = first_day
        self.picks = list(plan.picks)
        self._drafts: dict[tuple[str, date], list[_Draft]] = defaultdict(list)
        self._minutes: dict[tuple[str, date], Decimal] = defaultdict(Decimal)
        self._lines: dict[Sku, Timeline] = defaultdict(Timeline)
        self._sizes: dict[tuple[Sku, str], _Size] = {}
        self._pieces: dict[tuple[str, str], int] = {}
        self._undo: list[Callable[[], object]] = []
        for on_hand in stock:
            self._lines[on_hand.sku].add(on_hand.usable_on, on_hand.quantity)
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
            self._undo.pop()()

    def plan(self) -> Plan:
        """The plan as it now stands, by day, equipment and work."""
        drafts = (draft for drafts in self._drafts.values() for draft in drafts)
        loads = (draft.load() for draft in drafts)
        order = sorted((load for load in loads if load.portions), key=lambda load: (load.day, load.work))
        return Plan(loads=tuple(order), picks=tuple(self.picks))

    # ── parts and finished stock ─────────────────────────────────────────────

    def free_on(self, sku: Sku, day: date) -> Fraction:
        """Pieces of a part or product that can be taken on a day without taking them from a later need."""
        return self._lines[sku].free_on(day)

    def short_on(self, sku: Sku) -> tuple[date, Fraction] | None:
        """First day on which a part is short, and by how much."""
        return self._lines[sku].short_on()

    def supply_days(self, sku: Sku) -> list[date]:
        """Days on which more of a sku comes."""
        return sorted({day for day, quantity in self._lines[sku].changes if quantity > 0})

    def supply(self, sku: Sku, day: date, quantity: Fraction) -> None:
        """Book that so many (negative: are needed) on a day."""
        line = self._lines[sku]
        line.add(day, quantity)
        self._undo.append(lambda: line.take_back(day, quantity))

    def pick(self, pick: Pick) -> None:
        """Reserve finished pieces."""
        self.picks.append(pick)
        self._undo.append(lambda: self.picks.remove(pick))
        self.supply(pick.sku, max(pick.sellable_on, self.first_day), Fraction(-pick.pieces))

    # ── room ─────────────────────────────────────────────────────────────────

    def room(self, task: Task, day: date) -> int:
        """Pieces of a step that can still be done on a day: work day, equipment and hands."""
        if day < self.first_day or not self.calendar.is_work(day):
            return 0
        return min(self.equipment_room(task, day), self.hands_room(task, day))

    def equipment_room(self, task: Task, day: date) -> int:
        """Pieces that fit into the day's started and new loads."""
        if not task.operation.equipment:
            return NO_LIMIT
        shared = sum(self._room_in(draft, task) for draft in self._open(task, day))
        new = self._new_loads(task, day) * self._load_pieces(task)
        return min(NO_LIMIT, shared + new)

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
        if day < self.first_day or not self.calendar.is_work(day):
            return 0
        return min(sum(self._room_in(draft, task) for draft in self._open(task, day)), self.hands_room(task, day))

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
        key = (operation.hands, day)
        self._minutes[key] += minutes

        def undo() -> None:
            self._minutes[key] -= minutes

        self._undo.append(undo)

    def keeps(self, load: Load) -> bool:
        """Whether a planned load still has its day, quota, size and minutes; it is counted if so."""
        kept = (
            load.day >= self.first_day
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

    # ── inside ───────────────────────────────────────────────────────────────

    def _has_place(self, load: Load) -> bool:
        """Whether a load of that size fits, and one more load on its day."""
        tasks = self._tasks(load)
        if not self._new_loads(tasks[0][0], load.day):
            return False
        trial = self._draft(load)
        for task, portion in tasks:
            if self._room_in(trial, task) < portion.pieces:
                return False
            self._fill(trial, task, portion.pieces, portion.demand)
        return True

    def _draft(self, load: Load) -> _Draft:
        own = max((task.operation.minutes_per_load for task, _ in self._tasks(load)), default=Decimal(0))
        return _Draft(load.work, load.day, load.ref, load.done, own)

    def _tasks(self, load: Load) -> list[tuple[Task, Portion]]:
        return [(Task(p.sku, self.operation(p.sku, p.operation)), p) for p in load.portions]

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
        draft = self._draft(load)
        self._drafts[load.work.equipment, load.day].append(draft)
        for hands, minutes in self._minutes_of(load).items():
            self._minutes[hands, load.day] += minutes
        for task, portion in self._tasks(load):
            self._fill(draft, task, portion.pieces, portion.demand, portion.good)
            if not load.done:
                self._count_parts(task, load.day, portion.pieces)

    def _count_parts(self, task: Task, day: date, pieces: int) -> None:
        for sku, each in self.parts_of(task):
            self.supply(sku, day, -each * pieces)
        item = self.catalogue.items[task.sku.item]
        if item.recipe and item.kind == "part" and task.operation is item.recipe.operations[-1]:
            self.supply(task.sku, usable_on(task.operation, day), Fraction(item.yield_share) * pieces)

    def operation(self, sku: Sku, code: str) -> Operation:
        """The step of that code in the sku's recipe."""
        return next(o for o in self.catalogue.recipe(sku.item).operations if o.code == code)

    def parts_of(self, task: Task) -> list[tuple[Sku, Fraction]]:
        """Stocked parts, and how many of each, that one piece takes at this step."""
        return [
            (self.catalogue.component(line, task.sku.scent), Fraction(line.quantity))
            for line in self.catalogue.recipe(task.sku.item).lines
            if line.step == task.operation.code and self._is_stocked_part(line)
        ]

    def _is_stocked_part(self, line: RecipeLine) -> bool:
        if line.component is None or line.basis is not Basis.PER_PIECE:
            return False
        item = self.catalogue.items[line.component]
        return item.kind == "part" and item.recipe is not None and bool(item.recipe.operations)

    def _open(self, task: Task, day: date) -> list[_Draft]:
        """Started loads that pieces of this step may join: of the same work, and long enough to set up for it."""
        work, own = self._size(task).work, task.operation.minutes_per_load
        return [d for d in self._drafts[work.equipment, day] if d.work == work and d.own_minutes >= own and not d.done]

    def _new_loads(self, task: Task, day: date) -> int:
        equipment = self.catalogue.equipment.get(task.operation.equipment)
        if equipment is None or equipment.daily_loads is None:
            return NO_LIMIT
        # More loads may stand there than the quota (a tray was taken away): no room is not less than none.
        return max(0, equipment.daily_loads - len([d for d in self._drafts[equipment.code, day] if d.pieces]))

    def _room_in(self, draft: _Draft, task: Task) -> int:
        equipment = self.catalogue.equipment.get(task.operation.equipment)
        if equipment is None:
            return NO_LIMIT
        limits = [NO_LIMIT if equipment.load_pieces is None else equipment.load_pieces - draft.pieces]
        size = self._size(task)
        if equipment.load_g is not None and size.grams:
            limits.append(int((size.net_room - draft.grams) // size.grams))
        return max(0, min(limits))

    def _size(self, task: Task) -> _Size:
        """What a piece of this step takes of a load: the same sums for every day, so they are done once."""
        key = (task.sku, task.operation.code)
        if key not in self._sizes:
            self._sizes[key] = _size_of(self.catalogue, task)
        return self._sizes[key]

    def _load_pieces(self, task: Task) -> int:
        key = (task.sku.item, task.operation.code)
        if key not in self._pieces:
            self._pieces[key] = load_pieces(self.catalogue, task.sku.item, task.operation)
        return self._pieces[key]

    def _hands_room_by_load(self, task: Task, day: date, left: Decimal) -> int:
        per_piece, per_load = task.operation.minutes_per_piece, task.operation.minutes_per_load
        size = self._load_pieces(task)
        fits = min(
            sum(self._room_in(draft, task) for draft in self._open(task, day)),
            int(left // per_piece) if per_piece else NO_LIMIT,
        )
        left -= fits * per_piece
        whole = int(left // (per_load + size * per_piece))
        rest = left - whole * (per_load + size * per_piece) - per_load
        partial = min(size, int(rest // per_piece) if per_piece else size) if rest >= 0 else 0
        return max(0, fits + whole * size + partial)

    def _start_load(self, task: Task, day: date) -> _Draft:
        draft = _Draft(self._size(task).work, day, None, done=False, own_minutes=task.operation.minutes_per_load)
        drafts = self._drafts[draft.work.equipment, day]
        drafts.append(draft)
        self._undo.append(drafts.pop)
        self.use_minutes(task.operation, day, task.operation.minutes_per_load)
        return draft

    def _fill(self, draft: _Draft, task: Task, pieces: int, demand: str, good: int | None = None) -> int:
        key = (demand, task.sku, task.operation.code, good)
        grams = self._size(task).grams * pieces
        draft.portions[key] = draft.portions.get(key, 0) + pieces
        draft.pieces += pieces
        draft.grams += grams

        def undo() -> None:
            draft.portions[key] -= pieces
            draft.pieces -= pieces
            draft.grams -= grams

        self._undo.append(undo)
        return pieces


def _size_of(catalogue: Catalogue, task: Task) -> _Size:
    item, operation = task.sku.item, task.operation
    equipment = catalogue.equipment.get(operation.equipment)
    grams = melt_grams(catalogue, item, operation) if operation.melt else Decimal(0)
    load_g = equipment.load_g if equipment else None
    room = load_g * (1 - catalogue.items[operation.melt].loss) if load_g is not None and operation.melt else Decimal(0)
    return _Size(work_of(task.sku, operation, catalogue), grams, room)


def usable_on(operation: Operation, day: date) -> date:
    """The first day on which what a step made may be used: so many nights, or days, later."""
    return day + timedelta(days=max(operation.nights_min, operation.days_min))


def days_back(operation: Operation, day: date) -> list[date]:
    """Days on which a step may be done so that the next may follow on ``day``, latest first."""
    least = max(operation.nights_min, operation.days_min)
    most = operation.days_max if operation.days_max is not None else 60
    return [day - step * ONE_DAY for step in range(least, most + 1)]
