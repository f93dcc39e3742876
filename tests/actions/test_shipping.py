"""Packing and shipping: whole cases of what is really there, each piece once, nothing else."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from accounts.models import Shop, User
from tests.actions import rows
from tests.actions.rows import at_once
from wholesale import clock
from wholesale.actions.shipping import pack, ship
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import (
    Document,
    Order,
    OrderEvent,
    OrderLine,
    Reservation,
    Shipment,
    ShipmentLot,
    StockMovement,
)
from wholesale.queries import shipping as shelf

TOMORROW = rows.TODAY + timedelta(days=1)


@pytest.fixture
def maker(db: None) -> User:
    """The workshop with its maker."""
    rows.workshop()
    return rows.person("maker")


@pytest.fixture
def buyer(maker: User) -> Shop:
    """A shop."""
    return rows.shop()


@pytest.fixture
def order(buyer: Shop, maker: User) -> Order:
    """A confirmed order of two cases of pebble jars in one scent: 12 pieces."""
    return rows.order(buyer, maker, {"PEB": 2})


def shipped_in_all() -> int:
    """Pieces the ledger says have left."""
    return -sum(StockMovement.objects.filter(reason="shipped").values_list("quantity", flat=True))


def test_packing_takes_the_pieces_out_of_the_reserved_lots_oldest_first(order: Order, maker: User) -> None:
    """12 pieces of two lots of 8: all 8 of the older, 4 of the newer."""
    newer = rows.make(order, pieces=8)
    older = rows.make(order, pieces=8, usable_on=rows.TODAY - timedelta(days=3))

    number = pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")

    taken = dict(ShipmentLot.objects.values_list("lot__code", "pieces"))
    assert taken == {older.code: 8, newer.code: 4}
    assert dict(Reservation.objects.values_list("lot__code", "shipped")) == taken
    moves = StockMovement.objects.filter(reason="shipped", reference=number, by=maker)
    assert {move.lot.code: -move.quantity for move in moves} == taken
    assert OrderLine.objects.get().cases_shipped == 2
    assert number == "S-1001"


def test_packing_writes_history_and_asks_for_a_packing_slip(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)

    number = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a", cartons=2)

    event = OrderEvent.objects.get(kind="packed")
    assert (event.order, event.by, event.for_shop) == (order, maker, True)
    assert event.text == "S-1001 packed: 1 × Pebble jar; 1 case waits."
    paper = Document.objects.get()
    assert (paper.kind, paper.shipment, paper.mail_to) == ("packing_slip", Shipment.objects.get(number=number), "")
    assert Shipment.objects.get().cartons == 2


def test_fewer_than_ordered_leave_as_whole_cases_and_the_rest_waits(order: Order, maker: User) -> None:
    """11 pieces are one case of 6; the other 5 stay, and leave with a twelfth."""
    rows.make(order, pieces=11)

    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")

    page = shelf.pack_page(order.number)
    assert (page.lines[0].shipped, page.lines[0].open, page.lines[0].ready) == (1, 1, 0)
    assert page.lines[0].missing == (("Rain garden", 1),)
    rows.make(order, pieces=1)
    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="b")
    assert shipped_in_all() == 12


def test_asking_for_more_cases_than_are_ready_packs_nothing(order: Order, maker: User) -> None:
    rows.make(order, pieces=11)

    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")

    assert refused.value.message == "Pebble jar: 1 case is ready, not 2; pack what is ready and let the rest wait."
    assert not Shipment.objects.exists()
    assert shipped_in_all() == 0
    assert OrderLine.objects.get().cases_shipped == 0


def test_a_mixed_case_takes_each_scent_of_it(buyer: Shop, maker: User) -> None:
    """S1's mix, 2 of each of three scents, two cases: 4 pieces of each."""
    order = rows.order(buyer, maker, {"SUC": 2}, mix={"RG": 2, "CF": 2, "WS": 2})
    for scent in ("RG", "CF", "WS"):
        rows.make(order, 1, scent, pieces=4)

    pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")

    assert dict(ShipmentLot.objects.values_list("lot__scent", "pieces")) == {"RG": 4, "CF": 4, "WS": 4}


def test_what_still_cures_does_not_leave(order: Order, maker: User) -> None:
    rows.make(order, pieces=12, usable_on=TOMORROW)

    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    with clock.at("2026-03-06T09:00"):
        pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="b")

    assert refused.value.code == "not_ready"
    assert shipped_in_all() == 12


def test_made_pieces_leave_only_when_finished(order: Order, maker: User) -> None:
    """12 cured, 7 with label and lid: one case. After it, 1 of the 7 is left: no second case."""
    rows.make(order, pieces=12, finished=7)

    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")

    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="b")
    assert refused.value.facts == {"ready": 0, "missing": {"RG": 5}}
    rows.finish(OrderLine.objects.get().scents.get(), 5)
    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="c")
    assert shipped_in_all() == 12


def test_picks_from_stock_need_no_finishing(order: Order, maker: User) -> None:
    rows.make(order, pieces=6, from_stock=True)
    rows.make(order, pieces=6, finished=0)

    assert shelf.pack_page(order.number).ready == 1
    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    assert Reservation.objects.get(from_stock=True).shipped == 6


