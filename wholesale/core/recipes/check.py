"""What makes a recipe unfit to be followed: each a ``Refusal`` that says what to do about it.

``field`` names the row it is about: ``lines-0-quantity``, ``steps-1-equipment``.
"""

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Unit,
    refuse_cycles,
    refuse_unworkable_steps,
)
from wholesale.core.recipes.limits import limits
from wholesale.core.values import Refusal, percent, plain

#: Thirds can't be written out; a hundred-thousandth of a batch is below every scale of a bench.
_SHARE_SLACK = Fraction(1, 100_000)
#: A larger figure is a slip of the finger.
_MOST_MINUTES, _MOST_DAYS, _MOST_HEAT = 10_000, 3_650, 300
_LOADS = {Basis.LOAD_ON_CARRIER, Basis.LOAD_ON_TOTAL}


def with_recipe(catalogue: Catalogue, code: str, recipe: Recipe) -> Catalogue:
    """The catalogue as it is when an item is made by that recipe."""
    item = replace(catalogue.items[code], recipe=recipe)
    return replace(catalogue, items={**catalogue.items, code: item})


def refuse_recipe(before: Catalogue, code: str, recipe: Recipe) -> None:
    """A ``Refusal`` when an item can't be made by a recipe, or it passes a limit that the maker marked hard.

    ``before`` is the catalogue without it: a hard limit that was passed already stops nothing anew.
    """
    item = before.items[code]
    if item.kind is ItemKind.MATERIAL:
        raise Refusal("no_recipe", f"{item.name} is bought; only what is made here has a recipe.", "")
    _refuse_lines(before, item, recipe)
    _refuse_steps(before, item, recipe)
    _refuse_shares(item, recipe)
    after = with_recipe(before, code, recipe)
    refuse_cycles(after)
    _refuse_unworkable(after, code)
    _refuse_hard_limits(before, after, code)


# ── lines ────────────────────────────────────────────────────────────────────────


def _refuse_lines(catalogue: Catalogue, item: Item, recipe: Recipe) -> None:
    if not recipe.lines:
        raise Refusal("no_lines", f"{item.name} is made of nothing yet; add at least one line.", "")
    steps = {operation.code for operation in recipe.operations}
    shares = {line.component for line in recipe.lines if line.basis is Basis.SHARE}
    for place, line in enumerate(recipe.lines):
        for column, message in [*_line_faults(catalogue, item, line, steps, shares), *_basis_faults(item, line)]:
            raise Refusal("recipe_line", message, f"lines-{place}-{column}")


def _line_faults(
    catalogue: Catalogue, item: Item, line: RecipeLine, steps: set[str], shares: set[str | None]
) -> Iterator[tuple[str, str]]:
    """(column, what is wrong) of one line."""
    if line.component is None and not item.scented:
        yield "component", f"{item.name} has no scent, so it can't take a scent's oil. Choose the oil itself."
    elif line.component is not None and line.component not in catalogue.items:
        yield "component", f"There is no item '{line.component}'. Choose one that is in the catalogue."
    if not line.quantity.is_finite() or line.quantity <= 0:
        yield "quantity", "Give a quantity above 0, or take the line out."
    if line.carrier and (line.basis is not Basis.LOAD_ON_CARRIER or line.carrier not in shares):
        yield "carrier", "Only a load has a carrier, and it is one of the shares of this melt."
    if line.step and line.step not in steps:
        yield "step", "This step is not in the recipe any more. Choose one of its steps."


def _basis_faults(item: Item, line: RecipeLine) -> Iterator[tuple[str, str]]:
    """What a quantity may be of, for what is counted in pieces and for what is melted."""
    if line.basis in _LOADS and line.quantity >= 1:
        yield "quantity", f"A load of {percent(line.quantity * 100)} leaves no room for what carries it."
    if item.unit is Unit.PIECE and line.basis in {Basis.SHARE, *_LOADS}:
        yield "basis", f"{item.name} is counted in pieces: say how much goes into each piece."
    if item.unit is Unit.GRAM and line.basis is Basis.PER_PIECE:
        yield "basis", f"{item.name} is a melt: say what share of it this is, or what load."


def _refuse_shares(item: Item, recipe: Recipe) -> None:
    if item.unit is not Unit.GRAM:
        return
    whole = sum((Fraction(line.quantity) for line in recipe.lines if line.basis is Basis.SHARE), Fraction(0))
    if abs(whole - 1) > _SHARE_SLACK:
        message = f"The shares of {item.name} make {percent(whole * 100, 4)}; together they must make 100 %."
        raise Refusal("shares", message, "", found=str(float(whole)))


