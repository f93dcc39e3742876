"""Items, scents, equipment and recipes. What a sheet no longer has stays: old papers may name it.

A recipe that differs from the one in force becomes a new version, valid from today; no
version is ever overwritten, since begun and finished batches are made by theirs.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from accounts.models import User
from wholesale import clock
from wholesale.actions.workbook.changes import Changes, alike, plain_text
from wholesale.core import catalogue as core
from wholesale.core.catalogue import Catalogue
from wholesale.core.recipes import ALWAYS, differences, since_words
from wholesale.core.values import to_e4, to_mg
from wholesale.core.workbook.cells import SCENT_OIL
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import (
    EquipmentRow,
    ItemRow,
    MaterialRow,
    OperationRow,
    OutageRow,
    RecipeLineRow,
    ScentRow,
    SubstituteRow,
)
from wholesale.models import Equipment, EquipmentOut, Item, Operation, Recipe, RecipeLine, Scent, Substitute
from wholesale.queries import catalogue, production

_LINE = ("component_id", "basis", "quantity", "carrier_id", "step")
_OPERATION = (
    "code", "name", "equipment_id", "melt_id", "hands", "minutes_per_piece", "minutes_per_load", "yield_share",
    "heat_c", "nights_min", "minutes_min", "days_min", "days_max", "cure_days", "group", "targets", "cautions",
)  # fmt: skip

#: A recipe's lines and operations, field by field.
Content = tuple[list[dict[str, Any]], list[dict[str, Any]]]


def write(changes: Changes, book: Workbook, told: Catalogue, by: User | None) -> None:
    """Write everything that is bought, made and made with; ``told`` is what the book says of it."""
    both: list[ItemRow | MaterialRow] = [*book.rows(ItemRow), *book.rows(MaterialRow)]
    places = _places(both)
    for item in both:
        values = _item(item) if isinstance(item, ItemRow) else _material(item)
        changes.put(item, Item, {"code": item.code}, {**values, "position": places[item.code]})
    items = dict(Item.objects.values_list("code", "pk"))
    for scent in book.rows(ScentRow):
        known = {"name": scent.name, "oil_id": items[scent.oil], "rank": scent.rank}
        changes.put(scent, Scent, {"code": scent.code}, known)
    for held in book.rows(EquipmentRow):
        changes.put(held, Equipment, {"code": held.code}, _equipment(held))
    if book.has(OutageRow):
        _write_outages(changes, book)
    if book.has(SubstituteRow):
        _write_substitutes(changes, book, items)
    _write_recipes(changes, book, told, items, by)


def _places(rows: Sequence[ItemRow | MaterialRow]) -> dict[str, int]:
    """Where each item stands in lists; as stored, where they stand in that order already."""
    codes = [row.code for row in rows]
    stored = dict(Item.objects.filter(code__in=codes).order_by("position", "code").values_list("code", "position"))
    return stored if list(stored) == codes else {code: place for place, code in enumerate(codes)}


def _write_substitutes(changes: Changes, book: Workbook, items: dict[str, int]) -> None:
    pairs = {(items[row.item], items[row.substitute]): row for row in book.rows(SubstituteRow)}
    for (item, other), row in pairs.items():
        changes.put(row, Substitute, {"item_id": item, "substitute_id": other}, {})
    gone = [row.pk for row in Substitute.objects.all() if (row.item_id, row.substitute_id) not in pairs]
    changes.drop(SubstituteRow, Substitute.objects.filter(pk__in=gone).select_related("item", "substitute"))


def _item(row: ItemRow) -> dict[str, Any]:
    same = (
        "name", "description", "scented", "case_pack", "mix_scents", "mix_least", "loss", "yield_share", "on_sale",
        "gtin", "samples_per_batch", "shortage_risk", "keeps_leftover", "limits_refuse", "lead_days",
        "cautions",
    )  # fmt: skip
    return {
        **{name: getattr(row, name) for name in same},
        "kind": str(row.kind),
        "unit": str(row.unit),
        "retail_price_e4": _e4(row.retail_price),
        "net_weight_mg": _mg(row.net_weight_g),
        "room_mg": _mg(row.room_g),
        "unit_cost_e4": _e4(row.unit_cost),
    }


def _material(row: MaterialRow) -> dict[str, Any]:
    same = (
        "name", "description", "max_load", "flash_point_c", "heating_limit_c", "limits_refuse", "supplier",
        "supply_days", "binds_plan", "cautions",
    )  # fmt: skip
    return {
        **{name: getattr(row, name) for name in same},
        "kind": "material",
        "unit": str(row.unit),
        "room_mg": _mg(row.room_g),
        "unit_cost_e4": _e4(row.unit_cost),
        "purchase_pack": _pack(row),
    }


def _pack(row: MaterialRow) -> int | None:
    """What it is bought in, as the ledger counts it."""
    if row.purchase_pack is None:
        return None
    return to_mg(row.purchase_pack) if row.unit == "gram" else int(row.purchase_pack)


def _mg(grams: Decimal | None) -> int | None:
    return None if grams is None else to_mg(grams)


def _e4(price: Decimal | None) -> int | None:
    return None if price is None else to_e4(price)


def _equipment(row: EquipmentRow) -> dict[str, Any]:
    same = ("name", "kind", "count", "load_pieces", "load_basis", "loads_per_day", "hold_minutes", "window_minutes")
    return {**{name: getattr(row, name) for name in same}, "load_mg": _mg(row.load_g), "price_e4": _e4(row.price)}


def _write_outages(changes: Changes, book: Workbook) -> None:
    """What is out of use today or later, as the sheet has it."""
    equipment = dict(Equipment.objects.values_list("code", "pk"))
    current = production.current_outages()
    stored: dict[tuple[int, date, date | None], list[EquipmentOut]] = {}
    for out in current:
        stored.setdefault((out.equipment_id, out.first, out.last), []).append(out)
    kept: set[int] = set()
    for row in book.rows(OutageRow):
        days = (equipment[row.equipment], row.first, row.last)
        kept |= _put_outage(changes, row, days, stored.get(days, []))
    changes.drop(OutageRow, current.exclude(pk__in=kept).select_related("equipment"))


def _put_outage(
    changes: Changes, row: OutageRow, days: tuple[int, date, date | None], stored: list[EquipmentOut]
) -> set[int]:
    """The stored rows that say the same; where they don't, one of them says it from now on."""
    if stored and (sum(out.count for out in stored), stored[0].because) == (row.count, row.because):
        return {out.pk for out in stored}
    if stored:
        EquipmentOut.objects.filter(pk__in=[out.pk for out in stored[1:]]).delete()
        changes.amend(row, stored[0], {"count": row.count, "because": row.because})
        return {stored[0].pk}
    changes.note(row, "added")
    known = dict(zip(("equipment_id", "first", "last"), days, strict=True))
    return {EquipmentOut.objects.create(count=row.count, because=row.because, **known).pk}


