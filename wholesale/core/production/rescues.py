"""Rescues: what would bring promises in danger back in time, what each costs, and whom it touches.

Each is planned like any other plan and goes through ``check``. The best stands first:
fewest late order-days left, then the lowest cost, then the fewest orders that move.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import ceil
from typing import NamedTuple

from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.production import contents, evidence
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.course import course_of
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.what_if import (
    Shift,
    Situation,
    equipment_of,
    impossible_rules,
    is_begun,
    leaving_days,
    one_more,
    shifts,
    skus_below,
    with_minutes,
    without,
)
from wholesale.core.production.work import Demand, Load, Outage, Outcome, Placed, Plan, Shop
from wholesale.core.values import Refusal, ceil_div, plain

#: Working days that overtime may be spread over, orders that are split or swapped for, and partners tried for each.
_DAYS, _ORDERS, _PARTNERS = 15, 3, 3
#: Overtime is asked for in parts of the most, the least first.
_PARTS = 4
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


def in_danger(now: Situation) -> tuple[Shift, ...]:
    """Orders that the plan has leave after their promise, the latest first."""
    days = leaving_days(now.shop, now.plan, now.demands)
    late = [shift for shift in shifts(days, days, now.promised) if shift.late]
    return tuple(sorted(late, key=lambda shift: (-shift.late, shift.order)))


def rescues(now: Situation, rates: Rates) -> tuple[Rescue, ...]:
    """Every rescue that leaves fewer late order-days than the plan has, the best first; none: nothing helps."""
    late = in_danger(now)
    if not late:
        return ()
    trial = Trial(now, late)
    found = [
        *_again(trial), *_overtimes(trial, rates), *_splits(trial, rates), *_swaps(trial), *_equipment(trial, rates)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda rescue: rescue.rank))


class Trial:
    """Plans the same situation again and again, in other ways."""

    def __init__(self, now: Situation, late: Sequence[Shift]) -> None:
        self.now = now
        self.late = late
        self.orders = {shift.order for shift in late}
        self.before = leaving_days(now.shop, now.plan, now.demands)
        self.late_days = Fraction(sum(shift.late for shift in late))
        #: What a way out has to be better than: the present plan, or the same orders just planned again.
        self.bar = self.late_days
        self.skus = [demand.sku for demand in self.demands(self.orders)]
        self.latest = max(shift.after for shift in late if shift.after)
        self._originals = {_held(load): load for load in now.plan.loads if load.day < now.first_day}
        loads = (_held(load) if load.day < now.first_day else load for load in now.plan.loads)
        self._plan = replace(now.plan, loads=tuple(loads))
        self._known: set[tuple[str, str]] | None = None
        self._benches: dict[frozenset[str], tuple[Bench, Mapping[str, Plan]]] = {}

    def demands(self, orders: Iterable[int]) -> list[Demand]:
        """What some orders ask for."""
        wanted = set(orders)
        return [demand for demand in self.now.demands if demand.rank in wanted]

    def again(self, shop: Shop, orders: set[int], first: int | None = None) -> Outcome | None:
        """The plan with what is not begun of some orders placed anew, one perhaps ``first``; ``None``: no room."""
        order = sorted(self.demands(orders), key=lambda d: (d.rank != first, d.promised or date.max, d.rank, d.key))
        bench, kept = self._lifted(frozenset(demand.key for demand in order))
        bench.move_to(shop)
        mark = bench.mark()
        try:
            placed = [group for demand in order for group in _placed(shop, bench, demand, kept)]
            loads = tuple(self._originals.get(load, load) for load in bench.plan().loads)
            return Outcome(plan=Plan(loads=loads, picks=tuple(bench.picks)), placed=tuple(placed))
        except Refusal:
            return None
        finally:
            bench.back_to(mark)

    def _lifted(self, keys: frozenset[str]) -> tuple[Bench, Mapping[str, Plan]]:
        """A bench without what is not begun of some demands, and what is; made once.

        The demands' casts stay where others count on them.
        """
        if keys not in self._benches:
            kept = _without(self._plan, keys, self._shared_casts(keys))
            bench = Bench(self.now.shop, kept, self.now.stock, self.now.first_day)
            self._benches[keys] = bench, kept.by_demand()
        return self._benches[keys]

    def _shared_casts(self, keys: frozenset[str]) -> set[Sku]:
        """The parts made for some demands, where somebody would be short without them."""
        gone = {p.sku for load in self._plan.loads for p in load.portions if p.demand in keys}
        parts = {sku for sku in gone if self.now.shop.catalogue.items[sku.item].kind is ItemKind.PART}
        bench = Bench(self.now.shop, _without(self._plan, keys, set()), self.now.stock, self.now.first_day)
        return parts if any(bench.short_on(sku) for sku in parts) else set()

    def shifts(self, shop: Shop, plan: Plan, orders: set[int] | None = None) -> tuple[Shift, ...]:
        """What a plan does to each order, when only some (those in danger) were placed anew."""
        demands = self.demands(self.orders if orders is None else orders)
        keys = {demand.key for demand in demands}
        theirs = tuple(load for load in plan.loads if any(p.demand in keys for p in load.portions))
        days = self.before | leaving_days(shop, replace(plan, loads=theirs), demands)
        return shifts(self.before, days, self.now.promised)

    def late_left(self, shop: Shop, outcome: Outcome | None) -> Fraction:
        """Late order-days of a plan; no plan is as bad as the present one."""
        return _late(self.shifts(shop, outcome.plan)) if outcome else self.late_days

    def helps(self, shop: Shop, plan: Plan, orders: set[int] | None = None) -> bool:
        """Are fewer order-days late than without it, and can the bench do it?"""
        if _late(self.shifts(shop, plan, orders)) >= self.bar:
            return False
        if self._known is None:
            self._known = impossible_rules(self.now, self.now.plan)
        return impossible_rules(replace(self.now, shop=shop), plan) <= self._known


def _placed(shop: Shop, bench: Bench, demand: Demand, kept: Mapping[str, Plan]) -> list[Placed]:
    own = kept.get(demand.key, Plan())
    return Insertion(shop, bench, demand, course_of(shop.catalogue, own, demand), own).run()


def _late(found: Iterable[Shift]) -> Fraction:
    return Fraction(sum(shift.late for shift in found))


def _held(load: Load) -> Load:
    """What stands before the first day that may change is done there, as if it were begun."""
    return load if load.done else replace(load, begun=True)


def _without(plan: Plan, keys: frozenset[str], stays: set[Sku]) -> Plan:
    """The plan without what is not begun of some demands, but for skus that stay."""
    loads = (
        load if is_begun(load)
        else replace(load, portions=tuple(p for p in load.portions if p.demand not in keys or p.sku in stays))
        for load in plan.loads
    )  # fmt: skip
    return replace(plan, loads=tuple(load for load in loads if load.portions))


def _again(trial: Trial) -> Iterator[Rescue]:
    """The late orders planned anew: there may be room by now that there was not when they were."""
    outcome = trial.again(trial.now.shop, trial.orders)
    if outcome and trial.helps(trial.now.shop, outcome.plan):
        found = trial.shifts(trial.now.shop, outcome.plan)
        trial.bar = _late(found)
        yield Rescue(
            kind="again", code="again", late_days=trial.bar, cost=Decimal(0), how=NOTHING_BOUGHT, shifts=found,
            shop=trial.now.shop, plan=outcome.plan, placed=outcome.placed,
        )  # fmt: skip


# ── overtime ─────────────────────────────────────────────────────────────────


def _overtimes(trial: Trial, rates: Rates) -> Iterator[Rescue]:
    for hands in _hands(trial):
        days = _overtime_days(trial, hands)
        if rates.most_overtime and days and (least := _least_overtime(trial, rates, hands, days)):
            found = _overtime(trial, rates, hands, least)
            yield from [found] if found else []


def _hands(trial: Trial) -> list[str]:
    """Groups whose minutes the orders in danger take."""
    catalogue = trial.now.shop.catalogue
    steps = (step for sku in skus_below(catalogue, trial.skus) for step in catalogue.steps(sku.item))
    return sorted({step.hands for step in steps if step.hands})


def _overtime_days(trial: Trial, hands: str) -> list[date]:
    """Working days with counted minutes up to the day the last order in danger leaves."""
    calendar = trial.now.shop.calendar
    days = calendar.work_days(trial.now.first_day, trial.latest)
    return [day for day in days if calendar.minutes(hands, day) is not None][:_DAYS]


def _least_overtime(trial: Trial, rates: Rates, hands: str, days: list[date]) -> dict[date, int]:
    """Minutes by day: the fewest on every day that help as much as the most would, then only the days that count."""
    best = _left(trial, hands, dict.fromkeys(days, rates.most_overtime))
    if best >= trial.bar:
        return {}
    sizes = [ceil_div(rates.most_overtime * n, _PARTS) for n in range(1, _PARTS + 1)]
    minutes = next((n for n in sizes if _left(trial, hands, dict.fromkeys(days, n)) <= best), rates.most_overtime)
    kept = dict.fromkeys(days, minutes)
    for day in reversed(days):
        fewer = {other: n for other, n in kept.items() if other != day}
        if fewer and _left(trial, hands, fewer) <= best:
            kept = fewer
    return kept


def _left(trial: Trial, hands: str, minutes: Mapping[date, int]) -> Fraction:
    shop = _longer(trial.now.shop, hands, minutes)
    return trial.late_left(shop, trial.again(shop, trial.orders))


def _longer(shop: Shop, hands: str, minutes: Mapping[date, int]) -> Shop:
    for day, more in minutes.items():
        shop = with_minutes(shop, hands, day, more)
    return shop


def _overtime(trial: Trial, rates: Rates, hands: str, allowed: Mapping[date, int]) -> Rescue | None:
    """The rescue with the minutes that its plan really takes beyond each day's own."""
    outcome = trial.again(_longer(trial.now.shop, hands, allowed), trial.orders)
    if outcome is None:
        return None
    used = _beyond(trial.now.shop, outcome.plan, hands, allowed)
    shop = _longer(trial.now.shop, hands, used)
    if not used or not trial.helps(shop, outcome.plan):
        return None
    minutes = sum(used.values())
    cost, how = overtime_cost(minutes, rates)
    named = "_".join(f"{day}+{more}" for day, more in used.items())
    found = trial.shifts(shop, outcome.plan)
    return Rescue(
        kind="overtime", code=f"overtime:{hands}:{named}", late_days=_late(found), cost=cost, how=how, shifts=found,
        shop=shop, plan=outcome.plan, placed=outcome.placed,
        overtime=tuple(Overtime(hands, day, more) for day, more in used.items()),
    )  # fmt: skip


