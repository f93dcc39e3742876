"""The demo workshop four times as large, with 200 orders in its tables, placed by the real action."""

from random import Random

from django.db.models import F

from accounts.models import Shop
from tests import builders
from wholesale.models import Equipment, ShopAccount, Weekday

#: What the demo workshop sells, product by product and scent by scent.
SKUS = [(item, scent) for item in ("SUC", "PEB", "FRN") for scent in ("RG", "CF", "WS")]
#: Each order's lines, as often as they stand here.
_LINES = (1, 1, 2)


def two_hundred_orders(chance: Random) -> Shop:
    """Rows of the workshop and of the orders; the shop that placed them."""
    builders.mossgate_rows(stock=True, orders=True)
    Equipment.objects.update(count=4 * F("count"))
    for weekday in Weekday.objects.exclude(minutes={}):
        weekday.minutes = {hands: 4 * minutes for hands, minutes in weekday.minutes.items()}
        weekday.save()
    shop = builders.shop("corner")
    ShopAccount.objects.get_or_create(shop=shop, defaults={"last_order_on": "2026-01-20"})
    for _ in range(200):
        chosen = chance.sample(SKUS, chance.choice(_LINES))
        builders.place(shop, *[(item, chance.randint(2, 4), scent) for item, scent in chosen])
    return shop
