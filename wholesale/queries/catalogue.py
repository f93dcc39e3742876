"""Rows of items, recipes and equipment as values of the core."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TypeVar

from django.db.models import Q

from wholesale.core import catalogue as core
from wholesale.core.pricing import Offer
from wholesale.core.values import from_e4, from_mg, round_money
from wholesale.models import Equipment, Item, Operation, Price, Recipe, RecipeLine, Scent, Substitute

Row = TypeVar("Row", RecipeLine, Operation)


def catalogue(on: date) -> core.Catalogue:
    """All items with the recipe valid on a day, scents and equipment: 7 queries, however many rows."""
    recipes = _recipes(on)
    return core.Catalogue(
        items={row.code: _item(row, recipes.get(row.pk)) for row in Item.objects.all()},
        scents={
            s.code: core.Scent(code=s.code, name=s.name, oil=s.oil.code, rank=s.rank)
            for s in Scent.objects.select_related("oil")
        },
        equipment={row.code: _equipment(row) for row in Equipment.objects.all()},
        substitutes=_substitutes(),
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


def as_begun(
    goods: core.Catalogue, begun: Iterable[Mapping[str, int]]
) -> Callable[[Mapping[str, int]], core.Catalogue]:
    """How to see the catalogue with the recipe versions that a batch began with ({item code: version}).

    No query while all of these are the catalogue's own, 3 for all the others together.
    """
    others = {
        (code, version)
        for versions in begun
        for code, version in versions.items()
        if code in goods.items and ((recipe := goods.items[code].recipe) is None or recipe.version != version)
    }
    kept = _kept(others) if others else {}

    def seen(versions: Mapping[str, int]) -> core.Catalogue:
        old = {
            code: replace(goods.items[code], recipe=kept[code, version])
            for code, version in versions.items()
            if (code, version) in kept
        }
        return replace(goods, items={**goods.items, **old}) if old else goods

    return seen


def _kept(versions: set[tuple[str, int]]) -> dict[tuple[str, int], core.Recipe]:
    """Recipes by item code and version."""
    rows = Recipe.objects.filter(item__code__in={code for code, _ in versions}).select_related("item")
    wanted = [row for row in rows if (row.item.code, row.version) in versions]
    values = _values(wanted)
    return {(row.item.code, row.version): values[row.pk] for row in wanted}


def versions(item: str) -> list[tuple[Recipe, core.Recipe]]:
    """All versions of an item's recipe, newest first: each row with its value: 3 queries."""
    rows = list(Recipe.objects.filter(item__code=item).select_related("written_by").order_by("-version"))
    values = _values(rows)
    return [(row, values[row.pk]) for row in rows]


def since(items: Iterable[str] | None = None) -> dict[tuple[str, int], date]:
    """From when each version of these items' recipes holds (of all, without any named): 1 query."""
    rows = Recipe.objects.all() if items is None else Recipe.objects.filter(item__code__in=set(items))
    return {(code, version): day for code, version, day in rows.values_list("item__code", "version", "valid_from")}


def _recipes(on: date) -> dict[int, core.Recipe]:
    """The recipe in force of each item, by the item's row number."""
    rows = {recipe.item_id: recipe for recipe in Recipe.objects.filter(valid_from__lte=on).order_by("version")}
    values = _values(rows.values())
    return {item: values[recipe.pk] for item, recipe in rows.items()}


def _values(rows: Iterable[Recipe]) -> dict[int, core.Recipe]:
    """Recipes as the core's values, by their row number: 2 queries."""
    versions = {row.pk: row.version for row in rows}
    lines = _grouped(RecipeLine.objects.filter(recipe__in=versions).select_related("component", "carrier"))
    operations = _grouped(Operation.objects.filter(recipe__in=versions).select_related("equipment", "melt"))
    return {
        pk: core.Recipe(
            version=version,
            lines=tuple(_line(row) for row in lines.get(pk, ())),
            operations=tuple(_operation(row) for row in operations.get(pk, ())),
        )
        for pk, version in versions.items()
    }


def _substitutes() -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for item, other in Substitute.objects.values_list("item__code", "substitute__code"):
        found[item] = (*found.get(item, ()), other)
    return found


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
        flash_point_c=row.flash_point_c, heating_limit_c=row.heating_limit_c,
        samples_per_batch=row.samples_per_batch, shortage_risk=row.shortage_risk,
        room_g=None if row.room_mg is None else from_mg(row.room_mg), keeps_leftover=row.keeps_leftover,
        limits_refuse=row.limits_refuse,
        unit_cost=None if row.unit_cost_e4 is None else from_e4(row.unit_cost_e4),
        purchase_pack=_pack(row), supplier=row.supplier, supply_days=row.supply_days,
        binds_plan=row.binds_plan, lead_days=row.lead_days, cautions=row.cautions, recipe=recipe,
    )  # fmt: skip


def _pack(row: Item) -> Decimal | None:
    """Pieces or grams it is bought in."""
    if row.purchase_pack is None:
        return None
    return from_mg(row.purchase_pack) if row.unit == core.Unit.GRAM else Decimal(row.purchase_pack)


def _equipment(row: Equipment) -> core.Equipment:
    return core.Equipment(
        code=row.code, name=row.name, kind=row.kind, count=row.count,
        load_g=None if row.load_mg is None else from_mg(row.load_mg), load_pieces=row.load_pieces,
        loads_per_day=row.loads_per_day, load_basis=row.load_basis,
        hold_minutes=row.hold_minutes, window_minutes=row.window_minutes,
        price=None if row.price_e4 is None else from_e4(row.price_e4),
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
        minutes_per_load=row.minutes_per_load, yield_share=row.yield_share, heat_c=row.heat_c,
        nights_min=row.nights_min, minutes_min=row.minutes_min, days_min=row.days_min,
        days_max=row.days_max, cure_days=row.cure_days, group=row.group, targets=row.targets, cautions=row.cautions,
    )  # fmt: skip