def overtime_cost(minutes: int, rates: Rates) -> tuple[Decimal | None, str]:
    """Minutes ÷ 60 × the hour's rate × the overtime's percentage, and the sum in figures."""
    if not rates.hour_rate:
        return None, f"{minutes} min; what an hour costs is not set in the workbook"
    cost = minutes * rates.hour_rate * rates.overtime_percent / 6000
    return cost, f"{minutes} min ÷ 60 × {plain(rates.hour_rate)} × {plain(rates.overtime_percent)} %"


def _beyond(shop: Shop, plan: Plan, hands: str, days: Iterable[date]) -> dict[date, int]:
    """Whole minutes that a plan takes beyond each day's own; days on which it takes none are left out."""
    used: dict[date, Decimal] = defaultdict(Decimal)
    case = evidence.Case(shop=shop, plan=plan, demands=(), stock=(), first_day=None)
    for load, portion, step in case.portions(plan.loads):
        if step.hands == hands:
            used[load.day] += step.minutes_per_piece * portion.pieces
    for load in plan.loads:
        whose, own = contents.own_minutes(case, load)
        if whose == hands:
            used[load.day] += own
    over = {day: ceil(used[day]) - (shop.calendar.minutes(hands, day) or 0) for day in days}
    return {day: minutes for day, minutes in over.items() if minutes > 0}


