"""What the tables of people and shops hold, and what they refuse."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError

from accounts.models import Address, Membership, Shop, User
from tests.accounts.shops import open_shop


def add_address(shop: Shop, **facts: Any) -> Address:
    given = {"kind": "ship_to", "name": "Back door", "line1": "4 Mill Lane", "city": "Aldbury"}
    return Address.objects.create(shop=shop, country="US", **(given | facts))


@pytest.mark.django_db
def test_an_address_is_one_person_in_whatever_case_it_is_typed() -> None:
    user = User.objects.create_user(" Nora@Fern.Example ", "wick-and-wax-12")

    assert user.email == "nora@fern.example"
    assert User.objects.get_by_natural_key("NORA@fern.example") == user
    with pytest.raises(IntegrityError):
        User.objects.create(email="NORA@FERN.example")


@pytest.mark.django_db
def test_a_user_needs_an_address() -> None:
    with pytest.raises(ValueError, match="Give the e-mail address"):
        User.objects.create_user("")


@pytest.mark.django_db
def test_a_user_without_a_password_can_not_sign_in_with_an_empty_one() -> None:
    user = User.objects.create_user("nora@fern.example")

    assert not user.has_usable_password()
    assert not user.check_password("")


@pytest.mark.django_db
def test_nobody_is_staff_of_a_django_admin() -> None:
    assert User.objects.create_user("maker@bench.example", staff_role="maker").is_staff is False


@pytest.mark.django_db
def test_an_unknown_staff_role_is_refused_by_the_table() -> None:
    with pytest.raises(IntegrityError, match="user_staff_role_known"):
        User.objects.create_user("nora@fern.example", staff_role="admin")


def test_a_shop_has_one_default_address_for_goods_and_one_for_bills(shop: Shop) -> None:
    add_address(shop, is_default=True)
    add_address(shop, is_default=False)
    add_address(shop, kind="bill_to", is_default=True)

    with pytest.raises(IntegrityError):
        add_address(shop, is_default=True)


def test_an_address_is_written_without_empty_lines(shop: Shop) -> None:
    address = add_address(shop, region="VT", postcode="05001")

    assert address.lines == ["Back door", "4 Mill Lane", "Aldbury VT 05001", "US"]
    assert str(address) == "Back door, 4 Mill Lane, Aldbury VT 05001, US"


def test_a_person_acts_for_a_shop_in_one_role(member: Callable[[str], Membership]) -> None:
    membership = member("buyer")

    with pytest.raises(IntegrityError):
        Membership.objects.create(user=membership.user, shop=membership.shop, role="owner")


def test_an_unknown_role_is_refused_by_the_table(member: Callable[[str], Membership]) -> None:
    with pytest.raises(IntegrityError, match="membership_role_known"):
        member("king")


@pytest.mark.django_db
@pytest.mark.parametrize(
    "facts",
    [
        {"closed_on": date(2026, 1, 4)},  # a day before it opened
        {
            "resale_certificate_signed_on": date(2026, 2, 1),
            "resale_certificate_expires_on": date(2026, 1, 31),
        },
    ],
)
def test_a_shop_with_dates_in_the_wrong_order_is_refused(facts: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError):
        open_shop(**facts)


def test_a_shop_checks_its_tax_number_by_its_country(shop: Shop) -> None:
    """EIN prefixes: python-stdnum 2.2, us.ein (91 is given out, 07 is not)."""
    shop.tax_id = "911144442"
    shop.full_clean()
    assert shop.tax_id == "91-1144442"

    shop.tax_id = "07-1144442"
    with pytest.raises(ValidationError) as caught:
        shop.full_clean()
    assert list(caught.value.message_dict) == ["tax_id"]


def test_a_country_that_is_not_two_letters_is_refused(shop: Shop) -> None:
    shop.country = "us"

    with pytest.raises(ValidationError, match="two capital letters"):
        shop.full_clean()
