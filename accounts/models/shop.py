"""A shop that buys, where its goods and bills go, and who acts for it."""

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q

from accounts.tax_ids import check_tax_id

country_code = RegexValidator(
    r"^[A-Z]{2}\Z", "Write the country as two capital letters, such as US, GB or DE (ISO 3166-1)."
)


class Shop(models.Model):
    """A shop's identity, its tax identity and its resale certificate."""

    slug = models.SlugField(max_length=60, unique=True)
    legal_name = models.CharField(max_length=200)
    trade_name = models.CharField("name over the door", max_length=200)
    #: A VAT number with its country prefix, a US EIN, or another country's own.
    tax_id = models.CharField("tax number", max_length=32, blank=True)
    country = models.CharField(max_length=2, validators=[country_code])
    email = models.EmailField("e-mail for bills")
    phone = models.CharField(max_length=40, blank=True)
    resale_certificate_number = models.CharField(max_length=40, blank=True)
    resale_certificate_state = models.CharField(max_length=40, blank=True)
    resale_certificate_signed_on = models.DateField(null=True, blank=True)
    #: Empty: it lasts until it is revoked.
    resale_certificate_expires_on = models.DateField(null=True, blank=True)
    opened_on = models.DateField("account opened on")
    closed_on = models.DateField("account closed on", null=True, blank=True)
    #: When somebody can receive a delivery, in the shop's own words.
    opening_hours = models.TextField(blank=True)
    terms_note = models.TextField(blank=True)

    class Meta:
        ordering = ["trade_name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(closed_on__isnull=True) | Q(closed_on__gte=F("opened_on")),
                name="shop_closes_after_it_opens",
            ),
            models.CheckConstraint(
                condition=Q(resale_certificate_expires_on__isnull=True)
                | Q(resale_certificate_signed_on__isnull=True)
                | Q(resale_certificate_expires_on__gte=F("resale_certificate_signed_on")),
                name="shop_certificate_expires_after_signing",
            ),
        ]

    def __str__(self) -> str:
        return self.trade_name

    def clean(self) -> None:
        """Check the tax number by its country's rule and write it in one way.

        Raises ``ValidationError`` on ``tax_id``.
        """
        super().clean()
        try:
            self.tax_id = check_tax_id(self.country, self.tax_id)
        except ValidationError as error:
            raise ValidationError({"tax_id": error}) from error


class Address(models.Model):
    """Where goods or bills go."""

    class Kind(models.TextChoices):
        """What is sent there."""

        SHIP_TO = "ship_to", "Goods"
        BILL_TO = "bill_to", "Bills"

    shop = models.ForeignKey(Shop, on_delete=models.CASCADE, related_name="addresses")
    kind = models.CharField(max_length=8, choices=Kind)
    name = models.CharField(max_length=200)
    line1 = models.CharField(max_length=200)
    line2 = models.CharField(max_length=200, blank=True)
    city = models.CharField(max_length=120)
    region = models.CharField(max_length=120, blank=True)
    postcode = models.CharField(max_length=20, blank=True)
    country = models.CharField(max_length=2, validators=[country_code])
    is_default = models.BooleanField(default=False)

    class Meta:
        ordering = ["shop_id", "kind", "-is_default", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(kind__in=["ship_to", "bill_to"]), name="address_kind_known"),
            models.UniqueConstraint(
                fields=["shop", "kind"],
                condition=Q(is_default=True),
                name="address_one_default_per_kind",
            ),
        ]

    def __str__(self) -> str:
        return ", ".join(self.lines)

    @property
    def lines(self) -> list[str]:
        """The address as it stands on a label, without empty lines."""
        place = " ".join(part for part in (self.city, self.region, self.postcode) if part)
        return [line for line in (self.name, self.line1, self.line2, place, self.country) if line]


class Membership(models.Model):
    """That a person acts for a shop, and how far."""

    class Role(models.TextChoices):
        """How far: a reader sees, a buyer also orders, an owner also says who may."""

        OWNER = "owner", "Owner"
        BUYER = "buyer", "Buyer"
        READER = "reader", "May look"

    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="memberships")
    shop = models.ForeignKey(Shop, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=8, choices=Role)

    class Meta:
        ordering = ["shop_id", "id"]
        constraints = [
            models.UniqueConstraint(fields=["user", "shop"], name="membership_once_per_shop"),
            models.CheckConstraint(condition=Q(role__in=["owner", "buyer", "reader"]), name="membership_role_known"),
        ]

    def __str__(self) -> str:
        return f"{self.user} at {self.shop} ({self.get_role_display()})"
