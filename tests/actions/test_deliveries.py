"""What is on order: noted, moved, called off, received; and what that does to the plan and to orders.

The demo workshop without its stock, on Thursday 5 March 2026, 13:50; the plan waits for
rain garden oil. Twelve cups take 12 × 150 / 0.97 / 1.08 × 0.08 = 137.5 g of it.
"""

from datetime import date
from decimal import Decimal as D
from fractions import Fraction
from typing import Any
from uuid import uuid4

import pytest

from accounts.models import Shop, User
from tests import builders
from wholesale.actions import deliveries, stock
from wholesale.core.catalogue import Sku
from wholesale.core.production.work import pieces_by_day
from wholesale.core.stock import OnHand
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import Equipment, EquipmentOut, ExpectedDelivery, Item, Lot, Order, PlanState, Setting
from wholesale.queries import needs, production, workshop
from wholesale.queries import orders as quotes

FRI, TUE, NEXT_TUE = date(2026, 3, 6), date(2026, 3, 10), date(2026, 3, 17)
OIL = Sku("OIL-RG")


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows()
    for name in ("opening_minimum", "reorder_minimum"):
        Setting.objects.update_or_create(name=name, defaults={"value": "0"})
    Item.objects.filter(code="OIL-RG").update(binds_plan=True)


@pytest.fixture
def maker() -> User:
    return builders.maker()


@pytest.fixture
def helper() -> User:
    return builders.helper()


@pytest.fixture
def corner() -> Shop:
    return builders.shop("corner")


def on_order(by: User, grams: str = "200", day: date = TUE, **also: Any) -> int:
    """Rain garden oil on order, unless told otherwise."""
    typed = {"item": "OIL-RG", "quantity": D(grams), "expected_on": day, "token": uuid4().hex, **also}
    return deliveries.order(by=by, **typed)


def poured() -> dict[date, int]:
    """Cups poured by day, in the plan."""
    return pieces_by_day(production.current_plan().loads, Sku("SUC", "RG"), "pour")


def came(by: User, delivery: int, grams: str = "200", mark: str = "t") -> str:
    """What came of a delivery, less than the pack it is bought in."""
    return deliveries.receive(by=by, delivery=delivery, quantity=D(grams), token=mark, sure=True)


def counted_on(sku: Sku = OIL) -> list[OnHand]:
    """What the plan may count on of a material."""
    return [row for row in production.free_stock() if row.sku == sku]


def version() -> int:
    return PlanState.objects.get().version


def told(order: Order, kind: str) -> list[str]:
    return list(order.events.filter(kind=kind).values_list("text", flat=True))


# ── noted, and counted on ────────────────────────────────────────────────────


def test_an_order_is_promised_for_what_is_on_order(helper: User, corner: Shop) -> None:
    """200 g on Tue 10: poured that day, piped Wed 11, sellable Sat 21, leaves Mon 23. Without it there is no date."""
    basket = builders.basket(("SUC", 2, "RG"))
    refusal = quotes.quote(corner, basket).refusal
    assert refusal is not None
    assert (refusal.code, refusal.facts["missing"]) == ("no_supply", "138")

    on_order(helper)
    placed = builders.place(corner, ("SUC", 2, "RG"))

    assert placed.promised_leaves == date(2026, 3, 23)
    assert poured() == {TUE: 12}
    assert [(gate["title"], gate["passed_on"]) for gate in placed.gates if gate["code"] == "supply"] == [
        ("Supply", "2026-03-10")
    ]


def test_what_is_on_order_counts_as_coming_in_the_needs(helper: User, corner: Shop) -> None:
    """137.5 g taken on Tue 10, 200 g come that day: nothing is short."""
    on_order(helper)
    builders.place(corner, ("SUC", 2, "RG"))
    row = next(row for row in needs.needs_page().items if row.sku == OIL)

    assert (row.comes.grams, row.short_on) == (D(200), None)


