"""A better plan is looked for beside the plan, and written only onto the one it started from."""

from collections.abc import Callable, Iterator
from datetime import date, datetime, timedelta
from typing import Any

import pytest

from tests import builders
from wholesale import clock, tasks
from wholesale.actions import errands, holding, improving, plan_rows
from wholesale.core.production import improve as search
from wholesale.core.production.check import check
from wholesale.core.production.difference import Difference
from wholesale.core.production.score import leaving_days
from wholesale.core.values import NotAllowed
from wholesale.models import Load, Order, PlanChange, PlanImprovement, PlanState, Setting, SheetRefresh, ShopAccount
from wholesale.queries import production, workshop

pytestmark = pytest.mark.django_db

FRIDAY = "2026-03-06T15:30"


@pytest.fixture
def cups() -> Iterator[list[Order]]:
    """B1 and B2 of scenario S2, planned on Monday 9 and, as it came later, Tuesday 10; it is Friday 6, 15:30."""
    builders.mossgate_rows()
    set_seconds(2)
    placed = []
    for slug, moment in (("corner", "2026-03-06T15:00"), ("lantern", "2026-03-09T15:00")):
        # Shops that ordered before pay no deposit.
        ShopAccount.objects.create(shop=builders.shop(slug), last_order_on="2026-01-20")
        with clock.at(moment):
            placed.append(builders.place(builders.shop(slug), ("SUC", 2, "RG")))
    PlanImprovement.objects.all().delete()
    SheetRefresh.objects.all().delete()
    with clock.at(FRIDAY):
        yield placed


def set_seconds(seconds: int) -> None:
    Setting.objects.update_or_create(name="improve_seconds", defaults={"value": str(seconds)})


def asked() -> PlanImprovement:
    return PlanImprovement.objects.get(pk=plan_rows.ask_for_improvement())


def improved() -> PlanImprovement:
    """What came of a search that is asked for and done at once."""
    row = asked()
    improving.improve_plan(row.pk)
    row.refresh_from_db()
    return row


def pots() -> list[date]:
    return sorted(Load.objects.filter(equipment__code="POT-A").values_list("day", flat=True))


def version() -> int:
    return PlanState.objects.get().version


# ── what it does ─────────────────────────────────────────────────────────────


def test_two_orders_come_to_share_a_pot(cups: list[Order]) -> None:
    """S2: 24 × 150 g are one pot instead of two, 28 casts three turns instead of 2 × 2."""
    assert pots() == [date(2026, 3, 9), date(2026, 3, 10)]
    before = version()

    row = improved()

    assert (row.state, row.result[:29]) == ("done", "A better plan: 2 loads fewer.")
    assert pots() == [date(2026, 3, 9)]
    assert Load.objects.filter(equipment__code="TRAY-R").count() == 3
    assert version() == before + 1
    shop = production.planner(workshop.workshop())
    assert check(shop, production.current_plan(), production.demands(), production.free_stock()) == ()


def test_what_moved_is_kept_with_whom_it_touches(cups: list[Order]) -> None:
    improved()
    change = PlanChange.objects.get()
    moved = Difference.from_json(change.moves)
    assert (change.kind, change.version, change.by) == ("improved", version(), None)
    assert "fewer" in change.because
    assert moved.moves
    assert {one.whom for one in moved.touched} <= {order.number for order in cups}


def test_promises_are_kept_and_the_planned_days_follow(cups: list[Order]) -> None:
    improved()
    shop = production.planner(workshop.workshop())
    for order in cups:
        order.refresh_from_db()
        assert order.planned_leaves <= order.promised_leaves
        scents = {str(scent.pk): scent.planned_leaves for line in order.lines.all() for scent in line.scents.all()}
        leaves = leaving_days(shop, production.current_plan(), production.demands())
        assert {key: leaves[key] for key in scents} == scents
        assert order.planned_leaves == max(scents.values())


def test_the_sheet_s_dates_are_asked_for_and_no_other_search(cups: list[Order]) -> None:
    """An improvement is a change of the plan, but never a reason to look for another one."""
    improved()
    assert SheetRefresh.objects.filter(state="waiting").count() == 1
    assert not PlanImprovement.objects.filter(state="waiting").exists()


def test_a_plan_that_can_not_be_better_is_left_alone(cups: list[Order]) -> None:
    improved()
    before, loads = version(), pots()
    assert improved().result == "No better plan was found."
    assert (version(), pots(), PlanChange.objects.count()) == (before, loads, 1)


# ── when it is looked for ────────────────────────────────────────────────────


def test_changes_in_a_row_ask_for_one_search(cups: list[Order]) -> None:
    """Two orders within the minute: one row waits, due when the burst is over."""
    for slug in ("corner", "lantern"):
        builders.place(builders.shop(slug), ("SUC", 2, "RG"))
    (row,) = PlanImprovement.objects.all()
    assert row.due_at == clock.now() + timedelta(minutes=1)


