"""Something went wrong, and what if: the pages, as a helper and the maker use them. Thursday 5 March 2026, 13:50."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext
from pytest_django import DjangoDbBlocker
from pytest_django.fixtures import DjangoAssertNumQueries

from accounts.models import Shop
from tests import builders
from tests.pages.reading import hidden, text
from wholesale import clock
from wholesale.models import CalendarDay, Equipment, EquipmentOut, ExpectedDelivery, Item, Load, Order, PlanChange

pytestmark = pytest.mark.django_db

ILL = {"hands": "bench", "day": "2026-03-06", "minutes": "360"}
BROKEN = {"equipment": "TRAY-P", "count": "1", "first": "2026-03-05", "last": ""}


@pytest.fixture(scope="module", autouse=True)
def _workshop(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[None]:
    """One demo workshop for all tests of this file; each test takes back what it did."""
    with django_db_blocker.unblock(), transaction.atomic():
        builders.mossgate_rows()
        builders.helper()
        yield
        transaction.set_rollback(True)


@pytest.fixture
def bench(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


@pytest.fixture
def maker(client: Client) -> Client:
    client.force_login(builders.maker())
    return client


def placed(*lines: builders.Line, shop: str = "tallowmere") -> Order:
    return builders.place(Shop.objects.get(slug=shop), *lines)


def report(client: Client, kind: str, typed: dict[str, str], *, do: bool = False) -> Any:
    return client.post(f"/bench/bad-night/{kind}/", typed | ({"do": "1"} if do else {}), follow=do)


def ways(client: Client) -> Any:
    """The ways out, as the open page asks for them."""
    return client.get("/bench/bad-night/ways-out/", headers={"HX-Request": "true"})


def test_a_helper_sees_what_would_happen_and_then_records_it(bench: Client) -> None:
    """Two taps: the preview says who moves and changes nothing; the button on it sends the same again."""
    order = placed(("SUC", 2, "RG"))

    page = report(bench, "ill", ILL)

    shown = text(page)
    assert "Bench: 360 minutes fewer on Fri 6 Mar." in shown
    assert "1 promise would be in danger" in shown
    assert re.search(rf"{order.number} Tallowmere Stores Mon 16 Mar Mon 16 Mar Thu 19 Mar 3 days later", shown)
    assert not CalendarDay.objects.exists()

    done = report(bench, "ill", hidden(page), do=True)

    assert "Recorded, and planned again." in text(done)
    assert "promised Mon 16 Mar, the plan says Thu 19 Mar" in text(done)
    assert CalendarDay.objects.get().minutes == {"bench": 0}


def test_a_begun_melt_is_named_with_its_scent(bench: Client) -> None:
    placed(("SUC", 2, "RG"))
    Load.objects.filter(equipment__code="POT-A").update(weighed_at=clock.now())

    assert "Base melt, Rain garden, in Pot A" in text(bench.get("/bench/bad-night/"))


def test_a_preview_counts_what_it_makes_late_and_names_apart_what_is_late_already(bench: Client) -> None:
    """Friday's pipers are missed: cups go to Mon 9 and are late. Then the afternoon of Thu 12 is, and moves nobody."""
    order = placed(("SUC", 2, "RG"))
    report(bench, "ill", ILL, do=True)

    later = report(bench, "ill", ILL | {"day": "2026-03-12", "minutes": "60"})
    shown = text(later)

    assert "in danger" not in shown
    assert "1 order is already late, and no later for this: ways out ." in shown
    assert 'href="/bench/bad-night/ways-out/"' in later.content.decode()
    # Mon 9 has no hands either: later than it is late already.
    shown = text(report(bench, "ill", ILL | {"day": "2026-03-09"}))
    assert "1 promise would be in danger" in shown
    assert "The ways out are shown once it is recorded." in shown
    assert "already late" not in shown
    assert re.search(rf"{order.number} Tallowmere Stores Mon 16 Mar Thu 19 Mar Fri 20 Mar 1 day later", shown)


def test_a_double_tap_records_once_and_both_lead_to_the_report(bench: Client) -> None:
    """60 minutes fewer once: 300 of Friday's 360 are left. Another preview is another report: 240."""
    typed = ILL | {"minutes": "60"}
    preview = hidden(report(bench, "ill", typed)) | {"do": "1"}

    taps = [bench.post("/bench/bad-night/ill/", preview) for _ in range(2)]

    row = PlanChange.objects.get()
    assert [tap.headers["Location"] for tap in taps] == [f"/bench/bad-night/reports/{row.pk}/"] * 2
    assert CalendarDay.objects.get().minutes == {"bench": 300}
    report(bench, "ill", hidden(report(bench, "ill", typed)), do=True)
    assert CalendarDay.objects.get().minutes == {"bench": 240}


