"""The plan as a time chart: pictures and table say the same, and both what the plan says. Thu 5 March 2026, 13:50."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.db import transaction
from django.test import Client
from pytest_django import DjangoDbBlocker

from accounts.models import Shop
from tests import builders
from tests.pages.reading import text
from wholesale import clock
from wholesale.models import CalendarDay, Equipment, EquipmentOut, Item, Load, LoadPortion, Operation, Order, Weekday
from wholesale.queries.time_chart import Flag, Kept, Line, TimeChart, time_chart
from wholesale.web import time_chart as pictures

SVG = "{http://www.w3.org/2000/svg}"
MONDAY, THURSDAY, FRIDAY = date(2026, 3, 2), date(2026, 3, 5), date(2026, 3, 6)

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def _world(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[None]:
    """Mossgate with three orders, for all tests of this file; each test takes back what it did."""
    with django_db_blocker.unblock(), transaction.atomic():
        _three_orders()
        yield
        transaction.set_rollback(True)


@pytest.fixture
def _orders(_world: None) -> None:
    """Ask for the three orders: W-1001, W-1002, W-1003."""


def _three_orders() -> None:
    builders.mossgate_rows()
    for slug, *lines in (
        ("brindle-fen", ("SUC", 2, "RG")),
        ("tallowmere", ("PEB", 4, "CF"), ("FRN", 3, {"CF": 6, "WS": 6})),
        ("quillwort", ("FRN", 2, "CF")),
    ):
        builders.place(Shop.objects.get(slug=slug), *lines)


@dataclass(frozen=True)
class Drawn:
    """A mark of a picture: which day's column it stands in, which line, and its parts by class."""

    day: date
    line: str
    link: ET.Element

    def part(self, look: str) -> ET.Element | None:
        """The first part of that look."""
        return next((part for part in self.link if look in part.get("class", "").split()), None)

    def parts(self, look: str) -> int:
        """How many parts of that look it has."""
        return sum(look in part.get("class", "").split() for part in self.link)

    @property
    def words(self) -> str:
        """What is written in it."""
        return " ".join(part.text or "" for part in self.link.findall(f"{SVG}text"))


class Picture:
    """A week's picture, read by where things stand in it."""

    def __init__(self, week: str) -> None:
        self.svg = ET.fromstring(str(week))  # noqa: S314  our own picture
        heads = self.linked("/bench/day/", of="")
        self.days = {float(_text(head).get("x", "")): _day(head.get("href", "")) for head in heads}
        self.names = {
            float(t.get("y", "")): t.text or "" for t in self.svg.iter(f"{SVG}text") if t.get("class") == "name"
        }

    def linked(self, to: str, of: str | None = None) -> list[ET.Element]:
        """Links to an address, of one look."""
        links = [a for a in self.svg.iter(f"{SVG}a") if a.get("href", "").startswith(to)]
        return [a for a in links if of is None or (a.get("class") or "").partition(" ")[0] == of]

    def drawn(self, to: str, of: str | None = None) -> list[Drawn]:
        """Marks that link to an address, with the day and the line they stand in."""
        return [self._drawn(link) for link in self.linked(to, of)]

    def _drawn(self, link: ET.Element) -> Drawn:
        block = next(part for part in link if part.get("class") in {"block", "cloth"})
        x, y = _corner(block)
        day = max(left for left in self.days if left <= x + 0.1)
        line = max(top for top in self.names if top <= y)
        return Drawn(self.days[day], self.names[line], link)

    def of_class(self, look: str) -> list[ET.Element]:
        """Every element of that look."""
        return [part for part in self.svg.iter() if look in part.get("class", "").split()]


def _text(link: ET.Element) -> ET.Element:
    found = link.find(f"{SVG}text")
    assert found is not None
    return found


def _corner(block: ET.Element) -> tuple[float, float]:
    """Where a shape begins: its left upper corner."""
    if block.tag == f"{SVG}rect":
        return float(block.get("x", "")), float(block.get("y", ""))
    found = re.match(r"M([\d.]+),([\d.]+)", block.get("d", ""))
    assert found
    return float(found[1]), float(found[2])


def _day(href: str) -> date:
    return date.fromisoformat(href.rstrip("/").rpartition("/")[2])


