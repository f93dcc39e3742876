"""The promise: the earliest honest date, and the gates it passed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, time
from typing import Any

from wholesale.core.catalogue import Operation
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import ONE_DAY, carrier_arrival, carrier_departure
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.plan import Outcome, Placed, Shop
from wholesale.core.production.reasons import why_not
from wholesale.core.production.supply import Supplied
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.work import Demand, Plan
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal, day_words


@dataclass(frozen=True, kw_only=True)
class Gate:
    """One gate of a promise: when it was passed, how many days it took, and why, in words about the workshop."""

    code: str
    title: str
    passed_on: date
    took_days: int
    because: str = ""
    binding: bool = False

    @property
    def held_up(self) -> bool:
        """Was it kept from being passed sooner by something that takes room, or isn't there?"""
        return self.because.startswith(_NOT_SOONER)

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        return {**self.__dict__, "passed_on": self.passed_on.isoformat()}

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> "Gate":
        """The gate that ``to_json`` stored."""
        return cls(**{**stored, "passed_on": date.fromisoformat(stored["passed_on"])})


@dataclass(frozen=True, kw_only=True)
class Asked:
    """When a promise was asked for, and the rules of the house it is walked by.

    ``lead_days`` are the workshop's standing working days from order to leaving; an
    item's own come before them. The order is wanted to arrive neither before
    ``wanted_from`` nor after ``wanted_by``.
    """

    on: date
    at: time
    cut_off: time
    carrier_days: int
    deposit_days: int | None = None
    lead_days: int = 0
    wanted_from: date | None = None
    wanted_by: date | None = None


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
    """Insert the demands and walk the gates of the piece that leaves last.

    A ``Refusal`` when nothing is asked for, there is no room, a material never comes, or
    it can't arrive by the day it is wanted.
    """
    bench = Bench(shop, plan, stock, shop.calendar.bench_day(asked.on, asked.at, asked.cut_off))
    promised, placed = promise_on(bench, demands, asked)
    return promised, Outcome(plan=bench.plan(), placed=placed)


def promise_on(bench: Bench, demands: Sequence[Demand], asked: Asked) -> tuple[Promise, tuple[Placed, ...]]:
    """The same on a bench that stands already, from its first day on; the pieces stay on it.

    To try several things, set a mark and go back to it. After a ``Refusal`` nothing is booked.
    """
    _refuse_unwanted(demands, asked)
    mark = bench.mark()
    try:
        walk = _Walk(bench, demands, asked)
        return walk.promise(), tuple(walk.placed)
    except Refusal:
        bench.back_to(mark)
        raise


def bound(shop: Shop, demands: Iterable[Demand], asked: Asked) -> tuple[Demand, ...]:
    """The demands with the days that the rules of the house and the order's wishes set for them.

    Nothing is begun before the deposit may be there; it leaves no sooner than its lead
    time is over and it is wanted.
    """
    taken = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    starts = shop.calendar.later(taken, asked.deposit_days or 0)
    return tuple(
        replace(d, starts_from=max(starts, d.starts_from or starts), leaves_from=_leaves_from(shop, d, taken, asked))
        for d in demands
    )


def _leaves_from(shop: Shop, demand: Demand, taken: date, asked: Asked) -> date | None:
    days = (_lead_over(shop, demand, taken, asked), _wanted_from(demand, asked))
    return max((day for day in days if day), default=None)


def _lead_over(shop: Shop, demand: Demand, taken: date, asked: Asked) -> date | None:
    """The day on which the lead time is over; ``None`` where there is none."""
    own = shop.catalogue.items[demand.sku.item].lead_days
    days = asked.lead_days if own is None else own
    return shop.calendar.later(taken, days) if days else None


def _wanted_from(demand: Demand, asked: Asked) -> date | None:
    """The first day it may leave on so as not to arrive before it is wanted."""
    own = asked.wanted_from and carrier_departure(asked.wanted_from, asked.carrier_days)
    return max((day for day in (own, demand.leaves_from) if day), default=None)


def _refuse_unwanted(demands: Sequence[Demand], asked: Asked) -> None:
    """A ``Refusal`` for nothing, and for days of arrival that can't be."""
    if not any(demand.pieces > 0 for demand in demands) or any(demand.pieces < 0 for demand in demands):
        raise Refusal("empty", "The order is empty; choose at least one case.", "cases")
    if asked.wanted_by is None:
        return
    if asked.wanted_by < asked.on:
        message = f"It is wanted by {day_words(asked.wanted_by)}, which is past; choose a day to come."
        raise Refusal("wanted_past", message, "wanted_by")
    if asked.wanted_from and asked.wanted_by < asked.wanted_from:
        message = (
            f"It is wanted not before {day_words(asked.wanted_from)} and not after {day_words(asked.wanted_by)}: "
            "no day is both. Choose the later day anew."
        )
        raise Refusal("wanted_turned_round", message, "wanted_by")