def test_the_first_page_has_five_plain_choices(bench: Client) -> None:
    shown = text(bench.get("/bench/bad-night/"))

    for choice in (
        "Somebody is ill",
        "A mould, pot or bowl is broken",
        "A market, a closed day",
        "A delivery is late",
        "A melt failed",
    ):
        assert choice in shown
    assert "No delivery is awaited." in shown
    assert "Promises in danger" not in shown


@pytest.mark.parametrize(
    ("kind", "typed", "said"),
    [
        ("ill", ILL | {"day": "2026-03-04"}, "Wed 4 Mar is past; choose today or a later day."),
        ("ill", ILL | {"minutes": "361"}, "Bench has 360 minutes on Fri 6 Mar; take off 360 at the most."),
        ("ill", ILL | {"hands": "elves"}, "Whose minutes: Choose one from the list."),
        ("broken", BROKEN | {"count": "3"}, "Pebble trays: there are 2. Give a number from 1 to 2."),
        ("broken", BROKEN | {"count": "some"}, "How many are out of use: Give a whole number in figures."),
        ("day", {"day": "2026-03-07", "kind": "market", "note": ""}, "Sat 7 Mar is a market day already"),
        ("day", {}, "Which day: This can't stay empty."),
        ("delivery", {"delivery": "seven", "expected_on": "2026-03-09"}, "Which delivery: Choose one from the list."),
    ],
)
def test_nonsense_is_refused_by_name_and_what_was_typed_stays(
    bench: Client, kind: str, typed: dict[str, str], said: str
) -> None:
    for do in (False, True):
        page = bench.post(f"/bench/bad-night/{kind}/", typed | ({"do": "1"} if do else {}))

        assert page.status_code == 422
        assert said in text(page)
        assert "Nothing was recorded." in text(page)
        assert all(f'value="{value}"' in page.content.decode() for value in typed.values() if value.isdecimal())
    assert not PlanChange.objects.exists()


def test_a_choice_that_does_not_exist_is_not_found(bench: Client) -> None:
    assert report(bench, "flood", {}).status_code == 404
    assert bench.get("/bench/bad-night/reports/99/").status_code == 404


def test_a_late_delivery_is_chosen_from_those_awaited(bench: Client) -> None:
    wax = Item.objects.get(code="WHIPWAX")
    row = ExpectedDelivery.objects.create(
        item=wax, quantity=25_000_000, ordered_on="2026-03-05", expected_on="2026-03-06"
    )  # fmt: skip
    typed = {"delivery": str(row.pk), "expected_on": "2026-03-10"}

    assert "Whipping wax, Fri 6 Mar" in text(bench.get("/bench/bad-night/"))
    assert "Whipping wax comes on Tue 10 Mar instead of Fri 6 Mar." in text(report(bench, "delivery", typed))
    report(bench, "delivery", typed, do=True)

    row.refresh_from_db()
    assert str(row.expected_on) == "2026-03-10"


def test_the_maker_sees_ways_out_with_their_cost_and_takes_one(maker: Client) -> None:
    """One of two trays is gone for good; one more for 35 puts 20 cases back on their day."""
    order = placed(("PEB", 20, "RG"))
    Equipment.objects.filter(code="TRAY-P").update(price_e4=350_000)

    page = report(maker, "broken", BROKEN, do=True)

    assert "Promises in danger" in text(page)
    assert 'hx-get="/bench/bad-night/ways-out/"' in page.content.decode()
    page = ways(maker)
    shown = text(page)
    assert "One more: Pebble trays" in shown
    assert "Every promise is kept. Costs $35.00 (bought once: 35)" in shown
    form = next(part for part in page.content.decode().split("<form") if "more:TRAY-P" in part)
    known = dict(re.findall(r'name="(code|version)" value="([^"]*)"', form))
    taken = maker.post("/bench/bad-night/rescue/", known, follow=True)
    assert "Every promise is kept by the present plan." in text(taken)
    order.refresh_from_db()
    assert order.planned_leaves == order.promised_leaves


def test_a_helper_sees_the_cost_and_leaves_it_to_the_maker(bench: Client) -> None:
    placed(("PEB", 20, "RG"))

    report(bench, "broken", BROKEN, do=True)
    page = ways(bench)

    assert "This costs something, so the maker decides." in text(page)
    assert "more:TRAY-P" not in page.content.decode()


def test_where_nothing_helps_the_page_says_so(bench: Client) -> None:
    """Friday is closed; cups that were to be piped then have no other way: pots, bowls and minutes are all free."""
    placed(("SUC", 2, "RG"))

    report(bench, "day", {"day": "2026-03-06", "kind": "closed", "note": ""}, do=True)

    for page in (ways(bench), bench.get("/bench/bad-night/ways-out/")):
        assert "Nothing at the bench helps." in text(page)