def read(chart: TimeChart) -> list[Picture]:
    """The pictures of a chart."""
    return [Picture(week) for week in pictures.weeks(chart)]


def bars(chart: TimeChart) -> list[Drawn]:
    """The loads of all weeks."""
    return [drawn for picture in read(chart) for drawn in picture.drawn("/bench/loads/")]


def line(chart: TimeChart, name: str) -> Line:
    return next(found for found in chart.lines if found.name == name)


def drawn_of(chart: TimeChart, load: Load) -> Drawn:
    [found] = [drawn for drawn in bars(chart) if drawn.link.get("href") == f"/bench/loads/{load.pk}/"]
    return found


def cells(page: Any) -> dict[tuple[str, str], str]:
    """The table by day (ISO 8601) and column: what each cell says."""
    found = {}
    body = page.content.decode().partition('id="chart-table"')[2]
    for on, row in re.findall(r'<tr id="d-([\d-]+)".*?>(.*?)</tr>', body, re.DOTALL):
        for name, said in re.findall(r'<td [^>]*data-label="([^"]+)">(.*?)</td>', row, re.DOTALL):
            found[on, name] = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", said)).strip()
    return found


@pytest.fixture
def bench(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


@pytest.mark.usefixtures("_orders")
def test_each_load_stands_once_on_its_day_in_the_line_of_its_equipment_or_hands() -> None:
    found = bars(time_chart())

    rows = Load.objects.select_related("equipment")
    expected = {f"/bench/loads/{r.pk}/": (r.day, r.equipment.name if r.equipment else "Bench") for r in rows}
    assert len(found) == len(expected) > 15
    assert {drawn.link.get("href"): (drawn.day, drawn.line) for drawn in found} == expected


@pytest.mark.usefixtures("_orders")
def test_the_picture_has_as_many_bars_as_the_table_says_loads(bench: Client) -> None:
    """Of Thursday's pot the table says 2 of 2: two bars stand there, and the figures above them say the same."""
    table = cells(bench.get("/bench/plan/"))
    counted: dict[tuple[str, str], int] = {}
    for drawn in bars(time_chart()):
        counted[drawn.day.isoformat(), drawn.line] = counted.get((drawn.day.isoformat(), drawn.line), 0) + 1

    assert table["2026-03-05", "Pot A"].startswith("2 of 2 · ")
    for (on, name), said in table.items():
        used = re.match(r"(\d+) of \d+", said)
        if used and name != "Bench":
            assert counted.get((on, name), 0) == int(used[1]), (on, name)
    first = read(time_chart())[0]
    assert [t.text for t in first.of_class("full") if t.text == "2 of 2"] != []


@pytest.mark.usefixtures("_orders")
def test_the_table_says_minutes_and_links_each_load(bench: Client) -> None:
    """Minutes a piece (trade.md, section 6): pour 3, pipe and seal 2.5, cast 0.5, finish 3."""
    page = bench.get("/bench/plan/")
    body = page.content.decode().partition('id="chart-table"')[2]

    assert {int(pk) for pk in re.findall(r"/bench/loads/(\d+)/", body)} == set(
        Load.objects.values_list("pk", flat=True)
    )
    pours = LoadPortion.objects.filter(load__day=THURSDAY, operation="pour")
    minutes = 3 * sum(pours.values_list("pieces", flat=True))
    assert f"2 of 2 · {minutes} min" in cells(page)["2026-03-05", "Pot A"]


@pytest.mark.usefixtures("_orders")
def test_the_table_names_what_is_in_a_load_and_the_key_what_a_mark_stands_for(bench: Client) -> None:
    """Pot A holds scents, told apart by marks; the trays hold nothing but pebbles, whose bars need no mark."""
    page = bench.get("/bench/plan/")
    table, chart = cells(page), time_chart()

    assert re.search(r"Rain garden Pour base, Rain garden \d+", table["2026-03-05", "Pot A"])
    assert re.search(r"Pebble Cast pebbles, Pebble \d+", table["2026-03-05", "Pebble trays"])
    assert chart.marks["RG"] == "Rain garden"
    assert "PEBBLE" not in chart.marks
    key = page.content.decode().partition('<ul class="keys"')[2].partition("</ul>")[0]
    assert dict(re.findall(r'<span class="code">(\w+)</span> ([^<]+)</li>', key)) == chart.marks
    written = {drawn.words.partition(" ")[0] for drawn in bars(chart) if " " in drawn.words}
    assert written
    assert all(any(mark.startswith(word) for mark in chart.marks) for word in written)


@pytest.mark.usefixtures("_orders")
def test_work_of_hands_is_a_block_and_what_stands_alone_a_thin_line_with_a_cap() -> None:
    """A poured base stands a night, a finished candle doesn't; a tray that is held 90 minutes stands in the day too."""
    Equipment.objects.update(hold_minutes=0)
    chart = time_chart()
    pour, finish = (Load.objects.filter(portions__operation=step)[0] for step in ("pour", "finish"))

    assert (drawn_of(chart, pour).parts("stands"), drawn_of(chart, pour).parts("cap")) == (1, 1)
    assert drawn_of(chart, finish).parts("stands") == 0

    cast = Load.objects.filter(equipment__code="TRAY-R")[0]
    before = _wide(drawn_of(chart, cast))
    Equipment.objects.filter(code="TRAY-R").update(hold_minutes=90)
    held = drawn_of(time_chart(), cast)
    # One line in the day, one across the night; the block is 62 % of what it was.
    assert (held.parts("stands"), held.parts("cap")) == (2, 2)
    assert _wide(held) == pytest.approx(0.62 * before, abs=0.1)
    assert "then 90 min by itself" in (held.link.findtext(f"{SVG}title") or "")


def _path(drawn: Drawn) -> str:
    block = drawn.part("block")
    assert block is not None
    return block.get("d", "")


def _wide(drawn: Drawn) -> float:
    found = re.search(r" h([\d.]+) ", _path(drawn))
    assert found
    return float(found[1])


@pytest.mark.usefixtures("_orders")
def test_how_far_a_load_is_differs_by_shape() -> None:
    """To do; begun with a stripe; done; past its day with a cut corner; scrapped with a stroke through it."""
    load = Load.objects.filter(equipment__code="POT-A", day=THURSDAY)[0]

    def shapes(**now: Any) -> tuple[str, set[str], bool]:
        Load.objects.filter(pk=load.pk).update(**now)
        drawn = drawn_of(time_chart(), load)
        return drawn.link.get("class", ""), {part.get("class", "") for part in drawn.link}, "l5,5" in _path(drawn)

    look, parts, cut = shapes()
    assert (look, "stripe" in parts, cut) == ("made to-do", False, False)
    look, parts, _ = shapes(weighed_at=clock.now())
    assert (look, "stripe" in parts) == ("made begun", True)
    assert shapes(done_at=clock.now())[0] == "made done"
    look, parts, _ = shapes(scrapped_at=clock.now())
    # What is scrapped stands for nothing.
    assert (look, "struck" in parts, "stands" in parts) == ("made scrapped", True, False)
    look, _, cut = shapes(weighed_at=None, done_at=None, scrapped_at=None, day=date(2026, 3, 4))
    assert (look, cut) == ("made overdue", True)


@pytest.mark.usefixtures("_orders")
def test_what_cures_is_a_line_from_the_evening_it_is_topped_to_the_morning_it_may_be_sold() -> None:
    """Topped Fri 6 March, cured Mon 16 (10 days): it begins in the first week and ends with the second."""
    chart = time_chart()
    wait = next(one for one in chart.waits if one.day == FRIDAY)
    assert (wait.until, wait.how) == (date(2026, 3, 16), "cures")

    links = [picture.linked("/bench/day/2026-03-16/", of="wait") for picture in read(chart)]
    assert [len(found) for found in links] == [1, 1, 0]
    (first,), (second,) = links[:2]
    assert first.findtext(f"{SVG}text") == f"{wait.count} till Mon 16 Mar" or _text(first).text == wait.count
    # A cap where it begins, none where the week cuts it; in the second week the one at its end.
    assert [sum(part.get("class") == "cap" for part in link) for link in (first, second)] == [1, 1]
    line = next(part for part in second if part.get("class") == "stands")
    assert "M0" in line.get("d", "") or float(line.get("x1", "1")) == 0


@pytest.mark.usefixtures("_orders")
def test_today_is_a_line_before_its_work_and_only_where_it_is_shown() -> None:
    first, second, third = read(time_chart())

    [line] = first.of_class("today")
    # A day's words begin 2.5 units into its column.
    assert first.days[_x(line) + 2.5] == THURSDAY
    assert (second.of_class("today"), third.of_class("today")) == ([], [])
    assert all(not picture.of_class("today") for picture in read(time_chart(date(2026, 4, 20))))


def _x(line: ET.Element) -> float:
    found = re.match(r"M([\d.]+)", line.get("d", "")) if line.get("d") else None
    return float(found[1] if found else line.get("x1", ""))


@pytest.mark.usefixtures("_orders")
def test_markets_closed_days_and_nights_have_a_pattern_and_a_letter(bench: Client) -> None:
    """Saturday is a market, Sunday closed; a holiday on Wed 11 March is marked alike, and named in the table."""
    CalendarDay.objects.create(day=date(2026, 3, 11), kind="closed", note="Holiday")
    _, second, _ = read(time_chart())

    letters = sorted(t.text or "" for t in second.of_class("letter"))
    assert letters == ["C", "C", "M", *"NNNNNNN"]
    assert len(second.of_class("off")) == 3
    patterns = {part.get("fill") for part in second.of_class("off")} | {p.get("fill") for p in second.of_class("dark")}
    assert len(patterns) == 3
    page = text(bench.get("/bench/plan/"))
    assert "Wed 11 Mar closed: Holiday" in page
    assert "Sat 14 Mar market" in page


@pytest.mark.usefixtures("_orders")
def test_a_promise_is_a_flag_on_its_day_and_at_risk_by_shape_and_word(bench: Client) -> None:
    """W-1001 leaves Mon 16 March (S3); planned three days later it is at risk; shipped, it is gone."""
    order = Order.objects.get(number="W-1001")
    assert order.promised_leaves == date(2026, 3, 16)

    def flag() -> Drawn:
        found = [one for picture in read(time_chart()) for one in picture.drawn("/bench/orders/W-1001/")]
        assert len(found) == 1
        return found[0]

    kept = flag()
    assert (kept.day, kept.line, kept.words) == (order.promised_leaves, "Promised to leave", "W-1001")
    Order.objects.filter(pk=order.pk).update(planned_leaves=date(2026, 3, 19))
    at_risk = flag()
    assert [one.link.get("class") for one in (kept, at_risk)] == ["flag on-time", "flag at-risk"]
    assert _cloth(kept) != _cloth(at_risk)
    assert [t.text for t in read(time_chart())[2].of_class("over")] == ["at risk"]
    page = bench.get("/bench/plan/")
    assert "W-1001 at risk" in cells(page)["2026-03-16", "Promised to leave"]
    assert "1 at risk" in text(page)

    Order.objects.filter(pk=order.pk).update(state="shipped")
    assert flag().link.get("class") == "flag gone"
    assert _cloth(flag()) not in {_cloth(kept), _cloth(at_risk)}
    assert Kept.AT_RISK not in {one.kept for one in time_chart().flags}


def _cloth(flag: Drawn) -> str:
    """The shape of a flag, wherever it stands."""
    cloth = flag.part("cloth")
    assert cloth is not None
    return cloth.get("d", "").partition(" ")[2]


@pytest.mark.usefixtures("_orders")
def test_a_staff_has_room_for_six_flags_those_at_risk_first() -> None:
    """Of eight orders promised to one day, 8 − 6 = 2 are a number that leads to the table; the last is at risk."""
    day = date(2026, 3, 18)
    flags = tuple(
        Flag(order=f"W-{number}", shop="Fern", day=day, kept=Kept.AT_RISK if number == 9 else Kept.ON_TIME, because=())
        for number in range(2, 10)
    )
    third = read(replace(time_chart(), flags=flags))[2]

    assert [flag.words for flag in third.drawn("/bench/orders/")] == ["W-9", "W-2", "W-3", "W-4", "W-5", "W-6"]
    assert {flag.day for flag in third.drawn("/bench/orders/")} == {day}
    assert [_text(link).text for link in third.linked(f"#d-{day}")] == ["+2"]


@pytest.mark.usefixtures("_orders")
def test_a_number_longer_than_its_flag_shows_its_end() -> None:
    flag = Flag(order="WHOLESALE-2026-1042", shop="Fern", day=FRIDAY, kept=Kept.ON_TIME, because=())
    [shown] = read(replace(time_chart(), flags=(flag,)))[0].drawn("/bench/orders/")

    assert shown.words.startswith("…")
    assert flag.order.endswith(shown.words[1:])
    assert "WHOLESALE-2026-1042" in (shown.link.findtext(f"{SVG}title") or "")


@pytest.mark.usefixtures("_orders")
def test_open_orders_promised_before_the_weeks_are_counted(bench: Client) -> None:
    with clock.at("2026-03-30T08:00"):
        page = text(bench.get("/bench/plan/"))
    assert "3 open orders were promised before Mon 30 Mar" in page


@pytest.mark.usefixtures("_orders")
def test_a_plan_with_nothing_says_so_and_shows_its_days(bench: Client) -> None:
    Order.objects.update(state="refused")
    LoadPortion.objects.all().delete()
    Load.objects.all().delete()
    page = bench.get("/bench/plan/")

    assert "No load stands in these weeks." in text(page)
    assert page.content.decode().count('<tr id="d-') == 21
    assert [len(picture.days) for picture in read(time_chart())] == [7, 7, 7]
    assert bars(time_chart()) == []


@pytest.mark.usefixtures("_orders")
def test_without_a_calendar_all_days_are_closed_and_the_loads_are_too_many(bench: Client) -> None:
    Weekday.objects.all().delete()
    CalendarDay.objects.all().delete()
    page = bench.get("/bench/plan/")

    assert text(page).count(" closed ") >= 21
    assert cells(page)["2026-03-05", "Pot A"].startswith("2 of 0 ")
    assert len(bars(time_chart())) == Load.objects.count()


@pytest.mark.usefixtures("_orders")
def test_three_weeks_begin_on_a_monday_and_lead_to_the_others(bench: Client) -> None:
    """Fri 20 March 2026: its Monday is the 16th; three weeks before 23 February, after 6 April."""
    page = bench.get("/bench/plan/2026-03-20/")

    assert "Plan Mon 16 Mar to Sun 5 Apr" in text(page)
    for there in ("/bench/plan/2026-02-23/", "/bench/plan/2026-04-06/", "/bench/capacity/2026-03-16/"):
        assert there in page.content.decode()
    assert "/bench/plan/2026-03-16/" in bench.get("/bench/capacity/2026-03-20/").content.decode()


@pytest.mark.usefixtures("_orders")
def test_a_years_end_is_crossed(bench: Client) -> None:
    """Wed 30 December 2026: from Mon 28 December to Sun 17 January 2027, which says its year."""
    page = bench.get("/bench/plan/2026-12-30/")
    chart = time_chart(date(2026, 12, 30))

    assert "Plan Mon 28 Dec to Sun 17 Jan 2027" in text(page)
    assert [day for day, _ in chart.days] == [date(2026, 12, 28) + timedelta(days=n) for n in range(21)]
    assert list(read(chart)[0].days.values()) == [day for day, _ in chart.days[:7]]


@pytest.mark.parametrize("change", [date(2026, 3, 8), date(2026, 11, 1)])
@pytest.mark.usefixtures("_orders")
def test_a_day_of_23_or_25_hours_is_a_day(change: date) -> None:
    """New York's clocks change on Sundays 8 March and 1 November 2026 (tz database; from memory)."""
    for hour in ("00:30", "23:30"):
        with clock.at(f"{change}T{hour}"):
            chart = time_chart()
            assert [day for day, _ in chart.days] == [chart.first + timedelta(days=n) for n in range(21)]
            [line] = read(chart)[0].of_class("today")
            assert read(chart)[0].days[_x(line) + 2.5] == change == chart.today


@pytest.mark.usefixtures("_orders")
def test_a_day_with_a_hundred_loads_shows_what_has_room_and_how_many_more(bench: Client) -> None:
    """Six bars below each other, three beside each other: 17 and a mark for the other 83; the table has all."""
    day = date(2026, 3, 18)
    portion = LoadPortion.objects.filter(operation="pour")[0]
    pot, base = Equipment.objects.get(code="POT-A"), Item.objects.get(code="BASE")
    loads = Load.objects.bulk_create(Load(day=day, equipment=pot, what=base, scent="RG") for _ in range(100))
    LoadPortion.objects.bulk_create(
        LoadPortion(
            load=load, order_scent_id=portion.order_scent_id, item=portion.item, scent="RG", operation="pour", pieces=4
        )
        for load in loads
    )

    there = [drawn for drawn in bars(time_chart()) if (drawn.day, drawn.line) == (day, "Pot A")]
    [rest] = read(time_chart())[2].of_class("rest")
    assert (len(there), _text(rest).text) == (17, "+83")
    assert rest.get("href") == f"#d-{day}"
    page = bench.get("/bench/plan/")
    # 100 × 4 pieces × 3 minutes = 1,200 of 360, and 3 for each candle finished that day.
    finish = 3 * sum(LoadPortion.objects.filter(load__day=day, operation="finish").values_list("pieces", flat=True))
    assert cells(page)["2026-03-18", "Pot A"].startswith("100 of 2 · 1,200 min too much")
    assert cells(page)["2026-03-18", "Bench"].startswith(f"{1200 + finish:,} of 360 too much")
    body = page.content.decode().partition('id="chart-table"')[2]
    assert {load.pk for load in loads} <= {int(pk) for pk in re.findall(r"/bench/loads/(\d+)/", body)}


@pytest.mark.usefixtures("_orders")
def test_equipment_out_of_use_leaves_a_smaller_quota(bench: Client) -> None:
    """One of two pebble trays is out from Mon 9 to Tue 10 March: 1 × 3 = 3 loads instead of 6."""
    trays = Equipment.objects.get(code="TRAY-P")
    EquipmentOut.objects.create(equipment=trays, count=1, first=date(2026, 3, 9), last=date(2026, 3, 10))
    of = {cell.day: cell.of for cell in line(time_chart(), "Pebble trays").cells}
    assert [of[date(2026, 3, day)] for day in (6, 9, 10, 11)] == [6, 3, 3, 6]
    assert cells(bench.get("/bench/plan/"))["2026-03-09", "Pebble trays"].partition(" ·")[0].endswith(" of 3")
    # Two weeks: 10 work days, 8 × 6 and 2 × 3 loads.
    assert "of 54" in text(bench.get("/bench/capacity/"))


@pytest.mark.usefixtures("_orders")
def test_work_that_needs_neither_equipment_nor_hands_has_a_line_too() -> None:
    Operation.objects.filter(code="finish").update(hands="")
    chart = time_chart()

    assert chart.lines[-1].name == "By itself"
    assert {drawn.line for drawn in bars(chart)} >= {"By itself"}
    assert len(bars(chart)) == Load.objects.count()


@pytest.mark.usefixtures("_orders")
def test_a_picture_holds_no_style_no_script_and_no_name_as_markup() -> None:
    """The policy refuses inline styles and scripts; a name is text, whatever it holds."""
    Equipment.objects.filter(code="POT-A").update(name="Pot <script>alert(1)</script> & Co")
    drawn = "".join(str(week) for week in pictures.weeks(time_chart()))

    assert "<script" not in drawn
    assert "style" not in drawn
    assert "Pot &lt;script&gt;alert(1)&lt;/script&gt; &amp; Co" in drawn


@pytest.mark.usefixtures("_orders")
def test_the_pictures_are_for_eyes_and_fingers_and_the_figure_says_so_in_words(bench: Client) -> None:
    """A screen reader and the keyboard skip the pictures; the figure's name counts what is in them and leads on."""
    page = bench.get("/bench/plan/").content.decode()
    figure = page.partition("<figure")[2].partition("</figure>")[0]

    assert 'role="group" aria-labelledby="chart-words"' in figure
    assert figure.count('aria-hidden="true" focusable="false"') >= 3
    inside = figure.partition('class="weeks"')[2]
    assert len(re.findall(r"<a [^>]*tabindex=\"-1\"", inside)) == len(re.findall(r"<a ", inside)) > 20
    words = text(bench.get("/bench/plan/"))
    assert f"{Load.objects.count()} loads 3 promises The same as a table" in words
