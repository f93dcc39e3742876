"""Rows of items, recipes and equipment as values of the core."""

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import TypeVar

from django.db.models import Q

from wholesale.core import catalogue as core
from wholesale.core.pricing import Offer
from wholesale.core.values import from_e4, from_mg, round_money
from wholesale.models import Equipment, Item, Operation, Price, Recipe, RecipeLine, Scent

Row = TypeVar("Row", RecipeLine, Operation)


def catalogue(on: date) -> core.Catalogue:
    """All items with the recipe valid on a day, scents and equipment: 6 queries, however many rows."""
    recipes = _recipes(on)
    return core.Catalogue(
        items={row.code: _item(row, recipes.get(row.pk)) for row in Item.objects.all()},
        scents={
            s.code: core.Scent(code=s.code, name=s.name, oil=s.oil.code, rank=s.rank)
            for s in Scent.objects.select_related("oil")
        },
        equipment={row.code: _equipment(row) for row in Equipment.objects.all()},
    )


def prices(on: date) -> dict[str, Decimal]:
    """Unit price of each product on a day, by item code; a later list wins: 1 query."""
    valid = Price.objects.filter(price_list__valid_from__lte=on).filter(
        Q(price_list__valid_until__isnull=True) | Q(price_list__valid_until__gte=on)
    )
    rows = valid.order_by("price_list__valid_from", "price_list_id").values_list("item__code", "unit_price_e4")
    return {code: from_e4(price) for code, price in rows}


def offers(goods: core.Catalogue, unit_prices: dict[str, Decimal], currency: str) -> tuple[Offer, ...]:
    """The products a shop can add by the case, at today's prices."""
    return tuple(
        Offer(item=item.code, name=item.name, case_price=round_money(unit_prices[item.code] * item.case_pack, currency))
        for item in goods.items.values()
        if item.kind is core.ItemKind.PRODUCT and item.on_sale and item.code in unit_prices
    )


def _recipes(on: date) -> dict[int, core.Recipe]:
    """The recipe in force of each item, by the item's row number."""
    rows = {recipe.item_id: recipe for recipe in Recipe.objects.filter(valid_from__lte=on).order_by("version")}
    chosen = [recipe.pk for recipe in rows.values()]
    lines = _grouped(RecipeLine.objects.filter(recipe__in=chosen).select_related("component", "carrier"))
    operations = _grouped(Operation.objects.filter(recipe__in=chosen).select_related("equipment", "melt"))
    return {
        item: core.Recipe(
            version=recipe.version,
            lines=tuple(_line(row) for row in lines.get(recipe.pk, ())),
            operations=tuple(_operation(row) for row in operations.get(recipe.pk, ())),
        )
        for item, recipe in rows.items()
    }


def _grouped(rows: Iterable[Row]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {}
    for row in rows:
        found.setdefault(row.recipe_id, []).append(row)
    return found


def _item(row: Item, recipe: core.Recipe | None) -> core.Item:
    return core.Item(
        code=row.code, name=row.name, kind=core.ItemKind(row.kind), unit=core.Unit(row.unit), scented=row.scented,
        case_pack=row.case_pack, mix_scents=row.mix_scents, mix_least=row.mix_least, loss=row.loss,
        yield_share=row.yield_share, on_sale=row.on_sale, gtin=row.gtin, max_load=row.max_load,
        flash_point_c=row.flash_point_c, heating_limit_c=row.heating_limit_c, recipe=recipe,
    )  # fmt: skip


def _equipment(row: Equipment) -> core.Equipment:
    return core.Equipment(
        code=row.code, name=row.name, kind=row.kind, count=row.count,
        load_g=None if row.load_mg is None else from_mg(row.load_mg), load_pieces=row.load_pieces,
        loads_per_day=row.loads_per_day, hold_minutes=row.hold_minutes, window_minutes=row.window_minutes,
    )  # fmt: skip


def _line(row: RecipeLine) -> core.RecipeLine:
    return core.RecipeLine(
        component=row.component.code if row.component else None, basis=core.Basis(row.basis), quantity=row.quantity,
        carrier=row.carrier.code if row.carrier else "", step=row.step,
    )  # fmt: skip


def _operation(row: Operation) -> core.Operation:
    return core.Operation(
        code=row.code, name=row.name, equipment=row.equipment.code if row.equipment else "",
        melt=row.melt.code if row.melt else "", hands=row.hands, minutes_per_piece=row.minutes_per_piece,
        minutes_per_load=row.minutes_per_load, nights_min=row.nights_min, days_min=row.days_min,
        days_max=row.days_max, cure_days=row.cure_days, group=row.group, targets=row.targets, cautions=row.cautions,
    )  # fmt: skip
