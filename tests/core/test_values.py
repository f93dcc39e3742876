"""Money, mass, shares and codes against published values."""

from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wholesale.core import values
from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Recipe, RecipeLine, Sku, Unit, melt_weights
from wholesale.core.values import Refusal

# ISO 4217 list one: currencies whose minor unit is not 2.
ZERO = ["BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG"]
ZERO += ["RWF", "UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF"]
THREE = ["BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"]
FOUR = ["CLF", "UYW"]


@pytest.mark.parametrize(
    ("codes", "digits"), [(ZERO, 0), (THREE, 3), (FOUR, 4), (["USD", "EUR", "GBP", "HUF", "AFN", "MGA"], 2)]
)
def test_minor_units_are_those_of_iso_4217(codes: list[str], digits: int) -> None:
    """ISO 4217 list one; HUF, AFN and MGA have 2 there, whatever a locale prints."""
    assert {code: values.minor_units(code) for code in codes} == dict.fromkeys(codes, digits)


@pytest.mark.parametrize("code", ["XAU", "XAG", "XDR", "XXX", "ABC", ""])
def test_a_code_that_nothing_is_paid_in_is_refused(code: str) -> None:
    """Gold, silver, drawing rights and no currency have no minor unit in ISO 4217."""
    with pytest.raises(Refusal, match="ISO 4217"):
        values.minor_units(code)


@pytest.mark.parametrize(
    ("exact", "rounded"), [("2.345", "2.35"), ("2.355", "2.36"), ("-13.775", "-13.78"), ("1.005", "1.01")]
)
def test_halves_go_away_from_zero(exact: str, rounded: str) -> None:
    """EN 16931 BR-CO-17 practice (CEN test case BR-CO-17: -72.50 at 19 % = -13.775 becomes -13.78)."""
    assert values.round_money(D(exact), "EUR") == D(rounded)


def test_the_ounce_and_the_pound_are_exact() -> None:
    """International pound 1959, NIST Handbook 44 appendix C: 28.349523125 g, 453.59237 g."""
    assert D("28.349523125") == values.GRAMS_PER_OUNCE
    assert values.ounces(D("453.59237")) == 16


@pytest.mark.parametrize("gtin", ["6291041500213", "4006381333931", "036000291452", "73513537", "9506000134352"])
def test_a_right_gtin_is_kept(gtin: str) -> None:
    """GS1 check-digit page (the first), and GTIN-13, -12 and -8 examples of GS1's specifications (from memory)."""
    assert values.check_gtin(gtin) == gtin


@pytest.mark.parametrize("gtin", ["6291041500214", "4006381333932", "12", "abc"])
def test_a_wrong_gtin_is_refused(gtin: str) -> None:
    """6 2 9 1 0 4 1 5 0 0 2 1 weighs to 57, so the check digit is 3 (GS1's worked example), not 4."""
    with pytest.raises(Refusal, match="check digit"):
        values.check_gtin(gtin)


@pytest.mark.parametrize(
    ("total", "weights", "parts"),
    [
        # Foemmel's conundrum, 5 cents by 3:7: Fowler, Patterns of Enterprise Application Architecture (2002) 488-495
        (5, [3, 7], (2, 3)),
        # 8.00 by 3: documentation of a public money library (moneyphp)
        (800, [1, 1, 1], (267, 267, 266)),
        # 100.00 by 3 and 0.01 by 2: the same rule, computed
        (10000, [1, 1, 1], (3334, 3333, 3333)),
        (1, [1, 1], (1, 0)),
    ],
)
def test_shares_are_dealt_by_largest_remainder(total: int, weights: list[int], parts: tuple[int, ...]) -> None:
    """Ties go to the first."""
    assert values.share(total, weights) == parts


@given(total=st.integers(-(10**12), 10**12), weights=st.lists(st.integers(0, 10**6), min_size=1, max_size=12))
def test_shares_sum_to_the_whole(total: int, weights: list[int]) -> None:
    """For any amount and any weights, zeros included."""
    assert sum(values.share(total, weights)) == total


