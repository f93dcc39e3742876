"""The same situation planned again and again, in other ways: what every rescue is tried on."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.production.bench import Bench
from wholesale.core.production.course import course_of, is_settled
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.what_if import Shift, Situation, impossible_rules, leaving_days, shifts
from wholesale.core.production.work import Demand, Load, Outcome, Placed, Plan, Shop
from wholesale.core.values import Refusal


def in_danger(now: Situation) -> tuple[Shift, ...]:
    """Orders that the plan has leave after their promise, the latest first."""
    days = leaving_days(now.shop, now.plan, now.demands)
    late = [shift for shift in shifts(days, days, now.promised) if shift.late]
    return tuple(sorted(late, key=lambda shift: (-shift.late, shift.order)))


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
        self.latest = max((shift.after for shift in late if shift.after), default=now.first_day)
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
        return late_days(self.shifts(shop, outcome.plan)) if outcome else self.late_days

    def helps(self, shop: Shop, plan: Plan, orders: set[int] | None = None) -> bool:
        """Are fewer order-days late than without it, and can the bench do it?"""
        if late_days(self.shifts(shop, plan, orders)) >= self.bar:
            return False
        if self._known is None:
            self._known = impossible_rules(self.now, self.now.plan)
        return impossible_rules(replace(self.now, shop=shop), plan) <= self._known


def _placed(shop: Shop, bench: Bench, demand: Demand, kept: Mapping[str, Plan]) -> list[Placed]:
    own = kept.get(demand.key, Plan())
    return Insertion(shop, bench, demand, course_of(shop.catalogue, own, demand), own).run()


def late_days(found: Iterable[Shift]) -> Fraction:
    """Order-days that orders leave late."""
    return Fraction(sum(shift.late for shift in found))


def _held(load: Load) -> Load:
    """What stands before the first day that may change is done there, as if it were begun."""
    return load if load.done else replace(load, begun=True)


def _without(plan: Plan, keys: frozenset[str], stays: set[Sku]) -> Plan:
    """The plan without what is not begun of some demands, but for skus that stay."""
    loads = (
        load if is_settled(load)
        else replace(load, portions=tuple(p for p in load.portions if p.demand not in keys or p.sku in stays))
        for load in plan.loads
    )  # fmt: skip
    return replace(plan, loads=tuple(load for load in loads if load.portions))
