"""What planned loads take, for whom, and what that leaves: Mossgate (invented; common practice, no source)."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from tests import mossgate
from tests.strategies import LAWS
from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Sku,
    Unit,
)
from wholesale.core.production.explode import explode
from wholesale.core.production.needs import Outlook, Take, expected, outlooks, takes
from wholesale.core.production.plan import insert
from wholesale.core.production.weighing import Dosing
from wholesale.core.production.work import Demand, Load, Plan, Portion, Work
from wholesale.core.stock import OnHand

GOODS = mossgate.catalogue()
MONDAY, TUESDAY, WEDNESDAY, THURSDAY = (date(2026, 3, day) for day in (2, 3, 4, 5))
RG = Sku("SUC", "RG")


def load(work: Work, *portions: tuple[str, Sku, str, int], day: date = MONDAY) -> Load:
    return Load(work=work, day=day, portions=tuple(Portion(*portion) for portion in portions), ref=7)


def planned(*demands: Demand, first_day: date = MONDAY, stock: Sequence[OnHand] = ()) -> Plan:
    return insert(mossgate.shop(), Plan(), demands, stock, first_day).plan


def by_item(found: Sequence[Take]) -> dict[str, Take]:
    return {take.sku.item: take for take in found}


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Loads to do, loads already weighed, and what is free."""

    loads: Sequence[Load]
    begun: Sequence[Load] = ()
    stock: Sequence[OnHand] = ()


def look(goods: Catalogue, bench: Bench, today: date) -> tuple[Outlook, ...]:
    """The outlook of each item: what the loads to do take, of what is free and what all loads give."""
    comes = [row for one in (*bench.loads, *bench.begun) for row in expected(goods, one, today)]
    return outlooks(goods, [take for one in bench.loads for take in takes(goods, one)], [*bench.stock, *comes], today)


def outlook(item: str, found: Sequence[Outlook]) -> Outlook:
    return next(one for one in found if one.sku.item == item)


def kilos(item: str, amount: str, usable_on: date = MONDAY) -> OnHand:
    return OnHand(sku=Sku(item), usable_on=usable_on, quantity=Fraction(D(amount) * 1_000_000))


def test_a_shared_pot_is_pegged_to_both_orders_to_the_gram() -> None:
    """S2: 25 × 150 / 0.97 = 3,865.98 g: wax 3,579.61, oil 286.37. B1 has 12 of 25, B2 has 13.

    Of 3,579.61 g of wax on the scale 8 % is 286.3688: the scale shows 286.36, never more than the load.
    3,579.61 × 12/25 = 1,718.2128 and × 13/25 = 1,861.3972: 1,718.213 + 1,861.397 by largest remainder.
    """
    found = by_item(
        takes(GOODS, load(Work("POT-A", Sku("BASE", "RG")), ("B1", RG, "pour", 12), ("B2", RG, "pour", 13)))
    )

    assert (found["SOY"].quantity, found["OIL-RG"].quantity) == (3_579_610, 286_360)
    assert [(peg.demand, peg.quantity) for peg in found["SOY"].pegs] == [("B1", 1_718_213), ("B2", 1_861_397)]
    assert found["SOY"].into == Sku("BASE", "RG")


def test_pieces_that_take_more_of_a_pot_carry_more_of_its_wax() -> None:
    """10 cups × 150 g = 1,500 and 5 jars × 180 g = 900: 2,400 / 0.97 = 2,474.23 g; wax 2,474.23 / 1.08 = 2,290.95.

    1,500 : 900 = 5 : 3, so 2,290.95 × 5/8 = 1,431.84375 and × 3/8 = 859.10625: 1,431.844 + 859.106.
    """
    pot = load(Work("POT-A", Sku("BASE", "RG")), ("A", RG, "pour", 10), ("B", Sku("PEB", "RG"), "pour", 5))

    soy = by_item(takes(GOODS, pot))["SOY"]
    assert soy.quantity == 2_290_950
    assert [peg.quantity for peg in soy.pegs] == [1_431_844, 859_106]


