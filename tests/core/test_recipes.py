"""What a portion takes and costs, the limits a recipe passes, and what makes it unfit: Mossgate's candles by hand."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import mossgate
from tests.strategies import LAWS
from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Equipment,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Sku,
    Unit,
    load_pieces,
    load_room,
    melt_weights,
)
from wholesale.core.production.work import Load, Portion, Work
from wholesale.core.recipes import (
    RecipeView,
    differences,
    limits,
    notes_for_load,
    portion,
    refuse_recipe,
    sizes,
    with_recipe,
)
from wholesale.core.values import GRAMS_PER_OUNCE, Refusal

GOODS = mossgate.catalogue()


def changed(code: str, goods: Catalogue = GOODS, **fields: object) -> Catalogue:
    """The catalogue with some fields of one item changed."""
    return replace(goods, items={**goods.items, code: replace(goods.items[code], **fields)})  # type: ignore[arg-type]


def stepped(code: str, at: int, goods: Catalogue = GOODS, **fields: object) -> Catalogue:
    """The catalogue with one step of an item's recipe changed."""
    recipe = goods.recipe(code)
    steps = tuple(replace(s, **fields) if i == at else s for i, s in enumerate(recipe.operations))  # type: ignore[arg-type]
    return with_recipe(goods, code, replace(recipe, operations=steps))


def material(code: str, **fields: object) -> Item:
    """A bought material."""
    known = {"name": code.title(), "kind": ItemKind.MATERIAL, "unit": Unit.GRAM} | fields
    return Item(code=code, **known)  # type: ignore[arg-type]


def added(*items: Item, goods: Catalogue = GOODS) -> Catalogue:
    """The catalogue with some more items."""
    return replace(goods, items={**goods.items, **{item.code: item for item in items}})


def line(component: str | None, basis: Basis, quantity: str, step: str = "", carrier: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), step=step, carrier=carrier)


def taken(view: RecipeView) -> dict[str, D]:
    """Quantities by name, to the hundredth."""
    return {row.name: round(row.quantity, 2) for row in view.taken}


def codes(notes: Iterable[object]) -> list[str]:
    return [note.code for note in notes]  # type: ignore[attr-defined]


# ── a portion ────────────────────────────────────────────────────────────────────


def test_a_full_load_of_succulent_cups_takes_what_s2_says() -> None:
    """S2: 25 × 150 = 3,750; ÷ 0.97 = 3,865.98; ÷ 1.08 = 3,579.61 wax; × 0.08 = 286.37 oil (sum 3,865.98).

    25 rosettes ÷ 0.92 = 27.17 casts × 15 = 407.61; ÷ 0.97 = 420.22. Moss 25 × 40 = 1,000 ÷ 0.97 = 1,030.93.
    """
    view = portion(GOODS, Sku("SUC", "RG"), D(25))

    assert taken(view) == {
        "Base melt, Rain garden": D("3865.98"),
        "Soy wax": D("3579.61"),
        "Rain garden oil": D("286.37"),
        "Moss whip": D("1030.93"),
        "Whipping wax": D("1030.93"),
        "Rosette": D("27.17"),
        "Casting melt": D("420.22"),
        "Casting wax": D("420.22"),
    }
    assert [row.level for row in view.taken] == [1, 2, 2, 1, 2, 1, 2, 3]


def test_every_number_shows_its_arithmetic() -> None:
    how = {row.name: row.how for row in portion(GOODS, Sku("SUC", "RG"), D(25)).taken}

    assert how["Base melt, Rain garden"] == "25 pc × 150 g = 3,750 g; ÷ (1 − 0.03) = 3,865.98 g"
    assert how["Soy wax"] == "3,865.98 g ÷ 1.08"
    assert how["Rain garden oil"] == "0.08 × 3,579.61 g"
    assert how["Rosette"] == "25 pc × 1 pc = 25 pc; ÷ 0.92 = 27.17 pc, at the bench 28"


def test_grams_are_shown_as_ounces_by_the_exact_factor() -> None:
    """3,865.979 g ÷ 28.349523125 = 136.37 oz (NIST Handbook 44, appendix C)."""
    base = portion(GOODS, Sku("SUC", "RG"), D(25)).taken[0]

    assert base.ounces == base.quantity / GRAMS_PER_OUNCE
    assert round(base.ounces, 2) == D("136.37")
    rosette = next(row for row in portion(GOODS, Sku("SUC", "RG"), D(25)).taken if row.name == "Rosette")
    assert (rosette.grams, rosette.ounces) == (None, None)


