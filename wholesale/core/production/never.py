"""What is not there when it is needed, or never will be: for the check, from catalogue, books and calendar alone."""

from collections import defaultdict
from collections.abc import Iterator, Mapping
from datetime import date
from fractions import Fraction

from wholesale.core.catalogue import Operation, Sku
from wholesale.core.production import evidence
from wholesale.core.production.calendar import DayKind
from wholesale.core.production.evidence import Case


def lacks(case: Case, sku: Sku, pieces: int) -> str | None:
    """What so many pieces, made anew, wait for, in words; ``None`` where they could be made."""
    if material := _material(case, sku, pieces):
        return f"{case.catalogue.items[material.item].name}: too little is in stock and on order; buy some"
    for step in _all_steps(case, sku):
        if _is_out_for_good(case, step.equipment):
            return f"{case.catalogue.equipment[step.equipment].name}: it is out of use until further notice"
        if step.hands and not _has_minutes(case, step.hands):
            return f"'{step.hands}': no day gives it minutes"
    return None


def _all_steps(case: Case, sku: Sku) -> Iterator[Operation]:
    """The steps of a sku and of all that goes into it."""
    for step in case.operations(sku):
        yield step
        for take in evidence.taken(case, sku, step):
            yield from _all_steps(case, take.sku)


def _is_out_for_good(case: Case, code: str) -> bool:
    """Are so many out of use from some day on, for longer than is planned ahead, that none is left?"""
    equipment = case.catalogue.equipment.get(code)
    if equipment is None:
        return False
    ahead = case.shop.horizon_days
    lasting = (o for o in case.shop.outages if o.last is None or (o.last - o.first).days >= ahead)
    return sum(o.count for o in lasting if o.equipment == code) >= equipment.count


def _has_minutes(case: Case, hands: str) -> bool:
    days = (*case.shop.calendar.week.values(), *case.shop.calendar.days.values())
    return any(day.kind is DayKind.WORK and day.minutes.get(hands) != 0 for day in days)


def _material(case: Case, sku: Sku, pieces: int) -> Sku | None:
    """A material of which more goes into so many pieces, made anew, than is left in stock and on order."""
    if not case.has_awaited:
        return None
    left: dict[Sku, Fraction] = defaultdict(Fraction)
    for lot in case.stock:
        left[lot.sku] += lot.quantity
    for material, by_day in evidence.awaited(case).items():
        left[material] -= sum(by_day.values())
    needed = _through_all_levels(case, sku, Fraction(pieces))
    return next((material for material in sorted(needed) if needed[material] > left[material]), None)


def _through_all_levels(case: Case, sku: Sku, pieces: Fraction) -> dict[Sku, Fraction]:
    found: dict[Sku, Fraction] = defaultdict(Fraction)
    for position, operation in enumerate(case.operations(sku)):
        starts = pieces / case.yield_from(sku, position)
        for take in evidence.taken(case, sku, operation):
            own = {take.sku: take.each * starts}
            deeper = own if case.is_awaited(take.sku) else _through_all_levels(case, take.sku, take.each * starts)
            for material, quantity in deeper.items():
                found[material] += quantity
    return found


def unmet(
    case: Case, sku: Sku, needed: Mapping[date, Fraction | int], made: Mapping[date, Fraction | int] | None = None
) -> tuple[date, Fraction] | None:
    """The first day on which neither the books nor what is ``made`` have what is taken of a sku; how much is missing.

    Of what is good that day the first to expire is used first.
    """
    lots = [(lot.expires_on or date.max, lot.usable_on, lot.quantity) for lot in case.lots.get(sku, ())]
    lots += [(date.max, day, Fraction(quantity)) for day, quantity in (made or {}).items()]
    left = [quantity for _, _, quantity in sorted(lots)]
    there = [(until, since) for until, since, _ in sorted(lots)]
    for day in sorted(needed):
        missing = Fraction(needed[day])
        for n, (until, since) in enumerate(there):
            if since <= day <= until:
                used = min(missing, left[n])
                left[n] -= used
                missing -= used
        if missing > 0:
            return day, missing
    return None
