"""A better plan for the next weeks: kept only when it is better, and never at a promise's cost."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from tests import mossgate
from wholesale.core.production import model, window
from wholesale.core.production.check import check
from wholesale.core.production.difference import Difference, Side, difference
from wholesale.core.production.improve import Improved, Search, improve
from wholesale.core.production.plan import insert, mend
from wholesale.core.production.score import leaving_days, score
from wholesale.core.production.work import Demand, Load, Outage, Plan, Shop

SUNDAY, MONDAY, TUESDAY, WEDNESDAY, THURSDAY, FRIDAY = (date(2026, 3, day) for day in range(1, 7))
SHOP = mossgate.shop()


def search(today: date = SUNDAY, seconds: float = 1.5) -> Search:
    """Three weeks from the day after ``today``."""
    return Search(today=today, first_day=today, seconds=seconds)


def planned(shop: Shop, *orders: tuple[Demand, date], slack: int = 7) -> tuple[Plan, list[Demand]]:
    """Orders inserted one after the other, each from its own day, promised so many days after they'd leave."""
    plan, demands = Plan(), list[Demand]()
    for demand, first in orders:
        outcome = insert(shop, plan, [demand], (), first)
        plan = outcome.plan
        demands.append(replace(demand, promised=outcome.leaves() + timedelta(days=slack)))
    return plan, demands


def cups(key: str, rank: int, **other: Any) -> Demand:
    """12 succulent cups in rain garden."""
    return mossgate.demand("SUC", 12, key=key, rank=rank, **other)


def two_cups(slack: int = 7) -> tuple[Plan, list[Demand]]:
    """B1 and B2 of scenario S2, planned on different days because B2 could not begin sooner."""
    return planned(SHOP, (cups("B1", 1), TUESDAY), (cups("B2", 2), THURSDAY), slack=slack)


def loads_of(plan: Plan, equipment: str) -> int:
    return sum(1 for load in plan.loads if load.work.equipment == equipment)


def sound(shop: Shop, found: Improved, demands: Sequence[Demand]) -> bool:
    """Does the independent check find nothing at all?"""
    return check(shop, found.plan, demands, ()) == ()


# ── a better plan ────────────────────────────────────────────────────────────


def test_two_orders_come_to_share_a_pot_and_the_trays() -> None:
    """S2: 24 × 150 = 3,600 g are one pot of 3,880; 2 × 14 casts are 28, in 3 turns of 12 instead of 2 × 2."""
    plan, demands = two_cups()
    assert [loads_of(plan, code) for code in ("POT-A", "BOWL", "TRAY-R")] == [2, 2, 4]

    found = improve(SHOP, plan, demands, (), search())

    assert [loads_of(found.plan, code) for code in ("POT-A", "BOWL", "TRAY-R")] == [1, 2, 3]
    assert (found.before.loads, found.after.loads) == (8, 6)
    assert found.is_better
    assert found.because.startswith("2 loads fewer")
    assert sound(SHOP, found, demands)


def test_the_better_plan_is_at_rest() -> None:
    """Planning again finds nothing to mend in it."""
    plan, demands = two_cups()
    found = improve(SHOP, plan, demands, (), search())
    assert mend(SHOP, found.plan, demands, (), MONDAY, MONDAY).placed == ()