def test_the_sizes_are_a_piece_a_case_and_a_full_load() -> None:
    """4,000 × 0.97 ÷ 150 = 25.87; a rosette tray has 12 cavities; pot A makes 3,880 g of base."""
    assert [tuple(size) for size in sizes(GOODS, "SUC")] == [
        ("One piece", 1),
        ("One case", 6),
        ("One full load of Pot A", 25),
    ]
    assert [tuple(size) for size in sizes(GOODS, "ROSETTE")] == [
        ("One piece", 1),
        ("One full load of Rosette tray", 12),
    ]
    assert [tuple(size) for size in sizes(GOODS, "BASE")] == [("One kilogram", 1000), ("One full load of Pot A", 3880)]


def test_minutes_of_hands_come_from_every_level() -> None:
    """One cup: pour 3 + pipe 2.5 + finish 3 + a rosette's 1 ÷ 0.92 × 0.5 = 0.543: 9.04 minutes."""
    view = portion(GOODS, Sku("SUC", "RG"), D(1))

    assert {step.name: round(step.minutes, 3) for step in view.steps} == {
        "Cast rosettes": D("0.543"),
        "Pour base": 3,
        "Pipe moss": D("2.5"),
        "Finish": 3,
    }
    assert round(view.minutes, 2) == D("9.04")


def test_a_load_s_own_minutes_are_dealt_out_over_a_full_load() -> None:
    """20 minutes a pot of 25 cups: 0.8 a cup, and 20 for the full load."""
    goods = stepped("SUC", 0, minutes_per_load=D(20))

    def pour(pieces: int) -> D:
        return next(s.minutes for s in portion(goods, Sku("SUC", "RG"), D(pieces)).steps if s.name == "Pour base")

    assert (pour(1), pour(25)) == (D("3.8"), D(95))


def test_the_cost_of_a_piece_is_its_materials_and_its_minutes() -> None:
    """A tin of wax, without loss: 140 g at 6.00 a kilogram = 0.84; 3 minutes at 24 an hour = 1.20."""
    goods = changed("SOY", unit_cost=D(6))
    pour = Operation(code="pour", name="Pour", minutes_per_piece=D(3))
    tin = Item(
        code="TIN", name="Tin", kind=ItemKind.PRODUCT,
        recipe=Recipe(lines=(line("SOY", Basis.PER_PIECE, "140"),), operations=(pour,)),
    )  # fmt: skip
    view = portion(added(tin, goods=goods), Sku("TIN"), D(1), hour_rate=D(24))

    assert (view.materials_cost, view.hands_cost, view.cost) == (D("0.84"), D("1.20"), D("2.04"))
    assert view.bought[0].how == "140 g ÷ 1,000 × 6 a kilogram"
    assert view.hands_how == "3 min ÷ 60 × 24 an hour"


def test_what_has_no_cost_known_is_named_and_not_counted_as_nothing() -> None:
    view = portion(changed("SOY", unit_cost=D(6)), Sku("SUC", "RG"), D(1))

    assert view.unpriced == ("Rain garden oil", "Whipping wax", "Casting wax")
    assert [row.amount for row in view.bought if row.name in view.unpriced] == [None, None, None]


def test_a_thing_bought_by_the_piece_costs_by_the_piece() -> None:
    """2 tins at 0.55 = 1.10."""
    tin = material("TIN", unit=Unit.PIECE, unit_cost=D("0.55"))
    goods = added(tin)
    recipe = goods.recipe("FRN")
    goods = with_recipe(goods, "FRN", replace(recipe, lines=(*recipe.lines, line("TIN", Basis.PER_PIECE, "1", "pour"))))

    row = next(row for row in portion(goods, Sku("FRN", "RG"), D(2)).bought if row.name == "Tin")
    assert (row.amount, row.how) == (D("1.10"), "2 pc × 0.55 each")


def test_a_yield_of_a_step_raises_what_enters_it_and_what_comes_before() -> None:
    """Half of the pipings fail: 24 cups need 48 bases (48 × 150 = 7,200 g), 48 tops, and 24 finishes."""
    view = portion(stepped("SUC", 1, yield_share=D("0.5")), Sku("SUC", "RG"), D(24))

    how = {row.name: row.how for row in view.taken}
    assert how["Base melt, Rain garden"].startswith("48 pc × 150 g = 7,200 g")
    assert how["Moss whip"].startswith("48 pc × 40 g")
    assert {s.name: s.minutes for s in view.steps if s.item == "Succulent cup"} == {
        "Pour base": 144,
        "Pipe moss": 120,
        "Finish": 72,
    }


