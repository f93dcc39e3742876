"""One lot for what was poured together: S2 of trade.md through bowls that fail, are taken back, or hold two pours.

Mossgate Bench (invented; common practice, no source): cups are poured (a pot holds 25),
topped the next day in bowls of 12, and cure ten days from there. 2 March 2026 is a Monday.
"""

from datetime import date
from decimal import Decimal as D
from importlib import import_module

import pytest
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.models import Sum

from tests import builders
from wholesale import clock
from wholesale.actions import batches, for_stock, ledger, orders, shipping, stock
from wholesale.actions.batches import Made, OnScale
from wholesale.core.values import Conflict, Refusal
from wholesale.models import (
    BatchEvent,
    Load,
    LoadPortion,
    Lot,
    Order,
    OrderEvent,
    OrderLine,
    Reservation,
    Setting,
    ShopAccount,
    StockMovement,
)
from wholesale.queries import production
from wholesale.queries.trace import trace_back, trace_forward

pytestmark = pytest.mark.django_db

THURSDAY, FRIDAY, MONDAY = "2026-03-05T13:50", "2026-03-06T09:00", "2026-03-09T09:00"
CURED = date(2026, 3, 16)


@pytest.fixture(autouse=True)
def mossgate() -> None:
    """The demo workshop with its materials in stock, and no minimum."""
    builders.mossgate_rows(stock=True)
    Setting.objects.update_or_create(name="reorder_minimum", defaults={"value": "0"})


@pytest.fixture
def bowls() -> list[Load]:
    """B1 and B2, 12 cups each: poured in one pot and cast on Thursday, and their two bowls, not made yet."""
    with clock.at(THURSDAY):
        builders.two_shops_order_cups()
    return poured_and_cast()


def poured_and_cast() -> list[Load]:
    """Do Thursday's work, every piece good; the bowls that are still to be made."""
    with clock.at(THURSDAY):
        for load in Load.objects.filter(day="2026-03-05", done_at=None).order_by("pk"):
            made(load)
    return list(to_do("BOWL"))


def to_do(equipment: str) -> list[Load]:
    return list(Load.objects.filter(equipment__code=equipment, done_at=None).order_by("day", "pk"))


def made(load: Load, rejects: int = 0) -> str:
    """Mark a load done with so many cracked."""
    first = load.portions.order_by("pk")[0]
    found = {first.pk: {"cracked": rejects}} if rejects else {}
    return batches.mark_done(by=builders.helper(), load=load.pk, made=Made(rejects=found))


def topped(*loads: Load, at: str = FRIDAY) -> None:
    with clock.at(at):
        for load in loads:
            made(load)


def taken_back(load: Load, at: str = FRIDAY) -> None:
    with clock.at(at):
        batches.take_back(by=builders.maker(), load=load.pk)


def lots() -> dict[str, int]:
    """Pieces of cups by lot; each lot is the sum of its entries and holds at least what is reserved."""
    for lot in Lot.objects.annotate(sum=Sum("movements__quantity")):
        assert lot.on_hand == (lot.sum or 0) >= ledger.reserved(lot) >= 0, lot.code
    return dict(Lot.objects.filter(item__code="SUC").order_by("pk").values_list("code", "on_hand"))


def held() -> dict[str, dict[str, int]]:
    """Pieces that each order holds, by lot."""
    found: dict[str, dict[str, int]] = {}
    for row in Reservation.objects.select_related("order_scent__line__order", "lot").order_by("pk"):
        of_order = found.setdefault(row.order_scent.line.order.number, {})
        assert row.lot.code not in of_order, "one row an order and lot"
        of_order[row.lot.code] = row.pieces
    return found


def cups(slug: str, cases: int) -> Order:
    """Cups in rain garden for a shop that ordered before."""
    shop = builders.shop(slug)
    ShopAccount.objects.get_or_create(shop=shop, defaults={"last_order_on": "2026-01-20"})
    return builders.place(shop, ("SUC", cases, "RG"))


# ── one pot, two bowls ───────────────────────────────────────────────────────