def test_a_late_order_is_brought_back_in_time_before_any_load_is_saved() -> None:
    """B2, poured on Fri 6 and piped on Mon 9, leaves on Thu 19; it was promised for Mon 16, as if begun on Tuesday."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), (cups("B2", 2), FRIDAY), slack=0)
    early = insert(SHOP, Plan(), [demands[1]], (), TUESDAY).leaves()
    demands[1] = replace(demands[1], promised=early)
    assert score(SHOP, plan, demands).late_orders == 1

    found = improve(SHOP, plan, demands, (), search())

    assert (found.after.late_orders, found.after.late_days) == (0, 0)
    assert sound(SHOP, found, demands)


def test_scents_are_gathered_so_that_pots_are_changed_less() -> None:
    """Two scents on each of two days are two changeovers; one scent a day, or all in fewer pots, are none."""
    orders = [(mossgate.demand("FRN", 24, scent, key=f"{scent}{day}", rank=n), day) for n, (scent, day) in enumerate(
        [("RG", TUESDAY), ("CF", TUESDAY), ("RG", THURSDAY), ("CF", THURSDAY)], start=1)]  # fmt: skip
    plan, demands = planned(SHOP, *orders)
    found = improve(SHOP, plan, demands, (), search())
    assert found.before.changeovers == 2
    assert found.after.changeovers < 2 or found.after.loads < found.before.loads
    assert found.after.rank < found.before.rank
    assert sound(SHOP, found, demands)


# ── kept only when it is better ──────────────────────────────────────────────


def test_a_plan_that_can_not_be_better_is_kept_as_it_is() -> None:
    """12 cups in one pot, one bowl and two turns: there is nothing to save."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), slack=0)
    found = improve(SHOP, plan, demands, (), search())
    assert found.plan is plan
    assert not found.is_better


def test_an_empty_plan_has_nothing_to_move() -> None:
    found = improve(SHOP, Plan(), [], (), search())
    assert (found.plan, found.because) == (Plan(), "There was nothing that could move.")


def test_a_plan_that_no_longer_fits_has_to_be_made_again_first() -> None:
    """The pot is out of use: what stands in it breaks its quota, and is not rearranged but mended."""
    plan, demands = two_cups()
    broken = replace(SHOP, outages=(Outage(equipment="POT-A", count=1, first=MONDAY),))
    found = improve(broken, plan, demands, (), search())
    assert found.plan is plan
    assert "made again" in found.because


def test_the_same_plan_in_gives_the_same_plan_out() -> None:
    plan, demands = two_cups()
    first, second = (improve(SHOP, plan, demands, (), search()) for _ in range(2))
    assert first == second


# ── what stays ───────────────────────────────────────────────────────────────


def test_today_is_frozen() -> None:
    """On Tuesday B1's pot and casts stay on Tuesday; B2 may still join its other steps."""
    plan, demands = two_cups()
    found = improve(SHOP, plan, demands, (), search(today=TUESDAY))
    assert [load for load in found.plan.loads if load.day == TUESDAY] == [
        load for load in plan.loads if load.day == TUESDAY
    ]
    assert sound(SHOP, found, demands)


def test_what_is_begun_or_done_stays() -> None:
    plan, demands = two_cups()
    settled = [replace(load, begun=load.work.equipment == "POT-A" and load.day == THURSDAY) for load in plan.loads]
    plan = replace(plan, loads=tuple(settled))
    found = improve(SHOP, plan, demands, (), search())
    assert [load for load in found.plan.loads if load.begun] == [load for load in plan.loads if load.begun]


def test_nothing_beyond_the_window_moves() -> None:
    """A window of two days ahead of Sunday holds Tuesday's loads, and nothing of B2's."""
    plan, demands = two_cups()
    found = improve(SHOP, plan, demands, (), replace(search(), days=2))
    assert [load for load in found.plan.loads if load.day > TUESDAY] == [
        load for load in plan.loads if load.day > TUESDAY
    ]


def test_nothing_begins_before_its_deposit() -> None:
    """B2 waits for its deposit until Thursday: the pot is shared then, not before."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), (cups("B2", 2, starts_from=THURSDAY), THURSDAY))
    found = improve(SHOP, plan, demands, (), search())
    days = [load.day for load in found.plan.loads for portion in load.portions if portion.demand == "B2"]
    assert loads_of(found.plan, "POT-A") == 1
    assert min(days) >= THURSDAY
    assert sound(SHOP, found, demands)


def test_a_promise_is_never_broken_to_save_work() -> None:
    """B1 has to be piped by Fri 6 to leave on Mon 16, and B2 can't be poured before: no pot is shared."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), (cups("B2", 2, starts_from=FRIDAY), FRIDAY), slack=0)
    found = improve(SHOP, plan, demands, (), search())
    assert loads_of(found.plan, "POT-A") == 2
    leaves = leaving_days(SHOP, found.plan, demands)
    assert all(leaves[demand.key] <= demand.promised for demand in demands if demand.promised)


