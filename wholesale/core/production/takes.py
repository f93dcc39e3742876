"""What one piece takes off the shelf at a step: parts, grams of blends that stand there, materials that bind the plan.

What is added once a load, whatever is in it, never binds.
"""

from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    ItemKind,
    Operation,
    RecipeLine,
    Sku,
    Unit,
    mass_lines,
    mass_weights,
)


class Taken(NamedTuple):
    """What is taken off the shelf, and how much one piece takes; ``weighed`` with a melt, not laid ready by the piece.

    A part in pieces or grams, or a material that the plan waits for.
    """

    sku: Sku
    each: Fraction
    weighed: bool = False


def is_stocked(item: Item) -> bool:
    """Is it a part made by steps of its own, and so taken from stock?"""
    return item.kind is ItemKind.PART and item.recipe is not None and bool(item.recipe.operations)


def binds(item: Item) -> bool:
    """Does the plan wait for this material?"""
    return item.kind is ItemKind.MATERIAL and item.binds_plan


def stocked_parts(catalogue: Catalogue, sku: Sku, operation: Operation) -> list[Taken]:
    """Parts and binding materials that one piece (or gram) takes off the shelf at a step, melts looked through."""
    found: dict[tuple[Sku, bool], Fraction] = {}
    for part in (*_by_piece(catalogue, sku, operation), *_by_mass(catalogue, sku, operation)):
        key = (part.sku, part.weighed)
        found[key] = found.get(key, Fraction(0)) + part.each
    return [Taken(part, each, weighed) for (part, weighed), each in found.items()]


def is_at(catalogue: Catalogue, item: str, line: RecipeLine, operation: Operation) -> bool:
    """Is a line used at a step? A melt where it is melted; a line that names no step at the first one."""
    if line.component == operation.melt and line.component:
        return line.step in {"", operation.code}
    steps = catalogue.steps(item)
    if line.step or line.component in {step.melt for step in steps}:
        return line.step == operation.code
    return operation.code == steps[0].code


def _by_piece(catalogue: Catalogue, sku: Sku, operation: Operation) -> Iterator[Taken]:
    for line in catalogue.recipe(sku.item).lines:
        if line.basis is Basis.PER_PIECE and is_at(catalogue, sku.item, line, operation):
            component = catalogue.component(line, sku.scent)
            in_melt = line.component is not None and line.component == operation.melt
            each = Fraction(line.quantity)
            if in_melt and catalogue.items[component.item].kind is ItemKind.MATERIAL:
                each /= 1 - Fraction(catalogue.items[component.item].loss)
            yield from _within(catalogue, component, each, weighed=in_melt)


def _by_mass(catalogue: Catalogue, sku: Sku, operation: Operation) -> Iterator[Taken]:
    """What a part in grams is mixed from, where that stands on the shelf itself."""
    item = catalogue.items[sku.item]
    if item.unit is Unit.GRAM:
        lines = mass_lines(catalogue.recipe(sku.item))
        weights = dict(zip(lines, mass_weights(lines) if lines else [], strict=True))
        for line in (line for line in lines if is_at(catalogue, sku.item, line, operation)):
            gross = weights[line] / (1 - Fraction(item.loss))
            yield from _within(catalogue, catalogue.component(line, sku.scent), gross, weighed=True)


def _within(catalogue: Catalogue, sku: Sku, quantity: Fraction, *, weighed: bool) -> Iterator[Taken]:
    """The thing itself where it is stocked; of a melt without steps what it is mixed from."""
    item = catalogue.items[sku.item]
    if is_stocked(item) or binds(item):
        yield Taken(sku, quantity, weighed)
    elif item.kind is ItemKind.PART and item.unit is Unit.GRAM and item.recipe:
        yield from _mixed(catalogue, sku, quantity, mass_lines(item.recipe))


def _mixed(catalogue: Catalogue, sku: Sku, quantity: Fraction, lines: list[RecipeLine]) -> Iterator[Taken]:
    """What a melt takes off the shelf; most take materials that bind nothing, and no sum is made for those."""
    parts = [catalogue.component(line, sku.scent) for line in lines]
    if not any(_matters(catalogue.items[part.item]) for part in parts):
        return
    gross = quantity / (1 - Fraction(catalogue.items[sku.item].loss))
    for part, weight in zip(parts, mass_weights(lines), strict=True):
        yield from _within(catalogue, part, gross * weight, weighed=True)


def _matters(item: Item) -> bool:
    return item.kind is ItemKind.PART or binds(item)
