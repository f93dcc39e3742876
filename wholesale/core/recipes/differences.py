"""What differs between two versions of a recipe, in the words of the bench."""

from collections.abc import Iterator
from dataclasses import fields
from decimal import Decimal

from wholesale.core.catalogue import Basis, Catalogue, Operation, Recipe, RecipeLine, Unit
from wholesale.core.values import percent, plain

#: What a figure of a step is called where it differs.
_STEP_WORDS = {
    "name": "name", "equipment": "equipment", "melt": "melt", "hands": "hands",
    "minutes_per_piece": "minutes a piece", "minutes_per_load": "minutes a load", "yield_share": "yield",
    "heat_c": "heats to °C", "nights_min": "nights to wait", "minutes_min": "minutes to wait",
    "days_min": "days to wait", "days_max": "longest wait in days", "cure_days": "days of cure", "group": "group",
    "targets": "targets", "cautions": "cautions",
}  # fmt: skip


def differences(catalogue: Catalogue, old: Recipe, new: Recipe) -> tuple[str, ...]:
    """What was added, taken out and changed from one version to another; nothing when they are equal."""
    return (*_lines(catalogue, old, new), *_steps(old, new))


def line_words(catalogue: Catalogue, line: RecipeLine) -> str:
    """A line's quantity in words: ``150 g a piece``, ``8 % of Soy wax``."""
    unit = "g" if line.component is None or catalogue.items[line.component].unit is Unit.GRAM else "pc"
    if line.basis is Basis.PER_PIECE:
        return f"{plain(line.quantity)} {unit} a piece"
    if line.basis is Basis.PER_BATCH:
        return f"{plain(line.quantity)} {unit} a batch"
    carrier = catalogue.items[line.carrier].name if line.carrier in catalogue.items else "the wax"
    of = {Basis.SHARE: "the wax", Basis.LOAD_ON_CARRIER: carrier, Basis.LOAD_ON_TOTAL: "the whole"}[line.basis]
    return f"{percent(line.quantity * 100, 4)} of {of}"


def line_name(catalogue: Catalogue, line: RecipeLine) -> str:
    """What a line takes: an item's name, or the scent's own oil."""
    return "the scent’s oil" if line.component is None else catalogue.items[line.component].name


def _lines(catalogue: Catalogue, old: Recipe, new: Recipe) -> Iterator[str]:
    before, after = _by_place(old), _by_place(new)
    for key, line in before.items():
        name, was = line_name(catalogue, line), line_words(catalogue, line)
        if key not in after:
            yield f"Without {name} ({was})"
        elif after[key] != line:
            yield f"{name[:1].upper()}{name[1:]}: {was} → {line_words(catalogue, after[key])}"
    for key, line in after.items():
        if key not in before:
            yield f"With {line_name(catalogue, line)} ({line_words(catalogue, line)})"


def _by_place(recipe: Recipe) -> dict[tuple[str | None, str, int], RecipeLine]:
    """Lines by component and step; the same component twice in a step is told apart by its turn."""
    found: dict[tuple[str | None, str, int], RecipeLine] = {}
    for line in recipe.lines:
        turn = sum(1 for component, step, _ in found if (component, step) == (line.component, line.step))
        found[line.component, line.step, turn] = line
    return found


def _steps(old: Recipe, new: Recipe) -> Iterator[str]:
    before = {step.code: step for step in old.operations}
    after = {step.code: step for step in new.operations}
    yield from (f"Without the step {step.name}" for code, step in before.items() if code not in after)
    yield from (f"With the step {step.name}" for code, step in after.items() if code not in before)
    for code in (code for code in before if code in after):
        yield from _changed(before[code], after[code])
    if [code for code in before if code in after] != [code for code in after if code in before]:
        yield f"Order of work: {', '.join(step.name for step in new.operations)}"


def _changed(old: Operation, new: Operation) -> Iterator[str]:
    for name in (field.name for field in fields(Operation) if field.name in _STEP_WORDS):
        was, now = getattr(old, name), getattr(new, name)
        if was != now:
            words = "changed" if name in {"targets", "cautions"} else f"{_shown(was)} → {_shown(now)}"
            yield f"{old.name}, {_STEP_WORDS[name]}: {words}"


def _shown(value: Decimal | int | str | None) -> str:
    if value is None or value == "":
        return "none"
    return value if isinstance(value, str) else plain(value)
