"""One day at the bench by the minute: what hands do when, what stands meanwhile, and what finds no place.

A simple order comes first: each load, as the day sheet lists them, at the earliest
minute its hands, its equipment and what it waits for allow. Where that leaves hands
idle, ``sequence`` looks for an order that ends sooner. Equipment takes its loads in
the order of the sheet, faint scents before strong. Nothing here fails: what can't be
placed is named with its reason, and work past closing is still shown.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from fractions import Fraction
from itertools import accumulate
from typing import NamedTuple

from wholesale.core.production.activities import Activity, Lag, Problem
from wholesale.core.production.day_work import Block, DayLoad, Link, block, links
from wholesale.core.production.work import Load
from wholesale.core.values import Refusal, ceil_div

__all__ = ["DayLine", "DayLoad", "Hours", "Kind", "LeftOut", "Placed", "Stretch", "day_line"]

#: Deterministic seconds for a better order: well below a second of real time.
EFFORT = 0.05
_MINUTE = timedelta(minutes=1)
#: The resource and the activity that stand for the whole day.
_END = "end"


class Kind(StrEnum):
    """What a stretch of the day is."""

    HANDS = "hands"
    STANDS = "stands"


@dataclass(frozen=True, kw_only=True)
class Hours:
    """When the day begins and ends, as instants: nothing begins before ``first``, nobody works past ``last``.

    ``minutes`` are those of each group of hands (``None``: not counted); ``out`` says how
    many of a piece of equipment can't be used.
    """

    opens: datetime
    closes: datetime
    first: datetime
    last: datetime
    minutes: Mapping[str, int | None] = field(default_factory=dict)
    out: Mapping[str, int] = field(default_factory=dict)

    def minute(self, moment: datetime) -> int:
        """Whole minutes from the first moment, rounded up; never below 0."""
        return max(0, -int((self.first - moment) // _MINUTE))

    def moment(self, minute: int) -> datetime:
        """The instant so many minutes after the first moment."""
        return self.first + minute * _MINUTE


class Stretch(NamedTuple):
    """From when to when hands (of one group, so many people) work on a load, or it stands."""

    kind: Kind
    starts: datetime
    ends: datetime
    hands: str = ""
    people: int = 0


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A load with its stretches: hands first, then what stands; ``notes`` say what the maker has to look at."""

    load: Load
    stretches: tuple[Stretch, ...]
    notes: tuple[str, ...] = ()

    @property
    def hands(self) -> tuple[Stretch, ...]:
        """The stretches that need somebody."""
        return tuple(one for one in self.stretches if one.kind is Kind.HANDS)

    @property
    def begins(self) -> datetime:
        """When somebody begins it."""
        return self.stretches[0].starts

    @property
    def ends(self) -> datetime:
        """When its last hand is done."""
        return max(one.ends for one in self.hands)


class LeftOut(NamedTuple):
    """A load without a place in the day, and why."""

    load: Load
    because: str


@dataclass(frozen=True, kw_only=True)
class DayLine:
    """The day's loads in the order of their work, those without a place, and whether nothing ends sooner."""

    hours: Hours
    placed: tuple[Placed, ...]
    left_out: tuple[LeftOut, ...] = ()
    is_shortest: bool = True

    @property
    def ends(self) -> datetime | None:
        """When the last hand of the day is done."""
        return max((one.ends for one in self.placed), default=None)

    @property
    def late(self) -> tuple[Placed, ...]:
        """The loads whose hands work past closing."""
        return tuple(one for one in self.placed if one.ends > self.hours.closes)


def day_line(rows: Sequence[DayLoad], hours: Hours) -> DayLine:
    """The order of work for a day's loads, given in the order they would be done in if nothing stood against it.

    Done loads have no work left; those that are to come wait for what they made, and for their equipment.
    """
    day = _Day(rows, hours)
    day.place_all()
    improved = day.improved()
    placed = sorted((day.placed(at) for at in day.starts), key=lambda one: (one.begins, one.ends))
    left_out = tuple(LeftOut(rows[at].load, because) for at, because in sorted(day.left_out.items()))
    return DayLine(hours=hours, placed=tuple(placed), left_out=left_out, is_shortest=improved)


