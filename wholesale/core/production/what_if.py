"""What if: a change of the bench, its days, its orders or its prices, planned and thrown away again.

A ``Situation`` is all that a plan stands on. A change gives another one; the answer says
for each order on which day it would leave, and ``check`` says whether the bench could do it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.production import evidence
from wholesale.core.production.calendar import Day
from wholesale.core.production.check import Breach, check
from wholesale.core.production.course import is_settled
from wholesale.core.production.plan import insert, mend
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.work import Demand, Outage, Outcome, Plan, Shop
from wholesale.core.recipes import RecipeView, portion
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

#: The rank of an order that is only asked about: behind every real one promised for the same day.
ASKED = 2**61


@dataclass(frozen=True, kw_only=True)
class Situation:
    """The bench, its plan, all open demands and what is on hand; the plan may change from ``first_day`` on."""

    shop: Shop
    plan: Plan
    demands: tuple[Demand, ...]
    stock: tuple[OnHand, ...]
    first_day: date
    today: date

    @property
    def promised(self) -> dict[int, date]:
        """The day each order is promised for, by its rank."""
        return {demand.rank: demand.promised for demand in self.demands if demand.promised}


class Shift(NamedTuple):
    """The day an order (by its rank) leaves, before and after a change; ``None`` where no piece of it is planned."""

    order: int
    promised: date | None
    before: date | None
    after: date | None

    @property
    def days(self) -> int:
        """Days that the order leaves later; below zero: sooner."""
        return (self.after - self.before).days if self.before and self.after else 0

    @property
    def late(self) -> int:
        """Days after the promise, once changed."""
        return max(0, (self.after - self.promised).days) if self.promised and self.after else 0

    @property
    def moved(self) -> bool:
        """Does it leave on another day?"""
        return self.before != self.after

    @property
    def unplanned(self) -> bool:
        """Has it no day any more?"""
        return self.before is not None and self.after is None

    @property
    def endangered(self) -> bool:
        """Does the change make it late, or later than it is without it?"""
        return self.unplanned or (self.late > 0 and self.days > 0)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The plan that would be, what that does to each order, and what of it the bench could not do."""

    plan: Plan
    shifts: tuple[Shift, ...]
    breaches: tuple[Breach, ...]

    @property
    def moved(self) -> tuple[Shift, ...]:
        """Orders that would leave on another day."""
        return tuple(shift for shift in self.shifts if shift.moved)

    def of(self, order: int) -> Shift:
        """What happens to one order."""
        return next(shift for shift in self.shifts if shift.order == order)


def after(now: Situation, then: Situation) -> Answer:
    """What a loss does: what no longer has its place is placed again, all else stays where it is."""
    return _answer(now, now.plan, then, mend_from(then).plan)


def anew(now: Situation, then: Situation) -> Answer:
    """What a gain would do: both situations planned from nothing but what is begun, so that the gain alone differs."""
    return _answer(now, plan_anew(now).plan, then, plan_anew(then).plan)


def with_order(now: Situation, asked: Sequence[Demand]) -> Answer:
    """What one more order would do where it is fitted in behind all others."""
    outcome = insert(now.shop, now.plan, asked, now.stock, now.first_day)
    return _answer(now, now.plan, replace(now, demands=(*now.demands, *asked)), outcome.plan)


def order_first(now: Situation, asked: Sequence[Demand], wanted: date) -> Answer:
    """What one more order would do if it had to leave by a day: all that is not begun is planned around it."""
    first = tuple(replace(demand, promised=wanted) for demand in asked)
    then = replace(now, demands=(*now.demands, *first))
    return _answer(now, now.plan, then, plan_anew(then).plan)


def mend_from(now: Situation) -> Outcome:
    """The plan mended as it stands."""
    return mend(now.shop, now.plan, now.demands, now.stock, now.first_day, now.today)


def plan_anew(now: Situation) -> Outcome:
    """All that is not begun, placed again one order after the other, first promised first."""
    begun = tuple(load for load in now.plan.loads if is_settled(load))
    return mend_from(replace(now, plan=replace(now.plan, loads=begun)))


def leaving_days(shop: Shop, plan: Plan, demands: Sequence[Demand]) -> dict[int, date]:
    """The day on which the last piece of each order leaves, by its rank; what is made for the shelf is no order.

    An order of which something is not planned at all (it waits for supply) has no day.
    """
    case = evidence.Case(shop=shop, plan=plan, demands=demands, stock=(), first_day=None)
    found: dict[int, date] = {}
    waiting: set[int] = set()
    for demand in (demand for demand in demands if not demand.for_shelf and demand.pieces > 0):
        if leaves := evidence.leaves(case, demand):
            found[demand.rank] = max(leaves, found.get(demand.rank, leaves))
        else:
            waiting.add(demand.rank)
    return {order: day for order, day in found.items() if order not in waiting}


def impossible(now: Situation, plan: Plan) -> tuple[Breach, ...]:
    """What the bench can't do of a plan, and could of the present one."""
    found = _physics(now, plan)
    seen = impossible_rules(now, now.plan) if found else set()
    return tuple(breach for breach in found if (breach.rule, breach.where) not in seen)


def impossible_rules(now: Situation, plan: Plan) -> set[tuple[str, str]]:
    """Each rule of physics that a plan breaks, and where."""
    return {(breach.rule, breach.where) for breach in _physics(now, plan)}


def shifts(before: Mapping[int, date], then: Mapping[int, date], promised: Mapping[int, date]) -> tuple[Shift, ...]:
    """What becomes of each order, first promised first."""
    orders = sorted({*before, *then}, key=lambda order: (promised.get(order, date.max), order))
    return tuple(Shift(order, promised.get(order), before.get(order), then.get(order)) for order in orders)


