"""The calendar, the plan's version, its loads, and the dates shown on the order sheet."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import catalogue, orders


class Weekday(models.Model):
    """The rule of one weekday (Monday = 0)."""

    weekday = models.PositiveSmallIntegerField(unique=True)
    kind = models.CharField(max_length=8)
    opens = models.TimeField(null=True, blank=True)
    closes = models.TimeField(null=True, blank=True)
    #: Minutes by group of hands; a group without an entry is not counted.
    minutes = models.JSONField(default=dict)

    class Meta:
        ordering = ["weekday"]

    def __str__(self) -> str:
        return f"weekday {self.weekday}: {self.kind}"


class CalendarDay(models.Model):
    """A day that differs from its weekday's rule: a market, a holiday, an extra work day."""

    day = models.DateField(unique=True)
    kind = models.CharField(max_length=8)
    opens = models.TimeField(null=True, blank=True)
    closes = models.TimeField(null=True, blank=True)
    minutes = models.JSONField(default=dict)
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["day"]

    def __str__(self) -> str:
        return f"{self.day}: {self.kind}"


class PlanState(models.Model):
    """The one row that writers of the plan lock; ``version`` grows with every change of it."""

    version = models.PositiveBigIntegerField(default=0)
    changed_at = models.DateTimeField(null=True)
    because = models.CharField(max_length=120, blank=True)

    def __str__(self) -> str:
        return f"plan {self.version}"


class Load(models.Model):
    """One load on one day, planned or done; the key is ``core.production.work.Work``."""

    #: The batch number, given when the load is done.
    number = models.CharField(max_length=20, unique=True, null=True)
    day = models.DateField()
    equipment = models.ForeignKey(catalogue.Equipment, on_delete=models.PROTECT, null=True, related_name="+")
    what = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    operation = models.CharField(max_length=40, blank=True)
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["day", "equipment_id", "id"]
        indexes = [models.Index(fields=["day"]), models.Index(fields=["done_at"])]

    def __str__(self) -> str:
        return self.number or f"load {self.pk}"


class LoadPortion(models.Model):
    """Pieces of a load made for one scent of an order line; ``good`` is what came of them."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="portions")
    order_scent = models.ForeignKey(orders.OrderLineScent, on_delete=models.PROTECT, related_name="portions")
    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    operation = models.CharField(max_length=40)
    pieces = models.PositiveIntegerField()
    good = models.PositiveIntegerField(null=True)
    reject_reason = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["load_id", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(good__isnull=True) | Q(good__lte=models.F("pieces")), name="portion_good_within_pieces"
            )
        ]

    def __str__(self) -> str:
        return f"{self.pieces} in {self.load}"


class SheetDate(models.Model):
    """The order sheet's "leaves from" of one sku, as of one version of the plan, and how long it holds."""

    version = models.PositiveBigIntegerField()
    item = models.ForeignKey(catalogue.Item, on_delete=models.CASCADE, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    leaves = models.DateField(null=True)
    arrives = models.DateField(null=True)
    holds_until = models.DateTimeField()
    because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["item_id", "scent"]
        constraints = [models.UniqueConstraint(fields=["version", "item", "scent"], name="sheet_date_once_per_version")]

    def __str__(self) -> str:
        return f"{self.item} {self.scent}: {self.leaves}"
