"""What binding materials a demand takes in all, through every level, and from when on the books cover it.

A material that ``binds_plan`` stands on the shelf like a part, but nobody makes it:
it is there, it is on order, or nothing that takes it can be planned.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Item, ItemKind, Sku, Unit
from wholesale.core.production.bench import Bench
from wholesale.core.production.course import course
from wholesale.core.production.tasks import Task
from wholesale.core.values import Refusal, ceil_div

#: Quantity by material, in pieces or grams.
Needs = Mapping[Sku, Fraction]
_LAST_DAY = date.max


class Supplied(NamedTuple):
    """A material that is waited for, and the first day on which the books have enough of it."""

    material: Sku
    name: str
    day: date


def needs(bench: Bench, sku: Sku, into: Sequence[int]) -> dict[Sku, Fraction]:
    """Binding materials for so many pieces into each step; of parts only what must be made for it anew."""
    if not bench.has_binding:
        return {}
    materials: dict[Sku, Fraction] = {}
    for part, quantity in _taken(bench, sku, into).items():
        if bench.catalogue.items[part.item].kind is ItemKind.MATERIAL:
            _add(materials, {part: quantity})
        elif (missing := quantity - bench.free_on(part, _LAST_DAY)) > 0:
            _add(materials, needs(bench, part, course(bench.catalogue, part, missing).into))
    return materials


def refuse_never(bench: Bench, needed: Needs) -> None:
    """A ``Refusal`` naming the material when more is needed than is in stock and on order together."""
    for material, quantity in needed.items():
        if (missing := quantity - bench.left_of(material)) > 0:
            raise never_comes(bench.catalogue.items[material.item], missing)


def never_comes(item: Item, missing: Fraction) -> Refusal:
    """What to say when no supply covers a need."""
    amount = f"{ceil_div(missing, 1):,}{' g' if item.unit is Unit.GRAM else ''}"
    message = (
        f"{item.name}: {amount} more are needed than are in stock or on order, so that no date can be promised. "
        "Order fewer, or ask the workshop when more comes."
    )
    return Refusal("no_supply", message, "cases", material=item.code, missing=str(ceil_div(missing, 1)))


def awaited(bench: Bench, needed: Needs, first_day: date) -> Supplied | None:
    """The material that is covered last, if that is after ``first_day``."""
    found = []
    for material, quantity in needed.items():
        day = bench.free_from(material, quantity, first_day)
        if day is not None and day > first_day:
            found.append(Supplied(material, bench.catalogue.items[material.item].name, day))
    return max(found, key=lambda one: (one.day, one.material), default=None)


def _taken(bench: Bench, sku: Sku, into: Sequence[int]) -> dict[Sku, Fraction]:
    found: dict[Sku, Fraction] = {}
    for step, pieces in zip(bench.catalogue.steps(sku.item), into, strict=False):
        for part in bench.tasks.parts(Task(sku, step)) if pieces else ():
            _add(found, {part.sku: part.each * pieces})
    return found


def _add(found: dict[Sku, Fraction], more: Needs) -> None:
    for sku, quantity in more.items():
        found[sku] = found.get(sku, Fraction(0)) + quantity
