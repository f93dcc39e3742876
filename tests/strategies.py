"""Examples for the laws: Mossgate's products on random benches, calendars and baskets."""

from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from decimal import Decimal as D
from fractions import Fraction

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from tests import mossgate
from wholesale.core.catalogue import Basis, Catalogue, Equipment, Item, Operation, RecipeLine, Sku
from wholesale.core.pricing import Goods, Offer, Terms, Tier
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.plan import Shop
from wholesale.core.production.promise import Asked
from wholesale.core.production.work import Demand
from wholesale.core.stock import OnHand

#: The profile of every law: the same examples on every machine, no clock, no database of failures.
LAWS = settings(
    max_examples=200, derandomize=True, deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow]
)
MONDAY = date(2026, 3, 2)
PRODUCTS = ("SUC", "PEB", "FRN")
PARTS = ("ROSETTE", "PEBBLE")
SCENTS = ("RG", "CF", "WS")


@dataclass(frozen=True, kw_only=True)
class Order:
    """One order as the planner sees it: what is asked for, and the first day it may use."""

    demands: tuple[Demand, ...]
    first_day: date


@dataclass(frozen=True, kw_only=True)
class Case:
    """A bench with some stock, and orders that come one after the other.

    ``fates`` decide, load by load, what becomes of what was planned: 0 nobody did it,
    1 to 3 all pieces good, more: so many less three are rejects. ``cut`` is what the
    bench has lost by then: tomorrow's "day", its "quota", its "minutes", or nothing.
    """

    shop: Shop
    stock: tuple[OnHand, ...]
    orders: tuple[Order, ...]
    fates: tuple[int, ...] = ()
    days_gone: int = 0
    cut: str = ""

    def __repr__(self) -> str:
        """What a failing law prints: only what differs from case to case."""
        equipment = [
            f"{e.code}: {e.load_g or '-'} g {e.load_pieces or '-'} pc × {e.daily_loads} a day"
            for e in self.shop.catalogue.equipment.values()
        ]
        steps = [
            f"{item.code} {o.code}: {o.minutes_per_piece}+{o.minutes_per_load} min, "
            f"{max(o.nights_min, o.days_min)}..{o.days_max} days, cure {o.cure_days}, yield {item.yield_share}"
            for item in self.shop.catalogue.items.values()
            for o in (item.recipe.operations if item.recipe else ())
        ]
        parts = [
            f"{item.code} takes {line.quantity} {line.component}"
            for item in self.shop.catalogue.items.values()
            for line in (item.recipe.lines if item.recipe else ())
            if line.component in PARTS
        ]
        week = [f"{n}: {d.kind} {dict(d.minutes)}" for n, d in self.shop.calendar.week.items()]
        days = [f"{n}: {d.kind} {dict(d.minutes)}" for n, d in self.shop.calendar.days.items()]
        asked = [f"{d.key} from {o.first_day}: {d.pieces} {d.sku}" for o in self.orders for d in o.demands]
        stock = [f"{s.quantity} {s.sku} on {s.usable_on}" for s in self.stock]
        fates = [f"fates {self.fates} after {self.days_gone} days, {self.cut or 'nothing'} cut"]
        return "\n".join(["Case:", *equipment, *steps, *parts, *week, *days, *stock, *asked, *fates])


#: (nights, days, longest wait) between two steps; the longest is never below the shortest.
_WAITS = st.sampled_from([(0, 0, None), (1, 0, None), (1, 0, 7), (0, 2, 2), (2, 1, 4), (1, 1, 1), (0, 0, 3), (2, 0, 8)])
_MINUTES = st.sampled_from(
    [(D("2.5"), D(0)), (D(3), D(0)), (D("0.5"), D(0)), (D(0), D(0)), (D(1), D(5)), (D(0), D(20)), (D("0.5"), D(20))]
)
_YIELDS = st.sampled_from([D(1), D("0.95"), D("0.92"), D("0.5")])
_CURES = st.sampled_from([0, 3, 10, 14])
_GRAMS = st.sampled_from([D(700), D(1000), D(4000)])
_PIECES = st.sampled_from([1, 5, 12, 20])
_QUOTAS = st.sampled_from([(None, 1), (1, 1), (1, 2), (2, 1), (4, 2)])


