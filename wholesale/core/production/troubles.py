"""Bad nights: what can go wrong at a bench, as values. Each says itself in words, and refuses nonsense by name."""

from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import Protocol

from wholesale.core.catalogue import Sku
from wholesale.core.production.calendar import CLOSED, Day, DayKind
from wholesale.core.production.what_if import Situation, day_with_minutes, supply_moved, with_day, without
from wholesale.core.production.work import Outage
from wholesale.core.values import Refusal, short_day

_A_DAY = {DayKind.MARKET: "a market day", DayKind.CLOSED: "closed", DayKind.WORK: "a working day"}


class Trouble(Protocol):
    """Something that has gone wrong."""

    def words(self, now: Situation) -> str:
        """What has happened, in a sentence without its full stop."""
        ...

    def after(self, now: Situation) -> Situation:
        """What the plan then stands on; a ``Refusal`` when it can't have happened."""
        ...


@dataclass(frozen=True, kw_only=True)
class Ill:
    """A group of hands has so many minutes fewer on a day."""

    hands: str
    day: date
    minutes: int

    def words(self, now: Situation) -> str:
        """``Bench: 180 minutes fewer on Fri 6 Mar``."""
        return f"{self.hands.capitalize()}: {self.minutes} minutes fewer on {short_day(self.day, now.today)}"

    def entry(self, now: Situation) -> Day:
        """The day as it then is."""
        _refuse_past(self.day, now, "day")
        if self.minutes < 1:
            raise Refusal("no_minutes", "Give the minutes that fall away, from 1 on.", "minutes")
        return day_with_minutes(now.shop, self.hands, self.day, -self.minutes)

    def after(self, now: Situation) -> Situation:
        """The situation with fewer minutes."""
        return replace(now, shop=with_day(now.shop, self.day, self.entry(now)))


@dataclass(frozen=True, kw_only=True)
class Broken:
    """So many of an equipment can't be used from one day to another, or until further notice."""

    equipment: str
    count: int
    first: date
    last: date | None = None

    def words(self, now: Situation) -> str:
        """``Pebble trays: 1 out of use from Fri 6 Mar until further notice``."""
        name = now.shop.catalogue.equipment[self.equipment].name
        until = "until further notice" if self.last is None else f"to {short_day(self.last, now.today)}"
        return f"{name}: {self.count} out of use from {short_day(self.first, now.today)} {until}"

    def after(self, now: Situation) -> Situation:
        """The situation without them."""
        _refuse_past(self.first, now, "first")
        if self.last and self.last < self.first:
            last, first = (short_day(day, now.today) for day in (self.last, self.first))
            message = f"{last} is before {first}; give a last day that is no earlier."
            raise Refusal("turned_round", message, "last")
        self._refuse_more_than_there_are(now)
        outage = Outage(equipment=self.equipment, count=self.count, first=self.first, last=self.last)
        return replace(now, shop=without(now.shop, outage))

    def _refuse_more_than_there_are(self, now: Situation) -> None:
        equipment = now.shop.catalogue.equipment.get(self.equipment)
        if equipment is None:
            raise Refusal("unknown_equipment", "Choose a pot, bowl or tray from the list.", "equipment")
        later = [out.first for out in now.shop.outages if out.equipment == self.equipment and self._meets(out)]
        there = min(now.shop.count_of(self.equipment, day) for day in [self.first, *later])
        if not 1 <= self.count <= there:
            already = f", {equipment.count - there} of them out of use already" if there < equipment.count else ""
            message = f"{equipment.name}: there are {equipment.count}{already}. Give a number from 1 to {there}."
            if not there:
                message = f"{equipment.name}: all {equipment.count} are out of use already; nothing more can break."
            raise Refusal("more_out_than_there", message, "count", most=there)

    def _meets(self, out: Outage) -> bool:
        """Does another outage begin while this one lasts?"""
        return self.first <= out.first and (self.last is None or out.first <= self.last)


@dataclass(frozen=True, kw_only=True)
class DayOff:
    """A day becomes a market day, is closed, or is worked after all."""

    day: date
    kind: DayKind
    note: str = ""

    def words(self, now: Situation) -> str:
        """``Sat 14 Mar is a market day: Spring fair``."""
        return f"{short_day(self.day, now.today)} is {_A_DAY[self.kind]}{': ' if self.note else ''}{self.note}"

    def entry(self, now: Situation) -> Day:
        """The day as it then is."""
        _refuse_past(self.day, now, "day")
        if now.shop.calendar.day(self.day).kind is self.kind:
            message = f"{short_day(self.day, now.today)} is {_A_DAY[self.kind]} already; nothing would change."
            raise Refusal("same_day", message, "day")
        if self.kind is DayKind.WORK:
            return replace(_like_a_work_day(now), note=self.note)
        return replace(CLOSED, kind=self.kind, note=self.note)

    def after(self, now: Situation) -> Situation:
        """The situation with that day."""
        return replace(now, shop=with_day(now.shop, self.day, self.entry(now)))


def _like_a_work_day(now: Situation) -> Day:
    """The first working day of the week's rule: its hours and minutes are the bench's usual ones."""
    days = sorted(now.shop.calendar.week.items())
    found = next((day for _, day in days if day.kind is DayKind.WORK), None)
    if found is None:
        message = "No day of the week is a working day, so it isn't known how long one lasts; give the week one first."
        raise Refusal("no_work_day", message, "day")
    return found


@dataclass(frozen=True, kw_only=True)
class Late:
    """A delivery on order comes on another day; ``quantity`` is pieces or grams.

    ``counted_on``: the day the plan counts on it, which is later than ``was`` when that is past.
    """

    delivery: int
    name: str
    sku: Sku
    quantity: Fraction
    was: date
    will: date
    counted_on: date

    def words(self, now: Situation) -> str:
        """``Soy wax comes on Mon 16 Mar instead of Tue 10 Mar``."""
        return f"{self.name} comes on {short_day(self.will, now.today)} instead of {short_day(self.was, now.today)}"

    def after(self, now: Situation) -> Situation:
        """The situation with the supply on its new day."""
        _refuse_past(self.will, now, "expected_on")
        if self.will == self.was:
            message = f"It is expected on {short_day(self.was, now.today)} already; give the new day."
            raise Refusal("same_day", message, "expected_on")
        return replace(now, stock=supply_moved(now.stock, self.sku, self.counted_on, self.quantity, self.will))


def _refuse_past(day: date, now: Situation, field: str) -> None:
    if day < now.today:
        raise Refusal("past", f"{short_day(day, now.today)} is past; choose today or a later day.", field)
