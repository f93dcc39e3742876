"""Made for the shelf, put into spare room, moved up, kept as a sample: S2 of trade.md through the actions.

Mossgate Bench, Thu 5 March 2026, 9:00 (invented; common practice, no source).
"""

from collections.abc import Iterator
from datetime import date
from random import Random
from typing import Any

import pytest
from django.db import transaction

from tests import builders
from wholesale import clock
from wholesale.actions import batches, for_stock, orders, samples
from wholesale.actions import production as bench
from wholesale.core.catalogue import Sku
from wholesale.core.production.check import check
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.models import BatchEvent, ForStock, Item, Load, LoadPortion, OrderEvent, PlanState, Setting, StockTarget
from wholesale.queries import production, spare, workshop

pytestmark = pytest.mark.django_db
THU, FRI = date(2026, 3, 5), date(2026, 3, 6)


@pytest.fixture(autouse=True)
def mossgate() -> Iterator[None]:
    """The demo workshop on Thursday morning, without minimums and deposits."""
    builders.mossgate_rows()
    for name in ("opening_minimum", "reorder_minimum", "first_order_deposit"):
        Setting.objects.update_or_create(name=name, defaults={"value": "0"})
    with clock.at("2026-03-05T09:00"):
        yield


def cups(*, of: str = "corner", cases: int = 2) -> str:
    """An order of cups in rain garden."""
    return builders.place(builders.shop(of), ("SUC", cases, "RG")).number


def pots() -> list[Load]:
    """Loads of pot A by day."""
    return list(Load.objects.filter(equipment__code="POT-A").order_by("day", "pk"))


def portions(**of: object) -> list[tuple[str, date, int, str]]:
    """(step, day, pieces, for whom) of some portions."""
    rows = LoadPortion.objects.filter(**of).select_related("load", "for_stock", "order_scent__line__order")
    return sorted((row.operation, row.load.day, row.pieces, row.for_whom) for row in rows)


def sound() -> bool:
    """Is the stored plan without a breach?"""
    shop = production.planner(workshop.workshop())
    return check(shop, production.current_plan(), production.demands(), production.free_stock(), THU) == ()


def sampled(pieces: int = 1) -> None:
    """Keep samples of every batch of cups."""
    Item.objects.filter(code="SUC").update(samples_per_batch=pieces)


# ── for the shelf ────────────────────────────────────────────────────────────


def test_pieces_for_stock_are_planned_through_every_step_and_the_plan_changes_its_version() -> None:
    before = production.plan_version()
    row = for_stock.make_for_stock(by=builders.maker(), item="SUC", scent="RG", pieces=6, because="Saturday's stall")

    mine = ForStock.objects.get(pk=row)
    assert (mine.purpose, mine.because, mine.closed_at, mine.asked_by) == (
        "stock", "Saturday's stall", None, builders.maker()
    )  # fmt: skip
    assert {step for step, *_ in portions(for_stock=mine)} == {"pour", "pipe", "finish", "cast"}
    assert production.plan_version() == before + 1
    assert sound()


def test_an_order_after_it_shares_its_pot_and_nothing_is_promised_twice() -> None:
    """6 for the shelf and 12 ordered: one pot of 18."""
    for_stock.make_for_stock(by=builders.maker(), item="SUC", scent="RG", pieces=6)
    cups()

    assert [sum(p.pieces for p in pot.portions.all()) for pot in pots()] == [18]
    assert sound()


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"item": "ROSETTE"}, "'ROSETTE' is no product that is made here"),
        ({"item": "NONE"}, "'NONE' is no product that is made here"),
        ({"item": "SUC"}, "SUC can't be made in ''; its scents are: RG, CF, WS"),
        ({"item": "SUC", "scent": "XX"}, "SUC can't be made in 'XX'"),
        ({"item": "SUC", "scent": "RG", "pieces": 0}, "0 pieces can't be made"),
        ({"item": "SUC", "scent": "RG", "pieces": -3}, "-3 pieces can't be made"),
    ],
)
def test_what_can_not_be_made_is_refused_by_name_and_leaves_no_row(asked: dict[str, object], says: str) -> None:
    with pytest.raises(Refusal, match=says):
        for_stock.make_for_stock(by=builders.maker(), **{"pieces": 6, **asked})  # type: ignore[arg-type]
    assert not ForStock.objects.exists()


