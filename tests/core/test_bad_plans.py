"""What can't be planned, or only looks so: each is named, or simply right, and nothing walks in circles.

Mossgate's bench (invented; common practice, no source). 2 March 2026 is a Monday.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, time, timedelta
from decimal import Decimal as D
from fractions import Fraction
from typing import Any

import pytest

from tests import mossgate
from wholesale.core.catalogue import Recipe, Sku
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.check import check
from wholesale.core.production.plan import insert
from wholesale.core.production.promise import Asked, Promise, promise
from wholesale.core.production.work import Outage, Plan, Shop
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

MON, THU = date(2026, 3, 2), date(2026, 3, 5)
ASKED = Asked(on=THU, at=time(13, 50), cut_off=time(14), carrier_days=2)


def promised(shop: Shop | None = None, asked: Asked = ASKED, stock: tuple[OnHand, ...] = ()) -> Promise:
    """The promise for twelve succulent cups."""
    return promise(shop or mossgate.shop(), Plan(), [mossgate.demand("SUC", 12)], stock, asked)[0]


def refused(shop: Shop | None = None, asked: Asked = ASKED, stock: tuple[OnHand, ...] = ()) -> Refusal:
    """What is said instead of a promise."""
    with pytest.raises(Refusal) as found:
        promised(shop, asked, stock)
    return found.value


def with_step(code: str, **other: Any) -> Shop:
    """Mossgate's bench, one step of the cups done otherwise."""
    shop = mossgate.shop()
    cup = shop.catalogue.items["SUC"]
    recipe = cup.recipe or Recipe()
    steps = tuple(replace(step, **other) if step.code == code else step for step in recipe.operations)
    items = {**shop.catalogue.items, "SUC": replace(cup, recipe=replace(recipe, operations=steps))}
    return replace(shop, catalogue=replace(shop.catalogue, items=items))


def with_pot(**other: Any) -> Shop:
    """Mossgate's bench with another pot A."""
    shop = mossgate.shop()
    pot = replace(shop.catalogue.equipment["POT-A"], **other)
    return replace(shop, catalogue=replace(shop.catalogue, equipment={**shop.catalogue.equipment, "POT-A": pot}))


def with_week(day: Day | None) -> Shop:
    """Mossgate's bench with the same day all week, or with no day at all."""
    return replace(mossgate.shop(), calendar=Calendar(week=dict.fromkeys(range(7), day) if day else {}))


# ── named ────────────────────────────────────────────────────────────────────


def test_a_calendar_without_a_work_day_is_named() -> None:
    """No weekday has a rule: everything is closed."""
    found = refused(with_week(None))

    assert (found.code, found.field) == ("no_work_days", "calendar")
    assert "no work day in the 800 days from 2026-03-05" in found.message


def test_work_days_without_hours_are_named_with_their_hands() -> None:
    """Open from 08:00 to 17:00, and nobody there: 0 minutes a day."""
    found = refused(with_week(Day(kind=DayKind.WORK, opens=time(8), closes=time(17), minutes={"bench": 0})))

    assert found.code == "no_hours"
    assert "no minutes of 'bench' in the next 400 days" in found.message


def test_a_longest_wait_below_the_shortest_is_named_with_its_step() -> None:
    """Base sets one night at least, and at most 0 days."""
    found = refused(with_step("pour", days_max=0))

    assert (found.code, found.field) == ("wait_turned_round", "pour")
    assert "Succulent cup, Pour base: the wait is at least 1 and at most 0 days" in found.message


@pytest.mark.parametrize(
    ("shop", "code", "words"),
    [
        # one cup takes 150 g, and 3 % of what is melted is lost: 150 / 0.97 = 154.6 g
        (with_pot(load_g=D(154)), "no_equipment_holds", "one piece needs more than a load of Pot A holds"),
        (with_pot(load_pieces=0), "no_equipment_holds", "one piece needs more than a load of Pot A holds"),
        (with_pot(loads_per_day=0), "no_quota", "Pot A takes no load a day"),
        (with_pot(count=0), "no_quota", "Pot A takes no load a day"),
        (with_step("pour", equipment="POT-Z"), "unknown_equipment", "there is no equipment 'POT-Z'"),
    ],
    ids=["too small", "no piece", "quota of zero", "none of it", "not there"],
)
def test_an_operation_that_no_equipment_can_do_is_named(shop: Shop, code: str, words: str) -> None:
    """Whatever keeps the pot from taking one cup: the step and the equipment are told."""
    found = refused(shop)

    assert (found.code, found.field) == (code, "pour")
    assert words in found.message


def test_equipment_that_is_out_until_further_notice_is_named() -> None:
    """The only whip bowl is broken, and nobody knows until when."""
    out = (Outage(equipment="BOWL", count=1, first=MON),)

    assert "Whip bowl is out of use until further notice" in refused(replace(mossgate.shop(), outages=out)).message


def without_trays(first: date = MON, **other: Any) -> Shop:
    """Mossgate's bench whose two pebble trays are out of use from a day on, nobody knows until when."""
    return replace(mossgate.shop(), outages=(Outage(equipment="TRAY-P", count=2, first=first),), **other)


@pytest.mark.parametrize("first", [MON, THU])
def test_a_mould_that_is_out_is_named_to_whom_its_casts_go_into(first: date) -> None:
    """600 jars take 3,158 casts: out from Thursday on, three days of 6 × 20 come before, and then none any more."""
    with pytest.raises(Refusal) as found:
        insert(without_trays(first), Plan(), [mossgate.demand("PEB", 600)], (), MON)

    assert found.value.code == "out_of_use"
    words = "Pebble jar, Rain garden: Pebble trays is out of use until further notice, and cast pebbles needs it."
    assert found.value.message.startswith(words)


