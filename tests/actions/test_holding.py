"""A basket at checkout keeps its place for a while, and never longer.

Whoever may have the last place of a day is told by the bowl: 4 loads of 12 a day are 48
fern tins, 12 to a case; what is poured on Thursday 5 March is piped on Friday 6 and leaves
on Monday 16, what has to wait for Monday's bowls leaves on Thursday 19 (trade.md, S3).
"""

from datetime import date

import pytest
from django.db.models import Sum

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.actions import holding, orders
from wholesale.core.orders import Basket
from wholesale.core.production.check import check
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.models import HeldBasket, Load, LoadPortion, Order, Setting, ShopAccount
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop

pytestmark = pytest.mark.django_db
SOON, LATER = date(2026, 3, 16), date(2026, 3, 19)
#: 36 of the 48 tins that Friday's bowls hold, and 24.
MOST = builders.basket(("FRN", 3, "RG"))
TWO = builders.basket(("FRN", 2, "RG"))
CUPS = builders.basket(("SUC", 2, "RG"))


@pytest.fixture
def shops() -> tuple[Shop, Shop]:
    """Two shops that ordered before, at a workshop without stock or orders."""
    builders.mossgate_rows()
    found = builders.shop("corner"), builders.shop("lantern")
    for shop in found:
        ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return found


def hold(shop: Shop, basket: Basket = MOST) -> str:
    """Keep the place; the hour until which."""
    until = holding.hold(by=builders.member(shop), shop=shop.slug, basket=basket)
    return f"{until.astimezone(clock.workshop_zone()):%H:%M}" if until else ""


def leaves(shop: Shop, basket: Basket = TWO) -> date:
    """The day a basket would be promised to leave."""
    found = quotes.quote(shop, basket).promise
    assert found
    return found.leaves


def place(shop: Shop, basket: Basket) -> Order:
    token = f"{Order.objects.count()}"
    number = orders.place(by=builders.member(shop), shop=shop.slug, basket=basket, token=token)
    return Order.objects.get(number=number)


def test_another_shop_is_promised_around_what_is_held(shops: tuple[Shop, Shop]) -> None:
    """36 tins are held; of 24 more 12 find room in Friday's bowls, so the last leave on Thursday 19."""
    first, other = shops
    assert leaves(other) == SOON

    assert hold(first) == "14:05"

    assert leaves(other) == LATER
    assert leaves(first, MOST) == SOON
    # One's own place is not in one's own way.
    assert leaves(first, TWO) == SOON


def test_a_hold_lapses_and_the_other_shop_gets_the_place(shops: tuple[Shop, Shop]) -> None:
    """Held at 13:40 for 15 minutes; at 13:54 the other shop waits, at 13:55 it gets Monday 16."""
    first, other = shops
    with clock.at("2026-03-05T13:40"):
        assert hold(first) == "13:55"
    with clock.at("2026-03-05T13:54"):
        assert leaves(other) == LATER
    with clock.at("2026-03-05T13:55"):
        assert leaves(other) == SOON
        assert place(other, TWO).promised_leaves == SOON
        assert leaves(first, MOST) == LATER


def test_placing_uses_the_own_place_and_keeps_the_held_date(shops: tuple[Shop, Shop]) -> None:
    """Held at 13:50, before the cut-off; placed at 14:03, after it: Monday 16 stands. At 14:06 it is Thursday 19."""
    first, _ = shops
    hold(first)
    with clock.at("2026-03-05T14:03"):
        assert place(first, MOST).promised_leaves == SOON
    assert HeldBasket.objects.get().ended_at is not None

    with clock.at("2026-03-05T14:06"):
        assert place(first, MOST).promised_leaves == LATER


def test_what_is_held_past_midnight_begins_on_the_new_day(shops: tuple[Shop, Shop]) -> None:
    """With a cut-off at 23:59 it is held on Thu 5 at 23:55 for loads of that day, and placed on Fri 6 at 00:05."""
    Setting.objects.update_or_create(name="order_cut_off", defaults={"value": "23:59"})
    with clock.at("2026-03-05T23:55"):
        hold(shops[0])
    with clock.at("2026-03-06T00:05"):
        assert place(shops[0], MOST).promised_leaves == LATER
        assert min(Load.objects.values_list("day", flat=True)) == date(2026, 3, 6)


def test_an_order_placed_beside_a_held_basket_leaves_it_its_place(shops: tuple[Shop, Shop]) -> None:
    """The other's 24 tins go around the 36; these are placed afterwards on the day that was held; the plan is sound."""
    first, other = shops
    hold(first)
    beside = place(other, TWO)
    kept = place(first, MOST)

    assert (beside.promised_leaves, kept.promised_leaves) == (LATER, SOON)
    planner = production.planner(workshop.workshop())
    assert check(planner, production.current_plan(), production.demands(), production.free_stock()) == ()