def test_only_the_bench_may_ask_for_it() -> None:
    buyer = builders.member(builders.shop("corner"))

    with pytest.raises(NotAllowed):
        for_stock.make_for_stock(by=buyer, item="SUC", scent="RG", pieces=6)
    with pytest.raises(NotAllowed):
        for_stock.call_off(by=buyer, row=1, because="no")


def test_called_off_it_leaves_the_plan_and_says_why() -> None:
    row = for_stock.make_for_stock(by=builders.helper(), item="SUC", scent="RG", pieces=6, because="stall")
    cups()
    for_stock.call_off(by=builders.maker(), row=row, because="the market is off")

    mine = ForStock.objects.get(pk=row)
    assert (mine.closed_at is not None, mine.because) == (True, "stall; the market is off")
    assert {step for step, *_ in portions(for_stock=mine)} <= {"cast"}
    assert sound()
    with pytest.raises(NotFound):
        for_stock.call_off(by=builders.maker(), row=row, because="again")


def test_calling_off_asks_for_a_reason() -> None:
    row = for_stock.make_for_stock(by=builders.maker(), item="SUC", scent="RG", pieces=6)

    with pytest.raises(Refusal, match="Say in a few words"):
        for_stock.call_off(by=builders.maker(), row=row, because=" ")


# ── spare room ───────────────────────────────────────────────────────────────


def test_spare_room_of_a_pot_is_filled_for_the_shelf() -> None:
    """12 ordered, 13 fit beside them: 25; their toppings and casts are planned too."""
    cups()
    row = for_stock.fill_spare(by=builders.helper(), load=pots()[0].pk, item="SUC", scent="RG", pieces=13)

    assert [sum(p.pieces for p in pot.portions.all()) for pot in pots()] == [25]
    assert sum(pieces for _, _, pieces, _ in portions(for_stock=row, operation="pipe")) == 13
    assert sound()


def test_more_than_fits_is_refused_and_changes_nothing() -> None:
    cups()
    before = production.plan_version()

    with pytest.raises(
        Refusal, match="Succulent cup, Rain garden: 14 pieces do not fit into this load; there is room for 13"
    ):
        for_stock.fill_spare(by=builders.maker(), load=pots()[0].pk, item="SUC", scent="RG", pieces=14)
    assert (ForStock.objects.count(), production.plan_version()) == (0, before)


def test_a_weighed_pot_is_no_spare_room() -> None:
    cups()
    Load.objects.filter(pk=pots()[0].pk).update(weighed_at=clock.now())

    with pytest.raises(NotFound, match="begun, done or gone"):
        for_stock.fill_spare(by=builders.maker(), load=pots()[0].pk, item="SUC", scent="RG", pieces=1)


def test_an_order_is_moved_up_into_the_pot() -> None:
    """The second order came when the pot was closed: its six bases have one of their own on Fri, and fit into Thu's."""
    cups()
    Load.objects.filter(pk=pots()[0].pk).update(weighed_at=clock.now())
    with clock.at("2026-03-05T15:00"):
        cups(of="mill", cases=1)
    first, second = pots()
    Load.objects.filter(pk=first.pk).update(weighed_at=None)
    mill = str(LoadPortion.objects.get(load=second).order_scent_id)
    assert (second.day, sound()) == (FRI, True)
    for_stock.take_offer(by=builders.maker(), load=first.pk, demand=mill)

    assert [(pot.day, sum(p.pieces for p in pot.portions.all())) for pot in pots()] == [(THU, 18)]
    assert sound()
    with pytest.raises(Refusal, match="no longer fits"):
        for_stock.take_offer(by=builders.maker(), load=first.pk, demand=mill)