def test_a_mould_that_is_out_is_not_named_where_its_casts_are_there() -> None:
    """Twelve jars take 60 pebbles, 100 are in stock; what is missing is a day to wait for."""
    stock = (OnHand(sku=Sku("PEBBLE"), usable_on=MON, quantity=Fraction(100)),)
    with pytest.raises(Refusal) as found:
        insert(without_trays(horizon_days=0), Plan(), [mossgate.demand("PEB", 12)], stock, MON)

    assert (found.value.code, "12 pieces find no room" in found.value.message) == ("no_room", True)


def test_a_need_before_today_is_named() -> None:
    """Wanted by yesterday; and not before a day after the last one."""
    assert refused(asked=replace(ASKED, wanted_by=THU - timedelta(days=1))).code == "wanted_past"
    turned = replace(ASKED, wanted_from=date(2026, 3, 27), wanted_by=date(2026, 3, 20))
    assert refused(asked=turned).code == "wanted_turned_round"


def test_a_day_that_can_t_be_met_is_told_with_the_earliest_one() -> None:
    """S3: cups of Thu 5 March arrive on Wed 18 at the earliest; wanted by Tue 17."""
    found = refused(asked=replace(ASKED, wanted_by=date(2026, 3, 17)))

    assert (found.code, found.field, found.facts["arrives"]) == ("wanted_by", "wanted_by", "2026-03-18")
    assert "can arrive on 18 March 2026 at the earliest" in found.message


def test_a_weekend_that_nothing_arrives_on_is_told() -> None:
    """Not before Sat 21 and not after Sun 22 March: carriers come Monday to Friday, so Mon 23."""
    found = refused(asked=replace(ASKED, wanted_from=date(2026, 3, 21), wanted_by=date(2026, 3, 22)))

    assert found.facts["arrives"] == "2026-03-23"


def test_supply_that_never_comes_is_named_before_a_day_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """12 cups take 12 × 150 / 0.97 / 1.08 × 0.08 = 137.5 g of oil; 100 g are there: 37.5 missing, told as 38 g."""
    honest: Callable[..., int] = Bench.room
    tried: list[date] = []

    def room(self: Bench, task: Any, day: date) -> int:
        tried.append(day)
        return honest(self, task, day)

    monkeypatch.setattr(Bench, "room", room)
    there = (OnHand(sku=Sku("OIL-RG"), usable_on=THU, quantity=Fraction(100)),)
    found = refused(binding("OIL-RG"), stock=there)

    assert (found.code, found.facts["material"], found.facts["missing"]) == ("no_supply", "OIL-RG", "38")
    assert "Rain garden oil: 38 g more are needed" in found.message
    assert not tried


def binding(*codes: str) -> Shop:
    """Mossgate's bench, on which the plan waits for these materials."""
    shop = mossgate.shop()
    items = {code: replace(item, binds_plan=code in codes) for code, item in shop.catalogue.items.items()}
    return replace(shop, catalogue=replace(shop.catalogue, items=items))


def test_a_bench_that_is_full_for_good_says_how_far_it_looked() -> None:
    """Pot A takes 25 cups a load (3,880 / 150), 2 a day: 30,000 cups need 600 days, 400 are planned."""
    with pytest.raises(Refusal, match="find no room in the next 400 days"):
        insert(mossgate.shop(), Plan(), [mossgate.demand("SUC", 30_000)], (), MON)


# ── simply right ─────────────────────────────────────────────────────────────


def shape(found: Promise, since: date) -> list[tuple[str, int]]:
    """Each gate with the days since the order."""
    return [(gate.code, (gate.passed_on - since).days) for gate in found.gates]


@pytest.mark.parametrize("weeks", [1, 3, 34])
def test_a_night_in_which_the_clocks_change_is_one_night(weeks: int) -> None:
    """8 and 29 March, 25 October and 1 November 2026: an order some weeks later has the same gates, day for day.

    From Thu 12 March (1), Thu 26 March (3) and Thu 29 October (34) on; on Thu 5 March the base sets before 8 March.
    """
    later = THU + timedelta(weeks=weeks)

    assert shape(promised(asked=replace(ASKED, on=later)), later) == shape(promised(), THU)


def test_the_29th_of_february_is_a_day_like_others() -> None:
    """Mon 28 Feb 2028: pipe Tue 29 Feb, ten days: Fri 10 March, arrives Tue 14."""
    found = promised(asked=replace(ASKED, on=date(2028, 2, 28)))

    assert [gate.passed_on for gate in found.gates if gate.code == "pipe"] == [date(2028, 2, 29)]
    assert (found.leaves, found.arrives) == (date(2028, 3, 10), date(2028, 3, 14))


def test_a_year_ends_and_the_plan_goes_on() -> None:
    """Wed 30 Dec 2026: pipe Thu 31, ten days: Sun 10 Jan 2027, leaves Mon 11, arrives Wed 13."""
    found = promised(asked=replace(ASKED, on=date(2026, 12, 30)))

    assert (found.leaves, found.arrives) == (date(2027, 1, 11), date(2027, 1, 13))


def test_a_plan_over_such_days_is_sound() -> None:
    """Two orders over the end of 2027 and the end of February 2028 pass every check."""
    shop, demands = mossgate.shop(), [mossgate.demand("SUC", 60), mossgate.demand("PEB", 30, key="B")]
    for first_day in (date(2027, 12, 29), date(2028, 2, 25)):
        assert check(shop, insert(shop, Plan(), demands, (), first_day).plan, demands, ()) == ()