def test_a_topping_takes_its_whip_by_weight_and_its_parts_by_the_piece() -> None:
    """12 × 40 = 480 g of whip / 0.97 = 494.85 g of wax; 12 rosettes: 8 for A, 4 for B."""
    bowl = load(Work("BOWL", Sku("MOSS")), ("A", RG, "pipe", 8), ("B", RG, "pipe", 4))

    found = by_item(takes(GOODS, bowl))
    assert {item: take.quantity for item, take in found.items()} == {"WHIPWAX": 494_850, "ROSETTE": 12}
    assert [peg.quantity for peg in found["ROSETTE"].pegs] == [8, 4]


def test_a_step_of_hands_alone_takes_nothing() -> None:
    assert takes(GOODS, load(Work("", RG, "finish"), ("A", RG, "finish", 12))) == ()


def _with(goods: Catalogue, *items: Item) -> Catalogue:
    return replace(goods, items={**goods.items, **{item.code: item for item in items}})


def test_what_is_added_by_the_batch_is_taken_once_a_melt() -> None:
    """3 g of dye a melt and one wick a cup: for 4 cups 3.00 g (A 3/4, B 1/4) and 4 wicks; the first step takes them."""
    base, cup = GOODS.items["BASE"], GOODS.items["SUC"]
    assert base.recipe
    assert cup.recipe
    dye = RecipeLine(component="DYE", basis=Basis.PER_BATCH, quantity=D(3))
    wick = RecipeLine(component="WICK", basis=Basis.PER_PIECE, quantity=D(1))
    goods = _with(
        GOODS,
        Item(code="DYE", name="Dye", kind=ItemKind.MATERIAL, unit=Unit.GRAM),
        Item(code="WICK", name="Wick", kind=ItemKind.MATERIAL),
        replace(base, recipe=replace(base.recipe, lines=(*base.recipe.lines, dye))),
        replace(cup, recipe=replace(cup.recipe, lines=(*cup.recipe.lines, wick))),
    )

    found = by_item(takes(goods, load(Work("POT-A", Sku("BASE", "RG")), ("A", RG, "pour", 3), ("B", RG, "pour", 1))))
    assert (found["DYE"].quantity, [peg.quantity for peg in found["DYE"].pegs]) == (3_000, [2_250, 750])
    assert (found["WICK"].quantity, found["WICK"].into) == (4, RG)
    assert "WICK" not in by_item(takes(goods, load(Work("BOWL", Sku("MOSS")), ("A", RG, "pipe", 3))))


def test_a_blend_without_a_step_of_its_own_is_weighed_as_its_materials() -> None:
    """A base of 80 % soy and 20 % of a half-and-half blend: 970 g net, 1,000 g gross: soy 800 + 100, hard wax 100."""
    half = D("0.5")
    blend = Recipe(lines=tuple(RecipeLine(component=c, basis=Basis.SHARE, quantity=half) for c in ("SOY", "CASTWAX")))
    base = Recipe(
        lines=(
            RecipeLine(component="SOY", basis=Basis.SHARE, quantity=D("0.8")),
            RecipeLine(component="BLEND", basis=Basis.SHARE, quantity=D("0.2")),
        )
    )
    goods = _with(
        GOODS,
        Item(code="BLEND", name="Blend", kind=ItemKind.PART, unit=Unit.GRAM, recipe=blend),
        replace(GOODS.items["BASE"], recipe=base),
        replace(GOODS.items["SUC"], recipe=Recipe(
            lines=(RecipeLine(component="BASE", basis=Basis.PER_PIECE, quantity=D(97), step="pour"),),
            operations=(Operation(code="pour", name="Pour", equipment="POT-A", melt="BASE"),),
        )),
    )  # fmt: skip

    found = takes(goods, load(Work("POT-A", Sku("BASE", "RG")), ("A", RG, "pour", 10)))
    assert [(take.sku.item, take.into.item, take.quantity) for take in found] == [
        ("SOY", "BASE", 800_000),
        ("SOY", "BLEND", 100_000),
        ("CASTWAX", "BLEND", 100_000),
    ]


