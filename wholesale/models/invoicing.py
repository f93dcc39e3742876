"""Invoices, credit notes, and money that came in."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from wholesale.models import orders, shipping
from wholesale.models.written_once import WrittenOnce


class Series(models.Model):
    """A running number without gaps; the row is locked while a number is taken."""

    code = models.CharField(max_length=20, primary_key=True)
    next_number = models.PositiveBigIntegerField(default=1)

    class Meta:
        verbose_name_plural = "series"

    def __str__(self) -> str:
        return f"{self.code}{self.next_number}"


class Invoice(WrittenOnce):
    """An issued invoice (``kind`` invoice) or credit note (``credit``): written once, never changed.

    ``frozen`` is the whole document as ``core.invoicing.InvoiceValue.to_json()``;
    the amount columns repeat its totals for lists and balances. A credit note's
    amounts are positive; it lowers what is owed.
    """

    number = models.CharField(max_length=30, unique=True)
    kind = models.CharField(max_length=8)
    shop = models.ForeignKey("accounts.Shop", on_delete=models.PROTECT, related_name="invoices")
    #: Empty only for ``opening`` invoices: those that were open on the first day here, issued before it.
    order = models.ForeignKey(orders.Order, on_delete=models.PROTECT, null=True, related_name="invoices")
    opening = models.BooleanField(default=False)
    #: One invoice a shipment; only one that was credited may be replaced, once.
    shipment = models.ForeignKey(shipping.Shipment, on_delete=models.PROTECT, null=True, related_name="invoices")
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="replaced_by")
    corrects = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="credit_note")
    issued_at = models.DateTimeField()
    issued_on = models.DateField()
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    due_on = models.DateField(null=True)
    currency = models.CharField(max_length=3)
    net_minor = models.BigIntegerField()
    tax_minor = models.BigIntegerField()
    gross_minor = models.BigIntegerField()
    frozen = models.JSONField()

    class Meta:
        ordering = ["-issued_at", "-id"]
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=["invoice", "credit"]), name="invoice_kind_known"),
            models.CheckConstraint(
                condition=Q(kind="invoice", corrects__isnull=True, shipment__isnull=False, opening=False)
                | Q(kind="invoice", corrects__isnull=True, shipment__isnull=True, order__isnull=True, opening=True)
                | Q(kind="credit", corrects__isnull=False, shipment__isnull=True, replaces__isnull=True),
                name="invoice_has_shipment_credit_has_invoice",
            ),
            models.UniqueConstraint(
                fields=["shipment"], condition=Q(replaces__isnull=True), name="invoice_once_per_shipment"
            ),
        ]

    def __str__(self) -> str:
        return self.number


class Payment(WrittenOnce):
    """Money that came in from a shop; never refused, never changed."""

    shop = models.ForeignKey("accounts.Shop", on_delete=models.PROTECT, related_name="payments")
    #: The same token never records a payment twice.
    token = models.CharField(max_length=64)
    received_on = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    amount_minor = models.BigIntegerField()
    reference = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["-received_on", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "token"], name="payment_token_once_per_shop"),
            models.CheckConstraint(condition=Q(amount_minor__gt=0), name="payment_above_zero"),
        ]

    def __str__(self) -> str:
        return f"{self.shop}: {self.amount_minor}"


class Settlement(WrittenOnce):
    """Part of a payment, or of a credit note, set against an invoice or an order's deposit. Rows are only added.

    What of a payment or credit is set against nothing stands on account.
    """

    payment = models.ForeignKey(Payment, on_delete=models.PROTECT, null=True, related_name="settlements")
    credit = models.ForeignKey(Invoice, on_delete=models.PROTECT, null=True, related_name="given")
    invoice = models.ForeignKey(Invoice, on_delete=models.PROTECT, null=True, related_name="settlements")
    deposit_of = models.ForeignKey(orders.Order, on_delete=models.PROTECT, null=True, related_name="deposits")
    #: Negative rows move money on: a deposit drawn down by an invoice.
    amount_minor = models.BigIntegerField()
    #: Early-payment discount granted with it.
    discount_minor = models.BigIntegerField(default=0)
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(payment__isnull=False, credit__isnull=True) | Q(payment__isnull=True, credit__isnull=False),
                name="settlement_has_one_source",
            ),
            models.CheckConstraint(
                condition=Q(invoice__isnull=False, deposit_of__isnull=True)
                | Q(invoice__isnull=True, deposit_of__isnull=False),
                name="settlement_has_one_target",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.amount_minor} against {self.invoice or self.deposit_of}"