# ── part of the order in time ────────────────────────────────────────────────


def _splits(trial: Trial, rates: Rates) -> Iterator[Rescue]:
    """Orders of which whole cases are in time already; the plan stays as it is."""
    now = trial.now
    for shift in trial.late[:_ORDERS]:
        parts = _parts_in_time(now, shift, rates.cases)
        ready, every = sum(part.cases for part in parts), sum(part.of for part in parts)
        if ready:
            late = trial.late_days - shift.late * Fraction(ready, every)
            cost = rates.freight.get(shift.order)
            how = "what a parcel costs is not known" if cost is None else f"one more parcel: {plain(cost, 2)}"
            yield Rescue(
                kind="split", code=f"split:{shift.order}:{ready}", late_days=late, cost=cost, how=how,
                shifts=trial.shifts(now.shop, now.plan), shop=now.shop, plan=now.plan, orders=(shift.order,),
                parts=parts,
            )  # fmt: skip


def _parts_in_time(now: Situation, shift: Shift, cases: Mapping[str, InCases]) -> tuple[Part, ...]:
    """By line of an order: whole cases of which every piece leaves by the promise; none when a line isn't known."""
    lines: dict[int, list[Demand]] = {}
    for demand in (d for d in now.demands if d.rank == shift.order):
        if demand.key not in cases:
            return ()
        lines.setdefault(cases[demand.key].line, []).append(demand)
    return tuple(_part(now, shift, line, demands, cases) for line, demands in sorted(lines.items()))