class _Use:
    """Units of each resource in use, minute by minute."""

    def __init__(self) -> None:
        self._used: dict[str, dict[int, int]] = {}

    def take(self, resource: str, minutes: range, units: int) -> None:
        """Book units for these minutes."""
        used = self._used.setdefault(resource, {})
        for minute in minutes:
            used[minute] = used.get(minute, 0) + units

    def blocked(self, resource: str, minutes: range, room: int) -> int | None:
        """The last of these minutes with more than ``room`` in use; ``None`` when all are free enough."""
        used = self._used.get(resource, {})
        return next((minute for minute in reversed(minutes) if used.get(minute, 0) > room), None)


class _Day:
    """The day's work while it is being placed: a start for each load, or a reason why it has none."""

    def __init__(self, rows: Sequence[DayLoad], hours: Hours) -> None:
        self.hours, self.rows = hours, rows
        self.until = hours.minute(hours.last)
        self.people = _people(rows, hours)
        self.blocks = {at: block(at, row, self.people) for at, row in enumerate(rows)}
        self.links = links(rows)
        self.capacity = self._capacity()
        self.todo = [at for at, row in enumerate(rows) if not row.load.done]
        self.starts: dict[int, int] = {}
        self.left_out: dict[int, str] = {}
        self.order: list[int] = []
        self.busy = list(self._kept_by_history())

    # ── the simple order ─────────────────────────────────────────────────────

    def place_all(self) -> None:
        """Each load, as soon as what it waits for is placed, at the earliest minute there is."""
        use = _Use()
        for one in self.busy:
            use.take(_kept(one.equipment), range(one.minutes), 1)
        waiting = list(self.todo)
        while waiting:
            at = next((at for at in waiting if not self._before(at) & set(waiting)), None)
            if at is None:
                reason = "It waits for work that waits for it: look at the steps of its recipe."
                self.left_out |= dict.fromkeys(waiting, reason)
                return
            waiting.remove(at)
            self._place(at, use)

    def _place(self, at: int, use: _Use) -> None:
        because = self._why_not(at)
        start = None if because else self._first_free(at, use)
        if start is None:
            self.left_out[at] = because or "No room is left for it before midnight; move it to another day."
            return
        self.starts[at] = start
        self.order.append(at)
        for resource, minutes, units in self._uses(at, start):
            use.take(resource, minutes, units)

    def _before(self, at: int) -> set[int]:
        return {link.before for link in self.links if link.after == at}

    def _why_not(self, at: int) -> str:
        """Why a load can't be done on this day at all; "" if it can."""
        one = self.blocks[at]
        for stint in one.work:
            if stint.people and not self.people.get(stint.hands, 1):
                return f"Nobody works at the {stint.hands} on this day."
        if one.equipment and not self.capacity[_kept(one.equipment)]:
            return "What it is made in can't be used on this day."
        if one.minutes > self.until:
            return f"It takes {one.minutes} minutes of hands, and {self.until} are left of the day; split it."
        if self._before(at) & set(self.left_out):
            return "It waits for a load that has no place on this day."
        return ""

    def _first_free(self, at: int, use: _Use) -> int | None:
        """The earliest minute from which all it needs is free; ``None`` when it would end after the last."""
        start = self._ready(at)
        while start + self.blocks[at].minutes <= self.until:
            later = self._blocked(at, start, use)
            if later is None:
                return start
            start = later
        return None

    def _blocked(self, at: int, start: int, use: _Use) -> int | None:
        """The next minute to try when something is in use; ``None`` when all is free."""
        for resource, minutes, units in self._uses(at, start):
            busy = use.blocked(resource, minutes, self.capacity[resource] - units)
            if busy is not None:
                return start + busy + 1 - minutes.start
        return None

    def _ready(self, at: int) -> int:
        """The first minute by what it waits for, and by what its equipment takes before it."""
        equipment = self.blocks[at].equipment
        before = [self._end(link.before) + link.minutes for link in self.links if link.after == at]
        queue = [self.starts[other] for other in self.order if equipment and self.blocks[other].equipment == equipment]
        return max([0, *before, *queue])

    def _end(self, at: int) -> int:
        """When a load's hands are done: as placed, or as it happened (long ago, where nobody wrote it down)."""
        if at in self.starts:
            return self.starts[at] + self.blocks[at].minutes
        return self._since(self.rows[at].done_at)

    def _since(self, moment: datetime | None) -> int:
        """Minutes from the first moment, below 0 for what is past."""
        return -self.until if moment is None else int((moment - self.hours.first) // _MINUTE)

    def _uses(self, at: int, start: int) -> Iterator[tuple[str, range, int]]:
        """What a load takes of each resource, and when, if it begins then."""
        one = self.blocks[at]
        if one.equipment:
            yield _kept(one.equipment), range(start, max(start + one.minutes, min(start + one.kept, self.until))), 1
        for stint in one.work:
            yield _hands(stint.hands), range(start, start + stint.minutes), stint.people
            start += stint.minutes

    # ── what the day has ─────────────────────────────────────────────────────

    def _capacity(self) -> dict[str, int]:
        found = {_hands(hands): people for hands, people in self.people.items()}
        for row, one in zip(self.rows, self.blocks.values(), strict=True):
            equipment = row.goods.equipment.get(one.equipment)
            count = equipment.count if equipment else 1
            if one.equipment:
                found[_kept(one.equipment)] = max(0, count - self.hours.out.get(one.equipment, 0))
        return found

    def _kept_by_history(self) -> Iterator["_Busy"]:
        """Equipment that done loads still keep, as far as there is any of it."""
        left = dict(self.capacity)
        for at, row in enumerate(self.rows):
            one = self.blocks[at]
            minutes = min(self._since(row.done_at) + one.kept - one.minutes, self.until)
            if row.load.done and one.equipment and minutes > 0 and left[_kept(one.equipment)]:
                left[_kept(one.equipment)] -= 1
                yield _Busy(at, one.equipment, minutes)

    # ── a better order ───────────────────────────────────────────────────────

    def improved(self) -> bool:
        """Take a better order if there is one; is it sure that nothing ends sooner?"""
        if self._last() <= self._bound():
            return True
        try:
            # Loaded when a day is really sequenced: the solver takes half a second and 60 MiB.
            from wholesale.core.production.sequence import sequence  # noqa: PLC0415

            found = sequence(self._problem(), effort=EFFORT, hint=self._hint())
        except Refusal:
            # The simple order stands: it keeps every rule, and a day sheet is needed.
            return False
        if found.starts[_END] < self._last():
            self.starts = {at: found.starts[_key(at, 0)] for at in self.starts}
        return found.proved

    def _last(self) -> int:
        return max((self._end(at) for at in self.starts), default=0)

    def _bound(self) -> int:
        """No order ends before this: a group's work shared by all its people."""
        minutes: dict[str, int] = {}
        for at in self.starts:
            for stint in self.blocks[at].work:
                minutes[stint.hands] = minutes.get(stint.hands, 0) + stint.minutes * stint.people
        return max((ceil_div(total, max(1, self.people.get(hands, 1))) for hands, total in minutes.items()), default=0)

    def _problem(self) -> Problem:
        placed = [self.blocks[at] for at in self.order]
        activities = [activity for one in placed for activity in self._activities(one)]
        lags = [lag for one in placed for lag in self._lags(one)]
        busy = [
            Activity(key=f"kept {one.at}", minutes=one.minutes, needs={_kept(one.equipment): 1}, latest=one.minutes)
            for one in self.busy
        ]
        # The day's end weighs more than all the ends of its loads together.
        weights = {_last_key(one): 1 for one in placed} | {_END: len(placed) * self.until + 1}
        return Problem(
            activities=(*activities, *busy, Activity(key=_END, minutes=0)), capacity=self.capacity,
            lags=tuple(lags), weights=weights,
        )  # fmt: skip

    def _activities(self, one: Block) -> Iterator[Activity]:
        ready = max([0, *(self._end(link.before) + link.minutes for link in self._history(one.at))])
        for place, stint in enumerate(one.work):
            needs = {_hands(stint.hands): stint.people} if stint.people else {}
            yield Activity(
                key=_key(one.at, place), minutes=stint.minutes, needs=needs, earliest=0 if place else ready,
                latest=self.until,
            )  # fmt: skip
        if one.equipment:
            yield Activity(key=f"kept {one.at}", minutes=self._kept(one), needs={_kept(one.equipment): 1})

    def _kept(self, one: Block) -> int:
        """How long a load keeps its equipment; what is longer than the day is as long as the day."""
        return min(one.kept, one.minutes + self.until)

    def _history(self, at: int) -> Iterable[Link]:
        return (link for link in self.links if link.after == at and link.before not in self.starts)

    def _lags(self, one: Block) -> Iterator[Lag]:
        for place in range(1, len(one.work)):
            yield Lag(_key(one.at, place - 1), _key(one.at, place), 0, 0)
        yield Lag(_last_key(one), _END)
        for link in self.links:
            if link.after == one.at and link.before in self.starts:
                yield Lag(_last_key(self.blocks[link.before]), _key(one.at, 0), link.minutes)
        if one.equipment:
            yield Lag(f"kept {one.at}", _key(one.at, 0), -self._kept(one), -self._kept(one))
            yield from self._queue(one)

    def _queue(self, one: Block) -> Iterator[Lag]:
        """Equipment begins its loads in the order they were placed in."""
        earlier = self.order[: self.order.index(one.at)]
        before = next((at for at in reversed(earlier) if self.blocks[at].equipment == one.equipment), None)
        if before is not None:
            yield Lag(f"kept {before}", f"kept {one.at}", -self._kept(self.blocks[before]))

    def _hint(self) -> dict[str, int]:
        found = {_END: self._last()} | {f"kept {one.at}": 0 for one in self.busy}
        for at, start in self.starts.items():
            one = self.blocks[at]
            found |= {f"kept {at}": start} if one.equipment else {}
            begins = accumulate((stint.minutes for stint in one.work), initial=start)
            found |= {_key(at, place): minute for place, minute in zip(range(len(one.work)), begins, strict=False)}
        return found

    # ── as it is shown ───────────────────────────────────────────────────────

    def placed(self, at: int) -> Placed:
        """A load with its stretches as clock times."""
        one, minute = self.blocks[at], self.starts[at]
        stretches = []
        for stint in one.work:
            span = self.hours.moment(minute), self.hours.moment(minute + stint.minutes)
            stretches.append(Stretch(Kind.HANDS, *span, stint.hands, stint.people))
            minute += stint.minutes
        stands = max(one.kept - one.minutes, one.cools)
        if stands:
            stretches.append(Stretch(Kind.STANDS, self.hours.moment(minute), self.hours.moment(minute + stands)))
        return Placed(load=one.load, stretches=tuple(stretches), notes=one.notes)


class _Busy(NamedTuple):
    """Equipment that a done load keeps for so many minutes more."""

    at: int
    equipment: str
    minutes: int


def _people(rows: Iterable[DayLoad], hours: Hours) -> dict[str, int]:
    """People of each group: so many as its minutes need within the opening hours, or its work where none are counted.

    360 minutes between 08:00 and 17:00 are one person; 1,200 are three.
    """
    work: dict[str, int] = {}
    for at, row in enumerate(rows):
        for stint in () if row.load.done else block(at, row, {}).work:
            work[stint.hands] = work.get(stint.hands, 0) + stint.minutes
    there = max(Fraction(1), Fraction((hours.closes - hours.opens) // _MINUTE))
    return {hands: _heads(hours.minutes.get(hands), minutes, there) for hands, minutes in work.items()}


def _heads(counted: int | None, work: int, there: Fraction) -> int:
    return ceil_div(counted, there) if counted is not None else max(1, ceil_div(work, there))


def _key(at: int, place: int) -> str:
    return f"{at}.{place}"


def _last_key(one: Block) -> str:
    return _key(one.at, len(one.work) - 1)


def _hands(group: str) -> str:
    return f"hands {group}"


def _kept(equipment: str) -> str:
    return f"kept {equipment}"
