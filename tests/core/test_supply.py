"""Materials that the plan waits for, standing lead times and wanted days: dates and gates worked by hand.

Mossgate's bench (invented; common practice, no source). 2 March 2026 is a Monday. A cup
takes 150 g of base: 150 / 0.97 = 154.64 g melted, of which 154.64 / 1.08 × 0.08 = 11.45 g
is oil; 40 / 0.97 = 41.24 g of whip; one rosette, cast from 15 / 0.97 = 15.46 g.
"""

from dataclasses import replace
from datetime import date, time
from decimal import Decimal as D
from fractions import Fraction

import pytest

from tests import levels, mossgate
from wholesale.core.catalogue import Basis, Item, ItemKind, Operation, Recipe, RecipeLine, Sku
from wholesale.core.production.bench import Bench
from wholesale.core.production.check import check, leaving_day
from wholesale.core.production.plan import insert, mend
from wholesale.core.production.promise import Asked, Gate, Promise, promise, promise_on
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.work import Plan, Shop, pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

MON, THU = date(2026, 3, 2), date(2026, 3, 5)
ASKED = Asked(on=THU, at=time(13, 50), cut_off=time(14), carrier_days=2)
CUP = Sku("SUC", "RG")


def binding(*codes: str, shop: Shop | None = None) -> Shop:
    """A bench, Mossgate's if none is given, on which the plan waits for these materials."""
    shop = shop or mossgate.shop()
    items = {code: replace(item, binds_plan=code in codes) for code, item in shop.catalogue.items.items()}
    return replace(shop, catalogue=replace(shop.catalogue, items=items))


def lot(code: str, day: int, quantity: int, until: int | None = None) -> OnHand:
    """So much of a material from a day of March on, good until another."""
    expires = None if until is None else date(2026, 3, until)
    return OnHand(sku=Sku(code), usable_on=date(2026, 3, day), quantity=Fraction(quantity), expires_on=expires)


def promised(shop: Shop, *stock: OnHand, asked: Asked = ASKED, cups: int = 12) -> Promise:
    """The promise for some cups; its plan passes the check."""
    demand = mossgate.demand("SUC", cups)
    found, outcome = promise(shop, Plan(), [demand], stock, asked)
    assert check(shop, outcome.plan, [demand], stock) == ()
    return found


def gate(found: Promise, code: str) -> Gate | None:
    """A gate of a promise, if it has it."""
    return next((gate for gate in found.gates if gate.code == code), None)


def binding_gate(found: Promise) -> tuple[str, int, str]:
    """The gate that binds: its code, day of March and reason."""
    (one,) = (gate for gate in found.gates if gate.binding)
    return one.code, one.passed_on.day, one.because


# ── materials ────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("code", "lots", "days", "leaves"),
    [
        # poured on the day the oil comes, Tue 10; pipe Wed 11, sellable Sat 21, leaves Mon 23
        ("OIL-RG", [(10, 200)], {"supply": 10, "pour": 10, "pipe": 11}, 23),
        # 100 g pour 8 cups on Thu 5 (100 / 11.45 = 8.7), the other four wait
        ("OIL-RG", [(5, 100), (10, 200)], {"supply": 10, "pour": 10, "pipe": 11}, 23),
        # rosettes are cast on Mon 9 (14 × 15.46 = 217 g) and piped on Tue 10; sellable and packed Fri 20
        ("CASTWAX", [(9, 300)], {"supply": 9, "cast": 9, "pipe": 10}, 20),
        # whipped on Mon 9 (12 × 41.24 = 495 g), poured as late as that allows: Fri 6
        ("WHIPWAX", [(9, 600)], {"supply": 9, "pour": 6, "pipe": 9}, 19),
    ],
    ids=["oil of the base", "some of it there", "wax of a cast part", "whip"],
)
def test_nothing_that_takes_a_material_is_planned_before_it_comes(
    code: str, lots: list[tuple[int, int]], days: dict[str, int], leaves: int
) -> None:
    """Through a load on the wax, through a cast part, or melted alone: the gate names it and its day, and binds."""
    found = promised(binding(code), *(lot(code, day, grams) for day, grams in lots))

    assert {name: one.passed_on.day for name in days if (one := gate(found, name))} == days
    assert found.leaves.day == leaves
    name = mossgate.catalogue().items[code].name
    assert binding_gate(found) == ("supply", lots[-1][0], f"not sooner: {name} comes on {_words(lots[-1][0])}")


