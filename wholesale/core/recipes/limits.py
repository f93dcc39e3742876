"""Limits from the materials' own data: fragrance, heat, the vessel's room. Warnings with their numbers.

Where the material or the item is marked ``limits_refuse``, the note refuses. A flash
point is a figure for fire class and transport and is never a limit here.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple, Protocol

from wholesale.core.catalogue import (
    NO_SWAPS,
    Basis,
    Catalogue,
    Item,
    Operation,
    RecipeLine,
    Sku,
    Unit,
    load_room,
    mass_lines,
    mass_weights,
    melt_grams,
    swapped,
)
from wholesale.core.values import percent, plain


@dataclass(frozen=True, kw_only=True)
class LimitNote:
    """A limit that a recipe passes: ``code`` fragrance, heat, fill, top or load; ``text`` with the numbers.

    ``refuse`` says that the maker marked it hard. ``item`` and ``step`` say where the hand meets it.
    """

    code: str
    text: str
    refuse: bool = False
    item: str = ""
    step: str = ""


class _Made(Protocol):
    """Pieces that go through a step: a load's portion."""

    @property
    def sku(self) -> Sku: ...
    @property
    def operation(self) -> str: ...


class _Load(Protocol):
    """What goes through a step together: ``core.production.work.Load``."""

    @property
    def portions(self) -> Iterable[_Made]: ...


class _Case(NamedTuple):
    """What is looked at: one item in one scent, with the substitutes chosen."""

    catalogue: Catalogue
    item: Item
    scent: str
    swaps: Mapping[str, str]

    def taken(self, line: RecipeLine) -> Sku:
        """What is really taken for a line."""
        return swapped(self.catalogue, self.catalogue.component(line, self.scent), self.swaps)

    def note(self, code: str, text: str, step: str, limited: Item | None = None) -> LimitNote:
        """A note about this item; the limit belongs to ``limited``."""
        hard = self.item.limits_refuse or bool(limited and limited.limits_refuse)
        return LimitNote(code=code, text=text, refuse=hard, item=self.item.code, step=step)


def limits(
    catalogue: Catalogue, item: str, swaps: Mapping[str, str] = NO_SWAPS, scent: str | None = None
) -> tuple[LimitNote, ...]:
    """The limits an item's recipe passes, in one scent or in any; each told once.

    ``swaps`` maps materials to the substitutes chosen for them, whose own limits then hold.
    """
    found = catalogue.items[item]
    if found.recipe is None:
        return ()
    scents = [scent] if scent is not None else (list(catalogue.scents) if found.scented else [""])
    cases = [_Case(catalogue, found, code, swaps) for code in scents]
    return tuple(dict.fromkeys(note for case in cases for note in _notes(case)))


def notes_for_load(catalogue: Catalogue, load: _Load, swaps: Mapping[str, str] = NO_SWAPS) -> tuple[LimitNote, ...]:
    """The limits that the steps of one load pass, for its batch sheet."""
    found: dict[LimitNote, None] = {}
    for portion in load.portions:
        notes = limits(catalogue, portion.sku.item, swaps, portion.sku.scent)
        found |= dict.fromkeys(note for note in notes if note.step in {"", portion.operation})
    return tuple(found)


def _notes(case: _Case) -> Iterator[LimitNote]:
    if case.item.unit is Unit.GRAM:
        yield from _fragrance(case, case.item, "")
    steps = case.catalogue.recipe(case.item.code).operations
    for step in steps:
        if step.melt:
            yield from _fragrance(case, case.catalogue.items[step.melt], step.code)
        yield from _heat(case, step)
        yield from _short_load(case, step)
    yield from _room(case, steps)


# ── fragrance ────────────────────────────────────────────────────────────────────


def _fragrance(case: _Case, melt: Item, step: str) -> Iterator[LimitNote]:
    """Loads above the most that a carrier takes; blends inside the melt are looked at too."""
    lines = mass_lines(melt.recipe) if melt.recipe else []
    for line in lines:
        taken = case.catalogue.items[case.taken(line).item]
        if line.basis is Basis.SHARE and taken.max_load is not None:
            load = _load_on(line, lines)
            if load > Fraction(taken.max_load):
                yield case.note("fragrance", _too_much(melt, taken, load, taken.max_load), step, taken)
        if taken.recipe and taken.unit is Unit.GRAM:
            yield from _fragrance(case, taken, step)