def test_drops_by_the_batch_are_dealt_out_over_a_full_pot() -> None:
    """25 cups are one full pot, so one batch: 6 drops; one cup is 1/25 of it: 0.24."""
    dye = material("DYE", unit=Unit.PIECE)
    goods = added(dye)
    base = goods.recipe("BASE")
    goods = with_recipe(goods, "BASE", replace(base, lines=(*base.lines, line("DYE", Basis.PER_BATCH, "6"))))

    def drops(pieces: int) -> D:
        return next(row.quantity for row in portion(goods, Sku("SUC", "RG"), D(pieces)).bought if row.name == "Dye")

    assert (drops(25), drops(1)) == (6, D("0.24"))


def test_a_melt_s_own_page_shows_a_kilogram_and_its_gross() -> None:
    """1,000 ÷ 0.97 = 1,030.928; ÷ 1.08 = 954.563 wax, × 0.08 = 76.365 oil (sum 1,030.928)."""
    view = portion(GOODS, Sku("BASE", "CF"), D(1000))

    assert {row.name: row.quantity for row in view.taken} == {
        "Base melt, Cedar frame": D("1030.928"),
        "Soy wax": D("954.563"),
        "Cedar frame oil": D("76.365"),
    }


def test_a_top_whipped_the_day_before_is_a_melt_with_steps_and_minutes_of_its_own() -> None:
    """1,000 g of moss, whipped in bowls of 500 g (485 net): 2.06 bowls × 10 min; a cup's 40 g are 0.0825 of one."""
    whip = Operation(
        code="whip", name="Whip moss", equipment="BOWL", hands="bench", minutes_per_load=D(10), nights_min=1
    )
    goods = with_recipe(GOODS, "MOSS", replace(GOODS.recipe("MOSS"), operations=(whip,)))
    refuse_recipe(GOODS, "MOSS", goods.recipe("MOSS"))

    def whipping(view: RecipeView) -> D:
        return round(next(step.minutes for step in view.steps if step.name == "Whip moss"), 3)

    assert whipping(portion(goods, Sku("MOSS"), D(1000))) == D("20.619")
    assert whipping(portion(goods, Sku("SUC", "RG"), D(1))) == D("0.825")
    assert sizes(goods, "MOSS")[1] == ("One full load of Whip bowl", 485)


def test_a_melt_whose_line_names_no_step_is_taken_where_it_is_melted() -> None:
    """Half of the pipings fail: 2 bases are poured for each cup, and the moss is taken at the piping."""
    goods = stepped("SUC", 2, yield_share=D("0.5"))
    recipe = goods.recipe("SUC")
    lines = tuple(replace(row, step="") for row in recipe.lines)
    view = portion(with_recipe(goods, "SUC", replace(recipe, lines=lines)), Sku("SUC", "RG"), D(1))

    assert [row.how.split(" = ")[0] for row in view.taken if row.level == 1][:2] == ["2 pc × 150 g", "2 pc × 40 g"]
    late = stepped("SUC", 0, goods=stepped("SUC", 1, yield_share=D("0.5")), yield_share=D("0.5"))
    view = portion(with_recipe(late, "SUC", replace(late.recipe("SUC"), lines=lines)), Sku("SUC", "RG"), D(1))
    assert [row.how.split(" = ")[0] for row in view.taken if row.level == 1] == [
        "4 pc × 150 g", "2 pc × 40 g", "4 pc × 1 pc",
    ]  # fmt: skip


def test_a_blend_inside_a_melt_is_a_level_of_its_own() -> None:
    """A melt of a blend (3 : 1) of two waxes: 1,000 g of melt, 1,000 of blend, 750 and 250."""
    blend = Item(
        code="BLEND", name="Blend", kind=ItemKind.PART, unit=Unit.GRAM,
        recipe=Recipe(lines=(line("SOY", Basis.SHARE, "0.75"), line("WHIPWAX", Basis.SHARE, "0.25"))),
    )  # fmt: skip
    goods = changed("MOSS", added(blend), loss=D(0), recipe=Recipe(lines=(line("BLEND", Basis.SHARE, "1"),)))
    view = portion(goods, Sku("MOSS"), D(1000))

    assert [(row.name, row.level, row.quantity) for row in view.taken] == [
        ("Blend", 1, 1000),
        ("Soy wax", 2, 750),
        ("Whipping wax", 2, 250),
    ]


@LAWS
@given(st.sampled_from(["SUC", "PEB", "FRN"]), st.sampled_from(["RG", "CF", "WS"]), st.integers(1, 500))
def test_materials_of_n_pieces_are_n_times_those_of_one(item: str, scent: str, pieces: int) -> None:
    """To within a milligram of rounding a piece and one more for the sum, at each of two roundings down a level."""
    one, many = portion(GOODS, Sku(item, scent), D(1)), portion(GOODS, Sku(item, scent), D(pieces))

    assert [row.sku for row in one.bought] == [row.sku for row in many.bought]
    for single, all_ in zip(one.bought, many.bought, strict=True):
        assert abs(all_.quantity - pieces * single.quantity) <= D("0.002") * (pieces + 1)


