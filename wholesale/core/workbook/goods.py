"""The catalogue that the sheets describe, and what is wrong with it."""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction
from typing import Any

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Equipment,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Scent,
    Unit,
    refuse_cycles,
    refuse_unworkable,
)
from wholesale.core.values import Refusal
from wholesale.core.workbook.cells import SCENT_OIL
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import (
    EquipmentRow,
    ItemRow,
    MaterialRow,
    OperationRow,
    OutageRow,
    RecipeLineRow,
    ScentRow,
    SubstituteRow,
    WeekRow,
)

#: Thirds can't be written out; a hundred-thousandth of a batch is below every scale of a bench.
_SHARE_SLACK = Fraction(1, 100_000)

_SHEETS = (MaterialRow, SubstituteRow, ItemRow, ScentRow, EquipmentRow, RecipeLineRow, OperationRow)


def check_goods(book: Workbook) -> Catalogue:
    """The catalogue of the sheets; what is wrong with it is added to the book's complaints."""
    _check_items(book)
    _check_substitutes(book)
    _check_scents(book)
    _check_lines(book)
    _check_operations(book)
    _check_outages(book)
    files = {book.called(sheet.FILE) for sheet in _SHEETS}
    if any(complaint.file in files for complaint in book.complaints):
        # Rows without sense would only repeat themselves in what follows.
        return Catalogue(items={})
    catalogue = _catalogue(book)
    _check_recipes(book, catalogue)
    _check_cycles(book, catalogue)
    _check_workable(book, catalogue)
    return catalogue


# ── references ───────────────────────────────────────────────────────────────


def _check_items(book: Workbook) -> None:
    bought = {row.code: row for row in book.rows(MaterialRow)}
    for material in bought.values():
        if material.unit is Unit.PIECE and material.purchase_pack and material.purchase_pack % 1:
            book.complain(material, "purchase_pack", f"{material.code} is counted in pieces. Write a whole number.")
    for row in book.rows(ItemRow):
        if row.code in bought:
            book.complain(
                row,
                "code",
                f"this is a material too (materials.csv, row {bought[row.code].row}). Give it its own code.",
            )
        if row.kind is ItemKind.PRODUCT:
            _check_product(book, row)
        elif row.samples_per_batch:
            book.complain(row, "samples_per_batch", "samples are kept of products only. Leave it empty for a part.")


def _check_product(book: Workbook, row: ItemRow) -> None:
    if row.yield_share != 1:
        message = "this works for parts only. Leave it empty, and give the product's steps a yield in operations.csv."
        book.complain(row, "yield_share", message)
    if row.unit is not Unit.PIECE:
        book.complain(row, "unit", "a product is sold by the case. Write piece.")
    if row.mix_least * row.mix_scents > row.case_pack:
        mix = f"{row.mix_scents} scents of at least {row.mix_least}"
        book.complain(row, "mix_least", f"{mix} don't fit into a case of {row.case_pack}. Lower one of them.")


def _check_substitutes(book: Workbook) -> None:
    units = {row.code: row.unit for row in book.rows(MaterialRow)}
    for row in book.rows(SubstituteRow):
        book.complain_unknown(row, "item", units, MaterialRow)
        book.complain_unknown(row, "substitute", units, MaterialRow)
        if row.item == row.substitute:
            book.complain(row, "substitute", "a material can't stand in for itself. Name another one.")
        elif units.get(row.item) != units.get(row.substitute) and {row.item, row.substitute} <= set(units):
            book.complain(row, "substitute", f"{row.item} is not counted in the same unit. Name one that is.")


def _check_scents(book: Workbook) -> None:
    materials = {row.code for row in book.rows(MaterialRow)}
    for row in book.rows(ScentRow):
        book.complain_unknown(row, "oil", materials, MaterialRow)


