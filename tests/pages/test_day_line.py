"""The day sheet's line of time: the picture and its table. Mossgate, Thu 5 March 2026, 13:50, New York."""

import html
import re
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import CalendarDay, Equipment, EquipmentOut, Load, Weekday

THURSDAY = "/bench/day/2026-03-05/"


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    """12 cups in rain garden: 14 rosettes in two casts (6 and 1 minutes) and a pour of 36 minutes on Thursday."""
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))


@pytest.fixture
def bench(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


def section(bench: Client, url: str = THURSDAY) -> str:
    """The section as it is sent; "" for a page without it."""
    answer: Any = bench.get(url)
    assert answer.status_code == 200
    found = re.search(r'<section class="stack day-line".*?</section>', answer.content.decode(), re.DOTALL)
    return found.group(0) if found else ""


def words(of: str) -> str:
    """The section's text without its picture."""
    text = re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", of, flags=re.DOTALL))
    return re.sub(r"\s+", " ", html.unescape(text)).replace("\u00a0", " ").strip()


def picture(of: str) -> ET.Element:
    [svg] = re.findall(r"<svg xmlns=.*?</svg>", of, re.DOTALL)
    return ET.fromstring(svg)  # noqa: S314  (our own)


def written(of: ET.Element) -> list[str]:
    return [text.text or "" for text in of.iter("{http://www.w3.org/2000/svg}text")]


def move(operation: str, day: str) -> None:
    Load.objects.filter(portions__operation=operation).update(day=day)


def test_the_table_says_when_each_load_is_worked_on(bench: Client) -> None:
    """From 13:50 on: cast till 13:56; poured till 14:32; the tray is back at 13:56 + 45 minutes = 14:41."""
    said = words(section(bench))

    assert "Hands are done at 14:42; the day closes at 17:00" in said
    cast = "Cast rosettes {} × Rosette in Rosette tray; stands until {}; sets until Fri 6 Mar {} min to {}"
    assert f"13:50 {cast.format(12, '14:41', 6, '13:56')}" in said
    assert "13:56 Pour base 12 × Succulent cup, Rain garden in Pot A; sets until Fri 6 Mar 36 min to 14:32" in said
    assert f"14:41 {cast.format(2, '15:27', 1, '14:42')}" in said


def test_the_picture_shows_what_the_table_says(bench: Client) -> None:
    svg = picture(section(bench))
    texts = written(svg)

    assert texts[:5] == ["13", "14", "15", "16", "17"]
    for said in ("13:50", "Cast rosettes: Rosette", "6 min", "Pour base: Succulent cup, Rain garden", "36 min"):
        assert said in texts
    # 13:00 to 17:00 are 240 minutes: the pour from 13:56 to 14:32 begins at 56 / 240 and is 36 / 240 wide.
    boxes = [
        (box.get("x"), box.get("width"), box.get("height")) for box in svg.iter("{http://www.w3.org/2000/svg}rect")
    ]
    assert ("23.33%", "15.0%", "14") in boxes
    # What stands is thin and hatched, from 13:56 to 14:41: 45 / 240.
    assert ("23.33%", "18.75%", "6") in boxes
    assert svg.get("aria-label") == "The day by the minute, Thu 5 Mar; see the table"


def test_a_picture_holds_no_style_no_script_and_no_name_as_markup(bench: Client) -> None:
    """The policy refuses inline styles and scripts; a name is text, whatever it holds."""
    from wholesale.models import Item

    Item.objects.filter(code="SUC").update(name="Cup <script>x</script>")
    found = section(bench)

    assert "<script" not in found
    assert "style" not in found
    assert "Pour base: Cup <script>x</script>, Rain garden" in written(picture(found))


def test_what_is_done_is_off_the_line_and_what_is_weighed_comes_first(bench: Client) -> None:
    first, second = Load.objects.filter(portions__operation="cast").order_by("pk")
    Load.objects.filter(pk=first.pk).update(done_at=clock.now())
    Load.objects.filter(portions__operation="pour").update(weighed_at=clock.now(), number="B-1001")
    said = words(section(bench))

    # The tray that was done at 13:50 is back at 14:35.
    assert said.index("13:50 Pour base") < said.index("14:35 Cast rosettes 2 × Rosette")
    assert "12 × Rosette" not in said
    assert second.pk != first.pk


def test_work_past_closing_says_so(bench: Client) -> None:
    """At 16:50 the pour runs from 16:56 to 17:32, and the tray is back at 17:41 for the second cast."""
    with clock.at("2026-03-05T16:50"):
        found = section(bench)

    assert "Hands are done at 17:42, after closing at 17:00" in words(found)
    assert words(found).count("Past closing") == 2
    assert "hands past closing" in written(picture(found))
    assert "stroke-dasharray" in found


def test_what_has_no_place_is_named_with_its_reason(bench: Client) -> None:
    equipment = Equipment.objects.get(code="POT-A")
    EquipmentOut.objects.create(equipment=equipment, first="2026-03-02", last="2026-03-05", because="cracked")
    EquipmentOut.objects.create(equipment=Equipment.objects.get(code="TRAY-R"), first="2026-03-06")
    said = words(section(bench))

    assert "Pour base, Succulent cup, Rain garden has no place on this day" in said
    assert "What it is made in can't be used on this day." in said
    assert "– Pour base" in said
    assert "13:50 Cast rosettes" in said


def test_a_day_that_is_over_and_a_day_without_loads_have_no_line(bench: Client) -> None:
    assert section(bench, "/bench/day/2026-03-04/") == ""
    assert section(bench, "/bench/day/2026-03-20/") == ""
    with clock.at("2026-03-06T08:30"):
        assert section(bench) == ""
        # What was not done on Thursday is today's.
        assert "08:30 Cast rosettes" in words(section(bench, "/bench/day/"))


def test_a_day_without_hours_lists_its_loads_and_says_why(bench: Client) -> None:
    day = CalendarDay.objects.create(day="2026-03-05", kind="work")
    for kind, opens, closes, reason in (
        ("work", None, None, "This day has no opening hours, so the loads have no times."),
        ("work", "17:00", "08:00", "This day closes before it opens"),
        ("market", None, None, "No work at the bench on this day, so the loads have no times."),
    ):
        CalendarDay.objects.filter(pk=day.pk).update(kind=kind, opens=opens, closes=closes)
        found = section(bench)

        assert reason in words(found)
        assert words(found).index("– Cast rosettes") < words(found).index("– Pour base")
        assert 'class="line-picture"' not in found


def test_two_hours_of_setting_are_two_hours_when_the_clocks_change(bench: Client) -> None:
    """Poured for 36 minutes, set for 84: 120. New York's rule since 2007 (Energy Policy Act of 2005)."""
    Equipment.objects.filter(code="POT-A").update(hold_minutes=84)
    for day, stands_until in (
        # Sun 8 March 2026: 02:00 becomes 03:00. From 01:00, two hours later it is 04:00.
        ("2026-03-08", "04:00"),
        # Sun 1 November 2026: 02:00 becomes 01:00 again. Two hours later it is 02:00.
        ("2026-11-01", "02:00"),
        ("2026-03-09", "03:00"),
    ):
        CalendarDay.objects.create(day=day, kind="work", opens="01:00", closes="06:00", minutes={"bench": 240})
        move("pour", day)
        found = section(bench, f"/bench/day/{day}/")

        poured = f"01:00 Pour base 12 × Succulent cup, Rain garden in Pot A; stands until {stands_until};"
        assert poured in words(found)
        assert written(picture(found))[0] == "01"


def test_a_leap_day_and_a_years_end_have_their_line(bench: Client) -> None:
    """Tuesday and Thursday: work days from 08:00 on."""
    for day in ("2028-02-29", "2026-12-31"):
        move("pour", day)
        assert "08:00 Pour base" in words(section(bench, f"/bench/day/{day}/"))


def test_several_people_share_the_day(bench: Client) -> None:
    """1,000 minutes between 08:00 and 17:00 (540) are two people's: casting and pouring begin together."""
    Weekday.objects.update(minutes={"bench": 1000})
    said = words(section(bench))

    assert "13:50 Cast rosettes" in said
    assert "13:50 Pour base" in said


def test_what_stands_till_another_day_says_which(bench: Client) -> None:
    """Poured till 14:32, kept for 1,440 minutes."""
    Equipment.objects.filter(code="POT-A").update(hold_minutes=1440)
    assert "stands until Fri 6 Mar 14:32" in words(section(bench))
