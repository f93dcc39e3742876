"""Prices by Mossgate's terms and by their rivals, with the arithmetic beside each number.

Amounts are those of an invented workshop (common practice, no source). SUC: 6 at 12.00
= 72 a case; PEB: 6 at 10.00 = 60; FRN: 12 at 7.50 = 90.
"""

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest

from tests import mossgate
from wholesale.core.pricing import (
    Account,
    Goods,
    Offer,
    Terms,
    Tier,
    fetched,
    gaps,
    minimum_kind,
    months_after,
    price,
    refuse_below_minimum,
    shared_out,
    tier_discount,
    together,
    total_up,
)
from wholesale.core.values import Refusal

TODAY = date(2026, 3, 5)
KNOWN = Account(last_order_on=date(2026, 1, 20))
SUC, PEB, FRN = (
    Offer(item=code, name=name, case_price=D(case))
    for code, name, case in (("SUC", "Succulent cup", 72), ("PEB", "Pebble jar", 60), ("FRN", "Fern tin", 90))
)
THREE_TIERS = (
    Tier(from_amount=D(500), percent=D(5)),
    Tier(from_amount=D(1000), percent=D(10)),
    Tier(from_amount=D(2000), percent=D(15)),
)


def billed(amount: str, rivals: dict[str, str], account: Account = KNOWN) -> tuple[D, D, D]:
    """Goods, freight and tax of so much at list price."""
    totals = total_up(D(amount), mossgate.terms(**rivals), account, TODAY)
    return totals.goods, totals.freight, totals.tax


@pytest.mark.parametrize(
    ("method", "amount", "off"),
    [
        # the cent before a tier
        ("whole_order", "499.99", "0"),
        # 5 % of 500.00
        ("whole_order", "500.00", "25.00"),
        # 5 % of 999.99 = 49.9995
        ("whole_order", "999.99", "50.00"),
        # 10 % of 1,000
        ("whole_order", "1000.00", "100.00"),
        # 15 % of 2,400
        ("whole_order", "2400.00", "360.00"),
        ("marginal", "500.00", "0"),
        # 5 % of the 4 above 500
        ("marginal", "504.00", "0.20"),
        # 5 % of the 500 between 500 and 1,000
        ("marginal", "1000.00", "25.00"),
        # 25 + 10 % of the 1,000 between 1,000 and 2,000 + 15 % of 400 = 25 + 100 + 60
        ("marginal", "2400.00", "185.00"),
    ],
)
def test_a_tier_is_taken_off_the_whole_order_or_inside_each_band(method: str, amount: str, off: str) -> None:
    """The ladder 5 % from 500, 10 % from 1,000, 15 % from 2,000, by both rival methods."""
    terms = replace(mossgate.terms(tier_method=method), tiers=THREE_TIERS)

    assert tier_discount(D(amount), terms)[1] == D(off)


def test_without_a_ladder_nothing_is_taken_off() -> None:
    """Many small makers have none."""
    for method in ("whole_order", "marginal"):
        terms = replace(mossgate.terms(tier_method=method), tiers=())
        assert tier_discount(D(5000), terms)[:2] == (0, 0)


@pytest.mark.parametrize(
    ("rivals", "goods", "freight", "tax"),
    [
        # 500 x 0.95 = 475 >= 400: free; 6.5 % of 475 = 30.875
        ({}, "475.00", "0", "30.88"),
        # threshold 490: 475 of discounted goods stay below, 500 of list goods reach it
        ({"freight_free_from": "490"}, "475.00", "18", "30.88"),
        ({"freight_free_from": "490", "freight_judged_on": "list_goods"}, "475.00", "0", "30.88"),
        # no threshold: the flat amount always
        ({"freight_free_from": "0"}, "475.00", "18", "30.88"),
        ({"freight_free_from": "0", "freight_flat": "9.5"}, "475.00", "9.5", "30.88"),
        # tax on freight too: 6.5 % of 475 + 18 = 493 x 0.065 = 32.045
        ({"freight_free_from": "0", "tax_on": "goods_and_freight"}, "475.00", "18", "32.05"),
        # VAT of 20 % on goods and freight: 493 x 0.20
        ({"freight_free_from": "0", "tax_on": "goods_and_freight", "tax_percent": "20"}, "475.00", "18", "98.60"),
        ({"tax_percent": "0"}, "475.00", "0", "0"),
    ],
)
def test_each_rival_rule_changes_the_bill(rivals: dict[str, str], goods: str, freight: str, tax: str) -> None:
    """500.00 at list price."""
    assert billed("500.00", rivals) == (D(goods), D(freight), D(tax))


