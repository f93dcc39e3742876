"""The day sheet's evening: what must stand overnight, what to lay ready, waits that end too soon. Mossgate."""

import html
import re

import pytest
from django.test import Client

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import Load, Lot, Operation, Order

THURSDAY, FRIDAY = "/bench/day/2026-03-05/", "/bench/day/2026-03-06/"


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows(stock=True)


@pytest.fixture
def order() -> Order:
    """S3: 12 SUC in rain garden, placed Thu 5 March 13:50: cast and poured Thu, topped Fri, leaves Mon 16."""
    return builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))


@pytest.fixture
def bench(client: Client) -> Client:
    client.force_login(builders.helper())
    return client


def evening(bench: Client, url: str = "/bench/day/") -> str:
    """What the sheet says between "Before you leave tonight" and the next heading; "" without that block."""
    page = bench.get(url).content.decode()
    block = re.search(r'<section class="part" aria-labelledby="tonight">(.*?)</section>', page, re.DOTALL)
    text = re.sub(r"<[^>]+>", " ", block.group(1)) if block else ""
    return re.sub(r"\s+", " ", html.unescape(text)).replace("\u00a0", " ").strip()


def done(*operations: str) -> None:
    Load.objects.filter(portions__operation__in=operations).update(done_at=clock.now())


def test_a_pot_that_must_stand_overnight_is_named_with_what_forgetting_it_costs(bench: Client, order: Order) -> None:
    """S3: forgotten on Thursday, the base is poured Fri 6, topped Mon 9, packed Thu 19 instead of Mon 16."""
    said = evening(bench)

    assert "Pour base: Succulent cup, Rain garden in Pot A for Pipe moss on Fri 6 Mar" in said
    assert f"If forgotten, it is late: {order.number} , Brindle & Fen: leaves Thu 19 Mar, promised Mon 16 Mar" in said


def test_what_is_done_needs_no_reminder(bench: Client, order: Order) -> None:
    done("pour")
    said = evening(bench)

    assert "Pour base" not in said
    assert "Cast rosettes: Rosette in Rosette tray, 2 loads for Pipe moss on Fri 6 Mar" in said


def test_parts_for_tomorrow_say_what_is_there_and_what_today_adds(bench: Client, order: Order) -> None:
    """14 casts × 0.92 = 12.88: 12 whole rosettes for 12 cups, none on the shelf."""
    assert "Rosette 12 0 12" in evening(bench)


def test_the_evening_of_a_later_day_counts_only_what_that_day_adds(bench: Client, order: Order) -> None:
    """Thursday's 12 rosettes, topped with on Mon 9, lie on the shelf by Friday: Friday itself casts none."""
    Load.objects.filter(portions__operation="pipe").update(day="2026-03-09")

    assert "Rosette 12 12 0" in evening(bench, FRIDAY)


def test_casts_can_wait_when_the_shelf_has_enough(bench: Client, order: Order) -> None:
    """20 rosettes come in from elsewhere: Friday's 12 are on the shelf, so the trays need not be cast tonight."""
    from tests.actions.rows import TODAY
    from wholesale.actions import ledger
    from wholesale.models import Item

    lot = Lot.objects.create(code="R-1", item=Item.objects.get(code="ROSETTE"), made_on=TODAY, usable_on=TODAY)
    ledger.move(lot, 20, ledger.Why(reason="counted"))
    said = evening(bench)

    assert "Cast rosettes" not in said
    assert "Rosette 12 20 12" in said


def test_tomorrows_moulds_and_materials_are_laid_ready_by_weight(bench: Client, order: Order) -> None:
    """Friday pipes 12 cups: one bowl, 12 × 40 / 0.97 = 494.85 g of whipping wax = 17.46 oz; there is none."""
    Lot.objects.filter(item__code="WHIPWAX").update(state="hold")
    said = evening(bench)

    assert "Lay ready for Fri 6 Mar Whip bowl for 1 load" in said
    assert "Whipping wax Short by 494.85 g 494.85 g 17.46 oz" in said


def test_on_friday_the_next_work_day_is_monday(bench: Client, order: Order) -> None:
    """Poured late, on Friday: topped on Monday, so the pot must stand over the weekend."""
    Load.objects.filter(portions__operation="pour").update(day="2026-03-06")
    Load.objects.filter(portions__operation="pipe").update(day="2026-03-09")
    with clock.at("2026-03-06T10:00"):
        said = evening(bench, FRIDAY)

    assert "Pour base: Succulent cup, Rain garden in Pot A for Pipe moss on Mon 9 Mar" in said


@pytest.mark.parametrize(("made", "what_to_do"), [([], "Plan again"), (["pour"], "Open the bench on a day before")])
def test_a_friday_pour_that_can_not_wait_till_monday_is_warned_of(
    bench: Client, order: Order, made: list[str], what_to_do: str
) -> None:
    """A base that must be topped within 2 days: poured Fri 6, by Sun 8; the bench works again on Mon 9."""
    Operation.objects.filter(code="pour").update(days_max=2)
    Load.objects.filter(portions__operation="pour").update(day="2026-03-06")
    done(*made)
    said = evening(bench, FRIDAY)

    assert "Pour base, Succulent cup, Rain garden would wait too long" in said
    assert "Pipe moss must follow within 2 days, by Sun 8 Mar; the bench works again on Mon 9 Mar." in said
    assert what_to_do in said


def test_a_friday_pour_with_mossgates_own_wait_is_not_warned_of(bench: Client, order: Order) -> None:
    """Seven days from Fri 6 reach Fri 13."""
    Load.objects.filter(portions__operation="pour").update(day="2026-03-06")

    assert "too long" not in evening(bench, FRIDAY)


def test_a_day_that_is_over_and_a_day_off_have_no_evening(bench: Client, order: Order) -> None:
    assert evening(bench, "/bench/day/2026-03-04/") == ""
    assert evening(bench, "/bench/day/2026-03-07/") == ""


def test_an_evening_with_nothing_to_do_says_nothing(bench: Client) -> None:
    assert evening(bench, THURSDAY) == ""
