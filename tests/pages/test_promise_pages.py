"""A date on the pages: kept while it is looked over, wanted on certain days, told when it can't be kept."""

import re
from datetime import date
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from tests.pages.reading import hidden, text
from wholesale import clock
from wholesale.actions import production
from wholesale.models import HeldBasket, Load, Order, Setting, ShopAccount

pytestmark = pytest.mark.django_db
SHEET = "/shops/fern-and-fable/order/"
CUPS = {"c-SUC-RG": "2"}


@pytest.fixture
def old_shop(client: Client) -> Shop:
    """A shop that ordered in January; its buyer is signed in."""
    builders.mossgate_rows()
    shop = builders.shop("fern-and-fable")
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    client.force_login(builders.member(shop))
    return shop


def worked_out(client: Client, **fields: str) -> Any:
    return client.post(SHEET, {**CUPS, **fields, "do": "work"}, follow=True)


def placed(client: Client, **fields: str) -> Any:
    return client.post(SHEET, {**CUPS, **fields, **hidden(worked_out(client, **fields)), "do": "place"}, follow=True)


# ── kept while it is looked over ─────────────────────────────────────────────


def test_an_order_sent_unseen_is_shown_first_and_its_date_is_kept(client: Client, old_shop: Shop) -> None:
    """Who goes to place it has 15 minutes from 13:50 to look it over; looking around keeps nothing."""
    worked_out(client)
    assert not HeldBasket.objects.exists()

    page = text(client.post(SHEET, {**CUPS, "do": "place"}, follow=True))

    assert "look it over, then place it" in page
    assert "Kept for you This date is kept for you until 14:05" in page
    assert "After that the place is free again, and the date is worked out anew." in page
    assert HeldBasket.objects.get().shop == old_shop


def test_the_button_keeps_the_date_and_an_order_of_it_ends_that(client: Client, old_shop: Shop) -> None:
    """Kept at 13:50 for Mon 16 and ordered at 14:03, after the cut-off: Mon 16."""
    assert "Keep this date for 15 minutes" in text(worked_out(client))
    kept = client.post(SHEET, {**CUPS, "do": "keep"}, follow=True)
    assert "kept for you until 14:05" in text(kept)

    with clock.at("2026-03-05T14:03"):
        client.post(SHEET, {**CUPS, **hidden(kept), "do": "place"})

    assert Order.objects.get().promised_leaves == date(2026, 3, 16)
    assert HeldBasket.objects.get().ended_at is not None


def test_a_kept_date_that_a_button_leaves_behind_is_not_lost_without_a_word(client: Client, old_shop: Shop) -> None:
    """Kept for two cases at once; taken in two shipments it is another order, whose dates are kept only when asked."""
    client.post(SHEET, {**CUPS, "do": "keep"})
    split = {**CUPS, "first": "c-SUC-RG=1"}

    page = text(client.post(SHEET, {**CUPS, "take": "first=c-SUC-RG%3D1"}, follow=True))
    back = text(client.post(SHEET, {**split, "take": "first="}, follow=True))

    assert "Changed: in two shipments; later 1 case of Succulent cup, Rain garden." in page
    assert "The date kept for you until 14:05 was for the order as it was; this one is not kept yet." in page
    assert "Keep this date for 15 minutes" in page
    assert "Changed: all in one shipment." in back
    assert "not kept yet" not in back
    assert "Kept for you This date is kept for you until 14:05" in back


def test_what_lapsed_is_worked_out_anew_and_asked_about(client: Client, old_shop: Shop) -> None:
    """At 14:06 the cut-off is past and nothing is kept: the page says that the day has moved, and orders nothing."""
    kept = client.post(SHEET, {**CUPS, "do": "keep"}, follow=True)
    with clock.at("2026-03-05T14:06"):
        answer = client.post(SHEET, {**CUPS, **hidden(kept), "do": "place"})

    assert "the day it leaves has moved to Thu 19 Mar" in text(answer)
    assert not Order.objects.exists()


def test_a_shop_that_has_kept_its_share_is_told_so_and_can_order(client: Client, old_shop: Shop) -> None:
    Setting.objects.update_or_create(name="holds_a_day", defaults={"value": "0"})

    page = text(client.post(SHEET, {**CUPS, "do": "place"}, follow=True))

    assert "This date is not kept while you look" in page
    assert "the date is yours once the order is placed" in page
    placed(client)
    assert Order.objects.count() == 1


def test_without_minutes_there_is_no_button(client: Client, old_shop: Shop) -> None:
    Setting.objects.update_or_create(name="hold_minutes", defaults={"value": "0"})

    assert "Keep this date" not in text(worked_out(client))


# ── wanted on certain days ───────────────────────────────────────────────────


def test_an_order_not_wanted_before_a_day_arrives_no_sooner(client: Client, old_shop: Shop) -> None:
    """With the shop on Thu 26 at the earliest: two carrier days before is Tue 24, though it could leave on Mon 16."""
    page = text(placed(client, wanted_from="2026-03-26"))

    order = Order.objects.get()
    assert (order.promised_leaves, order.promised_arrives) == (date(2026, 3, 24), date(2026, 3, 26))
    assert (order.wanted_from, order.wanted_by) == (date(2026, 3, 26), None)
    assert "Wanted not before 26 March 2026" in page


