"""The promise: the earliest honest date, and the gates it passed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from typing import Any

from wholesale.core.production.bench import usable_on
from wholesale.core.production.calendar import ONE_DAY, carrier_arrival
from wholesale.core.production.plan import Outcome, Placed, Shop, insert
from wholesale.core.production.reasons import why_not
from wholesale.core.production.work import Demand, Plan
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal


@dataclass(frozen=True, kw_only=True)
class Gate:
    """One gate of a promise: when it was passed, how many days it took, and why, in words about the workshop."""

    code: str
    title: str
    passed_on: date
    took_days: int
    because: str = ""
    binding: bool = False

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {**self.__dict__, "passed_on": self.passed_on.isoformat()}

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> "Gate":
        """The gate that ``to_json`` stored."""
        return cls(**{**stored, "passed_on": date.fromisoformat(stored["passed_on"])})


@dataclass(frozen=True, kw_only=True)
class Asked:
    """When a promise was asked for, and the rules of the house it is walked by."""

    on: date
    at: time
    cut_off: time
    carrier_days: int
    deposit_days: int | None = None


@dataclass(frozen=True, kw_only=True)
class Promise:
    """``leaves`` is promised; ``arrives`` adds the carrier. It holds until ``holds_on`` at the cut-off."""

    leaves: date
    arrives: date
    holds_on: date
    gates: tuple[Gate, ...]
    by_demand: tuple[tuple[str, date], ...]


def promise(
    shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], asked: Asked
) -> tuple[Promise, Outcome]:
    """Insert the demands and walk the gates of the piece that leaves last; no piece at all is a ``Refusal``."""
    if not any(demand.pieces > 0 for demand in demands):
        raise Refusal("empty", "The order is empty; choose at least one case.", "cases")
    on_hand = tuple(stock)
    taken = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    first_day = _after_deposit(shop, taken, asked.deposit_days)
    outcome = insert(shop, plan, demands, on_hand, first_day)
    last = max(outcome.placed, key=lambda group: (group.leaves, group.sellable_on))
    demand = next(d for d in demands if d.key == last.demand)
    arrives = carrier_arrival(last.leaves, asked.carrier_days)
    steps = _opening(shop, taken, first_day, asked) + _making(shop, outcome.plan, demand, last, on_hand, first_day)
    steps += _leaving(shop, last, arrives, asked)
    promised = Promise(
        leaves=last.leaves, arrives=arrives, holds_on=first_day, gates=_mark_binding(_timed(asked.on, steps)),
        by_demand=tuple((d.key, outcome.leaves(d.key)) for d in demands if d.pieces),
    )  # fmt: skip
    return promised, outcome


def _after_deposit(shop: Shop, taken: date, deposit_days: int | None) -> date:
    day = taken
    for _ in range(deposit_days or 0):
        day = shop.calendar.work_from(day + ONE_DAY)
    return day


def _step(code: str, title: str, passed_on: date, because: str = "") -> Gate:
    return Gate(code=code, title=title, passed_on=passed_on, took_days=0, because=because)


def _opening(shop: Shop, taken: date, first_day: date, asked: Asked) -> list[Gate]:
    cut_off = f"{asked.cut_off:%H:%M}"
    if taken == asked.on:
        because = f"before {cut_off}: today's loads and minutes count"
    elif shop.calendar.is_work(asked.on) and asked.at > asked.cut_off:
        because = f"after {cut_off}: counts from the next working day"
    else:
        because = "not a working day: counts from the next one"
    gates = [_step("cut_off", "Order taken", taken, because)]
    if first_day != taken:
        gates.append(
            _step("deposit", "Deposit", first_day, f"the bench starts when it has arrived, by {cut_off} on this day")
        )
    return gates


def _making(
    shop: Shop, plan: Plan, demand: Demand, group: Placed, stock: tuple[OnHand, ...], first_day: date
) -> list[Gate]:
    """The steps of the group up to its cure, each after the last, with what held the cure step up."""
    if not group.steps:
        return [_step("stock", "From stock", max(group.sellable_on, first_day), "made already and not spoken for")]
    recipe = shop.catalogue.recipe(demand.sku.item)
    days = dict(group.steps)
    anchor = recipe.operations[recipe.cure_step]
    before = [(days[o.code], o) for o in recipe.operations[: recipe.cure_step] if o.code in days]
    cast = _cast_for(shop, plan, demand, days[anchor.code])
    gates = [
        _step(o.code, o.name, day) for day, o in sorted([*before, *cast], key=lambda pair: (pair[0], pair[1].code))
    ]
    if gates:
        last_day, last = max([*before, *cast], key=lambda pair: usable_on(pair[1], pair[0]))
        if (ready := usable_on(last, last_day)) > last_day:
            gates.append(
                _step("set", "Setting", ready, f"{_nights((ready - last_day).days)} after {last.name.lower()}")
            )
    earlier = days[anchor.code] - ONE_DAY
    held = why_not(shop, plan, demand.sku, stock, first_day, earlier) if earlier >= first_day else ""
    gates.append(
        _step(
            anchor.code,
            anchor.name,
            days[anchor.code],
            held and f"not sooner: {held} on {earlier:%a} {earlier.day} {earlier:%b}",
        )
    )
    return gates


def _nights(count: int) -> str:
    return "one night" if count == 1 else f"{count} nights"


def _cast_for(shop: Shop, plan: Plan, demand: Demand, by: date) -> list[tuple[date, Any]]:
    """(last day, step) of each step of the parts made for this demand in time for ``by``."""
    last: dict[tuple[str, str], tuple[date, Any]] = {}
    for load in plan.of(demand.key).loads:
        for portion in load.portions if load.day <= by else ():
            if portion.sku != demand.sku:
                operation = next(o for o in shop.catalogue.steps(portion.sku.item) if o.code == portion.operation)
                key = (portion.sku.item, operation.code)
                last[key] = (max(load.day, last.get(key, (load.day,))[0]), operation)
    return list(last.values())


def _leaving(shop: Shop, group: Placed, arrives: date, asked: Asked) -> list[Gate]:
    gates = []
    if group.steps:
        recipe = shop.catalogue.recipe(group.sku.item)
        cure = recipe.operations[recipe.cure_step].cure_days or 0
        gates.append(_step("cure", "Curing", group.sellable_on, f"{cure} days; sellable from then on"))
    packed_late = group.leaves > shop.calendar.work_from(group.sellable_on)
    closed = group.leaves > group.sellable_on
    because = (
        "labelling takes until then"
        if packed_late and group.steps
        else "the first working day after"
        if closed
        else "the same day"
    )
    gates.append(_step("packing", "Packed, leaves", group.leaves, because))
    gates.append(_step("carrier", "Arrives", arrives, f"{asked.carrier_days} carrier days, Monday to Friday"))
    return gates


def _timed(asked_on: date, steps: list[Gate]) -> list[Gate]:
    """Each gate with the days since the one before."""
    timed, before = [], asked_on
    for gate in steps:
        timed.append(replace(gate, took_days=(gate.passed_on - before).days))
        before = gate.passed_on
    return timed


def _mark_binding(gates: list[Gate]) -> tuple[Gate, ...]:
    """Mark the gate somebody could change: what held the cure step up, else the costliest wait, else the cure.

    Days between steps that only wait for each other bind nothing. Of gates that
    cost the same the later one binds: passing the earlier sooner would only wait there.
    """
    held = [gate for gate in gates if gate.because.startswith("not sooner")]
    waits = [gate for gate in gates if gate.code in {"cut_off", "deposit", "packing"} and gate.took_days > 0]
    rest = [gate for gate in gates if gate.code in {"cure", "packing"}]
    choice = max(reversed(held or waits or rest), key=lambda gate: gate.took_days)
    return tuple(replace(gate, binding=gate is choice) for gate in gates)
