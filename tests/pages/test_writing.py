"""How pages write money, days and masses."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest

from wholesale import clock
from wholesale.web.templatetags.casewright import count, day, grams, moment, money, ounces, price, weekday


@pytest.mark.parametrize(
    ("amount", "currency", "written"),
    [
        (Decimal(264), "USD", "$264.00"),
        (26400, "USD", "$264.00"),  # whole minor units: 26400 / 100
        (Decimal("1080.5"), "EUR", "€1,080.50"),
        (Decimal("0.005"), "GBP", "£0.01"),  # half a penny goes up
        (Decimal(-30), "USD", "−$30.00"),
        (1234, "JPY", "JPY\u00a01,234"),  # ISO 4217: the yen has no minor unit
        (1234, "KWD", "KWD\u00a01.234"),  # ISO 4217: the dinar has three digits
        (None, "USD", "–"),
    ],
)
def test_money_is_written_one_way(amount: Decimal | int | None, currency: str, written: str) -> None:
    assert money(amount, currency) == written


@pytest.mark.parametrize(
    ("amount", "written"),
    [
        (Decimal("12.0000"), "$12.00"),
        (Decimal("0.0375"), "$0.0375"),
        (Decimal("0.1250"), "$0.125"),
        (None, "–"),
    ],
)
def test_a_unit_price_shows_its_small_digits_and_no_idle_ones(amount: Decimal | None, written: str) -> None:
    assert price(amount, "USD") == written


def test_a_date_has_its_year_only_when_it_is_another_one() -> None:
    """5 March 2026 is a Thursday; 4 January 2027 a Monday (ISO 8601 calendar)."""
    with clock.at("2026-03-05T13:50"):
        assert day(date(2026, 3, 5)) == "Thu 5 Mar"
        assert day(date(2027, 1, 4)) == "Mon 4 Jan 2027"
    with clock.at("2027-01-02T08:00"):
        assert day(date(2026, 3, 5)) == "Thu 5 Mar 2026"


def test_words_and_nothing_are_written_as_they_are() -> None:
    assert day("when the deposit is in") == "when the deposit is in"
    assert day("") == "–"
    assert day(None) == "–"
    assert moment(None) == "–"


def test_an_instant_is_written_in_the_workshops_time() -> None:
    """03:30 in UTC on 6 March is 22:30 on 5 March in New York, five hours behind in winter."""
    instant = datetime(2026, 3, 6, 3, 30, tzinfo=UTC)

    assert day(instant) == "Thu 5 Mar"
    assert weekday(instant) == "Thu"
    assert moment(instant) == "Thu 5 Mar 22:30"


def test_a_mass_is_written_in_grams_and_in_ounces() -> None:
    """1 oz is exactly 28.349523125 g (NIST Handbook 44, appendix C).

    1855.67 / 28.349523125 = 65.4568…
    """
    assert grams(Decimal("1855.67")) == "1,855.67\u00a0g"
    assert grams(Decimal("286.365"), 1) == "286.4\u00a0g"
    assert ounces(Decimal("1855.67")) == "65.46\u00a0oz"
    assert ounces(Decimal("28.349523125")) == "1.00\u00a0oz"
    assert grams(None) == "–"
    assert ounces(None) == "–"


@pytest.mark.parametrize(
    ("number", "written"), [(1, "1\u00a0case"), (0, "0\u00a0cases"), (1200, "1,200\u00a0cases"), (None, "0\u00a0cases")]
)
def test_a_number_has_its_noun(number: int | None, written: str) -> None:
    assert count(number, "case,cases") == written