def test_pieces_reserved_for_another_order_are_not_taken(order: Order, buyer: Shop, maker: User) -> None:
    other = rows.order(buyer, maker, {"PEB": 2})
    rows.make(other, pieces=12)

    with pytest.raises(Refusal, match="no case is ready"):
        pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    assert shipped_in_all() == 0


def test_the_same_token_packs_once(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    cases = {rows.line(order): 1}

    first = pack(by=maker, number=order.number, cases=cases, token="a")
    again = pack(by=maker, number=order.number, cases=cases, token="a")

    assert first == again
    assert Shipment.objects.count() == 1
    assert shipped_in_all() == 6


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("placed", "Order W-1001 is not confirmed yet; confirm it before packing."),
        ("refused", "Order W-1001 is refused; nothing of it is left to pack."),
        ("withdrawn", "Order W-1001 is withdrawn; nothing of it is left to pack."),
        ("shipped", "Order W-1001 is shipped; nothing of it is left to pack."),
    ],
)
def test_only_a_confirmed_order_is_packed(buyer: Shop, maker: User, state: str, words: str) -> None:
    order = rows.order(buyer, maker, {"PEB": 1}, state=state)
    rows.make(order, pieces=6)

    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")

    assert (refused.value.code, refused.value.message) == ("order_state", words)
    assert not Shipment.objects.exists()
    assert not shelf.pack_page(order.number).may_pack


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"token": ""}, "token"),
        ({"cartons": 0}, "cartons"),
        ({"cartons": 1000}, "cartons"),
        ({"cases": {}}, "nothing_packed"),
    ],
)
def test_a_slip_of_the_finger_is_refused(order: Order, maker: User, changed: dict[str, Any], code: str) -> None:
    rows.make(order, pieces=12)
    asked: dict[str, Any] = {"cases": {rows.line(order): 1}, "token": "a", "cartons": 1}

    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, **asked | changed)

    assert refused.value.code == code
    assert not Shipment.objects.exists()
    assert shipped_in_all() == 0


def test_there_must_be_such_an_order_and_such_a_line(order: Order, maker: User) -> None:
    with pytest.raises(NotFound):
        pack(by=maker, number="W-9999", cases={1: 1}, token="a")
    with pytest.raises(Refusal) as refused:
        pack(by=maker, number=order.number, cases={0: 1}, token="a")
    assert refused.value.code == "unknown_line"


