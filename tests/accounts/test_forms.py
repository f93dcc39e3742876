"""The forms about people and shops keep what was typed and say what is wrong beside it."""

from accounts.forms import CertificateForm, MemberForm, ShopForm

SHOP = {
    "trade_name": "Fern & Fable",
    "legal_name": "Fern and Fable GmbH",
    "country": "de",
    "email": "bills@fern.example",
}


def test_a_shop_is_read_with_its_country_in_capitals_and_its_number_in_one_form() -> None:
    """The VAT number is the valid one of python-stdnum 2.2, de.vat."""
    form = ShopForm(SHOP | {"tax_id": "136 695 976"})

    assert form.is_valid()
    assert form.cleaned_data["country"] == "DE"
    assert form.cleaned_data["tax_id"] == "DE136695976"


def test_a_wrong_tax_number_is_named_beside_its_field_and_still_shown() -> None:
    """DE136695978 has the wrong check digit (python-stdnum 2.2, de.vat)."""
    form = ShopForm(SHOP | {"tax_id": "DE136695978"})

    assert not form.is_valid()
    assert list(form.errors) == ["tax_id"]
    assert form["tax_id"].value() == "DE136695978"


def test_a_wrong_country_is_told_once_and_not_as_a_wrong_tax_number() -> None:
    form = ShopForm(SHOP | {"country": "D1", "tax_id": "DE136695978"})

    assert list(form.errors) == ["country"]


def test_a_certificate_can_not_expire_before_it_is_signed() -> None:
    form = CertificateForm(
        {
            "resale_certificate_number": "SR-204-118",
            "resale_certificate_state": "CA",
            "resale_certificate_signed_on": "2026-02-01",
            "resale_certificate_expires_on": "2026-01-31",
        }
    )

    assert list(form.errors) == ["resale_certificate_expires_on"]


def test_a_members_address_is_kept_in_one_case() -> None:
    form = MemberForm({"email": "Nora@Fern.example", "role": "buyer"})

    assert form.is_valid()
    assert form.cleaned_data["email"] == "nora@fern.example"
