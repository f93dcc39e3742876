"""Is a plan possible, and does it keep its promises? Every rule checked afresh, whoever made the plan.

Nothing here is shared with the planner: every sum is done again from the catalogue,
the calendar and the loads themselves. Days before today cannot be changed, so done
loads are never at fault; they only use up their day's quota and minutes.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from functools import cached_property
from itertools import chain, pairwise
from typing import Literal, NamedTuple

from wholesale.core.catalogue import Basis, Catalogue, Equipment, Item, ItemKind, Operation, Sku
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Demand, Load, Plan, Portion
from wholesale.core.stock import OnHand

_A_DAY = timedelta(days=1)
#: How far a leaving day is looked for in a calendar with hardly a work day.
_FAR = 800


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


class _Flow(NamedTuple):
    """Pieces on their way from one step's day to the next step's day."""

    made: date
    used: date
    pieces: int
    made_done: bool
    used_done: bool


class _Step(NamedTuple):
    """Pieces of one step on one day; ``out`` is what the next step can count on."""

    day: date
    into: int
    out: int
    done: bool


@dataclass(frozen=True, kw_only=True)
class _Case:
    """A plan with everything it is judged by."""

    shop: Shop
    plan: Plan
    demands: Sequence[Demand]
    stock: tuple[OnHand, ...]
    first_day: date | None

    @cached_property
    def steps(self) -> dict[tuple[str, Sku, str], list[_Step]]:
        """Pieces by (peg, sku, step): by day, done ones first."""
        found: dict[tuple[str, Sku, str], list[_Step]] = defaultdict(list)
        for load, portion, _ in self.portions():
            step = _Step(load.day, portion.pieces, portion.counted, load.done)
            found[portion.demand, portion.sku, portion.operation].append(step)
        return {key: sorted(steps, key=lambda step: (step.day, not step.done)) for key, steps in found.items()}

    @property
    def catalogue(self) -> Catalogue:
        return self.shop.catalogue

    def item(self, sku: Sku) -> Item | None:
        return self.catalogue.items.get(sku.item)

    def operations(self, sku: Sku) -> tuple[Operation, ...]:
        item = self.item(sku)
        return item.recipe.operations if item and item.recipe else ()

    def operation(self, portion: Portion) -> Operation | None:
        return next((o for o in self.operations(portion.sku) if o.code == portion.operation), None)

    def portions(self, *, todo: bool = False) -> Iterator[tuple[Load, Portion, Operation]]:
        """Every portion whose step is known, with its load and its step."""
        for load in self.plan.loads:
            for portion in load.portions if not (todo and load.done) else ():
                if operation := self.operation(portion):
                    yield load, portion, operation


def check(
    shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], first_day: date | None = None
) -> tuple[Breach, ...]:
    """All breaches of a plan, none when it is sound.

    ``demands`` are all open ones; ``stock`` is everything on hand, picked or not.
    Planned loads before ``first_day`` are overdue.
    """
    case = _Case(shop=shop, plan=plan, demands=demands, stock=tuple(stock), first_day=first_day)
    rules: tuple[Callable[[_Case], Iterator[Breach]], ...] = (
        _pegs, _contents, _sizes, _quotas, _minutes, _days, _waits, _cover, _balances, _promises,
    )  # fmt: skip
    return tuple(chain.from_iterable(rule(case) for rule in rules))


def leaving_day(shop: Shop, plan: Plan, demand: Demand) -> date | None:
    """The first work day on which a demand's last piece is sellable and finished; ``None`` when it has no piece."""
    return _leaves(_Case(shop=shop, plan=plan, demands=[demand], stock=(), first_day=None), demand)


# ── the rules ────────────────────────────────────────────────────────────────


def _pegs(case: _Case) -> Iterator[Breach]:
    """Every planned piece is pegged to an open demand: its own sku, or a part."""
    wanted = {(demand.key, demand.sku) for demand in case.demands}
    for load in case.plan.loads:
        for portion in load.portions if not load.done else ():
            where = f"{_where(load)} for {portion.demand}"
            if case.operation(portion) is None:
                yield _physics("step", where, f"{portion.sku} has no step '{portion.operation}'; plan it again.")
            elif _is_product(case, portion) and (portion.demand, portion.sku) not in wanted:
                yield _physics("peg", where, f"Nobody asks for {portion.pieces} {portion.sku}; take them out.")
            if portion.pieces < 1:
                yield _physics("pieces", where, f"{portion.pieces} {portion.sku} can't be made; plan it again.")