# ── recipes ──────────────────────────────────────────────────────────────────


def _write_recipes(changes: Changes, book: Workbook, told: Catalogue, items: dict[str, int], by: User | None) -> None:
    equipment = dict(Equipment.objects.values_list("code", "pk"))
    versions = _versions()
    goods = catalogue.catalogue(clock.today())
    for row in book.rows(ItemRow):
        lines = [_line(line, items) for line in book.rows(RecipeLineRow) if line.item == row.code]
        steps = [_operation(step, items, equipment) for step in book.rows(OperationRow) if step.item == row.code]
        stored = versions.get(items[row.code], [])
        before = next((recipe for recipe in reversed(stored) if recipe.valid_from <= clock.today()), None)
        if before is None or not _is_same(_as_stored(before), (lines, steps)):
            differing = _differing(goods, row.code, told.items[row.code].recipe) if before else ()
            _write_recipe(changes, row, items[row.code], stored, (lines, steps), by, differing)


def _differing(goods: Catalogue, item: str, new: core.Recipe | None) -> tuple[str, ...]:
    """What differs from the recipe in force, in words."""
    old = goods.items[item].recipe or core.Recipe()
    steps = tuple(
        replace(step, targets=plain_text(step.targets), cautions=plain_text(step.cautions)) for step in old.operations
    )
    return differences(goods, replace(old, operations=steps), new or core.Recipe())


def _line(row: RecipeLineRow, items: dict[str, int]) -> dict[str, Any]:
    component = None if row.component == SCENT_OIL else items[row.component]
    return {
        "component_id": component, "basis": str(row.basis), "quantity": row.quantity,
        "carrier_id": items.get(row.carrier), "step": row.step,
    }  # fmt: skip


def _operation(row: OperationRow, items: dict[str, int], equipment: dict[str, int]) -> dict[str, Any]:
    own = {name: getattr(row, name) for name in _OPERATION if not name.endswith("_id")}
    return {**own, "equipment_id": equipment.get(row.equipment), "melt_id": items.get(row.melt)}


def _versions() -> dict[int, list[Recipe]]:
    """All versions of each item's recipe, oldest first."""
    found: dict[int, list[Recipe]] = {}
    for recipe in Recipe.objects.order_by("version").prefetch_related("lines", "operations"):
        found.setdefault(recipe.item_id, []).append(recipe)
    return found


def _as_stored(recipe: Recipe) -> Content:
    return _fields(recipe.lines.all(), _LINE), _fields(recipe.operations.all(), _OPERATION)


def _fields(rows: Iterable[Any], names: tuple[str, ...]) -> list[dict[str, Any]]:
    return [{name: getattr(row, name) for name in names} for row in rows]


def _is_same(one: Content, other: Content) -> bool:
    rows = list(zip([*one[0], *one[1]], [*other[0], *other[1]], strict=False))
    counts = [len(part) for part in one] == [len(part) for part in other]
    return counts and all(alike(left[name], right[name]) for left, right in rows for name in left)


def _write_recipe(
    changes: Changes, row: ItemRow, item: int, stored: Sequence[Recipe], content: Content, by: User | None,
    differing: tuple[str, ...],
) -> None:  # fmt: skip
    """Add a recipe's next version, valid from today; the first one is valid from always."""
    version, valid_from = (stored[-1].version + 1, clock.today()) if stored else (1, ALWAYS)
    because = "Loaded with the workbook" if stored else ""
    recipe = Recipe.objects.create(
        item_id=item, version=version, valid_from=valid_from, written_by=by, because=because
    )  # fmt: skip
    lines, steps = content
    RecipeLine.objects.bulk_create(RecipeLine(recipe=recipe, position=i, **line) for i, line in enumerate(lines))
    Operation.objects.bulk_create(Operation(recipe=recipe, position=i, **step) for i, step in enumerate(steps))
    changes.note(row, "changed" if stored else "added", f"recipe, version {version}", differing)
    for later in stored:
        if later.valid_from > clock.today():
            since = since_words(later.valid_from, clock.today())
            changes.tell(row, f"version {later.version} of its recipe was to hold {since}; it will not.")
