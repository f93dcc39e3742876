"""A promised date that can't be kept is told by the maker; one that a late deposit moves says so by itself."""

from datetime import date
from decimal import Decimal

import pytest

from tests import builders
from wholesale import clock
from wholesale.actions import invoicing, orders, production, promises
from wholesale.core.production.check import check
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.documents import KINDS
from wholesale.documents.letters import letter
from wholesale.models import Document, Load, LoadPortion, Order, PlanState, PromiseChange
from wholesale.queries import production as plans
from wholesale.queries import workshop
from wholesale.queries.papers import value_of

pytestmark = pytest.mark.django_db
WHY = "One cup cracked while it set; we pour it again."


def day(number: int) -> date:
    """A day of March 2026."""
    return date(2026, 3, number)


@pytest.fixture
def b2() -> Order:
    """B2 of S2 after one of the 24 cups cracked on Thu 5 and the plan was mended: promised Mon 16, planned Thu 19."""
    builders.mossgate_rows()
    _, late = builders.two_shops_order_cups()
    orders.confirm(by=builders.maker(), number=late.number)
    pot = Load.objects.get(equipment__code="POT-A")
    good = {portion.pk: portion.pieces for portion in pot.portions.all()}
    with clock.at("2026-03-05T16:00"):
        last = pot.portions.get(order_scent__line__order=late).pk
        production.mark_done(by=builders.helper(), load=pot.pk, good={**good, last: 11})
    late.refresh_from_db()
    return late


def change(order: Order, leaves: date = date(2026, 3, 19), because: str = WHY) -> Order:
    with clock.at("2026-03-05T16:30"):
        promises.change(by=builders.maker(), number=order.number, leaves=leaves, because=because)
    order.refresh_from_db()
    return order


def test_s2_the_new_date_is_promised_and_both_stay_for_ever(b2: Order) -> None:
    """One reject, poured again on Fri 6, piped Mon 9: W-1002 leaves Thu 19 instead of Mon 16, arrives Mon 23."""
    assert (b2.number, b2.promised_leaves, b2.planned_leaves) == ("W-1002", day(16), day(19))

    change(b2)

    assert (b2.promised_leaves, b2.promised_arrives) == (day(19), day(23))
    row = PromiseChange.objects.get()
    assert (row.was_leaves, row.was_arrives, row.leaves, row.arrives, row.because) == (
        day(16), day(18), day(19), day(23), WHY,
    )  # fmt: skip
    told = b2.events.filter(for_shop=True).latest("pk").text
    assert told == f"Now leaves 19 March 2026 instead of 16 March 2026: {WHY}"
    with pytest.raises(TypeError, match="written once"):
        row.delete()


def test_the_shop_gets_a_confirmation_with_both_dates_and_the_reason(b2: Order) -> None:
    """A paper with its e-mail is queued in the same transaction."""
    change(b2)

    paper = Document.objects.filter(kind="confirmation", order=b2).latest("pk")
    assert paper.mail_to == b2.shop.email
    value = value_of(paper)
    assert "leaves Thu 19 Mar 2026 instead of Mon 16 Mar 2026" in " ".join(KINDS["confirmation"].html(value).split())
    text = letter(KINDS["confirmation"], value).text
    assert "has changed: Thursday 19 March 2026 instead of Monday 16 March 2026" in text
    assert WHY in text


def test_the_plan_counts_on_the_new_date(b2: Order) -> None:
    """What is promised is a demand of the plan: `check` finds nobody late any more, and the version moves on."""
    version = PlanState.objects.get().version
    planner = plans.planner(workshop.workshop())
    late = check(planner, plans.current_plan(), plans.demands(), plans.free_stock())
    change(b2)

    assert [breach.rule for breach in late] == ["promised"]
    assert check(planner, plans.current_plan(), plans.demands(), plans.free_stock()) == ()
    assert PlanState.objects.get().version == version + 1


@pytest.mark.parametrize(
    ("leaves", "because", "message"),
    [
        (day(18), WHY, "19 March 2026 at the earliest"),
        (day(21), WHY, "no working day"),
        (day(16), WHY, "promised already"),
        (day(19), " ", "Give the shop a reason"),
        (day(19), "x" * 301, "up to 300 letters"),
    ],
)
def test_a_date_that_cannot_be_kept_or_a_missing_reason_is_refused(
    b2: Order, leaves: date, because: str, message: str
) -> None:
    """Before the plan's day; Saturday 21 is a market; the same day; no reason; a long one. Nothing is written."""
    with pytest.raises(Refusal, match=message):
        change(b2, leaves, because)
    assert not PromiseChange.objects.exists()


def test_only_the_maker_promises_another_day_and_only_of_what_is_open(b2: Order) -> None:
    """Not the helper; not of an order that is not there, or refused."""
    with pytest.raises(NotAllowed):
        promises.change(by=builders.helper(), number=b2.number, leaves=day(19), because=WHY)
    with pytest.raises(NotFound):
        promises.change(by=builders.maker(), number="W-9", leaves=day(19), because=WHY)
    Order.objects.filter(pk=b2.pk).update(state="shipped")
    with pytest.raises(Refusal, match="can't be changed any more"):
        promises.change(by=builders.maker(), number=b2.number, leaves=day(19), because=WHY)


