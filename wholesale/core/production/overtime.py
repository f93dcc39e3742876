"""Overtime: the fewest minutes beyond a day's own that bring promises in danger back in time."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from math import ceil

from wholesale.core.production.bench import Bench
from wholesale.core.production.rescue import Overtime, Rates, Rescue
from wholesale.core.production.rescue_trial import Trial, late_days
from wholesale.core.production.what_if import skus_below, with_minutes
from wholesale.core.production.work import Plan, Shop
from wholesale.core.values import ceil_div, plain

#: Working days that overtime may be spread over.
_DAYS = 15
#: Overtime is asked for in parts of the most, the least first.
_PARTS = 4


def overtimes(trial: Trial, rates: Rates) -> Iterator[Rescue]:
    """One for each group of hands whose longer days help."""
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
    """Working days with counted minutes up to the day the last order in danger leaves; who is not there can't stay."""
    calendar = trial.now.shop.calendar
    days = calendar.work_days(trial.now.first_day, trial.latest)
    return [day for day in days if calendar.minutes(hands, day)][:_DAYS]


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
    used = _beyond(trial, outcome.plan, hands, allowed)
    shop = _longer(trial.now.shop, hands, used)
    if not used or not trial.helps(shop, outcome.plan):
        return None
    minutes = sum(used.values())
    cost, how = overtime_cost(minutes, rates)
    named = "_".join(f"{day}+{more}" for day, more in used.items())
    found = trial.shifts(shop, outcome.plan)
    return Rescue(
        kind="overtime", code=f"overtime:{hands}:{named}", late_days=late_days(found), cost=cost, how=how, shifts=found,
        shop=shop, plan=outcome.plan, placed=outcome.placed,
        overtime=tuple(Overtime(hands, day, more) for day, more in used.items()),
    )  # fmt: skip


def overtime_cost(minutes: int, rates: Rates) -> tuple[Decimal | None, str]:
    """Minutes ÷ 60 × the hour's rate × the overtime's percentage, and the sum in figures."""
    if not rates.hour_rate:
        return None, f"{minutes} min; what an hour costs is not set in the workbook"
    cost = minutes * rates.hour_rate * rates.overtime_percent / 6000
    return cost, f"{minutes} min ÷ 60 × {plain(rates.hour_rate)} × {plain(rates.overtime_percent)} %"


def _beyond(trial: Trial, plan: Plan, hands: str, days: Iterable[date]) -> dict[date, int]:
    """Whole minutes that a plan takes beyond each day's own; days on which it takes none are left out."""
    bench = Bench(trial.now.shop, plan, (), trial.now.first_day)
    left = {day: bench.minutes_left(hands, day) for day in days}
    return {day: ceil(-minutes) for day, minutes in left.items() if minutes is not None and minutes < 0}
