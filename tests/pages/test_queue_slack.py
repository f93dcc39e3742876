"""The queue says how many work days each promise has in hand. Mossgate works Monday to Friday."""

from datetime import date

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from tests.mossgate import calendar
from tests.pages.reading import text
from wholesale import clock
from wholesale.models import CalendarDay, LoadPortion, Order
from wholesale.queries.bench_queue import Slack, queue, slack

MON, THU, FRI, SAT = date(2026, 3, 16), date(2026, 3, 19), date(2026, 3, 20), date(2026, 3, 21)
NEXT_MON = date(2026, 3, 23)


@pytest.mark.parametrize(
    ("planned", "promised", "today", "days", "words"),
    [
        (MON, MON, MON, 0, "leaves on the day"),
        # Tuesday, Wednesday, Thursday.
        (MON, THU, MON, 3, "3 working days in hand"),
        # The weekend between Friday and Monday counts for nothing.
        (FRI, NEXT_MON, MON, 1, "1 working day in hand"),
        (NEXT_MON, FRI, MON, -1, "1 working day late"),
        (NEXT_MON, THU, MON, -2, "2 working days late"),
        # Planned for Monday, but it is Thursday: only Friday is left.
        (MON, FRI, THU, 1, "1 working day in hand"),
        (MON, MON, THU, -3, "3 working days late"),
        # Saturday is no work day any more: late all the same.
        (SAT, FRI, MON, -1, "1 working day late"),
    ],
)
def test_slack_is_counted_in_work_days(planned: date, promised: date, today: date, days: int, words: str) -> None:
    found = slack(calendar(), Order(planned_leaves=planned, promised_leaves=promised), (), today)

    assert (found.days, found.words) == (days, words)


def test_late_on_the_day_and_in_hand_differ_by_shape() -> None:
    assert [Slack(days).state for days in (-1, 0, 1, None)] == ["stopped", "quiet", "well", "stopped"]


@pytest.mark.django_db
def test_an_order_with_pieces_in_no_load_has_no_days_in_hand(client: Client) -> None:
    """Its 12 cups are taken out of their loads: the day it was planned for says nothing any more."""
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    LoadPortion.objects.filter(operation="pour").delete()
    client.force_login(builders.helper())

    (row,) = queue().rows
    assert (row.slack, row.slack.words) == (Slack(None), "not planned")
    assert "not planned" in text(client.get("/bench/queue/"))


@pytest.mark.django_db
def test_the_queue_shows_each_promises_slack_and_stays_sorted_by_promise(client: Client) -> None:
    """W-1001 leaves Mon 16 March as promised; then it is planned for the Thursday before, or three work days later.

    With a holiday on Friday 13, from Thursday 12 to Monday 16 there is one work day: Monday.
    """
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    builders.place(Shop.objects.get(slug="tallowmere"), ("PEB", 4, "CF"))
    first = Order.objects.filter(number="W-1001")
    assert first.get().promised_leaves == MON
    client.force_login(builders.helper())

    def shown() -> str:
        return text(client.get("/bench/queue/"))

    assert shown().count("leaves on the day") == 2
    first.update(planned_leaves=THU)
    assert "3 working days late" in shown()
    first.update(planned_leaves=date(2026, 3, 12))
    assert "2 working days in hand" in shown()
    CalendarDay.objects.create(day=date(2026, 3, 13), kind="closed", note="Holiday")
    assert "1 working day in hand" in shown()
    with clock.at("2026-03-17T08:00"):
        assert queue().rows[0].slack == Slack(-1)
    assert [row.number for row in queue().rows] == ["W-1001", "W-1002"]