def _words(day: int) -> str:
    return f"{date(2026, 3, day):%a} {day} Mar"


def test_what_is_there_pours_at_once_and_the_rest_when_more_comes() -> None:
    """100 g: 8 cups on Thu 5; the 4 others on Tue 10 take 45.8 g."""
    shop, stock = binding("OIL-RG"), (lot("OIL-RG", 5, 100), lot("OIL-RG", 10, 200))
    loads = insert(shop, Plan(), [mossgate.demand("SUC", 12)], stock, THU).plan.loads

    assert pieces_by_day(loads, CUP, "pour") == {THU: 8, date(2026, 3, 10): 4}


def test_a_lot_past_its_day_does_not_count() -> None:
    """200 g good until Wed 4: the next delivery on Tue 10 is waited for. Good until Thu 5, it is used."""
    later = lot("OIL-RG", 10, 200)

    assert promised(binding("OIL-RG"), lot("OIL-RG", 2, 200, until=4), later).leaves.day == 23
    assert promised(binding("OIL-RG"), lot("OIL-RG", 2, 200, until=5), later).leaves.day == 16


def test_a_material_that_binds_nothing_is_not_waited_for() -> None:
    """S3 as ever: no oil in the books, poured Thu 5, leaves Mon 16; no gate of supply."""
    found = promised(mossgate.shop())

    assert (found.leaves.day, gate(found, "supply")) == (16, None)


def test_parts_on_the_shelf_need_no_wax() -> None:
    """12 rosettes are there: nothing is cast, and no casting wax is asked for."""
    shelf = OnHand(sku=Sku("ROSETTE"), usable_on=MON, quantity=Fraction(12))

    assert promised(binding("CASTWAX"), shelf).leaves.day == 16


def test_a_second_order_gets_only_what_the_first_leaves() -> None:
    """300 g of oil: 12 cups take 137.5 g, 12 more the same; a third order finds 25.1 g and is refused with 113 g."""
    shop, stock = binding("OIL-RG"), (lot("OIL-RG", 2, 300),)
    plan = insert(shop, Plan(), [mossgate.demand("SUC", 12, key=key) for key in "AB"], stock, THU).plan

    with pytest.raises(Refusal, match="Rain garden oil: 113 g more are needed"):
        insert(shop, plan, [mossgate.demand("SUC", 12, key="C")], stock, THU)


def test_labels_that_come_late_hold_the_finish_up() -> None:
    """A label a cup, 12 of them on Wed 18; cured Mon 16: finished and packed Wed 18, arrives Fri 20."""
    shop = binding("LABEL", shop=_with_label())
    found = promised(shop, lot("LABEL", 18, 12))

    assert (found.leaves.day, found.arrives.day) == (18, 20)
    assert [gate.passed_on for gate in found.gates] == sorted(gate.passed_on for gate in found.gates)


def _with_label() -> Shop:
    shop = mossgate.shop()
    cup = shop.catalogue.items["SUC"]
    recipe = cup.recipe or Recipe()
    line = RecipeLine(component="LABEL", basis=Basis.PER_PIECE, quantity=D(1), step="finish")
    label = Item(code="LABEL", name="Label", kind=ItemKind.MATERIAL)
    items = {**shop.catalogue.items, "LABEL": label,
             "SUC": replace(cup, recipe=replace(recipe, lines=(*recipe.lines, line)))}  # fmt: skip
    return replace(shop, catalogue=replace(shop.catalogue, items=items))


def test_a_material_is_found_through_all_levels() -> None:
    """Casting wax → hard blend → casting → rosette → cup: half of the blend is casting wax, 3 % lost at each melt.

    A gram of blend takes 0.5 / 0.97 = 0.5155 g of casting wax.
    """
    shop = binding("CASTWAX", shop=levels.shop())
    blend = shop.catalogue.steps("HARD")[0]

    assert {(part.sku, part.each) for part in stocked_parts(shop.catalogue, Sku("HARD"), blend)} == {
        (Sku("CASTWAX"), Fraction(50, 97))
    }
    demand = mossgate.demand("SUC", 6)
    stock = (lot("CASTWAX", 12, 2000),)
    plan = insert(shop, Plan(), [demand], stock, THU).plan
    assert min(load.day for load in plan.loads for p in load.portions if p.sku == Sku("HARD")) == date(2026, 3, 12)
    assert check(shop, plan, [demand], stock) == ()