# ── late deposits ────────────────────────────────────────────────────────────


@pytest.fixture
def first_order() -> Order:
    """282 with freight, half of it as deposit by Mon 9, 14:00; poured Mon 9, piped Tue 10, leaves Fri 20."""
    builders.mossgate_rows()
    return builders.place(builders.shop("corner"), ("SUC", 2, "RG"), ("PEB", 2, "RG"))


def at(moment: str, order: Order) -> Order:
    """The order after the timer's sweep at that moment."""
    with clock.at(moment):
        promises.watch_deposits()
    order.refresh_from_db()
    return order


def pay(order: Order, moment: str, amount: str = "141") -> Order:
    with clock.at(moment):
        invoicing.record_payment(
            by=builders.maker(), shop=order.shop.slug, amount=Decimal(amount), received_on=clock.today(), reference="",
            token=moment, order=order.number,
        )  # fmt: skip
    order.refresh_from_db()
    return order


def first_load() -> date:
    return min(LoadPortion.objects.values_list("load__day", flat=True))


def test_the_day_of_the_deposit_stands_on_the_order(first_order: Order) -> None:
    """Two working days from Thu 5 are Mon 9; until then everything stays as promised."""
    assert (first_order.deposit_by, first_order.promised_leaves, first_load()) == (day(9), day(20), day(9))

    at("2026-03-09T14:00", first_order)
    assert (first_order.promised_leaves, first_load(), PromiseChange.objects.count()) == (day(20), day(9), 0)


def test_a_deposit_that_is_late_moves_the_promise_day_for_day(first_order: Order) -> None:
    """After 14:00 on Mon 9 the bench can begin on Tue 10: pipe Wed 11, sellable Sat 21, packed Mon 23, there Wed 25.

    A day later: pour Wed 11, pipe Thu 12, sellable Sun 22, packed Mon 23: that day costs nothing.
    Another one: pour Thu 12, pipe Fri 13, sellable and packed Mon 23. Then Fri 13, pipe Mon 16, packed Thu 26.
    """
    at("2026-03-09T14:01", first_order)
    assert (first_order.promised_leaves, first_order.promised_arrives) == (day(23), day(25))
    assert first_load() == day(10)

    at("2026-03-10T14:01", first_order)
    at("2026-03-11T14:01", first_order)
    assert (first_order.promised_leaves, first_load()) == (day(23), day(12))
    at("2026-03-12T14:01", first_order)
    assert (first_order.promised_leaves, first_load()) == (day(26), day(13))

    assert [(row.was_leaves, row.leaves) for row in PromiseChange.objects.all()] == [
        (day(20), day(23)), (day(23), day(26)),
    ]  # fmt: skip
    # One e-mail, at the first move.
    assert Document.objects.filter(kind="confirmation", order=first_order).count() == 1
    binding = [gate for gate in first_order.gates if gate["binding"]]
    assert [(gate["title"], gate["passed_on"]) for gate in binding] == [("Deposit", "2026-03-13")]
    assert first_order.events.filter(for_shop=True, text__contains="deposit is not here yet").count() == 2


def test_the_sweep_moves_nothing_twice_and_no_other_order(first_order: Order) -> None:
    """The other shop's cups, which owe no deposit, stay where they are; a second sweep leaves the version alone."""
    builders.two_shops_order_cups()
    others = Order.objects.exclude(pk=first_order.pk).order_by("pk").values_list("planned_leaves", "promised_leaves")
    before = list(others)
    at("2026-03-09T14:01", first_order)
    version = PlanState.objects.get().version
    at("2026-03-09T14:02", first_order)

    assert PlanState.objects.get().version == version
    assert list(others) == before


def test_a_deposit_that_comes_late_starts_the_bench_at_once(first_order: Order) -> None:
    """The plan has it begin on Fri 13; the money comes that morning: poured on Fri 13, and no sweep moves it again."""
    at("2026-03-09T14:01", first_order)
    at("2026-03-12T14:01", first_order)
    assert first_order.promised_leaves == day(26)

    pay(first_order, "2026-03-13T09:00")

    assert (first_load(), first_order.planned_leaves) == (day(13), day(26))
    assert not plans.late_deposits(plans.calendar(), workshop.workshop())
    with clock.at("2026-03-13T14:01"):
        promises.watch_deposits()
        assert first_load() == day(13)


def test_part_of_a_deposit_is_not_the_deposit(first_order: Order) -> None:
    """100 of 141 came: the date still moves."""
    pay(first_order, "2026-03-06T09:00", "100")

    assert at("2026-03-09T14:01", first_order).promised_leaves == day(23)


def test_a_deposit_in_time_moves_nothing(first_order: Order) -> None:
    """All of it came on Fri 6."""
    pay(first_order, "2026-03-06T09:00")

    assert at("2026-03-09T14:01", first_order).promised_leaves == day(20)
    assert not PromiseChange.objects.exists()
