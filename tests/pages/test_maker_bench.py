"""The bench's pages: queue, day sheet, loads. Scenario S3: 12 succulent cups, rain garden, Thu 5 March 13:50."""

import html
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import Load, LoadPortion, Order

THURSDAY, FRIDAY = "2026-03-05T13:50", "2026-03-06T08:30"


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows()


@pytest.fixture
def order() -> Order:
    """12 SUC in rain garden, placed and confirmed by the real actions."""
    from wholesale.actions import orders

    placed = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    orders.confirm(by=builders.maker(), number=placed.number)
    return placed


@pytest.fixture
def bench(client: Client) -> Client:
    """The helper, signed in: all of these pages are theirs."""
    client.force_login(builders.helper())
    return client


def words(answer: Any) -> str:
    """What a page says, as one line of text."""
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def load_of(operation: str, *, done: bool = False) -> Load:
    """The first load of a step, by day."""
    wanted = Load.objects.filter(portions__operation=operation, done_at__isnull=not done)
    return wanted.distinct().order_by("day", "pk")[0]


def finish(bench: Client, load: Load, good: int | None = None, reason: str = "", note: str = "") -> Any:
    """Mark a load done on its page; all good unless told otherwise (of its first portion)."""
    typed: dict[str, str] = {"note": note}
    for index, portion in enumerate(load.portions.all()):
        typed[f"good-{portion.pk}"] = str(portion.pieces if good is None or index else good)
        typed[f"reason-{portion.pk}"] = "" if index else reason
    return bench.post(f"/bench/loads/{load.pk}/done/", typed, follow=True)


def test_the_day_sheet_says_what_to_weigh_for_the_pour(bench: Client, order: Order) -> None:
    """12 × 150 g = 1,800 g; ÷ 0.97 = 1,855.67 g; ÷ 1.08 = 1,718.21 g wax; × 0.08 = 137.46 g oil (sum 1,855.67)."""
    page = words(bench.get("/bench/day/"))
    assert "Thursday 5 March 2026" in page
    for part in (
        "Pot A",
        "1,718.21 g",
        "137.46 g",
        "1,855.67 g",
        "12 × 150 g = 1,800 g",
        "0.08 × 1,718.213 = 137.457 g",
    ):
        assert part in page
    # 1,855.67 g ÷ 28.349523125 = 65.46 oz (NIST Handbook 44, appendix C)
    assert "65.46 oz" in page


def test_a_load_like_the_one_above_it_says_so_and_is_not_written_out_again(bench: Client, order: Order) -> None:
    """28 rosettes in trays of 12 are 12, 12 and 4; 12 × 15 g = 180 g; ÷ 0.97 = 185.57 g, written out once."""
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))

    page = words(bench.get("/bench/day/"))

    assert page.count("12 × 15 g = 180 g") == 1
    assert page.count("Weigh as for the load above: 185.57 g Casting melt.") == 1


def test_the_day_sheet_adds_up_the_minutes_of_hands(bench: Client, order: Order) -> None:
    """12 pours × 3 min = 36; 14 rosettes (12 ÷ 0.92 = 13.04, up to 14) × 0.5 min = 7; 36 + 7 = 43 of 360."""
    page = words(bench.get("/bench/day/"))
    assert "36 min 12 × 3 min" in page
    # A tray holds 12: 12 × 0.5 = 6 and 2 × 0.5 = 1.
    assert "6 min 12 × 0.5 min" in page
    assert "1 min 2 × 0.5 min" in page
    assert "43 of 360 min" in page


def test_loads_stand_in_working_order_with_tomorrow_after_them(bench: Client, order: Order) -> None:
    page = words(bench.get("/bench/day/"))
    assert page.index("Casting ") < page.index("Pouring ") < page.index("Next at the bench: Fri 6 Mar")
    assert "Pipe moss, 12 × Succulent cup, Rain garden in Whip bowl; lay ready 12 pieces of Rosette" in page


def test_strong_scents_are_poured_after_faint_ones(bench: Client) -> None:
    """Rain garden is rank 1, wet stone rank 3; the order asks for the strong one first."""
    builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 1, "WS"), ("FRN", 1, "RG"))
    page = words(bench.get("/bench/day/"))
    assert 0 < page.index("Weigh: Base melt, Rain garden") < page.index("Weigh: Base melt, Wet stone")