def test_a_lot_expires_for_the_plan_and_a_late_delivery_is_looked_for_tomorrow(helper: User) -> None:
    """A lot good until Fri 6 carries that day; what was expected on Wed 4 is counted on Fri 6."""
    item = Item.objects.get(code="OIL-RG")
    Lot.objects.create(
        code="OLD", item=item, made_on="2026-02-02", usable_on="2026-02-02", expires_on=FRI, on_hand=50_000
    )
    ExpectedDelivery.objects.create(item=item, quantity=80_000, ordered_on="2026-02-20", expected_on="2026-03-04")

    assert counted_on() == [
        OnHand(sku=OIL, usable_on=date(2026, 2, 2), quantity=Fraction(50), expires_on=FRI),
        OnHand(sku=OIL, usable_on=FRI, quantity=Fraction(80)),
    ]


def test_a_material_that_binds_nothing_changes_no_plan(helper: User) -> None:
    """Soy wax on order is seen in the needs alone."""
    before = version()
    on_order(helper, item="SOY")

    assert version() == before
    assert counted_on(Sku("SOY")) == []


def test_two_taps_note_one_delivery(helper: User) -> None:
    """The same form sent twice."""
    assert on_order(helper, token="one") == on_order(helper, token="one")
    assert ExpectedDelivery.objects.count() == 1


# ── moved, called off ────────────────────────────────────────────────────────


def test_a_delivery_that_comes_later_moves_the_pour_and_tells_the_order(helper: User, corner: Shop) -> None:
    """From Tue 10 to Tue 17: poured then, sellable Sat 28, leaves Mon 30 instead of Mon 23."""
    delivery = on_order(helper)
    order = builders.place(corner, ("SUC", 2, "RG"))
    before = version()
    deliveries.move(by=helper, delivery=delivery, expected_on=NEXT_TUE)

    assert (poured(), version()) == ({NEXT_TUE: 12}, before + 1)
    assert told(order, "at_risk") == ["At risk: now planned for 30 March 2026, promised for 23 March 2026."]


def test_a_delivery_that_comes_sooner_leaves_the_plan_as_it_is(helper: User, corner: Shop) -> None:
    """From Tue 10 to Fri 6: a new order may use it, the old one stays where it was promised."""
    delivery = on_order(helper)
    builders.place(corner, ("SUC", 2, "RG"))
    deliveries.move(by=helper, delivery=delivery, expected_on=FRI)

    assert poured() == {TUE: 12}


def test_an_order_whose_delivery_is_called_off_waits_and_is_told_once(maker: User, corner: Shop) -> None:
    """Nothing is planned for it any more; planning again says it no second time; new oil plans it."""
    delivery = on_order(maker)
    order = builders.place(corner, ("SUC", 2, "RG"))
    deliveries.call_off(by=maker, delivery=delivery, because="The supplier has closed.")

    assert poured() == {}
    (text,) = told(order, "at_risk")
    assert text.startswith("At risk, not planned: Rain garden oil: 138 g more are needed")
    later = on_order(maker, grams="300")
    deliveries.move(by=maker, delivery=later, expected_on=NEXT_TUE)
    assert poured() == {NEXT_TUE: 12}
    assert len(told(order, "at_risk")) == 2


# ── received ─────────────────────────────────────────────────────────────────


def test_what_came_becomes_a_lot_and_is_no_longer_on_order(helper: User) -> None:
    """200 g ordered, 200 g received: one lot, nothing awaited; the second tap books nothing."""
    delivery = on_order(helper)
    codes = [came(helper, delivery) for _ in range(2)]
    row = ExpectedDelivery.objects.get()

    assert codes[0] == codes[1] == row.lot.code  # type: ignore[union-attr]
    assert row.closed_at is not None
    assert [(one.quantity, one.usable_on) for one in counted_on()] == [(200, date(2026, 3, 5))]


def test_what_did_not_come_stays_on_order(helper: User) -> None:
    """150 g of 200: 50 g are still to come on the same day, under the same number."""
    delivery = on_order(helper, reference="A-77")
    came(helper, delivery, "150")
    rest = ExpectedDelivery.objects.get(closed_at=None)

    assert (rest.quantity, rest.expected_on, rest.reference) == (50_000, TUE, "A-77")
    assert [one.quantity for one in counted_on()] == [150, 50]