def test_the_load_s_page_can_say_who_could_use_its_room(django_assert_max_num_queries: Any) -> None:
    """13 cups, 11 jars, 14 tins fit; the mill's six cups of Fri; a target of 20 jars of which 4 are being made."""
    cups()
    Load.objects.filter(pk=pots()[0].pk).update(weighed_at=clock.now())
    with clock.at("2026-03-05T15:00"):
        mill = cups(of="mill", cases=1)
    Load.objects.filter(pk=pots()[0].pk).update(weighed_at=None)
    for item, pieces in (("PEB", 20), ("FRN", 0)):
        StockTarget.objects.create(item=Item.objects.get(code=item), scent="RG", pieces=pieces)
    ForStock.objects.create(item=Item.objects.get(code="PEB"), scent="RG", pieces=4, asked_at=clock.now())
    with django_assert_max_num_queries(20):
        found = spare.of_load(pots()[0].pk)

    assert found is not None
    assert found.pieces == {Sku("SUC", "RG"): 13, Sku("PEB", "RG"): 11, Sku("FRN", "RG"): 14}
    assert [(row.order, row.offer.pieces, row.offer.instead_of) for row in found.offers] == [(mill, 6, FRI)]
    assert found.targets == (spare.TargetRow(Sku("PEB", "RG"), 16, 11),)
    Load.objects.filter(pk=pots()[0].pk).update(weighed_at=clock.now())
    assert spare.of_load(pots()[0].pk) is None


# ── samples ──────────────────────────────────────────────────────────────────


def test_s2_two_orders_and_a_sample_fill_one_pot() -> None:
    """12 + 12 + 1 = 25 cups in one 4,000 g pot; 25 / 0.92 = 27.2: 28 casts; 25 / 12: 3 bowls."""
    sampled()
    cups(of="corner")
    cups(of="mill")

    [pot] = pots()
    assert sorted((p.pieces, p.for_whom == "sample") for p in pot.portions.all()) == [
        (1, True),
        (12, False),
        (12, False),
    ]
    assert sum(pieces for _, _, pieces, _ in portions(operation="cast")) == 28
    assert Load.objects.filter(equipment__code="BOWL").count() == 3
    assert sound()


def test_without_room_there_is_no_sample_and_the_batch_says_so_once() -> None:
    """S2: a 26th does not fit. 25 cups are in the pot when samples are first asked for: none, flagged, nobody late."""
    cups()
    for_stock.fill_spare(by=builders.maker(), load=pots()[0].pk, item="SUC", scent="RG", pieces=13)
    sampled()
    samples.keep()
    samples.keep()

    assert not ForStock.objects.filter(purpose="sample").exists()
    [flag] = BatchEvent.objects.filter(kind="no_sample")
    assert "Succulent cup, Rain garden: 1 piece does not fit into this load; there is room for 0" in flag.text


def test_a_sample_whose_batch_lost_its_orders_is_dropped() -> None:
    sampled()
    number = cups()
    orders.withdraw(by=builders.member(builders.shop("corner")), shop="corner", number=number)

    assert not ForStock.objects.exists()
    assert not pots()


def test_no_samples_asked_for_none_kept() -> None:
    """With 0 samples a batch nothing is planned but the order, and nothing is written."""
    cups()
    version = PlanState.objects.get().version
    samples.keep()

    assert not ForStock.objects.exists()
    assert PlanState.objects.get().version == version


def test_two_samples_of_each_product_in_a_shared_pot() -> None:
    """Cups and jars share a melt: two samples of the cups, none of the jars, which keep none."""
    sampled(2)
    builders.place(builders.shop("corner"), ("SUC", 1, "RG"), ("PEB", 1, "RG"))

    assert [(row.item.code, row.pieces) for row in ForStock.objects.all()] == [("SUC", 2)]
    assert sound()


def promised(*asked: list[builders.Line], kept: int, withdrawn: int | None = None) -> list[date]:
    """The days promised to orders of different shops, placed one after the other; nothing of it stays."""
    with transaction.atomic():
        Item.objects.filter(kind="product").update(samples_per_batch=kept)
        placed = []
        for number, lines in enumerate(asked):
            placed.append(builders.place(builders.shop(f"shop-{number}"), *lines))
            if number == withdrawn:
                buyer = placed[-1].shop
                orders.withdraw(by=builders.member(buyer), shop=buyer.slug, number=placed[-1].number)
        assert sound()
        assert ForStock.objects.exists() is bool(kept)
        transaction.set_rollback(True)
    return [order.promised_leaves for order in placed]


def test_a_sample_does_not_take_the_room_of_a_later_order() -> None:
    """9 + 16 cups in rain garden fill the pot of 25: the sample of the first nine makes room, Mon 16 and not Thu 19.

    6 + 3 and 12 + 4; its three cups in cedar frame, a jar's melt and two cups of the second are the other pot.
    """
    first: list[builders.Line] = [("SUC", 1, "RG"), ("SUC", 1, {"RG": 3, "CF": 3}), ("PEB", 1, "CF")]
    second: list[builders.Line] = [("SUC", 2, "RG"), ("SUC", 1, {"RG": 4, "CF": 2})]

    assert promised(first, second, kept=1) == promised(first, second, kept=0) == [date(2026, 3, 16)] * 2