def _contents(case: _Case) -> Iterator[Breach]:
    """A load holds one melt, or one step of one sku, in the equipment of that step."""
    for load in case.plan.loads:
        portions = [(p, o) for p in load.portions if not load.done and (o := case.operation(p))]
        if len({_content(case, portion, operation) for portion, operation in portions}) > 1:
            yield _physics(
                "content", _where(load), f"{_name(case, load)} would hold two kinds of work; split the load."
            )
        if any(operation.equipment != load.work.equipment for _, operation in portions):
            yield _physics("content", _where(load), f"{_name(case, load)} is not where this is done; move the load.")


def _sizes(case: _Case) -> Iterator[Breach]:
    """No planned load is above its equipment's pieces, or grams with the loss."""
    for load in case.plan.loads:
        equipment = case.catalogue.equipment.get(load.work.equipment)
        if load.done or equipment is None:
            continue
        grams = sum((_gross(case, p, o) for p in load.portions if (o := case.operation(p))), Fraction(0))
        if equipment.load_pieces is not None and load.pieces > equipment.load_pieces:
            yield _too_full(case, load, f"{load.pieces} pieces", f"{equipment.load_pieces}")
        if equipment.load_g is not None and grams > Fraction(equipment.load_g):
            yield _too_full(case, load, f"{float(grams):,.2f} g with the loss", f"{equipment.load_g} g")


def _quotas(case: _Case) -> Iterator[Breach]:
    """Loads of one equipment on one day stay within its number times its loads a day."""
    loads: dict[tuple[str, date], list[Load]] = defaultdict(list)
    for load in case.plan.loads:
        if load.portions:
            loads[load.work.equipment, load.day].append(load)
    for (code, day), of_day in loads.items():
        limit = _daily_loads(case.catalogue.equipment.get(code))
        if limit is not None and len(of_day) > limit and not all(load.done for load in of_day):
            message = f"{_name(case, of_day[0])} would take {len(of_day)} loads; {limit} a day is the most."
            yield _physics("quota", f"{code} {day}", message)


def _minutes(case: _Case) -> Iterator[Breach]:
    """No group of hands works longer than its day has minutes."""
    used: dict[tuple[str, date], Fraction] = defaultdict(Fraction)
    planned = set()
    for load, portion, operation in case.portions():
        used[operation.hands, load.day] += Fraction(operation.minutes_per_piece) * portion.pieces
        planned |= {(operation.hands, load.day)} if not load.done else set()
    for load in case.plan.loads:
        hands, minutes = _own_minutes(case, load)
        used[hands, load.day] += minutes
    for hands, day in sorted(planned):
        there = case.shop.calendar.minutes(hands, day) if hands else None
        if there is not None and used[hands, day] > there:
            message = f"{_day(day)}: {float(used[hands, day]):g} minutes of work, {there} there are; move some of it."
            yield _physics("minutes", f"{hands} {day}", message)


def _days(case: _Case) -> Iterator[Breach]:
    """Bench work stands on work days, and not in the past."""
    for load in case.plan.loads:
        if load.done:
            continue
        if not case.shop.calendar.is_work(load.day):
            yield _physics("work_day", _where(load), f"{_day(load.day)} is no working day; move {_what(load)}.")
        if case.first_day and load.day < case.first_day:
            message = f"{_what(load)} was planned for {_day(load.day)}; mark it done or plan again."
            yield _alarm("overdue", _where(load), message)


def _waits(case: _Case) -> Iterator[Breach]:
    """Between two steps at least and at most so many nights or days go by, first poured first topped."""
    for key, sku in _makings(case):
        for before, after in pairwise(case.operations(sku)):
            made, used = (case.steps.get((key, sku, step.code), []) for step in (before, after))
            flows, unmade = _matched(made, used)
            for flow in (flow for flow in flows if not flow.used_done):
                yield from _wait(key, before, after, flow)
            if unmade:
                message = f"{unmade} {sku} would have {after.name} without {before.name} before it; plan it again."
                yield _physics("order", f"{key} {sku} {after.code}", message)


def _wait(key: str, before: Operation, after: Operation, flow: _Flow) -> Iterator[Breach]:
    where = f"{key} {after.code} {flow.used}"
    waited = (flow.used - flow.made).days
    least = max(before.nights_min, before.days_min)
    if waited < least:
        message = f"{after.name} on {_day(flow.used)} is {waited} nights after {before.name}; it needs {least}."
        yield _physics("wait_least", where, message)
    if before.days_max is not None and waited > before.days_max:
        message = (
            f"{after.name} on {_day(flow.used)} is {waited} days after {before.name}; {before.days_max} is the most."
        )
        # What was really poured may find no bench in time: that is told to the maker, who decides about the bases.
        yield (_alarm if flow.made_done else _physics)("wait_most", where, message)


