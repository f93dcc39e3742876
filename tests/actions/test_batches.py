"""A batch from weighing to release and back, against the rows it writes; trade scenario S2: 12 + 12 cups, a sample."""

from decimal import Decimal as D

import pytest
from django.db.models import Sum

from tests import builders
from wholesale import clock
from wholesale.actions import batches, production
from wholesale.actions.batches import Made, OnScale
from wholesale.core.values import Conflict, NotAllowed, Refusal
from wholesale.models import (
    BatchEvent,
    ForStock,
    Item,
    Load,
    LoadPortion,
    Lot,
    Order,
    OrderEvent,
    Recipe,
    Reject,
    Reservation,
    Setting,
    ShopAccount,
    StockMovement,
    Substitute,
    Weighing,
)

pytestmark = pytest.mark.django_db

THURSDAY, FRIDAY = "2026-03-05T13:50", "2026-03-06T09:00"
#: Weighed grams of S2: 3,865.98 = 3,579.61 wax + 286.37 oil.
WAX, OIL = D("3579.61"), D("286.37")


@pytest.fixture
def orders() -> list[Order]:
    """B1 and B2: 12 succulent cups in rain garden each, with wax and oil in stock."""
    builders.mossgate_rows(stock=True)
    return builders.two_shops_order_cups()


@pytest.fixture
def pour(orders: list[Order]) -> Load:
    """Their one pour, with a 25th cup to be kept as a sample."""
    with_sample("pour")
    return Load.objects.get(portions__operation="pour", portions__for_stock__isnull=False)


def with_sample(*steps: str) -> ForStock:
    """A sample of one cup in the loads of these steps."""
    cup = Item.objects.get(code="SUC")
    sample = ForStock.objects.create(item=cup, scent="RG", pieces=1, purpose="sample", asked_at=clock.now())
    for step in steps:
        load = Load.objects.filter(portions__operation=step, portions__item=cup).order_by("-pk")[0]
        LoadPortion.objects.create(load=load, for_stock=sample, item=cup, scent="RG", operation=step, pieces=1)
    return sample


def exactly(**other: OnScale) -> dict[str, OnScale]:
    """S2's weights, some of them otherwise."""
    return {"SOY": OnScale(grams=WAX), "OIL-RG": OnScale(grams=OIL)} | other


def on_hand(lot: str) -> int:
    return Lot.objects.get(code=lot).on_hand


def ledger_agrees() -> None:
    """Every lot's sum is the sum of its entries."""
    for lot in Lot.objects.annotate(sum=Sum("movements__quantity")):
        assert lot.on_hand == (lot.sum or 0), lot.code


def done(load: Load, **made: object) -> str:
    return batches.mark_done(by=builders.helper(), load=load.pk, made=Made(**made))  # type: ignore[arg-type]


def top_of(load: Load) -> Load:
    """The first load that pipes what was poured."""
    return Load.objects.filter(portions__operation="pipe", done_at__isnull=True).order_by("day", "pk")[0]


# ── weighing ─────────────────────────────────────────────────────────────────────


def test_weighing_takes_the_lots_and_freezes_the_recipes(pour: Load) -> None:
    """45,000 − 3,579.61 = 41,420.39 g of soy and 2,500 − 286.37 = 2,213.63 g of oil are left."""
    number = batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly())

    pour.refresh_from_db()
    assert (number, pour.number) == ("B-1001", "B-1001")
    assert pour.weighed_at is not None
    assert pour.recipes == {"SUC": 1, "BASE": 1}
    assert (on_hand("SOY-2291"), on_hand("OIL-RG-118")) == (41_420_390, 2_213_630)
    weighed = Weighing.objects.values_list("item__code", "planned_mg", "actual_mg")
    assert set(weighed) == {("SOY", 3_579_610, 3_579_610), ("OIL-RG", 286_370, 286_370)}
    taken = StockMovement.objects.filter(load=pour).values_list("reason", "reference", flat=False)
    assert set(taken) == {("weighed", "B-1001")}
    said = BatchEvent.objects.get(load=pour)
    assert said.text == "Weighed: Soy wax 3,579.61 g from SOY-2291; Rain garden oil 286.37 g from OIL-RG-118."
    ledger_agrees()


