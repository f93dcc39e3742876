"""The plan's values: what is asked for, and which load of what happens on which day."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, Operation, Sku
from wholesale.core.production.calendar import Calendar


@dataclass(frozen=True, kw_only=True)
class Shop:
    """What the planner stands on: catalogue, calendar, horizon in days."""

    catalogue: Catalogue
    calendar: Calendar
    horizon_days: int


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Pieces of one sku that somebody asks for; ``key`` is the peg that every load carries.

    ``rank`` orders demands: earlier promised, then earlier accepted, is served first.
    What is made ``for_shelf`` is not taken off it.
    """

    key: str
    sku: Sku
    pieces: int
    promised: date | None = None
    rank: int = 0
    for_shelf: bool = False


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
    """Pieces of a demand that come from stock, and the day they may be sold from."""

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
        loads = (replace(load, portions=tuple(p for p in load.portions if p.demand == demand)) for load in self.loads)
        return Plan(
            loads=tuple(load for load in loads if load.portions),
            picks=tuple(pick for pick in self.picks if pick.demand == demand),
        )


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


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """A new plan, and where the inserted pieces went."""

    plan: Plan
    placed: tuple[Placed, ...]

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
