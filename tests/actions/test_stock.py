"""The shelf: deliveries, counts, what is taken out, lots that are stopped, and orders that go short.

The demo workshop has 24 fern tins in cedar frame (M-0217), 12 pebble jars in wet stone
(M-0224, usable from Fri 6 March), 45 kg of soy wax (SOY-2291) and 2,500 g of each oil.
It is Thursday 5 March 2026.
"""

from collections.abc import Callable
from datetime import date
from decimal import Decimal as D
from fractions import Fraction
from functools import partial
from typing import Any
from uuid import uuid4

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from accounts.models import Shop, User
from tests import builders
from wholesale import clock
from wholesale.actions import ledger, orders, plan_rows, shipping, stock
from wholesale.core.catalogue import Sku
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import (
    Item,
    Load,
    LoadPortion,
    Lot,
    Order,
    OrderEvent,
    OrderLine,
    PlanState,
    Reject,
    Reservation,
    Setting,
    StockMovement,
    StockTarget,
)
from wholesale.queries import production
from wholesale.queries.stock import stock_list
from wholesale.queries.trace import trace_back, trace_forward

TINS, JARS = Sku("FRN", "CF"), Sku("PEB", "WS")


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows(stock=True)
    # One case is an order here: what is too small to order is not this file's matter.
    for name in ("opening_minimum", "reorder_minimum"):
        Setting.objects.update_or_create(name=name, defaults={"value": "0"})


@pytest.fixture
def maker() -> User:
    return builders.maker()


@pytest.fixture
def helper() -> User:
    return builders.helper()


def token() -> str:
    """What a page puts into each form it shows."""
    return uuid4().hex


def receive(by: User, item: str = "OIL-CF", quantity: str = "2500", **also: Any) -> str:
    """A delivery of cedar frame oil, unless told otherwise."""
    return stock.receive(by=by, item=item, quantity=D(quantity), **{"token": token(), **also})


def count(by: User, lot: str, found: str, because: str = "counted twice", **also: Any) -> None:
    stock.count(by=by, lot=lot, found=D(found), because=because, **{"token": token(), **also})


def take(by: User, lot: str, quantity: str, kind: str = "breakage", **also: Any) -> None:
    typed = {"because": "fell from the shelf", "token": token(), **also}
    stock.take_out(by=by, lot=lot, quantity=D(quantity), kind=kind, **typed)


def entries(lot: str) -> list[tuple[str, int, str]]:
    """Reason, quantity and words of each entry of a lot, in their order."""
    return list(StockMovement.objects.filter(lot__code=lot).values_list("reason", "quantity", "because"))


def free(sku: Sku) -> Fraction:
    """Free pieces of a sku, whenever they may be used."""
    return sum((row.quantity for row in production.free_stock() if row.sku == sku), Fraction(0))


def refusal(act: Callable[[], object]) -> Refusal:
    """What the trade says to an act that it refuses; nothing may be booked."""
    before = StockMovement.objects.count()
    with pytest.raises(Refusal) as found:
        act()
    assert StockMovement.objects.count() == before
    return found.value


def tins_ordered(cases: int = 1, slug: str = "brindle-fen") -> Order:
    """An order of fern tins in cedar frame, 12 a case; the 24 on the shelf serve it first."""
    return builders.place(Shop.objects.get(slug=slug), ("FRN", cases, "CF"))


# ── receiving ────────────────────────────────────────────────────────────────


def test_a_delivery_is_a_lot_with_its_suppliers_lot(helper: User) -> None:
    """2,500 g are 2,500,000 mg in the ledger."""
    code = receive(helper, supplier="Hedgerow Oils", supplier_lot="HG-4471", expires_on=date(2027, 3, 1))

    lot = Lot.objects.get(code=code)
    assert code == "L-1001"
    assert (lot.supplier, lot.supplier_lot, lot.made_on) == ("Hedgerow Oils", "HG-4471", date(2026, 3, 5))
    assert (lot.usable_on, lot.expires_on) == (date(2026, 3, 5), date(2027, 3, 1))
    assert (lot.on_hand, entries(code)) == (2_500_000, [("received", 2_500_000, "")])