def test_what_was_poured_together_is_one_lot_under_the_pots_number(bowls: list[Load]) -> None:
    """24 cups of pot B-1001, topped on one day in two bowls: lot B-1001, sellable Fri 6 + 10 days = Mon 16."""
    topped(*bowls)

    lot = Lot.objects.get(item__code="SUC")
    assert (lot.code, str(lot.load), lot.usable_on, lot.on_hand) == ("B-1001", "B-1001", CURED, 24)
    assert held() == {"W-1001": {"B-1001": 12}, "W-1002": {"B-1001": 12}}
    said = BatchEvent.objects.filter(kind="into_stock", load__in=bowls).values_list("text", flat=True)
    assert list(said) == ["Into stock: 12 as lot B-1001."] * 2
    # The rosettes keep the numbers of their own batches.
    cast = Lot.objects.filter(item__code="ROSETTE", movements__reason="made").values_list("code", "load__number")
    assert all(code == number for code, number in cast)


def test_a_bowl_that_fails_takes_its_own_pieces_and_nobody_elses(bowls: list[Load]) -> None:
    """24 − 12; the other order keeps what it holds."""
    topped(*bowls)
    with clock.at("2026-03-06T12:00"):
        batches.scrap(by=builders.helper(), load=bowls[1].pk, because="slumped")

    assert lots() == {"B-1001": 12}
    assert held() == {"W-1001": {"B-1001": 12}}
    anew = LoadPortion.objects.filter(operation="pour", load__done_at=None).values_list("pieces", flat=True)
    assert list(anew) == [12]


def test_a_bowl_is_taken_back_and_made_again_the_same_day(bowls: list[Load]) -> None:
    topped(*bowls)
    taken_back(bowls[0])

    assert lots() == {"B-1001": 12}
    assert held() == {"W-1002": {"B-1001": 12}}
    topped(bowls[0])
    assert lots() == {"B-1001": 24}
    assert held() == {"W-1002": {"B-1001": 12}, "W-1001": {"B-1001": 12}}


def test_topped_on_another_day_it_is_another_lot_of_the_same_pot(bowls: list[Load]) -> None:
    """Sellable Mon 9 + 10 days = Thu 19; a lot has one such day."""
    topped(bowls[0])
    topped(bowls[1], at=MONDAY)

    assert lots() == {"B-1001": 12, "B-1001-2": 12}
    second = Lot.objects.get(code="B-1001-2")
    assert (str(second.load), second.usable_on) == ("B-1001", date(2026, 3, 19))


def test_an_emptied_lot_keeps_its_number_when_all_of_it_is_topped_on_another_day(bowls: list[Load]) -> None:
    topped(*bowls)
    for bowl in bowls:
        taken_back(bowl)
    assert lots() == {"B-1001": 0}
    topped(*bowls, at=MONDAY)

    assert lots() == {"B-1001": 24}
    assert Lot.objects.get(code="B-1001").usable_on == date(2026, 3, 19)


def test_a_number_that_another_lot_has_gets_a_suffix(bowls: list[Load]) -> None:
    """Brought along from the first day: a lot of jars that is called B-1001 already."""
    Lot.objects.filter(code="M-0217").update(code="B-1001")
    topped(*bowls)

    assert lots() == {"B-1001-2": 24}


# ── what has moved on ────────────────────────────────────────────────────────


def test_once_one_orders_pieces_have_left_the_others_bowl_can_still_fail(bowls: list[Load]) -> None:
    """W-1001's 12 are packed out of the shared lot; 12 are left, W-1002's, and go with their bowl."""
    topped(*bowls)
    first = Order.objects.get(number="W-1001")
    with clock.at("2026-03-16T09:00"):
        finish = Load.objects.filter(portions__operation="finish", portions__order_scent__line__order=first)
        for load in finish.order_by("pk").distinct():
            LoadPortion.objects.filter(load=load).exclude(order_scent__line__order=first).delete()
            made(load)
        orders.confirm(by=builders.maker(), number="W-1001")
        line = OrderLine.objects.get(order=first)
        shipping.pack(by=builders.maker(), number="W-1001", cases={line.pk: 2}, token="once")
        with pytest.raises(Refusal, match="'Finish' since"):
            batches.scrap(by=builders.helper(), load=bowls[0].pk, because="slumped")
        batches.scrap(by=builders.helper(), load=bowls[1].pk, because="slumped")

    assert lots() == {"B-1001": 0}
    assert held() == {"W-1001": {"B-1001": 12}}


