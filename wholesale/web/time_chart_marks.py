"""The marks of the time chart: days, bars, flags, and what stands by itself; SVG by drawsvg.

Work of hands is a solid block, what stands by itself a thin hatched line with a cap
at its end: shape as well as tone. How it looks (colours, type) is the style sheet's.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import drawsvg
from django.urls import reverse

from wholesale.core.production.calendar import ONE_DAY, Day, DayKind
from wholesale.core.values import plain
from wholesale.queries.capacity import Cell, Fill
from wholesale.queries.time_chart import Bar, Flag, Kept, Line, Stands
from wholesale.web.templatetags.casewright import day as day_words

Parts = Iterable[drawsvg.DrawingElement]

#: The picture's own units. A day off on which nothing stands is narrow; the others share the rest.
WIDE, OFF, NIGHT, WEEK = 332, 30, 10, 7
HEAD, NAME, WORDS, GAUGE, BAR, LANE, WAIT, FLAG, FOOT = 42, 16, 13, 8, 12, 14, 16, 16, 4
#: Bars below each other in a day, and beside each other where there are more; beyond that, how many more.
LANES, COLUMNS = 6, 3
#: Flags on one staff.
FLAGS = 6
#: Sizes of type, and a usual letter's width against them, in our font.
SMALL, TEXT, TITLE, LETTER = 9, 10.5, 12, 0.53


@dataclass(frozen=True)
class Column:
    """Where a day stands: from ``x``, ``box`` wide, then its night."""

    x: float
    box: float
    is_narrow: bool

    @property
    def left(self) -> float:
        """Where bars and words begin."""
        return self.x + 2.5

    @property
    def room(self) -> float:
        """How wide a bar may be."""
        return self.box - 4

    @property
    def end(self) -> float:
        """Where the next morning begins."""
        return self.x + self.box + NIGHT


class Link(drawsvg.DrawingParentElement):
    """Something to tap; the keyboard finds the same links in the table."""

    TAG_NAME = "a"


def fits(words: str, size: float, room: float) -> bool:
    """Have the words room? By a usual letter's width."""
    return len(words) * size * LETTER <= room


def words_at(words: str, x: float, y: float, look: str, size: float = TEXT) -> drawsvg.Text:
    """Words whose foot stands at a place."""
    return drawsvg.Text(words, size, round(x, 1), round(y, 1), class_=look)


def box_at(x: float, y: float, wide: float, tall: float, look: str, **more: object) -> drawsvg.Rectangle:
    """A rectangle by its left upper corner."""
    return drawsvg.Rectangle(round(x, 1), y, round(wide, 1), tall, class_=look, **more)


def rule_at(x: float, y: float, to_x: float, to_y: float, look: str) -> drawsvg.Line:
    """A straight line."""
    return drawsvg.Line(round(x, 1), y, round(to_x, 1), to_y, class_=look)


def link_to(to: str, words: str, look: str = "") -> Link:
    """A link with its words for whoever points at it."""
    link = Link(href=to, tabindex="-1", class_=look)
    link.append(drawsvg.Title(words))
    return link


def look_of(of: Stands | Kept) -> str:
    """The style sheet's name for it."""
    return of.value.replace(" ", "-")


# ── days ─────────────────────────────────────────────────────────────────────────


def patterns() -> dict[str, drawsvg.Pattern]:
    """Patterns for what is no work day, and for the nights."""
    return {
        "closed": _pattern(6, "M0,0 L6,6 M0,6 L6,0"),
        "market": _pattern(6, "M3,0 L3,6"),
        "night": _pattern(4, "M0,2 L4,2"),
    }


def _pattern(size: int, lines: str) -> drawsvg.Pattern:
    pattern = drawsvg.Pattern(width=size, height=size, patternUnits="userSpaceOnUse")
    pattern.append(drawsvg.Path(lines, class_="hatch"))
    return pattern


def day_head(column: Column, on: date, day: Day, *, is_today: bool) -> Parts:
    """Weekday and date; above them M for a market, C for closed, N over each night."""
    is_off = day.kind is not DayKind.WORK
    now = " now" if is_today else ""
    link = link_to(reverse("bench:day_on", args=[on]), _day_title(on, day))
    link.append(words_at(f"{on:%a}", column.left, 24, f"weekday{now}", TITLE))
    link.append(
        words_at(f"{on.day}" if column.is_narrow else f"{on.day} {on:%b}", column.left, 37, f"date{now}", TITLE)
    )
    yield link
    if is_off:
        yield from letter_at(column.left, 0.5, day.kind.value)
    elif is_today:
        yield words_at("today", column.left + 1, 10, "now", TEXT)
    yield words_at("N", column.end - NIGHT / 2, 10, "letter night", SMALL)


def letter_at(x: float, y: float, kind: str) -> Parts:
    """The first letter of a kind of day, in a frame."""
    yield box_at(x, y, 13, 12, "letter-box")
    yield words_at(kind[0].upper(), x + 6.5, y + 10, "letter", TEXT)


