"""The order of work by the minute: published instances, small ones by hand, and what can't be done at all.

The hard instances (ft10, la16, all thirteen projects) are measured by `make bench`.
"""

from dataclasses import replace
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import minutes, published
from wholesale.core.production import sequence as sequencing
from wholesale.core.production.sequence import Activity, Lag, Problem, makespan, sequence
from wholesale.core.values import Refusal


def cast(key: str, minutes: int, **more: int | None) -> Activity:
    """Work that takes one pair of hands."""
    return Activity(key=key, minutes=minutes, needs={"hands": 1}, **more)  # type: ignore[arg-type]


def problem(*activities: Activity, lags: tuple[Lag, ...] = (), hands: int = 1, **weights: int) -> Problem:
    return Problem(activities=activities, capacity={"hands": hands, "tray": 1}, lags=lags, weights=weights)


# ── published ────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("name", "optimum"), [("ft06", 55), ("la01", 666), ("la02", 655), ("la06", 926)])
def test_a_published_job_shop_is_proved_optimal(name: str, optimum: int) -> None:
    """JS-1 and JS-4: Fisher & Thompson 1963; Lawrence 1984; optima as in JSPLIB."""
    shop = published.job_shop(name)

    found = sequence(shop)
    assert (found.value, found.bound, found.status) == (optimum, optimum, "proved optimal")
    assert minutes.broken(shop, found.starts) == []
    assert makespan(shop.activities, found.starts) == optimum == published.optimum("jobshop", name)


@pytest.mark.parametrize(("name", "optimum"), [("Johnson 1954", 47), ("5 jobs A-E", 35)])
def test_a_published_two_machine_shop_is_proved_optimal(name: str, optimum: int) -> None:
    """FS-3: Johnson 1954, worked example. FS-4: Heizer & Render. Source and data: tests/published/flowshop.json."""
    shop = published.two_machines(name)

    found = sequence(shop)
    assert (found.value, found.proved) == (optimum, True)
    assert minutes.broken(shop, found.starts) == []


def in_order(name: str, jobs: list[str]) -> Problem:
    """The shop with its jobs kept in one order on both machines."""
    shop = published.two_machines(name)
    kept = [Lag(f"{before}.{machine}", f"{after}.{machine}") for before, after in pairwise(jobs) for machine in (0, 1)]
    return replace(shop, lags=(*shop.lags, *kept))


def test_the_published_orders_come_to_their_published_makespans() -> None:
    """FS-3: 5 1 4 3 2 ends at 47, its reverse at 78; FS-4: B E D C A ends at 35."""
    order = published.published("flowshop", "Johnson 1954")["order"]
    assert order == ["5", "1", "4", "3", "2"]
    assert sequence(in_order("Johnson 1954", order)).value == 47
    assert sequence(in_order("Johnson 1954", order[::-1])).value == 78
    assert sequence(in_order("5 jobs A-E", ["B", "E", "D", "C", "A"])).value == 35


@pytest.mark.parametrize(
    ("name", "optimum"),
    [
        ("j301_1", 43), ("j301_2", 47), ("j301_3", 47), ("j301_4", 62), ("j301_5", 39),
        ("j301_10", 45), ("j302_1", 38), ("j3010_1", 42), ("j3011_7", 36), ("j3048_1", 63),
    ],
)  # fmt: skip
def test_a_published_project_is_proved_optimal(name: str, optimum: int) -> None:
    """RC-1 to RC-3: Kolisch & Sprecher, PSPLIB, EJOR 96 (1997) 205-216, set j30."""
    project = published.project(name)

    found = sequence(project)
    assert (found.value, found.proved) == (optimum, True)
    assert minutes.broken(project, found.starts) == []


def test_the_same_problem_has_the_same_answer() -> None:
    shop = published.job_shop("ft06")

    assert sequence(shop).starts == sequence(shop).starts


# ── small, by hand ───────────────────────────────────────────────────────────────


