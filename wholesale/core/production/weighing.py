"""What to weigh for one load: its melts in the order of work, exact grams beside those of the scale.

A blend that goes into a melt comes before it; in each melt the wax comes before
what it carries. What is left of an earlier melt of the same kind is used up first.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
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
    filling,
    gross_grams,
    mass_lines,
    melt_weights,
    swapped,
)
from wholesale.core.production.scale import Part, Pot, on_scale
from wholesale.core.production.takes import is_stocked
from wholesale.core.production.work import Load
from wholesale.core.values import ceil_div, to_mg

#: What a scale shows where nothing else is said.
HUNDREDTH = Decimal("0.01")


class Task(NamedTuple):
    """A step of a sku in a load, and its pieces."""

    operation: Operation
    pieces: int


class Dose(NamedTuple):
    """One thing to weigh: ``grams`` exactly, ``scale_g`` as the scale can show it.

    ``item`` is what is really taken; ``instead_of`` the code the recipe names when that is another.
    """

    item: Item
    line: RecipeLine
    grams: Decimal
    scale_g: Decimal
    instead_of: str = ""

    @property
    def named(self) -> str:
        """The code that the recipe names."""
        return self.instead_of or self.item.code

    @property
    def is_load(self) -> bool:
        """Is it carried by a wax?"""
        return self.line.basis is not Basis.SHARE


@dataclass(frozen=True, kw_only=True)
class Dosing:
    """How a load is weighed: the scale's division (g), substitutes chosen, grams left of earlier melts."""

    division: Decimal = HUNDREDTH
    swaps: Mapping[str, str] = field(default_factory=dict)
    leftovers: Mapping[Sku, Decimal] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class MeltPlan:
    """One melt: net grams into the pieces, gross with its loss, what of it is already there, what to weigh.

    ``into`` is the melt that a blend goes into; empty for what is poured.
    ``counted`` are the lines by the batch, such as drops of dye, in pieces or grams.
    """

    sku: Sku
    net_g: Decimal
    gross_g: Decimal
    leftover_g: Decimal
    doses: tuple[Dose, ...]
    counted: tuple[tuple[Item, Decimal], ...] = ()
    into: Sku | None = None


def tasks(catalogue: Catalogue, load: Load) -> dict[tuple[Sku, str], Task]:
    """Operation and pieces of each sku and step in a load, in the load's order."""
    found: dict[tuple[Sku, str], Task] = {}
    for portion in load.portions:
        steps = catalogue.recipe(portion.sku.item).operations
        operation = next(step for step in steps if step.code == portion.operation)
        before = found.get((portion.sku, operation.code))
        found[portion.sku, operation.code] = Task(operation, portion.pieces + (before.pieces if before else 0))
    return found


def melted(catalogue: Catalogue, load: Load) -> dict[Sku, list[tuple[Sku, int, Decimal]]]:
    """(sku, pieces, net grams in each) by the melt that goes into them, in the order of first use.

    A part in grams is weighed itself at its first step, a gram a piece.
    """
    filled: dict[Sku, list[tuple[Sku, int, Decimal]]] = {}
    for (sku, _), (operation, pieces) in tasks(catalogue, load).items():
        what, grams = filling(catalogue, sku.item, operation)
        is_itself = what == sku.item
        if what and (not is_itself or operation == catalogue.steps(sku.item)[0]):
            melt = Sku(what, sku.scent if catalogue.items[what].scented else "")
            filled.setdefault(melt, []).append((sku, pieces, grams))
    return filled


def poured_grams(catalogue: Catalogue, load: Load) -> dict[Sku, Decimal]:
    """Net grams of each melt that go into the pieces of a load."""
    return {
        melt: sum((pieces * each for _, pieces, each in fills), Decimal(0))
        for melt, fills in melted(catalogue, load).items()
    }


def melt_plans(catalogue: Catalogue, load: Load, how: Dosing) -> tuple[MeltPlan, ...]:
    """Every melt of a load, blends before what they go into."""
    equipment = catalogue.equipment.get(load.work.equipment)
    pot = Pot(equipment.load_g, equipment.load_basis == "carrier") if equipment and equipment.load_g else None
    found: list[MeltPlan] = []
    for sku, net in poured_grams(catalogue, load).items():
        found += with_blends(catalogue, melt_plan(catalogue, sku, net, how, pot), how)
    return tuple(found)


def with_blends(catalogue: Catalogue, plan: MeltPlan, how: Dosing) -> Iterable[MeltPlan]:
    """A melt after the blends that are mixed for it."""
    for dose in plan.doses:
        if is_blend(dose.item):
            sku = Sku(dose.item.code, plan.sku.scent if dose.item.scented else "")
            blend = replace(melt_plan(catalogue, sku, dose.scale_g, how), into=plan.sku)
            yield from with_blends(catalogue, blend, how)
    yield plan


