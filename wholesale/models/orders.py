"""Orders with what was promised and agreed when they were placed, and their history."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import catalogue
from wholesale.models.written_once import WrittenOnce


class ShopAccount(models.Model):
    """What the workshop knows of a shop from before its first order here."""

    shop = models.OneToOneField("accounts.Shop", on_delete=models.CASCADE, related_name="account")
    #: The last order taken before this service was used; empty for a new shop.
    last_order_on = models.DateField(null=True, blank=True)

    def __str__(self) -> str:
        return f"account of {self.shop}"


class Order(models.Model):
    """One shop's order. Terms, prices, addresses and promise are frozen when it is placed."""

    number = models.CharField(max_length=20, unique=True)
    shop = models.ForeignKey("accounts.Shop", on_delete=models.PROTECT, related_name="orders")
    state = models.CharField(max_length=12)
    #: Made by the page or the API client; the same token never makes a second order.
    token = models.CharField(max_length=64)
    placed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    placed_at = models.DateTimeField()
    po_number = models.CharField(max_length=40, blank=True)
    note = models.TextField(blank=True)
    #: core.pricing.Terms.to_json()
    terms = models.JSONField()
    currency = models.CharField(max_length=3)
    list_minor = models.BigIntegerField()
    discount_minor = models.BigIntegerField()
    goods_minor = models.BigIntegerField()
    freight_minor = models.BigIntegerField()
    total_minor = models.BigIntegerField()
    deposit_minor = models.BigIntegerField()
    tier_percent = models.DecimalField(max_digits=6, decimal_places=3)
    #: Each amount's arithmetic, as shown when the order was placed: [{name, amount, shown}].
    arithmetic = models.JSONField(default=list)
    ship_to = models.JSONField()
    bill_to = models.JSONField()
    promised_leaves = models.DateField()
    promised_arrives = models.DateField()
    promise_holds_until = models.DateTimeField()
    #: [core.production.promise.Gate.to_json()]
    gates = models.JSONField()
    #: The shop has no stockroom: it wants its goods neither before nor after these days. Both are days of arrival.
    wanted_from = models.DateField(null=True, blank=True)
    wanted_by = models.DateField(null=True, blank=True)
    #: The shop fetches it from the workshop: it arrives the day it leaves, without freight.
    pick_up = models.BooleanField(default=False)
    #: The day by which a deposit has to be there for the promise to stand; empty where none is asked for.
    deposit_by = models.DateField(null=True, blank=True)
    #: What the plan now says; later than promised means at risk.
    planned_leaves = models.DateField()
    refused_because = models.TextField(blank=True)

    class Meta:
        ordering = ["-placed_at", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "token"], name="order_token_once_per_shop"),
            models.CheckConstraint(
                condition=Q(state__in=["placed", "confirmed", "refused", "withdrawn", "shipped"]),
                name="order_state_known",
            ),
        ]
        indexes = [models.Index(fields=["state", "promised_leaves"])]

    def __str__(self) -> str:
        return self.number


class OrderLine(models.Model):
    """Whole cases of one product at the price agreed."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveIntegerField()
    item = models.ForeignKey(catalogue.Item, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=120)
    cases = models.PositiveIntegerField()
    case_pack = models.PositiveIntegerField()
    unit_price_e4 = models.BigIntegerField()
    list_minor = models.BigIntegerField()
    discount_minor = models.BigIntegerField()
    cases_shipped = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["order_id", "position"]
        constraints = [
            models.UniqueConstraint(fields=["order", "position"], name="order_line_position_once"),
            models.CheckConstraint(condition=Q(cases__gte=1), name="order_line_cases_from_one"),
            models.CheckConstraint(
                condition=Q(cases_shipped__lte=models.F("cases")), name="order_line_not_overshipped"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.order} line {self.position}"


class OrderLineScent(models.Model):
    """Pieces of one scent in one case of a line (empty scent for an unscented product).

    The plan's demand: its key is ``demand_key``.
    """

    line = models.ForeignKey(OrderLine, on_delete=models.CASCADE, related_name="scents")
    scent = models.CharField(max_length=20, blank=True)
    pieces_per_case = models.PositiveIntegerField()
    planned_leaves = models.DateField()

    class Meta:
        ordering = ["line_id", "id"]
        constraints = [models.UniqueConstraint(fields=["line", "scent"], name="order_scent_once_per_line")]

    def __str__(self) -> str:
        return f"{self.line} {self.scent}"


class PromiseChange(WrittenOnce):
    """A promised date that could not be kept: what was promised, what is now, why, and who told the shop.

    Nobody told it where a deposit is late: the date was promised under that condition.
    """

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="promise_changes")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    was_leaves = models.DateField()
    was_arrives = models.DateField()
    leaves = models.DateField()
    arrives = models.DateField()
    because = models.CharField(max_length=300)

    class Meta:
        ordering = ["order_id", "at", "id"]

    def __str__(self) -> str:
        return f"{self.order}: {self.was_leaves} to {self.leaves}"


class HeldBasket(models.Model):
    """A basket at checkout that keeps its place in the plan for some minutes; afterwards the row is history."""

    shop = models.ForeignKey("accounts.Shop", on_delete=models.CASCADE, related_name="held_baskets")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    #: core.orders.Basket.to_json(), and the ``deposit_days`` it was promised with.
    basket = models.JSONField()
    leaves = models.DateField()
    arrives = models.DateField()
    held_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    #: When it was let go before its time: placed, or given up.
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["held_at", "id"]
        indexes = [models.Index(fields=["expires_at"], condition=Q(ended_at=None), name="held_basket_live")]
        constraints = [
            models.UniqueConstraint(fields=["shop"], condition=Q(ended_at=None), name="one_held_basket_a_shop")
        ]

    def __str__(self) -> str:
        return f"{self.shop} until {self.expires_at}"


class OrderEvent(models.Model):
    """What happened to an order, when, and who did it. Rows are only added."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="events")
    at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    kind = models.CharField(max_length=30)
    text = models.TextField()
    #: Whether the shop sees it too.
    for_shop = models.BooleanField(default=True)

    class Meta:
        ordering = ["order_id", "at", "id"]

    def __str__(self) -> str:
        return f"{self.order}: {self.kind}"
