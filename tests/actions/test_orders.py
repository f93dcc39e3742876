"""Placing, confirming, refusing and withdrawing, against the rows they write."""

from dataclasses import replace
from datetime import date
from decimal import Decimal as D

import pytest

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.actions import orders
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import Load, LoadPortion, Lot, Order, PlanState, Price, Reservation, SheetRefresh, ShopAccount

pytestmark = pytest.mark.django_db


@pytest.fixture
def corner() -> Shop:
    """A shop that has ordered before, at the demo workshop without stock or orders."""
    builders.mossgate_rows()
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return shop


def test_a_placed_order_freezes_its_amounts_and_its_promise(corner: Shop) -> None:
    """2 SUC cases: 2 x 72 = 144, no tier, freight 18, no deposit on a reorder; S3's first order."""
    order = builders.place(corner, ("SUC", 2, "RG"))

    assert (order.list_minor, order.freight_minor, order.total_minor, order.deposit_minor) == (14400, 1800, 16200, 0)
    assert (order.promised_leaves.isoformat(), order.promised_arrives.isoformat()) == ("2026-03-16", "2026-03-18")
    assert order.terms["tier_method"] == "whole_order"


def test_a_placed_order_is_in_the_plan(corner: Shop) -> None:
    """12 pieces: one pot, 14 casts in two turns (12 / 0.92 = 13.04), one bowl, finish: 5 loads."""
    before = PlanState.objects.get().version
    builders.place(corner, ("SUC", 2, "RG"))

    loads = [
        (row.day.day, row.equipment and row.equipment.code, sum(p.pieces for p in row.portions.all()))
        for row in Load.objects.all()
    ]
    assert sorted(loads, key=str) == sorted(
        [(5, "POT-A", 12), (5, "TRAY-R", 12), (5, "TRAY-R", 2), (6, "BOWL", 12), (13, None, 12)], key=str
    )
    assert PlanState.objects.get().version == before + 1
    assert SheetRefresh.objects.filter(state="waiting").count() == 1


def test_the_same_token_places_one_order(corner: Shop) -> None:
    """A double click sends the same token twice."""
    first = builders.place(corner, ("SUC", 2, "RG"), token="twice")
    second = builders.place(corner, ("SUC", 2, "RG"), token="twice")

    assert first == second
    assert Order.objects.count() == 1


def test_two_orders_share_a_pot_when_it_holds_both(corner: Shop) -> None:
    """24 x 150 g = 3,600 g; 3,600 / 0.97 = 3,711.34 g is within 4,000 g: one melt, not two."""
    builders.place(corner, ("SUC", 2, "RG"))
    builders.place(corner, ("SUC", 2, "RG"))

    assert Load.objects.filter(equipment__code="POT-A").count() == 1
    assert Load.objects.get(equipment__code="POT-A").portions.count() == 2


def test_an_order_below_the_minimum_is_refused_with_the_closing_case() -> None:
    """A new shop's 2 x 72 + 60 = 204 is 36 short of 240; the cheapest case is the pebble jar at 60."""
    builders.mossgate_rows()
    new = builders.shop("corner")

    with pytest.raises(Refusal, match=r"\$36.00 below the opening minimum of \$240.00.*Pebble jar") as refused:
        builders.place(new, ("SUC", 2, "RG"), ("PEB", 1, {"RG": 2, "CF": 2, "WS": 2}))

    assert refused.value.code == "below_minimum"
    assert not Order.objects.exists()


def test_a_changed_price_is_a_conflict_and_places_nothing(corner: Shop) -> None:
    """Seen 162.00 (144 + 18); the price goes up to 13: 12 x 13 + 18 = 174."""
    Price.objects.filter(item__code="SUC").update(unit_price_e4=130000)

    with pytest.raises(Conflict, match=r"\$174.00, not 162.00"):
        builders.place(corner, ("SUC", 2, "RG"), seen_total=D("162.00"))
    assert not Order.objects.exists()
    assert not LoadPortion.objects.exists()


