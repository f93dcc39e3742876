"""Rescues: what would bring promises in danger back in time, what each costs, and whom it touches.

Each is planned like any other plan and goes through ``check``. The best stands first:
fewest late order-days left, then the lowest cost, then the fewest orders that move.
"""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal

from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.course import is_settled
from wholesale.core.production.overtime import overtimes
from wholesale.core.production.rescue import NOTHING_BOUGHT, Rates, Rescue
from wholesale.core.production.rescue_trial import Trial, in_danger, late_days
from wholesale.core.production.splits import splits
from wholesale.core.production.what_if import Situation, equipment_of, one_more, without
from wholesale.core.production.work import Outage, Plan, Shop
from wholesale.core.values import plain

#: Orders that others change places with, the latest first, and partners tried for each.
_ORDERS, _PARTNERS = 3, 3


def rescues(now: Situation, rates: Rates) -> tuple[Rescue, ...]:
    """Every rescue that leaves fewer late order-days than the plan has, the best first; none: nothing helps."""
    late = in_danger(now)
    if not late:
        return ()
    trial = Trial(now, late)
    found = [
        *_again(trial), *overtimes(trial, rates), *splits(trial, rates), *_swaps(trial), *_equipment(trial, rates)
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda rescue: rescue.rank))


def _again(trial: Trial) -> Iterator[Rescue]:
    """The late orders planned anew: there may be room by now that there was not when they were."""
    outcome = trial.again(trial.now.shop, trial.orders)
    if outcome and trial.helps(trial.now.shop, outcome.plan):
        found = trial.shifts(trial.now.shop, outcome.plan)
        trial.bar = late_days(found)
        yield Rescue(
            kind="again", code="again", late_days=trial.bar, cost=Decimal(0), how=NOTHING_BOUGHT, shifts=found,
            shop=trial.now.shop, plan=outcome.plan, placed=outcome.placed,
        )  # fmt: skip


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
                    kind="swap", code=f"swap:{shift.order}:{other}", late_days=late_days(found), cost=Decimal(0),
                    how=NOTHING_BOUGHT, shifts=found, shop=trial.now.shop,
                    plan=outcome.plan, placed=outcome.placed, orders=(shift.order, other),
                )  # fmt: skip


def _that_can_wait(trial: Trial) -> list[int]:
    """Orders with days to spare and something not begun, those with most days first."""
    now = trial.now
    todo = {p.demand for load in now.plan.loads if not is_settled(load) for p in load.portions}
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
                kind="more", code=f"more:{code}", late_days=late_days(found), cost=cost, how=how, shifts=found,
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
