"""Steps of skus, and what each asks of a load, of the shelf and of the days around it: worked out once a catalogue."""

from datetime import date, timedelta
from decimal import Decimal
from typing import NamedTuple

from wholesale.core.catalogue import (
    Catalogue,
    Operation,
    Sku,
    Unit,
    filling,
    load_pieces,
    net_room,
    refuse_unworkable_steps,
)
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.takes import Taken, stocked_parts
from wholesale.core.production.work import Work, work_of


class Task(NamedTuple):
    """One step of one sku."""

    sku: Sku
    operation: Operation


class Size(NamedTuple):
    """What a step's load is of, net grams a piece, net grams and pieces a load has room for."""

    work: Work
    grams: Decimal
    net_room: Decimal | None
    pieces: int | None


class Tasks:
    """The tasks of a catalogue; the same sums for every day and load, so each is done once."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self._tasks: dict[tuple[Sku, str], Task | None] = {}
        self._sizes: dict[tuple[Sku, str], Size] = {}
        self._pieces: dict[tuple[str, str], int] = {}
        self._parts: dict[tuple[Sku, str], list[Taken]] = {}
        self._workable: set[Sku] = set()

    def of(self, sku: Sku, code: str) -> Task | None:
        """The step of that code; ``None`` where the sku's recipe doesn't know it."""
        if (sku, code) not in self._tasks:
            step = next((step for step in self.catalogue.steps(sku.item) if step.code == code), None)
            self._tasks[sku, code] = Task(sku, step) if step else None
        return self._tasks[sku, code]

    def size(self, task: Task) -> Size:
        """What a piece of this step takes of a load."""
        key = (task.sku, task.operation.code)
        if key not in self._sizes:
            self._sizes[key] = _size_of(self.catalogue, task)
        return self._sizes[key]

    def load_pieces(self, task: Task) -> int:
        """Pieces of this step alone that an empty load has room for."""
        key = (task.sku.item, task.operation.code)
        if key not in self._pieces:
            self._pieces[key] = load_pieces(self.catalogue, task.sku.item, task.operation)
        return self._pieces[key]

    def parts(self, task: Task) -> list[Taken]:
        """Stocked parts, and how many of each, that one piece takes at this step."""
        key = (task.sku, task.operation.code)
        if key not in self._parts:
            self._parts[key] = stocked_parts(self.catalogue, task.sku, task.operation)
        return self._parts[key]

    def refuse_unworkable(self, sku: Sku) -> None:
        """A ``Refusal`` when a step of a sku, or of a part that goes into it, can't be done; looked at once."""
        waiting = [sku]
        while waiting:
            one = waiting.pop()
            if one in self._workable:
                continue
            refuse_unworkable_steps(self.catalogue, self.catalogue.items[one.item])
            self._workable.add(one)
            steps = self.catalogue.steps(one.item)
            waiting += [part.sku for step in steps for part in self.parts(Task(one, step))]


def _size_of(catalogue: Catalogue, task: Task) -> Size:
    item, operation = task.sku.item, task.operation
    equipment = catalogue.equipment.get(operation.equipment)
    counts = equipment is not None and catalogue.items[item].unit is Unit.PIECE
    return Size(
        work=work_of(task.sku, operation, catalogue), grams=filling(catalogue, item, operation)[1],
        net_room=net_room(catalogue, item, operation), pieces=equipment.load_pieces if equipment and counts else None,
    )  # fmt: skip


def usable_on(operation: Operation, day: date) -> date:
    """The first day on which what a step made may be used: so many nights, or days, later."""
    return day + timedelta(days=max(operation.nights_min, operation.days_min))


def latest_for(operation: Operation, day: date) -> date:
    """The last day on which a step may be done whose pieces are to be used on ``day``."""
    return day - timedelta(days=max(operation.nights_min, operation.days_min))


def days_back(operation: Operation, day: date) -> list[date]:
    """Days on which a step may be done so that the next may follow on ``day``, latest first."""
    least = max(operation.nights_min, operation.days_min)
    most = operation.days_max if operation.days_max is not None else 60
    return [day - step * ONE_DAY for step in range(least, most + 1)]