def test_what_is_not_typed_was_weighed_as_the_sheet_says(pour: Load) -> None:
    batches.weigh(by=builders.helper(), load=pour.pk, weights={})

    assert on_hand("SOY-2291") == 41_420_390


def test_a_weight_ten_times_off_is_asked_about_and_nothing_is_written(pour: Load) -> None:
    """2,863.7 g instead of 286.37: the point has slipped."""
    slipped = exactly(**{"OIL-RG": OnScale(grams=D("2863.7"), because="really")})

    with pytest.raises(
        Refusal, match=r"2,863.7 g of Rain garden oil instead of 286.37 g: has the point slipped"
    ) as told:
        batches.weigh(by=builders.helper(), load=pour.pk, weights=slipped)
    assert told.value.field == "grams-OIL-RG"
    pour.refresh_from_db()
    assert (pour.number, pour.weighed_at, on_hand("SOY-2291")) == (None, None, 45_000_000)
    assert not Weighing.objects.exists()


def test_a_weight_ten_times_off_stands_once_it_is_sure(pour: Load) -> None:
    """28.637 g of oil, a tenth, because the bottle was empty: 2,500 − 28.637 = 2,471.363 g are left."""
    little = exactly(**{"OIL-RG": OnScale(grams=D("28.637"), because="bottle empty", sure=True)})
    batches.weigh(by=builders.helper(), load=pour.pk, weights=little)

    assert on_hand("OIL-RG-118") == 2_471_363
    assert Weighing.objects.get(item__code="OIL-RG").because == "bottle empty"


def test_beyond_the_tolerance_a_reason_is_asked_for(pour: Load) -> None:
    """(3,700 − 3,579.61) / 3,579.61 = 3.4 %, and 2 % are tolerated; 3,650 g are 1.97 % and need no reason."""
    with pytest.raises(
        Refusal, match=r"3,700 g of Soy wax are 3.4 % more than the 3,579.61 g planned; say why"
    ) as told:
        batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=D(3700))))
    assert told.value.field == "because-SOY"

    batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=D(3650))))
    assert on_hand("SOY-2291") == 41_350_000


def test_lots_are_taken_oldest_first_across_several(pour: Load) -> None:
    """A first lot of 1,000 g is used up, 2,579.61 g come from the next one."""
    older = Lot.objects.create(
        code="SOY-OLD", item=Item.objects.get(code="SOY"), made_on="2025-12-01", usable_on="2025-12-01"
    )
    StockMovement.objects.create(lot=older, quantity=1_000_000, at=clock.now(), reason="received")
    Lot.objects.filter(pk=older.pk).update(on_hand=1_000_000)
    batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly())

    assert (on_hand("SOY-OLD"), on_hand("SOY-2291")) == (0, 42_420_390)
    ledger_agrees()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"state": "hold", "state_because": "smells off"}, r"Lot SOY-2291 is on hold \(smells off\)"),
        ({"state": "recalled"}, "Lot SOY-2291 is recalled"),
        ({"expires_on": "2026-03-04"}, "Lot SOY-2291 expired on 4 March 2026"),
        ({"usable_on": "2026-03-09"}, "Lot SOY-2291 may be used from 9 March 2026 on"),
    ],
)
def test_a_lot_that_may_not_be_used_is_refused_by_name(pour: Load, change: dict[str, str], said: str) -> None:
    Lot.objects.filter(code="SOY-2291").update(**change)

    with pytest.raises(Refusal, match=said) as told:
        batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=WAX, lot="SOY-2291")))
    assert told.value.field == "lot-SOY"
    assert on_hand("SOY-2291") == 45_000_000