def test_a_double_tap_books_one_delivery(helper: User) -> None:
    first = receive(helper, token="one form")

    assert receive(helper, token="one form") == first
    assert Lot.objects.filter(code__startswith="L-").count() == 1


def test_a_code_that_the_workbook_gave_away_is_passed_over(helper: User) -> None:
    oil = Item.objects.get(code="OIL-CF")
    Lot.objects.create(code="L-1001", item=oil, made_on="2026-01-01", usable_on="2026-01-01")

    assert receive(helper) == "L-1002"


def test_a_weight_ten_times_off_the_usual_is_asked_about(helper: User) -> None:
    """Two deliveries of 2,500 g: 25,000 g is ten times as much, 250 g a tenth."""
    receive(helper)
    receive(helper)

    for typed in ("25000", "250"):
        asked = refusal(partial(receive, helper, quantity=typed))
        assert (asked.code, asked.field) == ("ask", "sure")
        assert "The usual delivery is 2,500 g" in asked.message
    code = receive(helper, quantity="25000", sure=True)
    assert Lot.objects.get(code=code).on_hand == 25_000_000


def test_a_first_delivery_is_compared_with_the_pack_it_is_bought_in(helper: User) -> None:
    """Soy wax in packs of 20 kg: 200,000 g typed for 20,000 g is asked about, two packs are not."""
    Item.objects.filter(code="SOY").update(purchase_pack=20_000_000)

    asked = refusal(lambda: receive(helper, "SOY", "200000"))
    assert "200,000 g of Soy wax? The pack it is bought in is 20,000 g." in asked.message
    assert receive(helper, "SOY", "40000")


def test_more_of_a_suppliers_lot_that_is_on_hold_is_asked_about_and_held_too(helper: User) -> None:
    first = receive(helper, supplier_lot="HG-4471")
    stock.hold(by=helper, lot=first, because="smells of solvent")

    asked = refusal(lambda: receive(helper, supplier_lot="hg-4471"))
    assert f"HG-4471 of Cedar frame oil is on hold here as {first} (smells of solvent)" in asked.message
    second = Lot.objects.get(code=receive(helper, supplier_lot="hg-4471", sure=True))
    assert (second.state, second.state_because) == ("hold", "smells of solvent")


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"quantity": "0"}, "quantity"),
        ({"quantity": "-5"}, "quantity"),
        ({"quantity": "1.0005"}, "quantity"),  # half a milligram
        ({"quantity": "NaN"}, "quantity"),
        ({"token": ""}, "token"),
        ({"place": " "}, "place"),
        ({"item": "SUC", "scent": "RG"}, "item"),  # products come from batches
        ({"scent": "RG"}, "scent"),  # oil has no scent of its own
        ({"received_on": date(2026, 3, 6)}, "received_on"),
        ({"usable_on": date(2026, 3, 4)}, "usable_on"),
        ({"expires_on": date(2026, 3, 4)}, "expires_on"),
    ],
)
def test_a_delivery_that_can_not_be_is_refused_by_its_field(helper: User, typed: dict[str, Any], field: str) -> None:
    assert refusal(lambda: receive(helper, **typed)).field == field


# ── counting ─────────────────────────────────────────────────────────────────


def test_a_count_books_the_difference_with_its_reason(helper: User) -> None:
    """22 found of 24: an entry of -2."""
    count(helper, "M-0217", "22", "two were dented")

    assert entries("M-0217")[-1] == ("counted", -2, "two were dented")
    assert (Lot.objects.get(code="M-0217").on_hand, free(TINS)) == (22, 22)


def test_a_count_that_agrees_is_kept_and_needs_no_reason(helper: User) -> None:
    count(helper, "M-0217", "24", "")

    assert entries("M-0217")[-1] == ("counted", 0, "")


def test_a_difference_without_a_reason_is_refused(helper: User) -> None:
    asked = refusal(lambda: count(helper, "M-0217", "22", " "))
    assert asked.field == "because"
    assert "The ledger has 24 of M-0217 there, you found 22." in asked.message


def test_a_negative_count_is_refused(helper: User) -> None:
    asked = refusal(lambda: count(helper, "M-0217", "-3"))
    assert asked.code == "below_zero"
    assert "A count can't be below zero: -3." in asked.message