def test_a_day_that_cannot_be_met_is_refused_with_the_earliest_and_what_would_help(
    client: Client, old_shop: Shop
) -> None:
    """Fetched it is there on Mon 16, sent on Wed 18; it is wanted by Tue 17."""
    answer = placed(client, wanted_by="2026-03-17")

    said = "The earliest it can be with you is Wed 18 Mar; you want it by Tue 17 Mar."
    assert f"{said} In time: Fetch it from the workshop (Mon 16 Mar)." in text(answer)
    assert answer.status_code == 422
    assert not Order.objects.exists()
    placed(client, wanted_by="2026-03-17", pick_up="yes")
    assert Order.objects.get().promised_arrives == date(2026, 3, 16)


def test_a_day_that_can_be_met_is_kept_on_the_order(client: Client, old_shop: Shop) -> None:
    page = text(placed(client, wanted_from="2026-03-16", wanted_by="2026-03-18"))

    assert "Wanted not before 16 March 2026, not after 18 March 2026" in page
    assert Order.objects.get().wanted_by == date(2026, 3, 18)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"wanted_by": "2026-03-04"}, "4 March 2026 is past; choose a later day, or none."),
        ({"wanted_from": "2026-03-20", "wanted_by": "2026-03-19"}, "leaves no day; change one of them."),
        ({"wanted_from": "2029-03-20"}, "The workshop plans until 9 April 2027"),
        ({"wanted_from": "soon"}, "Not before: 'soon' is not a day; write it as 2026-03-20."),
        ({"wanted_by": "2026-02-29"}, "Not after: '2026-02-29' is not a day"),
    ],
)
def test_days_that_make_no_sense_are_named_and_nothing_is_lost(
    client: Client, old_shop: Shop, fields: dict[str, str], said: str
) -> None:
    """Past, crossed, beyond the plan (400 days from 5 March 2026), no day, and 29 February of a common year."""
    answer = placed(client, **fields)

    assert said in text(answer)
    assert not Order.objects.exists()
    for name, value in fields.items():
        assert re.search(rf'name="{name}"[^>]* value="{value}"', answer.content.decode())


# ── told when it can't be kept ───────────────────────────────────────────────


def test_s2_the_maker_is_shown_first_and_tells_the_shop(client: Client, old_shop: Shop) -> None:
    """W-1002 of S2: one cup cracked; the plan says Thu 19, promised was Mon 16. Both dates and the reason stay."""
    builders.two_shops_order_cups()
    pot = Load.objects.get(equipment__code="POT-A")
    good = {portion.pk: portion.pieces for portion in pot.portions.all()}
    last = pot.portions.get(order_scent__line__order__number="W-1002")
    with clock.at("2026-03-05T16:00"):
        production.mark_done(by=builders.helper(), load=pot.pk, good={**good, last.pk: 11})
        client.force_login(builders.maker())
        shown = client.get("/bench/orders/W-1002/")
        assert "The plan has it leave Thu 19 Mar, 3 calendar days after the promise." in text(shown)
        assert 'name="leaves" value="2026-03-19"' in shown.content.decode()

        early = client.post("/bench/orders/W-1002/promise/", {"leaves": "2026-03-18", "because": "It cracked."})
        assert early.status_code == 422
        assert "19 March 2026 at the earliest" in text(early)
        told = client.post("/bench/orders/W-1002/promise/", {"leaves": "2026-03-19", "because": "It cracked."})
        assert told.status_code == 302

    shop = Order.objects.get(number="W-1002").shop
    client.force_login(builders.member(shop))
    page = text(client.get(f"/shops/{shop.slug}/orders/W-1002/"))
    assert "Leaves Thu 19 Mar With you Mon 23 Mar." in page
    assert "Thu 19 Mar instead of Mon 16 Mar It cracked." in page
    assert "Now leaves 19 March 2026 instead of 16 March 2026: It cracked." in page


# ── over the API ─────────────────────────────────────────────────────────────


@pytest.mark.parametrize("first", [[1, 1], [2], [0], [3]])
def test_a_first_shipment_that_is_no_part_of_the_order_is_refused_in_words(
    client: Client, old_shop: Shop, first: list[int]
) -> None:
    """Two numbers for one line; all of its two cases; none; more than there are."""
    line = {"item": "SUC", "cases": 2, "mix": [{"scent": "RG", "pieces": 6}]}
    asked = {"lines": [line], "first": first}
    answer = client.post("/api/v1/shops/fern-and-fable/quote/", asked, content_type="application/json").json()

    assert answer["refusal"]["code"] == "first"
    assert "some of the cases ordered, not none and not all" in answer["refusal"]["message"]
    assert answer["total"] == "162.00"


def test_wanted_days_go_in_and_come_out_of_the_api(client: Client, old_shop: Shop) -> None:
    """Wanted not before Thu 26: it leaves on Tue 24."""
    line = {"item": "SUC", "cases": 2, "mix": [{"scent": "RG", "pieces": 6}]}
    answer = client.post(
        "/api/v1/shops/fern-and-fable/orders/", {"lines": [line], "wanted_from": "2026-03-26"},
        content_type="application/json", HTTP_IDEMPOTENCY_KEY="once",
    ).json()  # fmt: skip

    assert (answer["wanted_from"], answer["leaves"], answer["arrives"]) == ("2026-03-26", "2026-03-24", "2026-03-26")
    assert (answer["pick_up"], answer["promise_changes"]) == (False, [])