def test_a_whip_made_the_day_before_takes_its_wax_then_and_is_laid_ready_by_weight() -> None:
    """A moss with a step of its own: 480 g planned Monday / 0.97 = 494.85 g of wax; Tuesday's 12 cups take 480 g of it.

    It may be used a night later, so Monday's 480 g are there on Tuesday: nothing is left.
    """
    whip = Operation(code="whip", name="Whip", nights_min=1)
    moss, cup = GOODS.items["MOSS"], GOODS.items["SUC"]
    assert moss.recipe
    assert cup.recipe
    by_hand = [replace(step, melt="" if step.code == "pipe" else step.melt) for step in cup.recipe.operations]
    goods = _with(
        GOODS,
        replace(moss, recipe=replace(moss.recipe, operations=(whip,))),
        replace(cup, recipe=replace(cup.recipe, operations=tuple(by_hand))),
    )
    monday = load(Work("", Sku("MOSS"), "whip"), ("A", Sku("MOSS"), "whip", 480))
    tuesday = load(Work("BOWL", RG, "pipe"), ("A", RG, "pipe", 12), day=TUESDAY)

    found = look(goods, Bench(loads=[monday, tuesday]), MONDAY)
    assert [(take.day, take.quantity) for take in outlook("WHIPWAX", found).takes] == [(MONDAY, 494_850)]
    assert outlook("MOSS", found).days[-1] == (TUESDAY, 480_000, 480_000, 0, 0)


def test_what_is_left_of_an_earlier_melt_is_taken_first() -> None:
    """12 cups: 1,855.67 g gross, 500 g of it left of an earlier melt: 1,355.67 / 1.08 = 1,255.25 g of wax."""
    base = Sku("BASE", "RG")
    how = Dosing(leftovers={base: D(500)})
    found = by_item(takes(GOODS, load(Work("POT-A", base), ("A", RG, "pour", 12)), how))

    assert (found["BASE"].sku, found["BASE"].quantity) == (base, 500_000)
    assert found["SOY"].quantity == 1_255_250


def test_a_material_melted_as_it_is_is_its_own_melt() -> None:
    """10 × 50 g of a wax that loses 3 %: 500 / 0.97 = 515.46 g."""
    wax = replace(GOODS.items["SOY"], loss=D("0.03"))
    cup = replace(GOODS.items["SUC"], recipe=Recipe(
        lines=(RecipeLine(component="SOY", basis=Basis.PER_PIECE, quantity=D(50), step="pour"),),
        operations=(Operation(code="pour", name="Pour", equipment="POT-A", melt="SOY"),),
    ))  # fmt: skip

    found = takes(_with(GOODS, wax, cup), load(Work("POT-A", Sku("SOY")), ("A", RG, "pour", 10)))
    assert [(take.sku.item, take.quantity) for take in found] == [("SOY", 515_460)]


def test_stock_is_followed_day_by_day_to_the_first_short_one() -> None:
    """S3: 12 cups, base poured Thu 5 March: 12 × 150 / 0.97 / 1.08 = 1,718.21 g of soy; 1 kg there: 718.21 g short.

    Whips on Friday: 494.85 g of wax, 500 g there: 5.15 g left.
    """
    plan = planned(mossgate.demand("SUC", 12), first_day=THURSDAY)
    stock = [kilos("SOY", "1"), kilos("WHIPWAX", "0.5")]
    found = look(GOODS, Bench(loads=plan.loads, stock=stock), THURSDAY)

    soy, whip = outlook("SOY", found), outlook("WHIPWAX", found)
    assert soy.short == (THURSDAY, 1_718_210, 1_000_000, -718_210, 0)
    assert soy.needed == 1_718_210
    assert (whip.short, whip.days[-1].left) == (None, 5_150)


def test_a_lot_past_its_last_day_when_the_load_is_planned_covers_nothing() -> None:
    """2 kg of soy to be used by Wed 4: Thursday's pour of 1,718.21 g finds none; by Thu 5 it finds all of it.

    Nothing is lost before its last day is over, and only what is not used by then.
    """
    plan = planned(mossgate.demand("SUC", 12), first_day=THURSDAY)
    lot = kilos("SOY", "2")

    soy = outlook("SOY", look(GOODS, Bench(loads=plan.loads, stock=[replace(lot, expires_on=WEDNESDAY)]), MONDAY))
    assert [(day.day, day.comes, day.lost, day.left) for day in soy.days] == [
        (MONDAY, 2_000_000, 0, 2_000_000), (TUESDAY, 0, 0, 2_000_000), (WEDNESDAY, 0, 0, 2_000_000),
        (THURSDAY, 0, 2_000_000, -1_718_210),
    ]  # fmt: skip
    [order] = soy.purchases
    assert (order.due, order.missing) == (THURSDAY, 1_718_210)
    in_time = outlook("SOY", look(GOODS, Bench(loads=plan.loads, stock=[replace(lot, expires_on=THURSDAY)]), MONDAY))
    assert (in_time.short, in_time.purchases) == (None, ())


