"""Gross needs level by level, and whole loads: Mossgate's S2 and S4 (invented; common practice, no source)."""

from collections.abc import Sequence
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import mossgate
from tests.strategies import LAWS, PRODUCTS, SCENTS
from wholesale.core.catalogue import Sku, melt_weights
from wholesale.core.production.batch import whole_loads
from wholesale.core.production.explode import Need, explode, net

GOODS = mossgate.catalogue()


def needs(*asked: tuple[str, int, str]) -> dict[Sku, Need]:
    """Needs by sku of (product, pieces, peg) in rain garden."""
    demands = [mossgate.demand(item, pieces, key=key) for item, pieces, key in asked]
    return {need.sku: need for need in explode(GOODS, demands)}


def test_120_jars_need_632_casts_and_their_melts() -> None:
    """600 / 0.95 = 631.6: 632; bases 120 x 180 / 0.97 = 22,268.041 g; casting wax 632 x 6 / 0.97 = 3,909.278 g."""
    found = needs(("PEB", 120, "A"))

    assert (found[Sku("PEBBLE")].quantity, found[Sku("PEBBLE")].to_make) == (600, 632)
    assert found[Sku("BASE", "RG")].to_make == 22_268_041
    assert found[Sku("CASTING")].to_make == 3_909_278


def test_what_is_melted_is_what_is_weighed() -> None:
    """Wax and oil of the base sum to its gross to the milligram: 22,268.041 / 1.08 = 20,618.556 wax."""
    found = needs(("PEB", 120, "A"))
    wax, oil = melt_weights(GOODS, Sku("BASE", "RG"), D(21600))

    assert (found[Sku("SOY")].quantity, found[Sku("OIL-RG")].quantity) == (int(wax.grams * 1000), int(oil.grams * 1000))
    assert found[Sku("SOY")].quantity + found[Sku("OIL-RG")].quantity == 22_268_041
    assert wax.grams == D("20618.556")


def test_shared_needs_keep_their_pegs() -> None:
    """S2: 12 and 13 cups: 25 rosettes, 28 casts; the 3,750 g of base are pegged 1,800 and 1,950 g."""
    found = needs(("SUC", 12, "B1"), ("SUC", 13, "B2"))

    assert found[Sku("ROSETTE")].pegs == {"B1": 12, "B2": 13}
    assert found[Sku("BASE", "RG")].pegs == {"B1": 1_800_000, "B2": 1_950_000}


def test_free_stock_comes_off_and_never_below_nothing() -> None:
    """600 pebbles less 450 on hand: 150; 30 rosettes on hand for 12: 0."""
    found = tuple(needs(("PEB", 120, "A"), ("SUC", 12, "B")).values())
    missing = net(found, {Sku("PEBBLE"): 450, Sku("ROSETTE"): 30})

    assert (missing[Sku("PEBBLE")], missing[Sku("ROSETTE")]) == (150, 0)


@LAWS
@given(
    st.lists(st.tuples(st.sampled_from(PRODUCTS), st.sampled_from(SCENTS), st.integers(1, 200)), min_size=1, max_size=6)
)
def test_need_pegged_is_need_at_every_level(asked: Sequence[tuple[str, str, int]]) -> None:
    """For any orders: each need is the sum of its pegs, and enough is made for it."""
    demands = [mossgate.demand(item, pieces, scent, key=str(n)) for n, (item, scent, pieces) in enumerate(asked)]

    for need in explode(GOODS, demands):
        assert sum(need.pegs.values()) == need.quantity <= need.to_make
        assert set(need.pegs) <= {demand.key for demand in demands}


@pytest.mark.parametrize(
    ("item", "step", "pieces", "loads"),
    [
        # floor(4,000 x 0.97 / 180) = 21 jars a pot; 120 / 21 = 5.71
        ("PEB", 0, 120, 6),
        # 25 x 150 / 0.97 = 3,865.98 of 4,000 g; 26: 4,020.62 g
        ("SUC", 0, 25, 1),
        ("SUC", 0, 26, 2),
        # 25 / 12 = 2.08 bowls
        ("SUC", 1, 25, 3),
        # 48 jars a pot of seal; 120 / 48 = 2.5
        ("PEB", 1, 120, 3),
        # 632 / 20 = 31.6 turns
        ("PEBBLE", 0, 632, 32),
        ("SUC", 0, 0, 0),
    ],
)
def test_pieces_take_whole_loads(item: str, step: int, pieces: int, loads: int) -> None:
    """A pot is not filled by half a jar."""
    operation = GOODS.recipe(item).operations[step]

    assert whole_loads(GOODS, {Sku(item, "RG"): pieces}, operation) == loads
