"""The same laws on benches with several levels, parts in grams and yields by step; and what they must notice there."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import Phase, given, settings

from tests import laws, levels
from tests.strategies import LAWS, Case
from wholesale.core.catalogue import NO_LIMIT, Catalogue, Sku
from wholesale.core.production import course, insertion, making, mending, takes, tasks
from wholesale.core.production.bench import Bench
from wholesale.core.production.takes import Taken
from wholesale.core.production.work import Load, Plan

SEARCH = settings(LAWS, max_examples=500, phases=[Phase.generate], report_multiple_bugs=False, print_blob=False)


@LAWS
@given(levels.cases())
def test_orders_accepted_one_after_the_other_keep_every_law(case: Case) -> None:
    """All laws of accepting but one: with yields more goes into a step than is asked for, which ``cover`` checks."""
    steps = laws.accepted(case)
    for law in laws.OF_ACCEPTING:
        if law is not laws.need_pegged_is_need_demanded:
            law(case, steps)
    laws.every_step_covers_the_next(case, steps)


@LAWS
@given(levels.histories())
def test_planning_again_mends_leaves_alone_and_is_at_rest(case: Case) -> None:
    """After rejects, lost days and batches that are begun and not done; those stay as they are."""
    laws.planning_again_mends(case)
    laws.planning_again_leaves_the_rest_alone(case)
    laws.planning_again_twice_changes_nothing(case)


@LAWS
@given(levels.for_the_shelf())
def test_what_is_made_for_the_shelf_is_served_last(case: Case) -> None:
    laws.the_shelf_is_served_last(case)


# ── the laws have teeth ──────────────────────────────────────────────────────


def is_broken(law: Callable[[Case], object], *, histories: bool = False) -> bool:
    """Whether a law fails on one of its cases."""

    @SEARCH
    @given(levels.histories() if histories else levels.cases())
    def run(case: Case) -> None:
        law(case)

    try:
        run()
    except AssertionError:
        return True
    return False


def test_yields_that_the_planner_forgets_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many bases are poured as candles are asked for, though some of them are lost."""
    monkeypatch.setattr(course, "yields_from", lambda item: (D(1),) * len(item.recipe.operations))
    monkeypatch.setattr(course, "step_yields", lambda item: (D(1),) * len(item.recipe.operations))
    assert is_broken(lambda case: laws.every_step_covers_the_next(case, laws.accepted(case)))


def test_a_blend_within_a_melt_that_is_overlooked_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only parts that a line names itself are made; what their melts take off the shelf is forgotten."""
    honest = takes.stocked_parts

    def shallow(catalogue: Catalogue, sku: Sku, step: Any) -> list[Taken]:
        return [part for part in honest(catalogue, sku, step) if not part.weighed]

    monkeypatch.setattr(tasks, "stocked_parts", shallow)
    assert is_broken(lambda case: laws.loads_cover_need(case, laws.accepted(case)))


def test_a_loss_of_the_blend_that_is_not_grossed_up_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A gram of whip takes 0.6 g of blend, not 0.6 / 0.97."""
    honest = takes.stocked_parts

    def lossless(catalogue: Catalogue, sku: Sku, step: Any) -> list[Taken]:
        return [p._replace(each=p.each * Fraction(97, 100)) if p.weighed else p for p in honest(catalogue, sku, step)]

    monkeypatch.setattr(tasks, "stocked_parts", lossless)
    assert is_broken(lambda case: laws.loads_cover_need(case, laws.accepted(case)))


def test_a_part_s_first_step_that_is_left_out_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rosettes are trimmed without being cast."""
    honest = making.Making._upstream

    def careless(self: Any, step: int, *rest: Any) -> bool:
        return isinstance(self, making.PartMaking) or honest(self, step, *rest)

    monkeypatch.setattr(making.Making, "_upstream", careless)
    assert is_broken(lambda case: laws.every_wait_is_kept(case, laws.accepted(case)))


def test_grams_that_are_counted_as_pieces_of_a_load_too_heavy_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A part in grams weighs nothing in its bowl."""
    honest = tasks._size_of

    def weightless(catalogue: Catalogue, task: tasks.Task) -> tasks.Size:
        return honest(catalogue, task)._replace(grams=D(0)) if not task.operation.melt else honest(catalogue, task)

    monkeypatch.setattr(tasks, "_size_of", weightless)
    monkeypatch.setattr(Bench, "equipment_room", lambda *_: NO_LIMIT)
    assert is_broken(lambda case: laws.nothing_beyond_quota(case, laws.accepted(case)))


def test_a_begun_batch_that_is_lifted_out_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only what is done counts as settled when a plan is mended."""
    monkeypatch.setattr(mending, "is_settled", lambda load: load.done)
    assert is_broken(laws.planning_again_mends, histories=True)


def test_joining_a_begun_batch_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A weighed pot is open to more pieces."""
    honest = Bench._draft

    def open_draft(self: Bench, load: Load) -> Any:
        return honest(self, replace(load, begun=False)) if load.begun else honest(self, load)

    monkeypatch.setattr(Bench, "_draft", open_draft)
    assert is_broken(laws.planning_again_mends, histories=True)


def test_rejects_that_are_not_poured_again_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was begun counts as good, whatever came of it."""
    honest = course._handed_on

    def hopeful(catalogue: Catalogue, plan: Plan, demand: Any) -> Any:
        loads = tuple(replace(x, portions=tuple(p._replace(good=None) for p in x.portions)) for x in plan.loads)
        return honest(catalogue, replace(plan, loads=loads), demand)

    monkeypatch.setattr(course, "_handed_on", hopeful)
    assert is_broken(laws.planning_again_mends, histories=True)


def test_what_is_made_for_the_shelf_and_taken_off_it_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces for the shelf are picked from the shelf."""
    honest = insertion.Insertion.__init__

    def picking(self: Any, shop: Any, on: Any, demand: Any, *rest: Any) -> None:
        honest(self, shop, on, replace(demand, for_shelf=False), *rest)

    monkeypatch.setattr(insertion.Insertion, "__init__", picking)
    assert is_broken_for_the_shelf()


def test_the_shelf_served_first_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """When all is planned again the order of service is turned round."""
    monkeypatch.setattr(mending, "sorted", lambda found, **how: sorted(found, **how)[::-1], raising=False)
    assert is_broken_for_the_shelf()


def is_broken_for_the_shelf() -> bool:
    """Whether the law of the shelf fails on one of its cases."""

    @SEARCH
    @given(levels.for_the_shelf())
    def run(case: Case) -> None:
        laws.the_shelf_is_served_last(case)

    try:
        run()
    except AssertionError:
        return True
    return False


def test_the_search_accuses_nobody_without_a_mutation() -> None:
    """The real code comes through the same search unharmed."""
    assert not is_broken_for_the_shelf()


def test_the_day_a_law_is_checked_on_is_no_day_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flow that is a day too early is a breach on these benches as well."""
    honest = tasks.usable_on

    def hasty(step: Any, day: date) -> date:
        return max(day, honest(step, day) - laws.A_DAY)

    monkeypatch.setattr(making, "usable_on", hasty)
    monkeypatch.setattr(insertion, "usable_on", hasty)
    assert is_broken(lambda case: laws.every_wait_is_kept(case, laws.accepted(case)))