def is_blend(item: Item) -> bool:
    """Is it mixed for the melt it goes into, and not taken from a lot?"""
    return item.kind is ItemKind.PART and item.unit is Unit.GRAM and item.recipe is not None and not is_stocked(item)


def melt_plan(catalogue: Catalogue, sku: Sku, net_g: Decimal, how: Dosing, pot: Pot | None = None) -> MeltPlan:
    """One melt that must yield ``net_g`` grams; what is left of an earlier one comes off its gross."""
    item = catalogue.items[sku.item]
    gross = gross_grams(net_g, item.loss)
    # A part with steps of its own stands on the shelf: what is there of it is stock, no remainder of a pot.
    left = Decimal(0) if is_stocked(item) else min(gross, how.leftovers.get(sku, Decimal(0)))
    lines = mass_lines(item.recipe) if item.recipe else [_whole(item)]
    exact = _exact(catalogue, sku, (gross - left) * (1 - item.loss), how)
    parts = [
        Part(line, grams, catalogue.items[taken].max_load) for line, (taken, grams) in zip(lines, exact, strict=True)
    ]
    weighed = on_scale(parts, how.division, pot and pot._replace(room_g=pot.room_g - left))
    doses = [
        Dose(catalogue.items[taken], part.line, part.grams, scale_g, _instead(catalogue, part.line, sku, taken))
        for part, scale_g, (taken, _) in zip(parts, weighed, exact, strict=True)
    ]
    return MeltPlan(
        sku=sku, net_g=net_g, gross_g=gross, leftover_g=left, counted=_counted(catalogue, sku, how),
        doses=tuple(sorted(doses, key=lambda dose: dose.is_load)),
    )  # fmt: skip


def _whole(item: Item) -> RecipeLine:
    """A bought material that is melted as it is."""
    return RecipeLine(component=item.code, basis=Basis.SHARE, quantity=Decimal(1))


def _exact(catalogue: Catalogue, sku: Sku, net_g: Decimal, how: Dosing) -> list[tuple[str, Decimal]]:
    """(item really taken, exact grams) of each line of a melt."""
    item = catalogue.items[sku.item]
    if item.recipe is None:
        return [(swapped(catalogue, Sku(item.code), how.swaps).item, gross_grams(net_g, item.loss))]
    return [(part.sku.item, part.grams) for part in melt_weights(catalogue, sku, net_g, how.swaps)]


def _instead(catalogue: Catalogue, line: RecipeLine, sku: Sku, taken: str) -> str:
    """The code the recipe names, where something else is taken."""
    named = catalogue.component(line, sku.scent).item
    return "" if named == taken else named


def _counted(catalogue: Catalogue, sku: Sku, how: Dosing) -> tuple[tuple[Item, Decimal], ...]:
    recipe = catalogue.items[sku.item].recipe
    lines = [line for line in recipe.lines if line.basis is Basis.PER_BATCH] if recipe else []
    taken = [swapped(catalogue, catalogue.component(line, sku.scent), how.swaps) for line in lines]
    return tuple((catalogue.items[part.item], line.quantity) for part, line in zip(taken, lines, strict=True))


def recipes_used(catalogue: Catalogue, load: Load) -> dict[str, int]:
    """{item code: recipe version} of all that a load is made by: its pieces, their melts, the blends in these."""
    codes = [sku.item for sku, _ in tasks(catalogue, load)]
    codes += [plan.sku.item for plan in melt_plans(catalogue, load, Dosing())]
    recipes = {code: catalogue.items[code].recipe for code in codes}
    return {code: recipe.version for code, recipe in recipes.items() if recipe}


def planned_mg(plans: Iterable[MeltPlan]) -> dict[str, int]:
    """Milligrams to weigh of each item that is taken from a lot, as the scale shows them, over all melts."""
    found: dict[str, int] = {}
    for plan in plans:
        for dose in plan.doses:
            if not is_blend(dose.item):
                found[dose.item.code] = found.get(dose.item.code, 0) + to_mg(dose.scale_g)
        for item, quantity in plan.counted:
            if item.unit is Unit.GRAM:
                found[item.code] = found.get(item.code, 0) + to_mg(quantity)
    return found


def counted_pieces(plans: Iterable[MeltPlan]) -> dict[str, int]:
    """Pieces of what is added by the batch, by item, such as drops of dye."""
    found: dict[str, int] = {}
    for item, quantity in (row for plan in plans for row in plan.counted):
        if item.unit is Unit.PIECE:
            found[item.code] = found.get(item.code, 0) + ceil_div(quantity, 1)
    return found


def left_over(melt: Item, planned_mg: int, weighed_mg: int) -> int:
    """Milligrams of a melt left once its pieces are poured: what was weighed beyond the plan, less its loss."""
    return max(0, int(Fraction(weighed_mg - planned_mg) * Fraction(1 - melt.loss)))
