"""One day by the minute: hands, equipment, windows and waits, looked at again by code that shares nothing with it.

Mossgate (trade.md, section 6) on Thursday 5 March 2026, 08:00 to 17:00, where nothing else is said.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal as D
from fractions import Fraction
from math import ceil

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests import mossgate
from wholesale.core.catalogue import Catalogue, Equipment, Operation, Sku
from wholesale.core.production import day_line as lines
from wholesale.core.production import day_work
from wholesale.core.production.day_line import DayLine, DayLoad, Hours, Kind, Placed, day_line
from wholesale.core.production.work import Load, Portion, Work

MINUTE = timedelta(minutes=1)
THURSDAY, OPENS = date(2026, 3, 5), datetime(2026, 3, 5, 8, tzinfo=UTC)
CLOSES, MIDNIGHT = OPENS + 9 * 60 * MINUTE, OPENS + 16 * 60 * MINUTE


# ── a bench by hand ──────────────────────────────────────────────────────────────


def goods(
    step: str = "", *, equipment: Mapping[str, Mapping[str, object]] | None = None, **changes: object
) -> Catalogue:
    """Mossgate with other equipment, and with one step of every item changed."""
    found = mossgate.catalogue()
    items = {
        code: replace(item, recipe=replace(item.recipe, operations=tuple(
            replace(one, **changes) if one.code == step else one for one in item.recipe.operations  # type: ignore[arg-type]
        ))) if item.recipe else item
        for code, item in found.items.items()
    }  # fmt: skip
    benches: dict[str, Equipment] = dict(found.equipment)
    for code, more in (equipment or {}).items():
        benches[code] = replace(benches[code], **more)  # type: ignore[arg-type]
    return replace(found, items=items, equipment=benches)


def load(item: str, step: str, pieces: int, scent: str = "", demand: str = "A", ref: int = 1) -> Load:
    """A load of one portion."""
    where = {"pour": "POT-A", "pipe": "BOWL", "seal": "POT-B", "finish": ""}
    equipment = {"ROSETTE": "TRAY-R", "PEBBLE": "TRAY-P"}.get(item) or where[step]
    sku = Sku(item, scent)
    return Load(work=Work(equipment, sku, step), day=THURSDAY, portions=(Portion(demand, sku, step, pieces),), ref=ref)


def rows(*loads: Load, of: Catalogue | None = None) -> list[DayLoad]:
    catalogue = of or mossgate.catalogue()
    return [DayLoad(replace(one, ref=n), catalogue) for n, one in enumerate(loads, 1)]


def hours(minutes: int | None = 360, *, now: int = 0, out: Mapping[str, int] | None = None) -> Hours:
    """The day from ``now`` minutes after opening on; 360 minutes between 08:00 and 17:00 are one person's."""
    return Hours(
        opens=OPENS, closes=CLOSES, first=OPENS + now * MINUTE, last=MIDNIGHT, minutes={"bench": minutes}, out=out or {}
    )


def clock(one: Placed) -> tuple[str, str]:
    return f"{one.begins:%H:%M}", f"{one.ends:%H:%M}"


def clocks(line: DayLine) -> list[tuple[int | None, str, str]]:
    return [(one.load.ref, *clock(one)) for one in line.placed]


# ── looked at again ──────────────────────────────────────────────────────────────


def broken(of: Sequence[DayLoad], day: Hours, line: DayLine) -> list[str]:
    """Every rule of the day that the line breaks."""
    found = [*_once(of, line), *_hands(of, day, line), *_equipment(of, day, line)]
    return [*found, *_windows(of, line), *_waits(of, day, line)]


def _steps(row: DayLoad) -> list[tuple[Operation, int]]:
    steps = {(p.sku.item, step.code): step for p in row.load.portions for step in row.goods.steps(p.sku.item)}
    return [(steps[p.sku.item, p.operation], p.pieces) for p in row.load.portions]


def _once(of: Sequence[DayLoad], line: DayLine) -> Iterator[str]:
    shown = Counter([one.load.ref for one in line.placed] + [one.load.ref for one in line.left_out])
    if shown != Counter(row.load.ref for row in of if not row.load.done):
        yield f"shown {dict(shown)}"


