"""Lots and the append-only ledger of what there is."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import catalogue, orders
from wholesale.models.written_once import WrittenOnce


class Lot(models.Model):
    """What was made or bought together, and the day it may be sold or used from."""

    code = models.CharField(max_length=40, unique=True)
    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="lots")
    scent = models.CharField(max_length=20, blank=True)
    made_on = models.DateField()
    usable_on = models.DateField()
    #: Sum of the lot's movements: written with each of them, under the plan's lock.
    on_hand = models.BigIntegerField(default=0)
    #: "ok", "hold" (nothing may be taken) or "recalled".
    state = models.CharField(max_length=10, default="ok")
    state_because = models.CharField(max_length=200, blank=True)
    #: Of what was bought.
    supplier = models.CharField(max_length=120, blank=True)
    supplier_lot = models.CharField(max_length=60, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    #: The batch it was made in (a product: in which it was poured); empty for what was bought, or stood there
    #: on the first day.
    load = models.ForeignKey("wholesale.Load", on_delete=models.PROTECT, null=True, blank=True, related_name="lots")

    class Meta:
        ordering = ["usable_on", "code"]
        constraints = [
            models.CheckConstraint(condition=Q(on_hand__gte=0), name="lot_not_below_zero"),
            models.CheckConstraint(condition=Q(state__in=["ok", "hold", "recalled"]), name="lot_state_known"),
        ]
        indexes = [models.Index(fields=["item", "scent"], condition=Q(on_hand__gt=0), name="lot_with_stock")]

    def __str__(self) -> str:
        return self.code


class StockMovement(WrittenOnce):
    """One entry of the ledger: pieces, or milligrams for items counted in grams. Rows are only added."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    quantity = models.BigIntegerField()
    place = models.CharField(max_length=40, default="shelf")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=30)
    reference = models.CharField(max_length=60, blank=True)
    because = models.CharField(max_length=200, blank=True)
    #: The batch that took or made it.
    load = models.ForeignKey(
        "wholesale.Load", on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    #: Whose pieces of the batch it put into the lot.
    portion = models.ForeignKey(
        "wholesale.LoadPortion", on_delete=models.PROTECT, null=True, blank=True, related_name="movements"
    )
    #: Made by the page that booked it: a second request with the same token is the same tap.
    token = models.CharField(max_length=64, blank=True)
    #: The entry this one takes back.
    corrects = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["token"], condition=~Q(token=""), name="movement_by_token")]

    def __str__(self) -> str:
        return f"{self.lot} {self.quantity:+}"


class ExpectedDelivery(models.Model):
    """What is on order from a supplier, and the day it is to come; once received it is a lot."""

    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="deliveries")
    scent = models.CharField(max_length=20, blank=True)
    #: Pieces or milligrams.
    quantity = models.BigIntegerField()
    ordered_on = models.DateField()
    expected_on = models.DateField()
    supplier = models.CharField(max_length=120, blank=True)
    reference = models.CharField(max_length=60, blank=True)
    #: Made by the page that noted it: a second request with the same token is the same tap.
    token = models.CharField(max_length=64, blank=True)
    #: Why it was called off.
    because = models.CharField(max_length=200, blank=True)
    #: When it came, or was called off; empty while it is awaited.
    closed_at = models.DateTimeField(null=True, blank=True)
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, null=True, blank=True, related_name="deliveries")

    class Meta:
        ordering = ["expected_on", "id"]
        verbose_name_plural = "expected deliveries"
        constraints = [models.CheckConstraint(condition=Q(quantity__gte=1), name="delivery_from_one")]

    def __str__(self) -> str:
        return f"{self.item} on {self.expected_on}"


class ForStock(models.Model):
    """Pieces that the workshop makes for itself: for the shelf and the market, or as samples of a batch.

    To the plan it is a demand like an order's; its key is ``s`` and the row number.
    """

    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    pieces = models.PositiveIntegerField()
    #: "stock" or "sample".
    purpose = models.CharField(max_length=10, default="stock")
    because = models.CharField(max_length=200, blank=True)
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    asked_at = models.DateTimeField()
    #: When nothing more is to be made for it: all good pieces are on the shelf, or it was called off.
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gte=1), name="for_stock_from_one"),
            models.CheckConstraint(condition=Q(purpose__in=["stock", "sample"]), name="for_stock_purpose_known"),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} {self.item} {self.scent} ({self.purpose})"


class StockTarget(models.Model):
    """How many free pieces of a sku the workshop wants on its shelf."""

    item = models.ForeignKey(catalogue.Item, on_delete=models.CASCADE, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    pieces = models.PositiveIntegerField()

    class Meta:
        ordering = ["item_id", "scent"]
        constraints = [models.UniqueConstraint(fields=["item", "scent"], name="stock_target_once")]

    def __str__(self) -> str:
        return f"{self.pieces} {self.item} {self.scent}"


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
