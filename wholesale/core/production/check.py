"""Is a plan possible, and does it keep its promises? Every rule checked afresh, whoever made the plan.

Nothing here is shared with the planner: every sum is done again from the catalogue,
the calendar and the loads themselves. Days before today cannot be changed, so done
loads are never at fault; they only use up their day's quota and minutes.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from itertools import chain, pairwise
from typing import Literal

from wholesale.core.catalogue import Operation, Sku
from wholesale.core.production import contents, evidence, never
from wholesale.core.production.evidence import Case, Flow, Step, settled
from wholesale.core.production.work import Demand, Load, Plan, Shop
from wholesale.core.stock import OnHand


@dataclass(frozen=True, kw_only=True)
class Breach:
    """One rule that the plan breaks.

    ``physics`` can't be done at all, and is refused. ``promise`` can be done but
    disappoints somebody (late, overdue, poured too long ago): an alarm.
    """

    kind: Literal["physics", "promise"]
    rule: str
    where: str
    message: str


def check(
    shop: Shop,
    plan: Plan,
    demands: Sequence[Demand],
    stock: Iterable[OnHand],
    first_day: date | None = None,
    of: Collection[str] | None = None,
    memory: evidence.Memory | None = None,
) -> tuple[Breach, ...]:
    """All breaches of a plan, none when it is sound.

    ``demands`` are all open ones; ``stock`` is everything on hand, picked or not.
    Planned loads before ``first_day`` are overdue. With ``of`` only what these demands
    touch is judged: their pieces, the days they stand on, the parts and materials they
    take; enough where a plan that was sound has these demands put in. Of plans that are
    judged one after the other with the same catalogue, what was looked up stays in ``memory``.
    """
    only = None if of is None else frozenset(of)
    judged = demands if only is None else [demand for demand in demands if demand.key in only]
    case = Case(
        shop=shop, plan=plan, demands=judged, stock=tuple(stock), first_day=first_day, of=only,
        memory=memory or evidence.Memory(),
    )  # fmt: skip
    return tuple(chain.from_iterable(rule(case) for rule in _RULES))


def leaving_day(shop: Shop, plan: Plan, demand: Demand) -> date | None:
    """The first work day on which a demand's last piece is sellable and finished; ``None`` when it has no piece."""
    own = frozenset([demand.key])
    return evidence.leaves(Case(shop=shop, plan=plan, demands=[demand], stock=(), first_day=None, of=own), demand)


# ── the rules ────────────────────────────────────────────────────────────────


def _pegs(case: Case) -> Iterator[Breach]:
    """Every planned piece is pegged to an open demand: its own sku, or a part."""
    wanted = {(demand.key, demand.sku) for demand in case.demands}
    keys = Counter(demand.key for demand in case.demands)
    for key in (key for key, count in keys.items() if count > 1):
        yield _physics("peg", key, f"{keys[key]} demands are called '{key}': what is made serves but one of them.")
    for load in case.own_loads:
        for portion in load.portions if not settled(load) else ():
            if not case.is_judged(portion.demand):
                continue
            where = f"{_where(load)} for {portion.demand}"
            if case.operation(portion) is None:
                yield _physics("step", where, f"{portion.sku} has no step '{portion.operation}'; plan it again.")
            elif not case.is_part(portion.sku) and (portion.demand, portion.sku) not in wanted:
                yield _physics("peg", where, f"Nobody asks for {portion.pieces} {portion.sku}; take them out.")
            if portion.pieces < 1:
                yield _physics("pieces", where, f"{portion.pieces} {portion.sku} can't be made; plan it again.")


def _contents(case: Case) -> Iterator[Breach]:
    """A load holds one melt, or one step of one sku, in the equipment of that step."""
    for load in case.own_loads:
        portions = [(p, o) for p in load.portions if not settled(load) and (o := case.operation(p))]
        if len({contents.content(case, portion, operation) for portion, operation in portions}) > 1:
            yield _physics(
                "content", _where(load), f"{_name(case, load)} would hold two kinds of work; split the load."
            )
        if any(operation.equipment != load.work.equipment for _, operation in portions):
            yield _physics("content", _where(load), f"{_name(case, load)} is not where this is done; move the load.")


def _sizes(case: Case) -> Iterator[Breach]:
    """No planned load is above its equipment's pieces, or grams with the loss."""
    for load in case.own_loads:
        equipment = case.catalogue.equipment.get(load.work.equipment)
        if settled(load) or equipment is None:
            continue
        pieces, grams = contents.counted_pieces(case, load), contents.grams_in(case, load, equipment)
        if equipment.load_pieces is not None and pieces > equipment.load_pieces:
            yield _too_full(case, load, f"{pieces} pieces", f"{equipment.load_pieces}")
        if equipment.load_g is not None and grams > Fraction(equipment.load_g):
            yield _too_full(case, load, f"{float(grams):,.2f} g with the loss", f"{equipment.load_g} g")