@LAWS
@given(st.sampled_from(["SUC", "PEB", "FRN"]), st.integers(1, 500))
def test_what_goes_into_a_pot_sums_to_its_gross_to_the_milligram(item: str, pieces: int) -> None:
    """Of each melt, the rows one level below it, up to the next row at its own level."""
    rows = portion(GOODS, Sku(item, "RG"), D(pieces)).taken
    melts = [(place, row) for place, row in enumerate(rows) if row.kind is ItemKind.PART and row.unit is Unit.GRAM]

    assert melts
    for place, melt in melts:
        parts = []
        for row in rows[place + 1 :]:
            if row.level <= melt.level:
                break
            parts.append(row.quantity)
        assert sum(parts) == melt.quantity


# ── published arithmetic ─────────────────────────────────────────────────────────


def _melt(load: str, basis: Basis = Basis.LOAD_ON_CARRIER) -> Catalogue:
    """A melt without loss, with so much oil."""
    recipe = Recipe(lines=(line("SOY", Basis.SHARE, "1"), line(None, basis, load)))
    return changed("BASE", loss=D(0), recipe=recipe)


def test_sixteen_ounces_of_wax_at_ten_percent_carry_one_point_six_ounces_of_oil() -> None:
    """SY-2: 16 × 0.10 = 1.6 oz, 1.6 ÷ 17.6 = 9.09 % of the blend (source: sunshinecandlesupply.com)."""
    weighed = melt_weights(_melt("0.10"), Sku("BASE", "RG"), D("17.6") * GRAMS_PER_OUNCE)
    wax, oil = (part.grams for part in weighed)

    assert [round(grams / GRAMS_PER_OUNCE, 4) for grams in (wax, oil)] == [16, D("1.6")]
    assert round(oil / (wax + oil) * 100, 2) == D("9.09")


@pytest.mark.parametrize(
    ("fill", "wax", "oil"),
    [
        # 7.74 oz: ÷ 1.1 = 7.036 + 0.704
        (D("7.74") * GRAMS_PER_OUNCE, D("7.04") * GRAMS_PER_OUNCE, D("0.70") * GRAMS_PER_OUNCE),
        # 219.30 g: ÷ 1.1 = 199.364 + 19.936
        (D("219.30"), D("199.36"), D("19.94")),
    ],
)
def test_a_fill_weight_is_split_by_its_load(fill: D, wax: D, oil: D) -> None:
    """SY-3: a load of 10 % of the wax (source: cierracandles.com), to the hundredth of the unit they give."""
    weighed = melt_weights(_melt("0.10"), Sku("BASE", "RG"), fill)
    unit = D(1) if fill == D("219.30") else GRAMS_PER_OUNCE

    assert [round(part.grams / unit, 2) for part in weighed] == [round(wax / unit, 2), round(oil / unit, 2)]


def test_a_load_of_wax_or_of_the_whole_are_different_grams() -> None:
    """8 % in a pot of 4,000 g (trade.md, section 0): 4,000 ÷ 1.08 × 0.08 = 296.3 g, or 0.08 × 4,000 = 320 g."""
    of_wax = melt_weights(_melt("0.08"), Sku("BASE", "RG"), D(4000))
    of_whole = melt_weights(_melt("0.08", Basis.LOAD_ON_TOTAL), Sku("BASE", "RG"), D(4000))

    assert (round(of_wax[1].grams, 1), of_whole[1].grams) == (D("296.3"), 320)


# ── the pot that counts its wax alone ────────────────────────────────────────────


def ounce_pot(load_pieces_: int | None = None) -> tuple[Catalogue, Operation]:
    """A 16 oz pot of wax at 8 % for tops of 1.5 oz (common practice, no source)."""
    pot = Equipment(
        code="POT-W", name="Wax pot", kind="pot", load_g=16 * GRAMS_PER_OUNCE, load_pieces=load_pieces_,
        load_basis="carrier",
    )  # fmt: skip
    top = Operation(code="top", name="Top", equipment="POT-W", melt="BASE")
    grams = str(D("1.5") * GRAMS_PER_OUNCE)
    cup = Item(
        code="CUP", name="Cup", kind=ItemKind.PRODUCT, scented=True,
        recipe=Recipe(lines=(line("BASE", Basis.PER_PIECE, grams, "top"),), operations=(top,)),
    )  # fmt: skip
    goods = added(cup, goods=_melt("0.08"))
    return replace(goods, equipment={**goods.equipment, "POT-W": pot}), top


