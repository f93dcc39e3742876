"""Orders that were placed together: one order of a shop that goes in two shipments."""

from collections.abc import Iterable
from datetime import timedelta

from django.db.models import Sum

from accounts.models import Shop
from wholesale.core.orders import OrderState, shipment_token
from wholesale.models import Order

#: States of an order whose place is given up.
GONE = (OrderState.REFUSED, OrderState.WITHDRAWN)
#: Two shipments are placed in one transaction: they stand nearer to one another than this.
_AT_ONCE = timedelta(minutes=5)


def others(shop: Shop, orders: Iterable[Order]) -> dict[int, Order]:
    """The other shipment of each of the shop's orders that goes in two, by the order's row: 1 query.

    The second one's token follows from the first one's, so only orders placed together are found.
    """
    moments = [order.placed_at for order in orders]
    if not moments:
        return {}
    since, until = min(moments) - _AT_ONCE, max(moments) + _AT_ONCE
    near = Order.objects.filter(shop=shop, placed_at__range=(since, until)).annotate(case_count=Sum("lines__cases"))
    by_token = {order.token: order for order in near}
    pairs = [(order, by_token.get(shipment_token(order.token, 1))) for order in by_token.values()]
    return {one.pk: other for first, second in pairs if second for one, other in ((first, second), (second, first))}


def repeated(shop: Shop, number: str) -> tuple[Order, ...]:
    """What "the same again" means of an order: it and its other shipment, the first one first: 2 queries.

    A shipment that was given up alone is not ordered again with the other one.
    """
    return _both(shop, Order.objects.filter(shop=shop, number=number).first())


def last(shop: Shop) -> tuple[Order, ...]:
    """The shop's last order that stands, with its other shipment: 2 queries."""
    return _both(shop, Order.objects.filter(shop=shop).exclude(state__in=GONE).first())


def _both(shop: Shop, order: Order | None) -> tuple[Order, ...]:
    if order is None:
        return ()
    other = others(shop, [order]).get(order.pk)
    if other is None or (other.state in GONE) != (order.state in GONE):
        return (order,)
    return tuple(sorted((order, other), key=lambda row: row.pk))