def _load_on(carrier: RecipeLine, lines: list[RecipeLine]) -> Fraction:
    """All loads on a carrier as a share of it: those of it, of all carriers, and of the total."""
    parts = list(zip(lines, mass_weights(lines), strict=True))
    carriers = sum((part for line, part in parts if line.basis is Basis.SHARE), Fraction(0))
    on_total = sum((part for line, part in parts if line.basis is Basis.LOAD_ON_TOTAL), Fraction(0))
    own = [line for line in lines if line.basis is Basis.LOAD_ON_CARRIER and line.carrier in {"", carrier.component}]
    return sum((Fraction(line.quantity) for line in own), Fraction(0)) + on_total / carriers


def _too_much(melt: Item, wax: Item, load: Fraction, most: Decimal) -> str:
    return (
        f"{melt.name}: {percent(load * 100, 2)} of {wax.name} is fragrance and other loads; its supplier allows "
        f"{percent(most * 100, 2)} ({plain(load * 100, 2)} g instead of {plain(most * 100, 2)} g in 100 g of wax). "
        "What the wax can't hold seeps out and feeds the flame."
    )


# ── heat ─────────────────────────────────────────────────────────────────────────


def _heat(case: _Case, step: Operation) -> Iterator[LimitNote]:
    """A working temperature above the supplier's heating limit of anything in the step's melt."""
    if step.heat_c is None:
        return
    for code in dict.fromkeys(_heated(case, step)):
        material = case.catalogue.items[code]
        if material.heating_limit_c is not None and step.heat_c > material.heating_limit_c:
            text = (
                f"{step.name} heats to {plain(step.heat_c)} °C; the supplier of {material.name} says "
                f"{plain(material.heating_limit_c)} °C at most."
            )
            yield case.note("heat", text, step.code, material)


def _heated(case: _Case, step: Operation) -> Iterator[str]:
    """The materials that a step heats: those of its melt, or what it takes by the gram."""
    if step.melt:
        yield from _materials(case, swapped(case.catalogue, Sku(step.melt), case.swaps).item)
        return
    for line in case.catalogue.recipe(case.item.code).lines:
        taken = case.taken(line).item
        if line.step == step.code and case.catalogue.items[taken].unit is Unit.GRAM:
            yield from _materials(case, taken)


def _materials(case: _Case, code: str) -> Iterator[str]:
    recipe = case.catalogue.items[code].recipe
    if recipe is None:
        yield code
        return
    for line in recipe.lines:
        yield from _materials(case, case.taken(line).item)


# ── room ─────────────────────────────────────────────────────────────────────────


def _room(case: _Case, steps: Iterable[Operation]) -> Iterator[LimitNote]:
    """A melt that is more than the vessel has room for once the melts before it are in."""
    vessel = _vessel(case)
    if vessel is None or vessel.room_g is None:
        return
    inside: list[str] = []
    left = vessel.room_g
    for step in steps:
        grams = melt_grams(case.catalogue, case.item.code, step) if step.melt else Decimal(0)
        if not grams:
            continue
        melt = case.catalogue.items[step.melt].name
        if grams > left:
            yield case.note("top" if inside else "fill", _no_room(vessel, melt, grams, left, inside), step.code, vessel)
        inside.append(f"{plain(grams)} g of {melt}")
        left = max(left - grams, Decimal(0))


def _vessel(case: _Case) -> Item | None:
    """What has a room: the item itself, or else the vessel among its components."""
    if case.item.room_g is not None:
        return case.item
    lines = [line for line in case.catalogue.recipe(case.item.code).lines if line.basis is Basis.PER_PIECE]
    taken = (case.catalogue.items[case.taken(line).item] for line in lines)
    return next((item for item in taken if item.room_g is not None), None)


def _no_room(vessel: Item, melt: str, grams: Decimal, left: Decimal, inside: list[str]) -> str:
    room = f"{vessel.name} has room for {plain(vessel.room_g or 0)} g"
    before = f"; after {' and '.join(inside)} {plain(left)} g are left" if inside else ""
    return f"{room}{before}, and {plain(grams)} g of {melt} are to go in: {plain(grams - left)} g too much."


# ── loads ────────────────────────────────────────────────────────────────────────


def _short_load(case: _Case, step: Operation) -> Iterator[LimitNote]:
    """A load whose grams don't make the pieces it is meant for."""
    equipment = case.catalogue.equipment.get(step.equipment)
    if equipment is None or equipment.load_pieces is None or not step.melt:
        return
    room, grams = load_room(case.catalogue, equipment, step.melt), melt_grams(case.catalogue, case.item.code, step)
    if room is None or not grams or room >= grams * equipment.load_pieces:
        return
    text = (
        f"A full load of {equipment.name} makes {plain(room, 2)} g, at {plain(grams)} g a piece {int(room // grams)} "
        f"full pieces and not quite the {equipment.load_pieces} it is meant for."
    )
    yield LimitNote(code="load", text=text, item=case.item.code, step=step.code)