def _other_equipment(draw: st.DrawFn, equipment: Equipment) -> Equipment:
    loads_per_day, count = draw(_QUOTAS)
    return replace(
        equipment,
        load_g=draw(_GRAMS) if equipment.load_g else None,
        load_pieces=draw(_PIECES) if equipment.load_pieces else None,
        loads_per_day=loads_per_day,
        count=count,
    )


def _other_step(draw: st.DrawFn, operation: Operation) -> Operation:
    """The step with other waits and minutes; the longest wait only where the bench has one: before the topping."""
    (nights, days, longest), (per_piece, per_load) = draw(_WAITS), draw(_MINUTES)
    return replace(
        operation,
        nights_min=nights,
        days_min=days,
        days_max=longest if operation.days_max is not None else None,
        minutes_per_piece=per_piece,
        minutes_per_load=per_load,
        cure_days=draw(_CURES) if operation.cure_days is not None else None,
    )


def _other_item(draw: st.DrawFn, item: Item) -> Item:
    if item.recipe is None or not item.recipe.operations:
        return item
    recipe = replace(item.recipe, operations=tuple(_other_step(draw, o) for o in item.recipe.operations))
    return replace(item, recipe=recipe, yield_share=draw(_YIELDS) if item.kind == "part" else D(1))


def _with_rosette(fern: Item) -> Item:
    """A fern tin with a rosette on top, so that two products compete for one part."""
    assert fern.recipe
    line = RecipeLine(component="ROSETTE", basis=Basis.PER_PIECE, quantity=D(1), step="pipe")
    return replace(fern, recipe=replace(fern.recipe, lines=(*fern.recipe.lines, line)))


@st.composite
def catalogues(draw: st.DrawFn) -> Catalogue:
    """Mossgate's catalogue with other equipment, waits, minutes, cures and yields."""
    known = mossgate.catalogue()
    items = {code: _other_item(draw, item) for code, item in known.items.items()}
    if draw(st.booleans()):
        items["FRN"] = _with_rosette(items["FRN"])
    equipment = {code: _other_equipment(draw, equipment) for code, equipment in known.equipment.items()}
    return replace(known, items=items, equipment=equipment)


_DIFFERENT_DAYS = st.dictionaries(
    st.integers(0, 30).map(lambda n: MONDAY + timedelta(days=n)),
    st.sampled_from([Day(kind=DayKind.CLOSED), Day(kind=DayKind.WORK, minutes={"bench": 45})]),
    max_size=4,
)


@st.composite
def calendars(draw: st.DrawFn, least: int = 2) -> Calendar:
    """So many to seven work days a week with some minutes or uncounted ones, and single days that differ."""
    work = Day(kind=DayKind.WORK, minutes={"bench": draw(st.sampled_from([360, 120, 60, None]))})
    at_work = draw(st.sets(st.integers(0, 6), min_size=least))
    week = {day: work if day in at_work else Day(kind=DayKind.MARKET) for day in range(7)}
    return Calendar(week=week, days=draw(_DIFFERENT_DAYS))


def shops() -> st.SearchStrategy[Shop]:
    """Benches that can work at least two days a week."""
    return st.builds(Shop, catalogue=catalogues(), calendar=calendars(), horizon_days=st.just(60))


@st.composite
def on_hand(draw: st.DrawFn) -> tuple[OnHand, ...]:
    """Some parts and finished pieces, usable before, now or later."""
    skus = [Sku("ROSETTE"), Sku("PEBBLE"), *(Sku(item, scent) for item in PRODUCTS for scent in SCENTS)]
    lots = st.builds(
        lambda sku, days, pieces: OnHand(sku=sku, usable_on=MONDAY + timedelta(days=days), quantity=Fraction(pieces)),
        st.sampled_from(skus), st.integers(-5, 12), st.integers(1, 30),
    )  # fmt: skip
    return tuple(draw(st.lists(lots, max_size=5)))