def test_a_wax_melted_as_it_is_takes_its_loss() -> None:
    """20 g of seal wax, bought and melted with 3 % lost: 20 / 0.97 g a jar."""
    shop = mossgate.shop()
    wax = replace(shop.catalogue.items["WHIPWAX"], binds_plan=True, loss=D("0.03"))
    jar = shop.catalogue.items["PEB"]
    recipe = jar.recipe or Recipe()
    step = Operation(code="seal", name="Seal", equipment="POT-B", melt="WHIPWAX")
    lines = (RecipeLine(component="WHIPWAX", basis=Basis.PER_PIECE, quantity=D(20), step="seal"),)
    items = {**shop.catalogue.items, "WHIPWAX": wax,
             "PEB": replace(jar, recipe=replace(recipe, lines=lines, operations=(step,)))}  # fmt: skip
    goods = replace(shop.catalogue, items=items)

    assert [part.each for part in stocked_parts(goods, Sku("PEB", "RG"), step)] == [Fraction(2000, 97)]


# ── when supply is late, or called off ───────────────────────────────────────


def test_a_delivery_that_is_late_moves_what_waits_for_it() -> None:
    """Planned for oil of Fri 6; it comes on Tue 10: poured then, and nothing else is left behind."""
    shop, demand = binding("OIL-RG"), mossgate.demand("SUC", 12)
    plan = insert(shop, Plan(), [demand], (lot("OIL-RG", 6, 200),), THU).plan
    late = (lot("OIL-RG", 10, 200),)

    assert [breach.rule for breach in check(shop, plan, [demand], late)] == ["supply"]
    mended = mend(shop, plan, [demand], late, THU, THU)
    assert pieces_by_day(mended.plan.loads, CUP, "pour") == {date(2026, 3, 10): 12}
    assert check(shop, mended.plan, [demand], late) == ()


def test_the_order_served_last_gives_way_when_there_is_too_little() -> None:
    """140 g by Thu 5 are oil for one order (137.5 g): the one promised first keeps it, the other waits for Tue 10."""
    shop = binding("OIL-RG")
    first, last = (
        mossgate.demand("SUC", 12, key=key, promised=date(2026, 3, day)) for key, day in (("A", 16), ("B", 23))
    )
    plan = insert(shop, Plan(), [first, last], (lot("OIL-RG", 5, 400),), THU).plan
    stock = (lot("OIL-RG", 5, 140), lot("OIL-RG", 10, 200))
    mended = mend(shop, plan, [first, last], stock, THU, THU).plan

    assert pieces_by_day(mended.loads, CUP, "pour", "A") == pieces_by_day(plan.loads, CUP, "pour", "A")
    assert pieces_by_day(mended.loads, CUP, "pour", "B") == {date(2026, 3, 10): 12}


def test_what_waits_for_supply_that_was_called_off_is_told_and_the_rest_is_planned() -> None:
    """No oil is left: the order waits, which is an alarm and can be recorded; another scent's order is untouched."""
    shop = binding("OIL-RG")
    waiting, other = mossgate.demand("SUC", 12), mossgate.demand("SUC", 12, scent="CF", key="B")
    plan = insert(shop, Plan(), [waiting, other], (lot("OIL-RG", 5, 200),), THU).plan
    mended = mend(shop, plan, [waiting, other], (), THU, THU)

    assert [(one.demand, "Rain garden oil: 138 g" in one.because) for one in mended.waiting] == [("A", True)]
    assert mended.plan.of("B") == plan.of("B")
    found = check(shop, mended.plan, [waiting, other], ())
    assert [(breach.kind, breach.rule) for breach in found] == [("promise", "waits")]


def test_what_is_weighed_has_left_the_shelf() -> None:
    """The base of 12 cups is weighed: its oil is no longer in stock, and nothing is short."""
    shop, demand = binding("OIL-RG"), mossgate.demand("SUC", 12)
    plan = insert(shop, Plan(), [demand], (lot("OIL-RG", 5, 200),), THU).plan
    loads = tuple(replace(load, begun=load.work.equipment == "POT-A") for load in plan.loads)
    begun = replace(plan, loads=loads)

    assert check(shop, begun, [demand], ()) == ()
    assert mend(shop, begun, [demand], (), THU, THU).plan == begun


# ── lead times and wanted days ───────────────────────────────────────────────


