"""Materials, deposits, wishes and broken equipment as laws; and each small fault that the laws must notice."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import Phase, given, settings

from tests import laws, supplies
from tests.strategies import LAWS, Case
from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.production import insertion, mending, takes, tasks
from wholesale.core.production.takes import Taken
from wholesale.core.production.work import Shop
from wholesale.core.stock import Timeline

FEWER = settings(LAWS, max_examples=60)
SEARCH = settings(LAWS, max_examples=200, phases=[Phase.generate], report_multiple_bugs=False, print_blob=False)

OF_SUPPLY = (
    laws.nothing_before_its_supply,
    laws.nothing_begins_before_its_deposit,
    laws.nothing_leaves_before_it_is_wanted,
    laws.a_late_deposit_moves_the_work,
)


@FEWER
@given(supplies.cases())
def test_orders_accepted_one_after_the_other_keep_every_law(case: Case) -> None:
    """The laws of supply, and all the others beside them."""
    steps = laws.accepted(case)
    for law in (*laws.OF_ACCEPTING, *OF_SUPPLY):
        law(case, steps)


@FEWER
@given(supplies.histories())
def test_planning_again_mends_and_is_at_rest(case: Case) -> None:
    """After bad nights, with what is out of use from today on."""
    laws.planning_again_mends(case)
    laws.planning_again_twice_changes_nothing(case)


# ── the laws have teeth ──────────────────────────────────────────────────────


def is_broken(law: Callable[..., None]) -> bool:
    """Whether a law fails on one of its cases."""

    @SEARCH
    @given(supplies.cases())
    def run(case: Case) -> None:
        law(case, laws.accepted(case))

    try:
        run()
    except AssertionError:
        return True
    return False


def test_materials_that_nobody_waits_for_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench takes parts off the shelf, and no material."""
    honest = takes.stocked_parts

    def parts_only(goods: Catalogue, sku: Sku, step: Any) -> list[Taken]:
        return [part for part in honest(goods, sku, step) if goods.items[part.sku.item].kind is ItemKind.PART]

    monkeypatch.setattr(tasks, "stocked_parts", parts_only)
    assert is_broken(laws.nothing_before_its_supply)


def test_a_loss_that_takes_no_material_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A melt takes what it holds, not what it is weighed of: 3 % less."""
    honest = takes.stocked_parts

    def lossless(goods: Catalogue, sku: Sku, step: Any) -> list[Taken]:
        return [p._replace(each=p.each * Fraction(97, 100)) if p.weighed else p for p in honest(goods, sku, step)]

    monkeypatch.setattr(tasks, "stocked_parts", lossless)
    assert is_broken(laws.nothing_before_its_supply)


def test_a_lot_that_never_expires_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The last day of a lot is forgotten."""
    honest = Timeline.add
    monkeypatch.setattr(Timeline, "add", lambda self, day, quantity, *_: honest(self, day, quantity))
    assert is_broken(laws.nothing_before_its_supply)


def test_work_before_the_deposit_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The planner begins on the bench's first day, whoever paid."""
    honest = insertion.Insertion.__init__

    def eager(self: Any, shop: Shop, on: Any, demand: Any, *rest: Any) -> None:
        honest(self, shop, on, replace(demand, starts_from=None), *rest)

    monkeypatch.setattr(insertion.Insertion, "__init__", eager)
    assert is_broken(laws.nothing_begins_before_its_deposit)


def test_planning_again_that_leaves_work_before_the_deposit_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A deposit that is late moves nothing."""
    monkeypatch.setattr(mending, "_since_deposit", lambda plan, _: plan)
    assert is_broken(laws.a_late_deposit_moves_the_work)


def test_leaving_before_it_is_wanted_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is ready leaves."""
    monkeypatch.setattr(insertion.Insertion, "_leaves", lambda self, ready: self.bench.calendar.work_from(ready))
    assert is_broken(laws.nothing_leaves_before_it_is_wanted)


def test_work_that_waits_because_it_is_not_wanted_yet_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole order moves towards the day it is wanted, and takes the room of others there."""
    honest = insertion.Insertion.__init__

    def lazy(self: Any, shop: Shop, on: Any, demand: Any, *rest: Any) -> None:
        days = [day for day in (demand.starts_from, demand.leaves_from) if day]
        honest(self, shop, on, replace(demand, starts_from=max(days, default=None)), *rest)

    monkeypatch.setattr(insertion.Insertion, "__init__", lazy)
    assert is_broken(laws.nothing_leaves_before_it_is_wanted)


def test_a_broken_tray_that_is_planned_on_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """All there is of an equipment is used, broken or not."""
    monkeypatch.setattr(Shop, "count_of", lambda self, code, _: self.catalogue.equipment[code].count)
    assert is_broken(laws.nothing_beyond_quota)


def test_a_broken_tray_is_out_for_its_days_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tray that is taken for good, from the first day on, gives room away: one that comes back is used again."""
    honest = Shop.count_of
    monday = date(2026, 3, 2)
    shop = supplies.tray_out(monday, date(2026, 3, 6))
    assert [honest(shop, "TRAY-P", date(2026, 3, day)) for day in (1, 2, 6, 7)] == [2, 1, 1, 2]


def test_the_search_accuses_nobody_without_a_mutation() -> None:
    """The real code comes through the same search unharmed."""

    def all_of_them(case: Case, steps: Sequence[laws.Accepted]) -> None:
        for law in OF_SUPPLY:
            law(case, steps)

    assert not is_broken(all_of_them)
