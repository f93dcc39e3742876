"""Tax numbers against published check-digit rules.

Valid and invalid numbers: the documentation of python-stdnum 2.2 (modules us.ein,
eu.vat, gb.vat and the national modules it calls), which follows each authority's rule.
"""

import pytest
from django.core.exceptions import ValidationError

from accounts.tax_ids import check_tax_id


@pytest.mark.parametrize(
    ("country", "typed", "kept"),
    [
        # stdnum.us.ein: 04 is the Brookhaven campus, 91 is a campus too.
        ("US", "04-2103594", "04-2103594"),
        ("US", "911144442", "91-1144442"),
        # stdnum.de.vat: 136695976 ends in its ISO 7064 MOD 11,10 check digit 6.
        ("DE", "DE 136695976", "DE136695976"),
        ("DE", "136695976", "DE136695976"),
        # stdnum.eu.vat: nine-digit Belgian numbers get their leading 0.
        ("BE", "BE697449992", "BE0697449992"),
        ("FR", "FR 61 954 506 077", "FR61954506077"),
        ("AT", "ATU 57194903", "ATU57194903"),
        # stdnum.gb.vat: 980 7806 84.
        ("GB", "GB 980 7806 84", "GB980780684"),
        ("GB", "980780684", "GB980780684"),
        # Northern Ireland writes XI before the same digits (stdnum.eu.vat, MEMBER_STATES).
        ("GB", "XI 980 7806 84", "XI980780684"),
    ],
)
def test_a_right_number_is_kept_in_its_standard_form(country: str, typed: str, kept: str) -> None:
    assert check_tax_id(country, typed) == kept


@pytest.mark.parametrize(
    ("country", "typed"),
    [
        ("US", "07-1144442"),  # stdnum.us.ein: no campus gives out 07
        ("US", "911-14-4442"),  # stdnum.us.ein: the hyphen stands in the wrong place
        ("DE", "DE136695978"),  # stdnum.de.vat: the check digit of 13669597 is 6, not 8
        ("GB", "802311781"),  # stdnum.gb.vat: 802311782 is right
        ("FR", "DE136695976"),  # right for Germany, but the shop is in France
    ],
)
def test_a_wrong_number_is_refused_with_what_to_do(country: str, typed: str) -> None:
    with pytest.raises(ValidationError, match="Compare it with the shop’s papers") as caught:
        check_tax_id(country, typed)

    assert typed in caught.value.message


def test_no_number_stays_none_and_an_unknown_country_is_taken_at_its_word() -> None:
    assert check_tax_id("DE", "  ") == ""
    assert check_tax_id("NZ", " 49-091-850 ") == "49-091-850"


def test_greece_writes_el_before_its_number() -> None:
    """The EU's VAT Directive 2006/112, Art. 215 lets Greece write EL; stdnum.gr.vat: 094259216."""
    assert check_tax_id("GR", "094259216") == "EL094259216"
