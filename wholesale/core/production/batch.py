"""Whole loads: how many pots, bowls and mould turns some pieces take."""

from collections.abc import Mapping
from decimal import Decimal

from wholesale.core.catalogue import Catalogue, Operation, Sku, load_pieces, load_room, melt_grams
from wholesale.core.values import ceil_div


def whole_loads(catalogue: Catalogue, pieces: Mapping[Sku, int], operation: Operation) -> int:
    """Fewest loads that hold pieces of skus sharing one operation's equipment and melt.

    Where grams fill the equipment, net grams together ÷ (load less its loss),
    and pieces together ÷ pieces a load; whichever asks for more.
    """
    equipment = catalogue.equipment[operation.equipment]
    together = sum(pieces.values())
    counts = [ceil_div(together, equipment.load_pieces)] if equipment.load_pieces else []
    room = load_room(catalogue, equipment, operation.melt) if operation.melt else None
    if room is not None:
        grams = sum((melt_grams(catalogue, sku.item, operation) * n for sku, n in pieces.items()), Decimal(0))
        counts.append(ceil_div(grams, room))
        # A piece is poured from one load: the remainder of a pot below one piece is lost to the count.
        if len(pieces) == 1:
            sku = next(iter(pieces))
            counts.append(ceil_div(together, load_pieces(catalogue, sku.item, operation)))
    return max(counts, default=1 if together else 0)
