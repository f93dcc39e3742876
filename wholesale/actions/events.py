"""The history of an order: one row a thing that happened."""

from accounts.models import User
from wholesale import clock
from wholesale.models import Order, OrderEvent


def note(order: Order, by: User | None, kind: str, text: str, *, for_shop: bool = True) -> None:
    """Add to an order's history; ``for_shop`` says whether the shop sees it too."""
    OrderEvent.objects.create(order=order, at=clock.now(), by=by, kind=kind, text=text, for_shop=for_shop)