@pytest.mark.parametrize(
    ("exemption", "because", "tax"),
    [("resale_certificate", "certificate held", "0"), ("none", "certificate held", "17.16"), ("none", "", "17.16")],
)
def test_a_certificate_frees_from_tax_where_the_terms_know_one(exemption: str, because: str, tax: str) -> None:
    """264 x 0.065 = 17.16."""
    account = replace(KNOWN, tax_exempt_because=because)

    assert billed("264", {"tax_exemption": exemption}, account)[2] == D(tax)


@pytest.mark.parametrize(
    ("percent", "deposit"),
    [
        # 264 + 18 = 282
        ("50", "141.00"),
        ("30", "84.60"),
        ("100", "282.00"),
        ("0", "0"),
    ],
)
def test_a_first_order_pays_its_share_of_goods_and_freight(percent: str, deposit: str) -> None:
    """Tax is no part of it; a later order pays none."""
    terms = mossgate.terms(first_order_deposit=percent)

    assert total_up(D(264), terms, Account(), TODAY).deposit == D(deposit)
    assert total_up(D(264), terms, KNOWN, TODAY).deposit == 0


def test_an_empty_basket_costs_nothing() -> None:
    """No goods, no freight, and the whole minimum is missing."""
    priced = price([], mossgate.terms(), Account(), TODAY, [PEB])

    assert (priced.totals.total_with_tax, priced.totals.freight, priced.list_amounts) == (0, 0, ())
    # 240 / 60 = 4 cases
    assert (priced.gaps[0].missing, priced.gaps[0].closer and priced.gaps[0].closer.cases) == (240, 4)


def test_a_line_is_rounded_once_and_its_discount_is_dealt_to_the_cent() -> None:
    """3 x 33.3333 = 99.9999: 100.00; 10 % of three such lines = 30.00, 10.00 each."""
    line = Goods(item="X", cases=3, case_pack=1, unit_price=D("33.3333"))
    terms = replace(mossgate.terms(), tiers=(Tier(from_amount=D(1), percent=D(10)),))
    priced = price([line, line, line], terms, KNOWN, TODAY)

    assert priced.list_amounts == (100, 100, 100)
    assert priced.discounts == (10, 10, 10)
    # 10 % of 300.01 = 30.001: 30.00 by 100.00 : 100.00 : 100.01, the odd cents to the largest remainder
    odd = price([line, line, replace(line, cases=1, unit_price=D("100.01"))], terms, KNOWN, TODAY)
    assert (sum(odd.discounts), odd.nets[2]) == (30, D("90.01"))


def test_every_amount_shows_its_arithmetic() -> None:
    """504 of list goods, 5 % off the whole order, tax of 6.5 %."""
    shown = {row.name: row.shown for row in total_up(D(504), mossgate.terms(), KNOWN, TODAY).arithmetic}

    assert shown["Discount"] == "5 % of 504, whole order"
    assert shown["Goods"] == "504 − 25.20"
    assert shown["Freight"] == "free: 478.80 ≥ 400"
    assert shown["Sales tax"] == "6.5 % of 478.80"
    assert shown["Deposit"] == "none due"


@pytest.mark.parametrize(
    ("last", "on", "kind"),
    [
        (None, date(2026, 3, 5), "opening"),
        (date(2025, 3, 6), date(2026, 3, 5), "reorder"),
        # twelve months to the day
        (date(2025, 3, 5), date(2026, 3, 5), "dormant"),
        # 29 February has its anniversary on the 28th
        (date(2024, 2, 29), date(2025, 2, 27), "reorder"),
        (date(2024, 2, 29), date(2025, 2, 28), "dormant"),
    ],
)
def test_an_account_sleeps_after_twelve_months(last: date | None, on: date, kind: str) -> None:
    """Back to the opening minimum after 12 months without an order (common practice, no source)."""
    assert minimum_kind(last, 12, on) == kind


