"""The laws of the bench and of the price list: each a function that fails with what it found.

`tests/core/test_laws.py` holds them against hundreds of random cases;
`tests/core/test_mutations.py` breaks the code and shows that each law notices.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal as D
from fractions import Fraction
from itertools import cycle, pairwise, product

from tests.strategies import MONDAY, Case, Order, asked_at
from wholesale.core.catalogue import ItemKind, Operation, Sku
from wholesale.core.pricing import Account, Goods, Offer, Terms, price
from wholesale.core.production import evidence
from wholesale.core.production.calendar import CLOSED
from wholesale.core.production.check import Breach, check, leaving_day
from wholesale.core.production.plan import Shop, insert, mend, planned, remainder, without
from wholesale.core.production.promise import promise
from wholesale.core.production.work import Demand, Load, Pick, Placed, Plan, Portion, Work, pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal, share

A_DAY = timedelta(days=1)
#: The fate of a load that is weighed and not done.
BEGUN = 7


def hold(*, sound: bool, found: object = "") -> None:
    """Fail with what was found when a law is broken."""
    assert sound, f"the law is broken: {found}"


# ── plans ────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Accepted:
    """The plan after an order, all demands in it, and the plan before."""

    order: Order
    before: Plan
    plan: Plan
    demands: tuple[Demand, ...]
    placed: tuple[Placed, ...] = ()


def accepted(case: Case) -> list[Accepted]:
    """Place the case's orders one after the other; an order that is refused leaves everything as it was."""
    steps: list[Accepted] = []
    plan = Plan()
    demands: tuple[Demand, ...] = ()
    for order in case.orders:
        try:
            outcome = insert(case.shop, plan, order.demands, case.stock, order.first_day)
        except Refusal:
            continue
        demands = (*demands, *order.demands)
        steps.append(Accepted(order=order, before=plan, plan=outcome.plan, demands=demands, placed=outcome.placed))
        plan = outcome.plan
    return steps


_CHECKED: list[tuple[Case, Sequence[Accepted], list[Breach]]] = []


def breaches(case: Case, steps: Sequence[Accepted], *rules: str) -> list[Breach]:
    """What the independent check finds against these rules, over all plans of a case; checked once for all laws."""
    if not _CHECKED or _CHECKED[0][0] is not case or _CHECKED[0][1] is not steps:
        found = [b for step in steps for b in check(case.shop, step.plan, step.demands, case.stock)]
        _CHECKED[:] = [(case, steps, found)]
    return [breach for breach in _CHECKED[0][2] if breach.rule in rules]


def need_pegged_is_need_demanded(case: Case, steps: Sequence[Accepted]) -> None:
    """Picks and pieces of every step of a demand make exactly the pieces asked for; nothing is made for nobody."""
    for step in steps:
        for demand in step.demands:
            picked = sum(pick.pieces for pick in step.plan.picks if pick.demand == demand.key)
            for operation in case.shop.catalogue.recipe(demand.sku.item).operations:
                made = sum(pieces_by_day(step.plan.loads, demand.sku, operation.code, demand.key).values())
                hold(sound=picked + made == demand.pieces, found=(demand, operation.code, picked, made))
        pegs = {portion.demand for load in step.plan.loads for portion in load.portions}
        hold(sound=pegs <= {demand.key for demand in step.demands}, found=pegs)
    hold(sound=not (found := breaches(case, steps, "cover", "peg", "pieces", "step")), found=found)


def every_step_covers_the_next(case: Case, steps: Sequence[Accepted]) -> None:
    """Starts × yields from there on are at least the good pieces asked for, at every step of every demand."""
    for step in steps:
        for demand in step.demands:
            item = case.shop.catalogue.items[demand.sku.item]
            picked = sum(pick.pieces for pick in step.plan.picks if pick.demand == demand.key)
            share = Fraction(item.yield_share)
            for operation in reversed(case.shop.catalogue.steps(demand.sku.item)):
                share *= Fraction(operation.yield_share)
                into = sum(pieces_by_day(step.plan.loads, demand.sku, operation.code, demand.key).values())
                hold(sound=into * share >= demand.pieces - picked, found=(demand, operation.code, into, share))
    hold(sound=not (found := breaches(case, steps, "cover", "peg", "pieces", "step")), found=found)


