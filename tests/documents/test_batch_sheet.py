"""The arithmetic of the batch sheet: losses, both bases of a load, parts, extras."""

from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import mossgate
from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Recipe, RecipeLine, Sku, Unit
from wholesale.core.documents import batch
from wholesale.core.production.work import Load, Portion, Work
from wholesale.core.values import percent, plain


def pour(*portions: Portion) -> Load:
    return Load(work=Work("POT-A", Sku("BASE", "RG")), day=date(2026, 3, 5), portions=portions)


def with_base(*lines: RecipeLine, goods: Catalogue | None = None) -> Catalogue:
    """Mossgate with another recipe for its base melt."""
    goods = goods or mossgate.catalogue()
    base = replace(goods.items["BASE"], loss=D(0), recipe=Recipe(lines=lines))
    return replace(goods, items={**goods.items, "BASE": base})


def line(component: str | None, basis: Basis, quantity: str, carrier: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), carrier=carrier)


@pytest.mark.parametrize(
    ("number", "digits", "written"),
    [
        (D("1855.670"), 6, "1,855.67"),
        (D("0.030000"), 6, "0.03"),
        (D(1000), 6, "1,000"),
        (D("7.4074"), 2, "7.41"),
        (D("2.005"), 2, "2.01"),
        (D(0), 2, "0"),
    ],
)
def test_numbers_are_written_without_idle_zeros(number: D, digits: int, written: str) -> None:
    assert plain(number, digits) == written


def test_a_percentage_keeps_its_sign_beside_it() -> None:
    assert percent(D("6.500")) == "6.5\u00a0%"
    assert percent(D(100)) == "100\u00a0%"


def test_orders_for_one_melt_are_weighed_together_and_the_loss_is_grossed_up_once() -> None:
    """Trade scenario S2: 12 + 13 SUC: 25 × 150 = 3,750; ÷ 0.97 = 3,865.979; 3,579.610 wax + 286.369 oil."""
    sku = Sku("SUC", "RG")
    (melt,) = batch.melts(mossgate.catalogue(), pour(Portion("1", sku, "pour", 12), Portion("2", sku, "pour", 13)))

    assert melt.net_how == "25 × 150 g"
    assert melt.gross_how == "3,750 ÷ (1 − 0.03)"
    assert melt.gross_g == D("3865.979")
    assert [part.grams for part in melt.ingredients] == [D("3579.610"), D("286.369")]
    assert [part.how for part in melt.ingredients] == ["3,865.979 ÷ 1.08", "0.08 × 3,579.61"]


def test_products_that_share_a_melt_are_both_named() -> None:
    """6 × 150 + 12 × 180 = 900 + 2,160 = 3,060; ÷ 0.97 = 3,154.639."""
    load = pour(Portion("1", Sku("SUC", "RG"), "pour", 6), Portion("2", Sku("PEB", "RG"), "pour", 12))
    (melt,) = batch.melts(mossgate.catalogue(), load)

    assert melt.net_how == "6 × 150 g + 12 × 180 g"
    assert melt.gross_g == D("3154.639")


def test_what_is_shown_always_adds_up_to_the_shown_whole() -> None:
    """Thirds of 100 g: 33.334 + 33.333 + 33.333 = 100, not 99.999."""
    thirds = ("0.333333", "0.333333", "0.333334")
    lines = [line(code, Basis.SHARE, share) for code, share in zip(("SOY", "WHIPWAX", "CASTWAX"), thirds, strict=True)]
    melt = batch.melt_of(with_base(*lines), Sku("BASE", "RG"), [batch.Fill(name="x", pieces=1, grams_each=D(100))])

    assert sorted(part.grams for part in melt.ingredients) == [D("33.333"), D("33.333"), D("33.334")]
    assert sum(part.grams for part in melt.ingredients) == melt.gross_g == D(100)


@given(pieces=st.integers(1, 60), loss=st.decimals("0", "0.2", places=3), load=st.decimals("0.01", "0.12", places=4))
def test_what_is_called_exact_is_exact_to_the_milligram(pieces: int, loss: D, load: D) -> None:
    """The gross is net ÷ (1 − loss) to the milligram; each part is whole milligrams within one of its own share."""
    base = with_base(line("SOY", Basis.SHARE, "1"), line(None, Basis.LOAD_ON_CARRIER, str(load)))
    goods = replace(base, items={**base.items, "BASE": replace(base.items["BASE"], loss=loss)})
    (melt,) = batch.melts(goods, pour(Portion("1", Sku("SUC", "RG"), "pour", pieces)))
    wax = Fraction(melt.gross_g) / (1 + Fraction(load))

    assert abs(Fraction(melt.gross_g) - Fraction(150 * pieces) / (1 - Fraction(loss))) <= Fraction(1, 2000)
    assert sum(part.grams for part in melt.ingredients) == melt.gross_g
    for part, share in zip(melt.ingredients, (wax, wax * Fraction(load)), strict=True):
        assert part.grams == round(part.grams, 3)
        assert abs(Fraction(part.grams) - share) < Fraction(1, 1000)