def _hands(of: Sequence[DayLoad], day: Hours, line: DayLine) -> Iterator[str]:
    """No hand in two places, none before the day begins or after it ends, none too short for its pieces."""
    by_ref = {row.load.ref: row for row in of}
    busy: Counter[tuple[str, datetime]] = Counter()
    for one in line.placed:
        asked = sum((step.minutes_per_piece * n for step, n in _steps(by_ref[one.load.ref])), D(0))
        given = sum((stretch.ends - stretch.starts) // MINUTE * stretch.people for stretch in one.hands)
        if given < asked or one.begins < day.first or one.ends > day.last:
            yield f"{one.load.ref} has {given} of {asked} minutes from {one.begins}"
        for stretch in one.hands:
            for n in range((stretch.ends - stretch.starts) // MINUTE):
                busy[stretch.hands, stretch.starts + n * MINUTE] += stretch.people
    for (hands, moment), people in busy.items():
        counted = day.minutes.get(hands)
        if counted is not None and people > ceil(counted / ((day.closes - day.opens) // MINUTE)):
            yield f"{people} people of {hands} at {moment:%H:%M}"


def _equipment(of: Sequence[DayLoad], day: Hours, line: DayLine) -> Iterator[str]:
    """No more of a piece of equipment in use than there is; a load keeps it till it has set."""
    by_ref = {row.load.ref: row for row in of}
    busy: Counter[tuple[str, datetime]] = Counter()
    counts: dict[str, int] = {}
    for one in line.placed:
        row = by_ref[one.load.ref]
        found = row.goods.equipment.get(row.load.work.equipment)
        if found:
            counts[found.code] = found.count - day.out.get(found.code, 0)
            ends = one.ends + found.hold_minutes * MINUTE
            busy.update((found.code, one.begins + n * MINUTE) for n in range((ends - one.begins) // MINUTE))
    for (code, moment), used in busy.items():
        if used > counts[code]:
            yield f"{used} of {code} at {moment:%H:%M}"


def _windows(of: Sequence[DayLoad], line: DayLine) -> Iterator[str]:
    """The pieces are done within the time that a load can be worked, or it is said that they aren't."""
    by_ref = {row.load.ref: row for row in of}
    for one in line.placed:
        row = by_ref[one.load.ref]
        found = row.goods.equipment.get(row.load.work.equipment)
        own = any(step.minutes_per_load for step, _ in _steps(row))
        made = one.hands[0].ends if own else one.begins
        window = found.window_minutes if found else None
        if window is not None and one.ends - made > window * MINUTE and not one.notes:
            yield f"{one.load.ref} is worked for {(one.ends - made) // MINUTE} minutes"


def _waits(of: Sequence[DayLoad], day: Hours, line: DayLine) -> Iterator[str]:
    """When a step begins, so many pieces have come out of the step before, or lay there from earlier days."""
    placed = {one.load.ref: one for one in line.placed}
    making: dict[tuple[str, Sku, str], list[tuple[datetime, int]]] = defaultdict(list)
    taking: dict[tuple[str, Sku, str], list[tuple[datetime, int]]] = defaultdict(list)
    for row in (row for row in of if row.load.ref in placed):
        one = placed[row.load.ref]
        for portion, (step, pieces) in zip(row.load.portions, _steps(row), strict=True):
            steps = row.goods.steps(portion.sku.item)
            if not step.nights_min and not step.days_min:
                making[portion.demand, portion.sku, step.code].append((one.ends + step.minutes_min * MINUTE, pieces))
            if place := steps.index(step):
                taking[portion.demand, portion.sku, steps[place - 1].code].append((one.begins, pieces))
    for key in making.keys() & taking.keys():
        yield from _too_soon(key, making[key], taking[key])


def _too_soon(key: object, made: list[tuple[datetime, int]], taken: list[tuple[datetime, int]]) -> Iterator[str]:
    before = max(0, sum(n for _, n in taken) - sum(n for _, n in made))
    for moment, _ in taken:
        gone = sum(n for then, n in taken if then <= moment)
        there = before + sum(n for ready, n in made if ready <= moment)
        if gone > there:
            yield f"{gone} of {key} taken at {moment:%H:%M}, {there} are there"


# ── by hand ──────────────────────────────────────────────────────────────────────

#: A tray is back 45 minutes after the casting (common practice, no source).
TRAYS = {"TRAY-R": {"hold_minutes": 45}, "TRAY-P": {"hold_minutes": 45}}


def test_loads_follow_each_other_as_they_are_listed() -> None:
    """12 × 0.5 = 6; 12 × 3 = 36; 12 × 2.5 = 30; 12 × 3 = 36 minutes, one pair of hands."""
    of = rows(load("ROSETTE", "cast", 12), load("SUC", "pour", 12, "RG"), load("SUC", "pipe", 12, "RG"),
              load("SUC", "finish", 12, "RG"))  # fmt: skip
    line = day_line(of, hours())

    assert clocks(line) == [
        (1, "08:00", "08:06"), (2, "08:06", "08:42"), (3, "08:42", "09:12"), (4, "09:12", "09:48"),
    ]  # fmt: skip
    assert line.is_shortest
    assert broken(of, hours(), line) == []


def test_a_turn_needs_its_tray_back() -> None:
    """6 of casting and 45 of setting: 08:00, 08:51, 09:42; the pour goes on meanwhile."""
    of = rows(*[load("ROSETTE", "cast", 12)] * 3, load("SUC", "pour", 12, "RG"), of=goods(equipment=TRAYS))
    line = day_line(of, hours())

    assert clocks(line) == [
        (1, "08:00", "08:06"), (4, "08:06", "08:42"), (2, "08:51", "08:57"), (3, "09:42", "09:48"),
    ]  # fmt: skip
    stands = line.placed[0].stretches[-1]
    assert (stands.kind, f"{stands.starts:%H:%M}", f"{stands.ends:%H:%M}") == (Kind.STANDS, "08:06", "08:51")


def test_a_better_order_is_found_where_the_simple_one_leaves_hands_idle() -> None:
    """A pour of 20 × 3 = 60 is longer than the 45 minutes that a tray sets.

    After the three turns (51 + 51 + 6 = 108) the day would take 168, and as long with the pour first.
    Where the second turn waits for the pour it takes 6 + 60 + 51 + 6 = 123.
    """
    of = rows(*[load("ROSETTE", "cast", 12)] * 3, load("PEB", "pour", 20, "RG"), of=goods(equipment=TRAYS))
    line = day_line(of, hours())

    # 08:00 cast, 08:06 pour till 09:06, 09:06 cast, 09:57 cast till 10:03: 123 minutes.
    assert line.ends == OPENS + 123 * MINUTE
    assert line.is_shortest
    assert broken(of, hours(), line) == []


def test_two_people_work_beside_each_other() -> None:
    """1,000 minutes between 08:00 and 17:00 (540) are two people's: two pours of 36 end at 08:36 in two pots."""
    two = goods(equipment={"POT-A": {"count": 2}})
    of = rows(load("SUC", "pour", 12, "RG"), load("SUC", "pour", 12, "CF"), of=two)

    assert clocks(day_line(of, hours(1000))) == [(1, "08:00", "08:36"), (2, "08:00", "08:36")]
    assert clocks(day_line(of, hours(540))) == [(1, "08:00", "08:36"), (2, "08:36", "09:12")]


def test_hands_that_are_not_counted_are_as_many_as_the_work_needs() -> None:
    """4 × 60 pieces × 3 = 720 minutes in 540: two people."""
    of = rows(*[load("SUC", "finish", 60, "RG")] * 4)

    assert day_line(of, hours(None)).ends == OPENS + 360 * MINUTE


def test_a_bowl_is_piped_within_its_window() -> None:
    """12 × 2.5 = 30 ≤ 35 minutes. Whipped for 10 first, it is piped at once: 08:10 to 08:40."""
    of = rows(load("SUC", "pipe", 12, "RG"), of=goods("pipe", minutes_per_load=D(10)))
    line = day_line(of, hours())

    [one] = line.placed
    assert [(f"{s.starts:%H:%M}", f"{s.ends:%H:%M}") for s in one.hands] == [("08:00", "08:10"), ("08:10", "08:40")]
    assert one.notes == ()
    assert broken(of, hours(), line) == []


def test_a_bowl_too_large_for_one_is_piped_by_two() -> None:
    """20 × 2.5 = 50 > 35: two people take 25 minutes."""
    of = rows(load("SUC", "pipe", 20, "RG"))
    [one] = day_line(of, hours(1000)).placed

    assert (clock(one), one.hands[0].people, one.notes) == (("08:00", "08:25"), 2, ())


def test_a_window_shorter_than_the_work_is_said() -> None:
    """20 × 2.5 = 50 minutes by one person, and the bowl can be worked for 35."""
    of = rows(load("SUC", "pipe", 20, "RG"))
    [one] = day_line(of, hours()).placed

    assert one.notes == ("50 minutes of work, and Whip bowl can be worked for 35: make the load smaller.",)


def test_two_hours_of_cooling_pass_before_the_next_step() -> None:
    """Piped till 08:30, cooled for 120 minutes, finished from 10:30 on; the pour of another goes between."""
    cooled = goods("pipe", nights_min=0, minutes_min=120)
    of = rows(load("SUC", "pipe", 12, "RG"), load("SUC", "finish", 12, "RG"), load("FRN", "pour", 12, "CF", "B"),
              of=cooled)  # fmt: skip
    line = day_line(of, hours())

    assert clocks(line) == [(1, "08:00", "08:30"), (3, "08:30", "09:06"), (2, "10:30", "11:06")]
    assert broken(of, hours(), line) == []


def test_what_comes_from_the_day_before_is_not_waited_for() -> None:
    """12 are piped today and 24 finished: the first 12 lay there, the others cool till 10:30."""
    cooled = goods("pipe", nights_min=0, minutes_min=120)
    of = rows(
        load("SUC", "pipe", 12, "RG"), load("SUC", "finish", 12, "RG"), load("SUC", "finish", 12, "RG"), of=cooled
    )
    line = day_line(of, hours())

    assert clocks(line) == [(1, "08:00", "08:30"), (2, "08:30", "09:06"), (3, "10:30", "11:06")]


def test_parts_cast_for_a_load_of_the_same_day_come_first() -> None:
    """Rosettes that may be used after an hour: cast till 08:06, so the piping begins at 09:06."""
    hasty = goods("cast", nights_min=0, minutes_min=60)
    of = rows(load("SUC", "pipe", 12, "RG"), load("ROSETTE", "cast", 12), of=hasty)

    assert clocks(day_line(of, hours())) == [(2, "08:00", "08:06"), (1, "09:06", "09:36")]


def test_equipment_takes_its_loads_in_the_order_of_the_sheet() -> None:
    """Faint before strong: the strong one begins after the faint one, although hands were free for both."""
    of = rows(load("SUC", "pour", 12, "RG"), load("SUC", "pour", 3, "CF"), load("SUC", "pour", 3, "WS"))

    assert [ref for ref, *_ in clocks(day_line(of, hours(1000)))] == [1, 2, 3]


def test_the_rest_of_a_day_begins_now_and_waits_for_what_is_done() -> None:
    """At 10:00: a tray filled till 09:50 is back at 10:35; the piped ones cool till 11:00."""
    both = goods("pipe", nights_min=0, minutes_min=120, equipment=TRAYS)
    cast, piped, *todo = rows(load("ROSETTE", "cast", 12), load("SUC", "pipe", 12, "RG"), load("ROSETTE", "cast", 12),
                              load("SUC", "finish", 12, "RG"), of=both)  # fmt: skip
    done = [
        cast._replace(load=replace(cast.load, done=True), done_at=OPENS + 110 * MINUTE),
        piped._replace(load=replace(piped.load, done=True), done_at=OPENS + 60 * MINUTE),
    ]

    assert clocks(day_line([*done, *todo], hours(now=120))) == [(3, "10:35", "10:41"), (4, "11:00", "11:36")]


def test_what_was_marked_done_at_once_blocks_no_more_than_there_is() -> None:
    """Two loads of the one tray, both marked at 09:50: it is back at 10:35."""
    of = rows(*[load("ROSETTE", "cast", 12)] * 3, of=goods(equipment=TRAYS))
    marked = [row._replace(load=replace(row.load, done=True), done_at=OPENS + 110 * MINUTE) for row in of[:2]]

    assert clocks(day_line([*marked, of[2]], hours(now=120))) == [(3, "10:35", "10:41")]


def test_work_past_closing_is_shown_and_named() -> None:
    """200 × 3 = 600 minutes from 08:00 end at 18:00, after closing at 17:00."""
    line = day_line(rows(load("SUC", "finish", 200, "RG")), hours())

    assert clocks(line) == [(1, "08:00", "18:00")]
    assert line.late == line.placed


# ── what finds no place ──────────────────────────────────────────────────────────


def test_a_load_longer_than_the_day_is_named_and_the_others_are_placed() -> None:
    """400 × 3 = 1,200 minutes; from 08:00 to midnight there are 960."""
    line = day_line(rows(load("SUC", "finish", 400, "RG"), load("ROSETTE", "cast", 12)), hours())

    assert [one.because for one in line.left_out] == [
        "It takes 1200 minutes of hands, and 960 are left of the day; split it."
    ]
    assert clocks(line) == [(2, "08:00", "08:06")]


def test_a_load_too_late_for_midnight_is_named() -> None:
    """Two loads of 600 minutes: the second would end at 04:00."""
    line = day_line(rows(*[load("SUC", "finish", 200, "RG")] * 2), hours())

    assert [one.because for one in line.left_out] == ["No room is left for it before midnight; move it to another day."]


def test_a_tray_that_would_set_for_years_has_one_turn_and_no_endless_search() -> None:
    """2,000,000,000 minutes are some 3,800 years; done at 07:00 or begun at 08:00, it is not back today."""
    slow = goods(equipment={"TRAY-R": {"hold_minutes": 2_000_000_000}})
    of = rows(*[load("ROSETTE", "cast", 12)] * 2, load("SUC", "pour", 12, "RG"), of=slow)
    line = day_line(of, hours())

    assert clocks(line) == [(1, "08:00", "08:06"), (3, "08:06", "08:42")]
    assert [one.load.ref for one in line.left_out] == [2]
    done = of[0]._replace(load=replace(of[0].load, done=True), done_at=OPENS - 60 * MINUTE)
    assert [one.load.ref for one in day_line([done, *of[1:]], hours()).left_out] == [2]


def test_equipment_that_is_out_and_hands_that_are_away_are_named() -> None:
    of = rows(load("SUC", "pour", 12, "RG"), load("SUC", "finish", 12, "RG"))

    assert [one.because for one in day_line(of, hours(out={"POT-A": 1})).left_out] == [
        "What it is made in can't be used on this day."
    ]
    assert [one.because for one in day_line(of, hours(0)).left_out] == ["Nobody works at the bench on this day."] * 2


def test_what_waits_for_a_load_without_a_place_has_none() -> None:
    cooled = goods("pipe", nights_min=0, minutes_min=120)
    of = rows(load("SUC", "pipe", 12, "RG"), load("SUC", "finish", 12, "RG"), of=cooled)

    assert [one.because for one in day_line(of, hours(out={"BOWL": 1})).left_out] == [
        "What it is made in can't be used on this day.",
        "It waits for a load that has no place on this day.",
    ]


def test_loads_that_wait_for_each_other_are_named() -> None:
    """Each load holds one sku's first step and the other's second: neither can be first."""
    hasty = goods("pour", nights_min=0)
    first, second = Sku("SUC", "RG"), Sku("PEB", "RG")
    crossed = [
        Load(work=Work("POT-A", Sku("BASE", "RG")), day=THURSDAY, portions=portions)
        for portions in (
            (Portion("A", first, "pour", 6), Portion("B", second, "seal", 6)),
            (Portion("B", second, "pour", 6), Portion("A", first, "pipe", 6)),
        )
    ]
    line = day_line(rows(*crossed, of=hasty), hours())

    assert line.placed == ()
    assert {one.because for one in line.left_out} == {
        "It waits for work that waits for it: look at the steps of its recipe."
    }


def test_a_day_without_loads_has_an_empty_line() -> None:
    line = day_line([], hours())

    assert (line.placed, line.left_out, line.ends) == ((), (), None)


# ── laws ─────────────────────────────────────────────────────────────────────────

LAWS = settings(max_examples=40, deadline=None)
SAME_DAY = goods("pipe", nights_min=0, minutes_min=45, minutes_per_load=D("4.5"), equipment=TRAYS)


@st.composite
def days(draw: st.DrawFn) -> tuple[list[DayLoad], Hours]:
    """Up to nine loads of any kind for two demands, on a bench of one to three people, from some minute on."""
    kinds = st.sampled_from([
        ("ROSETTE", "cast", ""), ("PEBBLE", "cast", ""), ("SUC", "pour", "RG"), ("PEB", "pour", "CF"),
        ("SUC", "pipe", "RG"), ("SUC", "finish", "RG"), ("PEB", "seal", "CF"), ("FRN", "pipe", "WS"),
    ])  # fmt: skip
    drawn = draw(st.lists(st.tuples(kinds, st.integers(1, 14), st.sampled_from("AB")), max_size=9))
    found = rows(*[load(item, step, n, scent, demand) for (item, step, scent), n, demand in drawn], of=SAME_DAY)
    out = draw(st.sampled_from([{}, {"BOWL": 1}, {"TRAY-P": 1}]))
    return found, hours(draw(st.sampled_from([360, 700, 1300])), now=draw(st.integers(0, 400)), out=out)


@LAWS
@given(days())
def test_a_line_keeps_every_rule(day: tuple[list[DayLoad], Hours]) -> None:
    of, within = day

    line = day_line(of, within)
    assert broken(of, within, line) == []


@settings(max_examples=10, deadline=None)
@given(days())
def test_the_same_day_has_the_same_line(day: tuple[list[DayLoad], Hours]) -> None:
    assert day_line(*day) == day_line(*day)


# ── the laws have teeth ──────────────────────────────────────────────────────────

#: Two turns of a tray, two bowls, and what is finished of them the same day.
BUSY = [
    load("ROSETTE", "cast", 12), load("ROSETTE", "cast", 12), load("SUC", "pipe", 14, "RG"),
    load("SUC", "finish", 14, "RG"),
]  # fmt: skip


def seen(of: list[DayLoad]) -> str:
    return "; ".join(broken(of, hours(), day_line(of, hours())))


def test_the_busy_day_is_sound() -> None:
    assert seen(rows(*BUSY, of=SAME_DAY)) == ""


def test_hands_in_two_places_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: nothing is ever in use."""
    monkeypatch.setattr(lines._Use, "blocked", lambda *_: None)
    assert "people of bench at 08:00" in seen(rows(*BUSY, of=SAME_DAY))


def test_a_tray_used_before_it_is_back_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: a load keeps its equipment only while hands are on it."""
    honest = day_work.block
    monkeypatch.setattr(lines, "block", lambda *given: replace(one := honest(*given), kept=one.minutes))
    assert "2 of TRAY-R at" in seen(rows(*BUSY, of=SAME_DAY))


def test_a_step_before_its_pieces_are_cool_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: loads of the day wait for nothing."""
    monkeypatch.setattr(lines, "links", lambda _: [])
    assert "14 of ('A', Sku(item='SUC', scent='RG'), 'pipe') taken" in seen(rows(*BUSY, of=SAME_DAY))


def test_a_window_not_looked_at_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: the work on the pieces is never compared with the window: 15 × 2.5 = 37.5 > 35."""
    monkeypatch.setattr(day_work, "_within", lambda pieces, *_: (pieces, ()))
    assert "1 is worked for 38 minutes" in seen(rows(load("SUC", "pipe", 15, "RG"), of=SAME_DAY))


def test_a_better_order_that_forgets_the_waits_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seeded mutation: the model has no lags, so that the search believes in a sooner end."""
    honest = lines._Day._problem
    monkeypatch.setattr(lines._Day, "_problem", lambda self: replace(honest(self), lags=()))
    assert seen(rows(*BUSY, of=SAME_DAY)) != ""


def test_shares_of_an_hour_are_whole_minutes_rounded_up() -> None:
    """15 × 2.5 = 37.5 is 38; 4.5 to whip is 5."""
    [one] = day_line(rows(load("SUC", "pipe", 15, "RG"), of=SAME_DAY), hours()).placed
    assert [(s.ends - s.starts) // MINUTE for s in one.hands] == [5, 38]
    assert ceil(Fraction(75, 2)) == 38