def with_lead(days: int | None) -> Shop:
    """Mossgate's bench with a lead time of the cup's own."""
    shop = mossgate.shop()
    items = {**shop.catalogue.items, "SUC": replace(shop.catalogue.items["SUC"], lead_days=days)}
    return replace(shop, catalogue=replace(shop.catalogue, items=items))


@pytest.mark.parametrize(
    ("house", "own", "leaves"),
    [
        # ten working days after Thu 5 March: Thu 19
        (10, None, 19),
        # ready on Mon 16 anyhow: five working days are over on Thu 12
        (5, None, 16),
        # the item's own comes before the workshop's, shorter or longer
        (10, 0, 16),
        (0, 12, 23),
    ],
)
def test_a_standing_lead_time_is_a_floor(house: int, own: int | None, leaves: int) -> None:
    """Twelve cups ordered on Thu 5 March before the cut-off."""
    found = promised(with_lead(own), asked=replace(ASKED, lead_days=house))

    assert found.leaves.day == leaves
    lead = gate(found, "lead_time")
    assert (lead is None) == (leaves == 16)
    assert lead is None or lead.binding


def test_what_is_on_the_shelf_keeps_the_lead_time_too() -> None:
    """12 cured cups; three working days from Thu 5: Tue 10."""
    shelf = OnHand(sku=CUP, usable_on=MON, quantity=Fraction(12))

    assert promised(mossgate.shop(), shelf, asked=replace(ASKED, lead_days=3)).leaves.day == 10


@pytest.mark.parametrize(("wanted", "leaves", "arrives"), [(25, 23, 25), (21, 19, 23), (28, 26, 30), (18, 16, 18)])
def test_what_is_not_wanted_before_a_day_leaves_so_that_it_does_not_arrive_before(
    wanted: int, leaves: int, arrives: int
) -> None:
    """Two carrier days. Not before Wed 25: leaves Mon 23. Sat 21 or Sat 28: the first arrival after is a Monday.

    It leaves on the first day that is late enough: Thu 19 and Thu 26. Wed 18 is when it arrives anyhow.
    """
    found = promised(mossgate.shop(), asked=replace(ASKED, wanted_from=date(2026, 3, wanted)))

    assert (found.leaves.day, found.arrives.day) == (leaves, arrives)
    assert [one.passed_on.day for one in found.gates if one.code == "pour"] == [5]


def test_what_waits_to_be_wanted_is_judged_by_that_day() -> None:
    """The check's own leaving day; a promise before it is an alarm."""
    shop, demand = mossgate.shop(), mossgate.demand("SUC", 12, leaves_from=date(2026, 3, 21))
    plan = insert(shop, Plan(), [demand], (), THU).plan

    assert leaving_day(shop, plan, demand) == date(2026, 3, 23)
    early = replace(demand, promised=date(2026, 3, 18))
    assert {breach.rule for breach in check(shop, plan, [early], ())} == {"promised", "wanted"}


# ── several questions on one bench ───────────────────────────────────────────


def test_one_bench_answers_many_questions_as_if_each_came_first() -> None:
    """Go back to the mark after each: the answer is what ``promise`` says, and the bench is as it was."""
    shop, stock = binding("OIL-RG"), (lot("OIL-RG", 5, 100), lot("OIL-RG", 10, 400))
    plan = insert(shop, Plan(), [mossgate.demand("PEB", 30, scent="CF")], (), MON).plan
    bench = Bench(shop, plan, stock, THU)
    before = bench.plan()
    for cups in (6, 24, 12, 6):
        demand = mossgate.demand("SUC", cups, key="new")
        mark = bench.mark()
        found, placed = promise_on(bench, [demand], ASKED)
        alone, outcome = promise(shop, plan, [demand], stock, ASKED)
        assert (found, placed, bench.plan()) == (alone, outcome.placed, outcome.plan)
        bench.back_to(mark)
        assert bench.plan() == before


def test_a_refusal_leaves_the_bench_as_it_was() -> None:
    """The second of two demands can't be made: the first is off the bench again."""
    shop = binding("OIL-CF")
    bench = Bench(shop, Plan(), (), THU)
    with pytest.raises(Refusal, match="Cedar frame oil"):
        promise_on(bench, [mossgate.demand("SUC", 6), mossgate.demand("SUC", 6, scent="CF", key="B")], ASKED)

    assert bench.plan() == Plan()
