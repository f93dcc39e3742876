"""The laws have teeth: each small fault put into the code makes its law fail on the very same kind of cases.

Every test seeds one mutation (an off-by-one, a lost remainder, a forgotten rule) by
replacing a function of the real code, and shows that the law finds a counterexample.
"""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal as D
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests import laws, strategies
from tests.strategies import LAWS, Case
from wholesale.core import pricing, values
from wholesale.core.catalogue import NO_LIMIT, Catalogue
from wholesale.core.pricing import Account
from wholesale.core.production import course, insertion, making, mending, plan, tasks, work
from wholesale.core.production import promise as promising
from wholesale.core.production.bench import Bench
from wholesale.core.production.calendar import ONE_DAY, Calendar
from wholesale.core.production.work import Plan
from wholesale.core.stock import Timeline

Law = Callable[[Case, Sequence[laws.Accepted]], None]
#: Look for one counterexample, longer than the laws do; making it small is for people, not for this proof.
SEARCH = settings(LAWS, max_examples=500, phases=[Phase.generate], report_multiple_bugs=False, print_blob=False)


def is_broken(law: Callable[..., None], *examples: st.SearchStrategy[Any], search: settings = SEARCH) -> bool:
    """Whether the law fails on one of its cases."""

    @search
    @given(st.tuples(*examples))
    def run(example: tuple[Any, ...]) -> None:
        law(*example)

    try:
        run()
    except AssertionError:
        return True
    return False


def is_broken_by_accepting(law: Law, search: settings = SEARCH) -> bool:
    """Whether a law of accepted orders fails on one of its cases."""
    return is_broken(lambda case: law(case, laws.accepted(case)), strategies.cases(), search=search)


# ── room and minutes ─────────────────────────────────────────────────────────


def test_one_piece_too_many_in_the_equipment_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """equipment_room says one more than there is, so that one load too many is started."""
    honest = Bench.equipment_room
    monkeypatch.setattr(Bench, "equipment_room", lambda self, task, day: honest(self, task, day) + 1)
    assert is_broken_by_accepting(laws.nothing_beyond_quota)


def test_a_pot_filled_without_its_loss_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A load's grams are taken as if nothing were lost: 4,000 g instead of 3,880 g net."""
    honest = tasks._size_of

    def full(catalogue: Catalogue, task: tasks.Task) -> tasks.Size:
        size = honest(catalogue, task)
        return size._replace(net_room=size.net_room and size.net_room / D("0.97"))

    monkeypatch.setattr(tasks, "_size_of", full)
    assert is_broken_by_accepting(laws.nothing_beyond_quota)


def test_loads_of_two_scents_in_one_pot_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work forgets the scent of its melt."""
    honest = work.work_of
    monkeypatch.setattr(tasks, "work_of", lambda sku, *rest: honest(sku._replace(scent=""), *rest))
    assert is_broken_by_accepting(laws.nothing_beyond_quota)


def test_hands_that_are_not_counted_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """hands_room never binds."""
    monkeypatch.setattr(Bench, "hands_room", lambda *_: NO_LIMIT)
    assert is_broken_by_accepting(laws.no_hand_beyond_its_minutes)


def test_minutes_of_a_load_left_out_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The minutes a load takes by itself are not taken off before pieces are counted."""
    honest = Bench._hands_room_by_load
    monkeypatch.setattr(Bench, "_hands_room_by_load", lambda *given: honest(*given) + 1)
    assert is_broken_by_accepting(laws.no_hand_beyond_its_minutes)


def test_work_on_a_market_day_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The room forgets to ask whether it is a work day, where minutes are not counted."""

    def room(self: Bench, task: tasks.Task, day: date) -> int:
        return 0 if day < self.first_day else self.equipment_room(task, day)

    monkeypatch.setattr(Bench, "room", room)
    assert is_broken_by_accepting(laws.no_hand_beyond_its_minutes)


def test_work_before_the_first_day_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench believes it may begin a day earlier."""
    honest = Bench.__init__

    def early(self: Bench, shop: Any, of: Plan, stock: Any, first_day: date) -> None:
        honest(self, shop, of, stock, first_day - ONE_DAY)

    monkeypatch.setattr(Bench, "__init__", early)
    assert is_broken_by_accepting(laws.nothing_is_planned_in_the_past)


