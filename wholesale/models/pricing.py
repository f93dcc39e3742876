"""Dated price lists and the ladder of tiers."""

from django.db import models
from django.db.models import F, Q

from wholesale.models import catalogue


class PriceList(models.Model):
    """Wholesale prices that hold from a day on."""

    code = models.CharField(max_length=40, unique=True)
    valid_from = models.DateField()
    valid_until = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["valid_from", "code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(valid_until__isnull=True) | Q(valid_until__gte=F("valid_from")),
                name="price_list_ends_after_start",
            )
        ]

    def __str__(self) -> str:
        return self.code


class Price(models.Model):
    """The unit price of one item on one list, in ten-thousandths, without tax."""

    price_list = models.ForeignKey(PriceList, on_delete=models.CASCADE, related_name="prices")
    item = models.ForeignKey(catalogue.Item, on_delete=models.CASCADE, related_name="prices")
    unit_price_e4 = models.BigIntegerField()

    class Meta:
        ordering = ["price_list_id", "item_id"]
        constraints = [
            models.UniqueConstraint(fields=["price_list", "item"], name="price_once_per_list"),
            models.CheckConstraint(condition=Q(unit_price_e4__gte=0), name="price_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.item} on {self.price_list}"


class Tier(models.Model):
    """From this amount of list goods on, so many percent off."""

    from_minor = models.BigIntegerField(unique=True)
    percent = models.DecimalField(max_digits=6, decimal_places=3)

    class Meta:
        ordering = ["from_minor"]
        constraints = [
            models.CheckConstraint(condition=Q(percent__gte=0, percent__lte=100), name="tier_percent_a_share")
        ]

    def __str__(self) -> str:
        return f"{self.percent} % from {self.from_minor}"