def test_what_sets_meanwhile_is_shown_the_day_after(bench: Client, order: Order) -> None:
    finish(bench, load_of("pour"))
    with clock.at(FRIDAY):
        page = words(bench.get("/bench/day/"))
    setting = page[page.index("Setting meanwhile") :]
    # Poured Thu, one night: ready this day.
    assert "Succulent cup, Rain garden Pour base Thu 5 Mar 12 Ready" in setting


def test_loads_past_their_day_come_first_and_are_marked(bench: Client, order: Order) -> None:
    with clock.at(FRIDAY):
        page = words(bench.get("/bench/day/"))
    first = page.index("First: past its day")
    assert first < page.index("Pour base", first) < page.index("Topping")
    assert "Overdue since Thu 5 Mar" in page


def test_a_market_day_is_called_one(bench: Client, order: Order) -> None:
    """7 March 2026 is a Saturday, Mossgate's market day."""
    assert "A market day: no work at the bench." in words(bench.get("/bench/day/2026-03-07/"))


def test_a_day_that_does_not_exist_is_not_found(bench: Client) -> None:
    assert bench.get("/bench/day/2026-02-30/").status_code == 404


def test_the_day_sheet_cautions_and_defers_to_local_rules(bench: Client) -> None:
    page = words(bench.get("/bench/day/"))
    assert "Hot wax burns" in page
    assert "no limit for pouring" in page
    assert "local rules, insurer" in page


def test_marking_done_gives_a_batch_number(bench: Client, order: Order) -> None:
    page = words(finish(bench, load_of("pour"), note="warm room"))
    assert "Done: batch B-1001" in page
    assert "by Noor Vale" in page
    assert "warm room" in page


def test_a_reject_becomes_new_need_and_the_order_is_at_risk(bench: Client, order: Order) -> None:
    """11 of 12 good on Thu at 15:10, after the cut-off: the twelfth is poured Fri 6, topped Mon 9 and sellable Thu 19.

    Promised Mon 16; Thu 19 is 3 days after. Two carrier days later, Fri 20 and Mon 23, it arrives.
    """
    with clock.at("2026-03-05T15:10"):
        finish(bench, load_of("pour"), good=11, reason="wick off centre")
        queue = words(bench.get("/bench/queue/"))
    assert LoadPortion.objects.get(good=11).reject_reason == "wick off centre"
    assert "Pour base 1 · Pipe moss 12 · Finish 12" in queue
    assert "At risk" in queue
    assert "The plan has it leave Thu 19 Mar, 3 calendar days after the promise." in queue
    history = words(bench.get(f"/bench/orders/{order.number}/"))
    assert "Promised to leave Mon 16 Mar Planned to leave Thu 19 Mar Arrives Mon 23 Mar" in history
    assert "B-1001: 1 of 12 rejected: wick off centre." in history
    assert "workshop only" in history


def test_the_queue_stands_by_promised_date_whichever_was_placed_first(bench: Client) -> None:
    """20 cases of pebble jars leave on Mon 23 (S4: six casting days), 2 of cups, asked for later, on Thu 19."""
    for line in (("PEB", 20, "RG"), ("SUC", 2, "RG")):
        builders.place(Shop.objects.get(slug="quillwort"), line)
    promised = dict(Order.objects.values_list("number", "promised_leaves"))
    assert {number: day.day for number, day in promised.items()} == {"W-1001": 23, "W-1002": 19}

    page = words(bench.get("/bench/queue/"))
    assert 0 < page.index("W-1002") < page.index("W-1001")


def test_a_step_past_its_day_that_nobody_began_puts_its_order_at_risk(bench: Client, order: Order) -> None:
    """The plan has not moved, so the planned day still is the promised one; the pour of Thursday is not done."""
    with clock.at(FRIDAY):
        page = words(bench.get("/bench/queue/"))

    order.refresh_from_db()
    assert order.planned_leaves == order.promised_leaves
    assert "At risk" in page
    assert "Pour base was planned for Thu 5 Mar and is not done." in page
    assert "On time" not in page


