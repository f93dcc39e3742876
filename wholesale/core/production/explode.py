"""From demands to gross needs, level by level, each gram and piece pegged to who asks for it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from wholesale.core.catalogue import Basis, Catalogue, Sku, Unit, gross_grams, melt_weights
from wholesale.core.production.work import Demand
from wholesale.core.values import ceil_div, from_mg, share, to_mg

Pegs = dict[str, int]


@dataclass(frozen=True, kw_only=True)
class Need:
    """What is needed of one sku in all: pieces, or milligrams for items counted in grams.

    ``to_make`` is what must be started or melted so that ``quantity`` comes out
    good: pieces ÷ yield rounded up, grams ÷ (1 - loss). ``pegs`` says how much of
    ``quantity`` each demand asks for; they sum to it.
    """

    sku: Sku
    unit: Unit
    level: int
    quantity: int
    to_make: int
    pegs: Mapping[str, int]


def explode(catalogue: Catalogue, demands: Iterable[Demand]) -> tuple[Need, ...]:
    """Gross needs of all demands, products first, then what they are made of."""
    open_needs: dict[Sku, Pegs] = {}
    for demand in demands:
        _add(open_needs, demand.sku, {demand.key: demand.pieces})
    levels = _levels(catalogue)
    found: list[Need] = []
    while open_needs:
        sku = min(open_needs, key=lambda s: (levels[s.item], s))
        need = _need(catalogue, sku, open_needs.pop(sku), levels[sku.item])
        found.append(need)
        for component, quantity in _components(catalogue, need):
            _add(open_needs, component, _dealt(quantity, need.pegs))
    return tuple(found)


def net(needs: Sequence[Need], stock: Mapping[Sku, int]) -> dict[Sku, int]:
    """What is still missing of each need once free stock (same units) is used; 0 where stock covers it."""
    return {need.sku: max(0, need.quantity - stock.get(need.sku, 0)) for need in needs}


def _need(catalogue: Catalogue, sku: Sku, pegs: Pegs, level: int) -> Need:
    item = catalogue.items[sku.item]
    quantity = sum(pegs.values())
    if item.unit is Unit.GRAM:
        to_make = to_mg(gross_grams(from_mg(quantity), item.loss))
    else:
        to_make = ceil_div(quantity, item.yield_share)
    return Need(sku=sku, unit=item.unit, level=level, quantity=quantity, to_make=to_make, pegs=pegs)


def _components(catalogue: Catalogue, need: Need) -> list[tuple[Sku, int]]:
    """What the need's recipe takes for ``to_make``, in pieces or milligrams."""
    item = catalogue.items[need.sku.item]
    if item.recipe is None:
        return []
    if item.unit is Unit.GRAM:
        return [(w.sku, to_mg(w.grams)) for w in melt_weights(catalogue, need.sku, from_mg(need.quantity))]
    found = []
    for line in item.recipe.lines:
        if line.basis is Basis.PER_PIECE:
            component = catalogue.component(line, need.sku.scent)
            each = to_mg(line.quantity) if catalogue.items[component.item].unit is Unit.GRAM else line.quantity
            found.append((component, ceil_div(each * need.to_make, 1)))
    return found


def _dealt(quantity: int, pegs: Mapping[str, int]) -> Pegs:
    return dict(zip(pegs, share(quantity, list(pegs.values())), strict=True))


def _add(needs: dict[Sku, Pegs], sku: Sku, pegs: Pegs) -> None:
    known = needs.setdefault(sku, {})
    for key, quantity in pegs.items():
        known[key] = known.get(key, 0) + quantity


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
