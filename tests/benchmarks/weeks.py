"""A seeded, invented bench of four people, large enough for 1,000 loads in 8 weeks, and orders for it.

Common practice, no source: fills, loads, quotas and minutes are invented, and usual for a
workshop of four. Everything hangs on the seed alone: the same seed gives the same orders,
and so the same plan, on every machine.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from decimal import Decimal as D
from random import Random

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Equipment,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Scent,
    Sku,
    Unit,
)
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.plan import Shop, insert
from wholesale.core.production.work import Demand, Plan

#: A Monday.
START = date(2026, 3, 2)
#: Long enough for the steps of 2,000 orders.
HORIZON = 1_000
#: Pieces in a case.
CASE_PACKS = {"CUP": 6, "JAR": 6, "TIN": 12, "PILLAR": 4, "DISH": 4}
#: How often each product is asked for, out of a hundred lines.
_ASKED = {"CUP": 30, "JAR": 25, "TIN": 20, "PILLAR": 15, "DISH": 10}
_SCENTS = ("RG", "CF", "WS", "LM")
#: Lines of an order, and cases of a line, as often as they stand here.
_LINES = (1, 1, 2, 2, 3)
_CASES = (1, 1, 2, 2, 3, 4)
#: Working days of four people's hands, in minutes.
_MINUTES = {"pour": 420, "top": 420, "cast": 420, "finish": 420}


# ── the bench ────────────────────────────────────────────────────────────────


def _line(component: str | None, basis: Basis, quantity: str, step: str = "", carrier: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), step=step, carrier=carrier)


def _material(code: str) -> Item:
    return Item(code=code, name=code.title(), kind=ItemKind.MATERIAL, unit=Unit.GRAM)


def _part(code: str, *lines: RecipeLine, steps: tuple[Operation, ...] = (), **other: object) -> Item:
    recipe = Recipe(lines=lines, operations=steps)
    return Item(code=code, name=code.title(), kind=ItemKind.PART, recipe=recipe, **other)  # type: ignore[arg-type]


def _melt(code: str, *lines: RecipeLine, steps: tuple[Operation, ...] = (), scented: bool = False) -> Item:
    return _part(code, *lines, steps=steps, unit=Unit.GRAM, loss=D("0.03"), scented=scented)


def _step(code: str, equipment: str, hands: str, each: str, load: str = "0", **other: object) -> Operation:
    return Operation(
        code=code, name=code.title(), equipment=equipment, hands=hands,
        minutes_per_piece=D(each), minutes_per_load=D(load), **other,  # type: ignore[arg-type]
    )  # fmt: skip


def _pour() -> Operation:
    return _step("pour", "POT", "pour", "1.5", "12", melt="BASE", nights_min=1, days_max=7)


def _pipe(melt: str, each: str = "2.5") -> Operation:
    return _step("pipe", "BOWL", "top", each, "6", melt=melt, nights_min=1, cure_days=10)


_FINISH = _step("finish", "", "finish", "2.5")


def _product(code: str, *steps: Operation, lines: Iterable[RecipeLine]) -> Item:
    recipe = Recipe(lines=tuple(lines), operations=(*steps, _FINISH))
    return Item(
        code=code, name=code.title(), kind=ItemKind.PRODUCT, scented=True,
        case_pack=CASE_PACKS[code], mix_scents=2, mix_least=2, recipe=recipe,
    )  # fmt: skip


def _materials() -> list[Item]:
    return [_material(code) for code in ("SOY", "WHIPWAX", "CASTWAX", "HARDWAX", *(f"OIL-{s}" for s in _SCENTS))]


def _melts() -> list[Item]:
    """Base and second pour carry the scent; whips hold a blend that stands on the shelf, melted in the kettle."""
    share, load = Basis.SHARE, Basis.LOAD_ON_CARRIER
    return [
        _melt("BLEND", _line("HARDWAX", share, "1"),
              steps=(_step("melt", "KETTLE", "cast", "0", "20", nights_min=1),)),
        _melt("BASE", _line("SOY", share, "1"), _line(None, load, "0.08", "", "SOY"), scented=True),
        _melt("MOSS", _line("WHIPWAX", share, "0.8"), _line("BLEND", share, "0.2")),
        _melt("FERN", _line("WHIPWAX", share, "0.9"), _line("BLEND", share, "0.1")),
        _melt("SEAL", _line("WHIPWAX", share, "1")),
        _melt("CASTING", _line("CASTWAX", share, "1")),
    ]  # fmt: skip


def _parts() -> list[Item]:
    """Rosettes and pebbles are cast; leaves are cast, and dipped the day after."""
    piece = Basis.PER_PIECE
    cast = {"melt": "CASTING", "nights_min": 1}
    return [
        _part("ROSETTE", _line("CASTING", piece, "15", "cast"), yield_share=D("0.92"),
              steps=(_step("cast", "TRAY-R", "cast", "0.3", "3", **cast),)),
        _part("PEBBLE", _line("CASTING", piece, "6", "cast"), yield_share=D("0.95"),
              steps=(_step("cast", "TRAY-P", "cast", "0.2", "3", **cast),)),
        _part("LEAF", _line("CASTING", piece, "4", "cast"),
              steps=(_step("cast", "TRAY-L", "cast", "0.2", "3", days_max=9, **cast),
                     _step("dip", "", "cast", "0.3", nights_min=1))),
    ]  # fmt: skip


def _products() -> list[Item]:
    piece = Basis.PER_PIECE
    seal = _step("seal", "SEALPOT", "top", "2", "5", melt="SEAL", nights_min=1, cure_days=10)
    second = _step("second", "POT", "top", "1", "12", melt="BASE", nights_min=1, cure_days=14)
    return [
        _product("CUP", _pour(), _pipe("MOSS"), lines=(
            _line("BASE", piece, "150", "pour"), _line("MOSS", piece, "40", "pipe"),
            _line("ROSETTE", piece, "1", "pipe"))),
        _product("JAR", _pour(), seal, lines=(
            _line("BASE", piece, "180", "pour"), _line("SEAL", piece, "20", "seal"),
            _line("PEBBLE", piece, "4", "seal"))),
        _product("TIN", _pour(), _pipe("FERN", "1.5"), lines=(
            _line("BASE", piece, "140", "pour"), _line("FERN", piece, "25", "pipe"),
            _line("LEAF", piece, "1", "pipe"))),
        _product("PILLAR", _pour(), second, lines=(
            _line("BASE", piece, "300", "pour"), _line("BASE", piece, "60", "second"))),
        _product("DISH", _pour(), _pipe("MOSS", "4"), lines=(
            _line("BASE", piece, "220", "pour"), _line("MOSS", piece, "60", "pipe"),
            _line("ROSETTE", piece, "2", "pipe"), _line("PEBBLE", piece, "3", "pipe"))),
    ]  # fmt: skip


def _equipment() -> list[Equipment]:
    return [
        Equipment(code="POT", name="Pots", kind="pot", count=3, load_g=D(4000), loads_per_day=2),
        Equipment(code="SEALPOT", name="Seal pot", kind="pot", load_g=D(1000), loads_per_day=3),
        Equipment(code="BOWL", name="Whip bowls", kind="bowl", count=2, load_g=D(600), load_pieces=14, loads_per_day=5,
                  window_minutes=35),
        Equipment(code="KETTLE", name="Kettle", kind="pot", load_g=D(6000), loads_per_day=1),
        Equipment(code="TRAY-R", name="Rosette trays", kind="tray", count=2, load_pieces=12, loads_per_day=3),
        Equipment(code="TRAY-P", name="Pebble trays", kind="tray", count=3, load_pieces=24, loads_per_day=3),
        Equipment(code="TRAY-L", name="Leaf trays", kind="tray", count=2, load_pieces=24, loads_per_day=2),
    ]  # fmt: skip


def catalogue() -> Catalogue:
    """Five products in four scents, of melts and cast parts: three levels, seven kinds of equipment."""
    items = [*_materials(), *_melts(), *_parts(), *_products()]
    scents = [Scent(code=code, name=code, oil=f"OIL-{code}", rank=rank) for rank, code in enumerate(_SCENTS)]
    return Catalogue(
        items={item.code: item for item in items},
        scents={scent.code: scent for scent in scents},
        equipment={equipment.code: equipment for equipment in _equipment()},
    )


def calendar() -> Calendar:
    """Monday to Friday 08:00-17:00 with four people's minutes; Saturday market, Sunday closed."""
    work = Day(kind=DayKind.WORK, opens=time(8), closes=time(17), minutes=_MINUTES)
    market, closed = Day(kind=DayKind.MARKET), Day(kind=DayKind.CLOSED)
    return Calendar(week={**dict.fromkeys(range(5), work), 5: market, 6: closed})