def test_a_count_ten_times_off_is_asked_about(helper: User) -> None:
    """4,500 g typed for 45,000 g."""
    asked = refusal(lambda: count(helper, "SOY-2291", "4500"))
    assert "4,500 g of SOY-2291? The ledger has 45,000 g there." in asked.message
    count(helper, "SOY-2291", "4500", sure=True)
    assert Lot.objects.get(code="SOY-2291").on_hand == 4_500_000


def test_a_double_tap_counts_once(helper: User) -> None:
    for _ in range(2):
        count(helper, "M-0217", "22", token="one form")

    assert [quantity for reason, quantity, _ in entries("M-0217") if reason == "counted"] == [-2]


def test_a_count_below_what_orders_hold_names_them(maker: User, helper: User) -> None:
    """Two orders hold 12 tins each of 24; 20 found are 4 too few."""
    first, second = tins_ordered(), tins_ordered(slug="winterslip")

    asked = refusal(lambda: count(maker, "M-0217", "20"))
    assert asked.code == "reserved"
    assert f"{first} 12" in asked.message
    assert f"{second} 12" in asked.message
    assert f"4 too few. Count again, or say that {second}, promised last, goes short." in asked.message
    assert "ask the maker" in refusal(lambda: count(helper, "M-0217", "20", short=True)).message


def test_the_order_promised_last_goes_short_and_is_planned_anew(maker: User) -> None:
    """24 - 4 = 20: the first keeps 12, the second holds 8 and has 4 poured anew."""
    first, second = tins_ordered(), tins_ordered(slug="winterslip")
    version = PlanState.objects.get().version

    count(maker, "M-0217", "20", short=True)

    held = dict(Reservation.objects.values_list("order_scent__line__order__number", "pieces"))
    assert held == {first.number: 12, second.number: 8}
    poured = LoadPortion.objects.filter(order_scent__line__order=second, operation="pour")
    assert poured.aggregate(sum=Sum("pieces"))["sum"] == 4
    assert PlanState.objects.get().version > version
    second.refresh_from_db()
    assert second.planned_leaves > second.promised_leaves
    assert OrderEvent.objects.filter(order=second, kind__in=["short", "at_risk"], for_shop=False).count() == 2


def test_an_order_that_goes_short_is_served_from_other_free_stock_first(maker: User) -> None:
    """12 of 24 are held; 6 found leave 6 short, and a second lot of 12 has them."""
    order = tins_ordered()
    with transaction.atomic():
        plan_rows.lock()
        other = Lot.objects.create(
            code="M-0220", item=Item.objects.get(code="FRN"), scent="CF", made_on="2026-02-20", usable_on="2026-03-02"
        )
        ledger.move(other, 12, ledger.Why(reason="opening"))

    count(maker, "M-0217", "6", short=True)

    held = dict(Reservation.objects.filter(order_scent__line__order=order).values_list("lot__code", "pieces"))
    assert held == {"M-0217": 6, "M-0220": 6}
    assert not Load.objects.exists()
    assert free(TINS) == 6


# ── taking out, moving, taking back ──────────────────────────────────────────


def test_what_breaks_is_taken_out_with_its_reason(helper: User) -> None:
    take(helper, "M-0217", "2")

    assert entries("M-0217")[-1] == ("breakage", -2, "fell from the shelf")
    assert free(TINS) == 22


def test_nothing_goes_below_zero(helper: User) -> None:
    asked = refusal(lambda: take(helper, "M-0217", "25"))
    assert "Only 24 of M-0217 are at the place 'shelf'; 25 can't be taken." in asked.message


def test_a_lot_already_used_up_is_named(helper: User) -> None:
    take(helper, "M-0217", "24", "scrap")

    assert "Lot M-0217 is used up" in refusal(lambda: take(helper, "M-0217", "1")).message


def test_what_orders_hold_is_not_taken_out_unasked(maker: User) -> None:
    """12 of 24 are held: 12 may go, a 13th may not."""
    order = tins_ordered()

    asked = refusal(lambda: take(maker, "M-0217", "13", "sample"))
    assert f"{order} 12" in asked.message
    take(maker, "M-0217", "12", "sample")
    assert free(TINS) == 0


