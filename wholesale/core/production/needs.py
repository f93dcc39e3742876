"""What the planned loads take, day by day, for whom; what that leaves of each item; and what to buy by when.

Where ``explode`` says what all demands ask for in the end, this says what the loads
that stand in the plan take on their day. Quantities are whole pieces or milligrams;
what is weighed comes as the scale shows it, so that a need is the sum of its sheets.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    ItemKind,
    Operation,
    RecipeLine,
    Sku,
    Unit,
    filling,
)
from wholesale.core.production.calendar import ONE_DAY
from wholesale.core.production.periods import Supply, lot_for_lot, net_by_period, packs
from wholesale.core.production.takes import is_at
from wholesale.core.production.tasks import usable_on
from wholesale.core.production.weighing import Dosing, MeltPlan, is_blend, melt_plan, melt_plans, with_blends
from wholesale.core.production.work import Load, Portion
from wholesale.core.production.yields import step_yields
from wholesale.core.stock import OnHand
from wholesale.core.values import ceil_div, from_mg, share, to_mg

#: Weighed in hundredths of a gram, without substitutes or what is left of earlier melts.
AS_WRITTEN = Dosing()
#: How much of something each portion of a load takes, in any one unit.
Weights = Mapping[Portion, Fraction]


class Peg(NamedTuple):
    """What a need is for: pieces of a sku that are made for a demand."""

    demand: str
    sku: Sku
    quantity: int


@dataclass(frozen=True, kw_only=True)
class Take:
    """What one load takes of one sku; the pegs sum to the quantity.

    ``load`` is the row the load is stored in; ``into`` the melt it is weighed for,
    or the item it is laid ready for.
    """

    load: int | None
    day: date
    sku: Sku
    into: Sku
    quantity: int
    pegs: tuple[Peg, ...]


def takes(catalogue: Catalogue, load: Load, how: Dosing = AS_WRITTEN) -> tuple[Take, ...]:
    """Everything a load takes: materials by weight, what is added by the batch, parts and materials by the piece."""
    found = (*_melted(catalogue, load, how), *_by_the_piece(catalogue, load, how))
    return tuple(
        Take(load=load.ref, day=load.day, sku=sku, into=into, quantity=quantity, pegs=_pegs(quantity, weights))
        for sku, into, quantity, weights in found
        if quantity
    )


_Found = tuple[Sku, Sku, int, Weights]


def _melted(catalogue: Catalogue, load: Load, how: Dosing) -> Iterator[_Found]:
    """What is weighed for the melts of a load; a blend is for the portions of the melt it goes into."""
    filled = _filled(catalogue, load)
    weights: Weights = {}
    # Blends come before the melt they are for: from the back, each melt is met before its blends.
    for plan in reversed(melt_plans(catalogue, load, how)):
        weights = filled[plan.sku] if plan.into is None else weights
        yield from _weighed(plan, weights)


def _filled(catalogue: Catalogue, load: Load) -> dict[Sku, dict[Portion, Fraction]]:
    """Net grams of each melt that each portion takes; a part in grams is weighed itself, at its first step."""
    found: dict[Sku, dict[Portion, Fraction]] = defaultdict(dict)
    for portion in load.portions:
        item, operation = portion.sku.item, step_of(catalogue, portion)
        what, grams = filling(catalogue, item, operation)
        if what and (what != item or operation == catalogue.steps(item)[0]):
            melt = Sku(what, portion.sku.scent if catalogue.items[what].scented else "")
            _add(found[melt], portion, Fraction(grams) * portion.pieces)
    return found


def _weighed(plan: MeltPlan, weights: Weights) -> Iterator[_Found]:
    """What of one melt comes from lots: what is left of an earlier one, what the scale shows, what is added."""
    yield plan.sku, plan.sku, to_mg(plan.leftover_g), weights
    for dose in plan.doses:
        if not is_blend(dose.item):
            taken = Sku(dose.item.code, plan.sku.scent if dose.item.scented else "")
            yield taken, plan.sku, to_mg(dose.scale_g), weights
    for item, quantity in plan.counted:
        yield Sku(item.code), plan.sku, units(item, Fraction(quantity)), weights


def _by_the_piece(catalogue: Catalogue, load: Load, how: Dosing) -> Iterator[_Found]:
    """Parts and materials that the pieces of a load take at its steps, and what is added once a load."""
    tasks: dict[tuple[Sku, str], dict[Portion, Fraction]] = defaultdict(dict)
    for portion in load.portions:
        _add(tasks[portion.sku, portion.operation], portion, Fraction(portion.pieces))
    for (sku, _), weights in tasks.items():
        for line in lines_at(catalogue, sku.item, step_of(catalogue, next(iter(weights)))):
            times = sum(weights.values()) if line.basis is Basis.PER_PIECE else Fraction(1)
            component = catalogue.component(line, sku.scent)
            quantity = units(catalogue.items[component.item], Fraction(line.quantity) * times)
            yield from _laid_ready(catalogue, (component, sku, quantity, weights), how)


def _laid_ready(catalogue: Catalogue, found: _Found, how: Dosing) -> Iterator[_Found]:
    """A part or material as it is; what is mixed on the spot, as the materials weighed for it."""
    component, _, quantity, weights = found
    if not is_blend(catalogue.items[component.item]):
        yield found
        return
    for plan in with_blends(catalogue, melt_plan(catalogue, component, from_mg(quantity), how), how):
        yield from _weighed(plan, weights)


def lines_at(catalogue: Catalogue, item: str, operation: Operation) -> list[RecipeLine]:
    """The lines a step uses by the piece or once a load; what is weighed for a melt is left out."""
    if catalogue.items[item].unit is Unit.GRAM:
        return []
    return [
        line
        for line in catalogue.recipe(item).lines
        if line.basis in {Basis.PER_PIECE, Basis.PER_BATCH}
        and (line.component is None or line.component != operation.melt)
        and is_at(catalogue, item, line, operation)
    ]


def step_of(catalogue: Catalogue, portion: Portion) -> Operation:
    """The step a portion is at."""
    return next(step for step in catalogue.recipe(portion.sku.item).operations if step.code == portion.operation)


def units(item: Item, quantity: Fraction) -> int:
    """Pieces, rounded up, or grams as milligrams."""
    return ceil_div(quantity * in_one(item), 1)


def _add(weights: dict[Portion, Fraction], portion: Portion, quantity: Fraction) -> None:
    weights[portion] = weights.get(portion, Fraction(0)) + quantity


def _pegs(quantity: int, weights: Weights) -> tuple[Peg, ...]:
    """The quantity dealt over the portions, and put together by whom and what they are for."""
    found: dict[tuple[str, Sku], int] = {}
    for portion, part in zip(weights, share(quantity, list(weights.values())), strict=True):
        found[portion.demand, portion.sku] = found.get((portion.demand, portion.sku), 0) + part
    return tuple(Peg(*who, part) for who, part in found.items())


# ── what that leaves ─────────────────────────────────────────────────────────────


class DayStock(NamedTuple):
    """One day of one sku: what loads take, what is there and what comes, what is left (below 0: short).

    ``lost`` went past its last day unused the evening before, and can't be taken any more.
    """

    day: date
    needed: int
    comes: int
    left: int
    lost: int = 0


@dataclass(frozen=True, kw_only=True)
class Purchase:
    """An order to a supplier: needed on ``due``, to be placed by ``order_by`` at the latest.

    ``quantity`` is whole packs where a pack is known (``packs`` of them).
    """

    sku: Sku
    due: date
    missing: int
    quantity: int
    packs: int | None
    order_by: date
    late: bool


@dataclass(frozen=True, kw_only=True)
class Outlook:
    """What is taken of one sku, its stock by day without any new order, and what to buy where it is bought."""

    sku: Sku
    takes: tuple[Take, ...]
    days: tuple[DayStock, ...]
    purchases: tuple[Purchase, ...]

    @property
    def needed(self) -> int:
        """What all loads take."""
        return sum(take.quantity for take in self.takes)

    @property
    def short(self) -> DayStock | None:
        """The first day on which more is taken than there is."""
        return next((day for day in self.days if day.left < 0), None)


def outlooks(catalogue: Catalogue, taken: Iterable[Take], stock: Iterable[OnHand], today: date) -> tuple[Outlook, ...]:
    """Each sku that is taken, in the catalogue's order; what is past its day is needed today.

    ``stock`` is what is free and what is expected (pieces or milligrams), by the day it
    may be used from, oldest first as the bench takes it; it serves these takes alone.
    What is past its last day serves none.
    """
    by_sku: dict[Sku, list[Take]] = defaultdict(list)
    for take in taken:
        by_sku[take.sku].append(take)
    lots: dict[Sku, list[OnHand]] = defaultdict(list)
    for row in stock:
        lots[row.sku].append(row)
    order = {code: place for place, code in enumerate(catalogue.items)}
    in_order = sorted(by_sku, key=lambda sku: (order[sku.item], sku.scent))
    return tuple(_outlook(catalogue, sku, by_sku[sku], lots[sku], today) for sku in in_order)


def expected(catalogue: Catalogue, load: Load, today: date) -> tuple[OnHand, ...]:
    """Good parts that may be expected of a load that is not done, in pieces or milligrams.

    One that is past its day is made today at the earliest, and its wait counts from then.
    """
    found = []
    for portion in load.portions:
        item, step = catalogue.items[portion.sku.item], step_of(catalogue, portion)
        if item.kind is ItemKind.PART and step == catalogue.steps(item.code)[-1]:
            good = Fraction(step_yields(item)[-1]) * portion.pieces
            day = usable_on(step, max(load.day, today))
            found.append(OnHand(sku=portion.sku, usable_on=day, quantity=good * in_one(item)))
    return tuple(found)


def in_one(item: Item) -> int:
    """The ledger's units in one piece, or in one gram."""
    return 1000 if item.unit is Unit.GRAM else 1