def test_pieces_lost_in_stock_since_are_not_taken_back_as_if_they_were_there(bowls: list[Load]) -> None:
    """A cup of the lot fell: W-1002, promised last, is one short, so its bowl is not whole any more; W-1001's is."""
    topped(*bowls)
    with clock.at(FRIDAY):
        stock.take_out(
            by=builders.maker(), lot="B-1001", quantity=D(1), kind="breakage", because="fell", token="t", short=True
        )  # fmt: skip
        assert held() == {"W-1001": {"B-1001": 12}, "W-1002": {"B-1001": 11}}
        with pytest.raises(Refusal, match="Lot B-1001 is not whole any more"):
            batches.take_back(by=builders.maker(), load=bowls[1].pk)
    taken_back(bowls[0])

    assert lots() == {"B-1001": 11}


def test_pieces_for_the_shelf_that_were_promised_since_hold_their_bowl() -> None:
    """12 cups for the shelf in one bowl; an order reserves 6 of them, so that bowl stands."""
    with clock.at(THURSDAY):
        for_stock.make_for_stock(by=builders.maker(), item="SUC", scent="RG", pieces=12)
    [bowl] = poured_and_cast()
    topped(bowl)
    with clock.at(FRIDAY):
        cups("corner", 1)
        with pytest.raises(Refusal, match="Lot B-1001 is not whole any more"):
            batches.take_back(by=builders.maker(), load=bowl.pk)

    assert (lots(), held()) == ({"B-1001": 12}, {"W-1001": {"B-1001": 6}})


# ── two pots in one bowl ─────────────────────────────────────────────────────


@pytest.fixture
def thirty() -> list[Load]:
    """An order of 30 cups, poured 25 + 5 in two pots (B-1001, B-1002); its bowls of 12, 12 and 6."""
    with clock.at(THURSDAY):
        cups("corner", 5)
    found = poured_and_cast()
    pots = Load.objects.filter(equipment__code="POT-A").order_by("number")
    assert [(str(pot), pot.portions.get().good) for pot in pots] == [("B-1001", 25), ("B-1002", 5)]
    assert [bowl.portions.get().pieces for bowl in found] == [12, 12, 6]
    return found


def test_a_bowl_of_two_pots_gives_each_lot_its_own(thirty: list[Load]) -> None:
    """25 = 12 + 12 + 1 and 5 = 6 − 1, the first poured first."""
    topped(*thirty)

    assert lots() == {"B-1001": 25, "B-1002": 5}
    assert held() == {"W-1001": {"B-1001": 25, "B-1002": 5}}
    taken_back(thirty[2])
    assert lots() == {"B-1001": 24, "B-1002": 0}
    topped(thirty[2])
    assert lots() == {"B-1001": 25, "B-1002": 5}


def test_bowls_taken_back_and_made_in_another_order_leave_the_same_sums(thirty: list[Load]) -> None:
    """12, then 6, then 7 + 5 out of the two pots; the 6 taken back and made again are 6 of the first."""
    first, second, small = thirty
    topped(first, small, second)
    assert lots() == {"B-1001": 25, "B-1002": 5}
    taken_back(small)
    assert lots() == {"B-1001": 19, "B-1002": 5}
    topped(small)

    assert lots() == {"B-1001": 25, "B-1002": 5}
    assert held() == {"W-1001": {"B-1001": 25, "B-1002": 5}}


def test_a_reject_at_topping_is_missing_in_the_lot_it_was_poured_with(thirty: list[Load]) -> None:
    """12 − 1 + 12 + 1 = 24 of the first pot, 5 of the second."""
    with clock.at(FRIDAY):
        made(thirty[0], rejects=1)
    # Planned again for the one that is missing, the 18 that wait have other bowls, and new rows.
    topped(*[bowl for bowl in to_do("BOWL") if bowl.day == date(2026, 3, 6)])

    assert lots() == {"B-1001": 24, "B-1002": 5}