@pytest.mark.parametrize(
    ("typed", "field"), [({"kind": "gift"}, "kind"), ({"because": ""}, "because"), ({"quantity": "1.5"}, "quantity")]
)
def test_taking_out_needs_a_kind_a_reason_and_whole_pieces(helper: User, typed: dict[str, str], field: str) -> None:
    assert refusal(lambda: take(helper, **{"lot": "M-0217", "quantity": "1", **typed})).field == field


def test_moving_changes_places_and_nothing_else(helper: User) -> None:
    """24 = 18 on the shelf + 6 in the market box, even when orders hold all of them."""
    tins_ordered(2)
    stock.move_place(by=helper, lot="M-0217", quantity=D(6), to="market box", token="t")
    stock.move_place(by=helper, lot="M-0217", quantity=D(6), to="market box", token="t")

    lot = Lot.objects.get(code="M-0217")
    assert ledger.places(lot) == {"shelf": 18, "market box": 6}
    assert lot.on_hand == 24


def test_no_more_is_moved_than_lies_there(helper: User) -> None:
    asked = refusal(lambda: stock.move_place(by=helper, lot="M-0217", quantity=D(25), to="market box", token="t"))
    assert asked.code == "below_zero"


def test_a_place_that_has_too_little_names_the_others(helper: User) -> None:
    stock.move_place(by=helper, lot="M-0217", quantity=D(20), to="market box", token="t")

    assert "There are 20 at 'market box'." in refusal(lambda: take(helper, "M-0217", "5")).message


def test_packing_takes_from_wherever_the_pieces_lie(maker: User) -> None:
    """12 pieces: the 4 left on the shelf and 8 of the 20 in the market box."""
    order = tins_ordered()
    orders.confirm(by=maker, number=order.number)
    stock.move_place(by=maker, lot="M-0217", quantity=D(20), to="market box", token="t")

    shipping.pack(by=maker, number=order.number, cases={OrderLine.objects.get().pk: 1}, token="p")

    assert ledger.places(Lot.objects.get(code="M-0217")) == {"market box": 12}


def test_the_maker_takes_a_wrong_entry_back_once(maker: User, helper: User) -> None:
    take(helper, "M-0217", "2")
    wrong = StockMovement.objects.latest("pk")
    with pytest.raises(NotAllowed):
        stock.take_back(by=helper, entry=wrong.pk, because="it was one")

    stock.take_back(by=maker, entry=wrong.pk, because="it was one")

    assert entries("M-0217")[-2:] == [("breakage", -2, "fell from the shelf"), ("taken back", 2, "it was one")]
    assert Lot.objects.get(code="M-0217").on_hand == 24
    with pytest.raises(Conflict, match="taken back already"):
        stock.take_back(by=maker, entry=wrong.pk, because="again")


def test_a_delivery_of_which_something_is_gone_is_not_taken_back(maker: User) -> None:
    code = receive(maker)
    received = StockMovement.objects.latest("pk")
    take(maker, code, "100", "scrap")

    asked = refusal(lambda: stock.take_back(by=maker, entry=received.pk, because="wrong oil"))
    assert asked.code == "below_zero"


def test_an_entry_of_a_batch_is_corrected_there(maker: User) -> None:
    opening = StockMovement.objects.filter(lot__code="M-0217").get()

    assert refusal(lambda: stock.take_back(by=maker, entry=opening.pk, because="no")).code == "not_by_hand"


# ── lots that are stopped ────────────────────────────────────────────────────


def test_a_lot_on_hold_is_not_free_and_comes_back(maker: User, helper: User) -> None:
    stock.hold(by=helper, lot="M-0217", because="frosting")
    assert free(TINS) == 0
    assert list(production.free_lots(TINS, clock.today())) == []
    with pytest.raises(Conflict, match="on hold already"):
        stock.hold(by=helper, lot="M-0217", because="frosting")
    with pytest.raises(NotAllowed):
        stock.release(by=helper, lot="M-0217", because="fine")

    stock.release(by=maker, lot="M-0217", because="burnt one, fine")

    assert free(TINS) == 24
    said = [(reason, because) for reason, _, because in entries("M-0217")[1:]]
    assert said == [("hold", "frosting"), ("released", "burnt one, fine")]