def _part(now: Situation, shift: Shift, line: int, demands: Sequence[Demand], cases: Mapping[str, InCases]) -> Part:
    packed = cases[demands[0].key]
    by = shift.promised or date.max
    ready = [packed.cases]
    for demand in demands:
        # What stock covered when it was ordered is not asked for any more, and in time.
        there = cases[demand.key].pieces * packed.cases - demand.pieces
        ready.append((there + in_time(now.shop, now.plan, demand, by)) // cases[demand.key].pieces)
    return Part(line, demands[0].sku, min(ready), packed.cases, shift.after or by)


def in_time(shop: Shop, plan: Plan, demand: Demand, by: date) -> int:
    """Good pieces of a demand that the plan has leave by a day: none is ahead of the step that gives the fewest."""
    case = evidence.Case(shop=shop, plan=plan, demands=[demand], stock=(), first_day=None)
    picked = sum(p.pieces for p in plan.picks if p.demand == demand.key and _leaves(shop, p.sellable_on) <= by)
    through: list[Fraction] = []
    for place, operation in enumerate(case.operations(demand.sku)):
        cure = (operation.cure_days or 0) if place == shop.catalogue.recipe(demand.sku.item).cure_step else 0
        steps = case.steps.get((demand.key, demand.sku, operation.code), ())
        through.append(sum((s.out for s in steps if _leaves(shop, s.day + cure * ONE_DAY) <= by), Fraction(0)))
    return min(demand.pieces, picked + int(min(through, default=Fraction(0))))


def _leaves(shop: Shop, day: date) -> date:
    return shop.calendar.work_from(day)


# ── two orders change places ─────────────────────────────────────────────────


def _swaps(trial: Trial) -> Iterator[Rescue]:
    """An order in danger is made before one that can wait, if neither is late after."""
    for shift in trial.late[:_ORDERS]:
        for other in _that_can_wait(trial)[:_PARTNERS]:
            both = {shift.order, other}
            outcome = trial.again(trial.now.shop, both, first=shift.order)
            found = trial.shifts(trial.now.shop, outcome.plan, both) if outcome else ()
            late = {row.order for row in found if row.late}
            if outcome and not late & both and trial.helps(trial.now.shop, outcome.plan, both):
                yield Rescue(
                    kind="swap", code=f"swap:{shift.order}:{other}", late_days=_late(found), cost=Decimal(0),
                    how=NOTHING_BOUGHT, shifts=found, shop=trial.now.shop,
                    plan=outcome.plan, placed=outcome.placed, orders=(shift.order, other),
                )  # fmt: skip


def _that_can_wait(trial: Trial) -> list[int]:
    """Orders with days to spare and something not begun, those with most days first."""
    now = trial.now
    todo = {p.demand for load in now.plan.loads if not is_begun(load) for p in load.portions}
    orders = {d.rank for d in now.demands if d.key in todo} - trial.orders
    spare = {order: (by - trial.before[order]).days for order, by in now.promised.items() if order in trial.before}
    return sorted((o for o in orders if spare.get(o, 0) > 0), key=lambda order: (-spare[order], order))


# ── one more pot, bowl or tray ───────────────────────────────────────────────


def _equipment(trial: Trial, rates: Rates) -> Iterator[Rescue]:
    now = trial.now
    for code in equipment_of(now.shop.catalogue, *trial.skus):
        shop = _one_more_soon(now, code)
        outcome = trial.again(shop, trial.orders) if now.shop.catalogue.equipment[code].loads_per_day else None
        if outcome and trial.helps(shop, outcome.plan):
            found, cost = trial.shifts(shop, outcome.plan), rates.prices.get(code)
            how = "what one costs is not in the workbook" if cost is None else f"bought once: {plain(cost, 2)}"
            yield Rescue(
                kind="more", code=f"more:{code}", late_days=_late(found), cost=cost, how=how, shifts=found,
                shop=shop, plan=outcome.plan, placed=outcome.placed, equipment=code,
                needed_on=_needed_on(now.shop, outcome.plan, code, now.first_day),
                not_yet=next((out for out in shop.outages if out not in now.shop.outages), None),
            )  # fmt: skip


def _one_more_soon(now: Situation, equipment: str) -> Shop:
    """One more from the next working day on: it has to be bought or borrowed first."""
    here_from = now.shop.calendar.work_from(now.today + ONE_DAY)
    shop = one_more(now.shop, equipment)
    if here_from <= now.first_day:
        return shop
    return without(shop, Outage(equipment=equipment, count=1, first=now.today, last=here_from - ONE_DAY))


def _needed_on(shop: Shop, plan: Plan, equipment: str, first_day: date) -> date:
    """The first day with more loads than there is equipment for today."""
    loads: dict[date, int] = {}
    for load in plan.loads:
        if load.work.equipment == equipment and load.day >= first_day:
            loads[load.day] = loads.get(load.day, 0) + 1
    a_day = shop.catalogue.equipment[equipment].loads_per_day or 0
    over = (day for day, count in loads.items() if count > shop.count_of(equipment, day) * a_day)
    return min(over, default=first_day)