def _cover(case: _Case) -> Iterator[Breach]:
    """Pieces asked for less picks pass through every step, none lost and none over."""
    for demand in case.demands:
        picked = sum(pick.pieces for pick in case.plan.picks if pick.demand == demand.key)
        passing = [case.steps.get((demand.key, demand.sku, o.code), []) for o in case.operations(demand.sku)]
        wanted = [*(sum(step.into for step in steps) for steps in passing[1:]), demand.pieces - picked]
        for operation, steps, pieces in zip(case.operations(demand.sku), passing, wanted, strict=True):
            yield from _cover_step(demand, operation, steps, pieces)
        if picked > demand.pieces or (not passing and picked != demand.pieces):
            message = f"{picked} of {demand.pieces} {demand.sku} are picked; make the picks what was asked for."
            yield _physics("cover", demand.key, message)


def _cover_step(demand: Demand, operation: Operation, steps: list[_Step], wanted: int) -> Iterator[Breach]:
    out = sum(step.out for step in steps)
    message = f"{operation.name} gives {out} {demand.sku}, {wanted} are needed; plan again."
    where = f"{demand.key} {demand.sku} {operation.code}"
    if out < wanted or (out > wanted and not all(step.done for step in steps)):
        yield _physics("cover", where, message)


def _balances(case: _Case) -> Iterator[Breach]:
    """On no day are more parts used, or more finished pieces picked, than are there by then."""
    for sku, changes in sorted(_changes(case).items()):
        balance = Fraction(0)
        for day in sorted(changes):
            balance += changes[day]
            if balance < 0:
                rule = "stock" if _sold(case, sku) else "parts"
                message = f"{sku}: {float(-balance):g} too few on {_day(day)}; make more or move what needs them."
                yield _physics(rule, f"{sku} {day}", message)
                break


def _promises(case: _Case) -> Iterator[Breach]:
    """Nobody's last piece leaves after the day that was promised; picks are of what was asked for."""
    skus = {demand.key: demand.sku for demand in case.demands}
    for pick in case.plan.picks:
        if pick.sku != skus.get(pick.demand) or pick.pieces < 1:
            yield _physics("peg", f"pick {pick.demand}", f"Nobody asked for {pick.pieces} {pick.sku}; free them.")
    for demand in case.demands:
        leaves = _leaves(case, demand)
        if demand.promised and leaves and leaves > demand.promised:
            message = f"{demand.sku} leaves {_day(leaves)}, promised was {_day(demand.promised)}; tell the shop."
            yield _alarm("promised", demand.key, message)


# ── what the rules count ─────────────────────────────────────────────────────


def _content(case: _Case, portion: Portion, operation: Operation) -> tuple[str, str, str]:
    """What fills the equipment: a melt in its scent where grams count, else the step of the sku itself."""
    equipment = case.catalogue.equipment.get(operation.equipment)
    if operation.melt and equipment and equipment.load_g is not None:
        return operation.melt, portion.sku.scent if case.catalogue.items[operation.melt].scented else "", ""
    return portion.sku.item, portion.sku.scent, operation.code


def _gross(case: _Case, portion: Portion, operation: Operation) -> Fraction:
    """Grams to melt for a portion: net grams a piece, times pieces, over what the loss leaves."""
    item = case.item(portion.sku)
    if not operation.melt or item is None or item.recipe is None:
        return Fraction(0)
    net = sum(
        Fraction(line.quantity)
        for line in item.recipe.lines
        if (line.component, line.basis) == (operation.melt, Basis.PER_PIECE) and line.step in {"", operation.code}
    )
    return net * portion.pieces / (1 - Fraction(case.catalogue.items[operation.melt].loss))


def _daily_loads(equipment: Equipment | None) -> int | None:
    if equipment is None or equipment.loads_per_day is None:
        return None
    return equipment.count * equipment.loads_per_day


def _own_minutes(case: _Case, load: Load) -> tuple[str, Fraction]:
    """Whose minutes the load takes by itself, and how many: the most that one of its steps asks for."""
    steps = [operation for portion in load.portions if (operation := case.operation(portion))]
    opened = max(steps, key=lambda step: step.minutes_per_load, default=None)
    return (opened.hands, Fraction(opened.minutes_per_load)) if opened else ("", Fraction(0))