def test_a_report_says_which_loads_moved_for_whom(bench: Client) -> None:
    order = placed(("SUC", 2, "RG"))

    page = text(report(bench, "ill", ILL, do=True))

    assert f"{order.number}: Pipe moss, 12 × Succulent cup, Rain garden: Fri 6 Mar → Mon 9 Mar" in page


def test_an_order_that_waits_for_supply_is_in_danger_without_a_day(bench: Client) -> None:
    """Whipping wax binds the plan and its delivery is called off after the cups were promised: nothing is planned."""
    wax = Item.objects.get(code="WHIPWAX")
    Item.objects.filter(pk=wax.pk).update(binds_plan=True)
    row = ExpectedDelivery.objects.create(
        item=wax, quantity=25_000_000, ordered_on="2026-03-05", expected_on="2026-03-06"
    )  # fmt: skip
    order = placed(("SUC", 2, "RG"))
    ExpectedDelivery.objects.filter(pk=row.pk).update(closed_at="2026-03-05T18:00Z")

    shown = text(report(bench, "ill", ILL | {"minutes": "10"}))
    report(bench, "ill", ILL | {"minutes": "10"}, do=True)

    assert re.search(rf"{order.number} .* No day", shown)
    assert f"{order.number} , Tallowmere Stores: promised Mon 16 Mar, not planned" in text(
        bench.get("/bench/bad-night/")
    )


def test_a_report_is_taken_back_from_its_page(bench: Client) -> None:
    page = report(bench, "broken", BROKEN, do=True)
    back = re.findall(r'action="([^"]*take-back/)"', page.content.decode())[0]

    shown = text(bench.post(back, follow=True))

    assert "Taken back, and planned on what is there again." in shown
    assert not EquipmentOut.objects.exists()
    assert "taken back already" in text(bench.post(back, follow=True))


def test_a_report_that_a_later_one_stands_on_links_to_it(bench: Client) -> None:
    typed = ILL | {"minutes": "60"}
    report(bench, "ill", typed, do=True)
    report(bench, "ill", typed, do=True)
    second, first = PlanChange.objects.values_list("pk", flat=True)

    page = bench.post(f"/bench/bad-night/reports/{first}/take-back/", follow=True)

    assert "again by “Bench: 60 minutes fewer on Fri 6 Mar”; take that back first." in text(page)
    assert f'<a href="/bench/bad-night/reports/{second}/">Open that report</a>' in page.content.decode()
    assert CalendarDay.objects.get().minutes == {"bench": 240}


def test_the_queue_and_the_day_sheet_lead_here(bench: Client) -> None:
    for page in ("/bench/queue/", "/bench/day/"):
        assert 'href="/bench/bad-night/"' in bench.get(page).content.decode()
    assert 'href="/bench/what-if/"' in bench.get("/bench/queue/").content.decode()


# ── what if ──────────────────────────────────────────────────────────────────


def asked(client: Client, **question: str) -> str:
    return text(client.get("/bench/what-if/", question))


def test_one_more_tray_is_answered_in_days_for_a_typical_order_and_for_each_open_one(bench: Client) -> None:
    """S4, begun on Thu 5 March: six casting days end Thu 12, four end Tue 10.

    Two trays: sealed Fri 13, sellable and gone Mon 23. Three: sealed Wed 11, sellable Sat 21, also Mon 23. So
    on this Thursday the tray saves no day of 20 cases; of 40 it does.
    """
    order = placed(("PEB", 40, "RG"))

    shown = asked(bench, ask="more", equipment="TRAY-P", product="PEB/RG", cases="20")

    assert "One more: Pebble trays." in shown
    assert re.search(rf"{order.number} Tallowmere Stores .* days sooner", shown)
    assert "Planned anew, without it Planned anew, with it" in shown
    assert "so that this alone makes the difference" in shown


def test_an_order_is_answered_with_the_day_it_would_leave(bench: Client) -> None:
    shown = asked(bench, ask="order", product="SUC/RG", cases="2", by="")

    assert "2 cases of Succulent cup, Rain garden" in shown
    assert "It would leave Mon 16 Mar." in shown


def test_an_order_of_several_lines_leaves_with_its_last_piece(bench: Client) -> None:
    """The cups alone leave Mon 16; the 20 cases of S4 (sealed Fri 13, sellable and gone Mon 23) hold them up."""
    lines = {"product": "SUC/RG", "cases": "2", "product_2": "PEB/RG", "cases_2": "20"}

    shown = asked(bench, ask="order", **lines)

    assert "2 cases of Succulent cup, Rain garden; 20 cases of" in shown
    assert "It would leave Mon 23 Mar." in shown