# ── steps ────────────────────────────────────────────────────────────────────────


def _refuse_steps(catalogue: Catalogue, item: Item, recipe: Recipe) -> None:
    if item.unit is Unit.PIECE and not recipe.operations:
        raise Refusal("no_steps", f"Nobody would make {item.name}: add at least one step.", "")
    codes = [operation.code for operation in recipe.operations]
    for place, operation in enumerate(recipe.operations):
        faults = [*_step_faults(catalogue, item, operation, recipe, codes[:place]), *_figure_faults(operation)]
        for column, message in faults:
            raise Refusal("recipe_step", message, f"steps-{place}-{column}")


def _step_faults(
    catalogue: Catalogue, item: Item, operation: Operation, recipe: Recipe, earlier: list[str]
) -> Iterator[tuple[str, str]]:
    """(column, what is wrong) of one step."""
    if not operation.code:
        yield "code", "Give the step a short name of its own, such as pour."
    if operation.code in earlier:
        yield "code", f"There is a step like '{operation.name}' already. Give this one another name."
    if operation.equipment and operation.equipment not in catalogue.equipment:
        yield "equipment", f"There is no equipment '{operation.equipment}'. Add it, or choose another."
    if operation.melt and operation.melt not in catalogue.items:
        yield "melt", f"There is no item '{operation.melt}'. Choose one that is in the catalogue."
    elif operation.melt and catalogue.items[operation.melt].unit is not Unit.GRAM:
        yield "melt", f"{catalogue.items[operation.melt].name} is counted in pieces; a melt is counted in grams."
    elif operation.melt and not _poured(recipe, operation):
        name = catalogue.items[operation.melt].name
        yield "melt", f"No line says how many grams of {name} go into each {item.name.lower()} at this step."


def _figure_faults(operation: Operation) -> Iterator[tuple[str, str]]:
    """(column, what is wrong) of the figures of a step."""
    for column in ("minutes_per_piece", "minutes_per_load", "minutes_min"):
        if not 0 <= getattr(operation, column) <= _MOST_MINUTES:
            yield column, f"Give minutes from 0 to {_MOST_MINUTES:,}."
    for column in ("nights_min", "days_min", "days_max", "cure_days"):
        if not 0 <= (getattr(operation, column) or 0) <= _MOST_DAYS:
            yield column, f"Give days from 0 to {_MOST_DAYS:,}."
    if operation.heat_c is not None and not 0 < operation.heat_c <= _MOST_HEAT:
        yield "heat_c", f"{plain(operation.heat_c)} °C is no heat for wax; give degrees Celsius from 1 to {_MOST_HEAT}."
    if not 0 < operation.yield_share <= 1:
        yield "yield_share", "A yield is above 0 and at most 100 %."


def _poured(recipe: Recipe, operation: Operation) -> bool:
    return any(
        line.component == operation.melt and line.basis is Basis.PER_PIECE and line.step in {"", operation.code}
        for line in recipe.lines
    )


def _refuse_unworkable(catalogue: Catalogue, code: str) -> None:
    """A step that no equipment holds, a wait turned round: said about the step's own row."""
    item = catalogue.items[code]
    places = {step.code: place for place, step in enumerate(item.recipe.operations if item.recipe else ())}
    try:
        refuse_unworkable_steps(catalogue, item)
    except Refusal as refusal:
        column = "days_max" if refusal.code == "wait_turned_round" else "equipment"
        if refusal.field in places:
            refusal.field = f"steps-{places[refusal.field]}-{column}"
        raise


# ── hard limits ──────────────────────────────────────────────────────────────────


def _refuse_hard_limits(before: Catalogue, after: Catalogue, code: str) -> None:
    """What the item goes into is looked at too: a new oil in a melt is heated by the product that pours it."""
    known = {note for user in _users(after, code) for note in limits(before, user) if note.refuse}
    for user in _users(after, code):
        for note in limits(after, user):
            if note.refuse and note not in known:
                where = "" if user == code else f" (in {after.items[user].name})"
                raise Refusal("limit", f"{note.text}{where} This limit is marked hard.", "", limit=note.code)


def _users(catalogue: Catalogue, code: str) -> list[str]:
    """The item and everything that it goes into, through all levels."""
    found = [code]
    for used in found:
        found += [
            item.code
            for item in catalogue.items.values()
            if item.code not in found and item.recipe and any(line.component == used for line in item.recipe.lines)
        ]
    return found