def _makings(case: _Case) -> list[tuple[str, Sku]]:
    """Each (peg, sku) that the loads are for."""
    return sorted({(key, sku) for key, sku, _ in case.steps})


def _matched(before: Sequence[_Step], after: Sequence[_Step]) -> tuple[list[_Flow], int]:
    """Pieces handed on first in, first out; and how many pieces of the later step nobody made."""
    flows: list[_Flow] = []
    waiting = [(step, step.out) for step in reversed(before) if step.out]
    unmade = 0
    for step in after:
        need = step.into
        while need and waiting:
            made, left = waiting.pop()
            taken = min(need, left)
            flows.append(_Flow(made.day, step.day, taken, made.done, step.done))
            need -= taken
            if left > taken:
                waiting.append((made, left - taken))
        unmade += 0 if step.done else need
    return flows, unmade


def _changes(case: _Case) -> dict[Sku, dict[date, Fraction]]:
    """What comes and goes of each sku by day: stock, casts to come, parts to use, picks. What is done is in stock."""
    changes: dict[Sku, dict[date, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for on_hand in case.stock:
        changes[on_hand.sku][on_hand.usable_on] += on_hand.quantity
    for pick in case.plan.picks:
        changes[pick.sku][pick.sellable_on] -= pick.pieces
    for load, portion, operation in case.portions(todo=True):
        for part, each in _taken(case, portion, operation):
            changes[part][load.day] -= each * portion.pieces
        item = case.item(portion.sku)
        if item and item.kind is ItemKind.PART and operation == case.operations(portion.sku)[-1]:
            usable = load.day + max(operation.nights_min, operation.days_min) * _A_DAY
            changes[portion.sku][usable] += Fraction(item.yield_share) * portion.pieces
    return changes


def _taken(case: _Case, portion: Portion, operation: Operation) -> Iterator[tuple[Sku, Fraction]]:
    """Parts out of stock, and how many, that one piece takes at a step: parts that have steps of their own."""
    item = case.item(portion.sku)
    for line in item.recipe.lines if item and item.recipe else ():
        part = case.catalogue.items.get(line.component or "")
        if part is None or part.recipe is None or not part.recipe.operations or part.kind is not ItemKind.PART:
            continue
        if (line.basis, line.step) == (Basis.PER_PIECE, operation.code):
            yield Sku(part.code, portion.sku.scent if part.scented else ""), Fraction(line.quantity)


def _cure_days(case: _Case, sku: Sku, operation: Operation) -> int:
    """Days from this step to sellable: only on the last step that cures, 0 on all others."""
    curing = [o for o in case.operations(sku) if o.cure_days is not None]
    return curing[-1].cure_days or 0 if curing and curing[-1] == operation else 0


def _leaves(case: _Case, demand: Demand) -> date | None:
    days = [pick.sellable_on for pick in case.plan.picks if pick.demand == demand.key]
    for operation in case.operations(demand.sku):
        cure = _cure_days(case, demand.sku, operation) * _A_DAY
        steps = case.steps.get((demand.key, demand.sku, operation.code), [])
        days += [step.day + cure for step in steps if step.out]
    return _work_day_from(case.shop, max(days)) if days else None


def _work_day_from(shop: Shop, day: date) -> date | None:
    return next((later for n in range(_FAR) if shop.calendar.is_work(later := day + n * _A_DAY)), None)


def _is_product(case: _Case, portion: Portion) -> bool:
    item = case.item(portion.sku)
    return item is not None and item.kind is not ItemKind.PART


def _sold(case: _Case, sku: Sku) -> bool:
    item = case.item(sku)
    return item is not None and item.kind is ItemKind.PRODUCT


# ── words ────────────────────────────────────────────────────────────────────


def _physics(rule: str, where: str, message: str) -> Breach:
    return Breach(kind="physics", rule=rule, where=where, message=message)


def _alarm(rule: str, where: str, message: str) -> Breach:
    return Breach(kind="promise", rule=rule, where=where, message=message)


def _too_full(case: _Case, load: Load, found: str, most: str) -> Breach:
    return _physics("size", _where(load), f"{_name(case, load)} would hold {found}; {most} is the most. Split it.")


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _what(load: Load) -> str:
    return " ".join(word for word in (str(load.work.what), load.work.operation) if word)


def _where(load: Load) -> str:
    return " ".join(word for word in (load.work.equipment, _what(load), str(load.day)) if word)


def _name(case: _Case, load: Load) -> str:
    equipment = case.catalogue.equipment.get(load.work.equipment)
    return f"{equipment.name if equipment else _what(load)} on {_day(load.day)}"