# ── waits ────────────────────────────────────────────────────────────────────


def test_a_night_too_few_before_the_topping_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """days_back offers the day after the last that is early enough."""
    honest = tasks.days_back
    monkeypatch.setattr(making, "days_back", lambda step, day: [d + ONE_DAY for d in honest(step, day)])
    assert is_broken_by_accepting(laws.every_wait_is_kept)


def test_a_base_that_sets_too_long_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """days_back offers the latest day last, and one day beyond the longest wait first."""
    honest = tasks.days_back

    def too_long(step: Any, day: date) -> list[date]:
        days = honest(step, day)
        return [days[-1] - ONE_DAY, *reversed(days)]

    monkeypatch.setattr(making, "days_back", too_long)
    assert is_broken_by_accepting(laws.every_wait_is_kept)


def test_finishing_a_day_too_soon_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """usable_on counts one night less, on the planner's side only."""
    honest = tasks.usable_on
    for where in (making, insertion):
        monkeypatch.setattr(where, "usable_on", lambda step, day: max(day, honest(step, day) - ONE_DAY))
    assert is_broken_by_accepting(laws.every_wait_is_kept)


# ── need and parts ───────────────────────────────────────────────────────────


def test_a_piece_that_is_forgotten_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The planner makes one piece less than a demand of more than one asks for."""
    honest = insertion.Insertion.__init__

    def short(self: Any, shop: Any, of: Any, demand: Any, *rest: Any) -> None:
        honest(self, shop, of, replace(demand, pieces=max(1, demand.pieces - 1)), *rest)

    monkeypatch.setattr(insertion.Insertion, "__init__", short)
    assert is_broken_by_accepting(laws.need_pegged_is_need_demanded)


def test_casts_rounded_down_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """27 good at a yield of 0.95 are started as 28 instead of 29: floor instead of ceiling."""
    monkeypatch.setattr(making, "ceil_div", lambda a, b: int(Fraction(a) // Fraction(b)))
    assert is_broken_by_accepting(laws.loads_cover_need)


def test_parts_taken_from_a_later_need_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """free_on looks at the balance of the day alone, not at what is spoken for later."""

    def today_only(self: Timeline, day: date) -> Fraction:
        return max(Fraction(0), sum((q for then, q in self.changes if then <= day), Fraction(0)))

    monkeypatch.setattr(Timeline, "free_on", today_only)
    assert is_broken_by_accepting(laws.loads_cover_need)


def test_stock_promised_twice_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Picks of earlier orders are not taken off the stock."""
    honest = Bench.__init__

    def forgetful(self: Bench, shop: Any, of: Plan, stock: Any, first_day: date) -> None:
        honest(self, shop, replace(of, picks=()), stock, first_day)
        self.picks = list(of.picks)

    monkeypatch.setattr(Bench, "__init__", forgetful)
    assert is_broken_by_accepting(laws.loads_cover_need)


# ── promises ─────────────────────────────────────────────────────────────────


def test_a_promise_a_day_too_early_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The leaving day is the sellable day itself, market day or not."""
    monkeypatch.setattr(Calendar, "work_from", lambda _, day, *__: day)
    assert is_broken(laws.a_promise_is_a_feasible_plan, strategies.cases(most_orders=3))


def test_a_promise_that_forgets_the_cure_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The cure counts one day less than it takes."""
    honest = insertion.Insertion._finish

    def hasty(self: Any, day: date, sellable: date, *rest: Any) -> Any:
        return honest(self, day, max(day, sellable - ONE_DAY), *rest)

    monkeypatch.setattr(insertion.Insertion, "_finish", hasty)
    assert is_broken(laws.a_promise_is_a_feasible_plan, strategies.cases(most_orders=3))


def test_a_promise_without_its_binding_gate_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """No gate is marked as the one that binds."""
    monkeypatch.setattr(promising, "_mark_binding", tuple)
    assert is_broken(laws.a_promise_is_a_feasible_plan, strategies.cases(most_orders=3))


