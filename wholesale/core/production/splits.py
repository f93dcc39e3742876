"""Part of a late order in time: the whole cases that are ready by the promise go ahead of the others."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from fractions import Fraction

from wholesale.core.production import evidence
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.rescue import InCases, Part, Rates, Rescue
from wholesale.core.production.rescue_trial import Trial
from wholesale.core.production.what_if import Shift, Situation
from wholesale.core.production.work import Demand, Plan, Shop
from wholesale.core.values import plain

#: Orders that are looked at, the latest first.
_ORDERS = 3


def splits(trial: Trial, rates: Rates) -> Iterator[Rescue]:
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
