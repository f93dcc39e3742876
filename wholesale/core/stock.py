"""One stock by sellable-on date: what comes, what is spoken for, and what is free when."""

from bisect import insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import Sku


@dataclass(frozen=True, kw_only=True)
class OnHand:
    """Pieces (or grams) of one sku that may be used or sold from ``usable_on`` on."""

    sku: Sku
    usable_on: date
    quantity: Fraction


@dataclass
class Timeline:
    """Supply and need of one sku by day; what is free on a day never takes from a later need."""

    changes: list[tuple[date, Fraction]] = field(default_factory=list)

    def add(self, day: date, quantity: Fraction) -> None:
        """``quantity`` arrives on ``day`` (positive), or is needed then (negative)."""
        insort(self.changes, (day, quantity))

    def take_back(self, day: date, quantity: Fraction) -> None:
        """Undo one ``add`` of the same day and quantity."""
        self.changes.remove((day, quantity))

    def free_on(self, day: date) -> Fraction:
        """What can still be taken on ``day``: the least balance from that day on, not below zero."""
        balances = list(self._balances())
        now = next((balance for then, balance in reversed(balances) if then <= day), Fraction(0))
        later = [balance for then, balance in balances if then > day]
        return max(min([now, *later]), Fraction(0))

    def short_on(self) -> tuple[date, Fraction] | None:
        """The first day on which more is needed than there is, and by how much; ``None`` when all is covered."""
        return next(((day, -balance) for day, balance in self._balances() if balance < 0), None)

    def _balances(self) -> Iterable[tuple[date, Fraction]]:
        """The balance at the end of each day with a change, in order of days."""
        balance = Fraction(0)
        for i, (day, quantity) in enumerate(self.changes):
            balance += quantity
            if i + 1 == len(self.changes) or self.changes[i + 1][0] != day:
                yield day, balance