def test_the_oldest_lot_is_used_first_and_only_its_rest_is_lost() -> None:
    """Pours of 1,718.21 g on Mon 2 and on Wed 4; an old lot of 2 kg to be used by Tue, a new one of 1.5 kg.

    Monday takes 1,718.21 of the old; 281.79 are lost on Wednesday; 1,500 − 1,718.21 = 218.21 g are missing.
    """
    pots = [load(Work("POT-A", Sku("BASE", "RG")), ("A", RG, "pour", 12), day=day) for day in (MONDAY, WEDNESDAY)]
    stock = [replace(kilos("SOY", "2"), expires_on=TUESDAY), kilos("SOY", "1.5")]
    soy = outlook("SOY", look(GOODS, Bench(loads=pots, stock=stock), MONDAY))

    assert soy.days[-1] == (WEDNESDAY, 1_718_210, 0, -218_210, 281_790)
    assert [order.missing for order in soy.purchases] == [218_210]


def test_parts_of_the_plan_come_the_day_after_they_are_cast() -> None:
    """S4: 120 casts a day Mon 2 to Fri 6 and 32 on Mon 9, × 0.95: 114 good a day, 600.4 in all; 600 are placed."""
    plan = planned(mossgate.demand("PEB", 120))
    found = outlook("PEBBLE", look(GOODS, Bench(loads=plan.loads), MONDAY))

    assert found.needed == 600
    assert found.short is None
    comes = {day.day: day.comes for day in found.days if day.comes}
    # Saturday's 114 are Friday's casts; Tuesday 10: 32 × 0.95 = 30.4, so 600.4 in all, 600 whole.
    assert comes == {
        date(2026, 3, 3): 114,
        date(2026, 3, 4): 114,
        date(2026, 3, 5): 114,
        date(2026, 3, 6): 114,
        date(2026, 3, 7): 114,
        date(2026, 3, 10): 30,
    }


def test_a_batch_already_weighed_takes_nothing_more_and_still_gives_its_parts() -> None:
    tray = load(Work("TRAY-R", Sku("ROSETTE"), "cast"), ("A", Sku("ROSETTE"), "cast", 12))
    bowl = load(Work("BOWL", Sku("MOSS")), ("A", RG, "pipe", 11), day=TUESDAY)
    found = look(GOODS, Bench(loads=[bowl], begun=[tray]), MONDAY)

    assert [one.sku.item for one in found] == ["WHIPWAX", "ROSETTE"]
    # 12 × 0.92 = 11.04: 11 come on Tuesday for the 11 cups.
    assert outlook("ROSETTE", found).days[-1] == (TUESDAY, 11, 11, 0, 0)


def test_what_is_past_its_day_is_needed_today() -> None:
    plan = planned(mossgate.demand("SUC", 12), first_day=THURSDAY)
    soy = outlook("SOY", look(GOODS, Bench(loads=plan.loads), date(2026, 3, 6)))

    assert soy.days[0].needed == 1_718_210


def test_a_cast_that_is_overdue_gives_its_parts_a_night_after_today() -> None:
    """Cast planned for Monday, not done on Tuesday: 12 × 0.92 = 11.04 come on Wednesday, too late for Tuesday's 11."""
    tray = load(Work("TRAY-R", Sku("ROSETTE"), "cast"), ("A", Sku("ROSETTE"), "cast", 12))
    bowl = load(Work("BOWL", Sku("MOSS")), ("A", RG, "pipe", 11), day=TUESDAY)

    rosette = outlook("ROSETTE", look(GOODS, Bench(loads=[tray, bowl]), TUESDAY))
    assert rosette.short == (TUESDAY, 11, 0, -11, 0)


