"""The calendar, the plan's version, its loads, and the dates shown on the order sheet."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import catalogue, orders
from wholesale.models.written_once import WrittenOnce


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


class EquipmentOut(models.Model):
    """So many of a piece of equipment are out of use from one day to another; no last day: until further notice."""

    equipment = models.ForeignKey(catalogue.Equipment, on_delete=models.CASCADE, related_name="outages")
    count = models.PositiveIntegerField(default=1)
    first = models.DateField()
    last = models.DateField(null=True, blank=True)
    because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["first", "id"]
        verbose_name_plural = "equipment out"
        constraints = [
            models.CheckConstraint(condition=Q(count__gte=1), name="equipment_out_from_one"),
            models.CheckConstraint(
                condition=Q(last__isnull=True) | Q(last__gte=models.F("first")), name="equipment_out_not_turned_round"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.count} {self.equipment} out from {self.first}"


class PlanChange(WrittenOnce):
    """What a change of the plan moved, and why; written beside the plan's new version."""

    version = models.PositiveBigIntegerField()
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    #: "improved", "bad_night", "again".
    kind = models.CharField(max_length=20)
    because = models.CharField(max_length=300)
    #: core.production.difference.Difference.to_json()
    moves = models.JSONField(default=dict)

    class Meta:
        ordering = ["-version", "-id"]

    def __str__(self) -> str:
        return f"plan {self.version}: {self.because}"


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
    number = models.CharField(max_length=30, unique=True, null=True)
    day = models.DateField()
    equipment = models.ForeignKey(catalogue.Equipment, on_delete=models.PROTECT, null=True, related_name="+")
    what = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    scent = models.CharField(max_length=20, blank=True)
    operation = models.CharField(max_length=40, blank=True)
    #: {item code: recipe version}, frozen when the batch is begun; empty until then.
    recipes = models.JSONField(default=dict)
    #: {material code: code of its substitute}, chosen for this batch.
    swaps = models.JSONField(default=dict)
    weighed_at = models.DateTimeField(null=True)
    #: Minutes of hands it really took.
    minutes = models.DecimalField(max_digits=9, decimal_places=2, null=True)
    released_at = models.DateTimeField(null=True)
    scrapped_at = models.DateTimeField(null=True)
    done_at = models.DateTimeField(null=True)
    done_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["day", "equipment_id", "id"]
        indexes = [models.Index(fields=["day"]), models.Index(fields=["done_at"])]

    def __str__(self) -> str:
        return self.number or f"load {self.pk}"

    @property
    def melt_lost(self) -> bool:
        """Was it scrapped before its melt went into any piece?"""
        return self.scrapped_at is not None and self.scrapped_at == self.done_at


class LoadPortion(models.Model):
    """Pieces of a load made for one scent of an order line; ``good`` is what came of them."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="portions")
    #: Whom the pieces are for: one of the two.
    order_scent = models.ForeignKey(
        orders.OrderLineScent, on_delete=models.PROTECT, null=True, blank=True, related_name="portions"
    )
    for_stock = models.ForeignKey(
        "wholesale.ForStock", on_delete=models.PROTECT, null=True, blank=True, related_name="portions"
    )
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
            ),
            models.CheckConstraint(
                condition=Q(order_scent__isnull=True) ^ Q(for_stock__isnull=True), name="portion_for_one"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} in {self.load}"

    @property
    def order(self) -> orders.Order | None:
        """The order the pieces are for; ``None`` for those the workshop makes for itself."""
        return self.order_scent.line.order if self.order_scent else None

    @property
    def for_whom(self) -> str:
        """The order's number, or what the workshop makes them for: ``W-1001``, ``stock``, ``sample``."""
        if self.for_stock:
            return self.for_stock.purpose
        return str(self.order)

    @property
    def is_sample(self) -> bool:
        """Is it kept of its batch?"""
        return self.for_stock is not None and self.for_stock.purpose == "sample"


class Reject(models.Model):
    """Pieces of a portion that did not come good, and why."""

    portion = models.ForeignKey(LoadPortion, on_delete=models.CASCADE, related_name="rejects")
    pieces = models.PositiveIntegerField()
    reason = models.CharField(max_length=60)

    class Meta:
        ordering = ["portion_id", "id"]
        constraints = [models.CheckConstraint(condition=Q(pieces__gte=1), name="reject_from_one")]

    def __str__(self) -> str:
        return f"{self.pieces} {self.reason}"


class Weighing(models.Model):
    """What was to be weighed of one item for a batch, and what was; the lots taken are its stock movements."""

    load = models.ForeignKey(Load, on_delete=models.PROTECT, related_name="weighings")
    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    planned_mg = models.BigIntegerField()
    actual_mg = models.BigIntegerField()
    because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["load_id", "id"]
        constraints = [models.CheckConstraint(condition=Q(actual_mg__gte=0), name="weighing_not_below_zero")]

    def __str__(self) -> str:
        return f"{self.item} for {self.load}"


class BatchEvent(models.Model):
    """What happened to a batch, when, and who did it. Rows are only added."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="events")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=30)
    text = models.TextField()

    class Meta:
        ordering = ["load_id", "at", "id"]

    def __str__(self) -> str:
        return f"{self.load}: {self.kind}"


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
