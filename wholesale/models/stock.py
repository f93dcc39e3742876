"""Lots and the append-only ledger of what there is."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import catalogue, orders


class Lot(models.Model):
    """What was made or bought together, and the day it may be sold or used from."""

    code = models.CharField(max_length=40, unique=True)
    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="lots")
    scent = models.CharField(max_length=20, blank=True)
    made_on = models.DateField()
    usable_on = models.DateField()

    class Meta:
        ordering = ["usable_on", "code"]

    def __str__(self) -> str:
        return self.code


class StockMovement(models.Model):
    """One entry of the ledger: pieces, or milligrams for items counted in grams. Rows are only added."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    quantity = models.BigIntegerField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=30)
    reference = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["at", "id"]

    def __str__(self) -> str:
        return f"{self.lot} {self.quantity:+}"


class Reservation(models.Model):
    """Pieces of a lot that are spoken for by one scent of an order line; ``shipped`` of them have left.

    ``from_stock`` pieces were free when the order was placed; the others were made for it.
    """

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="reservations")
    order_scent = models.ForeignKey(orders.OrderLineScent, on_delete=models.CASCADE, related_name="reservations")
    pieces = models.PositiveIntegerField()
    shipped = models.PositiveIntegerField(default=0)
    from_stock = models.BooleanField()

    class Meta:
        ordering = ["lot_id", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(shipped__lte=models.F("pieces")), name="reservation_not_overshipped")
        ]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.lot}"
