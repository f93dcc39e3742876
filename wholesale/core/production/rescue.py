"""A rescue as a value: a way to bring promises in danger back in time, what it costs, and whom it touches."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Sku
from wholesale.core.production.what_if import Shift
from wholesale.core.production.work import Outage, Placed, Plan, Shop

#: The arithmetic of what costs nothing.
NOTHING_BOUGHT = "nothing is bought, nobody stays longer"


class InCases(NamedTuple):
    """The order line a demand is of, the pieces of it in one case, and the cases of the line."""

    line: int
    pieces: int
    cases: int


@dataclass(frozen=True, kw_only=True)
class Rates:
    """What rescues cost and how far they may go.

    Money is in major units: ``hour_rate`` an hour of hands (0: not known), ``prices`` one
    more of an equipment, ``freight`` one more parcel of an order. ``cases`` says how
    each demand is packed.
    """

    hour_rate: Decimal = Decimal(0)
    overtime_percent: Decimal = Decimal(150)
    most_overtime: int = 120
    prices: Mapping[str, Decimal] = field(default_factory=dict)
    freight: Mapping[int, Decimal] = field(default_factory=dict)
    cases: Mapping[str, InCases] = field(default_factory=dict)


class Overtime(NamedTuple):
    """Minutes of a group of hands beyond its own on one day."""

    hands: str
    day: date
    minutes: int


class Part(NamedTuple):
    """Cases of an order line that are in time, of all its cases, and the day the others leave."""

    line: int
    sku: Sku
    cases: int
    of: int
    rest: date


@dataclass(frozen=True, kw_only=True)
class Rescue:
    """One way out: the bench it needs, its plan, and what is left late of each order in order-days.

    A case that is late counts as its share of its order. ``cost`` is ``None`` where a
    price is not known; ``how`` is its arithmetic. ``code`` tells it from every other.
    """

    kind: str
    code: str
    late_days: Fraction
    cost: Decimal | None
    how: str
    shifts: tuple[Shift, ...]
    shop: Shop
    plan: Plan
    placed: tuple[Placed, ...] = ()
    overtime: tuple[Overtime, ...] = ()
    equipment: str = ""
    needed_on: date | None = None
    #: Until when it is not here yet.
    not_yet: Outage | None = None
    orders: tuple[int, ...] = ()
    parts: tuple[Part, ...] = ()

    @property
    def moved(self) -> tuple[Shift, ...]:
        """Orders that leave on another day."""
        return tuple(shift for shift in self.shifts if shift.moved)

    @property
    def changed(self) -> int:
        """How many orders it touches."""
        return len({*(shift.order for shift in self.moved), *self.orders})

    @property
    def saves_all(self) -> bool:
        """Does nothing stay late?"""
        return not self.late_days

    @property
    def rank(self) -> tuple[Fraction, bool, Decimal, int, str]:
        """What rescues are ordered by; a cost nobody knows stands behind those known."""
        return self.late_days, self.cost is None, self.cost or Decimal(0), self.changed, self.code