def test_no_batch_takes_from_a_lot_on_hold(maker: User) -> None:
    """A supplier's lot that is on hold is refused by its name."""
    code = receive(maker, supplier_lot="HG-4471")
    stock.hold(by=maker, lot=code, because="smells of solvent")

    asked = refusal(lambda: ledger.move(Lot.objects.get(code=code), -1, ledger.Why(reason="weighed")))
    assert f"Lot {code} is on hold (smells of solvent); take another lot" in asked.message


def test_no_batch_takes_from_a_lot_past_its_day(maker: User) -> None:
    code = receive(maker, expires_on=date(2026, 3, 6))
    lot = Lot.objects.get(code=code)
    with clock.at("2026-03-06T09:00"):
        ledger.move(lot, -1000, ledger.Why(reason="weighed"))
    with clock.at("2026-03-07T09:00"):
        asked = refusal(lambda: ledger.move(lot, -1000, ledger.Why(reason="weighed")))
        assert f"Lot {code} expired on 6 March 2026" in asked.message


def test_an_order_waits_while_its_lot_is_on_hold(maker: User) -> None:
    order = tins_ordered()
    orders.confirm(by=maker, number=order.number)
    stock.hold(by=maker, lot="M-0217", because="frosting")

    with pytest.raises(Refusal, match="no case is ready"):
        shipping.pack(by=maker, number=order.number, cases={OrderLine.objects.get().pk: 1}, token="p")
    assert OrderEvent.objects.filter(order=order, kind="lot", text="Lot M-0217 is on hold: frosting.").exists()
    assert Reservation.objects.get().pieces == 12


def test_what_is_recalled_is_made_anew(maker: User, helper: User) -> None:
    """12 tins held of the recalled lot: 12 are poured for the order."""
    order = tins_ordered()
    with pytest.raises(NotAllowed):
        stock.recall(by=helper, lot="M-0217", because="wick")

    stock.recall(by=maker, lot="M-0217", because="wick")

    assert not Reservation.objects.exists()
    poured = LoadPortion.objects.filter(order_scent__line__order=order, operation="pour")
    assert poured.aggregate(sum=Sum("pieces"))["sum"] == 12
    assert Lot.objects.get(code="M-0217").on_hand == 24


def test_pieces_made_for_an_order_and_broken_are_rejects_of_their_last_step(maker: User) -> None:
    """12 cups piped and curing; 2 break: 10 go on to the finish, 2 are poured anew."""
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    make_until(maker, "pipe")
    lot = Lot.objects.get(item__code="SUC")

    with clock.at("2026-03-09T09:00"):
        take(maker, lot.code, "2", short=True)

    piped = LoadPortion.objects.get(order_scent__line__order=order, operation="pipe", load__done_at__isnull=False)
    assert (piped.good, Reject.objects.get().pieces, Reservation.objects.get().pieces) == (10, 2, 10)
    to_do = LoadPortion.objects.filter(order_scent__line__order=order, load__done_at__isnull=True)
    sums = dict(to_do.order_by().values_list("operation").annotate(sum=Sum("pieces")))
    assert (sums["pour"], sums["pipe"], sums["finish"]) == (2, 2, 12)


def make_until(maker: User, step: str) -> None:
    """Mark loads done on their days, all good, until the first of a step is."""
    from wholesale.actions import production as bench

    while load := Load.objects.filter(done_at__isnull=True).order_by("day", "pk").first():
        with clock.at(f"{load.day}T09:00"):
            bench.mark_done(by=maker, load=load.pk, good={})
        if load.portions.filter(operation=step).exists():
            return


# ── what is usable ───────────────────────────────────────────────────────────


def test_expired_stock_is_not_free(maker: User) -> None:
    Lot.objects.filter(code="M-0217").update(expires_on="2026-03-05")
    assert free(TINS) == 24
    with clock.at("2026-03-06T09:00"):
        assert free(TINS) == 0


def test_products_wait_for_their_release_where_batches_are_released_by_hand(maker: User) -> None:
    """A batch's 6 tins are not free until somebody releases it; first-day stock, 24 tins and 12 jars, has no batch."""
    load = Load.objects.create(
        number="B-1", day="2026-02-20", what=Item.objects.get(code="FRN"), done_at=clock.now(), scent="CF"
    )
    lot = Lot.objects.create(code="B-1", item=load.what, scent="CF", made_on="2026-02-20", usable_on="2026-03-02")
    ledger.move(lot, 6, ledger.Why(reason="made", load=load))
    assert free(TINS) == 24 + 6

    Setting.objects.update_or_create(name="batch_release", defaults={"value": "by_hand"})
    assert (free(TINS), free(JARS)) == (24, 12)

    Load.objects.update(released_at=clock.now())
    assert free(TINS) == 24 + 6


