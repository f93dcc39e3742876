"""Items, scents, equipment and recipes. What a sheet no longer has stays: old papers may name it."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from wholesale import clock
from wholesale.actions.workbook.changes import Changes
from wholesale.core.values import to_e4, to_mg
from wholesale.core.workbook.cells import SCENT_OIL
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import (
    EquipmentRow,
    ItemRow,
    MaterialRow,
    OperationRow,
    RecipeLineRow,
    ScentRow,
)
from wholesale.models import Equipment, Item, Operation, Recipe, RecipeLine, Scent

#: The first recipe we are told of is the one that was always followed.
_ALWAYS = date(2000, 1, 1)
_LINE = ("component_id", "basis", "quantity", "carrier_id", "step")
_OPERATION = (
    "code", "name", "equipment_id", "melt_id", "hands", "minutes_per_piece", "minutes_per_load", "nights_min",
    "days_min", "days_max", "cure_days", "group", "targets", "cautions",
)  # fmt: skip

#: A recipe's lines and operations, field by field.
Content = tuple[list[dict[str, Any]], list[dict[str, Any]]]


def write(changes: Changes, book: Workbook) -> None:
    """Write everything that is bought, made and made with."""
    both: list[ItemRow | MaterialRow] = [*book.rows(ItemRow), *book.rows(MaterialRow)]
    for position, item in enumerate(both):
        values = _item(item) if isinstance(item, ItemRow) else _material(item)
        changes.put(item, Item, {"code": item.code}, {**values, "position": position})
    items = dict(Item.objects.values_list("code", "pk"))
    for scent in book.rows(ScentRow):
        values = {"name": scent.name, "oil_id": items[scent.oil], "rank": scent.rank}
        changes.put(scent, Scent, {"code": scent.code}, values)
    for held in book.rows(EquipmentRow):
        changes.put(held, Equipment, {"code": held.code}, _equipment(held))
    equipment = dict(Equipment.objects.values_list("code", "pk"))
    latest = _latest_recipes()
    for row in book.rows(ItemRow):
        lines = [_line(line, items) for line in book.rows(RecipeLineRow) if line.item == row.code]
        steps = [_operation(step, items, equipment) for step in book.rows(OperationRow) if step.item == row.code]
        before = latest.get(items[row.code])
        if before is None or _as_stored(before) != (lines, steps):
            _write_recipe(changes, row, items[row.code], before, (lines, steps))


def _item(row: ItemRow) -> dict[str, Any]:
    same = (
        "name",
        "description",
        "scented",
        "case_pack",
        "mix_scents",
        "mix_least",
        "loss",
        "yield_share",
        "on_sale",
        "gtin",
    )
    return {
        **{name: getattr(row, name) for name in same},
        "kind": str(row.kind),
        "unit": str(row.unit),
        "retail_price_e4": None if row.retail_price is None else to_e4(row.retail_price),
        "net_weight_mg": None if row.net_weight_g is None else to_mg(row.net_weight_g),
    }


def _material(row: MaterialRow) -> dict[str, Any]:
    same = ("name", "description", "max_load", "flash_point_c", "heating_limit_c")
    return {**{name: getattr(row, name) for name in same}, "kind": "material", "unit": str(row.unit)}


def _equipment(row: EquipmentRow) -> dict[str, Any]:
    same = ("name", "kind", "count", "load_pieces", "loads_per_day", "hold_minutes", "window_minutes")
    load_mg = None if row.load_g is None else to_mg(row.load_g)
    return {**{name: getattr(row, name) for name in same}, "load_mg": load_mg}


def _line(row: RecipeLineRow, items: dict[str, int]) -> dict[str, Any]:
    component = None if row.component == SCENT_OIL else items[row.component]
    return {
        "component_id": component, "basis": str(row.basis), "quantity": row.quantity,
        "carrier_id": items.get(row.carrier), "step": row.step,
    }  # fmt: skip


def _operation(row: OperationRow, items: dict[str, int], equipment: dict[str, int]) -> dict[str, Any]:
    own = {name: getattr(row, name) for name in _OPERATION if not name.endswith("_id")}
    return {**own, "equipment_id": equipment.get(row.equipment), "melt_id": items.get(row.melt)}


def _latest_recipes() -> dict[int, Recipe]:
    rows = Recipe.objects.order_by("version").prefetch_related("lines", "operations")
    return {recipe.item_id: recipe for recipe in rows}


def _as_stored(recipe: Recipe) -> Content:
    return _fields(recipe.lines.all(), _LINE), _fields(recipe.operations.all(), _OPERATION)


def _fields(rows: Iterable[Any], names: tuple[str, ...]) -> list[dict[str, Any]]:
    return [{name: getattr(row, name) for name in names} for row in rows]


def _write_recipe(changes: Changes, row: ItemRow, item: int, latest: Recipe | None, content: Content) -> None:
    """Add a recipe's next version, valid from today; the first one is valid from always."""
    version = latest.version + 1 if latest else 1
    recipe = Recipe.objects.create(item_id=item, version=version, valid_from=clock.today() if latest else _ALWAYS)
    lines, steps = content
    RecipeLine.objects.bulk_create(RecipeLine(recipe=recipe, position=i, **line) for i, line in enumerate(lines))
    Operation.objects.bulk_create(Operation(recipe=recipe, position=i, **step) for i, step in enumerate(steps))
    changes.note(row, "changed" if latest else "added", f"recipe, version {version}")
