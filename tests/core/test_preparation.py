"""The evening at Mossgate: what must stand overnight, and waits that end while nobody is there (invented days)."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

import pytest

from tests import mossgate
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.plan import insert
from wholesale.core.production.preparation import (
    Made,
    Overnight,
    Tomorrow,
    leaves_if_forgotten,
    overnight,
    waits_too_long,
)
from wholesale.core.production.work import Demand, Load, Plan, Portion, Work

GOODS = mossgate.catalogue()
SUC, ROSETTE = Sku("SUC", "RG"), Sku("ROSETTE")
THURSDAY, FRIDAY, SATURDAY = date(2026, 3, 5), date(2026, 3, 6), date(2026, 3, 7)


def planned(*demands: Demand, first_day: date = THURSDAY) -> Plan:
    plan = insert(mossgate.shop(), Plan(), demands, (), first_day).plan
    return replace(plan, loads=tuple(replace(load, ref=number) for number, load in enumerate(plan.loads, 1)))


def on(plan: Plan, day: date) -> list[Load]:
    return [load for load in plan.loads if load.day == day]


def made(loads: Iterable[Load], goods: Catalogue = GOODS) -> list[Made]:
    return [Made(load, goods) for load in loads]


def tonight(plan: Plan, short: tuple[Sku, ...] = (ROSETTE,)) -> tuple[Overnight, ...]:
    return overnight(made(on(plan, THURSDAY)), made(on(plan, FRIDAY)), short)


def pour(day: date, item: str = "SUC") -> Load:
    return Load(work=Work("POT-A", Sku("BASE", "RG")), day=day, portions=(Portion("A", Sku(item, "RG"), "pour", 12),))


def with_longest_wait(days: int) -> Catalogue:
    """Mossgate where a poured cup must be topped within so many days."""
    cup = GOODS.items["SUC"]
    assert cup.recipe
    first, *rest = cup.recipe.operations
    recipe = replace(cup.recipe, operations=(replace(first, days_max=days), *rest))
    return replace(GOODS, items={**GOODS.items, "SUC": replace(cup, recipe=recipe)})


def test_a_base_that_is_topped_tomorrow_must_be_poured_tonight() -> None:
    """S3: 12 cups, cast and poured Thu 5 March, topped Fri 6: the pot and both trays of rosettes stand overnight."""
    pots = tonight(planned(mossgate.demand("SUC", 12)))

    assert [pot.load.work.equipment for pot in pots] == ["POT-A", "TRAY-R", "TRAY-R"]
    assert {one.step for pot in pots for one in pot.waiting} == {"Pipe moss"}
    assert {one.demand for pot in pots for one in pot.waiting} == {"A"}


def test_casts_that_the_shelf_covers_can_wait() -> None:
    pots = tonight(planned(mossgate.demand("SUC", 12)), short=())

    assert [pot.load.work.equipment for pot in pots] == ["POT-A"]


def test_what_is_done_the_same_day_or_later_than_tomorrow_is_not_named() -> None:
    """Of the plan's loads only those of Thursday have something planned for Friday; a finish has nothing after it."""
    plan = planned(mossgate.demand("SUC", 12))

    later = [load for load in plan.loads if load.day > FRIDAY]

    assert overnight(made(on(plan, THURSDAY)), (), [ROSETTE]) == ()
    assert overnight(made(later), made(on(plan, FRIDAY)), [ROSETTE]) == ()


def test_a_forgotten_pot_costs_what_s3_says() -> None:
    """S3: poured Thu 5, packed Mon 16. Forgotten: poured Fri 6, topped after the weekend on Mon 9, packed Thu 19."""
    asked = replace(mossgate.demand("SUC", 12), promised=date(2026, 3, 16))
    plan = planned(asked)
    after = Tomorrow(shop=mossgate.shop(), plan=plan, stock=(), day=FRIDAY)

    assert leaves_if_forgotten(after, tonight(plan), [asked]) == {"A": date(2026, 3, 19)}


def test_only_the_forgotten_pot_is_charged_with_the_delay() -> None:
    """Two orders, one pot each. Where the cups' pot is forgotten, the tins' goes on: it leaves as planned."""
    cups, tins = mossgate.demand("SUC", 12, key="A"), mossgate.demand("FRN", 24, "WS", key="B")
    plan = planned(cups, tins)
    pots = [pot for pot in tonight(plan) if pot.waiting[0].demand == "A"]
    after = Tomorrow(shop=mossgate.shop(), plan=plan, stock=(), day=FRIDAY)

    assert leaves_if_forgotten(after, pots, [cups, tins]) == {"A": date(2026, 3, 19)}


def test_a_horizon_without_room_says_so() -> None:
    asked = mossgate.demand("SUC", 12)
    plan = planned(asked)
    after = Tomorrow(shop=replace(mossgate.shop(), horizon_days=1), plan=plan, stock=(), day=FRIDAY)

    assert leaves_if_forgotten(after, tonight(plan), [asked]) == {"A": None}


@pytest.mark.parametrize(
    ("day", "most", "until"),
    [
        (FRIDAY, 2, date(2026, 3, 8)),  # by Sunday; the bench works again on Monday 9
        (SATURDAY, 1, date(2026, 3, 8)),  # poured on a market day all the same
    ],
)
def test_a_pour_before_the_weekend_with_a_short_wait_is_warned_of(day: date, most: int, until: date) -> None:
    [found] = waits_too_long(mossgate.calendar(), made([pour(day)], with_longest_wait(most)))

    assert (found.step, found.then, found.most, found.until, found.next_day) == (
        "Pour base", "Pipe moss", most, until, date(2026, 3, 9),
    )  # fmt: skip


def test_a_pour_before_a_closed_day_is_warned_of() -> None:
    """Wed 4 March; Thu 5 is a holiday: a wait of 1 day ends on it, the bench works again on Fri 6."""
    calendar = Calendar(week=mossgate.calendar().week, days={THURSDAY: Day(kind=DayKind.CLOSED)})

    [found] = waits_too_long(calendar, made([pour(date(2026, 3, 4))], with_longest_wait(1)))
    assert (found.until, found.next_day) == (THURSDAY, FRIDAY)


@pytest.mark.parametrize(
    ("day", "most"),
    [
        (FRIDAY, 3),  # by Monday 9, a work day
        (FRIDAY, 7),  # Mossgate's own wait
        (THURSDAY, 1),  # by Friday
    ],
)
def test_a_wait_that_reaches_a_work_day_is_not(day: date, most: int) -> None:
    assert waits_too_long(mossgate.calendar(), made([pour(day)], with_longest_wait(most))) == ()


def test_a_step_that_may_wait_for_ever_is_never_too_long() -> None:
    """Casts have no longest wait, and nothing of theirs follows."""
    cast = Load(work=Work("TRAY-R", ROSETTE, "cast"), day=FRIDAY, portions=(Portion("A", ROSETTE, "cast", 12),))

    assert waits_too_long(mossgate.calendar(), made([cast], GOODS)) == ()