def loads_cover_need(case: Case, steps: Sequence[Accepted]) -> None:
    """Good parts expected (starts × yield) and on hand are at least what the pieces take, in sum and day by day."""
    for step in steps:
        portions = [portion for load in step.plan.loads for portion in load.portions]
        uses = [(taken, p) for p in portions for taken in _parts_of(case.shop, p)]
        for part in {taken.sku for taken, _ in uses if case.shop.catalogue.steps(taken.sku.item)}:
            taken = sum((use.each * portion.pieces for use, portion in uses if use.sku == part), Fraction(0))
            item, last = case.shop.catalogue.items[part.item], case.shop.catalogue.steps(part.item)[-1]
            made = sum(pieces_by_day(step.plan.loads, part, last.code).values())
            good = Fraction(item.yield_share) * Fraction(last.yield_share) * made
            there = sum((lot.quantity for lot in case.stock if lot.sku == part), Fraction(0))
            hold(sound=good + there >= taken, found=(part, good, there, taken))
    hold(sound=not (found := breaches(case, steps, "parts", "stock")), found=found)


def _parts_of(shop: Shop, portion: Portion) -> list[evidence.Take]:
    """Parts off the shelf that one piece of a portion takes, and how much of each."""
    case = evidence.Case(shop=shop, plan=Plan(), demands=(), stock=(), first_day=None)
    return list(evidence.taken(case, portion.sku, _operation(shop, portion)))


def _operation(shop: Shop, portion: Portion) -> Operation:
    return next(step for step in shop.catalogue.steps(portion.sku.item) if step.code == portion.operation)


def nothing_beyond_quota(case: Case, steps: Sequence[Accepted]) -> None:
    """No equipment takes more loads a day, no load more pieces or grams, than it can."""
    hold(sound=not (found := breaches(case, steps, "quota", "size", "content")), found=found)


def no_hand_beyond_its_minutes(case: Case, steps: Sequence[Accepted]) -> None:
    """No day has more work than minutes, and off work days nobody works."""
    hold(sound=not (found := breaches(case, steps, "minutes", "work_day")), found=found)


def every_wait_is_kept(case: Case, steps: Sequence[Accepted]) -> None:
    """Steps follow each other after the shortest and before the longest wait, each after the one before."""
    hold(sound=not (found := breaches(case, steps, "wait_least", "wait_most", "order")), found=found)


def nothing_is_planned_in_the_past(case: Case, steps: Sequence[Accepted]) -> None:
    """An order's new pieces stand on or after the first day it may use."""
    for step in steps:
        own = {demand.key for demand in step.order.demands}
        days = [load.day for load in step.plan.loads for p in load.portions if p.demand in own]
        hold(sound=all(day >= step.order.first_day for day in days), found=(step.order, days))


def a_promise_is_a_feasible_plan(case: Case) -> None:
    """The promised day is the day on which the promise's own, sound plan lets the last piece leave."""
    plan = Plan()
    demands: tuple[Demand, ...] = ()
    for order in case.orders:
        try:
            promised, outcome = promise(case.shop, plan, order.demands, case.stock, asked_at(order.first_day))
        except Refusal:
            continue
        plan, demands = outcome.plan, (*demands, *order.demands)
        hold(sound=not (found := check(case.shop, plan, demands, case.stock)), found=found)
        days = {d.key: leaving_day(case.shop, plan, d) for d in order.demands}
        # Pieces from stock were sellable before anybody asked: they leave on the first day at the earliest.
        earliest = next(d for n in range(60) if case.shop.calendar.is_work(d := order.first_day + n * A_DAY))
        kept = {key: max(day, earliest) for key, day in days.items() if day}
        hold(sound=dict(promised.by_demand) == kept, found=(promised, kept))
        hold(sound=promised.leaves == max(kept.values()) <= promised.arrives, found=promised)
        gates = [gate.passed_on for gate in promised.gates]
        hold(sound=gates == sorted(gates) and gates[-1] == promised.arrives, found=gates)
        hold(sound=sum(gate.binding for gate in promised.gates) == 1, found=promised.gates)


def accepting_makes_nobody_late(case: Case, steps: Sequence[Accepted]) -> None:
    """After a new order, all earlier ones keep every piece, day and pick; none leaves later than promised."""
    promised: dict[str, Demand] = {}
    for step in steps:
        for key in promised:
            hold(sound=pieces_of(step.before, key) == pieces_of(step.plan, key), found=(key, step.order))
        for demand in step.order.demands:
            leaves = leaving_day(case.shop, step.plan, demand)
            promised[demand.key] = replace(demand, promised=leaves)
        found = check(case.shop, step.plan, tuple(promised.values()), case.stock)
        hold(sound=not found, found=found)


