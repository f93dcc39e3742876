"""Bad nights at the demo workshop, Thursday 5 March 2026, 13:50: rows, plan, promises in danger, ways out."""

from collections.abc import Iterator
from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from django.db import transaction
from pytest_django import DjangoDbBlocker

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.actions import bad_nights, orders, plan_rows
from wholesale.core.production.calendar import DayKind
from wholesale.core.production.check import check
from wholesale.core.production.troubles import Broken, DayOff
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import (
    CalendarDay,
    Equipment,
    EquipmentOut,
    ExpectedDelivery,
    Item,
    Load,
    LoadPortion,
    Order,
    PlanChange,
    PlanState,
    Setting,
)
from wholesale.queries import bad_nights as nights
from wholesale.queries.what_if import situation

pytestmark = pytest.mark.django_db

THU_5, FRI_6, SAT_7, MON_9, FRI_20, MON_23 = (date(2026, 3, day) for day in (5, 6, 7, 9, 20, 23))


@pytest.fixture(scope="module", autouse=True)
def _workshop(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[None]:
    """One demo workshop for all tests of this file; each test takes back what it did."""
    with django_db_blocker.unblock(), transaction.atomic():
        builders.mossgate_rows()
        builders.helper()
        yield
        transaction.set_rollback(True)


def placed(*lines: builders.Line, shop: str = "tallowmere") -> Order:
    return builders.place(Shop.objects.get(slug=shop), *lines)


def jars() -> Order:
    """20 cases of pebble jars: casts Thu 5 to Thu 12, sealed Fri 13, leaves Mon 23 (see `test_settings`)."""
    return placed(("PEB", 20, "RG"))


def rows() -> list[Any]:
    """Everything a report may change."""
    return [
        list(table.objects.order_by("pk").values())
        for table in (CalendarDay, EquipmentOut, Equipment, ExpectedDelivery, Load, LoadPortion, PlanChange, PlanState)
    ]


def sound() -> bool:
    """Is the plan as stored possible?"""
    now = situation()
    return not [b for b in check(now.shop, now.plan, now.demands, now.stock) if b.kind == "physics"]


def ill(minutes: int = 360, day: date = FRI_6) -> int:
    return bad_nights.helper_ill(by=builders.helper(), hands="bench", day=day, minutes=minutes)


def broken(count: int = 1, first: date = THU_5, last: date | None = None, equipment: str = "TRAY-P") -> int:
    return bad_nights.equipment_broken(
        by=builders.helper(), equipment=equipment, count=count, first=first, last=last
    )  # fmt: skip


# ── each happens ─────────────────────────────────────────────────────────────


def test_somebody_ill_takes_minutes_off_the_day_and_the_plan_moves() -> None:
    """Cups placed Thu are piped Fri 6, leave Mon 16. Without Friday's hands: piped Mon 9, sellable Thu 19."""
    order = placed(("SUC", 2, "RG"))

    report = ill()

    assert CalendarDay.objects.get().minutes == {"bench": 0}
    order.refresh_from_db()
    assert (order.promised_leaves, order.planned_leaves) == (date(2026, 3, 16), date(2026, 3, 19))
    assert not Load.objects.filter(day=FRI_6).exists()
    assert sound()
    row = PlanChange.objects.get(pk=report)
    assert (row.kind, row.because) == ("bad_night", "Bench: 360 minutes fewer on Fri 6 Mar")
    assert row.version == PlanState.objects.get().version


def test_an_order_in_danger_gets_it_into_its_history_for_the_workshop_alone() -> None:
    order = placed(("SUC", 2, "RG"))

    ill()

    event = order.events.get(kind="at_risk")
    assert event.text == "At risk: now planned for 19 March 2026, promised for 16 March 2026."
    assert not event.for_shop


def test_a_broken_tray_halves_the_casts_and_only_while_it_is_away() -> None:
    """60 casts a day until Fri 6, 120 from Mon 9 on: no more than three loads of TRAY-P on a day with one tray."""
    jars()

    broken(last=FRI_6)

    counts = {day: Load.objects.filter(equipment__code="TRAY-P", day=day).count() for day in (THU_5, FRI_6, MON_9)}
    assert counts == {THU_5: 3, FRI_6: 3, MON_9: 6}
    assert sound()


def test_a_market_day_has_no_work_on_it() -> None:
    placed(("SUC", 2, "RG"))

    bad_nights.day_changed(by=builders.maker(), day=FRI_6, kind=DayKind.MARKET, note="Spring fair")

    row = CalendarDay.objects.get()
    assert (row.day, row.kind, row.note) == (FRI_6, "market", "Spring fair")
    assert not Load.objects.filter(day=FRI_6).exists()
    assert PlanChange.objects.get().because == "Fri 6 Mar is a market day: Spring fair"


def test_a_delivery_that_is_late_moves_what_waits_for_it() -> None:
    """Whipping wax binds the plan: 25 kg come Fri 6, then on Tue 10; cups are piped once it is there."""
    Item.objects.filter(code="WHIPWAX").update(binds_plan=True)
    wax = Item.objects.get(code="WHIPWAX")
    row = ExpectedDelivery.objects.create(item=wax, quantity=25_000_000, ordered_on=THU_5, expected_on=FRI_6)
    order = placed(("SUC", 2, "RG"))

    bad_nights.delivery_late(by=builders.helper(), delivery=row.pk, expected_on=date(2026, 3, 10))

    row.refresh_from_db()
    order.refresh_from_db()
    assert row.expected_on == date(2026, 3, 10)
    # Piped Tue 10 instead of Fri 6: sellable Fri 20 instead of Mon 16.
    assert (order.promised_leaves, order.planned_leaves) == (date(2026, 3, 16), FRI_20)
    assert PlanChange.objects.get().because == "Whipping wax comes on Tue 10 Mar instead of Fri 6 Mar"


def test_a_second_tap_reports_nothing_twice() -> None:
    """60 of 360 minutes are taken off once: 300 are left; 240 once another page says the same."""

    def tap(token: str) -> int:
        return bad_nights.helper_ill(by=builders.helper(), hands="bench", day=FRI_6, minutes=60, token=token)

    report = tap("one")

    assert tap("one") == report == PlanChange.objects.get().pk
    assert CalendarDay.objects.get().minutes == {"bench": 300}
    assert tap("another") != report
    assert CalendarDay.objects.get().minutes == {"bench": 240}


def test_the_preview_says_what_the_action_then_does() -> None:
    order = jars()
    shown = nights.preview(Broken(equipment="TRAY-P", count=1, first=THU_5))
    before = rows()

    assert rows() == before
    broken()

    order.refresh_from_db()
    assert [row.shift.after for row in shown.answer.moved] == [order.planned_leaves]
    assert order.planned_leaves > order.promised_leaves


# ── nonsense ─────────────────────────────────────────────────────────────────


def test_what_cannot_have_happened_changes_nothing() -> None:
    """The refusals themselves are `tests/core/test_troubles.py`'s."""
    builders.helper()
    before = rows()

    with pytest.raises(Refusal):
        ill(minutes=361)
    with pytest.raises(Refusal):
        broken(count=3)

    # The last is the plan's own row, which the lock makes.
    assert rows()[:-1] == before[:-1]


def test_no_more_can_break_than_are_left() -> None:
    broken(first=MON_9)

    with pytest.raises(Refusal, match="there are 2, 1 of them out of use already"):
        broken(count=2, first=FRI_6)


def test_a_delivery_that_comes_while_it_is_reported_late_stays_as_it_came(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is received between the reading of the report and the lock of the plan."""
    wax = Item.objects.get(code="WHIPWAX")
    row = ExpectedDelivery.objects.create(item=wax, quantity=1000, ordered_on=THU_5, expected_on=FRI_6)
    honest = plan_rows.lock

    def lock() -> PlanState:
        ExpectedDelivery.objects.filter(pk=row.pk).update(closed_at=clock.now())
        return honest()

    monkeypatch.setattr(plan_rows, "lock", lock)
    with pytest.raises(Conflict, match="moved meanwhile, came"):
        bad_nights.delivery_late(by=builders.helper(), delivery=row.pk, expected_on=MON_9)
    row.refresh_from_db()
    assert row.expected_on != MON_9


def test_a_delivery_that_is_not_awaited_cannot_be_late() -> None:
    with pytest.raises(NotFound):
        bad_nights.delivery_late(by=builders.helper(), delivery=99, expected_on=MON_9)


def test_a_plan_without_room_loses_nothing_and_says_what_to_do() -> None:
    """One of two trays gone: 120 jars find no room in ten days, nor any day that they would wait for."""
    jars()
    Setting.objects.create(name="plan_days", value="10")
    before = rows()

    with pytest.raises(Refusal, match=r"find no room in the next 10 days\. Nothing was changed\. Make room first"):
        broken()

    assert rows() == before


def test_the_only_bowl_that_breaks_for_good_is_recorded_and_what_needs_it_waits() -> None:
    """Cups are piped in the whip bowl: their order has no day, is told to the maker, and stops nothing else."""
    cups, tins = placed(("SUC", 2, "RG")), jars()
    kept = tins.planned_leaves

    report = broken(equipment="BOWL")

    tins.refresh_from_db()
    assert (nights.change(report).row.because, tins.planned_leaves) == (
        "Whip bowl: 1 out of use from Thu 5 Mar until further notice", kept
    )  # fmt: skip
    assert not Load.objects.filter(portions__order_scent__line__order=cups, operation="pour").exists()
    assert "Whip bowl is out of use until further notice" in cups.events.get(kind="at_risk").text
    now = situation()
    told = check(now.shop, now.plan, now.demands, now.stock, now.first_day)
    assert {(breach.kind, breach.rule) for breach in told} == {("promise", "waits")}
    assert [row.shift.order for row in nights.preview(DayOff(day=FRI_20, kind=DayKind.CLOSED)).answer.rows]
    nights.ways_out()

    bad_nights.take_back(by=builders.helper(), change=report)
    cups.refresh_from_db()
    assert cups.planned_leaves == cups.promised_leaves


def test_a_delivery_that_is_overdue_is_moved_in_the_preview_too() -> None:
    """Wax expected on Tue 3 is counted on for Fri 6; on Tue 10 it moves what waits for it, as the report then does."""
    Item.objects.filter(code="WHIPWAX").update(binds_plan=True)
    wax = Item.objects.get(code="WHIPWAX")
    row = ExpectedDelivery.objects.create(
        item=wax, quantity=25_000_000, ordered_on=date(2026, 3, 1), expected_on=date(2026, 3, 3)
    )
    order = placed(("SUC", 2, "RG"))

    shown = nights.preview(nights.late(row.pk, date(2026, 3, 10)))
    bad_nights.delivery_late(by=builders.helper(), delivery=row.pk, expected_on=date(2026, 3, 10))

    order.refresh_from_db()
    assert [one.shift.after for one in shown.answer.moved] == [order.planned_leaves] == [FRI_20]


def test_shops_report_nothing() -> None:
    with pytest.raises(NotAllowed):
        bad_nights.helper_ill(by=builders.member(builders.shop()), hands="bench", day=FRI_6, minutes=60)


# ── taken back ───────────────────────────────────────────────────────────────


def test_what_is_over_is_taken_back_and_the_promise_kept_again() -> None:
    order = placed(("SUC", 2, "RG"))
    report = ill()

    back = bad_nights.take_back(by=builders.helper(), change=report)

    order.refresh_from_db()
    assert not CalendarDay.objects.exists()
    assert order.planned_leaves == order.promised_leaves
    assert order.events.get(kind="in_time").text == "In time again: now planned for 16 March 2026."
    assert PlanChange.objects.get(pk=back).because == "Taken back: Bench: 360 minutes fewer on Fri 6 Mar"
    assert sound()
    with pytest.raises(Refusal, match="taken back already"):
        bad_nights.take_back(by=builders.helper(), change=report)


def test_a_day_gets_back_what_stood_there_before() -> None:
    CalendarDay.objects.create(day=FRI_6, kind="work", opens="09:00", minutes={"bench": 200}, note="Short day")
    before = list(CalendarDay.objects.values("day", "kind", "opens", "closes", "minutes", "note"))

    report = ill(minutes=50)
    assert CalendarDay.objects.get().minutes == {"bench": 150}
    bad_nights.take_back(by=builders.helper(), change=report)

    assert list(CalendarDay.objects.values("day", "kind", "opens", "closes", "minutes", "note")) == before


def test_a_day_that_was_changed_in_the_workbook_since_is_left_alone() -> None:
    report = ill(minutes=100)
    CalendarDay.objects.update(minutes={"bench": 210})

    with pytest.raises(Conflict, match="6 March 2026 was changed again since; put it right in the workbook"):
        bad_nights.take_back(by=builders.helper(), change=report)

    assert CalendarDay.objects.get().minutes == {"bench": 210}


def test_of_two_reports_of_one_day_the_last_goes_back_first() -> None:
    """360 − 100 − 50 = 210 minutes; Monday's report, the latest of all, is of another day."""
    first, second, _ = ill(minutes=100), ill(minutes=50), ill(minutes=10, day=MON_9)

    with pytest.raises(Conflict, match="again by “Bench: 50 minutes fewer on Fri 6 Mar”; take that back first") as told:
        bad_nights.take_back(by=builders.helper(), change=first)

    assert told.value.facts == {"report": second}
    assert CalendarDay.objects.get(day=FRI_6).minutes == {"bench": 210}
    for report in (second, first):
        bad_nights.take_back(by=builders.helper(), change=report)
    assert not CalendarDay.objects.filter(day=FRI_6).exists()


def test_a_tray_that_is_back_is_used_from_today_on_and_its_time_away_stays_known() -> None:
    report = broken()
    with clock.at("2026-03-09T09:00"):
        bad_nights.take_back(by=builders.helper(), change=report)

    out = EquipmentOut.objects.get()
    assert (out.first, out.last) == (THU_5, date(2026, 3, 8))
    assert situation().shop.count_of("TRAY-P", MON_9) == 2


def test_a_delivery_gets_its_day_back() -> None:
    wax = Item.objects.get(code="WHIPWAX")
    row = ExpectedDelivery.objects.create(item=wax, quantity=1000, ordered_on=THU_5, expected_on=FRI_6)
    report = bad_nights.delivery_late(by=builders.helper(), delivery=row.pk, expected_on=MON_9)

    bad_nights.take_back(by=builders.helper(), change=report)

    row.refresh_from_db()
    assert row.expected_on == FRI_6


# ── ways out ─────────────────────────────────────────────────────────────────


def way(kind: str) -> tuple[nights.RescueRow, int]:
    ways = nights.ways_out()
    return next(row for row in ways.rescues if row.rescue.kind == kind), ways.version


def take(kind: str, by: Any = None) -> int:
    found, version = way(kind)
    return bad_nights.take_rescue(by=by or builders.maker(), code=found.rescue.code, version=version)


def test_one_more_tray_is_taken_and_taken_back() -> None:
    """One tray breaks for good; one more brings the order back to its day. It costs what the workbook says."""
    order = jars()
    Equipment.objects.filter(code="TRAY-P").update(price_e4=350_000)
    broken()

    found, _ = way("more")
    assert (found.rescue.cost, found.rescue.saves_all) == (35, True)
    report = take("more")

    order.refresh_from_db()
    assert Equipment.objects.get(code="TRAY-P").count == 3
    # It has to be bought first: it is not here before Fri 6.
    assert EquipmentOut.objects.get(because="not here yet").last == THU_5
    assert order.planned_leaves == order.promised_leaves
    assert sound()
    bad_nights.take_back(by=builders.maker(), change=report)
    assert Equipment.objects.get(code="TRAY-P").count == 2
    assert EquipmentOut.objects.count() == 1
    assert sound()


def test_overtime_is_written_into_the_days_it_was_shown_for() -> None:
    """Friday has 8 minutes left of the 30 that 12 cups take to pipe: 22 more, 22 ÷ 60 × 24 × 1.5 = 13.20."""
    order = placed(("SUC", 2, "RG"))
    missed = ill(minutes=352)

    found, _ = way("overtime")
    assert [(more.day, more.minutes) for more in found.rescue.overtime] == [(FRI_6, 22)]
    assert (found.rescue.cost, found.rescue.how) == (D("13.2"), "22 min ÷ 60 × 24 × 150 %")
    report = take("overtime")

    order.refresh_from_db()
    assert CalendarDay.objects.get().minutes == {"bench": 30}
    assert order.planned_leaves == order.promised_leaves
    assert sound()
    with pytest.raises(Conflict, match="again by “Stay longer: 22 min on Fri 6 Mar”; take that back first"):
        bad_nights.take_back(by=builders.maker(), change=missed)
    bad_nights.take_back(by=builders.maker(), change=report)
    assert CalendarDay.objects.get().minutes == {"bench": 8}
    assert sound()


def test_of_two_trays_bought_the_last_goes_back_first() -> None:
    first, second = (_one_more_tray() for _ in range(2))

    with pytest.raises(Conflict, match="take that back first") as told:
        bad_nights.take_back(by=builders.maker(), change=first)

    assert told.value.facts == {"report": second}


def _one_more_tray() -> int:
    jars()
    broken()
    return take("more")


def test_a_way_out_is_taken_once_however_often_it_is_tapped() -> None:
    jars()
    broken()
    found, version = way("more")

    taps = [bad_nights.take_rescue(by=builders.maker(), code=found.rescue.code, version=version) for _ in range(2)]

    assert taps[0] == taps[1]
    assert Equipment.objects.get(code="TRAY-P").count == 3


def test_a_second_parcel_is_noted_on_the_order_and_moves_nothing() -> None:
    order = jars()
    broken()
    found, _ = way("split")
    before = Load.objects.count()

    take("split")

    event = order.events.get(kind="split")
    assert event.text.startswith(f"Send {order.number} in two parcels:")
    assert not event.for_shop
    assert (found.rescue.cost, Load.objects.count()) == (18, before)


def test_what_costs_something_is_the_makers_to_take() -> None:
    jars()
    broken()

    with pytest.raises(NotAllowed, match="only the maker may take it"):
        take("more", by=builders.helper())

    assert Equipment.objects.get(code="TRAY-P").count == 2


def test_a_way_out_of_an_older_plan_is_not_taken() -> None:
    jars()
    broken()
    found, version = way("more")
    placed(("FRN", 2, "CF"), shop="quillwort")

    with pytest.raises(Conflict, match="The plan has changed since"):
        bad_nights.take_rescue(by=builders.maker(), code=found.rescue.code, version=version)
    with pytest.raises(Conflict):
        bad_nights.take_rescue(by=builders.maker(), code="more:GOLD", version=version + 1)


def test_where_nothing_is_in_danger_there_is_no_way_out_to_take() -> None:
    order = jars()
    orders.confirm(by=builders.maker(), number=order.number)

    assert (nights.danger(), nights.ways_out().rescues) == ((), ())
