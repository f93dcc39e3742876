"""One stock by sellable-on date: what comes, what is spoken for, and what is free when."""

from bisect import bisect_right, insort
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from math import lcm
from typing import NamedTuple

from wholesale.core.catalogue import ItemKind, Sku


@dataclass(frozen=True, kw_only=True)
class OnHand:
    """Pieces (or grams) of one sku that may be used or sold from ``usable_on`` on, up to and on ``expires_on``."""

    sku: Sku
    usable_on: date
    quantity: Fraction
    expires_on: date | None = None

    def is_past(self, day: date) -> bool:
        """Is its last day over by then?"""
        return self.expires_on is not None and self.expires_on < day


@dataclass
class Timeline:
    """Supply and need of one sku by day; what is free on a day never takes from a later need."""

    changes: list[tuple[date, Fraction]] = field(default_factory=list)
    #: The same in whole units of 1 / ``_scale``: whole numbers are added many times faster.
    _whole: list[tuple[date, int]] = field(default_factory=list)
    _scale: int = 1

    def add(self, day: date, quantity: Fraction) -> None:
        """``quantity`` arrives on ``day`` (positive), or is needed then (negative)."""
        insort(self.changes, (day, quantity))
        if self._scale % quantity.denominator:
            finer = lcm(self._scale, quantity.denominator)
            self._whole = [(then, units * (finer // self._scale)) for then, units in self._whole]
            self._scale = finer
        insort(self._whole, (day, int(quantity * self._scale)))

    def take_back(self, day: date, quantity: Fraction) -> None:
        """Undo one ``add`` of the same day and quantity."""
        self.changes.remove((day, quantity))
        self._whole.remove((day, int(quantity * self._scale)))

    def free_on(self, day: date) -> Fraction:
        """What can still be taken on ``day``: the least balance from that day on, not below zero."""
        cut = bisect_right(self._whole, day, key=lambda change: change[0])
        least = balance = sum(units for _, units in self._whole[:cut])
        for i in range(cut, len(self._whole)):
            then, units = self._whole[i]
            balance += units
            if balance < least and (i + 1 == len(self._whole) or self._whole[i + 1][0] != then):
                least = balance
        return Fraction(max(0, least), self._scale)

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


# ── what there is, as pages and papers show it: every figure with the rows it sums ───────


class Standing(StrEnum):
    """Where a lot stands on a day; only a ``READY`` one may be used or sold."""

    READY = "ready"
    SETTING = "setting"
    CURING = "curing"
    RESTING = "resting"
    UNRELEASED = "unreleased"
    EXPIRED = "expired"
    HOLD = "hold"
    RECALLED = "recalled"


#: What a lot waits for before its first day: a part sets, a product cures, what was bought rests.
_BEFORE_ITS_DAY = {
    ItemKind.PART: Standing.SETTING,
    ItemKind.PRODUCT: Standing.CURING,
    ItemKind.MATERIAL: Standing.RESTING,
}
#: Standings of what is there and may not be used, whatever the day.
KEPT_BACK = frozenset({Standing.UNRELEASED, Standing.EXPIRED, Standing.HOLD, Standing.RECALLED, Standing.RESTING})


class Row(NamedTuple):
    """One row behind a figure: a lot, an order or a batch, and how much of it.

    ``day`` is the first day a lot may be used, or an order's promised day.
    """

    of: str
    quantity: Fraction
    day: date | None = None
    note: str = ""


class Figure(tuple[Row, ...]):
    """Rows, and their sum: the two can't differ."""

    __slots__ = ()

    @property
    def total(self) -> Fraction:
        """The sum of the rows, in pieces or grams."""
        return sum((row.quantity for row in self), Fraction(0))


#: A figure without rows.
NONE = Figure()


@dataclass(frozen=True, kw_only=True)
class LotOnHand:
    """A lot with what is left of it, in pieces or grams, and the orders that hold some of it.

    ``released`` is false for a product whose batch waits for somebody to release it.
    """

    code: str
    sku: Sku
    kind: ItemKind
    usable_on: date
    on_hand: Fraction
    held: tuple[Row, ...] = ()
    state: str = "ok"
    expires_on: date | None = None
    released: bool = True

    @property
    def reserved(self) -> Fraction:
        """What orders hold of it and has not left."""
        return Figure(self.held).total

    def standing(self, on: date) -> Standing:
        """Where the lot stands on a day; its last day is one it may still be used on."""
        if self.state != "ok":
            return Standing(self.state)
        if self.expires_on is not None and self.expires_on < on:
            return Standing.EXPIRED
        if self.usable_on > on:
            return _BEFORE_ITS_DAY[self.kind]
        return Standing.READY if self.released else Standing.UNRELEASED

    def free(self, on: date) -> Fraction:
        """What may be used or sold on a day and nobody has reserved."""
        return self.on_hand - self.reserved if self.standing(on) is Standing.READY else Fraction(0)


@dataclass(frozen=True, kw_only=True)
class SkuStock:
    """One sku on a day.

    ``on_hand`` = what is ready + ``setting`` lots + ``curing`` + ``kept_back``, by lot;
    ``between`` is pieces between two steps, which no lot holds yet. ``reserved`` is held
    in lots for orders, ``promised`` what open orders still wait for. ``free`` may be used
    or sold now, ``later`` from each row's day on.
    """

    sku: Sku
    on_hand: Figure = NONE
    setting: Figure = NONE
    between: Figure = NONE
    curing: Figure = NONE
    kept_back: Figure = NONE
    reserved: Figure = NONE
    promised: Figure = NONE
    free: Figure = NONE
    later: Figure = NONE

    def free_by(self, day: date) -> Fraction:
        """What is free now or gets free by a day."""
        return self.free.total + sum((row.quantity for row in self.later if row.day and row.day <= day), Fraction(0))


class Claim(NamedTuple):
    """Pieces of a sku that are not in a lot: waiting between two steps, or promised and not made yet."""

    sku: Sku
    row: Row


def stock_on(
    on: date, lots: Iterable[LotOnHand], between: Iterable[Claim] = (), promised: Iterable[Claim] = ()
) -> dict[Sku, SkuStock]:
    """The stock of each sku on a day, from its lots and from what no lot holds yet."""
    by_sku: dict[Sku, list[LotOnHand]] = {}
    for lot in lots:
        by_sku.setdefault(lot.sku, []).append(lot)
    waiting, wanted = _rows(between), _rows(promised)
    return {
        sku: _sku_stock(on, sku, by_sku.get(sku, []), waiting.get(sku, ()), wanted.get(sku, ()))
        for sku in {**by_sku, **waiting, **wanted}
    }


def _sku_stock(on: date, sku: Sku, lots: list[LotOnHand], between: Iterable[Row], promised: Iterable[Row]) -> SkuStock:
    standing = {lot.code: lot.standing(on) for lot in lots}

    def of(*wanted: Standing) -> Figure:
        return Figure(_whole(lot, standing) for lot in lots if standing[lot.code] in wanted)

    to_come = [lot for lot in lots if standing[lot.code] in _BEFORE_ITS_DAY.values()]
    return SkuStock(
        sku=sku,
        on_hand=Figure(_whole(lot, standing) for lot in lots),
        setting=of(Standing.SETTING),
        between=Figure(between),
        curing=of(Standing.CURING),
        kept_back=of(*KEPT_BACK),
        reserved=Figure(row._replace(note=lot.code) for lot in lots for row in lot.held if row.quantity),
        promised=Figure(promised),
        free=_free(lots, on),
        later=Figure(row for lot in to_come for row in _free([lot], lot.usable_on)),
    )


def _whole(lot: LotOnHand, standing: dict[str, Standing]) -> Row:
    return Row(lot.code, lot.on_hand, lot.usable_on, standing[lot.code])


def _free(lots: Iterable[LotOnHand], on: date) -> Figure:
    return Figure(Row(lot.code, free, lot.usable_on) for lot in lots if (free := lot.free(on)))


def _rows(claims: Iterable[Claim]) -> dict[Sku, list[Row]]:
    found: dict[Sku, list[Row]] = {}
    for claim in claims:
        found.setdefault(claim.sku, []).append(claim.row)
    return found