def test_an_order_on_its_way_is_on_time(bench: Client, order: Order) -> None:
    page = words(bench.get("/bench/queue/"))
    assert "Cast rosettes 14 · Pour base 12 · Pipe moss 12 · Finish 12" in page
    assert "On time" in page
    assert "Plan again" not in page


def test_a_double_tap_marks_a_load_done_once(bench: Client, order: Order) -> None:
    load = load_of("pour")
    finish(bench, load)
    page = words(finish(bench, load))
    assert "already marked done as B-1001; nothing was changed" in page
    assert Load.objects.filter(done_at__isnull=False).count() == 1


def test_more_good_pieces_than_started_are_refused_and_the_form_is_kept(bench: Client, order: Order) -> None:
    """13 good out of 12 can't be."""
    load = load_of("pour")
    answer = finish(bench, load, good=13, note="counted twice")
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "give a number from 0 to 12" in page
    assert 'value="13"' in page
    assert "counted twice" in page
    assert not Load.objects.filter(done_at__isnull=False).exists()


def test_topping_before_the_pour_is_refused_with_what_to_do(bench: Client, order: Order) -> None:
    answer = finish(bench, load_of("pipe"))
    assert answer.status_code == 422
    assert "mark that load done first" in words(answer)


def test_a_word_where_a_number_belongs_is_refused(bench: Client, order: Order) -> None:
    load = load_of("pour")
    portion = load.portions.get()
    answer = bench.post(f"/bench/loads/{load.pk}/done/", {f"good-{portion.pk}": "all"})
    assert answer.status_code == 422
    # At the top, where a phone begins to read, and beside the field.
    assert words(answer).count("W-1001: count the good pieces, from 0 to 12.") == 2
    assert "Nothing was recorded." in words(answer)


def test_planning_again_moves_what_is_overdue(bench: Client, order: Order) -> None:
    """Nothing was done on Thursday: two loads of casts and the pour are overdue, and get new days."""
    with clock.at(FRIDAY):
        assert "steps are past their day" in words(bench.get("/bench/queue/"))
        after = words(bench.post("/bench/queue/plan-again/", follow=True))
        assert "Planned again" in after
        assert "past their day" not in after
        assert not Load.objects.filter(done_at__isnull=True, day__lt=clock.today()).exists()


def test_a_batch_sheet_is_asked_for_once(bench: Client, order: Order) -> None:
    load = load_of("pour")
    bench.post(f"/bench/loads/{load.pk}/sheet/")
    page = words(bench.post(f"/bench/loads/{load.pk}/sheet/", follow=True))
    assert "Batch sheet Pot A, 2026-03-05" in page
    assert load.documents.count() == 1


def _three_more_orders() -> None:
    for slug in ("tallowmere", "quillwort", "brindle-fen"):
        builders.place(Shop.objects.get(slug=slug), ("SUC", 2, "RG"), ("FRN", 2, "WS"), ("PEB", 2, "CF"))


@pytest.mark.parametrize(
    ("url", "count"),
    [
        # session, user (2) · workshop for the head (1) · orders (1) · catalogue (7): recipes, lines, operations,
        # items, scents, equipment, substitutes · plan: loads, portions (2) · demands: orders, the shelf (2) ·
        # deposits (1) · curing (1) · calendar: week, days (2)
        ("/bench/queue/", 19),
        # session, user (2) · workshop (1) · catalogue (7) · calendar: week, days (2) · loads, portions (2) · settings,
        # what is left of earlier melts, and was used (3) · equipment out (1) · the evening: settings (1) · loads,
        # portions (2) · left of earlier melts, used (2) · free stock, on order (2) · demands: orders, the shelf (2) ·
        # plan: loads, portions (2)
        ("/bench/day/", 29),
    ],
)
def test_a_list_asks_the_same_number_of_questions_however_long_it_is(
    bench: Client, order: Order, django_assert_num_queries: Callable[[int], Any], url: str, count: int
) -> None:
    with django_assert_num_queries(count):
        bench.get(url)
    _three_more_orders()
    with django_assert_num_queries(count):
        bench.get(url)
