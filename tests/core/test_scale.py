"""Weights on a scale: never beyond what the wax carries or the pot holds, whatever the scale and the recipe."""

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
    Recipe,
    RecipeLine,
    Sku,
    Unit,
    load_pieces,
    load_room,
)
from wholesale.core.production.scale import Part, Pot, carriers_of, load_on, on_scale
from wholesale.core.production.weighing import (
    Dosing,
    counted_pieces,
    left_over,
    melt_plan,
    melt_plans,
    planned_mg,
    recipes_used,
)
from wholesale.core.production.work import Load, Portion, Work
from wholesale.core.recipes.limits import notes_for_load
from wholesale.core.values import GRAMS_PER_OUNCE as OZ

SUC, BASE = Sku("SUC", "RG"), Sku("BASE", "RG")
WAX = RecipeLine(component="SOY", basis=Basis.SHARE, quantity=D(1))
OIL = RecipeLine(component=None, basis=Basis.LOAD_ON_CARRIER, quantity=D("0.08"))


def line(component: str | None, basis: Basis, quantity: str, carrier: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), carrier=carrier)


def in_ounces(grams: D) -> D:
    return (grams / OZ).quantize(D("0.001"))


def goods_with(*items: Item) -> Catalogue:
    """Mossgate's catalogue with other items."""
    goods = mossgate.catalogue()
    return replace(goods, items={**goods.items, **{item.code: item for item in items}})


def base(*lines: RecipeLine, loss: str = "0.03") -> Item:
    """The base melt with another recipe."""
    return replace(mossgate.catalogue().items["BASE"], loss=D(loss), recipe=Recipe(lines=lines))


def soy(max_load: str | None) -> Item:
    return replace(mossgate.catalogue().items["SOY"], max_load=D(max_load) if max_load else None)


def pour(*pieces: int) -> Load:
    """Cups of one scent in pot A."""
    portions = tuple(Portion(str(number), SUC, "pour", count) for number, count in enumerate(pieces))
    return Load(work=Work("POT-A", BASE), day=date(2026, 3, 5), portions=portions)


# ── rounding ─────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("max_load", "oil"),
    [
        # 0.75 / 8.75 = 8.57 %: a wax that carries 10 % takes it, as the maker does.
        ("0.10", D("0.750")),
        # With no maximum on file the recipe's 8 % hold: 8.75 x 0.08 = 0.70, and the quarter below is 0.50.
        (None, D("0.500")),
    ],
)
def test_quarter_ounces_as_makers_weigh_them(max_load: str | None, oil: D) -> None:
    """Common practice, no source: a 9.5 oz fill at 8 % of the wax is about 8.8 + 0.7 oz, weighed as 8.75 + 0.75.

    9.5 / 1.08 = 8.796 oz; x 0.08 = 0.704 oz.
    """
    wax = D("9.5") * OZ / D("1.08")
    parts = [Part(WAX, wax, D(max_load) if max_load else None), Part(OIL, wax * D("0.08"))]
    assert [in_ounces(part.grams) for part in parts] == [D("8.796"), D("0.704")]

    assert [in_ounces(grams) for grams in on_scale(parts, OZ / 4)] == [D("8.750"), oil]


@pytest.mark.parametrize(
    ("division", "max_load", "weighed"),
    [
        # Trade scenario S2: 3,865.98 / 1.08 = 3,579.61 wax and 286.37 oil (exactly 3,579.610 and 286.369).
        ("0.01", "0.10", ["3579.61", "286.37"]),
        # 286.37 / 3,579.61 = 8.00003 %: above the recipe's 8 %, so a hundredth less.
        ("0.01", None, ["3579.61", "286.36"]),
        ("0.1", None, ["3579.6", "286.3"]),
        # 3,580 x 0.08 = 286.4: 286 is the nearest, and below.
        ("1", None, ["3580", "286"]),
        # 3,600 x 0.08 = 288; a wax that carries 10 % takes 300: nearest to 286.
        ("50", "0.10", ["3600", "300"]),
        ("50", None, ["3600", "250"]),
    ],
)
def test_s2_on_scales_of_other_divisions(division: str, max_load: str | None, weighed: list[str]) -> None:
    (plan,) = melt_plans(goods_with(soy(max_load)), pour(12, 13), Dosing(division=D(division)))

    assert [dose.grams for dose in plan.doses] == [D("3579.610"), D("286.369")]
    assert [dose.scale_g for dose in plan.doses] == [D(grams) for grams in weighed]