def _outlook(catalogue: Catalogue, sku: Sku, taken: Sequence[Take], lots: Sequence[OnHand], today: date) -> Outlook:
    days = _days(taken, today)
    by_day: dict[date, int] = defaultdict(int)
    for take in taken:
        by_day[max(take.day, today)] += take.quantity
    needed = [by_day[day] for day in days]
    left, rows = 0, []
    for day, needs, arrives, lost in zip(
        days, needed, _whole_by_day(lots, days), _lost(lots, days, needed), strict=True
    ):
        left += arrives - lost - needs
        rows.append(DayStock(day, needs, arrives, left, lost))
    return Outlook(
        sku=sku, takes=tuple(taken), days=tuple(rows),
        purchases=_purchases(catalogue.items[sku.item], sku, rows) if _is_bought(catalogue, sku) else (),
    )  # fmt: skip


def _days(taken: Iterable[Take], today: date) -> list[date]:
    last = max(today, *(take.day for take in taken))
    return [today + step * ONE_DAY for step in range((last - today).days + 1)]


def _whole_by_day(lots: Iterable[OnHand], days: Sequence[date]) -> list[int]:
    """What comes by day in whole units: expected pieces are counted once they are whole."""
    comes: dict[date, Fraction] = defaultdict(Fraction)
    for lot in lots:
        comes[lot.usable_on] += lot.quantity
    so_far = [int(sum(quantity for when, quantity in comes.items() if when <= day)) for day in days]
    return [now - before for before, now in zip([0, *so_far], so_far, strict=False)]


