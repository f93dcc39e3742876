"""What was packed and has left."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import orders, stock


class Shipment(models.Model):
    """Whole cases of one order that leave together."""

    number = models.CharField(max_length=20, unique=True)
    order = models.ForeignKey(orders.Order, on_delete=models.PROTECT, related_name="shipments")
    #: The same token never packs twice.
    token = models.CharField(max_length=64)
    packed_at = models.DateTimeField()
    packed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    shipped_on = models.DateField(null=True)
    arrives_on = models.DateField(null=True)
    carrier = models.CharField(max_length=80, blank=True)
    tracking = models.CharField(max_length=80, blank=True)
    cartons = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-packed_at", "-id"]
        constraints = [models.UniqueConstraint(fields=["order", "token"], name="shipment_token_once_per_order")]

    def __str__(self) -> str:
        return self.number


class ShipmentLine(models.Model):
    """Cases of one order line in a shipment."""

    shipment = models.ForeignKey(Shipment, on_delete=models.CASCADE, related_name="lines")
    order_line = models.ForeignKey(orders.OrderLine, on_delete=models.PROTECT, related_name="shipment_lines")
    cases = models.PositiveIntegerField()

    class Meta:
        ordering = ["shipment_id", "order_line__position"]
        constraints = [
            models.UniqueConstraint(fields=["shipment", "order_line"], name="shipment_line_once"),
            models.CheckConstraint(condition=Q(cases__gte=1), name="shipment_line_cases_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.cases} cases in {self.shipment}"


class ShipmentLot(models.Model):
    """Which lot the pieces of a shipment line came from."""

    line = models.ForeignKey(ShipmentLine, on_delete=models.CASCADE, related_name="lots")
    lot = models.ForeignKey(stock.Lot, on_delete=models.PROTECT, related_name="+")
    pieces = models.PositiveIntegerField()

    class Meta:
        ordering = ["line_id", "id"]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.lot}"