def test_what_is_counted_in_grams_is_free_in_grams(maker: User) -> None:
    """250,500 mg of a base melt that was left over are 250.5 g."""
    with transaction.atomic():
        plan_rows.lock()
        melt = Lot.objects.create(
            code="REST-1", item=Item.objects.get(code="BASE"), scent="RG", made_on="2026-03-04", usable_on="2026-03-04"
        )
        ledger.move(melt, 250_500, ledger.Why(reason="made"))

    assert free(Sku("BASE", "RG")) == Fraction("250.5")


# ── rights, targets ──────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    "act",
    [
        receive,
        lambda by: count(by, "M-0217", "22"),
        lambda by: take(by, "M-0217", "1"),
        lambda by: stock.move_place(by=by, lot="M-0217", quantity=D(1), to="box", token="t"),
        lambda by: stock.hold(by=by, lot="M-0217", because="b"),
        lambda by: stock.release(by=by, lot="M-0217", because="b"),
        lambda by: stock.recall(by=by, lot="M-0217", because="b"),
        lambda by: stock.take_back(by=by, entry=1, because="b"),
        lambda by: stock.set_target(by=by, item="FRN", scent="CF", pieces=12),
    ],
)
def test_nobody_from_a_shop_touches_the_stock(act: Callable[[User], object]) -> None:
    owner = builders.member(Shop.objects.get(slug="brindle-fen"), "owner")

    assert isinstance(refusal(lambda: act(owner)), NotAllowed)


def test_what_is_not_there_is_not_found(maker: User) -> None:
    for act in (
        lambda: receive(maker, "NONE"),
        lambda: count(maker, "NONE", "1"),
        lambda: stock.take_back(by=maker, entry=0, because="b"),
    ):
        assert isinstance(refusal(act), NotFound)


def test_a_target_is_named_changed_and_taken_away(maker: User, helper: User) -> None:
    stock.set_target(by=maker, item="FRN", scent="CF", pieces=12)
    stock.set_target(by=maker, item="FRN", scent="CF", pieces=36)
    assert StockTarget.objects.get().pieces == 36

    stock.set_target(by=maker, item="FRN", scent="CF", pieces=0)
    assert not StockTarget.objects.exists()
    with pytest.raises(NotAllowed):
        stock.set_target(by=helper, item="FRN", scent="CF", pieces=1)
    assert refusal(lambda: stock.set_target(by=maker, item="SOY", pieces=1)).field == "pieces"
    assert refusal(lambda: stock.set_target(by=maker, item="FRN", scent="CF", pieces=-1)).field == "pieces"


# ── the law of the shelf ─────────────────────────────────────────────────────

ACTS = st.lists(
    st.tuples(
        st.sampled_from(["receive", "count", "short", "scrap", "move", "use", "hold", "release", "order"]),
        st.integers(0, 30),
    ),
    max_size=8,
)