def test_a_dormant_account_needs_the_opening_minimum_but_no_deposit() -> None:
    """204 < 240 although 204 >= 120; it is not its first order."""
    asleep = Account(last_order_on=date(2025, 1, 2))
    found = total_up(D(204), mossgate.terms(), asleep, TODAY)

    assert (found.minimum, found.minimum_kind, found.below_minimum, found.deposit) == (240, "dormant", 36, 0)
    assert total_up(D(204), mossgate.terms(dormant_months="24"), asleep, TODAY).below_minimum == 0


@pytest.mark.parametrize(
    ("start", "months", "then"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2026, 8, 31), 1, date(2026, 9, 30)),
        # over the year end
        (date(2026, 12, 15), 1, date(2027, 1, 15)),
        (date(2026, 12, 31), 14, date(2028, 2, 29)),
        (date(2026, 3, 5), 0, date(2026, 3, 5)),
    ],
)
def test_months_end_on_the_same_day_or_on_the_last(start: date, months: int, then: date) -> None:
    """By the calendar."""
    assert months_after(start, months) == then


@pytest.mark.parametrize(
    ("goods", "kind", "missing", "item", "cases", "change"),
    [
        # 492 + 60 = 552 x 0.95 = 524.40; 524.40 - 492 = 32.40
        ("492", "next_tier", "8", "PEB", 1, "32.40"),
        # 960 + 60 = 1,020 x 0.90 = 918; 960 x 0.95 = 912; 6.00
        ("960", "next_tier", "40", "PEB", 1, "6.00"),
        # 100 + 60 = 160 >= 120
        ("100", "minimum", "20", "PEB", 1, "60.00"),
        # 396 + 60 = 456, freight 18 falls away: 456 - 414
        ("396", "free_freight", "4", "PEB", 1, "42.00"),
        # 250 missing: 5 x 60 = 300, 4 x 72 = 288, 3 x 90 = 270; 420 - (150 + 18)
        ("150", "free_freight", "250", "FRN", 3, "252.00"),
        # 3 x 60 and 2 x 90 both add 180: the first name is offered; 410 - (230 + 18)
        ("230", "free_freight", "170", "FRN", 2, "162.00"),
    ],
)
def test_the_cheapest_case_closes_a_gap(
    goods: str, kind: str, missing: str, item: str, cases: int, change: str
) -> None:
    """Of SUC 72, PEB 60 and FRN 90 the least at list price, with what it adds to the total."""
    terms = mossgate.terms()
    found = gaps(total_up(D(goods), terms, KNOWN, TODAY), terms, KNOWN, TODAY, [SUC, PEB, FRN])
    gap = next(gap for gap in found if gap.kind == kind)

    assert gap.missing == D(missing)
    assert gap.closer
    assert (gap.closer.item, gap.closer.cases, gap.closer.total_change) == (item, cases, D(change))


def test_free_freight_judged_on_discounted_goods_needs_more_cases_when_a_tier_begins_between() -> None:
    """Threshold 490: (480 + 30) x 0.95 = 484.50 still misses it; (480 + 60) x 0.95 = 513 does not: two of 30."""
    terms = mossgate.terms(freight_free_from="490")
    small = Offer(item="S", name="Small tin", case_price=D(30))
    found = gaps(total_up(D(480), terms, KNOWN, TODAY), terms, KNOWN, TODAY, [small])
    gap = next(gap for gap in found if gap.kind == "free_freight")

    assert gap.closer
    assert (gap.closer.cases, gap.closer.list_amount) == (2, 60)