def _quotas(case: Case) -> Iterator[Breach]:
    """Loads of one equipment on one day stay within its number times its loads a day."""
    loads: dict[tuple[str, date], list[Load]] = defaultdict(list)
    for load in case.loads:
        if load.portions:
            loads[load.work.equipment, load.day].append(load)
    for (code, day), of_day in loads.items():
        limit = contents.daily_loads(case, code, day)
        if limit is not None and len(of_day) > limit and not all(settled(load) for load in of_day):
            message = f"{_name(case, of_day[0])} would take {len(of_day)} loads; {limit} that day is the most."
            yield _physics("quota", f"{code} {day}", message)


def _minutes(case: Case) -> Iterator[Breach]:
    """No group of hands works longer than its day has minutes."""
    used: dict[tuple[str, date], Decimal] = defaultdict(Decimal)
    planned: set[tuple[str, date]] = set()
    for batch in evidence.gathered(case, case.loads):
        hands, each = batch.operation.hands, batch.operation.minutes_per_piece
        for day, pieces in batch.pieces.items():
            used[hands, day] += each * pieces
        if not (batch.done or batch.begun):
            planned.update((hands, day) for day in batch.pieces)
    for load in case.loads:
        hands, minutes = contents.own_minutes(case, load)
        used[hands, load.day] += minutes
    for hands, day in sorted(planned):
        there = case.shop.calendar.minutes(hands, day) if hands else None
        if there is not None and used[hands, day] > there:
            message = f"{_day(day)}: {float(used[hands, day]):g} minutes of work, {there} there are; move some of it."
            yield _physics("minutes", f"{hands} {day}", message)


def _days(case: Case) -> Iterator[Breach]:
    """Bench work stands on work days, and not in the past."""
    for load in case.loads:
        if load.done:
            continue
        if not load.begun and not case.shop.calendar.is_work(load.day):
            yield _physics("work_day", _where(load), f"{_day(load.day)} is no working day; move {_what(load)}.")
        if case.first_day and load.day < case.first_day:
            message = f"{_what(load)} was planned for {_day(load.day)}; mark it done or plan again."
            yield _alarm("overdue", _where(load), message)


def _waits(case: Case) -> Iterator[Breach]:
    """Between two steps at least and at most so many nights or days go by, first poured first topped."""
    for key, sku in evidence.makings(case):
        for before, after in pairwise(case.operations(sku)):
            made, used = (case.steps.get((key, sku, step.code), []) for step in (before, after))
            flows, unmade = _flows(case, sku, before, made, used)
            for day, into in _todo(used).items():
                arrived = [flow for flow in flows if flow.used == day and not flow.used_settled]
                yield from _too_soon(f"{key} {after.code}", before, after, into, arrived)
                yield from _too_late(f"{key} {after.code}", before, after, into, arrived)
            if _whole(unmade):
                message = f"{_whole(unmade)} {sku} would have {after.name} without {before.name}; plan it again."
                yield _physics("order", f"{key} {sku} {after.code}", message)


def _todo(steps: Sequence[Step]) -> dict[date, int]:
    """Pieces that are still to go into a step, by day."""
    found: dict[date, int] = {}
    for step in steps:
        if not step.settled:
            found[step.day] = found.get(step.day, 0) + step.into
    return found


def _flows(
    case: Case, sku: Sku, before: Operation, made: Sequence[Step], used: Sequence[Step]
) -> tuple[list[Flow], Fraction]:
    """Who used which pieces; where some are expected to be lost, those left over may stand till they are too old."""
    if case.yield_of(sku, before) < 1:
        flows, unmade = evidence.matched(made, used, before.days_max)
        if not _whole(unmade):
            return flows, unmade
    return evidence.matched(made, used)


def _whole(pieces: Fraction) -> int:
    """Whole pieces: starts are rounded up, so that less than one may seem to come from nowhere."""
    return int(pieces)


def _too_soon(
    where: str, before: Operation, after: Operation, into: int, flows: Sequence[Flow]
) -> Iterator[Breach]:  # fmt: skip
    least = max(before.nights_min, before.days_min)
    hasty = [flow for flow in flows if (flow.used - flow.made).days < least]
    for flow in hasty if _lack(into, flows, hasty) else []:
        waited = (flow.used - flow.made).days
        message = f"{after.name} on {_day(flow.used)} is {waited} nights after {before.name}; it needs {least}."
        yield _physics("wait_least", f"{where} {flow.used}", message)


