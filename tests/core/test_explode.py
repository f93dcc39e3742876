"""Gross needs level by level, and whole loads: Mossgate's S2 and S4 (invented; common practice, no source)."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from tests import levels, mossgate
from tests.strategies import LAWS, PRODUCTS, SCENTS
from wholesale.core.catalogue import Sku, melt_weights
from wholesale.core.production.explode import Need, Why, dealt, explode, net, on_hand, why
from wholesale.core.production.work import Load, Portion, Work
from wholesale.core.stock import OnHand
from wholesale.core.values import share

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


def test_what_is_there_comes_off_level_by_level() -> None:
    """120 jars, 450 pebbles on hand: 150 / 0.95 = 157.9: 158 casts of 6 g, / 0.97 = 977.320 g of wax."""
    found = {need.sku: need for need in explode(GOODS, [mossgate.demand("PEB", 120)], {Sku("PEBBLE"): 450})}

    assert (found[Sku("PEBBLE")].quantity, found[Sku("PEBBLE")].there, found[Sku("PEBBLE")].missing) == (600, 450, 150)
    assert (found[Sku("PEBBLE")].to_make, found[Sku("CASTING")].to_make) == (158, 977_320)


def test_the_first_demands_are_served_from_what_is_there() -> None:
    """12 cups and 13 cups, 15 rosettes on hand: the first lacks none, the second 10 of its 13."""
    demands = [mossgate.demand("SUC", 12, key="A"), mossgate.demand("SUC", 13, key="B")]
    found = {need.sku: need for need in explode(GOODS, demands, {Sku("ROSETTE"): 15})}

    assert found[Sku("ROSETTE")].pegs == {"A": 12, "B": 13}
    assert found[Sku("ROSETTE")].lacking.as_map() == {"B": 10}
    assert set(found[Sku("CASTING")].pegs) == {"B"}


def test_stock_counts_by_its_date_and_open_batches_by_theirs() -> None:
    """10 rosettes on hand now, 20 from Fri 6; 24 cast on Wed 4 at 0.92 give 22 by Thu 5."""
    mon, thu, fri = (date(2026, 3, day) for day in (2, 5, 6))
    lots = [OnHand(sku=Sku("ROSETTE"), usable_on=day, quantity=Fraction(n)) for day, n in ((mon, 10), (fri, 20))]
    batch = Load(
        work=Work("TRAY-R", Sku("ROSETTE"), "cast"), day=date(2026, 3, 4), begun=True,
        portions=(Portion("A", Sku("ROSETTE"), "cast", 24),),
    )  # fmt: skip

    assert [on_hand(GOODS, lots, [batch], by)[Sku("ROSETTE")] for by in (mon, thu, fri, None)] == [10, 32, 52, 52]
    # The ten may be used up to Thu 5.
    lots[0] = replace(lots[0], expires_on=thu)
    assert [on_hand(GOODS, lots, [batch], by)[Sku("ROSETTE")] for by in (thu, fri)] == [32, 42]


def test_a_need_is_traced_back_to_who_asks_for_it_and_through_what() -> None:
    """Whip wax: 12 x 40 / 0.97 = 494.845 g through cups and moss, 24 x 30 / 0.97 = 742.268 g through tins and fern."""
    demands = [mossgate.demand("SUC", 12, key="A"), mossgate.demand("FRN", 24, key="B")]
    found = explode(GOODS, demands)
    rows = why(found, Sku("WHIPWAX"))

    assert set(rows) == {
        Why("A", 494_845, (Sku("SUC", "RG"), Sku("MOSS"), Sku("WHIPWAX"))),
        Why("B", 742_268, (Sku("FRN", "RG"), Sku("FERN"), Sku("WHIPWAX"))),
    }
    assert why(found, Sku("OIL-CF")) == ()


def test_four_levels_down_each_path_has_its_own_row() -> None:
    """Soy wax of 12 cups goes through the base, and through the hard blend in the whip and in the rosettes."""
    found = explode(levels.catalogue(), [mossgate.demand("SUC", 12)])
    rows = why(found, Sku("SOY"))

    assert [" > ".join(sku.item for sku in row.path) for row in rows] == [
        "SUC > BASE > SOY", "SUC > WHIP > HARD > SOY", "SUC > ROSETTE > CASTING > HARD > SOY"
    ]  # fmt: skip
    assert sum(row.quantity for row in rows) == next(n.quantity for n in found if n.sku == Sku("SOY"))


@LAWS
@given(st.integers(0, 10**7), st.lists(st.integers(0, 400), min_size=1, max_size=40))
def test_quantities_are_dealt_over_pegs_as_by_largest_remainder(quantity: int, weights: Sequence[int]) -> None:
    """The quick way gives what ``values.share`` gives."""
    assert dealt(quantity, weights) == (list(share(quantity, weights)) if any(weights) else [0] * len(weights))


@LAWS
@given(
    st.lists(st.tuples(st.sampled_from(PRODUCTS), st.sampled_from(SCENTS), st.integers(1, 90)), min_size=1, max_size=5),
    st.integers(0, 400),
)
def test_every_trace_sums_to_its_need_with_and_without_stock(asked: Sequence[tuple[str, str, int]], there: int) -> None:
    """At four levels, for any orders: the rows of each sku sum to its pegs, and enough is made for what lacks."""
    goods = levels.catalogue()
    demands = [mossgate.demand(item, n, scent, key=str(i)) for i, (item, scent, n) in enumerate(asked)]
    found = explode(goods, demands, {Sku("ROSETTE"): there, Sku("HARD"): there * 1000})

    for need in found:
        rows = why(found, need.sku)
        by_demand = {key: sum(row.quantity for row in rows if row.demand == key) for key in need.pegs}
        assert by_demand == need.pegs
        assert sum(need.lacking.counts) == need.missing <= need.to_make


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
