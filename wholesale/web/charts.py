"""Pictures for pages: SVG (W3C, version 1.1) made by drawsvg, without a style or a script of its own.

Colours come as presentation attributes, which the content security policy allows;
tone never stands alone: full is hatched one way, too much both ways, a day off has
its own pattern. What a picture shows also stands in its description as text.
"""

from decimal import Decimal

import drawsvg
from django.utils.html import format_html
from django.utils.safestring import SafeString

from wholesale.core.production.calendar import Day, DayKind
from wholesale.queries.capacity import CapacityPage, Cell, Row
from wholesale.web.templatetags.casewright import day as day_words

INK, SOFT, ACCENT, PAPER, RULE, STOPPED = "#1b2129", "#525a66", "#1f4a7d", "#fdfbf5", "#8fa3bd", "#9c2318"
#: The picture's own units: a column of names, then a box and a night for each day.
NAMES, BOX, NIGHT, HEAD, LINE, TALL = 112, 52, 12, 56, 52, 26
LEGEND = 56


def capacity_picture(page: CapacityPage) -> SafeString:
    """Loads and minutes of each day against their quota: a line an equipment, a column a day, the nights between."""
    width = NAMES + len(page.days) * (BOX + NIGHT)
    height = HEAD + len(page.rows) * LINE + LEGEND
    picture = drawsvg.Drawing(
        width, height, id_prefix="capacity-", role="img", aria_labelledby="capacity-title capacity-words",
        class_="capacity",
    )  # fmt: skip
    picture.append(drawsvg.Title(_title(page), id="capacity-title"))
    picture.append(drawsvg.Raw(format_html('<desc id="capacity-words">{}</desc>', _description(page))))
    patterns = _patterns()
    for i, (_, day) in enumerate(page.days):
        picture.append(_column(i, day, len(page.rows), patterns))
    for i, (on, day) in enumerate(page.days):
        picture.append(_day_head(i, day_words(on), day, is_today=on == page.today))
    for line, row in enumerate(page.rows):
        picture.append(_line(line, row, patterns))
    picture.append(_legend(HEAD + len(page.rows) * LINE + 20, patterns))
    # drawsvg has escaped every text; its heading for a file of its own has no place in a page.
    return SafeString(picture.as_svg(header=""))


def _title(page: CapacityPage) -> str:
    return f"Load against capacity, {day_words(page.first)} to {day_words(page.last)}"


def _description(page: CapacityPage) -> str:
    """Every number of the picture, a sentence a line."""
    return " ".join(_sentence(page, row) for row in page.rows)


def _sentence(page: CapacityPage, row: Row) -> str:
    days = [(cell, day) for cell, (_, day) in zip(row.cells, page.days, strict=True)]
    said = ", ".join(f"{day_words(cell.day)} {_said(cell, day)}" for cell, day in days)
    return f"{row.name}, {row.unit}: {said}; in all {row.total.words}."


def _said(cell: Cell, day: Day) -> str:
    if day.kind is not DayKind.WORK and not cell.used:
        return day.kind.value
    return f"{cell.words}{', overnight' if cell.overnight else ''}"


def _left(column: int) -> int:
    return NAMES + column * (BOX + NIGHT)


def _text(words: str, x: float, y: float, **look: object) -> drawsvg.Text:
    return drawsvg.Text(words, look.pop("size", 13), x, y, **{"fill": INK, **look})


# ── patterns: shape as well as tone ──────────────────────────────────────────────


def _patterns() -> dict[str, drawsvg.DrawingElement]:
    return {
        "full": _stripes("full", ACCENT, PAPER, "M0,6 L6,0"),
        "over": _stripes("over", STOPPED, PAPER, "M0,6 L6,0 M0,0 L6,6"),
        "closed": _stripes("closed", PAPER, RULE, "M0,0 L6,6 M0,6 L6,0"),
        "market": _stripes("market", PAPER, RULE, "M3,0 L3,6"),
        "night": _stripes("night", SOFT, INK, "M0,3 L6,3"),
    }


def _stripes(name: str, ground: str, stroke: str, lines: str) -> drawsvg.DrawingElement:
    """A tile of 6 by 6: a ground with lines over it."""
    pattern = drawsvg.Pattern(width=6, height=6, patternUnits="userSpaceOnUse", id=f"capacity-{name}")
    pattern.append(drawsvg.Rectangle(0, 0, 6, 6, fill=ground))
    pattern.append(drawsvg.Path(lines, stroke=stroke, stroke_width=1.2, fill="none"))
    return pattern


# ── the parts of the picture ─────────────────────────────────────────────────────


