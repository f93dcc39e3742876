"""Papers and e-mails to make: the row is the message."""

from django.db import models
from django.db.models import Q

from wholesale.models import invoicing, orders, production, shipping


class Errand(models.Model):
    """Something a worker is to do. It is claimed by a conditional update, tried a few times, and done once."""

    state = models.CharField(max_length=8, default="waiting")
    tries = models.PositiveSmallIntegerField(default=0)
    due_at = models.DateTimeField()
    claimed_at = models.DateTimeField(null=True)
    #: Who holds the claim; only the holder may write the result.
    claim = models.CharField(max_length=36, blank=True)
    error = models.TextField(blank=True)
    created_at = models.DateTimeField()
    done_at = models.DateTimeField(null=True)

    class Meta:
        abstract = True


_STATES = Q(state__in=["waiting", "claimed", "done", "failed"])


class Document(Errand):
    """A paper: its kind, what it is about, and once made its file and digest."""

    kind = models.CharField(max_length=20)
    order = models.ForeignKey(orders.Order, on_delete=models.CASCADE, null=True, related_name="documents")
    shipment = models.ForeignKey(shipping.Shipment, on_delete=models.CASCADE, null=True, related_name="documents")
    invoice = models.ForeignKey(invoicing.Invoice, on_delete=models.CASCADE, null=True, related_name="documents")
    load = models.ForeignKey(production.Load, on_delete=models.CASCADE, null=True, related_name="documents")
    #: Name of the stored file.
    file = models.CharField(max_length=200, blank=True)
    #: SHA-256 of its bytes, in hex.
    digest = models.CharField(max_length=64, blank=True)
    size = models.PositiveIntegerField(default=0)
    #: Set when the paper is to be e-mailed once it is made.
    mail_to = models.EmailField(blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [models.CheckConstraint(condition=_STATES, name="document_state_known")]
        indexes = [models.Index(fields=["state", "due_at"])]

    def __str__(self) -> str:
        return f"{self.kind} {self.pk}"


class Mail(Errand):
    """An e-mail that carries one paper."""

    document = models.OneToOneField(Document, on_delete=models.CASCADE, related_name="mail")
    to = models.EmailField()

    class Meta:
        ordering = ["-id"]
        constraints = [models.CheckConstraint(condition=_STATES, name="mail_state_known")]
        indexes = [models.Index(fields=["state", "due_at"])]

    def __str__(self) -> str:
        return f"mail of {self.document} to {self.to}"


class SheetRefresh(Errand):
    """That the order sheet's dates are to be worked out anew for the present plan."""

    class Meta:
        ordering = ["-id"]
        constraints = [models.CheckConstraint(condition=_STATES, name="sheet_refresh_state_known")]
        indexes = [models.Index(fields=["state", "due_at"])]

    def __str__(self) -> str:
        return f"refresh {self.pk}"


class PlanImprovement(Errand):
    """That the next weeks of the plan are to be improved; what came of it is a ``PlanChange``, if it was better."""

    #: In words: what came of it.
    result = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["-id"]
        constraints = [models.CheckConstraint(condition=_STATES, name="plan_improvement_state_known")]
        indexes = [models.Index(fields=["state", "due_at"])]

    def __str__(self) -> str:
        return f"improvement {self.pk}"
