"""Scenarios S1, S2, S3 and S4 through the core, with every number.

Worked by hand for an invented bench (common practice, no source).
2 March 2026 is a Monday.
"""

from datetime import date, time
from decimal import Decimal as D

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku, melt_weights
from wholesale.core.orders import BasketLine, refuse_line
from wholesale.core.pricing import Account, Goods, Offer, Priced, price, refuse_below_minimum
from wholesale.core.production.check import check
from wholesale.core.production.explode import explode
from wholesale.core.production.plan import Outcome
from wholesale.core.production.promise import Asked, Promise, promise
from wholesale.core.production.work import Plan, pieces_by_day
from wholesale.core.values import Refusal

TODAY = date(2026, 3, 5)
NEW, KNOWN = Account(), Account(last_order_on=date(2026, 1, 20))
PRICES = {
    "SUC": ("Succulent cup", D("12.00"), 6),
    "PEB": ("Pebble jar", D("10.00"), 6),
    "FRN": ("Fern tin", D("7.50"), 12),
}
OFFERS = [Offer(item=code, name=name, case_price=unit * pack) for code, (name, unit, pack) in PRICES.items()]


def priced(account: Account = KNOWN, *, cases: dict[str, int], tiers: str = "whole_order") -> Priced:
    """Cases of each product, priced by Mossgate's terms."""
    goods = [Goods(item=c, cases=n, case_pack=PRICES[c][2], unit_price=PRICES[c][1]) for c, n in cases.items()]
    return price(goods, mossgate.terms(tier_method=tiers), account, TODAY, OFFERS)


def test_s1_a_first_order_below_the_opening_minimum_is_offered_the_cheapest_case() -> None:
    """2 x 72 + 60 = 204; 240 - 204 = 36 short; PEB at 60 closes it, cheaper than SUC 72 and FRN 90."""
    found = priced(NEW, cases={"SUC": 2, "PEB": 1})
    gap = found.gaps[0]

    assert (found.totals.list_goods, gap.kind, gap.missing) == (204, "minimum", 36)
    assert gap.closer is not None
    assert (gap.closer.item, gap.closer.cases, gap.closer.list_amount) == ("PEB", 1, 60)
    with pytest.raises(Refusal, match=r"\$36.00 below the opening minimum of \$240.00"):
        refuse_below_minimum(found)


def test_s1_the_closed_gap_passes_with_its_amounts() -> None:
    """264 >= 240; tier 0 %; freight 18 as 264 < 400; total 282; deposit 141; tax 264 x 0.065 = 17.16; 299.16."""
    totals = priced(NEW, cases={"SUC": 2, "PEB": 2}).totals

    assert (totals.goods, totals.tier_percent, totals.freight, totals.total) == (264, 0, 18, 282)
    assert (totals.deposit, totals.tax, totals.total_with_tax) == (141, D("17.16"), D("299.16"))


def test_s1_the_same_204_passes_as_a_reorder_and_a_certificate_takes_the_tax_off() -> None:
    """204 >= 120; with a certificate 264 + 18 = 282.00."""
    refuse_below_minimum(priced(cases={"SUC": 2, "PEB": 1}))
    exempt = Account(last_order_on=TODAY, tax_exempt_because="certificate held")

    assert priced(exempt, cases={"SUC": 2, "PEB": 2}).totals.total_with_tax == 282


@pytest.mark.parametrize(
    ("cases", "tiers", "goods", "freight"),
    [
        # 72 + 7 x 60 = 492, no tier
        ({"SUC": 1, "PEB": 7}, "whole_order", "492.00", "0"),
        # 7 x 72 = 504; 504 x 0.95
        ({"SUC": 7}, "whole_order", "478.80", "0"),
        # 500 + 4 x 0.95
        ({"SUC": 7}, "marginal", "503.80", "0"),
        # 3 x 72 + 3 x 60 = 396 < 400: 396 + 18 = 414
        ({"SUC": 3, "PEB": 3}, "whole_order", "396.00", "18"),
        # one PEB case more: 456 + 0, 60 of goods for 42
        ({"SUC": 3, "PEB": 4}, "whole_order", "456.00", "0"),
    ],
)
def test_s1_cliffs(cases: dict[str, int], tiers: str, goods: str, freight: str) -> None:
    """Just below and just above a tier and the free freight."""
    totals = priced(cases=cases, tiers=tiers).totals

    assert (totals.goods, totals.freight) == (D(goods), D(freight))


def test_s1_the_case_that_frees_the_freight_costs_42_more() -> None:
    """396 + 18 = 414; 456 + 0 = 456; 456 - 414 = 42."""
    gap = next(g for g in priced(cases={"SUC": 3, "PEB": 3}).gaps if g.kind == "free_freight")

    assert gap.closer is not None
    assert (gap.missing, gap.closer.list_amount, gap.closer.total_change) == (4, 60, 42)