def pieces_of(plan: Plan, key: str) -> tuple[list[tuple[date, Work, Portion]], list[Pick]]:
    """All of a demand's pieces in a plan, whatever loads they share."""
    portions = [(load.day, load.work, p) for load in plan.loads for p in load.portions if p.demand == key]
    merged: dict[tuple[date, Work, Portion], int] = {}
    for day, work, portion in portions:
        one = (day, work, portion._replace(pieces=0))
        merged[one] = merged.get(one, 0) + portion.pieces
    whole = [(day, work, portion._replace(pieces=pieces)) for (day, work, portion), pieces in merged.items()]
    return sorted(whole, key=str), sorted(pick for pick in plan.picks if pick.demand == key)


def same_input_same_plan(case: Case) -> None:
    """Planning twice, and with the stock told in another order, gives the very same plan."""
    again = replace(case, stock=tuple(reversed(case.stock)))
    first, second, third = ([step.plan for step in accepted(c)] for c in (case, case, again))
    hold(sound=first == second == third, found=(first, second, third))


def nothing_before_its_supply(case: Case, steps: Sequence[Accepted]) -> None:
    """By no day more of a material is taken than has come by then, of what is still good in the end at least."""
    for step in steps:
        judged = evidence.Case(shop=case.shop, plan=step.plan, demands=(), stock=case.stock, first_day=None)
        for material, by_day in evidence.awaited(judged).items():
            for day in by_day:
                taken = sum((quantity for on, quantity in by_day.items() if on <= day), Fraction(0))
                came = sum(lot.quantity for lot in case.stock if (lot.sku, lot.usable_on <= day) == (material, True))
                hold(sound=taken <= came, found=(material, day, taken, came))
    hold(sound=not (found := breaches(case, steps, "supply")), found=found)


def nothing_begins_before_its_deposit(case: Case, steps: Sequence[Accepted]) -> None:
    """Every piece made for a demand stands on or after the day its deposit may be there."""
    for step in steps:
        for demand in (d for d in step.demands if d.starts_from):
            days = [load.day for load in step.plan.loads for p in load.portions if p.demand == demand.key]
            hold(sound=all(day >= (demand.starts_from or day) for day in days), found=(demand, days))
    hold(sound=not (found := breaches(case, steps, "deposit")), found=found)


def nothing_leaves_before_it_is_wanted(case: Case, steps: Sequence[Accepted]) -> None:
    """A demand leaves on a work day on or after the day it may leave, and its work stands where it would without."""
    for step in steps:
        leaves = {group.demand: group.leaves for group in step.placed}
        for demand in (d for d in step.order.demands if d.leaves_from and d.key in leaves):
            hold(sound=leaves[demand.key] >= (demand.leaves_from or leaves[demand.key]), found=(demand, leaves))
            hold(sound=case.shop.calendar.is_work(leaves[demand.key]), found=(demand, leaves))
        plain = tuple(replace(demand, leaves_from=None) for demand in step.order.demands)
        moved = insert(case.shop, step.before, plain, case.stock, step.order.first_day).plan
        hold(sound=moved == step.plan, found=(moved, step.plan))


#: The laws of every plan that comes of accepting orders.
OF_ACCEPTING: tuple[Callable[[Case, Sequence[Accepted]], None], ...] = (
    need_pegged_is_need_demanded, loads_cover_need, nothing_beyond_quota, no_hand_beyond_its_minutes,
    every_wait_is_kept, nothing_is_planned_in_the_past, accepting_makes_nobody_late,
)  # fmt: skip


# ── one piece, by brute force ────────────────────────────────────────────────


def one_piece_leaves_as_soon_as_it_can(case: Case) -> None:
    """Nobody finds a sound plan by trying all days that lets a single piece leave sooner than promised."""
    demand = replace(case.orders[0].demands[0], pieces=1)
    try:
        outcome = insert(case.shop, Plan(), [demand], (), MONDAY)
    except Refusal:
        return
    for plan in _one_piece_plans(case.shop, demand, outcome.leaves() - A_DAY):
        leaves = leaving_day(case.shop, plan, demand)
        sooner = leaves is not None and leaves < outcome.leaves()
        hold(sound=not sooner or bool(check(case.shop, plan, [demand], (), MONDAY)), found=(plan, outcome))


