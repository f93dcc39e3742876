"""A shop's basket as the planner sees it: demands, and the places that baskets at checkout keep."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import cached_property

from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.orders import Basket
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import carrier_arrival
from wholesale.core.production.check import Breach, check
from wholesale.core.production.evidence import Memory
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.promise import Asked, bound
from wholesale.core.production.work import Demand, Load, Placed, Plan, Shop
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

#: What the keys of demands begin with that a basket at checkout asks for.
HELD = "h"


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What a date is promised on: the plan, and the stock it may use."""

    shop: Shop
    plan: Plan
    stock: tuple[OnHand, ...]

    @cached_property
    def _memory(self) -> Memory:
        return Memory()

    def bench(self, asked: Asked) -> Bench:
        """A bench with the plan on it, from the first day that what is asked for then may use."""
        return Bench(self.shop, self.plan, self.stock, self.first_day(asked))

    def first_day(self, asked: Asked) -> date:
        """The first day whose loads and minutes may be used for what is asked for then."""
        return self.shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)

    def faults_of(self, plan: Plan, demands: Sequence[Demand]) -> tuple[Breach, ...]:
        """The rules of physics that a plan with these demands put in breaks where they stand; see ``check``."""
        of = {demand.key for demand in demands}
        found = check(self.shop, plan, demands, self.stock, of=of, memory=self._memory)
        return tuple(breach for breach in found if breach.kind == "physics")

    def new_faults_of(self, plan: Plan, demands: Sequence[Demand]) -> tuple[Breach, ...]:
        """Those of them that the ground's own plan has not: a day that was too full before is not these demands' fault.

        The check of the whole is made only where there is a fault, which is next to never.
        """
        found = self.faults_of(plan, demands)
        known = {(one.rule, one.where) for one in check(self.shop, self.plan, (), self.stock)} if found else set()
        return tuple(breach for breach in found if (breach.rule, breach.where) not in known)


@dataclass(frozen=True, kw_only=True)
class Held:
    """A basket at checkout: its row, and when it was asked for."""

    key: int
    basket: Basket
    asked: Asked

    def demands(self, shop: Shop) -> list[Demand]:
        """What it asks for, shipment by shipment."""
        asked = asked_for(self.basket, self.asked)
        shipments = enumerate(self.basket.shipments())
        keyed = [d for number, part in shipments for d in demands_of(part, f"{HELD}{self.key}.{number}:")]
        return list(bound(shop, keyed, asked))


def demands_of(basket: Basket, begins: str = "") -> list[Demand]:
    """One demand a scent of a line; the key says which: "line/scent", after what it ``begins`` with."""
    return [
        Demand(key=f"{begins}{position}/{sku.scent}", sku=Sku(line.item, sku.scent), pieces=pieces)
        for position, line in enumerate(basket.lines)
        for sku, pieces in line.pieces().items()
    ]


def line_of(key: str) -> int:
    """The line, by its place, that a key of ``demands_of`` is of."""
    return int(key.rpartition(":")[2].partition("/")[0])


def asked_for(basket: Basket, asked: Asked) -> Asked:
    """The rules a basket's promise is walked by: no carrier for what the shop fetches, and not before it is wanted."""
    days = 0 if basket.pick_up else asked.carrier_days
    return replace(asked, carrier_days=days, wanted_from=basket.wanted_from)


def arrives_on(leaves: date, carrier_days: int, *, pick_up: bool) -> date:
    """The day goods are with the shop that leave on a day."""
    return leaves if pick_up else carrier_arrival(leaves, carrier_days)


def put_in(bench: Bench, demands: Sequence[Demand]) -> list[Placed]:
    """Place demands on a bench; nothing, and nothing placed, where there is no room for all."""
    mark = bench.mark()
    placed: list[Placed] = []
    try:
        for demand in demands:
            placed += Insertion(bench.shop, bench, demand).run()
    except Refusal:
        bench.back_to(mark)
        return []
    return placed


def around(ground: Ground, held: Sequence[Held]) -> Ground:
    """The ground with the places that baskets at checkout keep, in order; parts made for them are nobody else's.

    A basket that finds no room any more keeps none.
    """
    if not held:
        return ground
    bench = _bench_for(ground, held)
    before = _free_parts(bench)
    for one in held:
        put_in(bench, one.demands(ground.shop))
    spare = {sku: bench.free_on(sku, date.max) - free for sku, free in before.items()}
    reserved = (OnHand(sku=sku, usable_on=date.max, quantity=-left) for sku, left in spare.items() if left > 0)
    return replace(ground, plan=bench.plan(), stock=(*ground.stock, *reserved))


def leaving_days(ground: Ground, held: Sequence[Held]) -> list[date | None]:
    """The day each held basket leaves, placed one after the other; ``None`` where there is no room."""
    if not held:
        return []
    bench = _bench_for(ground, held)
    placed = [put_in(bench, one.demands(ground.shop)) for one in held]
    return [max((group.leaves for group in groups), default=None) for groups in placed]


def without_held(plan: Plan) -> Plan:
    """The plan less what baskets at checkout keep: only that may be written down."""

    def rest(load: Load) -> Load:
        return replace(load, portions=tuple(p for p in load.portions if not p.demand.startswith(HELD)))

    return Plan(
        loads=tuple(load for load in map(rest, plan.loads) if load.portions),
        picks=tuple(pick for pick in plan.picks if not pick.demand.startswith(HELD)),
    )


def _bench_for(ground: Ground, held: Sequence[Held]) -> Bench:
    return ground.bench(min((one.asked for one in held), key=ground.first_day))


def _free_parts(bench: Bench) -> dict[Sku, Fraction]:
    """What nobody counts on of each part, in the end."""
    goods = bench.catalogue
    parts = [item for item in goods.items.values() if item.kind is ItemKind.PART]
    skus = [Sku(item.code, scent) for item in parts for scent in (goods.scents if item.scented else [""])]
    return {sku: bench.free_on(sku, date.max) for sku in skus}
