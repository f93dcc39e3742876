"""Whether a basket's place is kept for its shop."""

from accounts.models import Shop
from wholesale import clock
from wholesale.core.orders import Basket
from wholesale.models import HeldBasket


def kept(shop: Shop, basket: Basket) -> HeldBasket | None:
    """The live hold of this very basket: 1 query."""
    row = HeldBasket.objects.filter(shop=shop, ended_at=None, expires_at__gt=clock.now()).first()
    return row if row and Basket.from_json(row.basket) == basket else None