def test_a_day_given_away_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The planner never uses the first day, so a single piece leaves later than it could."""
    honest = Bench.room
    monkeypatch.setattr(Bench, "room", lambda self, task, day: 0 if day == self.first_day else honest(self, task, day))
    assert is_broken(laws.one_piece_leaves_as_soon_as_it_can, strategies.cases(most_orders=1))


def test_an_order_that_moves_earlier_loads_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Taking over the plan puts every topping of others a day later."""
    honest = Bench._take_over

    def moved(self: Bench, load: Any) -> None:
        honest(self, replace(load, day=load.day + ONE_DAY) if load.work.equipment == "BOWL" else load)

    monkeypatch.setattr(Bench, "_take_over", moved)
    assert is_broken_by_accepting(laws.accepting_makes_nobody_late)


def test_a_plan_that_depends_on_chance_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every second time the loads come out in another order."""
    honest, turns = Bench.plan, itertools.count()

    def unsteady(self: Bench) -> Plan:
        made = honest(self)
        return replace(made, loads=made.loads[::-1]) if next(turns) % 2 else made

    monkeypatch.setattr(Bench, "plan", unsteady)
    assert is_broken(laws.same_input_same_plan, strategies.cases(most_orders=3))


# ── planning again ───────────────────────────────────────────────────────────


def test_planning_again_that_drops_overdue_pieces_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is taken up again: what nobody did is simply gone."""
    monkeypatch.setattr(mending, "remainder", plan.planned)
    assert is_broken(laws.planning_again_mends, strategies.histories())


def test_planning_again_that_forgets_rejects_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pieces that came out bad are counted as good."""
    honest = plan.remainder

    def hopeful(catalogue: Any, of: Plan, demand: Any) -> dict[int, int]:
        loads = tuple(replace(load, portions=tuple(p._replace(good=None) for p in load.portions)) for load in of.loads)
        return honest(catalogue, replace(of, loads=loads), demand)

    monkeypatch.setattr(mending, "remainder", hopeful)
    assert is_broken(laws.planning_again_mends, strategies.histories())


def test_planning_again_that_ignores_missing_parts_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Demands whose casts failed are not taken up."""
    monkeypatch.setattr(mending, "_first_short", lambda *_: None)
    assert is_broken(laws.planning_again_mends, strategies.histories())


def test_planning_again_that_keeps_loads_without_a_place_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loads stay on a day that was closed, beyond a quota or minutes that were cut."""

    def keeps(self: Bench, load: work.Load) -> bool:
        self._take_over(load)
        return load.day >= self.first_day

    monkeypatch.setattr(Bench, "keeps", keeps)
    assert is_broken(laws.planning_again_mends, strategies.histories())


def test_planning_everything_again_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Untouched demands are lifted and placed anew as well."""
    honest = plan.lift
    monkeypatch.setattr(mending, "lift", lambda of, _, catalogue: honest(of, _everyone(of), catalogue))
    monkeypatch.setattr(mending, "planned", lambda *_: {})
    assert is_broken(laws.planning_again_leaves_the_rest_alone, strategies.histories())


def test_planning_again_that_makes_finished_pieces_once_more_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A demand is placed anew whole, whatever was done of it, so that each planning again adds more."""
    honest = course.course_of
    monkeypatch.setattr(mending, "course_of", lambda goods, _plan, demand: honest(goods, Plan(), demand))
    assert is_broken(laws.planning_again_twice_changes_nothing, strategies.histories())


def _everyone(of: Plan) -> set[str]:
    return {portion.demand for load in of.loads for portion in load.portions}


def test_picks_kept_for_a_withdrawn_order_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """without() leaves the reservations of the order that fell away."""
    honest = plan.without

    def keeping(shop: Any, of: Plan, *rest: Any) -> Plan:
        return replace(honest(shop, of, *rest), picks=of.picks)

    monkeypatch.setattr(laws, "without", keeping)
    assert is_broken_by_accepting(laws.withdrawing_frees_without_harm)


# ── money ────────────────────────────────────────────────────────────────────


def test_a_share_that_loses_its_remainder_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts are cut off at whole units and the rest is lost: 100 by 3 gives 33 33 33."""

    def careless(total: int, weights: Sequence[int]) -> tuple[int, ...]:
        return tuple(int(total * Fraction(w) / (sum(weights) or 1)) for w in weights)

    monkeypatch.setattr(laws, "share", careless)
    amounts = (st.integers(-10_000, 10_000), st.lists(st.integers(0, 500), min_size=1, max_size=9))
    assert is_broken(laws.shares_sum_to_the_whole, *amounts)


