"""Samples kept of each batch: begun in the load's own room, dropped when the load has nothing else of them.

A sample never makes an order late: orders are placed as if none were to be kept; then each
takes room that is left, or there is none and the batch says so.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from django.db.models import QuerySet

from wholesale import clock
from wholesale.actions import for_stock, plan_rows
from wholesale.core.catalogue import ItemKind, Sku, sku_name
from wholesale.core.production import spare
from wholesale.core.production.batches import Purpose
from wholesale.core.production.plan import Shop
from wholesale.core.production.samples import put_back
from wholesale.core.production.work import Load, Plan
from wholesale.core.values import Refusal
from wholesale.models import BatchEvent, ForStock, Item
from wholesale.queries import production, workshop


def store_without(plan: Plan, keys: dict[str, int] | None = None) -> None:
    """Store a plan made without the samples that are not begun, with those that stay where they were.

    ``keys`` as in ``plan_rows.store``. The caller holds the lock, and calls ``keep`` for the others.
    """
    before = production.current_plan()
    shop = production.planner(workshop.workshop())
    if there := production.samples_to_begin(shop, before):
        plan = put_back(shop, before, plan, there, production.demands(), production.free_stock())
    plan_rows.store(before, plan, keys)


def keep() -> None:
    """Give every planned load the samples it owes, and take out those that lost theirs; the caller holds the lock.

    Nothing where no item keeps samples and none is kept: 2 queries.
    """
    is_kept = Item.objects.filter(samples_per_batch__gt=0).exists()
    if not (is_kept or ForStock.objects.filter(purpose=Purpose.SAMPLE, closed_at=None).exists()):
        return
    there = _without_lonely(_there(production.planner(workshop.workshop())))
    _drop_unplaced(there)
    for load, sku, missing in list(there.owing()):
        there = _begin(there, there.again(load), sku, missing)


@dataclass(frozen=True, kw_only=True)
class _There:
    """The plan, and the pieces of each open sample by its key."""

    shop: Shop
    plan: Plan
    pieces: Mapping[str, int]

    def to_begin(self) -> Iterator[tuple[Load, Sku]]:
        """Loads still to be begun, with each product in them; a part cast for a sample is no sample of the part."""
        for load in self.plan.loads:
            if not (load.done or load.begun or load.ref is None):
                yield from ((load, sku) for sku in sorted({p.sku for p in load.portions}) if self.is_product(sku))

    def owing(self) -> Iterator[tuple[Load, Sku, int]]:
        """Loads that begin a sampled product for somebody else, the product, and the samples that are missing."""
        for load, sku in self.to_begin():
            if (missing := self.most(load, sku) - sum(self.of(load, sku).values())) > 0:
                yield load, sku, missing

    def lonely(self) -> set[str]:
        """Samples whose load has nothing else of them, or more than are to be kept."""
        keys = set()
        for load, sku in self.to_begin():
            mine = self.of(load, sku)
            keys |= set(mine) if sum(mine.values()) > self.most(load, sku) else set()
        return keys

    def again(self, load: Load) -> Load:
        """The load as it is now."""
        return next(one for one in self.plan.loads if one.ref == load.ref)

    def most(self, load: Load, sku: Sku) -> int:
        """As many samples as a load owes: none where it begins no others of the sku."""
        others = self._begun_for(load, sku) - set(self.pieces)
        return self.shop.catalogue.items[sku.item].samples_per_batch if others else 0

    def of(self, load: Load, sku: Sku) -> dict[str, int]:
        """Samples that begin in a load, by key."""
        return {key: self.pieces[key] for key in self._begun_for(load, sku) if key in self.pieces}

    def is_product(self, sku: Sku) -> bool:
        """Is it sold?"""
        return self.shop.catalogue.items[sku.item].kind is ItemKind.PRODUCT

    def _begun_for(self, load: Load, sku: Sku) -> set[str]:
        first = self.shop.catalogue.steps(sku.item)[0].code
        return {p.demand for p in load.portions if p.sku == sku and p.operation == first}


def _there(shop: Shop) -> _There:
    """The plan and its samples as they are now: 3 queries."""
    rows = ForStock.objects.filter(purpose=Purpose.SAMPLE, closed_at=None).values_list("pk", "pieces")
    pieces = {production.stock_key(pk): count for pk, count in rows}
    return _There(shop=shop, plan=production.current_plan(), pieces=pieces)


def _begin(there: _There, load: Load, sku: Sku, missing: int) -> _There:
    """Put samples into a load if they fit, and say how the plan stands then."""
    ref = load.ref or 0
    row = ForStock(
        item=Item.objects.get(code=sku.item), scent=sku.scent, pieces=missing, purpose=Purpose.SAMPLE,
        because="kept of its batch", asked_at=clock.now(),
    )  # fmt: skip
    try:
        spare.refuse_too_many(there.shop, there.plan, load, sku, missing)
        row.save()
        for_stock.fill(there.shop, there.plan, load, for_stock.demand_of(row, sku))
    except Refusal as no_room:
        ForStock.objects.filter(pk=row.pk).delete()
        _flag(ref, f"No sample of {sku_name(there.shop.catalogue, sku)}: {no_room.message}")
        return there
    return _there(there.shop)


def _flag(load: int, text: str) -> None:
    """Say it once in the batch's history."""
    if not BatchEvent.objects.filter(load_id=load, kind="no_sample").exists():
        BatchEvent.objects.create(load_id=load, at=clock.now(), kind="no_sample", text=text)


def _without_lonely(there: _There) -> _There:
    """Call off samples whose load has nothing else of them, or more than are to be kept."""
    lonely = there.lonely()
    if not lonely:
        return there
    for row in _rows(lonely):
        for_stock.close(row, "nothing else is in its batch")
    for_stock.drop(there.shop, lonely)
    return _there(there.shop)


def _drop_unplaced(there: _There) -> None:
    """Forget the samples that no load has room for any more."""
    placed = {p.demand for load in there.plan.loads for p in load.portions if there.is_product(p.sku)}
    unplaced = _rows(key for key in production.samples_to_begin(there.shop, there.plan) if key not in placed)
    for row in unplaced.filter(portions__isnull=False).distinct():
        # Parts for it are made, or others count on them.
        for_stock.close(row, "no batch has room for it")
    unplaced.filter(portions__isnull=True).delete()


def _rows(keys: Iterable[str]) -> QuerySet[ForStock]:
    return ForStock.objects.filter(pk__in=[int(key[1:]) for key in keys])
