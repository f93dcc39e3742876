"""Packing by the case: what is ready, what waits, and from which lots it is taken."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wholesale.core.shipping import (
    Held,
    LineShelf,
    ScentShelf,
    Taken,
    missing_pieces,
    ready_cases,
    ready_pieces,
    refuse_cases,
    take,
)
from wholesale.core.values import Refusal

TODAY = date(2026, 3, 16)
DAY = timedelta(days=1)


def made(pieces: int, usable_on: date = TODAY, key: int = 1, lot: str = "B-1001") -> Held:
    """Pieces made for the order."""
    return Held(key=key, lot=lot, usable_on=usable_on, pieces=pieces, from_stock=False)


def picked(pieces: int, usable_on: date = TODAY, key: int = 9, lot: str = "B-0900") -> Held:
    """Pieces reserved from stock."""
    return Held(key=key, lot=lot, usable_on=usable_on, pieces=pieces, from_stock=True)


def scent(*held: Held, per_case: int = 6, finished: int | None = None, name: str = "RG") -> ScentShelf:
    """One scent of a line; without ``finished`` its making ends with the cure step."""
    return ScentShelf(scent=name, per_case=per_case, held=held, finished=finished)


def line(*scents: ScentShelf, cases_open: int = 2, key: int = 7) -> LineShelf:
    """A line of pebble jars."""
    return LineShelf(key=key, name="Pebble jar", cases_open=cases_open, scents=scents)


def test_the_oldest_lot_leaves_first() -> None:
    old, new = made(4, TODAY - DAY, 2, "B-1001"), made(10, TODAY, 1, "B-1002")

    # 4 of the older lot, 6 − 4 = 2 of the newer
    assert take(scent(new, old), 6, TODAY) == (Taken(2, 4), Taken(1, 2))


def test_what_is_still_curing_stays() -> None:
    shelf = scent(made(6), made(6, TODAY + DAY, 2))

    assert ready_pieces(shelf, TODAY) == 6
    assert ready_pieces(shelf, TODAY + DAY) == 12


def test_made_pieces_leave_only_as_far_as_they_are_finished() -> None:
    assert ready_pieces(scent(made(12), finished=7), TODAY) == 7
    assert ready_pieces(scent(made(12), finished=0), TODAY) == 0
    assert ready_pieces(scent(made(12), finished=20), TODAY) == 12
    assert ready_pieces(scent(made(12), finished=None), TODAY) == 12


def test_finished_pieces_are_counted_once_over_two_lots() -> None:
    """7 finished: 4 of the first lot, 3 of the second."""
    shelf = scent(made(4, TODAY - DAY, 1), made(10, TODAY, 2), finished=7)

    assert take(shelf, 14, TODAY) == (Taken(1, 4), Taken(2, 3))


def test_pieces_from_stock_need_no_more_finishing() -> None:
    """6 from stock, and 2 finished of the 6 made."""
    assert ready_pieces(scent(made(6), picked(6), finished=2), TODAY) == 8


def test_a_case_is_ready_when_every_scent_in_it_is() -> None:
    """S1's mix, 2 of each scent in a case: 4 RG make 2 cases, 3 CF make 1."""
    mixed = line(
        scent(made(4), per_case=2), scent(made(3), per_case=2, name="CF"), scent(made(9), per_case=2, name="WS")
    )

    assert ready_cases(mixed, TODAY) == 1
    # 2 open cases need 4 CF; 3 are there
    assert missing_pieces(mixed, TODAY) == {"CF": 1}


def test_a_broken_case_does_not_leave() -> None:
    """11 pieces of a case of 6 are one case; 5 stay."""
    assert ready_cases(line(scent(made(11))), TODAY) == 1


def test_never_more_cases_are_ready_than_are_open() -> None:
    assert ready_cases(line(scent(made(60)), cases_open=2), TODAY) == 2
    assert ready_cases(line(scent(made(60)), cases_open=0), TODAY) == 0


