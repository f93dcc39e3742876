"""Plain rows for the tests of packing and money: one workshop, shops, orders as they were agreed.

Orders are written directly, so that a test says exactly what was agreed, ordered and
made; `tests.builders` goes the long way through placing and the bench.
"""

import threading
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from decimal import Decimal as D
from typing import Any

from django.db import connection

from accounts.models import Shop, User
from tests import mossgate
from wholesale import clock
from wholesale.actions import ledger
from wholesale.core.values import Refusal, to_e4, to_minor
from wholesale.models import (
    Item,
    Load,
    LoadPortion,
    Lot,
    Operation,
    Order,
    OrderLine,
    OrderLineScent,
    Recipe,
    Reservation,
    Scent,
    Setting,
    Shipment,
)

TODAY = date(2026, 3, 5)
ADDRESS = {
    "name": "Fennel & Finch", "line1": "9 Weir Street", "line2": "", "city": "Albany", "region": "NY",
    "postcode": "12207", "country": "US",
}  # fmt: skip
SETTINGS = {
    "name": "Mossgate Bench", "legal_name": "Mossgate Bench LLC", "street": "14 Millrace Lane", "city": "Hollowell",
    "region": "VT", "postcode": "05409", "country": "US", "tax_id": "04-0000123", "how_to_pay": "By bank transfer.",
}  # fmt: skip
#: The wholesale price of a piece, and pieces in a case.
PRODUCTS = {"SUC": ("Succulent cup", D(12), 6), "PEB": ("Pebble jar", D(10), 6), "FRN": ("Fern tin", D("7.50"), 12)}


def workshop(**other: str) -> None:
    """Settings, scents, and three products whose making ends with a finishing step after the cure."""
    Setting.objects.bulk_create(Setting(name=name, value=value) for name, value in (SETTINGS | other).items())
    oil = Item.objects.create(code="OIL", name="Oil", kind="material", unit="gram")
    for rank, (code, name) in enumerate((("RG", "Rain garden"), ("CF", "Cedar frame"), ("WS", "Wet stone"))):
        Scent.objects.create(code=code, name=name, oil=oil, rank=rank)
    for code, (name, _, pack) in PRODUCTS.items():
        item = Item.objects.create(code=code, name=name, kind="product", unit="piece", scented=True, case_pack=pack)
        recipe = Recipe.objects.create(item=item, valid_from=date(2026, 1, 1))
        for position, (step, cure) in enumerate((("pour", None), ("top", 10), ("finish", None))):
            Operation.objects.create(recipe=recipe, position=position, code=step, name=step, cure_days=cure)


def person(role: str = "maker") -> User:
    """Somebody of the workshop, or with "" nobody in particular."""
    return User.objects.create_user(f"{role or 'nobody'}@mossgate.example", name=role, staff_role=role)


def shop(slug: str = "fennel", **other: Any) -> Shop:
    """A shop without a certificate."""
    fields = {
        "legal_name": "Fennel & Finch LLC", "trade_name": "Fennel & Finch", "country": "US",
        "email": f"bills@{slug}.example", "opened_on": date(2026, 1, 5),
    }  # fmt: skip
    return Shop.objects.create(slug=slug, **fields | other)


def certify(buyer: Shop) -> None:
    """Hand in a resale certificate that holds."""
    buyer.resale_certificate_number, buyer.resale_certificate_state = "12-345", "NY"
    buyer.resale_certificate_signed_on = date(2026, 1, 10)
    buyer.save()