def _answer(now: Situation, before: Plan, then: Situation, plan: Plan) -> Answer:
    days = leaving_days(now.shop, before, now.demands), leaving_days(then.shop, plan, then.demands)
    return Answer(plan=plan, shifts=shifts(*days, then.promised), breaches=impossible(then, plan))


def _physics(now: Situation, plan: Plan) -> tuple[Breach, ...]:
    found = check(now.shop, plan, now.demands, now.stock)
    return tuple(breach for breach in found if breach.kind == "physics")


def skus_below(catalogue: Catalogue, skus: Sequence[Sku]) -> list[Sku]:
    """Skus with the stocked parts of all levels below them."""
    found = list(dict.fromkeys(skus))
    for sku in found:
        parts = (part.sku for step in catalogue.steps(sku.item) for part in stocked_parts(catalogue, sku, step))
        found += [part for part in dict.fromkeys(parts) if part not in found]
    return found


def equipment_of(catalogue: Catalogue, *skus: Sku) -> list[str]:
    """The equipment that skus need, by their own steps and by their parts'."""
    steps = (step for sku in skus_below(catalogue, skus) for step in catalogue.steps(sku.item))
    return sorted({step.equipment for step in steps if step.equipment})


# ── changes of the bench ─────────────────────────────────────────────────────


def one_more(shop: Shop, equipment: str) -> Shop:
    """The bench with one more pot, bowl or tray."""
    known = shop.catalogue.equipment[equipment]
    more = {**shop.catalogue.equipment, equipment: replace(known, count=known.count + 1)}
    return replace(shop, catalogue=replace(shop.catalogue, equipment=more))


def without(shop: Shop, outage: Outage) -> Shop:
    """The bench while some equipment is out of use."""
    return replace(shop, outages=(*shop.outages, outage))


def with_day(shop: Shop, day: date, entry: Day) -> Shop:
    """The bench with another entry for one day."""
    return replace(shop, calendar=replace(shop.calendar, days={**shop.calendar.days, day: entry}))


def with_minutes(shop: Shop, hands: str, day: date, change: int) -> Shop:
    """The bench with more (or, below zero, fewer) minutes of a group of hands on a day; a ``Refusal`` names why not."""
    return with_day(shop, day, day_with_minutes(shop, hands, day, change))


def day_with_minutes(shop: Shop, hands: str, day: date, change: int) -> Day:
    """A day's entry with more or fewer minutes; a ``Refusal`` when they aren't counted or fewer than none are left."""
    entry, there = shop.calendar.day(day), shop.calendar.minutes(hands, day)
    if not shop.calendar.is_work(day):
        so = "; make it one first, or choose another" if change > 0 else ", so nobody is missed at the bench"
        raise Refusal("no_work_day", f"{_day(day)} is no working day{so}.", "day")
    if there is None:
        message = f"The minutes of {hands} are not counted on {_day(day)}; give them some in the workbook's week first."
        raise Refusal("not_counted", message, "hands")
    if there + change < 0:
        message = f"{hands.capitalize()} has {there} minutes on {_day(day)}; take off {there} at the most."
        raise Refusal("too_many_minutes", message, "minutes", most=there)
    return replace(entry, minutes={**entry.minutes, hands: there + change})


def supply_moved(stock: Sequence[OnHand], sku: Sku, was: date, quantity: Fraction, will: date) -> tuple[OnHand, ...]:
    """What is on hand and on its way, when so much of a sku comes on another day; not there it changes nothing."""
    moved, left = [], quantity
    for row in stock:
        take = min(row.quantity, left) if (row.sku, row.usable_on) == (sku, was) else Fraction(0)
        moved += [replace(row, quantity=row.quantity - take)] if row.quantity > take else []
        moved += [replace(row, quantity=take, usable_on=will)] if take else []
        left -= take
    return tuple(moved)


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


# ── changes of prices ────────────────────────────────────────────────────────


class CostShift(NamedTuple):
    """What one piece of a sku costs before and after, and what it is sold for; ``None`` where that isn't known."""

    sku: Sku
    name: str
    price: Decimal | None
    before: Decimal
    after: Decimal
    unpriced: tuple[str, ...]

    @property
    def margins(self) -> tuple[Decimal | None, Decimal | None]:
        """What is left of the price, as a percentage of it, before and after."""
        return self._margin(self.before), self._margin(self.after)

    def _margin(self, cost: Decimal) -> Decimal | None:
        return (self.price - cost) * 100 / self.price if self.price else None


def dearer(catalogue: Catalogue, materials: Mapping[str, Decimal]) -> Catalogue:
    """The catalogue with materials dearer by so many per cent each; those without a cost stay without one."""
    items = {
        code: replace(catalogue.items[code], unit_cost=cost * (100 + percent) / 100)
        for code, percent in materials.items()
        if (cost := catalogue.items[code].unit_cost) is not None
    }
    return replace(catalogue, items={**catalogue.items, **items})


def cost_shifts(
    catalogue: Catalogue, then: Catalogue, skus: Sequence[Sku], prices: Mapping[str, Decimal], hour_rate: Decimal
) -> tuple[CostShift, ...]:
    """What one piece of each sku costs by two catalogues, materials and hands."""
    found = []
    for sku in skus:
        before, later = (_one(goods, sku, hour_rate) for goods in (catalogue, then))
        found.append(
            CostShift(sku, before.name, prices.get(sku.item), before.cost, later.cost, before.unpriced)
        )  # fmt: skip
    return tuple(found)


def _one(catalogue: Catalogue, sku: Sku, hour_rate: Decimal) -> RecipeView:
    return portion(catalogue, sku, Decimal(1), hour_rate=hour_rate)