def test_an_order_that_has_to_go_sooner_says_who_would_move(bench: Client) -> None:
    order = placed(("PEB", 20, "RG"))

    shown = asked(bench, ask="order", product="PEB/CF", cases="4", by="2026-03-18")

    assert "If it has to leave sooner" in shown
    assert f"{order.number} Tallowmere Stores" in shown


def test_a_day_off_is_answered_by_order(bench: Client) -> None:
    order = placed(("SUC", 2, "RG"))

    shown = asked(bench, ask="day", day="2026-03-06", kind="closed", note="")

    assert "Fri 6 Mar is closed." in shown
    assert f"{order.number} Tallowmere Stores Mon 16 Mar Mon 16 Mar Thu 19 Mar 3 days later" in shown
    assert not CalendarDay.objects.exists()


def test_an_hour_more_is_answered(bench: Client) -> None:
    assert "No order leaves on another day" in asked(
        bench, ask="longer", hands="bench", day="2026-03-06", minutes="60"
    )  # fmt: skip


def test_dearer_oil_moves_no_day_and_costs_what_the_recipes_say(bench: Client) -> None:
    """A cup takes 150 ÷ 0.97 ÷ 1.08 × 0.08 = 11.455 g of oil: at 42 a kilogram 0.481, at 50.40 0.577: 0.10 more."""
    shown = asked(bench, ask="dearer", material="oils", percent="20")

    assert "Every scent's oil: +20 %. No day moves." in shown
    found = re.search(r"Succulent cup, Rain garden \$12\.00 \$(\d\.\d\d) \$(\d\.\d\d) ([\d.]+) % ([\d.]+) %", shown)
    assert found
    before, after, margin, then = map(float, found.groups())
    assert round(after - before, 2) == 0.10
    # 0.096 ÷ 12 = 0.8 of a hundredth
    assert round(margin - then, 1) == 0.8


@pytest.mark.parametrize(
    ("question", "said"),
    [
        ({"ask": "order", "product": "GOLD/", "cases": "1"}, "Choose one from the list."),
        ({"ask": "order", "product": "SUC/RG", "cases": "0"}, "Give 1 or more."),
        (
            {"ask": "order", "product": "SUC/RG", "cases": "1", "product_2": "PEB/RG"},
            "Say how many cases, or leave the product empty.",
        ),
        ({"ask": "order", "product": "SUC/RG", "cases": "1", "cases_3": "2"}, "Choose the product, or leave"),
        (
            {"ask": "longer", "hands": "bench", "day": "2026-03-07", "minutes": "60"},
            "make it one first, or choose another",
        ),
        ({"ask": "longer", "hands": "bench", "day": "2026-03-04", "minutes": "60"}, "This day is past"),
        ({"ask": "order", "product": "SUC/RG", "cases": "1", "by": "2026-03-04"}, "This day is past"),
        ({"ask": "day", "day": "2026-03-07", "kind": "market"}, "Sat 7 Mar is a market day already"),
        ({"ask": "dearer", "material": "SOY", "percent": "much"}, "Give a number in figures"),
    ],
)
def test_a_question_that_makes_no_sense_is_answered_by_name(bench: Client, question: dict[str, str], said: str) -> None:
    page = bench.get("/bench/what-if/", question)

    assert page.status_code == 422
    assert said in text(page)


@pytest.mark.parametrize("address", ["/bench/bad-night/", "/bench/what-if/?ask=day&day=2026-03-06&kind=closed"])
def test_a_page_asks_the_same_number_of_questions_however_many_orders_there_are(
    bench: Client, django_assert_num_queries: DjangoAssertNumQueries, address: str
) -> None:
    placed(("SUC", 2, "RG"))
    report(bench, "ill", ILL, do=True)
    count = _queries(bench, address)
    for line in (("PEB", 4, "CF"), ("FRN", 3, "CF"), ("SUC", 2, "WS")):
        placed(line, shop="quillwort")

    with django_assert_num_queries(count):
        bench.get(address)


def _queries(client: Client, address: str) -> int:
    with CaptureQueriesContext(connection) as seen:
        client.get(address)
    return len(seen)


def test_an_order_without_a_day_is_told_what_it_waits_for(bench: Client) -> None:
    """The only bowl is broken for good: no overtime helps, another bowl does, so "nothing helps" is not said."""
    placed(("SUC", 2, "RG"))
    report(bench, "broken", {"equipment": "BOWL", "count": "1", "first": "2026-03-05"}, do=True)

    shown = text(bench.get("/bench/bad-night/ways-out/"))
    assert "An order without a day waits for what isn't here." in shown
    assert "Nothing at the bench helps." not in shown
    # The queue shows no day that the plan doesn't have.
    assert re.search(r"Mon 16 Mar – not planned 2 ", text(bench.get("/bench/queue/")))
