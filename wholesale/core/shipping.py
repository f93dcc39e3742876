"""Packing by the case: which whole cases are ready, and which lots their pieces come from.

A case is ready when every scent in it is there: made and reserved for the order,
sellable by today, and through every step of its making. Whole cases leave; the
rest waits.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from wholesale.core.values import Refusal


@dataclass(frozen=True, kw_only=True)
class Held:
    """Pieces of one lot that are reserved for one scent of a line and have not left.

    ``key`` names the reservation. ``from_stock`` pieces were finished before the
    order came; the others were made for it.
    """

    key: int
    lot: str
    usable_on: date
    pieces: int
    from_stock: bool


class Taken(NamedTuple):
    """Pieces taken from one reservation."""

    key: int
    pieces: int


@dataclass(frozen=True, kw_only=True)
class ScentShelf:
    """One scent of an order line: its pieces in a case, and what is held for it.

    ``finished`` is how many made pieces have come through the steps after the cure
    step and not left yet; ``None`` where the routing ends with the cure step.
    """

    scent: str
    per_case: int
    held: tuple[Held, ...]
    finished: int | None = None


@dataclass(frozen=True, kw_only=True)
class LineShelf:
    """One order line with the cases that have not left, and what is on the shelf for them."""

    key: int
    name: str
    cases_open: int
    scents: tuple[ScentShelf, ...]


def take(scent: ScentShelf, pieces: int, on: date) -> tuple[Taken, ...]:
    """Up to ``pieces`` of a scent that may leave ``on`` that day, oldest lot first.

    Made pieces are taken only as far as they are finished; picks from stock need
    no more steps. The sum falls short of ``pieces`` when there are fewer.
    """
    taken, left = [], pieces
    unfinished = scent.finished is not None
    finished = scent.finished or 0
    sellable = [held for held in scent.held if held.usable_on <= on]
    for held in sorted(sellable, key=lambda held: (held.usable_on, held.lot, held.key)):
        bound = unfinished and not held.from_stock
        most = min(left, held.pieces, finished) if bound else min(left, held.pieces)
        if most > 0:
            taken.append(Taken(held.key, most))
            left -= most
            finished -= most if bound else 0
    return tuple(taken)


def ready_pieces(scent: ScentShelf, on: date) -> int:
    """Pieces of a scent that may leave ``on`` that day."""
    held = sum(part.pieces for part in scent.held)
    return sum(part.pieces for part in take(scent, held, on))


def ready_cases(line: LineShelf, on: date) -> int:
    """Whole cases of a line that may leave ``on`` that day, at most those still open."""
    full = [ready_pieces(scent, on) // scent.per_case for scent in line.scents]
    return min([line.cases_open, *full]) if full else 0


def missing_pieces(line: LineShelf, on: date) -> dict[str, int]:
    """Pieces of each scent that are not there yet for the line's open cases; scents with none are left out."""
    missing = {s.scent: line.cases_open * s.per_case - ready_pieces(s, on) for s in line.scents}
    return {scent: pieces for scent, pieces in missing.items() if pieces > 0}


def refuse_cases(asked: Mapping[int, int], lines: Sequence[LineShelf], on: date) -> None:
    """A ``Refusal`` when nothing is asked for, or a line is asked for more than is open or ready.

    ``asked`` is cases by the key of the line; a line left out, or with 0, waits.
    """
    by_key = {line.key: line for line in lines}
    if unknown := sorted(set(asked) - set(by_key)):
        message = "A line to pack is not on this order; open the order again and type the cases there."
        raise Refusal("unknown_line", message, "cases", lines=unknown)
    for key, cases in asked.items():
        _refuse_line(by_key[key], cases, on)
    if not any(asked.values()):
        raise Refusal("nothing_packed", "No case is packed; type the cases of at least one line.", "cases")


def _refuse_line(line: LineShelf, cases: int, on: date) -> None:
    """A ``Refusal`` naming the line, and how many cases are open or ready."""
    if cases < 0:
        raise Refusal("cases", f"{line.name}: {cases} cases can't be packed; type 0 or more.", _field(line))
    if cases > line.cases_open:
        message = f"{line.name}: {cases} cases are more than the {line.cases_open} still open; type at most that."
        raise Refusal("more_than_open", message, _field(line), open=line.cases_open)
    ready = ready_cases(line, on)
    if cases > ready:
        message = f"{line.name}: {ready_words(ready)}, not {cases}; pack what is ready and let the rest wait."
        raise Refusal("not_ready", message, _field(line), ready=ready, missing=missing_pieces(line, on))


def ready_words(cases: int) -> str:
    """How many cases are ready, in words."""
    if not cases:
        return "no case is ready"
    return "1 case is ready" if cases == 1 else f"{cases} cases are ready"


def _field(line: LineShelf) -> str:
    return f"cases-{line.key}"
