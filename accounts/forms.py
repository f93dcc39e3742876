"""Forms about people and shops: plain forms, whoever saves them decides."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from accounts.models import Address, Membership
from accounts.models.shop import country_code
from accounts.tax_ids import check_tax_id


class DateInput(forms.DateInput):
    """A date field that the browser offers a calendar for."""

    input_type = "date"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%d")


class CountryField(forms.CharField):
    """A country as two letters of ISO 3166-1, in whatever case they are typed."""

    default_validators = [country_code]

    def __init__(self, **kwargs: Any) -> None:
        help_text = "Two letters, such as US, GB or DE."
        super().__init__(min_length=2, max_length=2, help_text=help_text, **kwargs)

    def to_python(self, value: Any) -> str:
        """Return the letters as capitals."""
        return (super().to_python(value) or "").upper()


class ShopForm(forms.Form):
    """A shop's identity."""

    trade_name = forms.CharField(label="Name over the door", max_length=200)
    legal_name = forms.CharField(max_length=200, help_text="As it must stand on an invoice.")
    country = CountryField()
    tax_id = forms.CharField(
        label="Tax number",
        max_length=32,
        required=False,
        help_text="EIN in the US, VAT number in the UK and the EU.",
    )
    email = forms.EmailField(label="E-mail for bills")
    phone = forms.CharField(max_length=40, required=False)
    opening_hours = forms.CharField(
        label="When can somebody receive a delivery?",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def clean(self) -> dict[str, Any]:
        """Check the tax number by the rule of the country beside it."""
        cleaned = super().clean() or {}
        if "country" in cleaned and "tax_id" in cleaned:
            try:
                cleaned["tax_id"] = check_tax_id(cleaned["country"], cleaned["tax_id"])
            except ValidationError as error:
                self.add_error("tax_id", error)
        return cleaned


class CertificateForm(forms.Form):
    """A shop's resale certificate."""

    resale_certificate_number = forms.CharField(label="Permit number", max_length=40)
    resale_certificate_state = forms.CharField(label="State", max_length=40)
    resale_certificate_signed_on = forms.DateField(label="Signed on", widget=DateInput())
    resale_certificate_expires_on = forms.DateField(
        label="Expires on",
        required=False,
        widget=DateInput(),
        help_text="Empty: it lasts until it is revoked.",
    )

    def clean(self) -> dict[str, Any]:
        """A certificate can't expire before it is signed."""
        cleaned = super().clean() or {}
        signed = cleaned.get("resale_certificate_signed_on")
        expires = cleaned.get("resale_certificate_expires_on")
        if signed and expires and expires < signed:
            message = "It can't expire before it was signed. Compare both dates with the paper."
            self.add_error("resale_certificate_expires_on", message)
        return cleaned


class AddressForm(forms.Form):
    """Where a shop's goods or bills go."""

    kind = forms.ChoiceField(label="For", choices=Address.Kind)
    name = forms.CharField(label="Name on the door", max_length=200)
    line1 = forms.CharField(label="Street and number", max_length=200)
    line2 = forms.CharField(label="More", max_length=200, required=False)
    city = forms.CharField(label="Town", max_length=120)
    region = forms.CharField(label="State or county", max_length=120, required=False)
    postcode = forms.CharField(label="Postcode", max_length=20, required=False)
    country = CountryField()
    is_default = forms.BooleanField(label="Use this one unless told otherwise", required=False)


class MemberForm(forms.Form):
    """Somebody who shall act for a shop."""

    email = forms.EmailField(label="E-mail", help_text="They sign in with it.")
    name = forms.CharField(max_length=120, required=False)
    role = forms.ChoiceField(label="May", choices=Membership.Role)

    def clean_email(self) -> str:
        """Write the address in one case, as users are kept."""
        return str(self.cleaned_data["email"]).lower()