def _column(column: int, day: Day, lines: int, patterns: dict[str, drawsvg.DrawingElement]) -> drawsvg.Group:
    """One day's ground, patterned where it is off, and the night after it."""
    group = drawsvg.Group()
    x, tall = _left(column), lines * LINE
    if day.kind is not DayKind.WORK:
        group.append(drawsvg.Rectangle(x, HEAD, BOX, tall, fill=patterns[day.kind.value], opacity=0.55))
    group.append(drawsvg.Rectangle(x + BOX + 4, HEAD, NIGHT - 8, tall, fill=patterns["night"], opacity=0.75))
    return group


def _day_head(column: int, words: str, day: Day, *, is_today: bool) -> drawsvg.Group:
    """Weekday, date, and what kind of day it is; a moon over the night."""
    group = drawsvg.Group(text_anchor="middle")
    x = _left(column) + BOX / 2
    weekday, _, rest = words.partition(" ")
    bold = {"font_weight": 600} if is_today else {}
    group.append(_text(weekday, x, 14, **bold))
    group.append(_text(rest, x, 30, **bold))
    note = "today" if is_today else "" if day.kind is DayKind.WORK else day.kind.value
    if note:
        group.append(_text(note, x, 46, size=12, fill=ACCENT if is_today else SOFT, **bold))
    group.append(_moon(_left(column) + BOX + NIGHT / 2, 48))
    return group


def _moon(x: float, y: float) -> drawsvg.Path:
    """A crescent 8 units tall."""
    return drawsvg.Path(f"M{x + 1},{y - 4} a4,4 0 1 0 0,8 a5,5 0 0 1 0,-8z", fill=INK)


def _line(line: int, row: Row, patterns: dict[str, drawsvg.DrawingElement]) -> drawsvg.Group:
    """One equipment's, or one group of hands', days."""
    group = drawsvg.Group()
    top = HEAD + line * LINE
    group.append(drawsvg.Line(0, top, _left(len(row.cells)), top, stroke=RULE, stroke_width=1))
    group.append(_text(row.name, 0, top + 20, font_weight=600))
    group.append(_text(row.unit, 0, top + 36, size=12, fill=SOFT))
    for column, cell in enumerate(row.cells):
        if cell.of or cell.used:
            group.append(_cell(column, top, cell, patterns))
    return group


def _cell(column: int, top: int, cell: Cell, patterns: dict[str, drawsvg.DrawingElement]) -> drawsvg.Group:
    """A box filled from the left by the share that is used; a bar through the night where something stands in it."""
    group = drawsvg.Group()
    x, y = _left(column) + 2, top + 6
    group.append(drawsvg.Rectangle(x, y, BOX - 4, TALL, fill=PAPER, stroke=SOFT, stroke_width=1))
    if cell.used:
        group.append(drawsvg.Rectangle(x, y, _wide(cell), TALL, fill=_fill(cell, patterns), stroke=INK, stroke_width=1))
    if cell.overnight:
        group.append(drawsvg.Rectangle(x + BOX - 4, y + TALL / 2 - 3, NIGHT + 2, 6, fill=ACCENT))
    group.append(_text(_short(cell), x + BOX / 2 - 2, top + 46, size=12, text_anchor="middle"))
    return group


def _wide(cell: Cell) -> float:
    """How far the box is filled: all of it where nothing binds or more is used than there is."""
    share = min(cell.used / cell.of, Decimal(1)) if cell.of else Decimal(1)
    return round(float(share) * (BOX - 4), 1)


def _fill(cell: Cell, patterns: dict[str, drawsvg.DrawingElement]) -> str | drawsvg.DrawingElement:
    return patterns.get(cell.fill.value, ACCENT)


def _short(cell: Cell) -> str:
    return cell.words.replace(" of ", "/")


def _legend(y: int, patterns: dict[str, drawsvg.DrawingElement]) -> drawsvg.Group:
    """What each fill and pattern stands for."""
    group = drawsvg.Group()
    words = {"full": "full", "over": "more than there is", "market": "market day", "closed": "closed", "night": "night"}
    marks = [(ACCENT, "used"), *((patterns[name], said) for name, said in words.items())]
    x = 0
    for fill, said in marks:
        group.append(drawsvg.Rectangle(x, y, 20, 14, fill=fill, stroke=SOFT, stroke_width=1))
        group.append(_text(said, x + 26, y + 12))
        x += 44 + 7 * len(said)
    group.append(drawsvg.Rectangle(x, y + 4, 20, 6, fill=ACCENT))
    group.append(_text("stands overnight", x + 26, y + 12))
    return group
