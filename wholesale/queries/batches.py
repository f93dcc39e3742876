"""What a batch is weighed from: lots that can be taken, what is left of earlier melts, its melts by the scale."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Sum

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.production.weighing import Dosing, MeltPlan, is_blend, melt_plans, recipes_used
from wholesale.core.production.work import Load
from wholesale.core.recipes import version_words
from wholesale.core.values import from_mg
from wholesale.core.workshop import Workshop
from wholesale.models import Load as LoadRow
from wholesale.models import Lot, StockMovement
from wholesale.queries import catalogue, production


@dataclass(frozen=True, kw_only=True)
class LotRow:
    """A lot that material may be taken from; ``free`` is pieces or milligrams."""

    code: str
    item: str
    free: int
    usable_on: date
    expires_on: date | None
    supplier_lot: str


class TakenRow(NamedTuple):
    """So much of a lot that a batch took: pieces or milligrams."""

    item: str
    name: str
    unit: str
    lot: str
    quantity: int


def lots_of(codes: Iterable[str], by: date | None = None) -> dict[str, tuple[LotRow, ...]]:
    """Lots that may be taken today, and still on the day ``by``, by item, oldest first: 1 query."""
    lots = production.sound_lots().filter(item__code__in=set(codes), usable_on__lte=clock.today(), free__gt=0)
    if by is not None:
        lots = lots.exclude(expires_on__lt=by)
    found: dict[str, tuple[LotRow, ...]] = {}
    for lot in lots.select_related("item").order_by("usable_on", "pk"):
        row = LotRow(
            code=lot.code, item=lot.item.code, free=lot.free, usable_on=lot.usable_on,
            expires_on=lot.expires_on, supplier_lot=lot.supplier_lot,
        )  # fmt: skip
        found[lot.item.code] = (*found.get(lot.item.code, ()), row)
    return found


def standing_against(item: str) -> tuple[str, ...]:
    """Lots of an item with something left that nothing may be taken from, each with its reason: 1 query."""
    lots = Lot.objects.filter(item__code=item, on_hand__gt=0).exclude(pk__in=production.sound_lots().values("pk"))
    return tuple(f"{lot.code} ({_why_not(lot)})" for lot in lots.order_by("usable_on", "pk"))


def _why_not(lot: Lot) -> str:
    if lot.state == "hold":
        return "on hold"
    return "recalled" if lot.state == "recalled" else "past its day"


def recipe_words(goods: Catalogue, row: LoadRow) -> tuple[str, ...]:
    """The recipe versions that a load is made by, or was begun with, in words: 1 query."""
    used = row.recipes or recipes_used(goods, production.load_value(row))
    since = catalogue.since(used)
    return tuple(
        version_words(goods.items[code].name, version, since[code, version], clock.today())
        for code, version in used.items()
        if (code, version) in since
    )


def leftovers() -> dict[Sku, tuple[LotRow, ...]]:
    """What is left of earlier melts, by what it is, oldest first: 1 query."""
    lots = production.sound_lots().filter(
        item__kind="part", item__unit="gram", usable_on__lte=clock.today(), free__gt=0
    )
    found: dict[Sku, tuple[LotRow, ...]] = {}
    for lot in lots.select_related("item").order_by("usable_on", "pk"):
        sku = Sku(lot.item.code, lot.scent)
        row = LotRow(
            code=lot.code, item=lot.item.code, free=lot.free, usable_on=lot.usable_on,
            expires_on=lot.expires_on, supplier_lot=lot.supplier_lot,
        )  # fmt: skip
        found[sku] = (*found.get(sku, ()), row)
    return found


def dosing(settings: Workshop, swaps: Mapping[str, str], left: Mapping[Sku, tuple[LotRow, ...]]) -> Dosing:
    """How a load is weighed today."""
    grams = {sku: from_mg(sum(lot.free for lot in lots)) for sku, lots in left.items()}
    return Dosing(division=settings.scale_division, swaps=swaps, leftovers=grams)


def plain_dosing(settings: Workshop) -> Dosing:
    """By the workshop's scale alone."""
    return Dosing(division=settings.scale_division)


def melts_now(goods: Catalogue, load: Load, settings: Workshop, swaps: Mapping[str, str]) -> tuple[MeltPlan, ...]:
    """A load's melts by the workshop's scale, what is left of earlier ones used first: 1 query."""
    return melt_plans(goods, load, dosing(settings, swaps, leftovers()))


def to_weigh(plans: Iterable[MeltPlan]) -> tuple[str, ...]:
    """Codes of the items that the melts are weighed from, in the order of work."""
    return tuple(dict.fromkeys(dose.item.code for plan in plans for dose in plan.doses if not is_blend(dose.item)))


def dosings(
    seen: Callable[[Mapping[str, int]], Catalogue], rows: Iterable[LoadRow], settings: Workshop
) -> dict[int, Dosing]:
    """How each load is weighed, or was once it is begun: 2 queries.

    What is left of earlier melts goes to the next load that takes it, by day.
    """
    in_order = sorted(rows, key=lambda row: (row.day, row.pk))
    left, used = dosing(settings, {}, leftovers()).leftovers, leftovers_used([row.pk for row in in_order])
    free = dict(left)
    found = {}
    for row in in_order:
        is_begun = row.number is not None
        how = Dosing(
            division=settings.scale_division, swaps=row.swaps,
            leftovers=used.get(row.pk, {}) if is_begun else dict(free),
        )  # fmt: skip
        if free and not is_begun:
            for plan in melt_plans(seen(row.recipes), production.load_value(row), how):
                free[plan.sku] = free.get(plan.sku, Decimal(0)) - plan.leftover_g
        found[row.pk] = how
    return found


def leftovers_used(loads: Iterable[int]) -> dict[int, dict[Sku, Decimal]]:
    """Grams left of earlier melts that batches used, by load: 1 query."""
    rows = (
        StockMovement.objects.filter(load__in=loads, reason="weighed", corrected_by=None, lot__item__kind="part")
        .order_by()
        .values_list("load", "lot__item__code", "lot__scent")
        .annotate(sum=Sum("quantity"))
    )
    found: dict[int, dict[Sku, Decimal]] = {}
    for load, item, scent, quantity in rows:
        found.setdefault(load, {})[Sku(item, scent)] = from_mg(-quantity)
    return found


def taken_by(load: int) -> tuple[TakenRow, ...]:
    """What a batch took and has not given back, by lot: 1 query."""
    rows = (
        StockMovement.objects.filter(load=load)
        .order_by("lot__item__position", "lot__item__code", "lot")
        .values_list("lot__item__code", "lot__item__name", "lot__item__unit", "lot__code")
        .annotate(sum=Sum("quantity"))
    )
    return tuple(
        TakenRow(item=item, name=name, unit=unit, lot=lot, quantity=-quantity)
        for item, name, unit, lot, quantity in rows
        if quantity < 0
    )