class _Walk:
    """One promise on its way: demands put on the bench, then the gates of the piece that leaves last."""

    def __init__(self, bench: Bench, demands: Sequence[Demand], asked: Asked) -> None:
        self.bench = bench
        self.shop = bench.shop
        self.asked = asked
        self.taken = bench.first_day
        self.first_day = self.shop.calendar.later(self.taken, asked.deposit_days or 0)
        self.placed: list[Placed] = []
        self.supplied: dict[str, Supplied | None] = {}
        self.demands = {demand.key: demand for demand in demands}
        for demand in bound(self.shop, demands, asked):
            insertion = Insertion(self.shop, bench, demand)
            self.placed += insertion.run()
            self.supplied[demand.key] = insertion.supplied

    def promise(self) -> Promise:
        """The promise for what is placed; a ``Refusal`` when it can't be there by the day it is wanted."""
        last = max(self.placed, key=lambda group: (group.leaves, group.sellable_on))
        arrives = carrier_arrival(last.leaves, self.asked.carrier_days)
        self._refuse_late(arrives)
        steps = _opening(self.shop, self.taken, self.first_day, self.asked) + self._making(last)
        steps += self._leaving(last, arrives)
        return Promise(
            leaves=last.leaves, arrives=arrives, holds_on=self.first_day,
            gates=_mark_binding(_timed(self.asked.on, steps)),
            by_demand=tuple((key, self._leaves(key)) for key, demand in self.demands.items() if demand.pieces),
        )  # fmt: skip

    def _leaves(self, key: str) -> date:
        return max(group.leaves for group in self.placed if group.demand == key)

    def _refuse_late(self, arrives: date) -> None:
        wanted = self.asked.wanted_by
        if wanted and arrives > wanted:
            message = (
                f"It is wanted by {day_words(wanted)}, and can arrive on {day_words(arrives)} at the earliest. "
                "Choose that day or a later one, or order less."
            )
            raise Refusal("wanted_by", message, "wanted_by", arrives=arrives.isoformat())

    # ── making ───────────────────────────────────────────────────────────────

    def _making(self, group: Placed) -> list[Gate]:
        """The steps of the group up to its cure, each after the last, with what held the cure step up."""
        if not group.steps:
            since = max(group.sellable_on, self.first_day)
            return [_step("stock", "From stock", since, "made already and not spoken for")]
        recipe = self.shop.catalogue.recipe(group.sku.item)
        days = dict(group.steps)
        anchor = recipe.operations[recipe.cure_step]
        before = [(days[o.code], o) for o in recipe.operations[: recipe.cure_step] if o.code in days]
        before += self._cast_for(group, days[anchor.code])
        gates = [_step(o.code, o.name, day) for day, o in sorted(before, key=lambda pair: (pair[0], pair[1].code))]
        gates += [*_setting(before), _step(anchor.code, anchor.name, days[anchor.code])]
        return self._with_reason(gates, group, days[anchor.code] - ONE_DAY)

    def _with_reason(self, gates: list[Gate], group: Placed, earlier: date) -> list[Gate]:
        """The gates with what kept the cure step from the day before, and with that of a material waited for."""
        held = why_not(self.bench, group.sku, self.first_day, earlier) if earlier >= self.first_day else None
        waited = self.supplied.get(group.demand)
        supplied = waited if waited and waited.day <= gates[-1].passed_on else None
        waits = supplied is not None and (supplied.day > earlier or (held is not None and held.material is not None))
        if held and not waits:
            why = self._days_off(earlier) or f"{held.words} {_on(held.days)}"
            gates[-1] = replace(gates[-1], because=f"{_NOT_SOONER}: {why}")
        if supplied is None:
            return gates
        comes = f"{supplied.name} comes on {_short(supplied.day)}"
        because = f"{_NOT_SOONER}: {comes}" if waits else comes
        at = next(number for number, gate in enumerate(gates) if gate.passed_on >= supplied.day)
        return [*gates[:at], _step("supply", "Supply", supplied.day, because), *gates[at:]]

    def _days_off(self, last: date) -> str:
        """The days up to ``last`` on which nobody works, in words: any of them could be made a work day."""
        off = [last]
        while off[0] >= self.first_day and not self.shop.calendar.is_work(off[0]):
            off.insert(0, off[0] - ONE_DAY)
        days = off[1:]
        if len(days) > _SHOWN:
            return f"no work day from {_short(days[0])} to {_short(days[-1])}"
        return ", ".join(f"{self.shop.calendar.day(day).kind} day on {_short(day)}" for day in days)

    def _cast_for(self, group: Placed, by: date) -> list[tuple[date, Operation]]:
        """(last day, step) of each step of the parts made for this demand in time for ``by``."""
        last: dict[tuple[str, str], tuple[date, Operation]] = {}
        for day, sku, code in self.bench.portions_of(group.demand):
            if day <= by and sku != group.sku:
                operation = next(o for o in self.shop.catalogue.steps(sku.item) if o.code == code)
                last[sku.item, code] = (max(day, last.get((sku.item, code), (day,))[0]), operation)
        return list(last.values())

    # ── leaving ──────────────────────────────────────────────────────────────

    def _leaving(self, group: Placed, arrives: date) -> list[Gate]:
        gates, ready = [], max(group.sellable_on, self.first_day)
        if group.steps:
            recipe = self.shop.catalogue.recipe(group.sku.item)
            cure = recipe.operations[recipe.cure_step].cure_days or 0
            gates.append(_step("cure", "Curing", group.sellable_on, f"{cure} days; sellable from then on"))
        if floor := self._floor(group, ready):
            gates.append(floor)
            ready = floor.passed_on
        gates.append(_step("packing", "Packed, leaves", group.leaves, self._packed_because(group, ready)))
        carried = f"{self.asked.carrier_days} carrier days, Monday to Friday"
        return [*gates, _step("carrier", "Arrives", arrives, carried)]

    def _packed_because(self, group: Placed, ready: date) -> str:
        if group.steps and group.leaves > self.shop.calendar.work_from(ready):
            return "labelling takes until then"
        return "the first working day after" if group.leaves > ready else "the same day"

    def _floor(self, group: Placed, ready: date) -> Gate | None:
        """The gate of a lead time or a wish that kept what was ready from leaving."""
        demand = self.demands[group.demand]
        lead, wanted = _lead_over(self.shop, demand, self.taken, self.asked), _wanted_from(demand, self.asked)
        floor = max((day for day in (lead, wanted) if day), default=None)
        if floor is None or floor <= ready or self.shop.calendar.work_from(floor) < group.leaves:
            return None
        if floor == lead:
            days = len(list(self.shop.calendar.work_days(self.taken + ONE_DAY, floor)))
            return _step("lead_time", "Lead time", floor, f"{days} working days from the order at the least")
        return _step("wanted", "Wanted not before", floor, "so that it arrives no sooner than it is wanted")