def test_a_pot_that_counts_its_wax_makes_its_oil_on_top() -> None:
    """16 × 1.08 = 17.28 oz; ÷ 1.5 = 11.52: eleven tops and not quite twelve. By the total: 16 ÷ 1.5 = 10.67."""
    goods, top = ounce_pot()
    pot = goods.equipment["POT-W"]

    assert round((load_room(goods, pot, "BASE") or D(0)) / GRAMS_PER_OUNCE, 3) == D("17.28")
    assert load_pieces(goods, "CUP", top) == 11
    total = replace(goods, equipment={**goods.equipment, "POT-W": replace(pot, load_basis="total")})
    assert load_pieces(total, "CUP", top) == 10


def test_a_load_that_cannot_make_what_it_is_meant_for_says_so() -> None:
    """Meant for twelve tops; 489.88 g make eleven of 42.524284 g."""
    goods, _ = ounce_pot(12)
    (note,) = limits(goods, "CUP")

    assert (note.code, note.refuse, note.step) == ("load", False, "top")
    assert "makes 489.88 g" in note.text
    assert "11 full pieces and not quite the 12" in note.text


# ── limits ───────────────────────────────────────────────────────────────────────


def test_mossgate_passes_no_limit() -> None:
    assert [note for code in GOODS.items for note in limits(GOODS, code)] == []


def test_fragrance_above_the_wax_s_most_is_told_with_the_numbers() -> None:
    """8 % of the wax, and the wax takes 6 %: on the melt's page once, on the cup's at the pour."""
    goods = changed("SOY", max_load=D("0.06"))
    (on_melt,), (on_cup,) = limits(goods, "BASE"), limits(goods, "SUC")

    assert (on_melt.code, on_melt.step, on_cup.step) == ("fragrance", "", "pour")
    assert "8\u00a0% of Soy wax" in on_melt.text
    assert "8 g instead of 6 g in 100 g of wax" in on_melt.text
    assert not on_melt.refuse


def test_all_loads_on_a_wax_count_together_whatever_they_are_a_share_of() -> None:
    """8 % of the wax + 1.5 % of it = 9.5 % is below 10 %; 2 % of the whole on top is 2.24 % of the wax: too much.

    T = M × 1.095 + 0.02 T; M = 0.98 T ÷ 1.095, so 0.02 T ÷ M = 0.02 × 1.095 ÷ 0.98 = 0.02235.
    """
    uv = added(material("UV"), material("DYE"), goods=changed("SOY", max_load=D("0.10")))
    lines = (*GOODS.recipe("BASE").lines, line("UV", Basis.LOAD_ON_CARRIER, "0.015", carrier="SOY"))
    assert limits(with_recipe(uv, "BASE", Recipe(lines=lines)), "BASE") == ()

    lines = (*lines, line("DYE", Basis.LOAD_ON_TOTAL, "0.02"))
    (note,) = limits(with_recipe(uv, "BASE", Recipe(lines=lines)), "BASE")
    # 9.5 + 2.235 = 11.73 %
    assert "11.73\u00a0% of Soy wax" in note.text


def test_a_substitute_s_own_most_holds_for_it() -> None:
    """The soy takes 10 %; the wax that stands in for it takes 5 %."""
    goods = replace(added(material("RAPE", max_load=D("0.05"))), substitutes={"SOY": ("RAPE",)})

    assert limits(goods, "BASE") == ()
    (note,) = limits(goods, "BASE", {"SOY": "RAPE"})
    assert "8\u00a0% of Rape" in note.text


def test_heat_is_held_against_the_heating_limit_and_never_the_flash_point() -> None:
    """The pour heats to 75 °C: above the oil's flash point of 68, below its supplier's limit of 80."""
    goods = changed("OIL-WS", stepped("SUC", 0, heat_c=D(75)), flash_point_c=D(68), heating_limit_c=D(80))
    assert limits(goods, "SUC") == ()

    (note,) = limits(stepped("SUC", 0, goods, heat_c=D(82)), "SUC")
    assert (note.code, note.step) == ("heat", "pour")
    assert note.text == "Pour base heats to 82 °C; the supplier of Wet stone oil says 80 °C at most."
    assert limits(stepped("SUC", 0, goods, heat_c=D(82)), "SUC", scent="RG") == ()


def test_heat_reaches_the_wax_that_stands_in() -> None:
    goods = replace(
        added(material("RAPE", heating_limit_c=D(70)), goods=stepped("SUC", 0, heat_c=D(75))),
        substitutes={"SOY": ("RAPE",)},
    )

    assert limits(goods, "SUC") == ()
    assert codes(limits(goods, "SUC", {"SOY": "RAPE"})) == ["heat"]