def test_a_lot_already_used_up_is_refused_by_name(pour: Load) -> None:
    Lot.objects.create(code="SOY-0", item=Item.objects.get(code="SOY"), made_on="2026-01-01", usable_on="2026-01-01")

    with pytest.raises(Refusal, match="Lot SOY-0 is used up"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=WAX, lot="SOY-0")))


def test_a_lot_of_something_else_is_refused(pour: Load) -> None:
    with pytest.raises(Refusal, match="There is no lot OIL-RG-118 of Soy wax"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=WAX, lot="OIL-RG-118")))


def test_without_enough_of_it_the_lots_on_hold_are_named(pour: Load) -> None:
    Lot.objects.filter(code="SOY-2291").update(state="hold")

    with pytest.raises(Refusal, match=r"0 g can be taken. Not to be taken: SOY-2291 \(on hold\)"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly())


def test_a_weight_of_something_that_is_not_in_the_batch_is_refused(pour: Load) -> None:
    with pytest.raises(Refusal, match="CASTWAX is not weighed for this batch; it is weighed from SOY, OIL-RG"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights={"CASTWAX": OnScale(grams=D(1))})


def test_a_load_is_weighed_once(pour: Load) -> None:
    batches.weigh(by=builders.maker(), load=pour.pk, weights={})

    with pytest.raises(Conflict, match="already weighed as B-1001; nothing was changed"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights={})
    assert on_hand("SOY-2291") == 41_420_390


def test_a_substitute_is_taken_and_named_only_if_it_is_listed(pour: Load) -> None:
    soy, cast = Item.objects.get(code="SOY"), Item.objects.get(code="CASTWAX")
    lot = Lot.objects.create(code="CAST-1", item=cast, made_on="2026-01-01", usable_on="2026-01-01", on_hand=9_000_000)
    StockMovement.objects.create(lot=lot, quantity=9_000_000, at=clock.now(), reason="received")

    with pytest.raises(Refusal, match="Casting wax is no substitute for Soy wax"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights={}, swaps={"SOY": "CASTWAX"})
    Substitute.objects.create(item=soy, substitute=cast)
    batches.weigh(by=builders.helper(), load=pour.pk, weights={}, swaps={"SOY": "CASTWAX"})

    pour.refresh_from_db()
    assert pour.swaps == {"SOY": "CASTWAX"}
    assert (on_hand("SOY-2291"), on_hand("CAST-1")) == (45_000_000, 9_000_000 - 3_579_610)


def test_a_limit_marked_hard_refuses_the_substitute(pour: Load) -> None:
    """The stand-in carries 5 %, the recipe asks for 8 %."""
    soy, cast = Item.objects.get(code="SOY"), Item.objects.get(code="CASTWAX")
    Substitute.objects.create(item=soy, substitute=cast)
    Item.objects.filter(pk=cast.pk).update(max_load="0.05", limits_refuse=True)

    with pytest.raises(Refusal, match=r"8.*5.*It is marked as a limit that refuses"):
        batches.weigh(by=builders.helper(), load=pour.pk, weights={}, swaps={"SOY": "CASTWAX"})


def test_an_open_batch_keeps_the_recipe_it_began_with(pour: Load) -> None:
    """The base is edited to 6 % and cups to 160 g while the batch is open: it is made by version 1."""
    batches.weigh(by=builders.helper(), load=pour.pk, weights={})
    for code in ("SUC", "BASE"):
        item = Item.objects.get(code=code)
        new = Recipe.objects.create(item=item, version=2, valid_from="2026-03-05")
        old = Recipe.objects.get(item=item, version=1)
        for line in old.lines.all():
            line.pk, line.recipe = None, new
            line.save()
        for step in old.operations.all():
            step.pk, step.recipe = None, new
            step.name, step.code = f"{step.name} anew", f"{step.code}-2"
            step.save()
    number = done(pour)

    pour.refresh_from_db()
    assert (number, pour.recipes) == ("B-1001", {"SUC": 1, "BASE": 1})
    assert [portion.good for portion in pour.portions.order_by("pk")] == [12, 12, 1]


