"""When a shop may be billed without sales tax.

That a certificate must be held when billing and lasts until revoked: California, 18 CCR
1668 (law.cornell.edu/regulations/california/18-CCR-1668). An expiry date exists in other
states: common practice, no source.
"""

from datetime import date
from typing import Any

import pytest

from accounts.certificates import certificate_holds
from accounts.models import Shop

BILLING_DAY = date(2026, 3, 16)
SIGNED: dict[str, Any] = {
    "resale_certificate_number": "SR-204-118",
    "resale_certificate_state": "CA",
    "resale_certificate_signed_on": date(2026, 1, 5),
}


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"resale_certificate_signed_on": BILLING_DAY},
        {"resale_certificate_expires_on": BILLING_DAY},
    ],
    ids=["until revoked", "signed on the day", "last day"],
)
def test_a_signed_certificate_holds(change: dict[str, date]) -> None:
    standing = certificate_holds(Shop(**(SIGNED | change)), BILLING_DAY)

    assert standing
    assert standing.reason == "Resale certificate SR-204-118 (CA) holds."


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"resale_certificate_number": ""}, "ask the shop for a signed one"),
        ({"resale_certificate_state": ""}, "names no state"),
        ({"resale_certificate_signed_on": None}, "not signed"),
        ({"resale_certificate_signed_on": date(2026, 3, 17)}, "signed only on 2026-03-17"),
        ({"resale_certificate_expires_on": date(2026, 3, 15)}, "expired on 2026-03-15"),
    ],
)
def test_a_certificate_that_lacks_something_says_what_and_to_bill_with_tax(change: dict[str, Any], why: str) -> None:
    standing = certificate_holds(Shop(**(SIGNED | change)), BILLING_DAY)

    assert not standing
    assert why in standing.reason
    assert standing.reason.endswith("Bill with tax until then.")