def test_a_fill_and_a_top_are_held_against_the_vessel_s_room() -> None:
    """PEB: 180 g base and 20 g seal. Room for 205: none. For 190: the seal is 10 too much. For 170: the base too."""

    def told(room: int) -> list[tuple[str, str]]:
        return [(note.code, note.step) for note in limits(changed("PEB", room_g=D(room)), "PEB")]

    assert told(200) == []
    assert told(190) == [("top", "seal")]
    assert told(170) == [("fill", "pour"), ("top", "seal")]
    (note,) = limits(changed("PEB", room_g=D(190)), "PEB")
    assert note.text == (
        "Pebble jar has room for 190 g; after 180 g of Base melt 10 g are left, "
        "and 20 g of Seal melt are to go in: 10 g too much."
    )


def test_the_room_may_be_the_vessel_s_own() -> None:
    """A glass bought by the piece that holds 190 g."""
    goods = added(material("GLASS", unit=Unit.PIECE, room_g=D(190)))
    recipe = goods.recipe("PEB")
    goods = with_recipe(goods, "PEB", replace(recipe, lines=(*recipe.lines, line("GLASS", Basis.PER_PIECE, "1"))))

    assert codes(limits(goods, "PEB")) == ["top"]


@pytest.mark.parametrize("hard", ["SOY", "SUC"])
def test_a_limit_refuses_where_the_material_or_the_candle_is_marked(hard: str) -> None:
    goods = changed(hard, changed("SOY", max_load=D("0.06")), limits_refuse=True)

    assert [note.refuse for note in limits(goods, "SUC")] == [True]


def test_a_load_is_told_the_limits_of_its_own_steps_and_scent_only() -> None:
    """The pour heats the wet stone oil too far; a load of rain garden, or of tops, hears nothing of it."""
    goods = changed("OIL-WS", stepped("SUC", 0, heat_c=D(82)), heating_limit_c=D(80))

    def load(scent: str, step: str) -> Load:
        sku = Sku("SUC", scent)
        return Load(
            work=Work("POT-A", Sku("BASE", scent)), day=date(2026, 3, 5),
            portions=(Portion("A", sku, step, 6), Portion("B", sku, step, 6)),
        )  # fmt: skip

    assert codes(notes_for_load(goods, load("WS", "pour"))) == ["heat"]
    assert notes_for_load(goods, load("RG", "pour")) == ()
    assert notes_for_load(goods, load("WS", "pipe")) == ()


# ── substitutes ──────────────────────────────────────────────────────────────────


def test_a_substitute_is_weighed_in_the_place_of_the_material() -> None:
    goods = replace(added(material("RAPE")), substitutes={"SOY": ("RAPE",)})
    plain, other = (
        melt_weights(goods, Sku("BASE", "RG"), D(3750), swaps)
        for swaps in ({}, {"SOY": "RAPE"})
    )  # fmt: skip

    assert [part.sku.item for part in other] == ["RAPE", "OIL-RG"]
    assert [part.grams for part in other] == [part.grams for part in plain] == [D("3579.610"), D("286.369")]


def test_what_is_no_substitute_is_refused_with_what_is() -> None:
    goods = replace(added(material("RAPE")), substitutes={"SOY": ("RAPE",)})

    with pytest.raises(
        Refusal, match="Casting wax is no substitute for Soy wax; what may stand in for it: Rape"
    ) as refused:
        melt_weights(goods, Sku("BASE", "RG"), D(3750), {"SOY": "CASTWAX"})
    assert refused.value.code == "no_substitute"


# ── unfit recipes ────────────────────────────────────────────────────────────────


def test_mossgate_s_own_recipes_are_fit() -> None:
    for code, item in GOODS.items.items():
        if item.recipe:
            refuse_recipe(GOODS, code, item.recipe)


BASE, SUC = GOODS.recipe("BASE"), GOODS.recipe("SUC")
WAX, OIL = BASE.lines
POUR, PIPE, FINISH = SUC.operations