# ── done ─────────────────────────────────────────────────────────────────────────


def test_one_reject_leaves_both_orders_whole_and_no_sample(pour: Load, orders: list[Order]) -> None:
    """Trade scenario S2: 25 − 1 = 24 good: 12 + 12 for the orders, 0 for the sample, which is called off."""
    first = pour.portions.order_by("pk")[0]
    done(pour, rejects={first.pk: {"cracked": 1}})

    assert [portion.good for portion in pour.portions.order_by("pk")] == [12, 12, 0]
    assert [(r.portion.for_whom, r.pieces, r.reason) for r in Reject.objects.all()] == [("sample", 1, "cracked")]
    assert ForStock.objects.get().closed_at is not None
    kinds = dict(BatchEvent.objects.filter(load=pour).values_list("kind", "text"))
    assert kinds["no_sample"].startswith("No sample kept")
    assert kinds["done"] == "Done: 24 of 25 good. Rejected: 1 cracked."
    assert not LoadPortion.objects.filter(operation="pour", load__done_at__isnull=True).exists()
    for order in orders:
        order.refresh_from_db()
        assert order.planned_leaves == order.promised_leaves


def test_the_sample_may_be_kept_and_the_later_order_is_short(pour: Load, orders: list[Order]) -> None:
    """24 good with the sample kept: 12 + 11 + 1; the order promised last is one short, and that is planned anew."""
    Order.objects.filter(pk=orders[1].pk).update(promised_leaves="2026-03-18")
    first = pour.portions.order_by("pk")[0]
    with clock.at("2026-03-05T16:00"):
        done(pour, totals={first.pk: 24}, keep_sample=True)

    assert [portion.good for portion in pour.portions.order_by("pk")] == [12, 11, 1]
    anew = LoadPortion.objects.get(operation="pour", load__done_at__isnull=True)
    assert (anew.order, anew.pieces) == (orders[1], 1)
    told = OrderEvent.objects.filter(kind="rejects").values_list("order__number", "text")
    assert list(told) == [(orders[1].number, "B-1001: 1 of 12 rejected.")]
    assert ForStock.objects.get().closed_at is None


def test_more_rejects_than_pieces_are_refused(pour: Load) -> None:
    first = pour.portions.order_by("pk")[0]

    with pytest.raises(Refusal, match="26 rejects of 25 pieces can't be"):
        done(pour, rejects={first.pk: {"sunk": 26}})
    with pytest.raises(Refusal, match="20 good and 1 rejected are 21, but 25 were started"):
        done(pour, totals={first.pk: 20}, rejects={first.pk: {"sunk": 1}})
    with pytest.raises(Refusal, match="'melted' is no reason for a reject here"):
        done(pour, rejects={first.pk: {"melted": 1}})
    pour.refresh_from_db()
    assert pour.done_at is None
    assert not Reject.objects.exists()


def test_an_unweighed_batch_takes_what_was_planned_and_says_so(pour: Load) -> None:
    done(pour, minutes=D("71.5"))

    pour.refresh_from_db()
    assert (pour.weighed_at, pour.minutes) == (None, D("71.50"))
    assert on_hand("SOY-2291") == 41_420_390
    assert BatchEvent.objects.get(load=pour, kind="taken").text.startswith("Not weighed, taken as planned: Soy wax")


def test_what_stock_does_not_have_is_told_for_somebody_to_count(orders: list[Order]) -> None:
    """No casting wax may be taken: 24 rosettes need 24 / 0.92 = 27 casts, so three trays, each noted."""
    Lot.objects.filter(item__code="CASTWAX").update(state="hold")
    for load in Load.objects.filter(equipment__code="TRAY-R"):
        done(load)

    told = BatchEvent.objects.filter(kind="not_in_stock").values_list("text", flat=True)
    # 12 × 15 / 0.97 = 185.57 g
    assert "185.57 g of Casting melt were used" not in " ".join(told)
    assert any(text.startswith("185.57 g of Casting wax were used that stock knows nothing of") for text in told)