def refusal(asked: dict[int, int], shelf: LineShelf) -> Refusal:
    """What the trade says to packing so many cases."""
    with pytest.raises(Refusal) as refused:
        refuse_cases(asked, [shelf], TODAY)
    return refused.value


def test_packing_more_than_is_ready_names_the_line_and_what_is_ready() -> None:
    said = refusal({7: 2}, line(scent(made(11))))

    assert said.code == "not_ready"
    assert said.message == "Pebble jar: 1 case is ready, not 2; pack what is ready and let the rest wait."
    assert said.field == "cases-7"
    assert said.facts == {"ready": 1, "missing": {"RG": 1}}


def test_packing_when_nothing_is_ready_says_so() -> None:
    assert refusal({7: 1}, line(scent(made(5)))).message.startswith("Pebble jar: no case is ready, not 1;")


def test_packing_more_than_is_open_is_refused() -> None:
    said = refusal({7: 3}, line(scent(made(60))))

    assert (said.code, said.facts) == ("more_than_open", {"open": 2})
    assert said.message == "Pebble jar: 3 cases are more than the 2 still open; type at most that."


@pytest.mark.parametrize("asked", [{}, {7: 0}])
def test_packing_nothing_is_refused(asked: dict[int, int]) -> None:
    assert refusal(asked, line(scent(made(60)))).code == "nothing_packed"


def test_fewer_than_no_cases_are_refused() -> None:
    assert refusal({7: -1}, line(scent(made(60)))).code == "cases"


def test_a_line_of_another_order_is_refused() -> None:
    assert refusal({8: 1}, line(scent(made(60)))).code == "unknown_line"


def test_what_is_ready_may_be_packed_and_the_rest_waits() -> None:
    shelf = line(scent(made(11)))

    refuse_cases({7: 1}, [shelf], TODAY)  # raises nothing

    assert missing_pieces(shelf, TODAY) == {"RG": 1}


HELD = st.builds(
    Held,
    key=st.integers(1, 10**6),
    lot=st.sampled_from(["B-1001", "B-1002", "B-1003"]),
    usable_on=st.integers(-5, 5).map(lambda days: TODAY + days * DAY),
    pieces=st.integers(0, 40),
    from_stock=st.booleans(),
)


@settings(max_examples=300, deadline=None)
@given(
    held=st.lists(HELD, max_size=6, unique_by=lambda h: h.key),
    finished=st.none() | st.integers(0, 80),
    wanted=st.integers(0, 120),
)
def test_taking_never_exceeds_what_is_there_sellable_and_finished(
    held: list[Held], finished: int | None, wanted: int
) -> None:
    by_key = {part.key: part for part in held}
    shelf = scent(*held, finished=finished)

    taken = take(shelf, wanted, TODAY)

    assert sum(part.pieces for part in taken) == min(wanted, ready_pieces(shelf, TODAY))
    for part in taken:
        assert 0 < part.pieces <= by_key[part.key].pieces
        assert by_key[part.key].usable_on <= TODAY
    made_taken = sum(part.pieces for part in taken if not by_key[part.key].from_stock)
    assert finished is None or made_taken <= finished
    # Independently: what stock holds, and the made pieces as far as finished.
    sellable = [h for h in held if h.usable_on <= TODAY]
    stock = sum(h.pieces for h in sellable if h.from_stock)
    made_there = sum(h.pieces for h in sellable if not h.from_stock)
    assert ready_pieces(shelf, TODAY) == stock + (made_there if finished is None else min(made_there, finished))


@settings(max_examples=200, deadline=None)
@given(
    pieces=st.lists(st.tuples(st.integers(1, 12), st.integers(0, 60)), min_size=1, max_size=3),
    cases_open=st.integers(0, 12),
)
def test_ready_cases_are_whole_and_one_more_would_be_too_many(pieces: list[tuple[int, int]], cases_open: int) -> None:
    shelf = line(*(scent(made(there), per_case=each) for each, there in pieces), cases_open=cases_open)

    ready = ready_cases(shelf, TODAY)

    assert all(ready * each <= there for each, there in pieces)
    assert ready == cases_open or any((ready + 1) * each > there for each, there in pieces)