def test_a_reader_may_not_order_and_a_stranger_finds_no_shop(corner: Shop) -> None:
    """Seeing is not ordering; another shop's address says nothing."""
    with pytest.raises(NotAllowed):
        builders.place(corner, ("SUC", 2, "RG"), by=builders.member(corner, "reader"))
    with pytest.raises(NotFound):
        builders.place(corner, ("SUC", 2, "RG"), by=builders.stranger())


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (("SUC", 0, "RG"), "cases"),
        (("SUC", 1, {"RG": 3, "CF": 2, "WS": 1}), "mix_least"),
        (("SUC", 1, {"RG": 4}), "mix_total"),
    ],
)
def test_a_wrong_line_is_refused_by_name(corner: Shop, line: builders.Line, code: str) -> None:
    """Zero cases, one piece of a scent where two are the least, and a case that is not full."""
    with pytest.raises(Refusal) as refused:
        builders.place(corner, ("PEB", 3, "RG"), line)

    assert refused.value.code == code


def test_confirming_asks_for_the_confirmation_paper(corner: Shop) -> None:
    """The paper goes to the shop's e-mail address."""
    order = builders.place(corner, ("SUC", 2, "RG"))

    orders.confirm(by=builders.maker(), number=order.number)

    order.refresh_from_db()
    assert order.state == "confirmed"
    assert [(d.kind, d.mail_to) for d in order.documents.all()] == [("confirmation", corner.email)]


def test_confirming_twice_or_as_the_helper_is_refused(corner: Shop) -> None:
    """Only the maker confirms, and once."""
    order = builders.place(corner, ("SUC", 2, "RG"))

    with pytest.raises(NotAllowed):
        orders.confirm(by=builders.helper(), number=order.number)
    orders.confirm(by=builders.maker(), number=order.number)
    with pytest.raises(Refusal, match="confirmed"):
        orders.confirm(by=builders.maker(), number=order.number)


def test_refusing_needs_a_reason_and_frees_the_plan(corner: Shop) -> None:
    """Nothing is left in the plan, and the shop can read why."""
    order = builders.place(corner, ("SUC", 2, "RG"))

    with pytest.raises(Refusal, match="reason"):
        orders.refuse(by=builders.maker(), number=order.number, because=" ")
    orders.refuse(by=builders.maker(), number=order.number, because="The moss wax is sold out.")

    assert not Load.objects.exists()
    assert order.events.filter(for_shop=True, text__contains="moss wax").exists()


def test_a_withdrawn_order_leaves_the_others_where_they_are(corner: Shop) -> None:
    """Two orders share a pot; one is withdrawn; the other keeps its 12 pieces and its day."""
    kept = builders.place(corner, ("SUC", 2, "RG"))
    gone = builders.place(corner, ("SUC", 2, "RG"))

    orders.withdraw(by=builders.member(corner), shop="corner", number=gone.number)

    poured = Load.objects.get(equipment__code="POT-A")
    assert [p.pieces for p in poured.portions.all()] == [12]
    kept.refresh_from_db()
    assert kept.planned_leaves == kept.promised_leaves


def test_a_first_order_waits_for_its_deposit() -> None:
    """2 SUC + 2 PEB cases = 264 + 18 = 282, deposit 141; two working days from Thu 5 is Mon 9: pour there."""
    builders.mossgate_rows()
    order = builders.place(builders.shop("corner"), ("SUC", 2, "RG"), ("PEB", 2, "RG"))

    assert (order.total_minor, order.deposit_minor) == (28200, 14100)
    assert order.promise_holds_until.astimezone(clock.workshop_zone()).isoformat() == "2026-03-09T14:00:00-04:00"
    assert min(Load.objects.values_list("day", flat=True)).isoformat() == "2026-03-09"


def test_an_order_that_leaves_after_a_lot_s_last_day_is_made_anew() -> None:
    """24 fern tins in cedar frame lie there, good up to Tue 10 March; an order wanted from 20 April can't have them."""
    builders.mossgate_rows(stock=True)
    Lot.objects.filter(item__code="FRN", scent="CF").update(expires_on=date(2026, 3, 10))
    shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    basket = replace(builders.basket(("FRN", 2, "CF")), wanted_from=date(2026, 4, 20))

    number = orders.place(by=builders.member(shop), shop=shop.slug, basket=basket, token="later")

    assert not Reservation.objects.filter(lot__item__code="FRN").exists()
    poured = LoadPortion.objects.filter(order_scent__line__order__number=number, operation="pour")
    assert sum(portion.pieces for portion in poured) == 24