#: Days off in a row that a reason names one by one.
_SHOWN = 3
#: What the reason of a gate begins with that held the cure up.
_NOT_SOONER = "not sooner"
#: Gates that cost days which somebody could save.
_WAITS = {"cut_off", "deposit", "supply", "packing"}
#: Gates that keep from leaving what is ready.
_FLOORS = {"lead_time", "wanted"}


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


def _setting(before: list[tuple[date, Operation]]) -> list[Gate]:
    """The wait after the step before the cure that is ready last."""
    if not before:
        return []
    last_day, last = max(before, key=lambda pair: usable_on(pair[1], pair[0]))
    ready = usable_on(last, last_day)
    waits = f"{_nights((ready - last_day).days)} after {last.name.lower()}"
    return [_step("set", "Setting", ready, waits)] if ready > last_day else []


def _nights(count: int) -> str:
    return "one night" if count == 1 else f"{count} nights"


def _on(days: Sequence[date]) -> str:
    """``on Fri 6 Mar``, or ``from Thu 5 Mar to Fri 6 Mar``."""
    first, last = min(days), max(days)
    return f"on {_short(last)}" if first == last else f"from {_short(first)} to {_short(last)}"


def _short(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def _timed(asked_on: date, steps: list[Gate]) -> list[Gate]:
    """Each gate with the days since the one before."""
    timed, before = [], asked_on
    for gate in steps:
        timed.append(replace(gate, took_days=(gate.passed_on - before).days))
        before = gate.passed_on
    return timed


def _mark_binding(gates: list[Gate]) -> tuple[Gate, ...]:
    """Mark the gate somebody could change: what kept it from leaving when it was ready, else what held the cure up.

    Else the costliest wait, else the cure. Days between steps that only wait for each other bind nothing. Of gates that
    cost the same the later one binds: passing the earlier sooner would only wait there.
    """
    held = [gate for gate in gates if gate.held_up]
    waits = [gate for gate in gates if gate.code in _WAITS and gate.took_days > 0]
    rest = [gate for gate in gates if gate.code in {"cure", "packing"}]
    floors = [gate for gate in gates if gate.code in _FLOORS]
    choice = max(reversed(floors or held or waits or rest), key=lambda gate: gate.took_days)
    return tuple(replace(gate, binding=gate is choice) for gate in gates)