# ── the guards have teeth ────────────────────────────────────────────────────


def forgetful(monkeypatch: pytest.MonkeyPatch, limit: str) -> tuple[Plan, list[Demand], Improved]:
    """What comes of it when the search forgets one of its limits.

    B1 leaves in time when it is poured on Tuesday; B2 can't be begun before Wednesday.
    """
    monkeypatch.setattr(model.Model, limit, lambda *_: None)
    late = cups("B2", 2, starts_from=WEDNESDAY)
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), (late, WEDNESDAY), slack=0)
    return plan, demands, improve(SHOP, plan, demands, (), search())


@pytest.mark.parametrize("limit", ["_hands", "_quotas", "_wait_most"])
def test_a_search_that_forgets_a_limit_does_no_harm(monkeypatch: pytest.MonkeyPatch, limit: str) -> None:
    """What it finds is sound by chance, or the check throws it away."""
    plan, demands, found = forgetful(monkeypatch, limit)
    assert found.plan is plan or sound(SHOP, found, demands)


@pytest.mark.parametrize(("limit", "rule"), [("_wait_least", "needs 1"), ("_levels", "too few")])
def test_a_search_that_forgets_the_night_or_the_casts_is_found_out(
    monkeypatch: pytest.MonkeyPatch, limit: str, rule: str
) -> None:
    """B1 poured on Wednesday would share B2's pot, and have no night before it is piped; so with casts made later."""
    plan, _, found = forgetful(monkeypatch, limit)
    assert found.plan is plan
    assert "not kept" in found.because
    assert rule in found.because


def test_a_search_that_may_break_promises_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both poured on Friday share a pot, and B1 leaves on Thu 19 instead of Mon 16."""
    monkeypatch.setattr(window.Window, "_last_day", lambda *_: date.max)
    monkeypatch.setattr(model.Model, "_promises", lambda _: model.Sum())
    late = cups("B2", 2, starts_from=FRIDAY)
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), (late, FRIDAY), slack=0)
    found = improve(SHOP, plan, demands, (), search())
    assert found.plan is plan
    assert found.because == "No better plan was found."


# ── what moved ───────────────────────────────────────────────────────────────


def sides(before: Plan, after: Plan, demands: Iterable[Demand]) -> tuple[Side, Side]:
    known = list(demands)
    return Side(before, leaving_days(SHOP, before, known)), Side(after, leaving_days(SHOP, after, known))


def moved(plan: Plan, step: str, day: date, to: date) -> Plan:
    return replace(plan, loads=tuple(
        replace(load, day=to) if load.day == day and load.portions[0].operation == step else load
        for load in plan.loads))  # fmt: skip


def test_a_difference_says_what_moved_and_whom_it_touches() -> None:
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    later = moved(plan, "pipe", date(2026, 3, 4), THURSDAY)

    found = difference(SHOP.catalogue, *sides(plan, later, demands), {"B1": "W-1001"})

    assert [move.words(TUESDAY) for move in found.moves] == [
        "Pipe moss, 12 × Succulent cup, Rain garden: Wed 4 Mar → Thu 5 Mar"
    ]
    # Piped on Wed 4 they are sellable on Sat 14, piped on Thu 5 on Sun 15: both leave on Mon 16.
    assert [(one.whom, one.words(TUESDAY)) for one in found.touched] == [("W-1001", "still leaves Mon 16 Mar")]


def test_a_day_later_is_told_as_such() -> None:
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    later = moved(plan, "pipe", date(2026, 3, 4), date(2026, 3, 9))
    (touched,) = difference(SHOP.catalogue, *sides(plan, later, demands), {}).touched
    # Mon 9 and 10 days are Thu 19.
    assert touched.words(TUESDAY) == "leaves Thu 19 Mar, 3 days later than Mon 16 Mar"


def test_a_day_of_another_year_says_so() -> None:
    """Told in December 2025."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    found = difference(SHOP.catalogue, *sides(plan, moved(plan, "pipe", WEDNESDAY, THURSDAY), demands), {})

    assert found.moves[0].words(date(2025, 12, 31)).endswith(": Wed 4 Mar 2026 → Thu 5 Mar 2026")