@pytest.mark.parametrize(
    ("item", "recipe", "field", "says"),
    [
        ("BASE", Recipe(lines=()), "", "made of nothing"),
        ("BASE", Recipe(lines=(replace(WAX, component="TALLOW"),)), "lines-0-component", "no item 'TALLOW'"),
        ("BASE", Recipe(lines=(WAX, replace(OIL, quantity=D(0)))), "lines-1-quantity", "above 0"),
        ("BASE", Recipe(lines=(WAX, replace(OIL, quantity=D(1)))), "lines-1-quantity", "no room"),
        ("BASE", Recipe(lines=(WAX, replace(OIL, carrier="CASTWAX"))), "lines-1-carrier", "one of the shares"),
        ("BASE", Recipe(lines=(replace(WAX, quantity=D("0.9")), OIL)), "", "make 90\u00a0%"),
        ("BASE", Recipe(lines=(replace(WAX, basis=Basis.PER_PIECE),)), "lines-0-basis", "is a melt"),
        ("MOSS", Recipe(lines=(line("WHIPWAX", Basis.SHARE, "1"), OIL)), "lines-1-component", "has no scent"),
        ("SUC", replace(SUC, operations=()), "lines-0-step", "not in the recipe any more"),
        ("SUC", replace(SUC, lines=(replace(SUC.lines[0], basis=Basis.SHARE),)), "lines-0-basis", "in pieces"),
        ("SUC", replace(SUC, operations=(*SUC.operations, PIPE)), "steps-3-code", "a step like 'Pipe moss' already"),
        (
            "SUC",
            replace(SUC, operations=(replace(POUR, equipment="POT-C"), PIPE)),
            "steps-0-equipment",
            "no equipment 'POT-C'",
        ),
        ("SUC", replace(SUC, operations=(replace(POUR, melt="FERN"), PIPE)), "steps-0-melt", "how many grams"),
        ("SUC", replace(SUC, operations=(replace(POUR, days_max=0), PIPE)), "steps-0-days_max", "at least 1"),
        (
            "SUC",
            replace(SUC, lines=(replace(SUC.lines[0], quantity=D(4000)), *SUC.lines[1:])),
            "steps-0-equipment",
            "more than a load of Pot A",
        ),
        ("SOY", Recipe(lines=(WAX,)), "", "is bought"),
    ],
)
def test_a_recipe_that_cannot_be_followed_is_refused_at_its_row(
    item: str, recipe: Recipe, field: str, says: str
) -> None:
    with pytest.raises(Refusal) as refused:
        refuse_recipe(GOODS, item, recipe)

    assert says in refused.value.message
    assert refused.value.field == field


def test_a_recipe_that_eats_itself_is_refused_with_its_chain() -> None:
    """The casting melt of rosettes, which are cast of it."""
    goods = changed("ROSETTE", unit=Unit.GRAM, recipe=Recipe(lines=(line("CASTING", Basis.SHARE, "1"),)))

    with pytest.raises(Refusal, match="Casting melt → Rosette → Casting melt"):
        refuse_recipe(goods, "CASTING", Recipe(lines=(line("ROSETTE", Basis.SHARE, "1"),)))


def test_a_hard_limit_refuses_in_the_candle_that_pours_the_melt_too() -> None:
    """The melt's new oil may be heated to 70 °C; the cup pours at 75."""
    goods = added(material("MINT", heating_limit_c=D(70), limits_refuse=True), goods=stepped("SUC", 0, heat_c=D(75)))
    minty = Recipe(lines=(WAX, line("MINT", Basis.LOAD_ON_CARRIER, "0.05")))

    with pytest.raises(Refusal, match=r"Pour base heats to 75 °C.*70 °C at most.*in Succulent cup.*marked hard"):
        refuse_recipe(goods, "BASE", minty)


def test_a_hard_limit_that_is_passed_already_stops_no_other_change() -> None:
    goods = changed("SOY", max_load=D("0.06"), limits_refuse=True)

    refuse_recipe(goods, "SUC", replace(SUC, operations=(replace(POUR, minutes_per_piece=D(4)), PIPE, FINISH)))
    with pytest.raises(Refusal, match=r"9\s% of Soy wax"):
        refuse_recipe(goods, "BASE", Recipe(lines=(WAX, replace(OIL, quantity=D("0.09")))))


# ── what changed ─────────────────────────────────────────────────────────────────


def test_differences_are_told_in_the_words_of_the_bench() -> None:
    lines = (replace(SUC.lines[0], quantity=D(155)), SUC.lines[1], line("FERN", Basis.PER_PIECE, "5", "pipe"))
    steps = (replace(POUR, nights_min=2, cautions="Hot."), PIPE)
    other = Recipe(lines=lines, operations=steps)

    assert differences(GOODS, SUC, other) == (
        "Base melt: 150 g a piece → 155 g a piece",
        "Without Rosette (1 pc a piece)",
        "With Fern whip (5 g a piece)",
        "Without the step Finish",
        "Pour base, nights to wait: 1 → 2",
        "Pour base, cautions: now “Hot.”",
    )
    assert differences(GOODS, SUC, SUC) == ()
    assert differences(GOODS, BASE, Recipe(lines=(WAX, replace(OIL, quantity=D("0.09"))))) == (
        "The scent’s oil: 8\u00a0% of Soy wax → 9\u00a0% of Soy wax",
    )