def test_where_it_is_off_nobody_asks(cups: list[Order]) -> None:
    set_seconds(0)
    builders.place(builders.shop("corner"), ("SUC", 2, "RG"))
    with clock.at("2026-03-07T02:30"):
        improving.ask_at_night()
    assert not PlanImprovement.objects.exists()


def test_at_night_it_is_asked_for_once(cups: list[Order]) -> None:
    for moment, count in (("2026-03-07T01:59", 0), ("2026-03-07T02:00", 1), ("2026-03-07T02:15", 1),
                          ("2026-03-07T12:00", 1), ("2026-03-08T02:00", 2)):  # fmt: skip
        with clock.at(moment):
            improving.ask_at_night()
            PlanImprovement.objects.filter(state="waiting").update(state="done")
        assert PlanImprovement.objects.count() == count, moment


def test_somebody_of_the_bench_may_ask_and_a_shop_may_not(cups: list[Order]) -> None:
    improving.ask(by=builders.helper())
    assert PlanImprovement.objects.get().due_at == clock.now()
    with pytest.raises(NotAllowed, match="maker and the helpers"):
        improving.ask(by=builders.member(builders.shop("corner")))


def test_the_sweep_wakes_what_waits(cups: list[Order], monkeypatch: pytest.MonkeyPatch) -> None:
    """The burst is over after a minute; a minute later the sweep takes the row up."""
    woken: list[tuple[str, int]] = []
    monkeypatch.setattr("wholesale.actions.documents.send_on_commit", lambda task, row: woken.append((task, row)))
    builders.place(builders.shop("corner"), ("SUC", 2, "RG"))
    row = PlanImprovement.objects.get()
    with clock.at("2026-03-06T15:33"):
        tasks.sweep()
    assert ("wholesale.improve_plan", row.pk) in woken


# ── what may come between ────────────────────────────────────────────────────


def meanwhile(monkeypatch: pytest.MonkeyPatch, happens: Callable[[], object]) -> None:
    """Let something happen while the search runs."""
    honest = search.improve

    def interrupted(*given: Any) -> Any:
        found = honest(*given)
        happens()
        return found

    monkeypatch.setattr(search, "improve", interrupted)


def test_a_plan_that_changed_meanwhile_is_not_written_over(cups: list[Order], monkeypatch: pytest.MonkeyPatch) -> None:
    """The order that came in between stands in the plan, and has asked for a search of its own."""
    meanwhile(monkeypatch, lambda: builders.place(builders.shop("corner"), ("SUC", 2, "RG")))
    before = version()
    row = improved()
    assert row.result == "The plan changed while a better one was looked for; nothing was moved."
    assert version() == before + 1  # the order's
    assert pots() == [date(2026, 3, 9), date(2026, 3, 10)]
    assert not PlanChange.objects.exists()
    assert PlanImprovement.objects.filter(state="waiting").count() == 1


def test_a_worker_that_died_is_followed_by_another(cups: list[Order]) -> None:
    """Its claim runs out after five minutes; the row is taken again, and done once."""
    row = asked()
    assert errands.claim(PlanImprovement, row.pk)
    improving.improve_plan(row.pk)  # a second worker, too soon
    assert not PlanChange.objects.exists()
    with clock.at("2026-03-06T15:36"):
        assert errands.late(PlanImprovement) == [row.pk]
        improving.improve_plan(row.pk)
    row.refresh_from_db()
    assert (row.state, row.tries, PlanChange.objects.count()) == ("done", 2, 1)


def test_a_worker_whose_row_was_taken_over_writes_nothing(
    cups: list[Order], monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    meanwhile(monkeypatch, lambda: PlanImprovement.objects.update(claim="another worker"))
    before = version()
    row = improved()
    assert (row.state, row.claim, row.result) == ("claimed", "another worker", "")
    assert (version(), PlanChange.objects.count()) == (before, 0)


def test_a_search_that_fails_is_tried_again(cups: list[Order], monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*given: Any) -> Any:
        raise RuntimeError("out of memory")

    monkeypatch.setattr(search, "improve", fails)
    row = improved()
    assert (row.state, row.error) == ("waiting", "RuntimeError: out of memory")
    assert row.due_at == clock.now() + timedelta(seconds=10)


def test_while_a_basket_keeps_its_place_the_search_waits(cups: list[Order]) -> None:
    """A hold counts on the plan as it is; fifteen minutes later it is over, and the wait cost no try."""
    shop = builders.shop("corner")
    until = holding.hold(by=builders.member(shop), shop="corner", basket=builders.basket(("SUC", 2, "RG")))
    assert isinstance(until, datetime)
    row = improved()
    assert (row.state, row.tries, row.due_at) == ("waiting", 0, until + timedelta(seconds=1))
    assert not PlanChange.objects.exists()


def test_a_basket_held_while_the_search_runs_keeps_its_place(
    cups: list[Order], monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    shop = builders.shop("corner")

    def hold() -> None:
        holding.hold(by=builders.member(shop), shop="corner", basket=builders.basket(("SUC", 2, "RG")))

    meanwhile(monkeypatch, hold)
    assert improved().result == "A basket keeps its place in the plan; nothing was moved."
    assert not PlanChange.objects.exists()
