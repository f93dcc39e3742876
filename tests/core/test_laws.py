"""The laws, each held against two hundred random cases: the same ones on every machine."""

from collections.abc import Sequence
from datetime import date
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests import laws, strategies
from tests.strategies import LAWS, Case
from wholesale.core.pricing import Account, Goods, Offer, Terms


@LAWS
@given(strategies.cases())
def test_orders_accepted_one_after_the_other_keep_each_law(case: Case) -> None:
    """Each law, for any bench, calendar and stock, after each of up to four orders; what fails is named by its law."""
    steps = laws.accepted(case)
    for law in laws.OF_ACCEPTING:
        law(case, steps)


@LAWS
@given(strategies.cases(most_orders=3))
def test_a_promise_is_never_earlier_than_a_feasible_plan(case: Case) -> None:
    laws.a_promise_is_a_feasible_plan(case)


@LAWS
@given(strategies.cases(most_orders=1))
def test_a_single_piece_is_promised_for_the_earliest_day_there_is(case: Case) -> None:
    laws.one_piece_leaves_as_soon_as_it_can(case)


@LAWS
@given(strategies.cases(most_orders=3))
def test_the_same_input_gives_the_same_plan(case: Case) -> None:
    laws.same_input_same_plan(case)


@LAWS
@given(strategies.histories())
def test_planning_again_mends_leaves_the_untouched_alone_and_is_at_rest(case: Case) -> None:
    laws.planning_again_mends(case)
    laws.planning_again_leaves_the_rest_alone(case)
    laws.planning_again_twice_changes_nothing(case)


@LAWS
@given(strategies.cases())
def test_a_withdrawn_order_frees_its_pieces_and_harms_nobody(case: Case) -> None:
    laws.withdrawing_frees_without_harm(case, laws.accepted(case))


@LAWS
@given(st.integers(-10_000, 10_000), st.lists(st.integers(0, 500), min_size=1, max_size=9))
def test_shares_always_sum_to_the_whole(total: int, weights: Sequence[int]) -> None:
    laws.shares_sum_to_the_whole(total, weights)


@LAWS
@given(
    strategies.baskets(),
    strategies.terms(),
    st.sampled_from([None, date(2025, 6, 1)]),
    st.sampled_from(["", "certificate"]),
)
def test_all_amounts_of_a_priced_basket_add_up(
    goods: tuple[Goods, ...], terms: Terms, last: date | None, exempt: str
) -> None:
    laws.amounts_add_up(goods, terms, Account(last_order_on=last, tax_exempt_because=exempt))


@LAWS
@given(strategies.around_a_tier())
def test_more_goods_never_cost_less_but_where_a_tier_begins(amounts: tuple[D, D, Terms]) -> None:
    laws.more_goods_never_cost_less(*amounts)


@LAWS
@given(strategies.amounts(), strategies.terms())
def test_marginal_tiers_never_give_more_than_whole_order_tiers(amount: D, terms: Terms) -> None:
    laws.marginal_never_beats_whole_order(amount, terms)


@LAWS
@given(strategies.baskets(), strategies.terms(), strategies.offers())
def test_a_closer_closes_its_gap_and_nothing_cheaper_does(
    goods: tuple[Goods, ...], terms: Terms, offers: tuple[Offer, ...]
) -> None:
    laws.a_closer_closes_and_one_case_less_does_not(goods, terms, offers)


def test_a_broken_law_says_what_it_found() -> None:
    with pytest.raises(AssertionError, match="seven"):
        laws.hold(sound=False, found="seven")