def _lost(lots: Iterable[OnHand], days: Sequence[date], needed: Sequence[int]) -> list[int]:
    """What goes past its last day unused, on the day after it, when the oldest is taken first.

    What is missing one day is bought for that day: it takes nothing of a lot that comes later.
    """
    left = [(lot, lot.quantity) for lot in lots]
    found = []
    for day, needs in zip(days, needed, strict=True):
        found.append(ceil_div(sum((there for lot, there in left if lot.is_past(day)), Fraction(0)), 1))
        left = _less([(lot, there) for lot, there in left if not lot.is_past(day)], day, needs)
    return found


def _less(left: Sequence[tuple[OnHand, Fraction]], day: date, needs: int) -> list[tuple[OnHand, Fraction]]:
    """What is left of lots that have something, when so much is taken of those that may be used on a day."""
    missing, rest = Fraction(needs), []
    for lot, there in left:
        taken = min(there, missing) if missing and lot.usable_on <= day else 0
        if taken:
            missing -= taken
        if there > taken:
            rest.append((lot, there - taken if taken else there))
    return rest


def _is_bought(catalogue: Catalogue, sku: Sku) -> bool:
    return catalogue.items[sku.item].recipe is None


def _purchases(item: Item, sku: Sku, days: Sequence[DayStock]) -> tuple[Purchase, ...]:
    """What to order, netted by day: a pack is ordered when it is missing, so many days before."""
    pack = units(item, Fraction(item.purchase_pack)) if item.purchase_pack else None
    supply = Supply(
        scheduled={i: day.comes - day.lost for i, day in enumerate(days)},
        lead=item.supply_days,
        lot=packs(pack) if pack else lot_for_lot,
    )
    table = net_by_period([day.needed for day in days], supply)
    return tuple(
        Purchase(
            sku=sku, due=days[order.due].day, missing=order.missing, quantity=order.lot,
            packs=order.lot // pack if pack else None,
            order_by=days[0].day + order.release * ONE_DAY, late=order.release < 0,
        )
        for order in table.orders
    )  # fmt: skip
