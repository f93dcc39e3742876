"""A day's line of time as a picture: SVG by drawsvg, as wide as its place, so that words keep their size on a phone.

Work of hands is a solid block, what stands by itself a thin hatched line with a cap at
its end: shape as well as tone. The table below it says the same.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

import drawsvg
from django.utils.safestring import SafeString

from wholesale import clock
from wholesale.core.production.day_line import Kind, Stretch
from wholesale.queries.day_line import LineRow
from wholesale.queries.day_sheet import DaySheet, LoadRow
from wholesale.web.templatetags.casewright import day as day_words
from wholesale.web.templatetags.casewright import time_of_day

INK, SOFT, ACCENT, PAPER, HAIR, STOPPED = "#1b2129", "#525a66", "#1f4a7d", "#fdfbf5", "#c6cfd9", "#9c2318"
#: Heights: the hours, a load's words and all of it, the key; a block of hands, a line of what stands.
HEAD, WORDS, ROW, KEY, BLOCK, THIN = 28, 22, 48, 44, 14, 6
#: Letters of a load's name that a phone has room for beside its time and its minutes.
LETTERS = 48
#: Hours that have room beside each other on a phone.
MOST_HOURS = 12
_HOUR = timedelta(hours=1)


class _Rule(drawsvg.DrawingBasicElement):
    """A straight line; drawsvg's own can't stand at a share of the width."""

    TAG_NAME = "line"


def day_picture(sheet: DaySheet) -> SafeString:
    """The loads that have a time, a row each, by the hour; "" for a day without any."""
    rows = [(load, row) for load, row in sheet.by_minute if row.stretches]
    if sheet.line is None or not rows:
        return SafeString()
    axis = _Axis([row for _, row in rows], sheet.line.closes)
    tall = HEAD + len(rows) * ROW + KEY
    picture = drawsvg.Drawing(100, tall, id_prefix="line-", role="img", aria_label=f"{_title(sheet)}; see the table")
    # As wide as its place; shares of the width put things at their hour.
    picture.svg_args |= {"width": "100%", "viewBox": None}
    grounds = {"stands": _stripes("stands", ACCENT), "late": _stripes("late", STOPPED)}
    for part in _numbers(axis):
        picture.append(part)
    for place, (load, row) in enumerate(rows):
        for part in _row(axis, HEAD + place * ROW, load, row, grounds):
            picture.append(part)
    for part in _key(tall - KEY + 4, grounds, is_late=bool(sheet.line.late)):
        picture.append(part)
    return SafeString(picture.as_svg(header=""))


def _title(sheet: DaySheet) -> str:
    return f"The day by the minute, {day_words(sheet.on)}"


class _Axis:
    """Whole hours from before the first stretch to after the last hand, or closing if that is later."""

    def __init__(self, rows: list[LineRow], closes: datetime | None) -> None:
        ends = [row.ends for row in rows if row.ends] + ([closes] if closes else [])
        self.closes = closes
        self.begins = _local_hour(min(stretch.starts for row in rows for stretch in row.stretches))
        last = _local_hour(max(ends))
        self.ends = last if last >= max(ends) else last + _HOUR

    def share(self, moment: datetime) -> float:
        """Where a moment stands, in percent of the width; what is later stands at the edge."""
        return round(100 * min(1.0, (moment - self.begins) / (self.ends - self.begins)), 2)

    def hours(self) -> Iterator[datetime]:
        """Each hour that is written, or every second or third of a long day."""
        count = (self.ends - self.begins) // _HOUR
        for hour in range(0, count + 1, -(-count // MOST_HOURS)):
            yield self.begins + hour * _HOUR


def _local_hour(moment: datetime) -> datetime:
    local = moment.astimezone(clock.workshop_zone())
    return moment - timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)


def _numbers(axis: _Axis) -> Iterator[drawsvg.DrawingElement]:
    for hour in axis.hours():
        share = axis.share(hour)
        anchor = "start" if share == 0 else "end" if share == 100 else "middle"
        yield _text(time_of_day(hour)[:2], f"{share}%", 14, fill=SOFT, text_anchor=anchor)


def _hours(axis: _Axis, top: int, bottom: int) -> Iterator[drawsvg.DrawingElement]:
    """A hair line for each hour, and closing as a dashed line; they leave the words free."""
    for hour in axis.hours():
        yield _upright(axis.share(hour), top, bottom, stroke=HAIR, stroke_width=1)
    if axis.closes and axis.closes < axis.ends:
        yield _upright(axis.share(axis.closes), top, bottom, stroke=STOPPED, stroke_width=2, stroke_dasharray="4 3")


def _row(
    axis: _Axis, top: int, load: LoadRow, row: LineRow, grounds: dict[str, drawsvg.DrawingElement]
) -> Iterator[drawsvg.DrawingElement]:
    """When it begins, what it is, how long hands are on it; below that the stretches."""
    yield _text(time_of_day(row.begins), 0, top + 16, font_weight=600)
    yield _text(_short(f"{load.title}: {load.what}"), 44, top + 16)
    yield _text(f"{row.minutes} min", "100%", top + 16, text_anchor="end", font_weight=600)
    yield from _hours(axis, top + WORDS - 2, top + ROW - 6)
    if load.until:
        yield from _overnight(axis, top + WORDS, row)
    for stretch in row.stretches:
        yield from _stretch(axis, top + WORDS, stretch, grounds, is_late=row.is_late)


def _short(words: str) -> str:
    return words if len(words) <= LETTERS else f"{words[: LETTERS - 1].rstrip(' ,')}…"


def _stretch(
    axis: _Axis, top: int, stretch: Stretch, grounds: dict[str, drawsvg.DrawingElement], *, is_late: bool
) -> Iterator[drawsvg.DrawingElement]:
    if stretch.kind is Kind.HANDS:
        yield _box(axis, stretch, top, BLOCK, fill=grounds["late"] if is_late else ACCENT, stroke=INK)
        return
    yield _box(axis, stretch, top + (BLOCK - THIN) / 2, THIN, fill=grounds["stands"])
    if stretch.ends <= axis.ends:
        yield _upright(axis.share(stretch.ends), top, top + BLOCK, stroke=ACCENT, stroke_width=2)


def _overnight(axis: _Axis, top: int, row: LineRow) -> Iterator[drawsvg.DrawingElement]:
    """What sets or cures beyond the day is dotted on to its edge."""
    after = row.stands_until or row.ends
    if after and after < axis.ends:
        yield _dotted(f"{axis.share(after)}%", "100%", top + BLOCK / 2)


def _box(axis: _Axis, stretch: Stretch, top: float, tall: int, **look: object) -> drawsvg.Rectangle:
    left, right = axis.share(stretch.starts), axis.share(stretch.ends)
    return drawsvg.Rectangle(f"{left}%", top, f"{max(0.4, round(right - left, 2))}%", tall, **look)


def _dotted(left: float | str, right: float | str, y: float) -> _Rule:
    return _Rule(x1=left, x2=right, y1=y, y2=y, stroke=ACCENT, stroke_width=2, stroke_dasharray="2 4")


def _upright(share: float, top: float, bottom: float, **look: object) -> _Rule:
    return _Rule(x1=f"{share}%", x2=f"{share}%", y1=top, y2=bottom, **look)


def _text(words: str, x: float | str, y: float, **look: object) -> drawsvg.Text:
    return drawsvg.Text(words, 13, x, y, **{"fill": INK, **look})


def _stripes(name: str, stroke: str) -> drawsvg.DrawingElement:
    """A tile of 4 by 4: paper with a slanting line."""
    pattern = drawsvg.Pattern(width=4, height=4, patternUnits="userSpaceOnUse", id=f"line-{name}")
    pattern.append(drawsvg.Rectangle(0, 0, 4, 4, fill=PAPER))
    pattern.append(drawsvg.Path("M0,4 L4,0", stroke=stroke, stroke_width=1.4, fill="none"))
    return pattern


def _key(y: int, grounds: dict[str, drawsvg.DrawingElement], *, is_late: bool) -> Iterator[drawsvg.DrawingElement]:
    """What each mark stands for."""
    yield drawsvg.Rectangle(0, y, 20, BLOCK, fill=ACCENT, stroke=INK)
    yield _text("hands", 26, y + 12)
    yield drawsvg.Rectangle(76, y + 4, 20, THIN, fill=grounds["stands"])
    yield _Rule(x1=96, x2=96, y1=y, y2=y + BLOCK, stroke=ACCENT, stroke_width=2)
    yield _text("stands by itself", 104, y + 12)
    yield _dotted(206, 226, y + BLOCK / 2)
    yield _text("sets or cures on", 232, y + 12)
    if is_late:
        yield drawsvg.Rectangle(0, y + 20, 20, BLOCK, fill=grounds["late"], stroke=INK)
        yield _text("hands past closing", 26, y + 32)
