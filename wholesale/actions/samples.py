"""Samples kept of each batch: begun in the load's own room, dropped when the load has nothing else of them.

A sample never makes an order late: it takes room that is left, or there is none and
the batch says so.
"""

from collections.abc import Iterator

from wholesale import clock
from wholesale.actions import for_stock
from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Load, Plan
from wholesale.core.values import Refusal
from wholesale.models import BatchEvent, ForStock, Item
from wholesale.queries import production, workshop

SAMPLE = "sample"


def keep() -> None:
    """Give every planned load the samples it owes, and take out those that lost theirs; the caller holds the lock.

    Nothing where no item keeps samples: 1 query.
    """
    if not Item.objects.filter(samples_per_batch__gt=0).exists():
        return
    shop = production.planner(workshop.workshop())
    _drop_lonely(shop)
    for ref, sku in list(_owing(shop, production.current_plan())):
        _keep(shop, ref, sku)


def _keep(shop: Shop, ref: int, sku: Sku) -> None:
    """As many samples in a load as its item asks for, if they fit."""
    plan = production.current_plan()
    load = next((one for one in plan.loads if one.ref == ref), None)
    missing = shop.catalogue.items[sku.item].samples_per_batch - _kept(shop, load, sku) if load else 0
    if load is None or missing <= 0:
        return
    row = ForStock.objects.create(
        item=Item.objects.get(code=sku.item), scent=sku.scent, pieces=missing, purpose=SAMPLE,
        because="kept of its batch", asked_at=clock.now(),
    )  # fmt: skip
    try:
        for_stock.fill(shop, plan, load, for_stock.demand_of(row, sku))
    except Refusal as no_room:
        row.delete()
        _flag(ref, f"No sample of {sku}: {no_room.message}")


def _flag(load: int, text: str) -> None:
    """Say it once in the batch's history."""
    if not BatchEvent.objects.filter(load_id=load, kind="no_sample").exists():
        BatchEvent.objects.create(load_id=load, at=clock.now(), kind="no_sample", text=text)


def _owing(shop: Shop, plan: Plan) -> Iterator[tuple[int, Sku]]:
    """Loads still to be begun that hold a sampled product at its first step for somebody else, and the product."""
    for load in plan.loads:
        if load.done or load.begun or load.ref is None:
            continue
        for sku in _products(shop, load):
            if shop.catalogue.items[sku.item].samples_per_batch and _others(shop, load, sku):
                yield load.ref, sku


def _drop_lonely(shop: Shop) -> None:
    """Call off samples whose load has nothing else of them, or more than are to be kept."""
    plan = production.current_plan()
    lonely: set[str] = set()
    for load in (load for load in plan.loads if not load.done and not load.begun):
        for sku in _products(shop, load):
            keys = _samples(shop, load, sku)
            most = shop.catalogue.items[sku.item].samples_per_batch if _others(shop, load, sku) else 0
            lonely |= {key for key in keys if most <= 0 or sum(keys.values()) > most}
    for row in ForStock.objects.filter(pk__in=[int(key[1:]) for key in lonely]):
        for_stock.close(row, "nothing else is in its batch")
    if lonely:
        for_stock.drop(shop, lonely)


def _products(shop: Shop, load: Load) -> list[Sku]:
    """The products in a load; a part cast for a sample is no sample of the part."""
    return [sku for sku in sorted({p.sku for p in load.portions}) if _is_product(shop, sku)]


def _is_product(shop: Shop, sku: Sku) -> bool:
    return shop.catalogue.items[sku.item].kind is ItemKind.PRODUCT


def _samples(shop: Shop, load: Load, sku: Sku) -> dict[str, int]:
    """Samples that begin in a load, by key."""
    begins = {p.demand for p in load.portions if p.sku == sku and _is_first(shop, sku, p.operation)}
    rows = ForStock.objects.filter(
        pk__in=[int(key[1:]) for key in begins if key.startswith("s")], purpose=SAMPLE, closed_at=None
    )
    return {production.stock_key(pk): pieces for pk, pieces in rows.values_list("pk", "pieces")}


def _is_first(shop: Shop, sku: Sku, operation: str) -> bool:
    return shop.catalogue.steps(sku.item)[0].code == operation


def _kept(shop: Shop, load: Load, sku: Sku) -> int:
    return sum(_samples(shop, load, sku).values())


def _others(shop: Shop, load: Load, sku: Sku) -> bool:
    """Does the load begin pieces of the sku that are no samples?"""
    samples = _samples(shop, load, sku)
    return any(p.sku == sku and _is_first(shop, sku, p.operation) and p.demand not in samples for p in load.portions)
