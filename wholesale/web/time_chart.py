"""The time chart as pictures: a week each, so that a phone shows one below the other.

The pictures are for eyes and fingers; the table below them says the same to everybody.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import groupby

import drawsvg
from django.urls import reverse
from django.utils.safestring import SafeString

from wholesale.core.production.calendar import Day, DayKind
from wholesale.queries.time_chart import Kept, Line, Stands, TimeChart, Wait
from wholesale.web.templatetags.casewright import day as day_words
from wholesale.web.time_chart_marks import (
    COLUMNS,
    FOOT,
    GAUGE,
    HEAD,
    LANE,
    LANES,
    NAME,
    NIGHT,
    OFF,
    TEXT,
    WAIT,
    WEEK,
    WIDE,
    WORDS,
    Column,
    Link,
    Parts,
    bars_of,
    box_at,
    cloth,
    day_head,
    draw_block,
    fits,
    letter_at,
    link_to,
    look_of,
    name_line,
    patterns,
    rule_at,
    staff,
    staff_tall,
    stand,
    used_of,
    week_words,
    words_at,
)


@dataclass(frozen=True)
class Key:
    """What a mark stands for."""

    picture: SafeString
    words: str


def weeks(chart: TimeChart) -> list[SafeString]:
    """The chart, a picture a week; a line stands at the same height in each."""
    layout = _Layout(chart)
    return [_Week(layout, first).drawn() for first in range(0, len(chart.days), WEEK)]


# ── where things stand ───────────────────────────────────────────────────────────


class _Layout:
    """The heights that all weeks share."""

    def __init__(self, chart: TimeChart) -> None:
        self.chart = chart
        self.lanes = _lanes(chart.waits)
        self.beside = [_beside(line) for line in chart.lines]
        self.flags = {on: list(flags) for on, flags in groupby(chart.flags, key=lambda flag: flag.day)}

    @cached_property
    def flags_tall(self) -> int:
        """Room for the longest staff; none where nothing is promised."""
        tall = max((staff_tall(flags) for flags in self.flags.values()), default=0)
        return NAME + tall + FOOT if tall else 0

    @cached_property
    def tops(self) -> list[int]:
        """Where each line begins, and where the last one ends."""
        tops = [HEAD + self.flags_tall]
        for line, beside in zip(self.chart.lines, self.beside, strict=True):
            lanes = min(-(-_most(line) // beside), LANES)
            tops.append(tops[-1] + _bars_top(line) + lanes * LANE + FOOT)
        return tops

    @cached_property
    def tall(self) -> int:
        """How tall each picture is."""
        waits = NAME + (max(self.lanes.values(), default=0) + 1) * WAIT + FOOT if self.lanes else 0
        return self.tops[-1] + waits


def _lanes(waits: Iterable[Wait]) -> dict[Wait, int]:
    """A lane for each wait: the first that is free when it begins."""
    free_from: list[date] = []
    found = {}
    for wait in waits:
        lane = next((i for i, until in enumerate(free_from) if until <= wait.day), len(free_from))
        free_from[lane : lane + 1] = [wait.until]
        found[wait] = lane
    return found


def _most(line: Line) -> int:
    return max(len(bars) for bars in line.bars)


def _beside(line: Line) -> int:
    """How many bars stand beside each other, so that the fullest day finds room."""
    return min(max(1, -(-_most(line) // LANES)), COLUMNS)


def _bars_top(line: Line) -> int:
    return NAME + WORDS + (GAUGE if line.unit == "minutes" else 0)


def _columns(days: Sequence[tuple[date, Day]], busy: Sequence[bool]) -> list[Column]:
    """The days of a week beside each other: days off are narrow unless something stands on them."""
    narrow = [day.kind is not DayKind.WORK and not has for (_, day), has in zip(days, busy, strict=True)]
    if all(narrow):
        narrow = [False] * len(days)
    wide = (WIDE - OFF * sum(narrow)) / narrow.count(False)
    found: list[Column] = []
    for is_narrow in narrow:
        x = found[-1].end if found else 0.0
        found.append(Column(x, (OFF if is_narrow else wide) - NIGHT, is_narrow))
    return found


# ── a week ───────────────────────────────────────────────────────────────────────


class _Week:
    """The picture of seven days."""

    def __init__(self, layout: _Layout, first: int) -> None:
        self.layout, self.first = layout, first
        self.chart, self.shown = layout.chart, slice(first, first + WEEK)
        self.days = self.chart.days[self.shown]
        busy = [any(line.bars[first + i] for line in self.chart.lines) for i in range(len(self.days))]
        self.columns = _columns(self.days, busy)

    def drawn(self) -> SafeString:
        """All parts, from the ground up."""
        picture = drawsvg.Drawing(
            WIDE,
            self.layout.tall,
            id_prefix=f"week-{self.first}-",
            aria_hidden="true",
            focusable="false",
            class_="week",
        )
        for parts in (self._days(), self._promises(), self._lines(), self._waits()):
            for part in parts:
                picture.append(part)
        # drawsvg has escaped every text; its heading for a file of its own has no place in a page.
        return SafeString(picture.as_svg(header=""))

    def _days(self) -> Parts:
        grounds, tall = patterns(), self.layout.tall
        for column, (on, day) in zip(self.columns, self.days, strict=True):
            if day.kind is not DayKind.WORK:
                yield box_at(column.x, HEAD, column.box, tall - HEAD, "off", fill=grounds[day.kind.value])
            yield box_at(column.end - NIGHT + 1, HEAD, NIGHT - 2, tall - HEAD, "dark", fill=grounds["night"])
            yield from day_head(column, on, day, is_today=on == self.chart.today)
            if on == self.chart.today:
                # What is left of the line should be done.
                yield rule_at(column.x, 0, column.x, tall, "today")

    def _promises(self) -> Parts:
        if self.layout.flags_tall:
            yield from name_line(HEAD, "Promised to leave", "")
            for column, (on, _) in zip(self.columns, self.days, strict=True):
                yield from staff(column, HEAD + NAME, self.layout.flags.get(on, []))

    def _lines(self) -> Parts:
        lines = zip(self.chart.lines, self.layout.beside, self.layout.tops[:-1], strict=True)
        for line, beside, top in lines:
            cells, bars = line.cells[self.shown], line.bars[self.shown]
            yield from name_line(top, line.name, week_words(line, cells))
            for column, cell, loads in zip(self.columns, cells, bars, strict=True):
                yield from used_of(column, top + NAME, cell, line.unit)
                yield from bars_of(column, top + _bars_top(line), loads, beside, is_mixed=line.is_mixed)

    def _waits(self) -> Parts:
        if not self.layout.lanes:
            return
        top = self.layout.tops[-1]
        yield from name_line(top, "Sets and cures", "pieces, till the morning of the day named")
        for wait, lane in self.layout.lanes.items():
            if wait.day <= self.days[-1][0] and wait.until > self.days[0][0]:
                yield self._wait(wait, top + NAME + lane * WAIT)

    def _wait(self, wait: Wait, top: int) -> Link:
        """From the evening of its day to the morning it is ready; cut off at the week's edges."""
        begins, ends = (wait.day - self.days[0][0]).days, (wait.until - self.days[0][0]).days
        start = self.columns[begins].end - NIGHT if begins >= 0 else 0.0
        end = self.columns[ends].x if ends < WEEK else WIDE
        link = link_to(reverse("bench:day_on", args=[wait.until]), _wait_title(wait), "wait")
        if begins >= 0:
            link.append(rule_at(start + 0.75, top + 9, start + 0.75, top + 16, "cap"))
        stand(link, start, end, top + 12.5, capped=ends <= WEEK)
        till = f"{wait.count} till {day_words(wait.until)}"
        words = next((said for said in (till, wait.count) if fits(said, TEXT, end - start - 2)), "")
        link.append(words_at(words, start + 2.5, top + 8.5, "used"))
        return link