def order(
    buyer: Shop, by: User, cases: Mapping[str, int], *, mix: Mapping[str, int] | None = None, percent: str = "0",
    freight: str = "18", deposit: str = "0", state: str = "confirmed", **terms: str,
) -> Order:  # fmt: skip
    """An order of so many cases of each product, in one scent or in ``mix`` (pieces a case)."""
    number = f"W-{1001 + Order.objects.count()}"
    lists = {code: PRODUCTS[code][1] * PRODUCTS[code][2] * count for code, count in cases.items()}
    off = {code: amount * D(percent) / 100 for code, amount in lists.items()}
    goods = sum(lists.values()) - sum(off.values())
    made = Order.objects.create(
        number=number, shop=buyer, state=state, token=number, placed_by=by, placed_at=clock.now(), po_number="PO 77",
        terms=mossgate.terms(**terms).to_json(), currency="USD", list_minor=minor(sum(lists.values())),
        discount_minor=minor(sum(off.values())), goods_minor=minor(goods), freight_minor=minor(D(freight)),
        total_minor=minor(goods + D(freight)), deposit_minor=minor(D(deposit)), tier_percent=D(percent),
        ship_to=ADDRESS, bill_to=ADDRESS, promised_leaves=TODAY, promised_arrives=TODAY + timedelta(days=2),
        promise_holds_until=clock.now(), planned_leaves=TODAY, gates=[],
    )  # fmt: skip
    for position, (code, count) in enumerate(cases.items(), 1):
        name, unit, pack = PRODUCTS[code]
        line = OrderLine.objects.create(
            order=made, position=position, item=Item.objects.get(code=code), name=name, cases=count, case_pack=pack,
            unit_price_e4=to_e4(unit), list_minor=minor(lists[code]), discount_minor=minor(off[code]),
        )  # fmt: skip
        for scent, pieces in (mix or {"RG": pack}).items():
            OrderLineScent.objects.create(line=line, scent=scent, pieces_per_case=pieces, planned_leaves=TODAY)
    return made


def minor(amount: D | int) -> int:
    """Cents."""
    return to_minor(D(amount), "USD")


def make(
    of: Order, position: int = 1, scent: str = "RG", *, pieces: int, finished: int | None = None,
    usable_on: date = TODAY, from_stock: bool = False,
) -> Lot:  # fmt: skip
    """Pieces reserved for a scent of a line in a new lot; made ones are finished as far as said (all of them)."""
    wanted = OrderLineScent.objects.get(line__order=of, line__position=position, scent=scent)
    item, code = wanted.line.item, f"B-{1001 + Lot.objects.count()}"
    lot = Lot.objects.create(
        code=code, item=item, scent=scent, made_on=usable_on - timedelta(days=10), usable_on=usable_on
    )
    ledger.move(lot, pieces, ledger.Why(reason="made"))
    Reservation.objects.create(lot=lot, order_scent=wanted, pieces=pieces, from_stock=from_stock)
    if not from_stock:
        finish(wanted, pieces if finished is None else finished)
    return lot


def finish(wanted: OrderLineScent, pieces: int) -> None:
    """Have so many pieces come well through the finishing step."""
    item = wanted.line.item
    load = Load.objects.create(day=TODAY, what=item, scent=wanted.scent, operation="finish", done_at=clock.now())
    LoadPortion.objects.create(
        load=load, order_scent=wanted, item=item, scent=wanted.scent, operation="finish", pieces=pieces, good=pieces
    )


def line(of: Order, position: int = 1) -> int:
    """The row number of an order's line."""
    return OrderLine.objects.get(order=of, position=position).pk


def shipment(of: Order, number: str = "", **cases: int) -> Shipment:
    """A packed shipment of all cases, or of so many of each product, without going through the lots."""
    made = Shipment.objects.create(
        number=number or f"S-{1001 + Shipment.objects.count()}", order=of, token=f"t{Shipment.objects.count()}",
        packed_at=clock.now(), packed_by=of.placed_by,
    )  # fmt: skip
    for row in of.lines.all():
        count = cases.get(row.item.code, 0) if cases else row.cases
        if count:
            made.lines.create(order_line=row, cases=count)
            row.cases_shipped += count
            row.save()
    return made


def at_once(jobs: list[Callable[[], Any]]) -> list[Any]:
    """Run jobs on threads of their own, started together; return each result or exception."""
    together, found = threading.Barrier(len(jobs)), [None] * len(jobs)

    def run(index: int) -> None:
        together.wait()
        try:
            found[index] = jobs[index]()
        except (Refusal, OSError) as failed:
            found[index] = failed  # type: ignore[call-overload]
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(index,)) for index in range(len(jobs))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found
