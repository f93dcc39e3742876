"""What moved between two plans: which step of what, from which day to which, and whom it touches."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from wholesale.core.catalogue import Catalogue, Sku, sku_name
from wholesale.core.production.score import operation
from wholesale.core.production.work import Load, Plan, Portion
from wholesale.core.values import short_day


@dataclass(frozen=True, kw_only=True)
class Move:
    """Pieces of a step that are done on another day; a day of ``None``: they weren't planned, or no longer are."""

    whom: str
    sku: Sku
    name: str
    step: str
    pieces: int
    before: date | None
    after: date | None

    def words(self, today: date) -> str:
        """What moved: "Pour base, 12 × Succulent cup, Rain garden: Thu 5 Mar → Fri 6 Mar"."""
        what = f"{self.step}, {self.pieces:,} × {self.name}"
        if self.before is None:
            return f"{what}: new on {_day(self.after, today)}"
        if self.after is None:
            return f"{what}: no longer on {_day(self.before, today)}"
        return f"{what}: {_day(self.before, today)} → {_day(self.after, today)}"

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {
            **self.__dict__, "sku": list(self.sku),
            "before": _stored(self.before), "after": _stored(self.after),
        }  # fmt: skip

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "Move":
        """The move that ``to_json`` stored."""
        days = {name: _read(stored[name]) for name in ("before", "after")}
        sku = Sku(*stored["sku"])
        # What was stored before moves had names shows its code.
        return cls(**{"name": str(sku), **stored, "sku": sku, **days})


@dataclass(frozen=True, kw_only=True)
class Touched:
    """Somebody whose pieces moved, and the day all of them leave, before and after."""

    whom: str
    before: date | None
    after: date | None

    def words(self, today: date) -> str:
        """What it means for them, in words."""
        if self.before == self.after:
            return f"still leaves {_day(self.after, today)}"
        if self.before is None or self.after is None:
            return f"leaves {_day(self.after or self.before, today)}"
        when = "sooner" if self.after < self.before else "later"
        days = abs((self.after - self.before).days)
        much = f"{days} {'day' if days == 1 else 'days'} {when}"
        return f"leaves {_day(self.after, today)}, {much} than {_day(self.before, today)}"

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {"whom": self.whom, "before": _stored(self.before), "after": _stored(self.after)}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "Touched":
        """What ``to_json`` stored."""
        return cls(whom=stored["whom"], before=_read(stored["before"]), after=_read(stored["after"]))


@dataclass(frozen=True, kw_only=True)
class Difference:
    """All that moved between two plans, and whom it touches."""

    moves: tuple[Move, ...] = ()
    touched: tuple[Touched, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {
            "moves": [move.to_json() for move in self.moves],
            "touched": [one.to_json() for one in self.touched],
        }  # fmt: skip

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "Difference":
        """The difference that ``to_json`` stored; an empty one of what holds none."""
        return cls(
            moves=tuple(Move.from_json(row) for row in stored.get("moves", ())),
            touched=tuple(Touched.from_json(row) for row in stored.get("touched", ())),
        )


class Side(NamedTuple):
    """A plan, and the day each demand leaves by it."""

    plan: Plan
    leaves: Mapping[str, date]


def difference(catalogue: Catalogue, before: Side, after: Side, whom: Mapping[str, str]) -> Difference:
    """What moved; ``whom`` names who stands behind a demand's key (an order's number), the key itself where it doesn't.

    Where the load a piece is in changed but its day didn't, nothing moved.
    """
    moves = tuple(_moves(catalogue, before.plan, after.plan, whom))
    names = dict.fromkeys(move.whom for move in moves)
    names |= dict.fromkeys(
        whom.get(key, key) for key in after.leaves if before.leaves.get(key) != after.leaves[key]
    )  # fmt: skip
    then, now = (_by_whom(side.leaves, whom) for side in (before, after))
    touched = (Touched(whom=name, before=then.get(name), after=now.get(name)) for name in sorted(names))
    return Difference(moves=moves, touched=tuple(touched))


def _by_whom(leaves: Mapping[str, date], whom: Mapping[str, str]) -> dict[str, date]:
    """The day the last of somebody's demands leaves."""
    found: dict[str, date] = {}
    for key, day in leaves.items():
        name = whom.get(key, key)
        found[name] = max(day, found.get(name, day))
    return found


class _What(NamedTuple):
    whom: str
    sku: Sku
    step: str


def _moves(catalogue: Catalogue, before: Plan, after: Plan, whom: Mapping[str, str]) -> Iterator[Move]:
    changes: dict[_What, dict[date, int]] = defaultdict(lambda: defaultdict(int))
    for plan, sign in ((before, -1), (after, 1)):
        for load, portion in _todo(plan):
            step = operation(catalogue, portion)
            name = step.name if step else portion.operation
            changes[_What(whom.get(portion.demand, portion.demand), portion.sku, name)][load.day] += (
                sign * portion.pieces
            )
    moves = [move for what, days in changes.items() for move in _paired(what, sku_name(catalogue, what.sku), days)]
    yield from sorted(moves, key=lambda move: (min(_days(move)), move.whom, move.sku, move.step))


def _todo(plan: Plan) -> Iterator[tuple[Load, Portion]]:
    return ((load, portion) for load in plan.loads if not load.done for portion in load.portions)


def _paired(what: _What, name: str, days: Mapping[date, int]) -> Iterator[Move]:
    """Pieces gone from a day put beside pieces come to another, the earliest first."""
    gone = [(day, -count) for day, count in sorted(days.items(), reverse=True) if count < 0]
    come = [(day, count) for day, count in sorted(days.items(), reverse=True) if count > 0]
    while gone or come:
        before, after = (gone.pop() if gone else None), (come.pop() if come else None)
        pieces = min(count for _, count in (row for row in (before, after) if row))
        for rows, row in ((gone, before), (come, after)):
            if row and row[1] > pieces:
                rows.append((row[0], row[1] - pieces))
        yield Move(
            **what._asdict(), name=name, pieces=pieces,
            before=before[0] if before else None, after=after[0] if after else None,
        )  # fmt: skip


def _days(move: Move) -> list[date]:
    return [day for day in (move.before, move.after) if day]


def _day(day: date | None, today: date) -> str:
    return short_day(day, today) if day else "no day"


def _stored(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _read(day: str | None) -> date | None:
    return date.fromisoformat(day) if day else None