def _too_late(
    where: str, before: Operation, after: Operation, into: int, flows: Sequence[Flow]
) -> Iterator[Breach]:  # fmt: skip
    most = before.days_max
    stale = [flow for flow in flows if most is not None and (flow.used - flow.made).days > most]
    for flow in stale if _lack(into, flows, stale) else []:
        waited = (flow.used - flow.made).days
        message = f"{after.name} on {_day(flow.used)} is {waited} days after {before.name}; {most} is the most."
        # What was really poured may find no bench in time: that is told to the maker, who decides about the bases.
        yield (_alarm if flow.made_settled else _physics)("wait_most", f"{where} {flow.used}", message)


def _lack(into: int, flows: Sequence[Flow], wrong: Sequence[Flow]) -> bool:
    """Does a whole piece go into the step that only the wrong ones could be?"""
    right = sum((flow.pieces for flow in flows if flow not in wrong), Fraction(0))
    return into - right >= 1


def _cover(case: Case) -> Iterator[Breach]:
    """Pieces asked for less picks pass through every step, none lost beyond its yield and none over."""
    for demand in case.demands:
        picked = sum(pick.pieces for pick in case.plan.picks if pick.demand == demand.key)
        operations = case.operations(demand.sku)
        passing = [case.steps.get((demand.key, demand.sku, o.code), []) for o in operations]
        wanted = [*(sum(step.into for step in steps) for steps in passing[1:]), demand.pieces - picked]
        for position, (steps, pieces) in enumerate(zip(passing, wanted, strict=True) if operations else ()):
            yield from _cover_step(case, demand, position, steps, pieces)
        if picked > demand.pieces:
            message = f"{picked} of {demand.pieces} {demand.sku} are picked; make the picks what was asked for."
            yield _physics("cover", demand.key, message)
        elif not operations and picked < demand.pieces:
            message = f"{demand.pieces - picked} {demand.sku} wait for stock: nobody makes it here. Receive some."
            yield _alarm("waits", f"{demand.key} {demand.sku}", message)