def test_a_share_that_gives_the_remainder_to_one_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts are cut off and the first takes all that is left: 5 by five equal shares of 1.8 would be far off."""

    def greedy(total: int, weights: Sequence[int]) -> tuple[int, ...]:
        parts = [int(total * Fraction(w) / (sum(weights) or 1)) for w in weights]
        return (parts[0] + total - sum(parts), *parts[1:])

    monkeypatch.setattr(laws, "share", greedy)
    amounts = (st.integers(-10_000, 10_000), st.lists(st.integers(0, 500), min_size=1, max_size=9))
    assert is_broken(laws.shares_sum_to_the_whole, *amounts)


def test_line_discounts_rounded_one_by_one_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each line rounds its own share of the discount, so that the lines don't make the whole."""

    def one_by_one(total: int, weights: Sequence[D]) -> tuple[int, ...]:
        return tuple(round(total * Fraction(w) / Fraction(sum(weights) or 1)) for w in weights)

    monkeypatch.setattr(pricing, "share", one_by_one)
    accounts = st.just(Account())
    assert is_broken(laws.amounts_add_up, strategies.baskets(), strategies.terms(), accounts)


def test_tax_that_is_not_rounded_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Amounts keep fractions of a cent."""
    monkeypatch.setattr(pricing, "round_money", lambda amount, _: amount)
    assert is_broken(laws.amounts_add_up, strategies.baskets(), strategies.terms(), st.just(Account()))


def test_marginal_tiers_taken_off_the_whole_order_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tier method is ignored: whole-order cliffs appear where marginal tiers were chosen."""
    honest = pricing.tier_discount

    def whole(goods: D, terms: pricing.Terms) -> tuple[D, D, str]:
        return honest(goods, replace(terms, tier_method="whole_order"))

    monkeypatch.setattr(pricing, "tier_discount", whole)
    assert is_broken(lambda around: laws.more_goods_never_cost_less(*around), strategies.around_a_tier())


def test_marginal_tiers_that_count_a_band_twice_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The part inside each tier is taken up to the order's end instead of to the next tier."""
    honest = pricing.tier_discount

    def twice(goods: D, terms: pricing.Terms) -> tuple[D, D, str]:
        if terms.tier_method == "whole_order":
            return honest(goods, terms)
        inside = [(goods - t.from_amount) * t.percent / 100 for t in terms.tiers if goods > t.from_amount]
        return D(0), values.round_money(sum(inside, D(0)), terms.currency), ""

    monkeypatch.setattr(pricing, "tier_discount", twice)
    assert is_broken(laws.marginal_never_beats_whole_order, strategies.amounts(), strategies.terms())


def test_a_closer_with_a_case_too_many_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The search for closing cases begins one case too late."""
    honest = pricing._least_cases
    monkeypatch.setattr(pricing, "_least_cases", lambda missing, price: honest(missing, price) + 1)
    examples = (strategies.baskets(), strategies.terms(), strategies.offers())
    assert is_broken(laws.a_closer_closes_and_one_case_less_does_not, *examples)


def test_the_dearest_closer_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of several products the dearest way to close a gap is offered."""
    monkeypatch.setattr(pricing, "min", lambda found, key, default: max(found, key=key, default=default), raising=False)
    examples = (strategies.baskets(), strategies.terms(), strategies.offers())
    assert is_broken(laws.a_closer_closes_and_one_case_less_does_not, *examples)


def test_the_search_accuses_nobody_without_a_mutation() -> None:
    """The real code comes through the same search unharmed."""
    assert not is_broken(laws.shares_sum_to_the_whole, st.integers(0, 99), st.lists(st.integers(0, 9), min_size=1))
    assert not is_broken_by_accepting(laws.nothing_beyond_quota, search=LAWS)
