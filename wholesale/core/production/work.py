"""The plan's values: what is asked for, and which load of what happens on which day."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, Operation, Sku
from wholesale.core.production.calendar import Calendar


@dataclass(frozen=True, kw_only=True)
class Outage:
    """So many of an equipment that can't be used from ``first`` to ``last``, both included; ``None``: open."""

    equipment: str
    count: int
    first: date
    last: date | None = None

    def holds_on(self, day: date) -> bool:
        """Is the equipment out of use that day?"""
        return self.first <= day and (self.last is None or day <= self.last)


@dataclass(frozen=True, kw_only=True)
class Shop:
    """What the planner stands on: catalogue, calendar, horizon in days, and what is out of use."""

    catalogue: Catalogue
    calendar: Calendar
    horizon_days: int
    outages: tuple[Outage, ...] = ()

    def count_of(self, equipment: str, day: date) -> int:
        """How many of an equipment can be used that day: its number less what is out of use, 0 at the least."""
        out = sum(o.count for o in self.outages if o.equipment == equipment and o.holds_on(day))
        return max(0, self.catalogue.equipment[equipment].count - out)


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Pieces of one sku that somebody asks for; ``key`` is the peg that every load carries.

    ``rank`` orders demands: earlier promised, then earlier accepted, is served first.
    What is made ``for_shelf`` is not taken off it. Nothing of it is begun before
    ``starts_from`` (a deposit is awaited), and it leaves no sooner than the first work
    day on or after ``leaves_from`` (it is not wanted before, or a lead time stands).
    """

    key: str
    sku: Sku
    pieces: int
    promised: date | None = None
    rank: int = 0
    for_shelf: bool = False
    starts_from: date | None = None
    leaves_from: date | None = None


class Work(NamedTuple):
    """What one load is of: loads of equal work may be shared.

    Where grams fill the equipment it is the melt, whoever's pieces it goes into;
    else the step of the sku itself. ``equipment`` is "" for work that needs hands only.
    """

    equipment: str
    what: Sku
    operation: str = ""


class Portion(NamedTuple):
    """Pieces of a load that are made for one demand; of an item counted in grams a piece is one gram.

    ``pieces`` are starts, rejects included; ``good`` is what came of them, once the load is done.
    """

    demand: str
    sku: Sku
    operation: str
    pieces: int
    good: int | None = None

    @property
    def counted(self) -> int:
        """Pieces the next step can count on: the good ones, or the planned ones."""
        return self.pieces if self.good is None else self.good


@dataclass(frozen=True, kw_only=True)
class Load:
    """One load on one day. ``done`` loads are history; ``ref`` is the row it is stored in, if any.

    ``begun``: it is weighed and not done yet, so that nothing can join, leave or move it.
    """

    work: Work
    day: date
    portions: tuple[Portion, ...]
    ref: int | None = None
    done: bool = False
    begun: bool = False

    @property
    def pieces(self) -> int:
        """Pieces in the load."""
        return sum(portion.pieces for portion in self.portions)


class Pick(NamedTuple):
    """Pieces of a demand that come from stock, and the day they may be sold from; if they perish, that they leave."""

    demand: str
    sku: Sku
    pieces: int
    sellable_on: date


@dataclass(frozen=True, kw_only=True)
class Plan:
    """All loads, done and to do, and what is reserved from stock."""

    loads: tuple[Load, ...] = ()
    picks: tuple[Pick, ...] = ()

    def of(self, demand: str) -> "Plan":
        """The part of the plan that serves one demand."""
        mine = (load for load in self.loads if any(p.demand == demand for p in load.portions))
        loads = (replace(load, portions=tuple(p for p in load.portions if p.demand == demand)) for load in mine)
        return Plan(loads=tuple(loads), picks=tuple(pick for pick in self.picks if pick.demand == demand))

    def by_demand(self) -> "dict[str, Plan]":
        """The loads that serve each demand, whole ones with all their portions, and its picks: one look at the plan."""
        loads: dict[str, list[Load]] = {}
        picks: dict[str, list[Pick]] = {}
        for load in self.loads:
            for key in dict.fromkeys(portion.demand for portion in load.portions):
                loads.setdefault(key, []).append(load)
        for pick in self.picks:
            picks.setdefault(pick.demand, []).append(pick)
        return {
            key: Plan(loads=tuple(loads.get(key, ())), picks=tuple(picks.get(key, ()))) for key in {**loads, **picks}
        }


@dataclass(frozen=True, kw_only=True)
class Placed:
    """Pieces of a demand that travel together: the days of their steps, sellable-on and leaving day.

    ``pieces`` are good ones; ``steps`` holds (operation code, last day of the step), and
    is empty for pieces from stock. ``note`` says what the maker has to decide about.
    """

    demand: str
    sku: Sku
    pieces: int
    steps: tuple[tuple[str, date], ...]
    sellable_on: date
    leaves: date
    note: str = ""


class Waiting(NamedTuple):
    """A demand that can't be planned for now, and why: a material that it needs is neither there nor on order."""

    demand: str
    because: str


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A new plan, where the inserted pieces went, and which demands have to wait."""

    plan: Plan
    placed: tuple[Placed, ...]
    waiting: tuple[Waiting, ...] = ()

    def leaves(self, demand: str | None = None) -> date:
        """The day the last piece (of one demand, or of all) leaves."""
        return max(group.leaves for group in self.placed if demand in {None, group.demand})


def work_of(sku: Sku, operation: Operation, catalogue: Catalogue) -> Work:
    """What a load for this step of this sku is of."""
    equipment = catalogue.equipment.get(operation.equipment)
    if operation.melt and equipment and equipment.load_g is not None:
        melt = catalogue.items[operation.melt]
        return Work(operation.equipment, Sku(melt.code, sku.scent if melt.scented else ""))
    return Work(operation.equipment, sku, operation.code)


def pieces_by_day(loads: Iterable[Load], sku: Sku, operation: str, demand: str | None = None) -> dict[date, int]:
    """Pieces of a step of a sku on each day, of one demand or of all."""
    found: dict[date, int] = {}
    for load in loads:
        for portion in load.portions:
            if (portion.sku, portion.operation) == (sku, operation) and demand in {None, portion.demand}:
                found[load.day] = found.get(load.day, 0) + portion.counted
    return found