def test_a_load_on_the_whole_is_told_from_a_load_on_the_wax() -> None:
    """8 % in 4,000 g is 296.296 g of the wax's (4,000 / 1.08 × 0.08) or 320 g of the whole's (trade.md, 0)."""
    fill = [batch.Fill(name="x", pieces=1, grams_each=D(4000))]
    of_wax = with_base(line("SOY", Basis.SHARE, "1"), line(None, Basis.LOAD_ON_CARRIER, "0.08"))
    of_whole = with_base(line("SOY", Basis.SHARE, "1"), line(None, Basis.LOAD_ON_TOTAL, "0.08"))
    wax, oil = batch.melt_of(of_wax, Sku("BASE", "RG"), fill).ingredients
    wax_of_whole, oil_of_whole = batch.melt_of(of_whole, Sku("BASE", "RG"), fill).ingredients

    assert (wax.grams, oil.grams) == (D("3703.704"), D("296.296"))
    assert oil.bases == "8\u00a0% of the wax, 7.41\u00a0% of the whole"
    assert (wax_of_whole.grams, oil_of_whole.grams) == (D("3680.00"), D("320.00"))
    # 320 / 3,680 = 8.70 %.
    assert oil_of_whole.bases == "8\u00a0% of the whole, 8.7\u00a0% of the wax"
    assert wax_of_whole.how == "4,000 × (1 − 0.08)"


def test_a_load_on_one_of_several_waxes_names_it() -> None:
    """Soy 60 %, whip 40 %, oil 10 % of the soy: carriers 1 + 0.06 = 1.06; 1,060 g: 600 + 400 + 60."""
    goods = with_base(
        line("SOY", Basis.SHARE, "0.6"), line("WHIPWAX", Basis.SHARE, "0.4"),
        line(None, Basis.LOAD_ON_CARRIER, "0.1", "SOY"),
    )  # fmt: skip
    melt = batch.melt_of(goods, Sku("BASE", "RG"), [batch.Fill(name="x", pieces=1, grams_each=D(1060))])

    assert [part.grams for part in melt.ingredients] == [D("600.00"), D("400.00"), D("60.00")]
    assert melt.ingredients[0].how == "1,060 ÷ 1.06 × 0.6"
    assert melt.ingredients[2].bases == "10\u00a0% of Soy wax, 5.66\u00a0% of the whole"
    assert melt.gross_how == "nothing is lost"


def test_what_is_added_by_the_batch_stands_beside_the_melt() -> None:
    goods = mossgate.catalogue()
    dye = Item(code="DYE", name="Leaf dye", kind=ItemKind.MATERIAL, unit=Unit.PIECE)
    goods = replace(goods, items={**goods.items, "DYE": dye})
    goods = with_base(line("SOY", Basis.SHARE, "1"), line("DYE", Basis.PER_BATCH, "6"), goods=goods)
    melt = batch.melt_of(goods, Sku("BASE", "RG"), [batch.Fill(name="x", pieces=1, grams_each=D(100))])

    assert melt.extras == (batch.Extra(code="DYE", name="Leaf dye", quantity="6 pieces to the melt"),)


def test_a_wax_that_is_melted_as_it_is_bought_is_weighed_with_its_loss() -> None:
    goods = mossgate.catalogue()
    melt = batch.melt_of(goods, Sku("SOY"), [batch.Fill(name="x", pieces=10, grams_each=D(5))])

    assert [(part.name, part.grams, part.how) for part in melt.ingredients] == [("Soy wax", D("50.00"), "all of it")]


def test_a_casting_load_weighs_its_wax_though_the_tray_counts_pieces() -> None:
    """28 rosettes × 15 g = 420 g; ÷ 0.97 = 432.990 g."""
    sku = Sku("ROSETTE")
    load = Load(work=Work("TRAY-R", sku, "cast"), day=date(2026, 3, 5), portions=(Portion("1", sku, "cast", 28),))
    (melt,) = batch.melts(mossgate.catalogue(), load)

    assert (melt.name, melt.gross_g) == ("Casting melt", D("432.99"))


def test_pebbles_are_laid_ready_for_the_seal() -> None:
    """20 jars × 5 pebbles = 100 pebbles; the seal itself is a melt, not a part."""
    sku = Sku("PEB", "RG")
    load = Load(work=Work("POT-B", Sku("SEAL")), day=date(2026, 3, 6), portions=(Portion("1", sku, "seal", 20),))

    assert batch.parts(mossgate.catalogue(), load) == (
        batch.Extra(code="PEBBLE", name="Pebble", quantity="100 pieces"),
    )


def test_the_suppliers_figures_stand_beside_the_oil() -> None:
    goods = mossgate.catalogue()
    oil = replace(goods.items["OIL-RG"], flash_point_c=D("93.0"), heating_limit_c=D("85.0"))
    goods = replace(goods, items={**goods.items, "OIL-RG": oil})
    (melt,) = batch.melts(goods, pour(Portion("1", Sku("SUC", "RG"), "pour", 6)))

    assert (melt.ingredients[1].flash_point_c, melt.ingredients[1].heating_limit_c) == (D("93.0"), D("85.0"))
    assert (melt.ingredients[0].is_load, melt.ingredients[1].is_load) == (False, True)


def test_work_by_hand_holds_nothing_and_melts_nothing() -> None:
    sku = Sku("SUC", "RG")
    load = Load(work=Work("", sku, "finish"), day=date(2026, 3, 9), portions=(Portion("1", sku, "finish", 12),))
    goods = mossgate.catalogue()

    assert batch.holds(goods, "") == ""
    assert batch.melts(goods, load) == ()
    assert [step.name for step in batch.steps(goods, load)] == ["Finish"]