def test_what_is_left_in_the_pot_is_used_first_next_time(pour: Load) -> None:
    """100 g more wax than planned, 3 % of it lost: 97 g are left and used first.

    The next pour, 12 cups: 1,855.67 gross − 97 = 1,758.67; / 1.08 = 1,628.40 wax.
    """
    Item.objects.filter(code="BASE").update(keeps_leftover=True)
    batches.weigh(by=builders.helper(), load=pour.pk, weights=exactly(SOY=OnScale(grams=WAX + 100, because="full bag")))
    done(pour)
    left = Lot.objects.get(code="B-1001-left")
    assert (left.item.code, left.scent, left.on_hand) == ("BASE", "RG", 97_000)

    ShopAccount.objects.create(shop=builders.shop("third"), last_order_on="2026-01-20")
    builders.place(builders.shop("third"), ("SUC", 2, "RG"))
    load = Load.objects.get(portions__operation="pour", done_at__isnull=True)
    batches.weigh(by=builders.helper(), load=load.pk, weights={})
    assert on_hand("B-1001-left") == 0
    assert Weighing.objects.get(load=load, item__code="SOY").actual_mg == 1_628_400
    ledger_agrees()


def cast_and_pour(pour: Load) -> None:
    with clock.at(THURSDAY):
        done(pour)
        for load in Load.objects.filter(equipment__code="TRAY-R", done_at__isnull=True):
            done(load)


def pipe_all() -> list[Load]:
    """Top everything on Friday; the loads."""
    loads = list(Load.objects.filter(portions__operation="pipe", done_at__isnull=True).distinct().order_by("pk"))
    with clock.at(FRIDAY):
        for load in loads:
            done(load)
    return loads


def test_a_kept_sample_is_taken_out_of_what_can_be_sold(orders: list[Order]) -> None:
    """25 cups made, one of them kept: the ledger has +25 and −1, and 24 are reserved."""
    sample = with_sample("pour", "pipe", "finish")
    pour = Load.objects.get(portions__operation="pour", portions__for_stock=sample)
    cast_and_pour(pour)
    # The rosette of the sample: 27 casts made 27 good here, 25 are used.
    pipe_all()

    made = StockMovement.objects.filter(lot__item__code="SUC")
    assert made.filter(reason="made").aggregate(n=Sum("quantity"))["n"] == 25
    assert made.filter(reason="sample").aggregate(n=Sum("quantity"))["n"] == -1
    assert Reservation.objects.aggregate(n=Sum("pieces"))["n"] == 24
    assert sum(Lot.objects.filter(item__code="SUC").values_list("on_hand", flat=True)) == 24


# ── released ─────────────────────────────────────────────────────────────────────


def test_a_batch_released_by_hand_waits_for_its_cure(pour: Load) -> None:
    Setting.objects.update_or_create(name="batch_release", defaults={"value": "by_hand"})
    cast_and_pour(pour)
    load = pipe_all()[0]

    with clock.at("2026-03-15T09:00"), pytest.raises(Refusal, match="cures until 16 March 2026"):
        batches.release(by=builders.maker(), load=load.pk)
    with clock.at("2026-03-16T09:00"):
        batches.release(by=builders.maker(), load=load.pk)
        with pytest.raises(Conflict, match="already released"):
            batches.release(by=builders.helper(), load=load.pk)
    load.refresh_from_db()
    assert load.released_at is not None


def test_batches_released_by_date_are_not_released_by_hand(pour: Load) -> None:
    with pytest.raises(Refusal, match="released by their date"):
        batches.release(by=builders.maker(), load=pour.pk)


# ── failed ───────────────────────────────────────────────────────────────────────