@settings(
    max_examples=25, derandomize=True, deadline=None, database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
@given(acts=ACTS)
def test_whatever_happens_nothing_is_below_zero_or_promised_twice(acts: list[tuple[str, int]]) -> None:
    """After any deliveries, counts, takings and orders: a lot is the sum of its entries, and holds what is reserved."""
    with transaction.atomic():
        for what, quantity in acts:
            with pytest_refusals(), transaction.atomic():
                _do(what, quantity)
            for lot in Lot.objects.all():
                entries = lot.movements.aggregate(sum=Sum("quantity"))["sum"] or 0
                assert lot.on_hand == entries >= ledger.reserved(lot) >= 0
                assert all(there > 0 for there in ledger.places(lot).values())
            assert all(row.quantity > 0 for row in production.free_stock())
        transaction.set_rollback(True)


class pytest_refusals:  # noqa: N801  (reads like a statement)
    """Let the trade refuse an act: then nothing of it may stay."""

    def __enter__(self) -> None:
        """Begin."""

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> bool:
        """Swallow refusals alone."""
        return kind is not None and issubclass(kind, Refusal)


def _do(what: str, quantity: int) -> None:
    by, number = builders.maker(), str(quantity)
    lot = Lot.objects.get(code="M-0217")
    acts: dict[str, Callable[[], object]] = {
        "receive": lambda: receive(by, quantity=number, sure=True),
        "count": lambda: count(by, lot.code, number, sure=True),
        "short": lambda: count(by, lot.code, number, sure=True, short=True),
        "scrap": lambda: take(by, lot.code, number, "scrap"),
        "move": lambda: stock.move_place(by=by, lot=lot.code, quantity=D(quantity), to="market box", token=token()),
        "use": lambda: ledger.take(lot, quantity, ledger.Why(reason="used", by=by)),
        "hold": lambda: stock.hold(by=by, lot=lot.code, because="law"),
        "release": lambda: stock.release(by=by, lot=lot.code, because="law"),
        "order": tins_ordered,
    }
    acts[what]()


# ── both ways through the batches ────────────────────────────────────────────


def test_a_lot_is_traced_to_the_shops_and_back(maker: User) -> None:
    """Oil → pot of bases → cups of two orders → both shipments; cups → bases, rosettes → oil and casting wax."""
    shops = [Shop.objects.get(slug=slug) for slug in ("brindle-fen", "winterslip")]
    placed = [builders.place(shop, ("SUC", 2, "RG")) for shop in shops]
    make_all(maker)
    send_all(maker, placed)

    forward = trace_forward("OIL-RG-118")
    assert {(row.shop, row.pieces) for row in forward.sent} == {(shop.trade_name, 12) for shop in shops}
    assert {row.lot for row in forward.sent} <= {row.code for row in forward.lots}
    (cups,) = {row.lot for row in forward.sent if row.order == placed[0].number}
    back = trace_back(cups)
    assert "OIL-RG-118" in {row.code for row in back.lots}
    assert {"ROSETTE", "OIL-RG"} <= set(
        Lot.objects.filter(code__in=[r.code for r in back.lots]).values_list("item__code", flat=True)
    )
    assert back.sent == ()


def make_all(maker: User) -> None:
    """Mark every load done on its day, all good; each pour takes its oil from the oldest lot."""
    from wholesale.actions import production as bench

    while load := Load.objects.filter(done_at__isnull=True).order_by("day", "pk").first():
        with clock.at(f"{load.day}T09:00"):
            bench.mark_done(by=maker, load=load.pk, good={})


def send_all(maker: User, placed: list[Order]) -> None:
    """Confirm, pack and ship each order on Mon 23 March."""
    for order in placed:
        orders.confirm(by=maker, number=order.number)
        with clock.at("2026-03-23T09:00"):
            line = OrderLine.objects.get(order=order)
            shipment = shipping.pack(by=maker, number=order.number, cases={line.pk: line.cases}, token=order.number)
            shipping.ship(by=maker, number=shipment)


def test_a_trace_asks_no_more_for_more_batches(maker: User, django_assert_num_queries: Any) -> None:
    """Forward 7 + 4 for the one level above oil: 11. Back 6 + 4 a level (cups, and their rosettes): 14."""
    batches = 0
    for cases in (1, 8):
        order = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", cases, "RG"))
        make_all(maker)
        cups = Lot.objects.filter(reservations__order_scent__line__order=order)[0].code

        with django_assert_num_queries(11):
            batches = len(trace_forward("OIL-RG-118").batches)
        with django_assert_num_queries(14):
            trace_back(cups)

    # 6 cups in one pot and 48 in two, each with its bowls: 3 pots and 3 bowls at least.
    assert batches >= 6


def test_the_list_of_stock_asks_the_same_however_much_there_is(maker: User, django_assert_num_queries: Any) -> None:
    """Catalogue 7, lots, who holds them, pieces between steps, what is promised, targets: 12."""
    for _ in range(4):
        receive(maker)
    tins_ordered()
    with django_assert_num_queries(12):
        groups = stock_list()

    tins = next(row for _, rows in groups for row in rows if row.sku == TINS)
    assert (tins.stock.on_hand.total, tins.stock.reserved.total, tins.stock.free.total) == (24, 12, 12)