def _day_title(on: date, day: Day) -> str:
    kind = "" if day.kind is DayKind.WORK else f": {day.kind.value}"
    return f"{day_words(on)}{kind}{f', {day.note}' if day.note else ''}"


# ── lines ────────────────────────────────────────────────────────────────────────


def name_line(top: int, name: str, words: str) -> Parts:
    """What the line below is, with a sum at its right."""
    yield box_at(0, top, WIDE, NAME - 1, "strip")
    yield rule_at(0, top + 0.5, WIDE, top + 0.5, "rule")
    yield words_at(name, 2.5, top + 12, "name", TITLE)
    if words:
        yield words_at(words, WIDE - 2, top + 12, "sum")


def week_words(line: Line, cells: Sequence[Cell]) -> str:
    """What the week uses of what it has: 7 of 10 loads."""
    used = sum(round(cell.used) for cell in cells)
    if any(cell.of is None for cell in cells):
        return f"{used:,} {line.unit}" if used else ""
    return f"{used:,} of {sum(round(cell.of or 0) for cell in cells):,} {line.unit}"


def used_of(column: Column, top: int, cell: Cell, unit: str) -> Parts:
    """What the day uses of its quota, in figures; minutes of hands as a gauge too."""
    if unit == "minutes" and cell.of:
        share = min(float(cell.used / cell.of), 1)
        yield box_at(column.left, top + WORDS, column.room, 5, "gauge")
        yield box_at(column.left, top + WORDS, share * column.room, 5, "gauge-fill")
    if not cell.used:
        return
    inset = 0
    if cell.fill is Fill.OVER:
        inset = 8
        yield box_at(column.left, top + 4, 6, 6, "over-mark")
    look = {Fill.OVER: "used over", Fill.FULL: "used full"}.get(cell.fill, "used")
    yield words_at(_used_words(cell, unit), column.left + inset, top + 10, look)


def _used_words(cell: Cell, unit: str) -> str:
    """Loads in words, whole minutes beside each other; the table has the rest."""
    if unit == "loads":
        return cell.words
    return f"{cell.used:.0f}" if cell.of is None else f"{cell.used:.0f}/{plain(cell.of)}"


# ── bars ─────────────────────────────────────────────────────────────────────────


def bars_of(column: Column, top: int, bars: Sequence[Bar], beside: int, *, is_mixed: bool) -> Parts:
    """A bar a load; where there is no room for all, how many more there are."""
    room = LANES * beside
    shown = bars if len(bars) <= room else bars[: room - 1]
    wide = (column.room - 2 * (beside - 1)) / beside
    size = TEXT if beside < COLUMNS else SMALL
    labels = _labels(bars, size, wide, is_mixed=is_mixed)
    for place in range(len(shown)):
        lane, at = divmod(place, beside)
        x, y = column.left + at * (wide + 2), top + lane * LANE
        bar = bars[place]
        night = column.end if bar.overnight and at == beside - 1 else None
        yield _bar(bar, x, y, wide, _Label(labels.get(bar, ""), size), night)
    if len(shown) < len(bars):
        x = column.left + (beside - 1) * (wide + 2)
        yield _more(bars[0].day, len(bars) - len(shown), x, top + (LANES - 1) * LANE, wide)


@dataclass(frozen=True)
class _Label:
    words: str
    size: float


def _labels(bars: Sequence[Bar], size: float, wide: float, *, is_mixed: bool) -> dict[Bar, str]:
    """What stands in the bars of a day: marks cut to one length that has room, and how much; or how much alone."""
    longest = max((len(bar.mark) for bar in bars), default=0) if is_mixed else 0
    for letters in range(longest, 1, -1):
        labels = {bar: f"{bar.mark[:letters]} {bar.count}" for bar in bars}
        if all(fits(label, size, _block(bar, wide) - _inset(bar)) for bar, label in labels.items()):
            return labels
    return {bar: bar.count for bar in bars if fits(bar.count, size, _block(bar, wide) - 1)}


def _block(bar: Bar, wide: float) -> float:
    """How wide its block is: what stands in the day by itself has the rest."""
    return wide * 0.62 if bar.holds else wide


def _inset(bar: Bar) -> float:
    return 7 if bar.stands is Stands.BEGUN else 2


def _bar(bar: Bar, x: float, y: float, wide: float, label: _Label, night: float | None) -> Link:
    """Hands on: a solid block. Unattended in the day: a thin line on its right. Overnight: one across the night."""
    link = link_to(reverse("bench:load", args=[bar.load]), _bar_title(bar), f"made {look_of(bar.stands)}")
    block = _block(bar, wide)
    if bar.holds:
        stand(link, x + block, x + wide, y + BAR / 2)
    if night is not None:
        stand(link, x + wide, night, y + BAR / 2, capped=bar.ready - bar.day == ONE_DAY)
    draw_block(link, bar.stands, x, y, block)
    if label.words:
        inset = _inset(bar) if label.size == TEXT else 1
        link.append(words_at(label.words, x + inset, y + 9.5, "in", label.size))
    return link