def test_a_piece_poured_in_place_of_a_reject_does_not_fill_the_old_lot(bowls: list[Load]) -> None:
    """One of W-1001's cracked when it was topped: 23 of pot B-1001, and 1 of the new pot, topped on Mon 9."""
    with clock.at(FRIDAY):
        made(bowls[0], rejects=1)
        made(bowls[1])
        [pot] = to_do("POT-A")
        number = made(pot)
    topped(*to_do("BOWL"), at=MONDAY)

    assert lots() == {"B-1001": 23, number: 1}
    assert Lot.objects.get(code=number).load == pot


@pytest.fixture
def one_bowl() -> Load:
    """6 + 6 cups of two orders: poured in two pots (B-1001 of wax SOY-2291, B-1002 of wax L-1001), topped in one bowl.

    6 × 150 ÷ 0.97 ÷ 1.08 = 859.11 g of wax each.
    """
    with clock.at("2026-03-05T09:00"):
        cups("corner", 1)
        batches.weigh(by=builders.helper(), load=to_do("POT-A")[0].pk, weights={})
    with clock.at(THURSDAY):
        cups("lantern", 1)
        fresh = stock.receive(by=builders.maker(), item="SOY", quantity=D(20000), token="fresh", sure=True)
        wax = {"SOY": OnScale(grams=D("859.11"), lot=fresh)}
        batches.weigh(by=builders.helper(), load=to_do("POT-A")[1].pk, weights=wax)
    [bowl] = poured_and_cast()
    topped(bowl)
    return bowl


def test_two_orders_of_two_pots_stay_two_lots_in_one_bowl(one_bowl: Load) -> None:
    assert lots() == {"B-1001": 6, "B-1002": 6}
    assert held() == {"W-1001": {"B-1001": 6}, "W-1002": {"B-1002": 6}}


def test_a_trace_follows_whose_pieces_they_are_through_a_shared_bowl(one_bowl: Load) -> None:
    """Wax L-1001 leads to B-1002 alone, and lot B-1001 back to its own pot and wax; both through the bowl."""
    forward, back = trace_forward("L-1001"), trace_back("B-1001")

    assert [batch.number for batch in forward.batches] == ["B-1002", str(Load.objects.get(pk=one_bowl.pk).number)]
    assert [lot.code for lot in forward.lots] == ["B-1002"]
    assert {"B-1001", str(Load.objects.get(pk=one_bowl.pk).number)} <= {batch.number for batch in back.batches}
    assert "B-1002" not in {batch.number for batch in back.batches}
    assert "SOY-2291" in {lot.code for lot in back.lots}
    assert "L-1001" not in {lot.code for lot in back.lots}


def test_what_a_shared_bowl_took_leads_to_both_lots(one_bowl: Load) -> None:
    """The whipping wax is in both."""
    assert {"B-1001", "B-1002"} <= {lot.code for lot in trace_forward("WHIP-330").lots}


# ── stopped, recalled, released ──────────────────────────────────────────────


def test_what_is_topped_later_of_a_stopped_lots_pot_is_stopped_too(bowls: list[Load]) -> None:
    topped(bowls[0])
    stock.hold(by=builders.helper(), lot="B-1001", because="smells off")
    topped(bowls[1], at=MONDAY)

    second = Lot.objects.get(code="B-1001-2")
    assert (second.state, second.state_because, second.on_hand) == ("hold", "smells off", 12)
    assert BatchEvent.objects.filter(text="Into stock: 12 as lot B-1001-2 (on hold).").exists()


def test_nothing_good_joins_a_recalled_lot(bowls: list[Load]) -> None:
    """The second bowl's cups are of the recalled pot: counted as rejects they are made anew with the first's."""
    topped(bowls[0])
    with clock.at(FRIDAY):
        stock.recall(by=builders.maker(), lot="B-1001", because="wrong oil")
        with pytest.raises(Refusal, match=r"Lot B-1001 is recalled \(wrong oil\), and good pieces .* would join it"):
            made(bowls[1])
        made(bowls[1], rejects=12)

    assert lots() == {"B-1001": 12}
    assert held() == {}
    anew = LoadPortion.objects.filter(operation="pour", load__done_at=None).values_list("pieces", flat=True)
    assert sum(anew) == 24