def test_what_is_held_is_never_written_into_the_plan(shops: tuple[Shop, Shop]) -> None:
    """12 cups held, 12 ordered: the plan has 12, and all their 14 casts (12 / 0.92 = 13.04).

    Of the 14 casts held 12.88 come good; were the 0.88 shared, 13 casts would do, and be
    too few when the hold lapses.
    """
    first, other = shops
    hold(first, CUPS)
    place(other, CUPS)

    rows = LoadPortion.objects.values_list("load__equipment__code").annotate(pieces=Sum("pieces"))
    assert dict(rows.order_by()) == {"POT-A": 12, "BOWL": 12, "TRAY-R": 14, None: 12}


def test_the_same_basket_is_held_once_however_often_it_is_asked_for(shops: tuple[Shop, Shop]) -> None:
    """A double click: one row, one hour, and the second press is no second hold of the day."""
    assert {hold(shops[0]), hold(shops[0])} == {"14:05"}
    assert HeldBasket.objects.count() == 1


def test_a_new_basket_takes_the_place_of_the_one_held_before(shops: tuple[Shop, Shop]) -> None:
    """36 tins give way to 24: the other shop's 24 find room on Friday again, 48 in all."""
    first, other = shops
    hold(first)
    hold(first, TWO)

    assert [row.ended_at is None for row in HeldBasket.objects.order_by("pk")] == [False, True]
    assert leaves(other) == SOON


def test_without_minutes_nothing_is_held(shops: tuple[Shop, Shop]) -> None:
    """The setting at 0 turns it off."""
    Setting.objects.update_or_create(name="hold_minutes", defaults={"value": "0"})

    assert hold(shops[0]) == ""
    assert not HeldBasket.objects.exists()


def test_a_shop_that_held_its_share_of_the_day_is_told_so_and_may_still_order(shops: tuple[Shop, Shop]) -> None:
    """Two a day are set: the third is refused in words; the order is placed; tomorrow counts anew."""
    Setting.objects.update_or_create(name="holds_a_day", defaults={"value": "2"})
    first, _ = shops
    hold(first, MOST)
    hold(first, TWO)

    with pytest.raises(Refusal, match="kept 2 times a day at most"):
        hold(first, MOST)
    assert place(first, MOST).promised_leaves == SOON
    with clock.at("2026-03-06T09:00"):
        assert hold(first, TWO) == "09:15"


def test_a_basket_that_cannot_be_ordered_is_not_held(shops: tuple[Shop, Shop]) -> None:
    """One case of pebble jars is 60, below the 120 of a reorder; five of six pieces are no case."""
    for basket, code in ((builders.basket(("PEB", 1, "RG")), "below_minimum"),
                         (builders.basket(("SUC", 2, {"RG": 5})), "mix_total")):  # fmt: skip
        with pytest.raises(Refusal) as refused:
            hold(shops[0], basket)
        assert refused.value.code == code
    assert not HeldBasket.objects.exists()


def test_holds_of_days_gone_by_are_forgotten_and_those_of_today_count(shops: tuple[Shop, Shop]) -> None:
    """One held at noon, one at 23:55; at 0:05 the first is forgotten and the second still keeps its place."""
    first, other = shops
    with clock.at("2026-03-05T12:00"):
        hold(first)
    with clock.at("2026-03-05T23:55"):
        assert hold(other, CUPS) == "00:10"
        holding.forget_old()
        assert HeldBasket.objects.count() == 2
    with clock.at("2026-03-06T00:05"):
        holding.forget_old()
        assert [row.shop for row in quotes.live_holds()] == [other] == [row.shop for row in HeldBasket.objects.all()]


def test_only_those_who_may_order_may_hold(shops: tuple[Shop, Shop]) -> None:
    """A reader may look; a stranger finds no such shop."""
    with pytest.raises(NotAllowed):
        holding.hold(by=builders.member(shops[0], "reader"), shop="corner", basket=MOST)
    with pytest.raises(NotFound):
        holding.hold(by=builders.stranger(), shop="corner", basket=MOST)


@pytest.mark.parametrize("other_holds", [False, True])
def test_what_comes_sooner_than_a_held_basket_is_promised_its_days_when_it_is_taken(
    shops: tuple[Shop, Shop], *, other_holds: bool
) -> None:
    """72 tins are held at 13:50, before the cut-off; at 14:03 each offer is another basket, which is asked for now."""
    first, other = shops
    six = builders.basket(("FRN", 6, "RG"))
    hold(first, six)
    if other_holds:
        hold(other, TWO)
    with clock.at("2026-03-05T14:03"):
        quote = quotes.quote(first, six, alternatives=True)
        offers = [row.alternative for row in quote.sooner]
        assert quote.kept_until is not None
        for offer in offers:
            taken = quotes.quote(first, offer.basket)
            days = [(part.promise.leaves, part.promise.arrives) for part in taken.parts]
            shown = [(offer.leaves, offer.arrives), (offer.rest_leaves, offer.rest_arrives)]
            assert days == shown[: len(days)]
            assert offer.arrives < quote.parts[0].promise.arrives
    assert offers or other_holds
