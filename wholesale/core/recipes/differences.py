"""What differs between two versions of a recipe, in the words of the bench."""

from collections.abc import Iterator, Mapping
from dataclasses import fields
from decimal import Decimal
from fractions import Fraction

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
_TEXTS = {"targets", "cautions"}


def differences(catalogue: Catalogue, old: Recipe, new: Recipe) -> tuple[str, ...]:
    """What was added, taken out and changed from one version to another; nothing when they are equal."""
    return (*_lines(catalogue, old, new), *_steps(catalogue, old, new))


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


#: A line's place in its recipe: component, step, and the turn of those that share both.
Place = tuple[str | None, str, int]


def _lines(catalogue: Catalogue, old: Recipe, new: Recipe) -> Iterator[str]:
    before, after = _by_place(old), _by_place(new)
    moved = dict(_moved(before, after))
    for place, line in before.items():
        name, was = line_name(catalogue, line), line_words(catalogue, line)
        now = after.get(moved.get(place, place))
        if now is None:
            yield f"Without {name} ({was})"
        elif was != line_words(catalogue, now):
            yield f"{name[:1].upper()}{name[1:]}: {was} → {line_words(catalogue, now)}"
        if place in moved:
            steps = _step_name(old, place[1]), _step_name(new, moved[place][1])
            yield f"{name[:1].upper()}{name[1:]}, at step: {steps[0]} → {steps[1]}"
    for place, line in after.items():
        if place not in before and place not in moved.values():
            yield f"With {line_name(catalogue, line)} ({line_words(catalogue, line)})"
    if [place for place in before if place in after] != [place for place in after if place in before]:
        yield f"Order of lines: {', '.join(line_name(catalogue, line) for line in after.values())}"


def _by_place(recipe: Recipe) -> dict[Place, RecipeLine]:
    """Lines by component and step; the same component twice in a step is told apart by its turn."""
    found: dict[Place, RecipeLine] = {}
    for line in recipe.lines:
        turn = sum(1 for component, step, _ in found if (component, step) == (line.component, line.step))
        found[line.component, line.step, turn] = line
    return found


def _moved(before: Mapping[Place, RecipeLine], after: Mapping[Place, RecipeLine]) -> Iterator[tuple[Place, Place]]:
    """Places of lines that stand at another step now: their old and their new one."""
    come = [place for place in after if place not in before]
    for place in (place for place in before if place not in after):
        if to := next((other for other in come if other[0] == place[0]), None):
            come.remove(to)
            yield place, to


def _step_name(recipe: Recipe, code: str) -> str:
    return next((step.name for step in recipe.operations if step.code == code), code) or "from the start"


def _steps(catalogue: Catalogue, old: Recipe, new: Recipe) -> Iterator[str]:
    before = {step.code: step for step in old.operations}
    after = {step.code: step for step in new.operations}
    yield from (f"Without the step {step.name}" for code, step in before.items() if code not in after)
    yield from (_added(catalogue, step) for code, step in after.items() if code not in before)
    for code in (code for code in before if code in after):
        yield from _changed(catalogue, before[code], after[code])
    if [code for code in before if code in after] != [code for code in after if code in before]:
        yield f"Order of work: {', '.join(step.name for step in new.operations)}"


def _added(catalogue: Catalogue, step: Operation) -> str:
    """``With the step Whip the top (hands: bench, minutes a load: 10)``."""
    plain_step = Operation(code=step.code, name=step.name)
    figures = [f"{word}: {now}" for word, _, now in _figures(catalogue, plain_step, step)]
    return f"With the step {step.name}" + (f" ({', '.join(figures)})" if figures else "")


def _changed(catalogue: Catalogue, old: Operation, new: Operation) -> Iterator[str]:
    for word, was, now in _figures(catalogue, old, new):
        # Texts are long: what stands there now is what counts.
        words = f"now {now}" if word in _TEXTS else f"{was} → {now}"
        yield f"{old.name}, {word}: {words}"


def _figures(catalogue: Catalogue, old: Operation, new: Operation) -> Iterator[tuple[str, str, str]]:
    """(what it is called, what it was, what it is) of all in which two steps differ."""
    for name in (field.name for field in fields(Operation) if field.name in _STEP_WORDS):
        was, now = getattr(old, name), getattr(new, name)
        if was != now:
            yield _STEP_WORDS[name], _shown(catalogue, name, was), _shown(catalogue, name, now)


def _shown(catalogue: Catalogue, name: str, value: Decimal | int | str | None) -> str:
    if value is None or value == "":
        return "none"
    if isinstance(value, str):
        return f"“{value}”" if name in _TEXTS else _named(catalogue, name, value)
    return percent(Fraction(value) * 100, 4) if name == "yield_share" else plain(value)


def _named(catalogue: Catalogue, name: str, code: str) -> str:
    """What equipment or a melt is called; other words stand for themselves."""
    if name == "equipment" and code in catalogue.equipment:
        return catalogue.equipment[code].name
    return catalogue.items[code].name if name == "melt" and code in catalogue.items else code