def test_a_move_that_was_stored_without_its_name_shows_its_code() -> None:
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    stored = difference(SHOP.catalogue, *sides(plan, Plan(), demands), {}).to_json()
    assert Difference.from_json(stored).to_json() == stored

    for move in stored["moves"]:
        del move["name"]

    assert {move.name for move in Difference.from_json(stored).moves} == {"SUC RG", "ROSETTE"}


def test_pieces_in_another_load_of_the_same_day_have_not_moved() -> None:
    plan, demands = two_cups()
    shuffled = replace(plan, loads=tuple(reversed(plan.loads)))
    assert difference(SHOP.catalogue, *sides(plan, shuffled, demands), {}) == Difference()


def test_what_is_planned_anew_or_no_more_is_told() -> None:
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    found = difference(SHOP.catalogue, *sides(plan, Plan(), demands), {})
    assert "Pour base, 12 × Succulent cup, Rain garden: no longer on Tue 3 Mar" in [
        move.words(TUESDAY) for move in found.moves
    ]
    back = difference(SHOP.catalogue, *sides(Plan(), plan, demands), {})
    assert "Pour base, 12 × Succulent cup, Rain garden: new on Tue 3 Mar" in [
        move.words(TUESDAY) for move in back.moves
    ]


def test_a_difference_comes_back_from_its_json_as_it_was() -> None:
    plan, demands = two_cups()
    found = improve(SHOP, plan, demands, (), search())
    told = difference(SHOP.catalogue, *sides(plan, found.plan, demands), {"B1": "W-1001"})
    assert told.moves
    assert Difference.from_json(told.to_json()) == told


# ── the score ────────────────────────────────────────────────────────────────


def test_the_score_adds_up() -> None:
    """One order 3 days late: 10,000 + 3 × 100, and what holds an equipment: a pot, a bowl, two turns of the tray."""
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY), slack=-3)
    found = score(SHOP, plan, demands)
    assert (found.late_orders, found.late_days, found.loads, found.changeovers) == (1, 3, 4, 0)
    assert found.scalar == 10_000 + 300 + 4
    # Bases and casts of Tuesday go on on Wednesday: 12 bases × 1 night; casts usable on Wednesday are used then.
    assert found.waiting >= 12


def test_an_order_of_two_lines_is_late_once() -> None:
    plan, demands = planned(
        SHOP, (cups("a", 7), TUESDAY), (mossgate.demand("PEB", 6, key="b", rank=7), TUESDAY), slack=-1
    )
    assert score(SHOP, plan, demands).late_orders == 1


def test_done_loads_are_no_work_any_more() -> None:
    plan, demands = planned(SHOP, (cups("B1", 1), TUESDAY))
    done = Plan(loads=tuple(replace(load, done=True) for load in plan.loads))
    assert score(SHOP, done, demands).loads == 0


def a_load(loads: Iterable[Load], equipment: str) -> Load:
    return next(load for load in loads if load.work.equipment == equipment)


def test_a_load_that_moves_keeps_its_row() -> None:
    """Rows carry batch sheets and history: a load of the same work takes them over."""
    plan, demands = two_cups()
    numbered = replace(plan, loads=tuple(replace(load, ref=n) for n, load in enumerate(plan.loads, start=1)))
    found = improve(SHOP, numbered, demands, (), search())
    refs = [load.ref for load in found.plan.loads if load.ref is not None]
    assert len(refs) == len(set(refs))
    assert a_load(found.plan.loads, "POT-A").ref in {
        load.ref for load in numbered.loads if load.work.equipment == "POT-A"
    }
