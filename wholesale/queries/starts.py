"""How many pieces of a part a load's orders need good, and how many starts that takes, both ways."""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

from django.db.models import Q

from wholesale.core.catalogue import Basis, Catalogue, ItemKind, RecipeLine, Sku
from wholesale.core.production.takes import is_at
from wholesale.core.production.yields import Starts, both_starts, risk_of
from wholesale.core.values import ceil_div, percent
from wholesale.core.workshop import Workshop
from wholesale.models import Load, LoadPortion


def starts_words(goods: Catalogue, row: Load, settings: Workshop) -> tuple[str, ...]:
    """For each part the load makes, what is needed good and what is started for it: 1 query for loads of parts."""
    goods = replace(goods, shortage_risk=settings.shortage_risk)
    made = {(p.item.code, p.scent) for p in row.portions.all() if p.item.kind == ItemKind.PART}
    parts = [Sku(*found) for found in sorted(made)]
    if not parts:
        return ()
    users = list(_users(row))
    return tuple(words for sku in parts if (words := _words(goods, sku, _needed(goods, sku, users))))


def _users(row: Load) -> Iterable[LoadPortion]:
    """What the same orders have in loads: their products take the parts."""
    portions = row.portions.all()
    orders, stock = {p.order_scent_id for p in portions}, {p.for_stock_id for p in portions}
    same = Q(order_scent__in=orders - {None}) | Q(for_stock__in=stock - {None})
    return LoadPortion.objects.filter(same, load__scrapped_at__isnull=True).select_related("item")


def _needed(goods: Catalogue, part: Sku, users: Iterable[LoadPortion]) -> int:
    """Good pieces of a part that these portions take."""
    needed = Fraction(0)
    for portion in users:
        step = next((s for s in goods.steps(portion.item.code) if s.code == portion.operation), None)
        for line in goods.recipe(portion.item.code).lines if step else ():
            if step and _takes(goods, portion, line, part) and is_at(goods, portion.item.code, line, step):
                needed += Fraction(line.quantity) * portion.pieces
    return ceil_div(needed, 1)


def _takes(goods: Catalogue, portion: LoadPortion, line: RecipeLine, part: Sku) -> bool:
    is_piece = line.basis is Basis.PER_PIECE and line.component == part.item
    return is_piece and goods.component(line, portion.scent) == part


def _words(goods: Catalogue, part: Sku, needed: int) -> str:
    item = goods.items[part.item]
    risk = risk_of(goods, item)
    if not needed or item.yield_share == 1:
        return ""
    found = both_starts(needed, item.yield_share, risk)
    text = (
        f"{item.name}: {needed:,} good ones needed, at a yield of {percent(item.yield_share * 100)}: "
        f"{found.expected:,} starts by the expected yield"
    )
    if risk is None:
        return f"{text}, too few with a chance of {_chance(found)}. No shortage risk is set."
    held = f"{found.for_risk:,} to hold the chance of too few below {percent(risk * 100)}"
    return f"{text} (too few with a chance of {_chance(found)}), {held}."


def _chance(found: Starts) -> str:
    return percent(found.chance_short * 100, 0)