def _wait_title(wait: Wait) -> str:
    return f"{wait.count} {wait.how}: from {day_words(wait.day)} till {day_words(wait.until)}"


# ── key ──────────────────────────────────────────────────────────────────────────

KEY_WIDE, KEY_TALL = 40, 16
KEY_BARS = {
    Stands.TODO: "hands on, to do",
    Stands.BEGUN: "begun",
    Stands.DONE: "done",
    Stands.OVERDUE: "past its day",
    Stands.SCRAPPED: "scrapped",
}
KEY_GROUNDS = {"market": "market", "closed": "closed", "night": "night"}


def keys() -> list[Key]:
    """What each mark stands for."""
    marks: list[tuple[Parts, str]] = [
        *((_key_bar(stands), words) for stands, words in KEY_BARS.items()),
        (_key_stand(), "by itself: sets, cures, is held"),
        (_key_over(), "more than there is"),
        *((_key_flag(kept), f"promise {kept.value}") for kept in Kept),
        *((_key_ground(kind), words) for kind, words in KEY_GROUNDS.items()),
        ([rule_at(KEY_WIDE / 2, 0, KEY_WIDE / 2, KEY_TALL, "today")], "today begins"),
    ]
    return [Key(_key(i, parts), words) for i, (parts, words) in enumerate(marks)]


def _key(number: int, parts: Parts) -> SafeString:
    picture = drawsvg.Drawing(
        KEY_WIDE, KEY_TALL, id_prefix=f"key-{number}-", aria_hidden="true", focusable="false", class_="key"
    )
    for part in parts:
        picture.append(part)
    return SafeString(picture.as_svg(header=""))


def _key_bar(stands: Stands) -> Parts:
    group = drawsvg.Group(class_=f"made {look_of(stands)}")
    draw_block(group, stands, 1, 2, 38)
    yield group


def _key_stand() -> Parts:
    group = drawsvg.Group()
    stand(group, 1, 39, 8)
    yield group


def _key_over() -> Parts:
    yield box_at(0, 5, 6, 6, "over-mark")
    yield words_at("4 of 3", 8, 12, "used over")


def _key_flag(kept: Kept) -> Parts:
    group = drawsvg.Group(class_=f"flag {look_of(kept)}")
    group.append(cloth(kept, 1, 1, 30))
    group.append(rule_at(1, 0, 1, KEY_TALL, "staff"))
    yield group


def _key_ground(kind: str) -> Parts:
    look = "dark" if kind == "night" else "off"
    yield box_at(0, 0, KEY_WIDE, KEY_TALL, look, fill=patterns()[kind])
    yield from letter_at(KEY_WIDE / 2 - 6.5, 2, kind)
