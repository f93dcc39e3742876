"""Netting by period: what is needed when, what is there, and so what to order or start, and when.

The time-phased table of material requirements planning (Orlicky; the textbooks
print it as gross requirements, scheduled receipts, projected on hand, planned
receipts and planned releases). Periods are numbered from 0; a quantity is whole
pieces or milligrams.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from graphlib import CycleError, TopologicalSorter
from math import isqrt
from typing import NamedTuple

from wholesale.core.values import Refusal, ceil_div

#: From what is missing to what comes in; or from what shall come out to what is started.
Rule = Callable[[int], int]


def lot_for_lot(missing: int) -> int:
    """Exactly what is missing."""
    return missing


def fixed(quantity: int) -> Rule:
    """The same quantity each time; all that is missing where that is more."""
    return lambda missing: max(quantity, missing)


def packs(quantity: int) -> Rule:
    """Whole packs of a quantity, rounded up."""
    return lambda missing: ceil_div(missing, quantity) * quantity


def root_allowance(factor: Decimal) -> Rule:
    """Start ``factor`` × √lot more than the lot, rounded up: for small lots a larger share is lost than for large ones.

    Orlicky, *Material Requirements Planning* (Ptak & Smith), chapter 8: the declining scrap allowance.
    """
    return lambda lot: lot + _ceil_root(ceil_div(factor * factor * lot, 1))


def _ceil_root(number: int) -> int:
    root = isqrt(number)
    return root if root * root == number else root + 1


@dataclass(frozen=True, kw_only=True)
class Supply:
    """How an item comes: what is there and already on its way, how long it takes, and in which lots.

    ``scheduled`` is what already comes, by period; ``lead`` the periods from release
    to receipt; ``started`` what is released so that a lot comes out of it.
    """

    on_hand: int = 0
    scheduled: Mapping[int, int] = field(default_factory=dict)
    lead: int = 0
    lot: Rule = lot_for_lot
    started: Rule = lot_for_lot


class Period(NamedTuple):
    """One column of the table; ``on_hand`` is what is left at its end."""

    gross: int
    scheduled: int
    on_hand: int
    receipt: int
    release: int


class PastDue(NamedTuple):
    """A release that should have been so many periods before the first one."""

    quantity: int
    periods: int


class Order(NamedTuple):
    """A lot that comes in at ``due``, when so much is missing, released at ``release`` (below 0: past due)."""

    release: int
    due: int
    missing: int
    lot: int
    started: int


@dataclass(frozen=True, kw_only=True)
class Table:
    """The netted periods of one item, and the orders behind them."""

    periods: tuple[Period, ...]
    orders: tuple[Order, ...]

    @property
    def past_due(self) -> tuple[PastDue, ...]:
        """Releases that should have been before the first period, in order of their due day."""
        return tuple(PastDue(order.started, -order.release) for order in self.orders if order.release < 0)

    @property
    def releases(self) -> tuple[int, ...]:
        """Planned releases by period; what is past due is released in the first."""
        late = sum(due.quantity for due in self.past_due)
        return tuple(period.release + (0 if i else late) for i, period in enumerate(self.periods))


def net_by_period(gross: Sequence[int], supply: Supply) -> Table:
    """The table of one item: a lot comes in as soon as there would be less than nothing.

    It comes in when it is needed even where its release is past due: the table says
    what would have to happen, ``past_due`` that it already should have.
    """
    orders: list[Order] = []
    on_hand: list[int] = []
    there = supply.on_hand
    for period, needed in enumerate(gross):
        there += supply.scheduled.get(period, 0) - needed
        if there < 0:
            lot = supply.lot(-there)
            orders.append(Order(period - supply.lead, period, -there, lot, supply.started(lot)))
            there += lot
        on_hand.append(there)
    receipts = {order.due: order.lot for order in orders}
    releases = {order.release: order.started for order in orders}
    periods = (
        Period(needed, supply.scheduled.get(i, 0), left, receipts.get(i, 0), releases.get(i, 0))
        for i, (needed, left) in enumerate(zip(gross, on_hand, strict=True))
    )
    return Table(periods=tuple(periods), orders=tuple(orders))


def explode_by_period(
    gross: Mapping[str, Sequence[int]], supplies: Mapping[str, Supply], uses: Mapping[str, Mapping[str, int]]
) -> dict[str, Table]:
    """The tables of all items, level by level: what one releases is what its components are needed for.

    ``gross`` is what is asked for from outside, ``uses`` the units of each component
    in one unit of an item. A ``Refusal`` names the chain when an item is made of itself.
    """
    length = max((len(periods) for periods in gross.values()), default=0)
    needed = {item: [*gross.get(item, ()), *[0] * (length - len(gross.get(item, ())))] for item in supplies}
    tables: dict[str, Table] = {}
    for item in _from_the_top(supplies, uses):
        tables[item] = net_by_period(needed[item], supplies[item])
        for component, each in uses.get(item, {}).items():
            for period, released in enumerate(tables[item].releases):
                needed[component][period] += each * released
    return tables


def _from_the_top(supplies: Mapping[str, Supply], uses: Mapping[str, Mapping[str, int]]) -> list[str]:
    """Each item after all that are made of it."""
    sorter = TopologicalSorter({item: uses.get(item, {}) for item in supplies})
    try:
        return list(reversed(list(sorter.static_order())))
    except CycleError as cycle:
        chain = " → ".join(cycle.args[1])
        message = f"An item can't be made of itself: {chain}. Take one of these lines out."
        raise Refusal("recipe_cycle", message, cycle.args[1][0]) from cycle