def test_a_line_at_another_step_another_pot_and_a_new_step_are_told_by_name() -> None:
    """The rosette is laid on when finishing; the base is poured in pot B; whipping is a step of its own."""
    rosette = next(line for line in SUC.lines if line.component == "ROSETTE")
    lines = tuple(replace(line, step="finish") if line == rosette else line for line in SUC.lines)
    whip = Operation(code="whip", name="Whip the top", hands="bench", minutes_per_load=D(10), yield_share=D("0.95"))
    steps = (replace(POUR, equipment="POT-B", yield_share=D("0.9")), whip, PIPE, FINISH)

    assert differences(GOODS, SUC, replace(SUC, lines=lines, operations=steps)) == (
        "Rosette, at step: Pipe moss → Finish",
        "With the step Whip the top (hands: bench, minutes a load: 10, yield: 95\u00a0%)",
        "Pour base, equipment: Pot A → Pot B",
        "Pour base, yield: 100\u00a0% → 90\u00a0%",
    )
    assert differences(GOODS, BASE, replace(BASE, lines=(OIL, WAX))) == ("Order of lines: the scent’s oil, Soy wax",)


# ── practice of the trade ────────────────────────────────────────────────────────


@pytest.mark.parametrize(("load", "grams"), [("0.06", D(60)), ("0.08", D(80))])
def test_embeds_carry_six_to_eight_percent_of_their_wax(load: str, grams: D) -> None:
    """Common practice, no source: 60 to 80 g in 1,000 g of wax; a line of the embeds' own melt."""
    lines = (line("CASTWAX", Basis.SHARE, "1"), line("OIL-RG", Basis.LOAD_ON_CARRIER, load, carrier="CASTWAX"))
    goods = changed("CASTING", loss=D(0), recipe=Recipe(lines=lines))
    refuse_recipe(GOODS, "CASTING", Recipe(lines=lines))

    weighed = melt_weights(goods, Sku("CASTING"), D(1000) + grams)
    assert [part.grams for part in weighed] == [1000, grams]


@pytest.mark.parametrize(("load", "grams"), [("0.01", D(1)), ("0.02", D(2))])
def test_uv_inhibitor_is_one_to_two_grams_in_a_hundred_of_wax(load: str, grams: D) -> None:
    """Common practice, no source. Beside 8 % of oil: 100 g of wax carry 8 g and 1 to 2 g."""
    goods = added(material("UV"))
    lines = (WAX, OIL, line("UV", Basis.LOAD_ON_CARRIER, load, carrier="SOY"))
    goods = changed("BASE", goods, loss=D(0), recipe=Recipe(lines=lines))
    refuse_recipe(goods, "BASE", Recipe(lines=lines))

    assert [part.grams for part in melt_weights(goods, Sku("BASE", "RG"), 108 + grams)] == [100, 8, grams]


def test_waits_of_the_trade_are_steps() -> None:
    """Common practice, no source: bases set two hours before topping, whipped tops cool two hours or a night.

    Moulded pieces stand 45 to 60 minutes, and up to two hours, before they are demoulded.
    """
    pour = replace(POUR, nights_min=0, minutes_min=120)
    whip = Operation(code="whip", name="Whip the top", hands="bench", minutes_per_load=D(10), minutes_min=120)
    refuse_recipe(GOODS, "SUC", replace(SUC, operations=(pour, whip, PIPE, FINISH)))
    refuse_recipe(
        GOODS, "SUC", replace(SUC, operations=(pour, replace(whip, minutes_min=0, nights_min=1), PIPE, FINISH))
    )
    cast = GOODS.recipe("ROSETTE").operations[0]
    for minutes in (45, 60, 120):
        standing = replace(cast, nights_min=0, minutes_min=minutes)
        demould = Operation(code="demould", name="Demould", hands="bench", minutes_per_piece=D("0.25"))
        refuse_recipe(GOODS, "ROSETTE", replace(GOODS.recipe("ROSETTE"), operations=(standing, demould)))


def test_exact_thirds_still_make_a_whole() -> None:
    """Three waxes at 33.3333 %: 0.999999 is a whole for the scale."""
    waxes = tuple(line(code, Basis.SHARE, "0.333333") for code in ("SOY", "WHIPWAX", "CASTWAX"))

    refuse_recipe(GOODS, "BASE", Recipe(lines=waxes))
    assert sum(Fraction(wax.quantity) for wax in waxes) == Fraction(999_999, 1_000_000)