def test_s1_a_mixed_case_needs_two_of_each_of_at_most_three_scents() -> None:
    """2/2/2 is a case; 3/2/1 fails by its 1."""
    goods = mossgate.catalogue()
    refuse_line(BasketLine(item="PEB", cases=1, mix=(("RG", 2), ("CF", 2), ("WS", 2))), goods)

    with pytest.raises(Refusal, match="at least 2 of each scent; too few of Wet stone"):
        refuse_line(BasketLine(item="PEB", cases=1, mix=(("RG", 3), ("CF", 2), ("WS", 1))), goods)


def test_s2_two_orders_share_a_melt_to_the_gram() -> None:
    """25 x 150 = 3,750; / 0.97 = 3,865.98 g; / 1.08 = 3,579.61 wax + 286.37 oil; 25 / 0.92 = 27.17: 28 casts."""
    wax, oil = melt_weights(mossgate.catalogue(), Sku("BASE", "RG"), D(3750))
    needs = {need.sku: need for need in explode(mossgate.catalogue(), [mossgate.demand("SUC", 25)])}

    assert (round(wax.grams, 2), round(oil.grams, 2)) == (D("3579.61"), D("286.37"))
    assert round(wax.grams + oil.grams, 2) == D("3865.98")
    assert needs[Sku("ROSETTE")].to_make == 28


def promised(item: str, pieces: int, day: int, at: time, trays: int = 2) -> tuple[Promise, Outcome]:
    """A promise for pieces in rain garden, asked for in March 2026, against an empty plan without stock."""
    asked = Asked(on=date(2026, 3, day), at=at, cut_off=time(14), carrier_days=2)
    demand = mossgate.demand(item, pieces)
    found, outcome = promise(mossgate.shop(trays), Plan(), [demand], [], asked)
    assert check(mossgate.shop(trays), outcome.plan, [demand], []) == ()
    return found, outcome


@pytest.mark.parametrize(
    ("day", "at", "topped", "leaves", "arrives"),
    [
        # pour Thu 5, top Fri 6, sellable Mon 16
        (5, time(13, 50), 6, 16, 18),
        # pour Fri 6, Sat market, Sun closed, top Mon 9, sellable Thu 19, two carrier days over a week-end
        (5, time(15, 10), 9, 19, 23),
        # top Wed 4, sellable Sat 14, packed Mon 16
        (3, time(13, 50), 4, 16, 18),
        # top Thu 5, sellable Sun 15, packed Mon 16: the cut-off costs nothing here
        (3, time(15, 10), 5, 16, 18),
    ],
)
def test_s3_overnight_pushes_the_promise(day: int, at: time, topped: int, leaves: int, arrives: int) -> None:
    """Two cases of cups: base, one night, topping on a work day, ten days of cure, packing day, carrier."""
    found, outcome = promised("SUC", 12, day, at)

    assert pieces_by_day(outcome.plan.loads, Sku("SUC", "RG"), "pipe") == {date(2026, 3, topped): 12}
    assert (found.leaves, found.arrives) == (date(2026, 3, leaves), date(2026, 3, arrives))


def test_s4_moulds_are_the_bottleneck() -> None:
    """600 / 0.95 = 631.6: 632 casts; 120 a day, 32 on Mon 9; 120 / 21 = 5.71: 6 melts; last seal Tue 10."""
    found, outcome = promised("PEB", 120, 2, time(9))
    casts = pieces_by_day(outcome.plan.loads, Sku("PEBBLE"), "cast")
    seals = pieces_by_day(outcome.plan.loads, Sku("PEB", "RG"), "seal")

    assert casts == {date(2026, 3, d): n for d, n in ((2, 120), (3, 120), (4, 120), (5, 120), (6, 120), (9, 32))}
    assert len([load for load in outcome.plan.loads if load.work.equipment == "POT-A"]) == 6
    assert max(seals) == date(2026, 3, 10)
    assert (found.leaves, found.arrives) == (date(2026, 3, 20), date(2026, 3, 24))
    assert [gate.because for gate in found.gates if gate.binding] == [
        "not sooner: Pebble trays full from Mon 2 Mar to Fri 6 Mar"
    ]


def test_s4_a_third_tray_is_four_days_sooner() -> None:
    """180 a day: 632 / 180 = 3.51: 4 days; last seal Fri 6; packed Mon 16."""
    found, outcome = promised("PEB", 120, 2, time(9), trays=3)

    assert max(pieces_by_day(outcome.plan.loads, Sku("PEB", "RG"), "seal")) == date(2026, 3, 6)
    assert found.leaves == date(2026, 3, 16)


def test_s4_nineteen_cases_leave_a_day_sooner() -> None:
    """5 days of casting = 570 good = 114 jars = 19 cases, sealed by Mon 9, packed Thu 19."""
    found, _ = promised("PEB", 114, 2, time(9))

    assert found.leaves == date(2026, 3, 19)