def _check_lines(book: Workbook) -> None:
    made = {row.code for row in book.rows(ItemRow)}
    components = made | {row.code for row in book.rows(MaterialRow)} | {SCENT_OIL}
    steps = {(row.item, row.code) for row in book.rows(OperationRow)}
    for row in book.rows(RecipeLineRow):
        book.complain_unknown(row, "item", made, ItemRow)
        book.complain_unknown(row, "component", components, ItemRow, MaterialRow)
        if row.step and (row.item, row.step) not in steps and book.is_whole(OperationRow):
            book.complain(
                row, "step", f"{row.item} has no such step in operations.csv. Name one of its steps or leave it empty."
            )


def _check_operations(book: Workbook) -> None:
    made = {row.code for row in book.rows(ItemRow)}
    equipment = {row.code for row in book.rows(EquipmentRow)}
    hands = {group for row in book.rows(WeekRow) for group in row.hands or ()}
    for row in book.rows(OperationRow):
        book.complain_unknown(row, "item", made, ItemRow)
        book.complain_unknown(row, "equipment", equipment | {""}, EquipmentRow)
        book.complain_unknown(row, "melt", made | {""}, ItemRow)
        # A misspelt group would be a group whose minutes nobody counts.
        book.complain_unknown(row, "hands", hands | {""}, WeekRow)


def _check_outages(book: Workbook) -> None:
    counts = {row.code: row.count for row in book.rows(EquipmentRow)}
    for row in book.rows(OutageRow):
        book.complain_unknown(row, "equipment", counts, EquipmentRow)
        if row.count > counts.get(row.equipment, row.count):
            book.complain(row, "count", f"there are {counts[row.equipment]} of it. Write at most so many.")
        if row.last is not None and row.last < row.first:
            book.complain(row, "last", "this is before the first day. Write a later day, or none.")


# ── the catalogue ────────────────────────────────────────────────────────────


def _catalogue(book: Workbook) -> Catalogue:
    bought = [_material(row) for row in book.rows(MaterialRow)]
    made = [_made(row, _recipe(book, row.code)) for row in book.rows(ItemRow)]
    return Catalogue(
        items={item.code: item for item in [*bought, *made]},
        scents={
            row.code: Scent(code=row.code, name=row.name, oil=row.oil, rank=row.rank) for row in book.rows(ScentRow)
        },
        equipment={row.code: _equipment(row) for row in book.rows(EquipmentRow)},
        substitutes=_substitutes(book),
    )


def _substitutes(book: Workbook) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for row in book.rows(SubstituteRow):
        found[row.item] = (*found.get(row.item, ()), row.substitute)
    return found


def _material(row: MaterialRow) -> Item:
    return Item(**_same(row, _BOUGHT), kind=ItemKind.MATERIAL)


def _made(row: ItemRow, recipe: Recipe) -> Item:
    return Item(**_same(row, _MADE), recipe=recipe)


def _recipe(book: Workbook, item: str) -> Recipe:
    lines = tuple(_line(row) for row in book.rows(RecipeLineRow) if row.item == item)
    return Recipe(lines=lines, operations=tuple(_operation(row) for row in book.rows(OperationRow) if row.item == item))


def _line(row: RecipeLineRow) -> RecipeLine:
    component = None if row.component == SCENT_OIL else row.component
    return RecipeLine(component=component, basis=row.basis, quantity=row.quantity, carrier=row.carrier, step=row.step)


def _operation(row: OperationRow) -> Operation:
    return Operation(**_same(row, _STEP))


def _equipment(row: EquipmentRow) -> Equipment:
    return Equipment(**_same(row, EquipmentRow.columns()))


def _same(row: Row, columns: Iterable[str]) -> dict[str, Any]:
    return {name: getattr(row, name) for name in columns}


#: Columns that mean to the core what they mean in the sheet.
_BOUGHT = [name for name in MaterialRow.columns() if name != "description"]
_MADE = [name for name in ItemRow.columns() if name not in {"description", "retail_price", "net_weight_g"}]
_STEP = [name for name in OperationRow.columns() if name != "item"]


# ── can it be made? ──────────────────────────────────────────────────────────


