"""Spare room of a planned load, and for whom it may be used: later orders, what the shelf lacks, the shelf."""

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.documents.batch import sku_name
from wholesale.core.production import spare
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Demand, Load, Plan
from wholesale.core.stock import OnHand
from wholesale.models import ForStock, OrderLineScent, StockTarget
from wholesale.queries import production, workshop


class OfferRow(NamedTuple):
    """An order whose later pour fits into this load; ``demand`` is what ``actions.for_stock.take_offer`` takes."""

    order: str
    offer: spare.Offer
    name: str = ""


class TargetRow(NamedTuple):
    """A product below its target on the shelf, and how many good pieces of it this load could begin."""

    sku: Sku
    below: int
    pieces: int


class RoomRow(NamedTuple):
    """Good pieces of something that fit into a load alone, and whether it begins there; if not, pieces as they come."""

    sku: Sku
    name: str
    pieces: int
    begins: bool


class FitRow(NamedTuple):
    """Good pieces of a product that can begin in a load, and how many the shelf is below its target."""

    sku: Sku
    name: str
    pieces: int
    below: int


class MakingRow(NamedTuple):
    """Pieces that are being made for the shelf, and why."""

    id: int
    name: str
    pieces: int
    because: str


@dataclass(frozen=True, kw_only=True)
class Spare:
    """Net grams left (``None`` where they don't bind), what fits, and who could use it."""

    grams: Decimal | None
    rows: tuple[RoomRow, ...]
    offers: tuple[OfferRow, ...]
    targets: tuple[TargetRow, ...]
    products: frozenset[Sku]

    @property
    def pieces(self) -> dict[Sku, int]:
        """Good pieces that fit of each sku alone."""
        return {row.sku: row.pieces for row in self.rows}

    @property
    def later(self) -> tuple[RoomRow, ...]:
        """What fits and comes from an earlier step, so that nothing of it can be begun here."""
        return tuple(row for row in self.rows if not row.begins)

    @property
    def fits(self) -> tuple[FitRow, ...]:
        """The products that can begin here, those the shelf lacks first; parts are made when something needs them."""
        below = {row.sku: row.below for row in self.targets}
        wanted = (row for row in self.rows if row.begins and row.sku in self.products)
        rows = (FitRow(row.sku, row.name, row.pieces, below.get(row.sku, 0)) for row in wanted)
        return tuple(sorted(rows, key=lambda row: not row.below))


def of_load(load: int) -> Spare | None:
    """The spare room of a load still to be begun, else ``None``: at most 18 queries, however many orders."""
    shop, plan = production.planner(workshop.workshop()), production.current_plan()
    row = next((one for one in plan.loads if one.ref == load and not one.done and not one.begun), None)
    if row is None:
        return None
    found, rows = room(shop, plan, row)
    begins = {row.sku: row.pieces for row in rows if row.begins}
    stock, demands = production.free_stock(), production.demands()
    return Spare(
        grams=found.grams, rows=rows, offers=_offers(shop, plan, row, demands, stock) if begins else (),
        targets=_targets(begins, demands, stock) if begins else (),
        products=frozenset(sku for sku in begins if shop.catalogue.items[sku.item].kind is ItemKind.PRODUCT),
    )  # fmt: skip


def room(shop: Shop, plan: Plan, load: Load) -> tuple[spare.SpareRoom, tuple[RoomRow, ...]]:
    """What is left in a planned load by the planner's own count, and the good pieces that come of it: no query."""
    found, goods = spare.spare(shop, plan, load), shop.catalogue
    rows = (
        RoomRow(sku, sku_name(goods, sku), spare.most_good(goods, sku, pieces) if begins else pieces, begins)
        for sku, pieces in found.pieces.items()
        for begins in [sku in found.begins]
    )
    return found, tuple(row for row in rows if row.pieces)


def for_shelf() -> tuple[MakingRow, ...]:
    """What is being made for the shelf, samples left out: 1 query."""
    rows = ForStock.objects.filter(closed_at__isnull=True, purpose="stock").select_related("item")
    return tuple(MakingRow(r.pk, ", ".join(filter(None, (r.item.name, r.scent))), r.pieces, r.because) for r in rows)


def _offers(shop: Shop, plan: Plan, load: Load, demands: list[Demand], stock: list[OnHand]) -> tuple[OfferRow, ...]:
    found = [o for o in spare.offers(shop, plan, load, demands, stock) if o.demand.isdecimal()]
    rows = OrderLineScent.objects.filter(pk__in=[int(o.demand) for o in found])
    orders = {str(pk): number for pk, number in rows.values_list("pk", "line__order__number")}
    return tuple(OfferRow(orders[o.demand], o, sku_name(shop.catalogue, o.sku)) for o in found)


def _targets(fits: dict[Sku, int], demands: list[Demand], stock: list[OnHand]) -> tuple[TargetRow, ...]:
    """Products below their target, with what is free and what is being made for the shelf counted."""
    there: dict[Sku, int] = {}
    for lot in stock:
        there[lot.sku] = there.get(lot.sku, 0) + int(lot.quantity)
    for demand in (demand for demand in demands if demand.for_shelf):
        there[demand.sku] = there.get(demand.sku, 0) + demand.pieces
    rows = StockTarget.objects.values_list("item__code", "scent", "pieces")
    wanted = [(Sku(item, scent), pieces) for item, scent, pieces in rows]
    short = ((sku, target - there.get(sku, 0)) for sku, target in wanted if sku in fits)
    return tuple(TargetRow(sku, below, min(below, fits[sku])) for sku, below in short if below > 0)