def draw_block(group: drawsvg.DrawingParentElement, stands: Stands, x: float, y: float, wide: float) -> None:
    """A load's block: begun has a stripe, past its day a cut corner, scrapped a stroke through it."""
    cut = 5 if stands is Stands.OVERDUE else 0
    outline = f"M{x:.1f},{y:g} h{wide - cut:.1f} l{cut},{cut} v{BAR - cut} h{-wide:.1f} z"
    group.append(drawsvg.Path(outline, class_="block"))
    if stands is Stands.BEGUN:
        group.append(box_at(x, y, 5, BAR, "stripe"))
    if stands is Stands.SCRAPPED:
        group.append(rule_at(x, y + BAR / 2, x + wide, y + BAR / 2, "struck"))


def _bar_title(bar: Bar) -> str:
    waits = f" Stands till {day_words(bar.ready)}." if bar.overnight else ""
    holds = f", then {bar.holds} min by itself" if bar.holds else ""
    return (
        f"{day_words(bar.day)}: {bar.step}, {bar.count} × {bar.what}, for {', '.join(bar.orders)}. "
        f"Hands {bar.minutes_words}{holds}; {bar.stands}.{waits}"
    )


def stand(link: drawsvg.DrawingParentElement, start: float, end: float, y: float, *, capped: bool = True) -> None:
    """A thin hatched line with a cap where it ends."""
    link.append(rule_at(start, y, end, y, "stands"))
    link.append(rule_at(start, y, end, y, "stands-gaps"))
    if capped:
        link.append(rule_at(end - 0.75, y - 4, end - 0.75, y + 4, "cap"))


def _more(on: date, count: int, x: float, y: float, wide: float) -> Link:
    """How many more bars there are, in a frame where it has room."""
    link = link_to(f"#d-{on.isoformat()}", f"{day_words(on)}: {count} more", "made rest")
    if fits(f"+{count}", TEXT, wide - 2):
        link.append(box_at(x, y, wide, BAR, "block"))
    link.append(words_at(f"+{count}", x + 1, y + 9.5, "in"))
    return link


def staff_tall(flags: Sequence[Flag]) -> int:
    """How long a staff these flags need."""
    words = WORDS if any(flag.kept is Kept.AT_RISK for flag in flags) else 0
    return words + min(len(flags), FLAGS) * FLAG + (WORDS if len(flags) > FLAGS else 0)


# ── promises ─────────────────────────────────────────────────────────────────────


def staff(column: Column, top: int, flags: Sequence[Flag]) -> Parts:
    """A staff on the day with a flag an order, those at risk first; beyond its length, how many more."""
    if not flags:
        return
    y = top + 1
    yield rule_at(column.left, y, column.left, y + staff_tall(flags), "staff")
    if any(flag.kept is Kept.AT_RISK for flag in flags):
        yield words_at(Kept.AT_RISK.value, column.left + 3, y + 10, "used over")
        y += WORDS
    for flag in sorted(flags, key=lambda flag: flag.kept is not Kept.AT_RISK)[:FLAGS]:
        yield _flag(flag, column.left, y, column.room)
        y += FLAG
    if more := len(flags) - FLAGS:
        yield from _more_flags(flags[0].day, max(more, 0), column.left, y)


def _more_flags(on: date, count: int, x: float, y: float) -> Parts:
    if count:
        link = link_to(f"#d-{on.isoformat()}", f"{count} more orders")
        link.append(words_at(f"+{count}", x + 3, y + 10, "used full"))
        yield link


def _flag(flag: Flag, x: float, y: float, wide: float) -> Link:
    """An order's flag, with its number."""
    link = link_to(reverse("bench:order", args=[flag.order]), _flag_title(flag), f"flag {look_of(flag.kept)}")
    link.append(cloth(flag.kept, x, y, wide))
    link.append(words_at(_number(flag.order, wide - 6), x + 3, y + 10.5, "in"))
    return link


def cloth(kept: Kept, x: float, y: float, wide: float) -> drawsvg.Path:
    """On time: cut in at its end. At risk: filled and pointed. Gone: an outline."""
    ends = {
        Kept.ON_TIME: f"h{wide + 2:.1f} l-5,7 l5,7 h{-wide - 2:.1f} z",
        Kept.AT_RISK: f"h{wide - 1:.1f} l7,7 l-7,7 h{1 - wide:.1f} z",
        Kept.GONE: f"h{wide:.1f} v14 h{-wide:.1f} z",
    }
    return drawsvg.Path(f"M{x:.1f},{y:g} {ends[kept]}", class_="cloth")


def _number(order: str, room: float) -> str:
    """The end of a number that is longer than its flag."""
    fit = int(room / TEXT / LETTER)
    return order if len(order) <= fit else f"…{order[1 - fit :]}"


def _flag_title(flag: Flag) -> str:
    return " ".join(
        [f"{flag.order}, {flag.shop}: promised to leave {day_words(flag.day)}, {flag.kept}.", *flag.because]
    )