def test_a_full_pot_is_rounded_down_and_its_oil_with_it() -> None:
    """4,000 g: 3,703.70 wax + 296.30 oil; on a scale of 20 g the nearest are 3,700 + 300 = 4,000: just full.

    With 60 g: 62 x 60 = 3,720 and 5 x 60 = 300 make 4,020 > 4,000; the wax, up by 16.30, gives way: 3,660 + 300.
    """
    exact = [Part(WAX, D("3703.704"), D("0.10")), Part(OIL, D("296.296"))]

    assert on_scale(exact, D(20), Pot(D(4000))) == (D(3700), D(300))
    assert on_scale(exact, D(60), Pot(D(4000))) == (D(3660), D(300))
    # Where the pot counts the wax alone, 3,720 g are within 4,000.
    assert on_scale(exact, D(60), Pot(D(4000), wax_alone=True)) == (D(3720), D(300))


def test_a_recipe_above_its_wax_is_lowered_to_it() -> None:
    """12 % on a wax that carries 10 %: 1,000 g of wax take 100 g, not 120."""
    oil = replace(OIL, quantity=D("0.12"))
    assert on_scale([Part(WAX, D(1000), D("0.10")), Part(oil, D(120))], D(1)) == (D(1000), D(100))


_SHARES = st.lists(st.tuples(st.integers(1, 900), st.sampled_from([None, D("0.05"), D("0.08"), D("0.10")])),
                   min_size=1, max_size=3)  # fmt: skip
_LOADS = st.lists(
    st.tuples(st.sampled_from([Basis.LOAD_ON_CARRIER, Basis.LOAD_ON_TOTAL]), st.integers(1, 120), st.booleans()),
    max_size=3,
)
_DIVISIONS = st.sampled_from([D("0.001"), D("0.01"), D("0.1"), D("0.25"), D(1), D(5), D("7.3"), OZ / 4, D(100)])


@LAWS
@given(shares=_SHARES, loads=_LOADS, net_mg=st.integers(1, 8_000_000), division=_DIVISIONS, wax_alone=st.booleans())
def test_a_weighed_load_passes_no_limit(
    *,
    shares: list[tuple[int, D | None]],
    loads: list[tuple[Basis, int, bool]],
    net_mg: int,
    division: D,
    wax_alone: bool,
) -> None:
    """Whatever the scale and the recipe: whole divisions, within the wax's maximum, within the pot.

    Per wax with a maximum on file all loads on it together are at most that; on a wax
    without one each load is at most what the recipe asks for; what fits the pot exactly
    fits it as weighed.
    """
    whole = sum(share for share, _ in shares)
    lines = [line(f"WAX-{n}", Basis.SHARE, str(D(share) / whole)) for n, (share, _) in enumerate(shares)]
    lines += [
        line("ADDITIVE", basis, str(D(share) / 1000),
             "WAX-0" if of_first and basis is Basis.LOAD_ON_CARRIER else "")
        for basis, share, of_first in loads
    ]  # fmt: skip
    waxes = [Item(code=f"WAX-{n}", name="Wax", kind=ItemKind.MATERIAL, unit=Unit.GRAM, max_load=limit)
             for n, (_, limit) in enumerate(shares)]  # fmt: skip
    additive = Item(code="ADDITIVE", name="Additive", kind=ItemKind.MATERIAL, unit=Unit.GRAM)
    goods = goods_with(*waxes, additive, base(*lines))
    plan = melt_plan(goods, BASE, D(net_mg) / 1000, Dosing(division=division))
    parts = [Part(dose.line, dose.grams, dose.item.max_load) for dose in plan.doses]
    pot = Pot(sum((part.grams for part in parts if part.is_share or not wax_alone), D(0)), wax_alone)

    weighed = on_scale(parts, division, pot)

    assert all(grams >= 0 and (Fraction(grams) / Fraction(division)).denominator == 1 for grams in weighed)
    assert sum(grams for part, grams in zip(parts, weighed, strict=True) if pot.counts(part)) <= pot.room_g
    for wax in (at for at, part in enumerate(parts) if part.is_share):
        on_it = [at for at, part in enumerate(parts) if not part.is_share and wax in carriers_of(parts, at)]
        limit = parts[wax].max_load
        if limit is not None:
            assert sum(load_on(parts, weighed, at) for at in on_it) <= Fraction(limit)
        else:
            assert all(load_on(parts, weighed, at) <= _asked(lines, parts[at].line) for at in on_it)