def test_hands_that_are_free_while_the_tray_sets_do_something_else() -> None:
    """Cast 6, the tray sets till 51; twice = 57. A pour of 36 fits between: 6 + 36 = 42 <= 51."""
    casts = [cast("a", 6), cast("b", 6)]
    trays = [Activity(key=f"tray {key}", minutes=51, needs={"tray": 1}) for key in "ab"]
    together = tuple(Lag(f"tray {key}", key, -51, -51) for key in "ab")
    day = problem(*casts, *trays, cast("pour", 36), lags=together, a=1, b=1, pour=1)

    found = sequence(day)
    # The casts end at 6 and 57, the pour at 42: 105.
    assert found.value == 105
    assert minutes.broken(day, found.starts) == []


def test_two_people_share_what_one_would_do_one_after_the_other() -> None:
    """20 + 30 + 10 by one: 60; by two: 30."""
    work = (cast("a", 20), cast("b", 30), cast("c", 10))

    assert sequence(problem(*work)).value == 60
    assert sequence(problem(*work, hands=2)).value == 30


def test_a_wait_holds_at_least_and_at_most() -> None:
    """Whip 5, pipe 30 not before 2 and not after 4 minutes; the 60 of another load go before or after, not between."""
    day = problem(cast("whip", 5), cast("pipe", 30), cast("pour", 60), lags=(Lag("whip", "pipe", 2, 4),))

    found = sequence(day)
    # 5 + 2 + 30 + 60 = 97: the two minutes of waiting can't be filled.
    assert found.value == 97
    assert minutes.broken(day, found.starts) == []


def test_weights_decide_which_load_comes_first() -> None:
    """10 and 20 minutes: with the longer one at three times the weight, 3 × 20 + 30 = 90 beats 10 + 3 × 30 = 100."""
    day = problem(cast("a", 10), cast("b", 20), a=1, b=3)

    found = sequence(day)
    assert found.value == 90
    assert found.starts == {"b": 0, "a": 20}


def test_what_is_not_proved_says_how_far_the_bound_is() -> None:
    """Next to no effort for ft10: no proof, but a bound that is not above what was found."""
    shop = published.job_shop("ft10")
    begun = {}
    minute = 0
    for one in shop.activities:
        begun[one.key], minute = minute, minute + one.minutes

    found = sequence(shop, effort=0.02, hint=begun)
    assert not found.proved
    assert found.status == f"not proved; the bound is {found.bound}"
    assert found.bound <= 930 <= found.value <= minute
    assert minutes.broken(shop, found.starts) == []


def test_no_work_is_in_order() -> None:
    assert sequence(problem()).value == 0


# ── against every order there is ─────────────────────────────────────────────────


@st.composite
def small(draw: st.DrawFn) -> Problem:
    """Three activities of at most 3 minutes, with a lag or two."""
    keys = "abc"
    activities = tuple(
        Activity(
            key=key, minutes=draw(st.integers(0, 3)), earliest=draw(st.integers(0, 2)),
            needs={"hands": draw(st.integers(0, 2)), "tray": draw(st.integers(0, 1))},
        )
        for key in keys
    )  # fmt: skip
    pairs = st.sampled_from([("a", "b"), ("b", "c"), ("a", "c"), ("c", "a")])
    lags = tuple(
        Lag(*pair, least, most if most is None else max(least, most))
        for pair, least, most in draw(
            st.lists(st.tuples(pairs, st.integers(-2, 2), st.none() | st.integers(0, 3)), max_size=2)
        )
    )
    return Problem(activities=activities, capacity={"hands": 2, "tray": 1}, lags=lags)


def best(of: Problem) -> int | None:
    """The smallest makespan among all starts up to minute 12; ``None`` where every one breaks a rule."""
    keys = [one.key for one in of.activities]
    tried = (dict(zip(keys, starts, strict=True)) for starts in product(range(13), repeat=len(keys)))
    ends = (makespan(of.activities, starts) for starts in tried if not minutes.broken(of, starts))
    return min(ends, default=None)


def found_by_us(of: Problem) -> int | None:
    """Our value, seen to be sound; ``None`` for a refusal."""
    try:
        found = sequence(of)
    except Refusal:
        return None
    assert found.proved
    assert minutes.broken(of, found.starts) == []
    return found.value


