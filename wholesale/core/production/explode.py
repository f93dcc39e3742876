"""From demands to needs, level by level, each gram and piece pegged to who asks for it, and back.

Quantities are whole pieces, or milligrams for items counted in grams.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cached_property
from itertools import accumulate
from typing import NamedTuple

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    ItemKind,
    RecipeLine,
    Sku,
    Unit,
    gross_grams,
    mass_lines,
    melt_weights,
)
from wholesale.core.production.takes import is_at
from wholesale.core.production.work import Demand, Load
from wholesale.core.production.yields import risk_of, starts, step_yields, yields_from
from wholesale.core.stock import OnHand
from wholesale.core.values import ceil_div, from_mg, to_mg

_NOTHING: Mapping[Sku, int] = {}


class Pegs(NamedTuple):
    """Quantities by demand, in two rows: needs of the same demands share the first one.

    Many thousand demands are dealt much faster so than from one mapping to the next.
    """

    keys: list[str]
    counts: list[int]

    def as_map(self) -> dict[str, int]:
        """Quantity by demand, without those that ask for nothing."""
        return {key: count for key, count in zip(self.keys, self.counts, strict=True) if count}


#: Pegs by what they come through: the sku it goes into, or ``None`` where it is asked for itself.
Sources = dict[Sku | None, Pegs]


@dataclass(frozen=True, kw_only=True)
class Need:
    """What is needed of one sku in all: pieces, or milligrams for items counted in grams.

    ``there`` of the ``quantity`` is on hand or comes from open batches; ``to_make`` is
    what must be started or melted so that the rest comes out good: pieces ÷ yield
    rounded up (or what holds the shortage risk), grams ÷ (1 - loss).
    """

    sku: Sku
    unit: Unit
    level: int
    quantity: int
    to_make: int
    there: int
    asked: Pegs
    sources: Mapping[Sku | None, Pegs]

    @property
    def missing(self) -> int:
        """What is neither on hand nor coming."""
        return self.quantity - self.there

    @cached_property
    def pegs(self) -> Mapping[str, int]:
        """How much of ``quantity`` each demand asks for; they sum to it."""
        return self.asked.as_map()

    @cached_property
    def lacking(self) -> Pegs:
        """What is missing by demand; what is there is given to the first ones."""
        if not self.there:
            return self.asked
        counts = self.asked.counts
        so_far = list(accumulate(counts))
        served = bisect_right(so_far, self.there)
        if served == len(counts):
            return Pegs(self.asked.keys, [0] * served)
        # The first that doesn't get all of it gets what is left.
        return Pegs(self.asked.keys, [0] * served + [so_far[served] - self.there] + counts[served + 1 :])


class Why(NamedTuple):
    """Who asks for some of a sku, and through what: from the product asked for down to the sku."""

    demand: str
    quantity: int
    path: tuple[Sku, ...]


def explode(catalogue: Catalogue, demands: Iterable[Demand], there: Mapping[Sku, int] = _NOTHING) -> tuple[Need, ...]:
    """Needs of all demands, products first, then what they are made of.

    What is ``there`` (see ``on_hand``) comes off level by level, the first demands
    served first: what needs not be made takes nothing. Empty, these are gross needs.
    """
    open_needs = _asked(demands)
    levels = _levels(catalogue)
    found: list[Need] = []
    while open_needs:
        sku = min(open_needs, key=lambda s: (levels[s.item], s))
        need = _need(catalogue, sku, open_needs.pop(sku), levels[sku.item], there.get(sku, 0))
        found.append(need)
        for component, quantity in _components(catalogue, need).items():
            counts = dealt(quantity, need.lacking.counts)
            open_needs.setdefault(component, {})[sku] = Pegs(need.asked.keys, counts)
    return tuple(found)


def _asked(demands: Iterable[Demand]) -> dict[Sku, Sources]:
    found: dict[Sku, dict[str, int]] = {}
    for demand in demands:
        asked = found.setdefault(demand.sku, {})
        asked[demand.key] = asked.get(demand.key, 0) + demand.pieces
    return {sku: {None: Pegs(list(asked), list(asked.values()))} for sku, asked in found.items()}


def net(needs: Sequence[Need], stock: Mapping[Sku, int]) -> dict[Sku, int]:
    """What is still missing of each need once free stock (same units) is used; 0 where stock covers it."""
    return {need.sku: max(0, need.quantity - stock.get(need.sku, 0)) for need in needs}


def on_hand(
    catalogue: Catalogue, stock: Iterable[OnHand], batches: Iterable[Load] = (), by: date | None = None
) -> dict[Sku, int]:
    """What can be counted on by a day, or ever: lots usable on it, and good parts that open batches will give.

    A lot past its last day by then is none; asked for ever, each lot counts.
    """
    found: dict[Sku, Fraction] = {}
    for lot in stock:
        if by is None or (lot.usable_on <= by and not lot.is_past(by)):
            found[lot.sku] = found.get(lot.sku, Fraction(0)) + lot.quantity
    for load in batches:
        for portion in load.portions:
            item, steps = catalogue.items[portion.sku.item], catalogue.steps(portion.sku.item)
            ready = load.day.toordinal() + max(steps[-1].nights_min, steps[-1].days_min)
            in_time = by is None or ready <= by.toordinal()
            if item.kind is ItemKind.PART and portion.operation == steps[-1].code and in_time and not load.done:
                good = portion.pieces * Fraction(step_yields(item)[-1])
                found[portion.sku] = found.get(portion.sku, Fraction(0)) + good
    return {sku: int(quantity * _units(catalogue.items[sku.item])) for sku, quantity in found.items()}


def why(needs: Iterable[Need], sku: Sku) -> tuple[Why, ...]:
    """Each demand behind a need, with its quantity and the way it takes; they sum to the need."""
    by_sku = {need.sku: need for need in needs}
    return tuple(_why(by_sku, sku)) if sku in by_sku else ()


def _why(needs: Mapping[Sku, Need], sku: Sku) -> list[Why]:
    found: list[Why] = []
    for source, pegs in needs[sku].sources.items():
        if source is None:
            found += [Why(key, quantity, (sku,)) for key, quantity in pegs.as_map().items()]
            continue
        ways: dict[str, list[Why]] = {}
        for row in _why(needs, source):
            ways.setdefault(row.demand, []).append(row)
        for key, quantity in pegs.as_map().items():
            parts = dealt(quantity, [row.quantity for row in ways[key]])
            found += [Why(key, part, (*row.path, sku)) for row, part in zip(ways[key], parts, strict=True) if part]
    return found


def dealt(quantity: int, weights: Sequence[int]) -> list[int]:
    """The quantity dealt by weights, largest remainder, ties to the first; nothing where all weigh nothing.

    As ``values.share``, for many thousand weights of which most are alike.
    """
    whole = sum(weights)
    if not whole:
        return [0] * len(weights)
    alike = Counter(weights)
    parts = {weight: divmod(quantity * weight, whole) for weight in alike}
    last, left = _last_served(parts, alike, quantity)
    each = {weight: part + (remainder > last) for weight, (part, remainder) in parts.items()}
    found = [each[weight] for weight in weights]
    # One number object for all that are alike, not one each: memory is what large numbers of pegs wait for.
    more = {weight: part + 1 for weight, (part, remainder) in parts.items() if remainder == last}
    for i, weight in enumerate(weights if left else ()):
        if weight in more:
            found[i] = more[weight]
            left -= 1
            if not left:
                break
    return found


def _last_served(parts: Mapping[int, tuple[int, int]], alike: Mapping[int, int], quantity: int) -> tuple[int, int]:
    """The remainder down to which one more unit is given, and how many units are left for those that have it."""
    having: Counter[int] = Counter()
    left = quantity
    for weight, count in alike.items():
        part, remainder = parts[weight]
        having[remainder] += count
        left -= part * count
    for remainder in sorted(having, reverse=True):
        if left <= having[remainder]:
            return remainder, left
        left -= having[remainder]
    return -1, 0


def _need(catalogue: Catalogue, sku: Sku, sources: Sources, level: int, there: int) -> Need:
    item = catalogue.items[sku.item]
    asked = _merged(list(sources.values()))
    quantity = sum(asked.counts)
    there = min(there, quantity)
    return Need(
        sku=sku, unit=item.unit, level=level, quantity=quantity, asked=asked, there=there, sources=sources,
        to_make=_to_make(catalogue, item, quantity - there),
    )  # fmt: skip


def _merged(sources: Sequence[Pegs]) -> Pegs:
    first = sources[0]
    if len(sources) == 1:
        return first
    if all(pegs.keys is first.keys for pegs in sources):
        alike: dict[int, int] = {}
        sums = (sum(counts) for counts in zip(*(pegs.counts for pegs in sources), strict=True))
        return Pegs(first.keys, [alike.setdefault(count, count) for count in sums])
    found: dict[str, int] = {}
    for pegs in sources:
        for key, count in zip(pegs.keys, pegs.counts, strict=True):
            found[key] = found.get(key, 0) + count
    return Pegs(list(found), list(found.values()))


def _to_make(catalogue: Catalogue, item: Item, missing: int) -> int:
    started = starts(missing, yields_from(item)[0], risk_of(catalogue, item) if item.unit is Unit.PIECE else None)
    return to_mg(gross_grams(from_mg(started), item.loss)) if item.unit is Unit.GRAM else started


def _units(item: Item) -> int:
    return 1000 if item.unit is Unit.GRAM else 1


def _components(catalogue: Catalogue, need: Need) -> dict[Sku, int]:
    """What the need's recipe takes for what is missing, in pieces or milligrams."""
    item = catalogue.items[need.sku.item]
    found: dict[Sku, int] = {}
    if item.recipe is None or not need.missing:
        return found
    weighed = mass_lines(item.recipe) if item.unit is Unit.GRAM else []
    for line in weighed:
        into = _into(catalogue, item, line, need.missing)
        parts = melt_weights(catalogue, need.sku, from_mg(into))
        _add(found, parts[weighed.index(line)].sku, to_mg(parts[weighed.index(line)].grams))
    for line in (line for line in item.recipe.lines if line.basis is Basis.PER_PIECE):
        component = catalogue.component(line, need.sku.scent)
        each = line.quantity * _units(catalogue.items[component.item]) / _units(item)
        _add(found, component, ceil_div(each * _into(catalogue, item, line, need.missing), 1))
    return found