def _cover_step(case: Case, demand: Demand, position: int, steps: list[Step], wanted: int) -> Iterator[Breach]:
    operations = case.operations(demand.sku)
    operation, out = operations[position], sum((step.out for step in steps), Fraction(0))
    last = position == len(operations) - 1
    short = out < wanted if last else -int(-out // 1) < wanted
    lacks = never.lacks(case, demand.sku, wanted - int(out)) if short and last else None
    if lacks:
        message = f"{wanted - int(out)} {demand.sku} wait for {lacks}."
        yield _alarm("waits", f"{demand.key} {demand.sku}", message)
    elif short or _is_over(case, demand, position, steps, wanted):
        message = f"{operation.name} gives {float(out):g} {demand.sku}, {wanted} are needed; plan again."
        yield _physics("cover", f"{demand.key} {demand.sku} {operation.code}", message)


def _is_over(case: Case, demand: Demand, position: int, steps: list[Step], wanted: int) -> bool:
    """Would one start fewer still give enough? Where some are lost, each day's starts may be rounded up."""
    todo = any(not step.settled for step in steps)
    if todo and case.risk(demand.sku) is not None and case.yield_from(demand.sku, 0) < 1:
        return _is_over_the_risk(case, demand, position, steps)
    each = case.yield_of(demand.sku, case.operations(demand.sku)[position])
    fewer = len({step.day for step in steps}) if case.yield_from(demand.sku, 0) < 1 else 1
    return todo and sum((step.sure for step in steps), Fraction(0)) - fewer * each >= wanted


def _is_over_the_risk(case: Case, demand: Demand, position: int, steps: list[Step]) -> bool:
    """Would far fewer starts surely hold the risk? P(short) ≤ variance ÷ (variance + distance²), by Cantelli."""
    risk, share = case.risk(demand.sku) or Fraction(1), case.yield_from(demand.sku, position)
    started = sum(step.into for step in steps) - len(steps)
    variance, distance = started * share * (1 - share), started * share - demand.pieces
    return distance > 0 and variance < risk * (variance + distance * distance)


def _deposits(case: Case) -> Iterator[Breach]:
    """Nothing of a demand is begun before its deposit may be there."""
    starts = {demand.key: demand.starts_from for demand in case.demands if demand.starts_from is not None}
    for load in case.own_loads if starts else ():
        for key in sorted({portion.demand for portion in load.portions if not settled(load)} & starts.keys()):
            if load.day < starts[key]:
                due = _day(starts[key])
                message = f"{_what(load)} on {_day(load.day)} is before its deposit, due {due}; plan it again."
                yield _physics("deposit", f"{_where(load)} for {key}", message)


def _supply(case: Case) -> Iterator[Breach]:
    """Nothing takes a material that the plan waits for before the books have it."""
    for material, needed in sorted(evidence.awaited(case).items()):
        if short := never.unmet(case, material, needed):
            day, missing = short
            name = case.catalogue.items[material.item].name
            message = f"{name}: {float(missing):g} too few in stock and on order on {_day(day)}; plan later, or buy."
            yield _physics("supply", f"{material} {day}", message)


def _balances(case: Case) -> Iterator[Breach]:
    """On no day are more parts used, or more finished pieces picked, than are there by then and still good."""
    used, made = evidence.used(case), evidence.made(case)
    for sku, needed in sorted(used.items()):
        perishes = any(lot.expires_on for lot in case.lots.get(sku, ()))
        short = (never.unmet if perishes else _overdrawn)(case, sku, needed, made.get(sku, {}))
        if short:
            day, missing = short
            rule = "stock" if case.is_product(sku) else "parts"
            message = f"{sku}: {float(missing):g} too few on {_day(day)}; make more or move what needs them."
            yield _physics(rule, f"{sku} {day}", message)


def _overdrawn(
    case: Case, sku: Sku, needed: Mapping[date, Fraction | int], made: Mapping[date, Fraction | int]
) -> tuple[date, Fraction] | None:
    """The first day on which more is taken of what keeps than is there by then, and how much more."""
    changes: dict[date, Fraction | int] = defaultdict(int, made)
    for lot in case.lots.get(sku, ()):
        changes[lot.usable_on] += lot.quantity
    for day, quantity in needed.items():
        changes[day] -= quantity
    balance = Fraction(0)
    for day in sorted(changes):
        balance += changes[day]
        if balance < 0:
            return day, -balance
    return None


def _promises(case: Case) -> Iterator[Breach]:
    """Nobody's last piece leaves after the day that was promised; picks are of what was asked for."""
    skus = {demand.key: demand.sku for demand in case.demands}
    for pick in case.plan.picks:
        if case.is_judged(pick.demand) and (pick.sku != skus.get(pick.demand) or pick.pieces < 1):
            yield _physics("peg", f"pick {pick.demand}", f"Nobody asked for {pick.pieces} {pick.sku}; free them.")
    for demand in (demand for demand in case.demands if demand.promised and evidence.is_planned(case, demand)):
        leaves, promised = evidence.leaves(case, demand), demand.promised or date.max
        if leaves is None:
            message = f"{demand.sku}: no working day follows on which it could leave; open some days."
            yield _alarm("promised", demand.key, message)
        elif leaves > promised:
            message = f"{demand.sku} leaves {_day(leaves)}, promised was {_day(promised)}; tell the shop."
            yield _alarm("promised", demand.key, message)


def _wishes(case: Case) -> Iterator[Breach]:
    """Nobody was promised a day before the one it is wanted, or may leave, on."""
    for demand in case.demands:
        if demand.promised and demand.leaves_from and demand.promised < demand.leaves_from:
            message = (
                f"{demand.sku} is promised for {_day(demand.promised)} and may leave on {_day(demand.leaves_from)} "
                "at the earliest; ask the shop."
            )
            yield _alarm("wanted", demand.key, message)


_RULES: tuple[Callable[[Case], Iterator[Breach]], ...] = (
    _pegs, _contents, _sizes, _quotas, _minutes, _days, _waits, _cover, _deposits, _balances, _supply, _promises,
    _wishes,
)  # fmt: skip


# ── words ────────────────────────────────────────────────────────────────────


def _physics(rule: str, where: str, message: str) -> Breach:
    return Breach(kind="physics", rule=rule, where=where, message=message)


def _alarm(rule: str, where: str, message: str) -> Breach:
    return Breach(kind="promise", rule=rule, where=where, message=message)


def _too_full(case: Case, load: Load, found: str, most: str) -> Breach:
    return _physics("size", _where(load), f"{_name(case, load)} would hold {found}; {most} is the most. Split it.")


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _what(load: Load) -> str:
    return " ".join(word for word in (str(load.work.what), load.work.operation) if word)


def _where(load: Load) -> str:
    return " ".join(word for word in (load.work.equipment, _what(load), str(load.day)) if word)


def _name(case: Case, load: Load) -> str:
    equipment = case.catalogue.equipment.get(load.work.equipment)
    return f"{equipment.name if equipment else _what(load)} on {_day(load.day)}"