def test_gaps_are_not_offered_where_nothing_is_to_be_gained() -> None:
    """At 1,200 all is reached; with freight of 0 free freight saves nothing; free products close no gap."""
    terms = mossgate.terms()
    assert gaps(total_up(D(1200), terms, KNOWN, TODAY), terms, KNOWN, TODAY, [PEB]) == ()

    free = mossgate.terms(freight_flat="0")
    kinds = [gap.kind for gap in gaps(total_up(D(300), free, KNOWN, TODAY), free, KNOWN, TODAY, [PEB])]
    assert kinds == ["next_tier"]

    gift = Offer(item="G", name="Gift card", case_price=D(0))
    found = gaps(total_up(D(100), terms, KNOWN, TODAY), terms, KNOWN, TODAY, [gift])
    assert [gap.closer for gap in found] == [None, None, None]


def test_below_the_minimum_is_refused_with_the_way_out() -> None:
    """2 FRN cases fewer than needed: 90 < 120 by 30; PEB at 60 closes it."""
    basket = [Goods(item="FRN", cases=1, case_pack=12, unit_price=D("7.50"))]
    priced = price(basket, mossgate.terms(), KNOWN, TODAY, [SUC, PEB, FRN])

    with pytest.raises(Refusal) as refused:
        refuse_below_minimum(priced)
    assert refused.value.message == (
        "The goods come to $90.00, $30.00 below the minimum for a reorder of $120.00. "
        "The cheapest way: 1 more case of Pebble jar for $60.00."
    )
    assert refused.value.facts == {"missing": "30.00", "closer": "PEB"}
    refuse_below_minimum(price(basket, mossgate.terms(reorder_minimum="90"), KNOWN, TODAY))


def test_frozen_terms_come_back_the_same() -> None:
    """Through JSON, as they are kept on the order."""
    terms = replace(mossgate.terms(tier_method="marginal"), tiers=THREE_TIERS)

    assert Terms.from_json(json.loads(json.dumps(terms.to_json()))) == terms


def test_a_currency_without_cents_is_rounded_to_whole_units() -> None:
    """ISO 4217: the yen has no minor unit. 5 % of 50,010 = 2,500.5: 2,501; 6.5 % of 47,509 = 3,088.085: 3,088."""
    terms = replace(mossgate.terms(currency="JPY"), tiers=(Tier(from_amount=D(500), percent=D(5)),))
    totals = total_up(D(50010), terms, KNOWN, TODAY)

    assert (totals.discount, totals.goods, totals.tax) == (2501, 47509, 3088)


# ── in two shipments, or fetched ─────────────────────────────────────────────


def test_two_shipments_share_the_tier_and_pay_freight_each() -> None:
    """20 cases of 60 are 1,200, 10 % off; 19 are 1,140 − 114 = 1,026, freight free; 1 is 60 − 6 = 54, freight 18.

    1,026 + 54 + 18 = 1,098; the minimum is tested on the whole, so 60 of a reorder pass.
    """
    goods = [Goods(item="PEB", cases=n, case_pack=6, unit_price=D(10)) for n in (20, 19, 1)]
    whole = price(goods[:1], mossgate.terms(), KNOWN, TODAY)
    parts = shared_out(whole, [goods[1:2], goods[2:]], mossgate.terms(), KNOWN)

    assert [part.totals.discount for part in parts] == [D("114.00"), D("6.00")]
    assert [part.totals.freight for part in parts] == [0, 18]
    assert [part.totals.tier_percent for part in parts] == [10, 10]
    assert [part.totals.below_minimum for part in parts] == [0, 0]
    shown = together(whole, parts, mossgate.terms())
    assert (shown.totals.goods, shown.totals.freight, shown.totals.total) == (1080, 18, 1098)
    assert [row.shown for row in shown.totals.arithmetic if row.name == "Freight"] == ["0 + 18"]


def test_what_is_fetched_pays_no_freight_and_has_none_to_save() -> None:
    """144 of goods, below the 400 from which freight is free: nothing is charged, and no case would free it."""
    terms = fetched(mossgate.terms())
    found = price([Goods(item="SUC", cases=2, case_pack=6, unit_price=D(12))], terms, KNOWN, TODAY, [PEB])

    assert (found.totals.freight, found.totals.total) == (0, 144)
    assert [row.shown for row in found.totals.arithmetic if row.name == "Freight"] == ["none is charged"]
    assert "free_freight" not in {gap.kind for gap in found.gaps}