def test_the_sample_that_made_room_is_forgotten_and_the_others_stay_where_they_were() -> None:
    """After the second order: none in rain garden, one cup and one jar in cedar frame, in the same rows as before."""
    Item.objects.filter(kind="product").update(samples_per_batch=1)
    builders.place(builders.shop("corner"), ("SUC", 1, "RG"), ("SUC", 1, {"RG": 3, "CF": 3}), ("PEB", 1, "CF"))
    before = {(row.item.code, row.scent): row.pk for row in ForStock.objects.select_related("item")}
    builders.place(builders.shop("mill"), ("SUC", 2, "RG"), ("SUC", 1, {"RG": 4, "CF": 2}))

    assert set(before) == {("SUC", "RG"), ("SUC", "CF"), ("PEB", "CF")}
    after = {(row.item.code, row.scent): row.pk for row in ForStock.objects.select_related("item")}
    assert set(after) == {("SUC", "CF"), ("PEB", "CF")}
    assert after[("PEB", "CF")] == before[("PEB", "CF")]
    said = BatchEvent.objects.get(kind="no_sample")
    assert (said.load, "1 piece does not fit" in said.text) == (pots()[1], True)


@pytest.mark.parametrize(("first", "second"), [(2, 2), (1, 3)])
def test_a_sample_given_up_takes_its_bowl_and_its_cast_with_it(first: int, second: int) -> None:
    """24 cups and a sample: 3 bowls, 28 casts. One cracks: 24 ÷ 12 = 2 bowls, 24 ÷ 0.92 = 26.1: 27 casts."""
    sampled()
    cups(of="corner", cases=first)
    cups(of="mill", cases=second)
    bowls = Load.objects.filter(equipment__code="BOWL")
    assert (bowls.count(), sum(pieces for _, _, pieces, _ in portions(operation="cast"))) == (3, 28)
    cracked = {pots()[0].portions.order_by("pk")[0].pk: {"cracked": 1}}
    batches.mark_done(by=builders.helper(), load=pots()[0].pk, made=batches.Made(rejects=cracked))

    assert sorted(sum(p.pieces for p in bowl.portions.all()) for bowl in bowls) == [12, 12]
    assert sum(pieces for _, _, pieces, _ in portions(operation="cast")) == 27
    assert not LoadPortion.objects.filter(for_stock__isnull=False, load__done_at=None).exists()
    assert sound()


@pytest.mark.parametrize("seed", range(4))
def test_samples_change_no_promise(seed: int) -> None:
    """Three orders of any mix, the second one withdrawn in between: the same days with samples kept and without.

    Placed beside the samples, seed 0's second order would leave on Thu 19 instead of Mon 16.
    """
    chance = Random(seed)
    mixes: list[Any] = ["RG", {"RG": 4, "CF": 2}, {"RG": 3, "CF": 3}]
    placed: list[list[builders.Line]] = [
        [("SUC", chance.randint(1, 3), chance.choice(mixes)), *([("PEB", 1, "CF")] if chance.random() < 0.5 else [])]
        for _ in range(3)
    ]

    assert promised(*placed, kept=1, withdrawn=1) == promised(*placed, kept=0, withdrawn=1)


# ── what waits too long ──────────────────────────────────────────────────────


def test_bases_that_will_have_waited_too_long_are_told_once_in_the_order_s_history() -> None:
    """Poured Thu 5, nobody at the bench till Mon 16: 11 days where 7 are the most; planned again twice, told once."""
    number = cups()
    Load.objects.filter(pk=pots()[0].pk).update(done_at=clock.now())
    LoadPortion.objects.filter(load=pots()[0]).update(good=12)
    with clock.at("2026-03-16T09:00"):
        bench.plan_again(by=builders.maker())
        bench.plan_again(by=builders.maker())

    [told] = OrderEvent.objects.filter(order__number=number, kind="too_old")
    assert "Pour base of 5 March 2026 waits" in told.text
    assert not told.for_shop