def test_a_helper_packs_and_ships_and_a_shop_does_not(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    helper, nobody = rows.person("helper"), rows.person("")
    cases = {rows.line(order): 2}

    with pytest.raises(NotAllowed):
        pack(by=nobody, number=order.number, cases=cases, token="a")
    number = pack(by=helper, number=order.number, cases=cases, token="b")
    with pytest.raises(NotAllowed):
        ship(by=nobody, number=number)
    assert Shipment.objects.get().shipped_on is None
    ship(by=helper, number=number)

    assert Shipment.objects.get().shipped_on == rows.TODAY


def test_shipping_sets_the_days_and_tells_the_shop(order: Order, maker: User) -> None:
    """Leaves Thursday 5 March; two carrier days, Monday to Friday, later is Monday 9 March."""
    rows.make(order, pieces=12)
    number = pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")

    ship(by=maker, number=number, carrier=" Valley Parcel ", tracking="VP 1")

    row = Shipment.objects.get()
    assert (row.shipped_on, row.arrives_on) == (date(2026, 3, 5), date(2026, 3, 9))
    assert (row.carrier, row.tracking) == ("Valley Parcel", "VP 1")
    event = OrderEvent.objects.get(kind="shipped")
    assert event.text == "S-1001 has left with Valley Parcel VP 1; it arrives 9 March 2026."
    assert [paper.mail_to for paper in Document.objects.order_by("pk")] == ["", "bills@fennel.example"]


def test_the_order_is_shipped_when_all_its_cases_have_left(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    first = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    states = []

    ship(by=maker, number=first)
    states.append(Order.objects.get().state)  # one case is not packed
    second = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="b")
    states.append(Order.objects.get().state)  # packed, still here
    ship(by=maker, number=second)
    states.append(Order.objects.get().state)

    assert states == ["confirmed", "confirmed", "shipped"]


def test_an_order_packed_in_full_stays_open_until_its_last_shipment_has_left(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    first = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    second = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="b")

    ship(by=maker, number=second)
    assert Order.objects.get().state == "confirmed"
    ship(by=maker, number=first)
    assert Order.objects.get().state == "shipped"


def test_what_has_left_does_not_leave_twice(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    number = pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")
    ship(by=maker, number=number)

    with pytest.raises(Conflict) as refused:
        ship(by=maker, number=number)
    with pytest.raises(NotFound):
        ship(by=maker, number="S-9999")

    assert refused.value.message == "S-1001 has already left, on 2026-03-05; nothing was changed."


def test_a_name_longer_than_the_slip_holds_is_refused(order: Order, maker: User) -> None:
    rows.make(order, pieces=12)
    number = pack(by=maker, number=order.number, cases={rows.line(order): 2}, token="a")

    with pytest.raises(Refusal) as refused:
        ship(by=maker, number=number, tracking="9" * 81)

    assert refused.value.field == "tracking"
    assert Shipment.objects.get().shipped_on is None


# ── what the pages read ──────────────────────────────────────────────────────


def test_the_packing_table_costs_the_same_however_many_orders(
    buyer: Shop, maker: User, django_assert_num_queries: Any
) -> None:
    """Orders, lines, their scents; recipes 3, items, scents, equipment, stand-ins; names; scents, held, made: 14."""
    for _ in range(6):
        rows.make(rows.order(buyer, maker, {"PEB": 2, "SUC": 1}), pieces=12)
    rows.order(buyer, maker, {"PEB": 1})

    with django_assert_num_queries(14):
        ready = shelf.to_pack()

    # The seventh has nothing on the shelf; of the others PEB is there, SUC is not.
    assert [page.number for page in ready] == [f"W-{1001 + i}" for i in range(6)]
    assert {(line.item, line.ready) for page in ready for line in page.lines} == {("PEB", 2), ("SUC", 0)}


def test_the_lists_of_shipments_cost_the_same_however_many(
    buyer: Shop, maker: User, django_assert_num_queries: Any
) -> None:
    """Shipments with order, shop and cases; the invoices that stand."""
    for _ in range(5):
        rows.shipment(rows.order(buyer, maker, {"PEB": 2}))

    with django_assert_num_queries(2):
        found = shelf.to_invoice()
    with django_assert_num_queries(2):
        assert [row.number for row in shelf.to_ship()] == [f"S-{1001 + i}" for i in range(5)]
    with django_assert_num_queries(2):
        assert len(shelf.shipments(shop="fennel")) == 5

    assert [(row.number, row.cases, row.invoice) for row in found] == [(f"S-{1001 + i}", 2, "") for i in range(5)]
    assert [row.number for row in shelf.shipments(order="W-1003")] == ["S-1003"]
    assert shelf.shipments(shop="other") == ()


def test_a_shipment_shows_what_was_before_what_is_in_it_and_what_waits(
    buyer: Shop, maker: User, django_assert_num_queries: Any
) -> None:
    """3 cases ordered: 1 before, 1 in this one, 1 waits; 6 pieces from one lot."""
    order = rows.order(buyer, maker, {"PEB": 3})
    lot = rows.make(order, pieces=12)
    pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="a")
    second = pack(by=maker, number=order.number, cases={rows.line(order): 1}, token="b")

    # Shipment, standing invoices, scent names, earlier cases, lines, lots, scents.
    with django_assert_num_queries(7):
        page = shelf.shipment_page(second, shop="fennel")

    (line,) = page.lines
    assert (line.ordered, line.before, line.cases, line.waiting) == (3, 1, 1, 1)
    assert line.scents == (("Rain garden", 6),)
    assert line.lots == ((lot.code, "Rain garden", 6),)
    assert page.ship_to == rows.ADDRESS
    with pytest.raises(NotFound):
        shelf.shipment_page(second, shop="other")


# ── two at once ──────────────────────────────────────────────────────────────


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_packers_at_once_never_ship_the_same_pieces() -> None:
    """12 pieces, eight people who each pack one case of 6: two of them can."""
    rows.workshop()
    maker = rows.person("maker")
    order = rows.order(rows.shop(), maker, {"PEB": 8})
    rows.make(order, pieces=12)
    line = rows.line(order)

    def job(token: str) -> Callable[[], str]:
        return lambda: pack(by=maker, number=order.number, cases={line: 1}, token=token)

    found = at_once([job(str(i)) for i in range(8)])

    assert sorted(n for n in found if isinstance(n, str)) == ["S-1001", "S-1002"]
    assert [n.code for n in found if isinstance(n, Refusal)] == ["not_ready"] * 6
    assert shipped_in_all() == 12
    assert Reservation.objects.get().shipped == 12
    assert OrderLine.objects.get().cases_shipped == 2


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_a_double_click_packs_once() -> None:
    rows.workshop()
    maker = rows.person("maker")
    order = rows.order(rows.shop(), maker, {"PEB": 8})
    rows.make(order, pieces=48)
    cases = {rows.line(order): 1}

    found = at_once([lambda: pack(by=maker, number=order.number, cases=cases, token="once")] * 4)

    assert found == ["S-1001"] * 4
    assert shipped_in_all() == 6


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_the_last_two_shipments_leaving_at_once_close_the_order() -> None:
    rows.workshop()
    maker = rows.person("maker")
    order = rows.order(rows.shop(), maker, {"PEB": 2})
    for number in ("S-1", "S-2"):
        rows.shipment(order, number, PEB=1)

    assert at_once([lambda: ship(by=maker, number="S-1"), lambda: ship(by=maker, number="S-2")]) == [None, None]

    assert Order.objects.get().state == "shipped"