def test_a_failed_melt_is_lost_and_its_pieces_are_needed_anew(pour: Load, orders: list[Order]) -> None:
    """The burnt base: its wax stays taken, 24 cups and a sample of them are poured again."""
    Item.objects.filter(code="SUC").update(samples_per_batch=1)
    batches.weigh(by=builders.helper(), load=pour.pk, weights={})
    batches.scrap(by=builders.helper(), load=pour.pk, because="burnt.")

    pour.refresh_from_db()
    assert pour.scrapped_at is not None
    assert on_hand("SOY-2291") == 41_420_390
    anew = LoadPortion.objects.filter(operation="pour", load__done_at__isnull=True)
    assert sum(anew.values_list("pieces", flat=True)) == 25
    told = OrderEvent.objects.filter(kind="rejects", order=orders[0]).get()
    assert told.text == "B-1001 was scrapped before it was poured: burnt."
    assert BatchEvent.objects.filter(load=pour, kind="scrapped").get().text == "Scrapped: burnt."


def test_a_failed_whip_leaves_the_poured_cups_as_they_are(pour: Load) -> None:
    """The bowl's whip stiffened before it was piped: all 25 cups are piped yet, none is poured again."""
    cast_and_pour(pour)
    bowl = top_of(pour)
    stock("WHIPWAX", 5_000_000)
    with clock.at(FRIDAY):
        batches.weigh(by=builders.helper(), load=bowl.pk, weights={})
        batches.scrap(by=builders.helper(), load=bowl.pk, because="stiff")

    assert not LoadPortion.objects.filter(operation="pour", load__done_at__isnull=True).exists()
    piped = LoadPortion.objects.filter(operation="pipe", load__done_at__isnull=True)
    assert sum(piped.values_list("pieces", flat=True)) == 25


def stock(item: str, mg: int) -> None:
    """A lot of a material."""
    row = Item.objects.get(code=item)
    lot = Lot.objects.create(code=f"{item}-1", item=row, made_on="2026-01-01", usable_on="2026-01-01", on_hand=mg)
    StockMovement.objects.create(lot=lot, quantity=mg, at=clock.now(), reason="received")


def test_a_batch_given_up_after_it_was_done_loses_its_pieces(pour: Load) -> None:
    """Twelve cups of a bowl slumped on the shelf: out of the ledger, and all of it is made again from the pour on.

    The other bowl's twelve are in the same lot, and stay: 24 − 12.
    """
    cast_and_pour(pour)
    bowl = pipe_all()[0]
    pieces = sum(portion.pieces for portion in bowl.portions.all())
    with clock.at("2026-03-06T12:00"):
        batches.scrap(by=builders.helper(), load=bowl.pk, because="slumped")

    assert on_hand("B-1001") == Reservation.objects.aggregate(n=Sum("pieces"))["n"] == 24 - pieces == 12
    anew = LoadPortion.objects.filter(operation="pour", load__done_at__isnull=True)
    assert sum(anew.values_list("pieces", flat=True)) == pieces
    ledger_agrees()


def test_a_load_that_was_never_begun_cannot_have_failed(pour: Load) -> None:
    with pytest.raises(Refusal, match="Nothing was weighed for this load yet"):
        batches.scrap(by=builders.helper(), load=pour.pk, because="burnt")
    with pytest.raises(Refusal, match="Say in a few words why"):
        batches.scrap(by=builders.helper(), load=pour.pk, because=" ")


# ── taken back ───────────────────────────────────────────────────────────────────


