"""One stock by sellable-on date: what comes, what is spoken for, and what is free when."""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from fractions import Fraction
from itertools import accumulate
from math import lcm
from typing import NamedTuple

from wholesale.core.catalogue import ItemKind, Sku


@dataclass(frozen=True, kw_only=True)
class OnHand:
    """Pieces (or grams) of one sku that may be used or sold from ``usable_on`` on.

    ``expires_on`` is the last day they may be used on; ``None`` where they keep.
    """

    sku: Sku
    usable_on: date
    quantity: Fraction
    expires_on: date | None = None

    def is_past(self, day: date) -> bool:
        """Is its last day over by then?"""
        return self.expires_on is not None and self.expires_on < day


class _Perishing(NamedTuple):
    """Units that come on a day and are no good after another."""

    came: date
    until: date
    units: int


class Timeline:
    """Supply and need of one sku by day; what is free on a day never takes from a later need.

    Kept in whole units of 1 / scale, a row a day: whole numbers are added many times
    faster than fractions, and a year has few days.
    """

    def __init__(self) -> None:
        self._scale = 1
        self._days: list[date] = []
        self._came: list[int] = []
        self._went: list[int] = []
        self._net: list[int] = []
        self._sum = 0
        self._perishing: list[_Perishing] = []

    @property
    def changes(self) -> list[tuple[date, Fraction]]:
        """What comes (positive) and is needed (negative) of what keeps, by day."""
        rows = zip(self._days, self._came, self._went, strict=True)
        both = [(day, units) for day, came, went in rows for units in (-went, came) if units]
        return [(day, Fraction(units, self._scale)) for day, units in both]

    def add(self, day: date, quantity: Fraction, until: date | None = None) -> None:
        """``quantity`` arrives on ``day`` (positive) and is good ``until`` another, or is needed then (negative)."""
        units = self._units(quantity)
        if until is not None and units > 0:
            self._perishing.append(_Perishing(day, until, units))
        else:
            self._book(day, units, units)

    def take_back(self, day: date, quantity: Fraction) -> None:
        """Undo one ``add`` of the same day and quantity, of what keeps."""
        units = self._units(quantity)
        self._book(day, units, -units)

    def free_on(self, day: date) -> Fraction:
        """What can still be taken on ``day``: the least balance from that day on, not below zero."""
        if self._perishing:
            return max(Fraction(0), Fraction(self._left_on(day), self._scale))
        # More than there is in the end can be taken on no day.
        if self._sum <= 0:
            return _NOTHING
        cut = bisect_right(self._days, day)
        least = min(accumulate(self._net[cut:], initial=sum(self._net[:cut])))
        return Fraction(least, self._scale) if least > 0 else _NOTHING

    def free_from(self, day: date, quantity: Fraction) -> date | None:
        """The first day, not before ``day``, on which so much can be taken; ``None`` when there is none."""
        if self._perishing:
            later = (comes for comes in self.supply_days() if comes > day)
            return next((on for on in (day, *later) if self.free_on(on) >= quantity), None)
        units = -(-quantity.numerator * self._scale // quantity.denominator)
        if self._sum < units:
            return None
        at = len(self._net)
        for balance in reversed(list(accumulate(self._net))):
            if balance < units:
                break
            at -= 1
        if at == len(self._net):
            return None if units > 0 else day
        return max(day, self._days[at])

    @property
    def perishes(self) -> bool:
        """Is some of what comes good up to a day only?"""
        return bool(self._perishing)

    @property
    def left(self) -> Fraction:
        """All that comes less all that is needed, whatever the days."""
        return Fraction(self._sum + sum(lot.units for lot in self._perishing), self._scale)

    def short_on(self) -> tuple[date, Fraction] | None:
        """The first day on which more is needed than there is, and by how much; ``None`` when all is covered."""
        if self._perishing:
            return self._first_unmet()
        rows = zip(self._days, accumulate(self._net), strict=True)
        return next(((day, Fraction(-balance, self._scale)) for day, balance in rows if balance < 0), None)

    def supply_days(self) -> list[date]:
        """Days on which more comes."""
        days = {day for day, came in zip(self._days, self._came, strict=True) if came}
        return sorted(days | {lot.came for lot in self._perishing})

    def fresh_on(self, day: date, keeps: timedelta, waited: date | None) -> Fraction:
        """What is left on a day when the first to come is used first, and nothing later than ``keeps`` allows.

        What came on ``waited`` is kept whatever its age.
        """
        there: list[tuple[date, int]] = []
        for then, came, went in zip(self._days, self._came, self._went, strict=True):
            if then <= day:
                there = _used(_kept([*there, (then, came)], then, keeps, waited), went)
        left = sum(units for _, units in _kept(there, day, keeps, waited))
        return Fraction(left, self._scale)

    def _units(self, quantity: Fraction) -> int:
        """A quantity in whole units; all that is booked is put in finer ones where it has to be."""
        if self._scale % quantity.denominator:
            self._refine(lcm(self._scale, quantity.denominator) // self._scale)
        return quantity.numerator * (self._scale // quantity.denominator)

    def _refine(self, by: int) -> None:
        self._scale *= by
        self._sum *= by
        for units in (self._came, self._went, self._net):
            units[:] = [one * by for one in units]
        self._perishing = [lot._replace(units=lot.units * by) for lot in self._perishing]

    def _book(self, day: date, units: int, change: int) -> None:
        """Book a change in the row of a day; the sign of ``units`` says whether it comes or goes."""
        at = bisect_left(self._days, day)
        if at == len(self._days) or self._days[at] != day:
            self._days.insert(at, day)
            for row in (self._came, self._went, self._net):
                row.insert(at, 0)
        self._net[at] += change
        self._sum += change
        if units > 0:
            self._came[at] += change
        else:
            self._went[at] -= change

    # ── what perishes ────────────────────────────────────────────────────────

    def _lots(self) -> list[_Perishing]:
        """All that comes, what keeps among it."""
        keeping = zip(self._days, self._came, strict=True)
        return [*self._perishing, *(_Perishing(day, date.max, came) for day, came in keeping if came)]

    def _needs(self) -> list[tuple[date, int]]:
        return [(day, went) for day, went in zip(self._days, self._went, strict=True) if went]

    def _left_on(self, day: date) -> int:
        """Units left for ``day``: lots good on it, and what lots that are not can do for earlier and later needs."""
        lots, needs = self._lots(), self._needs()
        good = sum(lot.units for lot in lots if lot.came <= day <= lot.until)
        before = _served([lot for lot in lots if lot.until < day], [need for need in needs if need[0] < day])
        after = _served([lot for lot in lots if lot.came > day], [need for need in needs if need[0] > day])
        return good + sum(before) + sum(after) - sum(went for _, went in needs)

    def _first_unmet(self) -> tuple[date, Fraction] | None:
        needs = self._needs()
        served = zip(needs, _served(self._lots(), needs), strict=True)
        return next(((day, Fraction(went - got, self._scale)) for (day, went), got in served if got < went), None)


_NOTHING = Fraction(0)


def _served(lots: Iterable[_Perishing], needs: Iterable[tuple[date, int]]) -> list[int]:
    """What of each need, in order of days, lots can serve; of those good that day the first to expire goes first."""
    in_order = sorted(lots, key=lambda lot: lot.until)
    left = [lot.units for lot in in_order]
    found = []
    for day, went in needs:
        missing = went
        for number, lot in enumerate(in_order):
            taken = min(missing, left[number]) if lot.came <= day <= lot.until else 0
            left[number] -= taken
            missing -= taken
        found.append(went - missing)
    return found


def _kept(there: list[tuple[date, int]], day: date, keeps: timedelta, waited: date | None) -> list[tuple[date, int]]:
    return [(came, units) for came, units in there if came == waited or day - came <= keeps]


def _used(there: list[tuple[date, int]], units: int) -> list[tuple[date, int]]:
    """What is left when so much is used, the first to come first."""
    left = []
    for came, here in there:
        taken = min(here, units)
        units -= taken
        left.append((came, here - taken))
    return [row for row in left if row[1]]


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