def test_a_material_is_bought_in_packs_so_many_days_before_it_is_missing() -> None:
    """718.21 g are missing on Thu 5 March: one pack of 5 kg, 3 days before: Mon 2; from Tuesday on that is late."""
    soy = replace(GOODS.items["SOY"], purchase_pack=D(5000), supply_days=3)
    plan = planned(mossgate.demand("SUC", 12), first_day=THURSDAY)
    stock = [kilos("SOY", "1")]

    [order] = outlook("SOY", look(_with(GOODS, soy), Bench(loads=plan.loads, stock=stock), MONDAY)).purchases
    assert (order.due, order.missing, order.packs, order.quantity) == (THURSDAY, 718_210, 1, 5_000_000)
    assert (order.order_by, order.late) == (MONDAY, False)

    [order] = outlook("SOY", look(_with(GOODS, soy), Bench(loads=plan.loads, stock=stock), TUESDAY)).purchases
    assert (order.order_by, order.late) == (MONDAY, True)


def test_a_part_the_workshop_makes_is_not_on_the_buying_list() -> None:
    bowl = load(Work("BOWL", Sku("MOSS")), ("A", RG, "pipe", 11))
    rosette = outlook("ROSETTE", look(GOODS, Bench(loads=[bowl]), MONDAY))

    assert rosette.purchases == ()
    assert rosette.short == (MONDAY, 11, 0, -11, 0)


#: Net grams of a melt in a piece, by product and step (trade.md, section 6).
FILLS = {
    ("SUC", "pour"): 150,
    ("SUC", "pipe"): 40,
    ("PEB", "pour"): 180,
    ("PEB", "seal"): 20,
    ("FRN", "pour"): 140,
    ("FRN", "pipe"): 30,
    ("ROSETTE", "cast"): 15,
}
#: What one load may hold together: steps of the same melt, or of the same tray.
_TOGETHER = st.sampled_from(
    [
        [("SUC", "pour"), ("PEB", "pour"), ("FRN", "pour")],
        [("SUC", "pipe")],
        [("PEB", "seal")],
        [("FRN", "pipe")],
        [("ROSETTE", "cast")],
    ]
)


@st.composite
def loads(draw: st.DrawFn) -> Load:
    """One load of one to six portions, for up to three demands."""
    steps = draw(_TOGETHER)
    portion = st.tuples(st.sampled_from("ABC"), st.sampled_from(steps), st.integers(1, 40))
    found = draw(st.lists(portion, min_size=1, max_size=6))
    scent = "" if steps[0][1] == "cast" else "RG"
    return load(Work("", RG), *((key, Sku(item, scent), step, pieces) for key, (item, step), pieces in found))


@LAWS
@given(loads())
def test_every_gram_and_piece_is_pegged_and_the_melts_are_whole(any_load: Load) -> None:
    """For any load: pegs sum to what is taken, and the melts' materials to their gross.

    Weighed in hundredths, wax and oil are each at most 0.01 g off: net ÷ 0.97 within 0.02 g a melt.
    """
    found = takes(GOODS, any_load)

    assert all(sum(peg.quantity for peg in take.pegs) == take.quantity for take in found)
    assert all(peg.quantity >= 0 for take in found for peg in take.pegs)
    weighed = sum(take.quantity for take in found if GOODS.items[take.sku.item].unit is Unit.GRAM)
    net = sum(p.pieces * FILLS[p.sku.item, p.operation] for p in any_load.portions)
    assert abs(weighed - net * 1000 / D("0.97")) <= 20


def test_the_loads_of_a_plan_take_what_the_explosion_says() -> None:
    """S4, 120 jars: bases 22,268.041 g in six pots, sheets in hundredths: 0.01 g a pot at most."""
    asked = mossgate.demand("PEB", 120)
    plan = planned(asked)
    exact = {need.sku: need.quantity for need in explode(GOODS, [asked])}

    for one in look(GOODS, Bench(loads=plan.loads), MONDAY):
        assert abs(one.needed - exact[one.sku]) <= 10 * len(one.takes), one.sku