def _asked(lines: list[RecipeLine], of: RecipeLine) -> Fraction:
    """A load of a recipe as a share of its wax: p, or for a load q on the total q x T / M."""
    shares = {found.component: Fraction(found.quantity) for found in lines if found.basis is Basis.SHARE}
    if of.basis is Basis.LOAD_ON_CARRIER:
        return Fraction(of.quantity)
    carried = [
        Fraction(found.quantity) * (shares[found.carrier] if found.carrier else sum(shares.values()))
        for found in lines
        if found.basis is Basis.LOAD_ON_CARRIER
    ]
    on_total = sum((Fraction(found.quantity) for found in lines if found.basis is Basis.LOAD_ON_TOTAL), Fraction(0))
    whole = sum(shares.values())
    return Fraction(of.quantity) * (whole + sum(carried)) / (1 - on_total) / whole


# ── what a load is weighed from ──────────────────────────────────────────────────


def test_a_blend_is_mixed_before_the_melt_it_goes_into() -> None:
    """10 cups: 1,500 / 0.97 = 1,546.392 g; / 1.08 = 1,431.844 g blend; of that 70 % soy and 30 % casting wax."""
    blend = Item(code="BLEND", name="Blend", kind=ItemKind.PART, unit=Unit.GRAM, recipe=Recipe(
        version=4, lines=(line("SOY", Basis.SHARE, "0.7"), line("CASTWAX", Basis.SHARE, "0.3")),
    ))  # fmt: skip
    goods = goods_with(blend, base(line("BLEND", Basis.SHARE, "1"), OIL))
    mixed, poured = melt_plans(goods, pour(10), Dosing(division=D(1)))

    assert (mixed.sku.item, mixed.into, mixed.net_g) == ("BLEND", BASE, D(1432))
    # 1,432 x 0.7 = 1,002.4 and x 0.3 = 429.6.
    assert [(dose.item.code, dose.scale_g) for dose in mixed.doses] == [("SOY", D(1002)), ("CASTWAX", D(430))]
    assert [(dose.item.code, dose.scale_g) for dose in poured.doses] == [("BLEND", D(1432)), ("OIL-RG", D(114))]
    assert planned_mg([mixed, poured]) == {"SOY": 1_002_000, "CASTWAX": 430_000, "OIL-RG": 114_000}
    assert recipes_used(goods, pour(10)) == {"SUC": 1, "BLEND": 4, "BASE": 1}


def test_what_is_left_of_an_earlier_melt_comes_off_the_gross() -> None:
    """3,865.979 g less 100 g left: 3,765.979 / 1.08 = 3,487.018 g wax; x 0.08 = 278.961 g oil."""
    (plan,) = melt_plans(mossgate.catalogue(), pour(12, 13), Dosing(leftovers={BASE: D(100)}))

    assert (plan.gross_g, plan.leftover_g) == (D("3865.979"), D(100))
    assert [dose.grams for dose in plan.doses] == [D("3487.018"), D("278.961")]


