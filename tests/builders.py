"""Rows for tests: the demo workshop, its people, and orders, all made by the real actions."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from uuid import uuid4

from accounts.models import Address, Membership, Shop, StaffRole, User
from tests.remembered import remembered
from wholesale.actions import workbook
from wholesale.actions.workbook.changes import Report
from wholesale.core.orders import Basket, BasketLine
from wholesale.models import Order, ShopAccount

MOSSGATE = Path(__file__).resolve().parents[1] / "wholesale" / "management" / "mossgate"
PASSWORD = "wick-and-wax-26"
#: Pieces in a case (trade.md, section 6).
CASE_PACKS = {"SUC": 6, "PEB": 6, "FRN": 12}

Line = tuple[str, int, str | Mapping[str, int]]


def mossgate_files(*left_out: str) -> dict[str, bytes]:
    """The files of the demo folder, without those named."""
    return {path.name: path.read_bytes() for path in MOSSGATE.glob("*.csv") if path.name not in left_out}


def mossgate_rows(*, stock: bool = False, orders: bool = False) -> Report:
    """Load the demo workshop: catalogue, calendar, prices, shops, people; stock and open orders if asked."""
    left_out = [name for name, wanted in (("stock.csv", stock), ("orders.csv", orders)) if not wanted]
    return remembered(
        ("mossgate", *left_out), lambda: workbook.load(files=mossgate_files(*left_out), first_password=PASSWORD)
    )


def maker() -> User:
    """The maker."""
    return _staff("ada@mossgate.example", StaffRole.MAKER)


def helper() -> User:
    """The helper."""
    return _staff("noor@mossgate.example", StaffRole.HELPER)


def shop(slug: str = "corner", **fields: Any) -> Shop:
    """A shop with one address for goods and bills; a new one that has never ordered, unless it is there already."""
    name = slug.replace("-", " ").title()
    plain = {"legal_name": f"{name} LLC", "trade_name": name, "country": "US", "email": f"bills@{slug}.example"}
    row, made = Shop.objects.get_or_create(slug=slug, defaults={**plain, "opened_on": "2026-01-05", **fields})
    for kind in Address.Kind.values if made else []:
        place = {"name": name, "line1": "1 Test Row", "city": "Marrowby", "region": "NY", "country": "US"}
        Address.objects.create(shop=row, kind=kind, is_default=True, **place)
    row.refresh_from_db()
    return row


def member(of: Shop, role: str = "buyer") -> User:
    """Somebody with this role at the shop; the same person each time."""
    email = f"{role}@{of.slug}.example"
    person = User.objects.filter(email=email).first() or User.objects.create_user(email, PASSWORD, name=role.title())
    Membership.objects.get_or_create(user=person, shop=of, defaults={"role": role})
    return person


def stranger() -> User:
    """Somebody who signs in and belongs to no shop."""
    email = "stranger@elsewhere.example"
    return User.objects.filter(email=email).first() or User.objects.create_user(email, PASSWORD, name="Stranger")


def basket(*lines: Line) -> Basket:
    """A basket from (item, cases, mix): one scent fills the case, or pieces of each in one case.

    ``basket(("SUC", 2, "RG"), ("PEB", 1, {"RG": 2, "CF": 2, "WS": 2}))``
    """
    return Basket(lines=tuple(BasketLine(item=item, cases=cases, mix=_mix(item, mix)) for item, cases, mix in lines))


def place(of: Shop, *lines: Line, by: User | None = None, **also: Any) -> Order:
    """Place an order as a buyer of the shop, with a token of its own."""
    from wholesale.actions import orders

    also = {"token": str(uuid4()), **also}
    number = orders.place(by=by or member(of), shop=of.slug, basket=basket(*lines), **also)
    return Order.objects.get(number=number)


def _staff(email: str, role: StaffRole) -> User:
    found = User.objects.filter(staff_role=role).first()
    return found or User.objects.create_user(email, PASSWORD, name=role.label, staff_role=role)


def _mix(item: str, mix: str | Mapping[str, int]) -> tuple[tuple[str, int], ...]:
    return ((mix, CASE_PACKS[item]),) if isinstance(mix, str) else tuple(mix.items())


def two_shops_order_cups() -> list[Order]:
    """B1 and B2 of trade scenario S2: 12 succulent cups in rain garden each, from shops that ordered before."""
    placed = []
    for slug in ("corner", "lantern"):
        buyer = shop(slug)
        ShopAccount.objects.create(shop=buyer, last_order_on="2026-01-20")
        placed.append(place(buyer, ("SUC", 2, "RG")))
    return placed
