"""A basket's rules at Mossgate: cases, mixes and states (common practice, no source)."""

from dataclasses import replace

import pytest

from tests import mossgate
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.orders import MOST_CASES, Basket, BasketLine, OrderState, refuse_basket, refuse_step
from wholesale.core.values import Refusal

GOODS = mossgate.catalogue()


def line(item: str = "PEB", cases: int = 1, **mix: int) -> BasketLine:
    """One line of a basket; the mix is by scent."""
    return BasketLine(item=item, cases=cases, mix=tuple(mix.items()))


def refused(asked: BasketLine, catalogue: Catalogue = GOODS) -> Refusal:
    """The refusal that one line meets."""
    with pytest.raises(Refusal) as met:
        refuse_basket(Basket(lines=(asked,)), catalogue)
    return met.value


@pytest.mark.parametrize(
    "asked",
    [line(RG=6), line(RG=3, CF=3), line(RG=2, CF=2, WS=2), line("FRN", RG=4, CF=4, WS=4), line(cases=MOST_CASES, RG=6)],
)
def test_a_full_case_of_at_most_three_scents_is_taken(asked: BasketLine) -> None:
    """A case of 6 (fern tins: 12), at least 2 of each scent."""
    refuse_basket(Basket(lines=(asked,)), GOODS)


@pytest.mark.parametrize(
    ("asked", "code", "words"),
    [
        (line(RG=3, CF=2, WS=1), "mix_least", "at least 2 of each scent; too few of Wet stone"),
        (line(RG=5), "mix_total", "holds 6 pieces, the scents chosen make 5"),
        (line(RG=7), "mix_total", "holds 6 pieces, the scents chosen make 7"),
        (line("FRN", RG=6), "mix_total", "holds 12 pieces"),
        (line(RG=8, CF=-2), "mix_least", "too few of Cedar frame"),
        (line(RG=6, CF=0), "mix_least", "too few of Cedar frame"),
        (line(ROSE=6), "unknown_scent", "does not come in 'ROSE'; choose CF, RG, WS"),
        (line(cases=0, RG=6), "cases", f"give a whole number from 1 to {MOST_CASES}"),
        (line(cases=MOST_CASES + 1, RG=6), "cases", "cases can't be ordered"),
        (line("XYZ", RG=6), "unknown_product", "no product 'XYZ'"),
        # a part is not for sale
        (line("ROSETTE", RG=6), "unknown_product", "no product 'ROSETTE'"),
    ],
)
def test_a_line_that_breaks_a_rule_is_refused_by_it(asked: BasketLine, code: str, words: str) -> None:
    """The message says which line and what would do; the field is the product."""
    refusal = refused(asked)

    assert (refusal.code, refusal.field) == (code, asked.item)
    assert words in refusal.message


def test_a_fourth_scent_is_one_too_many() -> None:
    """At most three in a case of twelve; with four allowed it passes."""
    fourth = replace(GOODS.scents["WS"], code="ML", name="Mown lawn")
    wide = replace(GOODS, scents={**GOODS.scents, "ML": fourth})
    asked = line("FRN", RG=3, CF=3, WS=3, ML=3)

    assert refused(asked, wide).code == "mix_scents"
    four = replace(wide, items={**wide.items, "FRN": replace(wide.items["FRN"], mix_scents=4)})
    refuse_basket(Basket(lines=(asked,)), four)


def test_a_withdrawn_product_and_an_empty_basket_are_refused() -> None:
    """Each with a sentence of its own."""
    gone = replace(GOODS, items={**GOODS.items, "PEB": replace(GOODS.items["PEB"], on_sale=False)})

    assert refused(line(RG=6), gone).code == "not_sold"
    with pytest.raises(Refusal, match="choose at least one case"):
        refuse_basket(Basket(lines=()), GOODS)


def test_an_unscented_product_takes_its_case_without_a_scent() -> None:
    """Its one scent is the empty one."""
    plain = replace(GOODS, items={**GOODS.items, "PEB": replace(GOODS.items["PEB"], scented=False)})
    asked = BasketLine(item="PEB", cases=1, mix=(("", 6),))

    refuse_basket(Basket(lines=(asked,)), plain)
    assert refused(line(RG=6), plain).code == "unknown_scent"


def test_pieces_are_counted_over_cases_and_lines() -> None:
    """2 cases of 3 + 3 and one case of 6 in rain garden: 2 x 3 + 6 = 12 and 2 x 3 = 6."""
    basket = Basket(lines=(line(cases=2, RG=3, CF=3), line(RG=6)))

    assert basket.pieces() == {Sku("PEB", "RG"): 12, Sku("PEB", "CF"): 6}


@pytest.mark.parametrize("state", OrderState)
@pytest.mark.parametrize("to", OrderState)
def test_an_order_moves_only_forward(state: OrderState, to: OrderState) -> None:
    """Placed: confirmed, refused or withdrawn; confirmed: shipped; the rest is final."""
    placed, confirmed = OrderState.PLACED, OrderState.CONFIRMED
    allowed = {(placed, OrderState.REFUSED), (placed, OrderState.WITHDRAWN)}
    allowed |= {(placed, confirmed), (confirmed, OrderState.SHIPPED)}

    if (state, to) in allowed:
        refuse_step("W-1001", state, to)
        return
    with pytest.raises(Refusal, match=f"Order W-1001 is {state}; it can't become {to}"):
        refuse_step("W-1001", state, to)


def test_a_scent_that_stands_twice_in_a_case_is_refused() -> None:
    """Three and three of rain garden make six pieces, and would be two rows of one scent."""
    asked = BasketLine(item="PEB", cases=1, mix=(("RG", 3), ("RG", 3)))

    found = refused(asked)
    assert found.code == "mix_twice"
    assert "a scent stands in the case twice" in found.message
