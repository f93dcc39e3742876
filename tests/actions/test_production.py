"""What happens at the bench, against the rows it writes."""

import pytest

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.actions import production
from wholesale.core.values import Conflict, NotAllowed, Refusal
from wholesale.models import (
    Load,
    Lot,
    Order,
    OrderEvent,
    Reservation,
    SheetDate,
    SheetRefresh,
    ShopAccount,
    StockMovement,
)

pytestmark = pytest.mark.django_db

THURSDAY, FRIDAY, MONDAY = "2026-03-05T13:50", "2026-03-06T09:00", "2026-03-09T09:00"


@pytest.fixture
def order() -> Order:
    """Two cases of succulent cups, rain garden, placed on Thursday 5 March 13:50 with no stock."""
    builders.mossgate_rows()
    shop: Shop = builders.shop("corner")
    ShopAccount.objects.create(shop=shop, last_order_on="2026-01-20")
    return builders.place(shop, ("SUC", 2, "RG"))


def done(equipment: str, **good: int) -> None:
    """Mark every load of an equipment done; ``good`` is the good pieces of its first portion."""
    for load in Load.objects.filter(equipment__code=equipment, done_at__isnull=True).order_by("pk"):
        portion = load.portions.get()
        yields = {portion.pk: good.get("good", portion.pieces)}
        production.mark_done(by=builders.maker(), load=load.pk, good=yields)


def test_a_week_at_the_bench_turns_the_order_into_reserved_stock(order: Order) -> None:
    """Pour and cast Thu 5, pipe Fri 6: 12 good cups, sellable Mon 16; 14 casts less 12 used leave 2."""
    with clock.at(THURSDAY):
        done("POT-A")
        done("TRAY-R")
    with clock.at(FRIDAY):
        done("BOWL")

    cups = Lot.objects.get(item__code="SUC")
    assert cups.usable_on.isoformat() == "2026-03-16"
    assert Reservation.objects.get().pieces == 12
    rosettes = StockMovement.objects.filter(lot__item__code="ROSETTE")
    assert sum(rosettes.values_list("quantity", flat=True)) == 2
    order.refresh_from_db()
    assert order.planned_leaves == order.promised_leaves


def test_a_reject_becomes_new_need_at_once_and_puts_the_order_at_risk(order: Order) -> None:
    """11 of 12 poured well on Thu 5: one more is poured on Fri 6? Thu is still open at 13:50: pour Thu, same Friday.

    After the cut-off the new base is poured Fri 6, topped Mon 9, sellable Thu 19: three days late.
    """
    with clock.at("2026-03-05T16:00"):
        done("POT-A", good=11)

    order.refresh_from_db()
    assert order.promised_leaves.isoformat() == "2026-03-16"
    assert order.planned_leaves.isoformat() == "2026-03-19"
    assert OrderEvent.objects.filter(kind="at_risk", for_shop=False).count() == 1


def test_a_load_is_done_once(order: Order) -> None:
    """The second telephone is told that it is done already."""
    load = Load.objects.get(equipment__code="POT-A")
    production.mark_done(by=builders.maker(), load=load.pk, good={})

    with pytest.raises(Conflict, match="already marked done as B-1001"):
        production.mark_done(by=builders.helper(), load=load.pk, good={})


def test_more_good_pieces_than_were_poured_are_refused(order: Order) -> None:
    """13 of 12 can't be good; nothing is written."""
    load = Load.objects.get(equipment__code="POT-A")

    with pytest.raises(Refusal, match="13 of 12"):
        production.mark_done(by=builders.maker(), load=load.pk, good={load.portions.get().pk: 13})
    load.refresh_from_db()
    assert load.done_at is None


def test_a_step_before_its_time_is_refused_by_name(order: Order) -> None:
    """Nothing was poured, so nothing can be piped."""
    load = Load.objects.get(equipment__code="BOWL")

    with pytest.raises(Refusal, match="0 of 12 pieces have passed 'Pour base'"):
        production.mark_done(by=builders.maker(), load=load.pk, good={})


def test_topping_without_rosettes_in_stock_is_refused(order: Order) -> None:
    """The cups are poured but the casting was not marked done: the ledger has no rosettes."""
    with clock.at(THURSDAY):
        done("POT-A")
    with clock.at(FRIDAY), pytest.raises(Refusal, match="12 pieces of Rosette are needed, 0 are in stock"):
        done("BOWL")


def test_a_shop_member_may_not_mark_a_load(order: Order) -> None:
    """The bench is the workshop's."""
    load = Load.objects.get(equipment__code="POT-A")

    with pytest.raises(NotAllowed):
        production.mark_done(by=builders.member(order.shop), load=load.pk, good={})


def test_planning_again_leaves_what_is_still_to_come_where_it_is(order: Order) -> None:
    """On Fri 6 the cups of Thursday are overdue; tins ordered that morning keep the days they were given."""
    with clock.at(FRIDAY):
        tins = builders.place(order.shop, ("FRN", 2, "WS"))
        theirs = Load.objects.filter(portions__order_scent__line__order=tins).order_by("pk")
        before = list(theirs.values_list("pk", "day"))
        production.plan_again(by=builders.maker())

    assert before
    assert list(theirs.values_list("pk", "day")) == before
    assert min(Load.objects.values_list("day", flat=True)).isoformat() == "2026-03-06"


def test_planning_again_moves_what_is_overdue(order: Order) -> None:
    """Nothing was done on Thu 5 and Fri 6: on Mon 9 pour and cast, top Tue 10, sellable and packed Fri 20."""
    with clock.at(MONDAY):
        production.plan_again(by=builders.maker())

    order.refresh_from_db()
    assert order.planned_leaves.isoformat() == "2026-03-20"
    days = set(Load.objects.filter(done_at__isnull=True).values_list("day", flat=True))
    assert min(days).isoformat() == "2026-03-09"


def test_the_sheet_has_one_date_a_sku_and_version(order: Order) -> None:
    """3 products in 3 scents: 9 rows; a second worker finds the errand taken and writes nothing."""
    errand = SheetRefresh.objects.get(state="waiting")

    production.refresh_sheet(errand.pk)
    production.refresh_sheet(errand.pk)

    rows = SheetDate.objects.all()
    assert rows.count() == 9
    assert {row.leaves.isoformat() for row in rows if row.leaves} == {"2026-03-16"}
