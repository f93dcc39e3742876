"""Recipes, melts and loads: what a catalogue refuses, and what a melt weighs to the milligram."""

from dataclasses import replace
from decimal import Decimal as D
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import mossgate
from tests.strategies import LAWS
from wholesale.core.catalogue import (
    NO_LIMIT,
    Basis,
    Catalogue,
    Equipment,
    Item,
    Operation,
    Recipe,
    RecipeLine,
    Sku,
    gross_grams,
    load_pieces,
    mass_weights,
    melt_weights,
    refuse_cycles,
    refuse_unworkable,
)
from wholesale.core.values import Refusal

GOODS = mossgate.catalogue()


def with_item(item: Item) -> Catalogue:
    """Mossgate's catalogue with one item changed."""
    return replace(GOODS, items={**GOODS.items, item.code: item})


def with_step(code: str, at: int, **changes: object) -> Catalogue:
    """The same with one step of an item's recipe changed."""
    item = GOODS.items[code]
    recipe = GOODS.recipe(code)
    steps = [replace(step, **changes) if i == at else step for i, step in enumerate(recipe.operations)]  # type: ignore[arg-type]
    return with_item(replace(item, recipe=replace(recipe, operations=tuple(steps))))


def step(code: str, at: int, goods: Catalogue = GOODS) -> Operation:
    """A step of an item's recipe."""
    return goods.recipe(code).operations[at]


@pytest.mark.parametrize(
    ("item", "at", "pieces"),
    [
        # 4,000 x 0.97 / 150 = 25.87
        ("SUC", 0, 25),
        # 4,000 x 0.97 / 180 = 21.56
        ("PEB", 0, 21),
        # 4,000 x 0.97 / 140 = 27.71
        ("FRN", 0, 27),
        # 500 x 0.97 / 40 = 12.125, and 12 candles are the bowl's most
        ("SUC", 1, 12),
        # 500 x 0.97 / 30 = 16.17, but 12 candles are the bowl's most
        ("FRN", 1, 12),
        # 1,000 x 0.97 / 20 = 48.5
        ("PEB", 1, 48),
        # cavities
        ("ROSETTE", 0, 12),
        ("PEBBLE", 0, 20),
        # hands only
        ("SUC", 2, NO_LIMIT),
    ],
)
def test_a_load_holds_what_its_grams_or_places_allow(item: str, at: int, pieces: int) -> None:
    """Grams less the loss of 3 %, or places, whichever comes first (Mossgate, invented)."""
    assert load_pieces(GOODS, item, step(item, at)) == pieces


def test_a_loss_is_grossed_up_not_added_on() -> None:
    """1,800 / 0.97 = 1,855.670 g; 1,800 x 1.03 would be 1,854 g and leave 1,798.38 g."""
    assert gross_grams(D(1800), D("0.03")) == D("1855.670")
    assert gross_grams(D(1800), D(0)) == 1800


def test_three_lines_share_a_melt_by_their_bases() -> None:
    """Wax 3 : 1 in shares, 8 % oil of the first wax, 1 % dye of the total: T = M (1 + 0.08 x 0.75) + 0.01 T.

    For T = 1,000: M = 990 / 1.06 = 933.962; waxes 700.472 and 233.491, oil 56.038, dye 10.
    """
    lines = (
        RecipeLine(component="SOY", basis=Basis.SHARE, quantity=D("0.75")),
        RecipeLine(component="WHIPWAX", basis=Basis.SHARE, quantity=D("0.25")),
        RecipeLine(component=None, basis=Basis.LOAD_ON_CARRIER, quantity=D("0.08"), carrier="SOY"),
        RecipeLine(component="CASTWAX", basis=Basis.LOAD_ON_TOTAL, quantity=D("0.01")),
    )
    blend = replace(GOODS.items["BASE"], loss=D(0), recipe=Recipe(lines=lines))
    weighed = melt_weights(with_item(blend), Sku("BASE", "CF"), D(1000))

    assert [w.grams for w in weighed] == [D("700.472"), D("233.490"), D("56.038"), D("10.000")]
    assert [w.sku.item for w in weighed] == ["SOY", "WHIPWAX", "OIL-CF", "CASTWAX"]


