"""Portions of one work on one day back into whole loads; loads that stay as they were keep their rows."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal

from wholesale.core.catalogue import NO_LIMIT, Catalogue, Unit, filling, net_room
from wholesale.core.production.score import operation
from wholesale.core.production.work import Load, Portion, Work

Place = tuple[Work, date]


def packed(catalogue: Catalogue, wanted: Mapping[Place, Sequence[Portion]], loads: Sequence[Load]) -> list[Load]:
    """Loads for the wanted portions; ``loads`` are those they come out of.

    Where a day's portions are what they were, its loads stay. Others take over the rows of
    loads of the same work: those of the same day first, then those that moved.
    """
    before: dict[Place, list[Load]] = defaultdict(list)
    for load in loads:
        before[load.work, load.day].append(load)
    kept = {place for place in wanted if _together(wanted[place]) == _together(_portions(before.get(place, ())))}
    rows = _Rows(load for place, found in before.items() if place not in kept for load in found)
    fresh = [Load(work=work, day=day, portions=portions)
             for (work, day) in sorted(set(wanted) - kept)
             for portions in _filled(catalogue, wanted[work, day])]  # fmt: skip
    return [load for place in kept for load in before[place]] + rows.taken_over(fresh)


def _portions(loads: Iterable[Load]) -> list[Portion]:
    return [portion for load in loads for portion in load.portions]


def _together(portions: Iterable[Portion]) -> dict[Portion, int]:
    """Pieces by whom and what they are for, however they are spread over loads."""
    found: dict[Portion, int] = defaultdict(int)
    for portion in portions:
        found[portion._replace(pieces=0)] += portion.pieces
    return dict(found)


class _Rows:
    """The rows of loads that are rearranged, to be taken over by what takes their place."""

    def __init__(self, loads: Iterable[Load]) -> None:
        self.left: dict[Work, list[Load]] = defaultdict(list)
        for load in sorted(loads, key=lambda load: load.day):
            if load.ref is not None:
                self.left[load.work].append(load)

    def taken_over(self, fresh: Sequence[Load]) -> list[Load]:
        """The loads with the rows there are: of the same day, else of another."""
        same = [self._take(load, load.day) for load in fresh]
        return [load if load.ref is not None else self._take(load) for load in same]

    def _take(self, load: Load, day: date | None = None) -> Load:
        there = self.left[load.work]
        found = next((old for old in there if day in {None, old.day}), None)
        if found is None:
            return load
        there.remove(found)
        return replace(load, ref=found.ref)


def _filled(catalogue: Catalogue, portions: Sequence[Portion]) -> list[tuple[Portion, ...]]:
    """The portions in as few loads as one way of filling or the other takes, large pieces first or small ones."""
    ways = [list(_fill(catalogue, _sorted(catalogue, portions, sign))) for sign in (-1, 1)]
    return min(ways, key=len)


def _sorted(catalogue: Catalogue, portions: Iterable[Portion], sign: int) -> list[Portion]:
    return sorted(portions, key=lambda p: (sign * _grams(catalogue, p), p.sku, p.operation, p.demand))


def _grams(catalogue: Catalogue, portion: Portion) -> Decimal:
    step = operation(catalogue, portion)
    return filling(catalogue, portion.sku.item, step)[1] if step else Decimal(0)


def _fill(catalogue: Catalogue, portions: Iterable[Portion]) -> Iterator[tuple[Portion, ...]]:
    """One load filled after the other, portions split where one is full."""
    load: list[Portion] = []
    waiting = list(portions)[::-1]
    while waiting:
        portion = waiting.pop()
        fits = min(portion.pieces, _room(catalogue, load, portion))
        if fits:
            load.append(portion._replace(pieces=fits))
        if fits < portion.pieces:
            waiting.append(portion._replace(pieces=portion.pieces - fits))
            yield tuple(load)
            load = []
    if load:
        yield tuple(load)


def _room(catalogue: Catalogue, load: Sequence[Portion], portion: Portion) -> int:
    """Pieces of a portion that still fit into a load."""
    step = operation(catalogue, portion)
    equipment = catalogue.equipment.get(step.equipment) if step else None
    if step is None or equipment is None:
        return NO_LIMIT
    limits = [NO_LIMIT]
    if equipment.load_pieces is not None and catalogue.items[portion.sku.item].unit is Unit.PIECE:
        limits.append(equipment.load_pieces - sum(p.pieces for p in load))
    room, grams = net_room(catalogue, portion.sku.item, step), _grams(catalogue, portion)
    if room is not None and grams:
        limits.append(int((room - sum(_grams(catalogue, p) * p.pieces for p in load)) // grams))
    return max(0, min(limits))