def test_a_delivery_is_closed_once(helper: User, maker: User) -> None:
    """Received, it is neither moved nor called off nor received again."""
    delivery = on_order(helper)
    came(helper, delivery)

    with pytest.raises(Conflict, match="200 g of Rain garden oil came already, or was called off"):
        deliveries.move(by=helper, delivery=delivery, expected_on=TUE)
    with pytest.raises(Conflict):
        deliveries.call_off(by=maker, delivery=delivery, because="twice")
    with pytest.raises(Conflict):
        came(helper, delivery, mark="u")
    assert Lot.objects.filter(item__code="OIL-RG").count() == 1


def test_oil_that_is_spilt_moves_what_counted_on_it(helper: User, corner: Shop) -> None:
    """200 g here, 100 g spilt, more on Tue 10: eight cups can still be poured on Mon 9, four wait.

    A first order's deposit is awaited until Mon 9.
    """
    lot = stock.receive(by=helper, item="OIL-RG", quantity=D(200), token="a", sure=True)
    on_order(helper)
    builders.place(corner, ("SUC", 2, "RG"))
    assert poured() == {date(2026, 3, 9): 12}
    stock.take_out(by=helper, lot=lot, quantity=D(100), kind="scrap", because="Spilt.", token="b")

    assert poured() == {date(2026, 3, 9): 8, TUE: 4}


# ── what is refused ──────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("typed", "code", "field"),
    [
        ({"expected_on": date(2026, 3, 4)}, "expected_on", "expected_on"),
        ({"expected_on": date(2036, 3, 4)}, "expected_on", "expected_on"),
        ({"quantity": D(0)}, "quantity", "quantity"),
        ({"quantity": D("0.0001")}, "quantity", "quantity"),
        ({"item": "SUC", "scent": "RG"}, "made_here", "item"),
        ({"item": "SUC"}, "scent", "scent"),
        ({"token": ""}, "token", "token"),
    ],
    ids=["past", "far off", "nothing", "too fine", "made here", "no scent", "no mark"],
)
def test_what_can_t_be_on_order_is_refused_by_its_field(
    helper: User, typed: dict[str, Any], code: str, field: str
) -> None:
    """Nothing is noted."""
    with pytest.raises(Refusal) as found:
        on_order(helper, **typed)

    assert (found.value.code, found.value.field) == (code, field)
    assert not ExpectedDelivery.objects.exists()


def test_only_the_bench_notes_and_only_the_maker_calls_off(helper: User, corner: Shop) -> None:
    """A shop's buyer may do nothing of it; a reason is asked for; what isn't there is not found."""
    delivery = on_order(helper)
    buyer = builders.member(corner)
    for act in (
        lambda: on_order(buyer),
        lambda: deliveries.move(by=buyer, delivery=delivery, expected_on=TUE),
        lambda: deliveries.receive(by=buyer, delivery=delivery, quantity=D(1), token="x"),
        lambda: deliveries.call_off(by=helper, delivery=delivery, because="no"),
    ):
        with pytest.raises(NotAllowed):
            act()
    with pytest.raises(Refusal, match="Say why"):
        deliveries.call_off(by=builders.maker(), delivery=delivery, because=" ")
    with pytest.raises(NotFound):
        deliveries.move(by=helper, delivery=delivery + 1, expected_on=TUE)


# ── equipment out of use ─────────────────────────────────────────────────────


def test_a_broken_pot_is_not_planned_on_until_it_is_back(corner: Shop) -> None:
    """The only pot A is out until Mon 9: cups in cedar frame are poured on Tue 10."""
    pot = Equipment.objects.get(code="POT-A")
    EquipmentOut.objects.create(equipment=pot, count=1, first=date(2026, 3, 2), last=date(2026, 3, 9))
    builders.place(corner, ("SUC", 2, "CF"))

    assert pieces_by_day(production.current_plan().loads, Sku("SUC", "CF"), "pour") == {TUE: 12}
    assert production.planner(workshop.workshop()).count_of("POT-A", TUE) == 1