def test_thirty_are_started_for_twenty_seven_good_ones() -> None:
    """Definition, start = net / (1 - loss): 27 / 0.9 = 30; 400 / 0.95 = 421.05, so 422."""
    assert (values.ceil_div(27, D("0.9")), values.ceil_div(400, D("0.95"))) == (30, 422)


def blend(basis: Basis, load: str, loss: str = "0") -> Catalogue:
    """A melt of wax with a load of oil."""
    lines = (
        RecipeLine(component="WAX", basis=Basis.SHARE, quantity=D(1)),
        RecipeLine(component="OIL", basis=basis, quantity=D(load)),
    )
    grams = {"kind": ItemKind.MATERIAL, "unit": Unit.GRAM}
    melt = Item(code="MELT", name="Melt", kind=ItemKind.PART, unit=Unit.GRAM, loss=D(loss), recipe=Recipe(lines=lines))
    wax, oil = (Item(code=code, name=code, **grams) for code in ("WAX", "OIL"))  # type: ignore[arg-type]
    return Catalogue(items={item.code: item for item in (melt, wax, oil)})


def weights(basis: Basis, load: str, net: str) -> tuple[D, D]:
    """Wax and oil, in grams, for a melt of so many grams."""
    wax, oil = melt_weights(blend(basis, load), Sku("MELT"), D(net))
    return wax.grams, oil.grams


def test_a_load_of_wax_is_not_a_load_of_the_total() -> None:
    """8 % in a 4,000 g pot: 4,000 / 1.08 x 0.08 = 296.296 g of the wax, 320 g of the total (worked by hand)."""
    assert weights(Basis.LOAD_ON_CARRIER, "0.08", "4000")[1] == D("296.296")
    assert weights(Basis.LOAD_ON_TOTAL, "0.08", "4000")[1] == D("320.000")


def test_eight_per_cent_of_the_wax_on_nine_and_a_half_ounces() -> None:
    """9.5 / 1.08 = 8.80 oz wax and 0.70 oz oil; a maker rounds to 8.75 and 0.75 (common practice, no source)."""
    wax, oil = weights(Basis.LOAD_ON_CARRIER, "0.08", str(D("9.5") * values.GRAMS_PER_OUNCE))

    assert (round(values.ounces(wax), 2), round(values.ounces(oil), 2)) == (D("8.80"), D("0.70"))
    # to the quarter of an ounce: 8.80 x 4 = 35.19, 35 quarters; 0.70 x 4 = 2.81, 3 quarters
    assert [round(values.ounces(part) * 4) / D(4) for part in (wax, oil)] == [D("8.75"), D("0.75")]


@given(grams=st.decimals("1", "20000", places=3))
def test_wax_times_the_load_is_the_fragrance_to_weigh(grams: D) -> None:
    """Wax x 0.08, to the milligram, for any melt (common practice, no source); together they make the melt."""
    wax, oil = weights(Basis.LOAD_ON_CARRIER, "0.08", str(grams))

    assert abs(oil - wax * D("0.08")) <= D("0.001")
    assert wax + oil == grams


def test_a_fill_weight_is_split_at_ten_per_cent_of_the_wax() -> None:
    """219.30 g = 199.36 + 19.94 (a candle supplier's worked example, cierracandles.com)."""
    wax, oil = weights(Basis.LOAD_ON_CARRIER, "0.10", "219.30")

    assert (round(wax, 2), round(oil, 2)) == (D("199.36"), D("19.94"))


def test_a_melt_without_a_carrier_is_refused() -> None:
    """There is nothing an oil could be a share of."""
    goods = blend(Basis.LOAD_ON_CARRIER, "0.08")
    lines = goods.items["MELT"].recipe.lines[1:]  # type: ignore[union-attr]
    melt = Item(code="MELT", name="Melt", kind=ItemKind.PART, unit=Unit.GRAM, recipe=Recipe(lines=lines))

    with pytest.raises(Refusal, match="at least one line with a share"):
        melt_weights(Catalogue(items={**goods.items, "MELT": melt}), Sku("MELT"), D(100))