def _add(found: dict[Sku, int], sku: Sku, quantity: int) -> None:
    found[sku] = found.get(sku, 0) + quantity


def _into(catalogue: Catalogue, item: Item, line: RecipeLine, good: int) -> int:
    """Pieces (milligrams) that go into the step that uses a line so that ``good`` come out of the last."""
    risk = risk_of(catalogue, item) if item.unit is Unit.PIECE else None
    shares = yields_from(item)
    steps = catalogue.steps(item.code)
    at = next((i for i, step in enumerate(steps) if is_at(catalogue, item.code, line, step)), 0)
    return starts(good, shares[at], risk)


def _levels(catalogue: Catalogue) -> dict[str, int]:
    """The lowest level at which each item is used: 0 for what nothing is made of it."""
    levels: dict[str, int] = dict.fromkeys(catalogue.items, 0)
    for _ in catalogue.items:
        changed = False
        for item in catalogue.items.values():
            for component in _uses(catalogue, item.code):
                if levels[component] <= levels[item.code]:
                    levels[component] = levels[item.code] + 1
                    changed = True
        if not changed:
            break
    return levels


def _uses(catalogue: Catalogue, code: str) -> list[str]:
    recipe = catalogue.items[code].recipe
    oils = [scent.oil for scent in catalogue.scents.values()]
    lines = recipe.lines if recipe else ()
    return [code for line in lines for code in ([line.component] if line.component else oils)]
