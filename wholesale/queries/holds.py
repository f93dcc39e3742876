"""Whether a basket's place is kept for its shop."""

from datetime import datetime

from accounts.models import Shop
from wholesale import clock
from wholesale.core.orders import Basket
from wholesale.models import HeldBasket


def kept_until(shop: Shop, basket: Basket) -> datetime | None:
    """Until when the place of this very basket is kept for the shop: 1 query."""
    row = HeldBasket.objects.filter(shop=shop, ended_at=None, expires_at__gt=clock.now()).first()
    return row.expires_at if row and Basket.from_json(row.basket) == basket else None