def bench() -> Shop:
    """What the planner stands on."""
    return Shop(catalogue=catalogue(), calendar=calendar(), horizon_days=HORIZON)


# ── orders ───────────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Order:
    """What one shop asks for: (product, scent, cases) a line, the day it comes in, and days it may be wanted later."""

    number: int
    lines: tuple[tuple[str, str, int], ...]
    arrives: date
    wanted_days_later: int = 0

    @property
    def demands(self) -> tuple[Demand, ...]:
        """A demand a line; the order's number is their rank."""
        return tuple(
            Demand(key=f"{self.number}/{place}", sku=Sku(item, scent), pieces=cases * CASE_PACKS[item],
                   rank=self.number)
            for place, (item, scent, cases) in enumerate(self.lines)
        )  # fmt: skip


def orders(seed: int, count: int, a_day: int = 0, first: date = START) -> list[Order]:
    """So many random orders; ``a_day`` of them come in each work day from ``first`` on, or all on the first day."""
    chance, days = Random(seed), list(calendar().work_days(first, first + timedelta(days=2 * count + 7)))
    return [_order(chance, number, days[number // a_day if a_day else 0]) for number in range(1, count + 1)]


def _order(chance: Random, number: int, arrives: date) -> Order:
    lines = tuple(
        (chance.choices(list(_ASKED), list(_ASKED.values()))[0], chance.choice(_SCENTS), chance.choice(_CASES))
        for _ in range(chance.choice(_LINES))
    )
    return Order(number=number, lines=lines, arrives=arrives, wanted_days_later=chance.choice((0, 0, 0, 3, 7, 12)))


# ── plans ────────────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class State:
    """A bench with its plan and the open demands, each with the day it was promised for."""

    shop: Shop
    plan: Plan
    demands: tuple[Demand, ...]


def accept(state: State, order: Order, first_day: date) -> State:
    """The state with one more order, promised for the day insertion finds, or the later one it is wanted on."""
    outcome = insert(state.shop, state.plan, order.demands, (), first_day)
    wanted = state.shop.calendar.work_from(outcome.leaves() + timedelta(days=order.wanted_days_later))
    promised = tuple(replace(demand, promised=wanted) for demand in order.demands)
    return State(shop=state.shop, plan=outcome.plan, demands=(*state.demands, *promised))


def accepted(placed: Sequence[Order]) -> State:
    """All orders accepted one after the other, each from the day it came in."""
    state = State(shop=bench(), plan=Plan(), demands=())
    for order in placed:
        state = accept(state, order, order.arrives)
    return state


def at_once(placed: Sequence[Order], first_day: date = START) -> State:
    """All orders in one insertion from ``first_day`` on, one behind the other: as ``accepted``, and faster."""
    shop, asked = bench(), [demand for order in placed for demand in order.demands]
    outcome = insert(shop, Plan(), asked, (), first_day)
    leaves: dict[str, date] = {}
    for group in outcome.placed:
        leaves[group.demand] = max(group.leaves, leaves.get(group.demand, group.leaves))
    demands: list[Demand] = []
    for order in placed:
        last = max(leaves[demand.key] for demand in order.demands)
        wanted = shop.calendar.work_from(last + timedelta(days=order.wanted_days_later))
        demands += [replace(demand, promised=wanted) for demand in order.demands]
    return State(shop=shop, plan=outcome.plan, demands=tuple(demands))


def open_orders(count: int = 200, seed: int = 4) -> State:
    """So many open orders on the bench; 200 of them are 1,000 planned loads and more, in 8 weeks."""
    return at_once(orders(seed, count))


def week(seed: int) -> State:
    """A Monday morning with the 60 orders of the week before: the first of 8 seeded weeks is seed 1."""
    return at_once(orders(seed, 60))


def weeks() -> Iterator[tuple[int, State]]:
    """The 8 seeded weeks."""
    return ((seed, week(seed)) for seed in range(1, 9))