def test_what_was_made_of_a_stopped_lot_is_stopped_with_it(one_bowl: Load) -> None:
    """Wax L-1001 went into pot B-1002 alone: its lot is on hold for the same reason, W-1002 waits and is told."""
    stock.hold(by=builders.helper(), lot="L-1001", because="smells off", made_of_it=True)

    states = dict(Lot.objects.filter(item__code="SUC").values_list("code", "state"))
    assert states == {"B-1001": "ok", "B-1002": "hold"}
    assert Lot.objects.get(code="B-1002").state_because == "smells off"
    told = OrderEvent.objects.filter(kind="lot").values_list("order__number", "text")
    assert list(told) == [("W-1002", "Lot B-1002 is on hold: smells off.")]
    with pytest.raises(Conflict, match="L-1001 is on hold already"):
        stock.hold(by=builders.helper(), lot="L-1001", because="smells off", made_of_it=True)


def test_what_was_made_of_a_recalled_lot_is_recalled_and_made_anew(one_bowl: Load) -> None:
    """The lot on hold and what was made of it; W-1002's six cups are poured anew, W-1001's six stay."""
    with clock.at(FRIDAY):
        stock.hold(by=builders.helper(), lot="L-1001", because="smells off", made_of_it=True)
        stock.recall(by=builders.maker(), lot="L-1001", because="wrong wax", made_of_it=True)

    recalled = Lot.objects.filter(state="recalled").order_by("code").values_list("code", flat=True)
    assert list(recalled) == ["B-1002", "L-1001"]
    assert held() == {"W-1001": {"B-1001": 6}}
    anew = LoadPortion.objects.filter(operation="pour", load__done_at=None)
    assert [(str(row.order), row.pieces) for row in anew] == [("W-1002", 6)]


def test_a_lot_of_two_bowls_is_free_when_both_are_released(bowls: list[Load]) -> None:
    """Released by hand, each bowl for itself: none of the lot may leave before."""
    Setting.objects.update_or_create(name="batch_release", defaults={"value": "by_hand"})
    topped(*bowls)
    with clock.at("2026-03-16T09:00"):
        sound = []
        for bowl in bowls:
            sound.append(production.sound_lots().filter(code="B-1001").exists())
            batches.release(by=builders.maker(), load=bowl.pk)
        sound.append(production.sound_lots().filter(code="B-1001").exists())

    assert sound == [False, False, True]


def test_a_bowl_that_failed_holds_no_release_up(bowls: list[Load]) -> None:
    Setting.objects.update_or_create(name="batch_release", defaults={"value": "by_hand"})
    topped(*bowls)
    with clock.at("2026-03-16T09:00"):
        batches.scrap(by=builders.helper(), load=bowls[1].pk, because="slumped")
        batches.release(by=builders.maker(), load=bowls[0].pk)
        assert production.sound_lots().filter(code="B-1001").exists()


# ── older entries ────────────────────────────────────────────────────────────


def test_entries_from_before_learn_whose_pieces_they_are(bowls: list[Load]) -> None:
    """The migration's step, on the rows of two bowls: each entry is its portion's again."""
    topped(*bowls)
    apps = (
        MigrationLoader(connection, replace_migrations=False)
        .project_state([("wholesale", "0004_an_entry_knows_whose_pieces")])
        .apps
    )
    older = apps.get_model("wholesale", "StockMovement")
    cups_made = StockMovement.objects.filter(lot__item__code="SUC", reason="made").order_by("pk")
    before = list(cups_made.values_list("pk", "portion"))
    assert len(before) == 2
    assert all(portion for _, portion in before)
    older.objects.update(portion=None)
    import_module("wholesale.migrations.0004_an_entry_knows_whose_pieces").name_pieces(apps, None)

    assert list(cups_made.values_list("pk", "portion")) == before
