"""What moved: why, from which day to which, and whom it touches; the newest first, in pages."""

from datetime import date

import pytest
from django.test import Client
from pytest_django.fixtures import DjangoAssertNumQueries

from tests import builders
from tests.pages.reading import text
from wholesale import clock
from wholesale.core.catalogue import Sku
from wholesale.core.production.difference import Difference, Move, Touched
from wholesale.models import Order, PlanChange, PlanImprovement, Setting

pytestmark = pytest.mark.django_db

PAGE = "/bench/what-moved/"


@pytest.fixture
def maker(client: Client) -> Client:
    """The maker at a bench with one order, W-1001."""
    builders.mossgate_rows()
    builders.place(builders.shop("corner"), ("SUC", 4, "RG"))
    client.force_login(builders.maker())
    return client


def moved(number: str = "W-1001", version: int = 7) -> PlanChange:
    """Twelve bases poured a day later, and one order that leaves three days sooner."""
    move = Move(
        whom=number, sku=Sku("SUC", "RG"), name="Succulent cup, Rain garden", step="Pour base", pieces=12,
        before=date(2026, 3, 9), after=date(2026, 3, 10),
    )  # fmt: skip
    touched = Touched(whom=number, before=date(2026, 3, 23), after=date(2026, 3, 20))
    row: PlanChange = PlanChange.objects.create(
        version=version, at=clock.now(), kind="improved", because="1 load fewer",
        moves=Difference(moves=(move,), touched=(touched,)).to_json(),
    )  # fmt: skip
    return row


def test_a_change_says_why_what_and_for_whom(maker: Client) -> None:
    moved()
    words = text(maker.get(PAGE))
    assert "A better plan Thu 5 Mar 13:50 1 load fewer." in words
    assert "W-1001 leaves Fri 20 Mar, 3 days sooner than Mon 23 Mar" in words
    assert "1 move" in words
    assert "W-1001 Pour base, 12 × Succulent cup, Rain garden: Mon 9 Mar → Tue 10 Mar" in words


def test_an_order_is_linked_and_the_shelf_is_not(maker: Client) -> None:
    moved()
    moved("the shelf", version=8)
    page = maker.get(PAGE).content.decode()
    assert 'href="/bench/orders/W-1001/"' in page
    assert page.count('class="code" href="/bench/orders/') == 1


def test_without_a_change_it_says_what_will_stand_there(maker: Client) -> None:
    assert "Nothing was moved yet." in text(maker.get(PAGE))


def test_the_newest_stand_first_and_the_rest_on_further_pages(maker: Client) -> None:
    for version in range(1, 12):
        moved(version=version)
    PlanChange.objects.create(version=12, at=clock.now(), kind="again", because="planned again")
    first, second = maker.get(PAGE), maker.get(f"{PAGE}?page=2")
    assert text(first).index("Planned again") < text(first).index("1 load fewer")
    assert "Page 1 of 2" in text(first)
    assert text(second).count("1 load fewer.") == 2


def test_asking_for_a_better_plan_leaves_a_row_that_waits(maker: Client) -> None:
    PlanImprovement.objects.all().delete()
    answer = maker.post(f"{PAGE}improve/", follow=True)
    assert "A better plan is being looked for" in text(answer)
    assert PlanImprovement.objects.filter(state="waiting").count() == 1


def test_what_came_of_the_last_search_is_told(maker: Client) -> None:
    now = clock.now()
    PlanImprovement.objects.create(
        state="done", due_at=now, created_at=now, done_at=now, result="No better plan was found."
    )
    assert "Last time, Thu 5 Mar 13:50: No better plan was found." in text(maker.get(PAGE))


def test_it_says_when_a_better_plan_is_looked_for(maker: Client) -> None:
    assert "It is looked for when you ask." in text(maker.get(PAGE))
    Setting.objects.update_or_create(name="improve_seconds", defaults={"value": "30"})
    assert "It is looked for after each change and at night." in text(maker.get(PAGE))


def test_what_is_late_still_is_named_and_no_promise_is_claimed_for_it(maker: Client) -> None:
    """W-1001 is promised for Fri 20 March; mended, it leaves on Mon 23. What is shipped is late no more."""
    words = text(maker.get(PAGE))
    assert "no order becomes late by it, and none that is late leaves later" in words
    assert "Late still" not in words

    Order.objects.update(planned_leaves=date(2026, 3, 23))
    assert "Late still W-1001 leaves Mon 23 Mar, promised Fri 20 Mar" in text(maker.get(PAGE))

    Order.objects.update(state="shipped")
    assert "Late still" not in text(maker.get(PAGE))


def test_an_order_whose_day_is_past_is_late_and_leaves_today_at_the_earliest(maker: Client) -> None:
    with clock.at("2026-03-24T08:00"):
        assert "Late still W-1001 leaves Tue 24 Mar, promised Fri 20 Mar" in text(maker.get(PAGE))


def test_of_many_late_orders_the_first_eight_are_named_and_the_rest_stand_in_the_queue(maker: Client) -> None:
    for _ in range(8):
        builders.place(builders.shop("corner"), ("SUC", 2, "RG"))
    with clock.at("2026-06-01T08:00"):
        words = text(maker.get(PAGE))
    assert "W-1008 leaves" in words
    assert "W-1009" not in words
    assert "All 9 late orders" in words


def test_the_queue_leads_there(maker: Client) -> None:
    assert f'href="{PAGE}"' in maker.get("/bench/queue/").content.decode()


@pytest.mark.parametrize("changes", [1, 9])
def test_it_asks_as_much_however_many_changes_there_are(
    maker: Client, django_assert_num_queries: DjangoAssertNumQueries, changes: int
) -> None:  # fmt: skip
    for version in range(changes):
        moved(version=version)
    maker.get(PAGE)
    with django_assert_num_queries(QUERIES):
        maker.get(PAGE)


#: Session and person 2, the settings of the frame 1, the count and the rows 2, the orders 1, the search 4.
QUERIES = 10