def test_more_left_than_is_needed_weighs_nothing_anew() -> None:
    (plan,) = melt_plans(mossgate.catalogue(), pour(2), Dosing(leftovers={BASE: D(5000)}))

    # 300 / 0.97 = 309.278 g are all there already.
    assert plan.leftover_g == D("309.278")
    assert [dose.scale_g for dose in plan.doses] == [0, 0]


def test_what_was_weighed_beyond_the_plan_is_left_less_its_loss() -> None:
    """100 g more than planned, 3 % lost: 97 g are left; less than planned leaves nothing."""
    melt = mossgate.catalogue().items["BASE"]

    assert left_over(melt, 3_865_980, 3_965_980) == 97_000
    assert left_over(melt, 3_865_980, 3_800_000) == 0


def test_a_substitute_is_weighed_in_its_place_by_its_own_limit() -> None:
    """The stand-in carries 6 %, so 3,580 g of it take 214.8 g of oil at most: 214 on a scale of 1 g."""
    other = Item(code="SOY-2", name="Other soy", kind=ItemKind.MATERIAL, unit=Unit.GRAM, max_load=D("0.06"))
    goods = replace(goods_with(other), substitutes={"SOY": ("SOY-2",)})
    (plan,) = melt_plans(goods, pour(12, 13), Dosing(division=D(1), swaps={"SOY": "SOY-2"}))

    assert [(dose.item.code, dose.named, dose.scale_g) for dose in plan.doses] == [
        ("SOY-2", "SOY", D(3580)),
        ("OIL-RG", "OIL-RG", D(214)),
    ]


def test_drops_by_the_batch_are_counted_and_additives_weighed() -> None:
    dye = Item(code="DYE", name="Dye", kind=ItemKind.MATERIAL, unit=Unit.PIECE)
    uv = Item(code="UV", name="UV inhibitor", kind=ItemKind.MATERIAL, unit=Unit.GRAM)
    goods = goods_with(dye, uv, base(WAX, OIL, line("DYE", Basis.PER_BATCH, "6"), line("UV", Basis.PER_BATCH, "1.5")))
    plans = melt_plans(goods, pour(2), Dosing(division=D(1)))

    assert counted_pieces(plans) == {"DYE": 6}
    assert planned_mg(plans)["UV"] == 1500


def test_a_pot_of_wax_that_fills_eleven_tops_and_not_quite_twelve_says_so() -> None:
    """Common practice, no source: a 16 oz pot of wax at 8 % makes 17.28 oz; / 1.5 oz = 11.52 tops."""
    pot = Equipment(code="BOWL", name="Top pot", kind="pot", load_g=16 * OZ, load_pieces=12, load_basis="carrier")
    top = Item(code="MOSS", name="Top", kind=ItemKind.PART, unit=Unit.GRAM, scented=True, recipe=Recipe(
        lines=(line("WHIPWAX", Basis.SHARE, "1"), OIL)
    ))  # fmt: skip
    goods = goods_with(top)
    suc = goods.items["SUC"]
    recipe = goods.recipe("SUC")
    lines = tuple(replace(one, quantity=OZ * D("1.5")) if one.component == "MOSS" else one for one in recipe.lines)
    goods = replace(
        goods, items={**goods.items, "SUC": replace(suc, recipe=replace(recipe, lines=lines))},
        equipment={**goods.equipment, "BOWL": pot},
    )  # fmt: skip
    pipe = goods.recipe("SUC").operations[1]
    portions = (Portion("1", SUC, "pipe", 11),)
    load = Load(work=Work("BOWL", Sku("MOSS", "RG")), day=date(2026, 3, 6), portions=portions)
    room = load_room(goods, pot, "MOSS")

    assert room is not None
    assert in_ounces(room) == D("17.280")
    assert load_pieces(goods, "SUC", pipe) == 11
    (said,) = [note.text for note in notes_for_load(goods, load) if note.code == "load"]
    # 17.28 oz = 489.88 g; 1.5 oz = 42.524285 g.
    assert "489.88 g" in said
    assert "11 full pieces and not quite the 12" in said