@LAWS
@given(
    st.lists(st.integers(1, 1000), min_size=1, max_size=4),
    st.lists(st.integers(0, 120), max_size=3),
    st.integers(1, 9_000_000),
)
def test_what_is_weighed_always_sums_to_the_gross(shares: list[int], loads: list[int], net_mg: int) -> None:
    """For any shares and any loads on the wax, to the milligram; the exact weights sum to 1."""
    waxes = [
        RecipeLine(component=f"W{i}", basis=Basis.SHARE, quantity=D(part) / D(sum(shares)))
        for i, part in enumerate(shares)
    ]
    oils = [RecipeLine(component="SOY", basis=Basis.LOAD_ON_CARRIER, quantity=D(load).scaleb(-3)) for load in loads]
    melt = replace(GOODS.items["MOSS"], recipe=Recipe(lines=(*waxes, *oils)))
    items = {**GOODS.items, "MOSS": melt, **{w.component or "": GOODS.items["SOY"] for w in waxes}}
    weighed = melt_weights(replace(GOODS, items=items), Sku("MOSS"), D(net_mg).scaleb(-3))

    assert sum(w.grams for w in weighed) == gross_grams(D(net_mg).scaleb(-3), melt.loss)
    assert sum(mass_weights([*waxes, *oils])) == Fraction(1)


def test_a_scent_is_passed_on_to_scented_components_only() -> None:
    """A rain-garden cup takes rain-garden base, but the one moss there is; the base takes the scent's oil."""
    base, moss, rosette = GOODS.recipe("SUC").lines
    oil = GOODS.recipe("BASE").lines[1]

    assert GOODS.component(base, "RG") == Sku("BASE", "RG")
    assert (GOODS.component(moss, "RG"), GOODS.component(rosette, "RG")) == (Sku("MOSS"), Sku("ROSETTE"))
    assert GOODS.component(oil, "WS") == Sku("OIL-WS")


def test_mossgate_can_be_worked() -> None:
    """No cycle, every step has its equipment, every piece its load."""
    refuse_cycles(GOODS)
    refuse_unworkable(GOODS)


def test_a_recipe_that_needs_itself_is_named_with_its_chain() -> None:
    """Rosettes of casting melt of rosettes."""
    needs_rosette = RecipeLine(component="ROSETTE", basis=Basis.SHARE, quantity=D(1))
    casting = replace(GOODS.items["CASTING"], recipe=Recipe(lines=(needs_rosette,)))

    with pytest.raises(Refusal, match="Casting melt → Rosette → Casting melt") as refused:
        refuse_cycles(with_item(casting))
    assert refused.value.code == "recipe_cycle"


@pytest.mark.parametrize(
    ("goods", "code"),
    [
        (with_step("SUC", 0, equipment="POT-C"), "unknown_equipment"),
        # at least one night, at most none
        (with_step("SUC", 0, days_max=0), "wait_turned_round"),
        # 100 g hold no base of 150 g
        (
            replace(GOODS, equipment={**GOODS.equipment, "POT-A": replace(GOODS.equipment["POT-A"], load_g=D(100))}),
            "no_equipment_holds",
        ),
    ],
)
def test_a_step_that_cannot_be_done_is_refused(goods: Catalogue, code: str) -> None:
    """Before anything is planned."""
    with pytest.raises(Refusal) as refused:
        refuse_unworkable(goods)
    assert refused.value.code == code


def test_the_cure_counts_from_the_step_that_says_so_else_from_the_last() -> None:
    """Pipe is the second of three steps; a rosette has one step and no cure."""
    assert (GOODS.recipe("SUC").cure_step, GOODS.recipe("ROSETTE").cure_step) == (1, 0)


def test_an_item_without_a_recipe_is_refused_by_name() -> None:
    """Wax is bought."""
    with pytest.raises(Refusal, match="Soy wax has no recipe"):
        GOODS.recipe("SOY")


def test_all_trays_together_take_their_loads_each_day() -> None:
    """2 trays x 3 turns = 6; without a figure there is no limit."""
    assert GOODS.equipment["TRAY-P"].daily_loads == 6
    assert Equipment(code="X", name="X", kind="pan").daily_loads is None