def _check_recipes(book: Workbook, catalogue: Catalogue) -> None:
    for row in book.rows(ItemRow):
        item = catalogue.items[row.code]
        recipe = catalogue.recipe(row.code)
        if not recipe.lines:
            book.complain(row, "code", "it has no rows in recipe_lines.csv. Say there what it is made of.")
        if item.unit is Unit.PIECE and not recipe.operations:
            book.complain(row, "code", "it has no rows in operations.csv. Say there how it is made.")
    for line in book.rows(RecipeLineRow):
        _check_line(book, catalogue, line)
    for operation in book.rows(OperationRow):
        _check_melt(book, catalogue, operation)
    _check_shares(book, catalogue)


def _check_line(book: Workbook, catalogue: Catalogue, row: RecipeLineRow) -> None:
    shares = {line.component for line in catalogue.recipe(row.item).lines if line.basis is Basis.SHARE}
    is_load = row.basis in {Basis.LOAD_ON_CARRIER, Basis.LOAD_ON_TOTAL}
    if row.component == SCENT_OIL and not catalogue.items[row.item].scented:
        book.complain(
            row, "component", f"{row.item} is not scented. Write TRUE for it in the column scented of items.csv."
        )
    if row.carrier and (row.basis is not Basis.LOAD_ON_CARRIER or row.carrier not in shares):
        message = f"a carrier stands on a {Basis.LOAD_ON_CARRIER} line and names a {Basis.SHARE} line of {row.item}."
        book.complain(row, "carrier", message)
    if is_load and row.quantity >= 1:
        book.complain(row, "quantity", "a load is a share of one. Write 0.08 for 8 %.")


def _check_melt(book: Workbook, catalogue: Catalogue, row: OperationRow) -> None:
    poured = {line.component for line in catalogue.recipe(row.item).lines if line.step in {"", row.code}}
    if row.melt and row.melt not in poured:
        book.complain(row, "melt", f"no row of {row.item} in recipe_lines.csv says how many grams of it a piece takes.")
    elif row.melt and catalogue.items[row.melt].unit is not Unit.GRAM:
        book.complain(row, "melt", "a melt is counted in grams. Write gram in the column unit of items.csv.")


def _check_shares(book: Workbook, catalogue: Catalogue) -> None:
    for row in book.rows(ItemRow):
        shares = [line.quantity for line in catalogue.recipe(row.code).lines if line.basis is Basis.SHARE]
        if row.unit is Unit.GRAM and not shares:
            book.complain(
                row, "code", f"a melt needs a {Basis.SHARE} row in recipe_lines.csv: what its mass is made of."
            )
        elif shares and abs(sum(map(Fraction, shares), Fraction(-1))) > _SHARE_SLACK:
            book.complain(
                row,
                "code",
                f"its {Basis.SHARE} rows in recipe_lines.csv make {sum(shares)}; together they must make 1.",
            )


def _check_cycles(book: Workbook, catalogue: Catalogue) -> None:
    first = {row.item: row for row in reversed(book.rows(RecipeLineRow))}
    while True:
        try:
            return refuse_cycles(catalogue)
        except Refusal as refusal:
            code = refusal.field
            book.complain(first[code], "component", refusal.message)
            # Without this recipe the search finds the next circle, if there is one.
            cut = replace(catalogue.items[code], recipe=None)
            catalogue = replace(catalogue, items={**catalogue.items, code: cut})


def _check_workable(book: Workbook, catalogue: Catalogue) -> None:
    bare = {code: replace(item, recipe=None) for code, item in catalogue.items.items()}
    for row in book.rows(OperationRow):
        # One step at a time, so that every step that can't be done is named.
        recipe = replace(catalogue.recipe(row.item), operations=(_operation(row),))
        alone = {**bare, row.item: replace(bare[row.item], recipe=recipe)}
        try:
            refuse_unworkable(replace(catalogue, items=alone))
        except Refusal as refusal:
            column = "days_max" if refusal.code == "wait_turned_round" else "equipment"
            book.complain(row, column, refusal.message)