def _one_piece_plans(shop: Shop, demand: Demand, last: date) -> Iterator[Plan]:
    """All plans of one piece that leaves by ``last``: cast and pour, top and finish, each on any day till then."""
    pour, top, finish = shop.catalogue.recipe(demand.sku.item).operations
    for topped in _days(shop, MONDAY, last - (top.cure_days or 0) * A_DAY):
        before, after = _days(shop, MONDAY, topped), _days(shop, topped, last)
        for poured, parts, done in product(before, _casts(shop, demand, before), after):
            made = (_load(shop, demand, pour.code, poured), _load(shop, demand, top.code, topped))
            yield Plan(loads=(*made, *parts, _load(shop, demand, finish.code, done)))


def _days(shop: Shop, first: date, last: date) -> list[date]:
    """The first week's work days between two days; off work days no plan is sound."""
    days = [first + n * A_DAY for n in range((last - first).days + 1)]
    return [day for day in days if shop.calendar.is_work(day)][:7]


def _casts(shop: Shop, demand: Demand, days: Sequence[date]) -> Iterator[tuple[Load, ...]]:
    """Nothing where no part is taken; else all its casts (pieces ÷ yield, rounded up) on each of the days."""
    steps = shop.catalogue.recipe(demand.sku.item).operations
    taken = [t for o in steps for t in _parts_of(shop, Portion(demand.key, demand.sku, o.code, 1))]
    if not taken:
        yield ()
    for (part, each, _), day in product(taken, days):
        starts = -int(-each // Fraction(shop.catalogue.items[part.item].yield_share))
        tray = shop.catalogue.recipe(part.item).operations[0].equipment
        yield (Load(work=Work(tray, part, "cast"), day=day, portions=(Portion(demand.key, part, "cast", starts),)),)


def _load(shop: Shop, demand: Demand, code: str, day: date) -> Load:
    operation = next(o for o in shop.catalogue.recipe(demand.sku.item).operations if o.code == code)
    melt = Sku(operation.melt, demand.sku.scent if operation.melt == "BASE" else "")
    work = Work(operation.equipment, melt) if operation.melt else Work("", demand.sku, code)
    return Load(work=work, day=day, portions=(Portion(demand.key, demand.sku, code, 1),))


# ── what happened, and planning again ────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Lived:
    """A plan some days later: what was done, what was not, and the stock that came of it."""

    plan: Plan
    demands: tuple[Demand, ...]
    stock: tuple[OnHand, ...]
    today: date


_LAST: list[tuple[Case, Lived | None]] = []


def lived(case: Case) -> Lived | None:
    """Let days go by: loads are done with rejects, or not at all, as the case's fates have it; once for one case."""
    if not _LAST or _LAST[0][0] is not case:
        _LAST[:] = [(case, _lived(case))]
    return _LAST[0][1]


def _lived(case: Case) -> Lived | None:
    steps = accepted(case)
    if not steps:
        return None
    plan, demands = steps[-1].plan, steps[-1].demands
    today = case.orders[-1].first_day + case.days_gone * A_DAY
    loads: list[Load] = []
    stock, fates = list(case.stock), cycle(case.fates)
    for load in plan.loads:
        happened = _happen(case.shop, loads, load, stock, next(fates)) if load.day < today else None
        loads.append(happened or load)
    return Lived(plan=Plan(loads=tuple(loads), picks=plan.picks), demands=demands, stock=tuple(stock), today=today)


def _happen(shop: Shop, before: Iterable[Load], load: Load, stock: list[OnHand], fate: int) -> Load | None:
    """The load as it was done or begun, stock changed; ``None`` when nobody did it or what it needs was not there."""
    if not fate or not all(_can(shop, before, load.day, portion, stock) for portion in load.portions):
        return None
    begun, rejects = fate == BEGUN, max(0, fate - 3)
    for portion in load.portions:
        for part in _parts_of(shop, portion):
            if part.weighed or not begun:
                _use(stock, part.sku, load.day, Fraction(part.each * portion.pieces))
    if begun:
        return replace(load, begun=True)
    good = [portion._replace(good=max(0, portion.pieces - rejects)) for portion in load.portions]
    stock += [lot for portion in good for lot in _lots(shop, load.day, portion)]
    return replace(load, done=True, portions=tuple(good))


def _lots(shop: Shop, day: date, portion: Portion) -> list[OnHand]:
    """The parts that came of a portion, once they have been through their last step."""
    step = shop.catalogue.steps(portion.sku.item)[-1]
    if shop.catalogue.items[portion.sku.item].kind is not ItemKind.PART or portion.operation != step.code:
        return []
    usable = day + max(step.nights_min, step.days_min) * A_DAY
    return [OnHand(sku=portion.sku, usable_on=usable, quantity=Fraction(portion.counted))] if portion.counted else []


def _can(shop: Shop, before: Iterable[Load], day: date, portion: Portion, stock: Iterable[OnHand]) -> bool:
    """Whether the pieces have come through the step before, long enough ago, and the parts are there."""
    for part in _parts_of(shop, portion):
        there = sum(lot.quantity for lot in stock if lot.sku == part.sku and lot.usable_on <= day)
        if there < part.each * portion.pieces:
            return False
    steps = shop.catalogue.steps(portion.sku.item)
    at = next(i for i, step in enumerate(steps) if step.code == portion.operation)
    if not at:
        return True
    least = max(steps[at - 1].nights_min, steps[at - 1].days_min) * A_DAY
    own = [(load, p) for load in before if load.done or load.begun
           for p in load.portions if (p.demand, p.sku) == portion[:2]]  # fmt: skip
    came = (p for load, p in own if load.done and p.operation == steps[at - 1].code and load.day + least <= day)
    ready = sum(p.counted for p in came)
    return ready - sum(p.pieces for _, p in own if p.operation == steps[at].code) >= portion.pieces


def _use(stock: list[OnHand], sku: Sku, day: date, quantity: Fraction) -> None:
    """Take parts out of the oldest lots that may be used."""
    for i in sorted(range(len(stock)), key=lambda i: stock[i].usable_on):
        if stock[i].sku == sku and stock[i].usable_on <= day:
            taken = min(quantity, stock[i].quantity)
            stock[i] = replace(stock[i], quantity=stock[i].quantity - taken)
            quantity -= taken


def _cut(case: Case, today: date) -> Shop:
    """The bench that is left: tomorrow closed, one load a day of everything, or an hour of minutes a day."""
    shop, calendar = case.shop, case.shop.calendar
    if case.cut == "day":
        return replace(shop, calendar=replace(calendar, days={**calendar.days, today + A_DAY: CLOSED}))
    if case.cut == "quota":
        equipment = {code: replace(e, count=1, loads_per_day=1) for code, e in shop.catalogue.equipment.items()}
        return replace(shop, catalogue=replace(shop.catalogue, equipment=equipment))
    if case.cut == "minutes":
        week = {n: replace(day, minutes={"bench": 60}) for n, day in calendar.week.items()}
        return replace(shop, calendar=replace(calendar, week=week))
    return shop


def planning_again_mends(case: Case) -> None:
    """After bad nights or a lost day the plan made again is sound: nothing overdue, all covered, parts in time."""
    after = lived(case)
    if after is None:
        return
    shop = _cut(case, after.today)
    try:
        mended = mend(shop, after.plan, after.demands, after.stock, after.today, after.today).plan
    except Refusal:
        return
    found = check(shop, mended, after.demands, after.stock, after.today)
    # Bases poured too long ago for any day still to come, and batches begun and not done, are told as an
    # alarm, and are no fault of the plan.
    wrong = [b for b in found if b.rule not in {"wait_most", "overdue"} or b.kind != "promise"]
    hold(sound=not wrong, found=wrong)
    overdue = [load for load in mended.loads if load.day < after.today and not load.done and not load.begun]
    hold(sound=not overdue, found=overdue)
    history = [load for load in after.plan.loads if load.done or load.begun]
    hold(sound=[load for load in mended.loads if load.done or load.begun] == history, found="history has changed")


def a_late_deposit_moves_the_work(case: Case, steps: Sequence[Accepted]) -> None:
    """When the first order's deposit is awaited for four days more, nothing of it stays before; the plan is sound."""
    if not steps:
        return
    today, first = min(order.first_day for order in case.orders), steps[-1].demands[0]
    late = today + 4 * A_DAY
    demands = (replace(first, starts_from=late), *steps[-1].demands[1:])
    try:
        mended = mend(case.shop, steps[-1].plan, demands, case.stock, today, today).plan
    except Refusal:
        return
    days = [load.day for load in mended.loads for p in load.portions if p.demand == first.key]
    hold(sound=all(day >= late for day in days), found=(first, late, days))
    hold(sound=not (found := check(case.shop, mended, demands, case.stock)), found=found)


def planning_again_leaves_the_rest_alone(case: Case) -> None:
    """A demand with nothing overdue or short keeps each piece on its day when others are planned again."""
    after = lived(case)
    if after is None:
        return
    try:
        mended = mend(case.shop, after.plan, after.demands, after.stock, after.today, after.today).plan
    except Refusal:
        return
    if _part_steps_short(case.shop, _still_good(after)) or any(
        b.rule in {"parts", "order"} for b in check(case.shop, _still_good(after), after.demands, after.stock)
    ):
        return  # Who gives way when parts are missing is the planner's choice.
    for demand in after.demands:
        kept = _still_good(after)
        if remainder(case.shop.catalogue, kept, demand) == planned(case.shop.catalogue, kept, demand):
            hold(sound=_todo(kept, demand.key) == _todo(mended, demand.key), found=demand)


def _part_steps_short(shop: Shop, plan: Plan) -> bool:
    """Does a step of a part take more than comes out of the one before, if only by a part of a piece?"""
    case = evidence.Case(shop=shop, plan=plan, demands=(), stock=(), first_day=None)
    for key, sku in evidence.makings(case):
        for before, step in pairwise(case.operations(sku) if case.is_part(sku) else ()):
            made, used = (case.steps.get((key, sku, one.code), []) for one in (before, step))
            if evidence.matched(made, used)[1]:
                return True
    return False


def _still_good(after: Lived) -> Plan:
    loads = tuple(load for load in after.plan.loads if load.done or load.begun or load.day >= after.today)
    return replace(after.plan, loads=loads)


def _todo(plan: Plan, key: str) -> object:
    return pieces_of(replace(plan, loads=tuple(load for load in plan.loads if not load.done)), key)


def planning_again_twice_changes_nothing(case: Case) -> None:
    """A plan just made again is left exactly as it is by planning again."""
    after = lived(case)
    if after is None:
        return
    try:
        once = mend(case.shop, after.plan, after.demands, after.stock, after.today, after.today).plan
    except Refusal:
        return
    twice = mend(case.shop, once, after.demands, after.stock, after.today, after.today).plan
    hold(sound=once == twice, found=(once, twice))


def the_shelf_is_served_last(case: Case) -> None:
    """What is made for the shelf takes nothing off it, and no order leaves later for it when all is planned again."""
    orders = tuple(demand for order in case.orders for demand in order.demands)
    shelf = replace(orders[0], key="s1", rank=len(orders) + 1, for_shelf=True)
    first_day = case.orders[-1].first_day
    try:
        alone = mend(case.shop, Plan(), orders, case.stock, first_day, first_day)
        both = mend(case.shop, Plan(), (shelf, *orders), case.stock, first_day, first_day)
    except Refusal:
        return
    hold(sound=not both.plan.of("s1").picks, found=both.plan.picks)
    for demand in orders:
        hold(sound=pieces_of(alone.plan, demand.key) == pieces_of(both.plan, demand.key), found=demand)
    hold(sound=not (found := check(case.shop, both.plan, (shelf, *orders), case.stock, first_day)), found=found)


def withdrawing_frees_without_harm(case: Case, steps: Sequence[Accepted]) -> None:
    """When an order falls away its pieces and picks go, and all others keep theirs and are still sound."""
    if not steps:
        return
    plan, demands = steps[-1].plan, steps[-1].demands
    gone = {demand.key for demand in steps[0].order.demands}
    left = without(case.shop, plan, gone, case.stock, case.orders[-1].first_day)
    rest = [demand for demand in demands if demand.key not in gone]
    for demand in rest:
        hold(sound=pieces_of(plan, demand.key) == pieces_of(left, demand.key), found=demand)
    hold(sound=not [pick for pick in left.picks if pick.demand in gone], found=left.picks)
    hold(sound=not (found := check(case.shop, left, rest, case.stock)), found=found)


# ── money ────────────────────────────────────────────────────────────────────


def shares_sum_to_the_whole(total: int, weights: Sequence[int]) -> None:
    """Shares make the whole; each is within one unit of its exact part; more weight never gets less."""
    parts = share(total, weights)
    hold(sound=sum(parts) == total, found=(total, weights, parts))
    whole = sum(weights)
    for part, weight in zip(parts, weights, strict=True):
        hold(sound=not whole or abs(part - Fraction(total * weight, whole)) < 1, found=(total, weights, parts))
    ranked = sorted(zip(weights, map(abs, parts), strict=True))
    heavier = all(a[1] <= b[1] for a, b in pairwise(ranked) if a[0] < b[0])
    hold(sound=heavier or not whole, found=(total, weights, parts))


def amounts_add_up(goods: Sequence[Goods], terms: Terms, account: Account) -> None:
    """Lines, discounts, goods, freight, tax and totals agree to the cent; nothing is negative."""
    priced = price(goods, terms, account, MONDAY)
    totals = priced.totals
    hold(sound=sum(priced.list_amounts) == totals.list_goods, found=priced)
    hold(sound=sum(priced.discounts) == totals.discount, found=priced)
    hold(sound=sum(priced.nets) == totals.goods == totals.list_goods - totals.discount, found=priced)
    hold(sound=totals.total == totals.goods + totals.freight, found=totals)
    hold(sound=totals.total_with_tax == totals.total + totals.tax, found=totals)
    hold(sound=0 <= totals.deposit <= totals.total and totals.tax >= 0 <= totals.discount, found=totals)
    hold(sound=all(net >= 0 for net in priced.nets), found=priced)
    cents = [totals.discount, totals.goods, totals.total, totals.tax, totals.deposit]
    hold(sound=all(amount == amount.quantize(D("0.01")) for amount in cents), found=totals)


def more_goods_never_cost_less(less: D, more: D, terms: Terms) -> None:
    """With marginal tiers goods never get cheaper by adding some; with whole-order tiers only where a tier begins."""
    few, many = (price(_one_line(amount), terms, Account(), MONDAY).totals for amount in sorted((less, more)))
    passed = [tier for tier in terms.tiers if few.list_goods < tier.from_amount <= many.list_goods]
    if terms.tier_method == "marginal" or not passed:
        hold(sound=few.goods <= many.goods, found=(few, many))
    hold(sound=few.discount <= many.discount, found=(few, many))


def marginal_never_beats_whole_order(amount: D, terms: Terms) -> None:
    """The same ladder gives at least as much discount on the whole order as on the part inside each tier."""
    marginal, whole = (
        price(_one_line(amount), replace(terms, tier_method=method), Account(), MONDAY).totals
        for method in ("marginal", "whole_order")
    )
    hold(sound=marginal.discount <= whole.discount, found=(marginal, whole))


def _one_line(amount: D) -> tuple[Goods, ...]:
    return (Goods(item="X", cases=1, case_pack=1, unit_price=amount),)


def a_closer_closes_and_one_case_less_does_not(goods: Sequence[Goods], terms: Terms, offers: Sequence[Offer]) -> None:
    """The cases offered close their gap, one fewer of them would not, and no other product does it for less."""
    priced = price(goods, terms, Account(), MONDAY, offers)
    for gap in priced.gaps:
        if gap.closer is None:
            continue
        by_item = {offer.item: offer for offer in offers}
        each = by_item[gap.closer.item].case_price
        hold(sound=_closes(goods, terms, gap.kind, gap.closer.cases, each), found=gap)
        hold(sound=not _closes(goods, terms, gap.kind, gap.closer.cases - 1, each), found=gap)
        for offer in offers:
            cheaper = int((gap.closer.list_amount - D("0.01")) // offer.case_price)
            closes = [n for n in range(1, cheaper + 1) if _closes(goods, terms, gap.kind, n, offer.case_price)]
            hold(sound=not closes, found=(gap, offer, closes))


def _closes(goods: Sequence[Goods], terms: Terms, kind: str, cases: int, each: D) -> bool:
    """Whether so many more cases leave no gap of that kind (for the next tier: reach at least the same one)."""
    before = price(goods, terms, Account(), MONDAY)
    threshold = next(gap.threshold for gap in before.gaps if gap.kind == kind)
    more = Goods(item="Y", cases=cases, case_pack=1, unit_price=each)
    totals = price((*goods, more) if cases else goods, terms, Account(), MONDAY).totals
    by_goods = kind == "free_freight" and terms.freight_judged_on == "discounted_goods"
    return (totals.goods if by_goods else totals.list_goods) >= threshold