@st.composite
def orders(draw: st.DrawFn, most: int = 4, most_pieces: int = 30) -> tuple[Order, ...]:
    """Orders of one or two products each; each comes on or after the day of the one before."""
    found, day = [], MONDAY
    for number in range(draw(st.integers(1, most))):
        day += timedelta(days=draw(st.integers(0, 3)))
        asked = draw(
            st.lists(st.tuples(st.sampled_from(PRODUCTS), st.sampled_from(SCENTS[:2])), min_size=1, max_size=2)
        )
        demands = tuple(
            Demand(key=f"{number}-{line}", sku=Sku(*sku), pieces=draw(st.integers(1, most_pieces)), rank=number)
            for line, sku in enumerate(asked)
        )
        found.append(Order(demands=demands, first_day=day))
    return tuple(found)


def cases(most_orders: int = 4) -> st.SearchStrategy[Case]:
    """Orders on a random bench."""
    return st.builds(Case, shop=shops(), stock=on_hand(), orders=orders(most_orders))


def histories() -> st.SearchStrategy[Case]:
    """The same, with what became of the first days' loads."""
    return st.builds(
        Case, shop=shops(), stock=on_hand(), orders=orders(3),
        fates=st.lists(st.integers(0, 6), min_size=1, max_size=8).map(tuple), days_gone=st.integers(1, 8),
        cut=st.sampled_from(["", "day", "quota", "minutes"]),
    )  # fmt: skip


def asked_at(first_day: date) -> Asked:
    """A promise asked for in the morning of a day."""
    return Asked(on=first_day, at=time(9), cut_off=time(14), carrier_days=2)


def amounts(most: int = 300_000) -> st.SearchStrategy[D]:
    """Amounts of money from 0.00 up, to the cent."""
    return st.integers(0, most).map(lambda cents: D(cents).scaleb(-2))


@st.composite
def ladders(draw: st.DrawFn) -> tuple[Tier, ...]:
    """Tiers whose percentages grow with their thresholds."""
    thresholds = sorted(draw(st.sets(st.integers(100, 2000), max_size=4)))
    percents = sorted(draw(st.lists(st.integers(1, 40), min_size=len(thresholds), max_size=len(thresholds))))
    return tuple(Tier(from_amount=D(t), percent=D(p)) for t, p in zip(thresholds, percents, strict=True))


@st.composite
def terms(draw: st.DrawFn) -> Terms:
    """Terms with any ladder and any of the rival rules."""
    return replace(
        mossgate.terms(),
        tiers=draw(ladders()),
        tier_method=draw(st.sampled_from(["whole_order", "marginal"])),
        freight_judged_on=draw(st.sampled_from(["discounted_goods", "list_goods"])),
        freight_free_from=draw(st.sampled_from([D(0), D(400), D(1000)])),
        tax_on=draw(st.sampled_from(["goods", "goods_and_freight"])),
        tax_percent=draw(st.sampled_from([D(0), D("6.5"), D(20)])),
    )


@st.composite
def around_a_tier(draw: st.DrawFn) -> tuple[D, D, Terms]:
    """Two amounts of goods, near each other and near the step of a ladder where there is one."""
    rules = draw(terms())
    steps = [tier.from_amount for tier in rules.tiers]
    less = draw(st.sampled_from(steps)) - draw(amounts(2_000)) if steps else draw(amounts())
    return less, less + draw(amounts(4_000)), rules


def baskets() -> st.SearchStrategy[tuple[Goods, ...]]:
    """Up to six lines of goods at unit prices with up to four decimals."""
    line = st.builds(
        lambda cases, pack, price: Goods(item="X", cases=cases, case_pack=pack, unit_price=D(price).scaleb(-4)),
        st.integers(1, 30), st.sampled_from([1, 6, 12]), st.integers(1, 300_000),
    )  # fmt: skip
    return st.lists(line, max_size=6).map(tuple)


def offers() -> st.SearchStrategy[tuple[Offer, ...]]:
    """One to four products that could be added by the case."""
    prices = st.lists(st.integers(500, 20_000), min_size=1, max_size=4)
    return prices.map(
        lambda cents: tuple(Offer(item=f"P{i}", name=f"P{i}", case_price=D(c).scaleb(-2)) for i, c in enumerate(cents))
    )