@settings(max_examples=15, deadline=None)
@given(small())
def test_nothing_is_better_among_all_orders(of: Problem) -> None:
    assert found_by_us(of) == best(of)


# ── the checks have teeth ────────────────────────────────────────────────────────


def test_a_resource_left_out_of_the_model_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: the model forgets that hands are shared."""
    day = problem(cast("a", 20), cast("b", 30))
    monkeypatch.setattr(sequencing._Model, "_share", lambda *_: None)

    assert minutes.broken(day, sequence(day).starts) == [f"2 of hands at {minute}" for minute in range(20)]


def test_a_longest_wait_left_out_of_the_model_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: a lag's most is forgotten, so that the pour may go between whipping and piping."""
    day = problem(
        cast("whip", 5),
        cast("pipe", 30),
        cast("pour", 60, latest=70),
        lags=(Lag("whip", "pipe", 0, 4),),
        whip=1,
        pour=1,
    )
    assert minutes.broken(day, sequence(day).starts) == []

    keep = sequencing._Model._keep
    monkeypatch.setattr(sequencing._Model, "_keep", lambda self, lag: keep(self, lag._replace(most=None)))
    monkeypatch.setattr(sequencing, "earliest_starts", lambda of: dict.fromkeys(of.by_key, 0))
    assert minutes.broken(day, sequence(day).starts) == ["60 minutes from whip to pipe"]


# ── what can't be done ───────────────────────────────────────────────────────────


def circle(*keys: str) -> tuple[Lag, ...]:
    return tuple(Lag(*pair) for pair in pairwise((*keys, keys[0])))


@pytest.mark.parametrize(
    ("wrong", "code", "says"),
    [
        (problem(cast("a", 600, latest=540)), "activity_too_long", "a takes 600 minutes and has 540"),
        (problem(cast("a", 5), hands=0), "no_capacity", "a needs 1 of hands, and there are 0"),
        (problem(Activity(key="a", minutes=5, needs={"oven": 1})), "no_capacity", "1 of oven, and there are 0"),
        (problem(cast("a", 1), cast("b", 1), cast("c", 1), lags=circle("a", "b", "c")), "activity_circle", "→ "),
        (problem(cast("a", 5), cast("b", 5), lags=(Lag("a", "b", 9, 4),)), "wait_turned_round", "at least 9 and at"),
        (problem(cast("a", 5), lags=(Lag("a", "b"),)), "activity_unknown", "'b', which is no activity"),
        (problem(cast("a", 5), b=1), "activity_unknown", "'b', which is no activity"),
        (problem(cast("a", 5), cast("a", 6)), "activity_twice", "same key"),
        (problem(cast("a", -5)), "activity_minutes", "0 or more"),
        # 30 of piping within 25 of whipping: end of pipe <= 5 + 25, so that it would start at 0, before whip ends.
        (
            problem(cast("whip", 5), cast("pipe", 30, latest=30), lags=(Lag("whip", "pipe"),)),
            "too_little_time", "too little time for pipe, whip",
        ),
        # Each fits by itself; both don't: 40 + 30 > 60.
        (problem(cast("a", 40, latest=60), cast("b", 30, latest=60)), "no_order", "longer day"),
    ],
)  # fmt: skip
def test_what_can_not_be_done_is_named(wrong: Problem, code: str, says: str) -> None:
    with pytest.raises(Refusal, match=says) as refused:
        sequence(wrong)
    assert refused.value.code == code


def test_a_circle_is_named_in_its_order() -> None:
    with pytest.raises(Refusal) as refused:
        sequence(problem(cast("a", 1), cast("b", 1), cast("c", 1), lags=(*circle("a", "b"), Lag("b", "c"))))
    assert "a → b → a" in refused.value.message or "b → a → b" in refused.value.message


def test_an_order_not_found_in_time_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sequencing._Model, "solved", lambda *_, **__: None)

    with pytest.raises(Refusal, match="give it more"):
        sequence(problem(cast("a", 5)))