def test_a_wrong_done_is_taken_back_by_counter_entries(pour: Load) -> None:
    cast_and_pour(pour)
    bowl = pipe_all()[0]
    before = StockMovement.objects.count()
    with clock.at(FRIDAY):
        batches.take_back(by=builders.maker(), load=bowl.pk, because="wrong bowl")

    bowl.refresh_from_db()
    assert (bowl.done_at, bowl.number is not None) == (None, True)
    assert [portion.good for portion in bowl.portions.all()] == [None] * bowl.portions.count()
    entries = StockMovement.objects.filter(load=bowl)
    assert sum(entries.values_list("quantity", flat=True)) == 0
    taken_back = entries.filter(corrects__isnull=False)
    assert StockMovement.objects.count() == before + taken_back.count()
    assert set(taken_back.values_list("because", flat=True)) == {"wrong bowl"}
    # The other bowl's twelve are in the same lot.
    assert on_hand("B-1001") == Reservation.objects.aggregate(n=Sum("pieces"))["n"] == 12
    ledger_agrees()
    with clock.at(FRIDAY):
        assert done(bowl) == bowl.number
    assert on_hand("B-1001") == Reservation.objects.aggregate(n=Sum("pieces"))["n"] == 24
    ledger_agrees()


def test_a_weighed_batch_taken_back_stands_as_weighed(pour: Load) -> None:
    batches.weigh(by=builders.helper(), load=pour.pk, weights={})
    done(pour, rejects={pour.portions.order_by("pk")[0].pk: {"cracked": 1}})
    batches.take_back(by=builders.maker(), load=pour.pk)

    pour.refresh_from_db()
    assert (pour.weighed_at is not None, pour.done_at) == (True, None)
    assert on_hand("SOY-2291") == 41_420_390
    assert ForStock.objects.get().closed_at is None
    assert not Reject.objects.exists()


def test_only_the_maker_takes_back(pour: Load) -> None:
    done(pour)

    with pytest.raises(NotAllowed):
        batches.take_back(by=builders.helper(), load=pour.pk)


def test_what_has_moved_on_is_not_taken_back(pour: Load) -> None:
    cast_and_pour(pour)
    bowl = pipe_all()[0]

    with pytest.raises(Refusal, match="Pieces of B-1001 have gone through 'Pipe moss' since"):
        batches.take_back(by=builders.maker(), load=pour.pk)
    tray = Load.objects.filter(equipment__code="TRAY-R").order_by("pk")[0]
    with pytest.raises(Refusal, match="is not whole any more"):
        batches.take_back(by=builders.maker(), load=tray.pk)
    with clock.at("2026-03-16T09:00"):
        finish = Load.objects.filter(portions__operation="finish", done_at__isnull=True).order_by("pk")[0]
        done(finish)
        with pytest.raises(Refusal, match="'Finish' since"):
            batches.take_back(by=builders.maker(), load=bowl.pk)


def test_a_load_that_is_not_done_has_nothing_to_take_back(pour: Load) -> None:
    with pytest.raises(Conflict, match="not marked done"):
        batches.take_back(by=builders.maker(), load=pour.pk)


# ── who may ──────────────────────────────────────────────────────────────────────


def test_the_bench_is_the_workshops(pour: Load, orders: list[Order]) -> None:
    member = builders.member(orders[0].shop)

    with pytest.raises(NotAllowed):
        batches.weigh(by=member, load=pour.pk, weights={})
    with pytest.raises(NotAllowed):
        batches.scrap(by=member, load=pour.pk, because="no")
    with pytest.raises(NotAllowed):
        batches.release(by=member, load=pour.pk)
    with pytest.raises(NotAllowed):
        batches.take_back(by=member, load=pour.pk)


def test_good_pieces_by_portion_still_mark_a_load_done(pour: Load) -> None:
    """The older way in, by portion and with words."""
    first, second, sample = pour.portions.order_by("pk")
    production.mark_done(by=builders.maker(), load=pour.pk, good={second.pk: 11}, reasons={second.pk: "wet spot"})

    assert [portion.good for portion in pour.portions.order_by("pk")] == [12, 11, 1]
    assert Reject.objects.get().reason == "other"
    second.refresh_from_db()
    assert second.reject_reason == "wet spot"
    assert (first.for_whom, sample.for_whom) == ("W-1001", "sample")
