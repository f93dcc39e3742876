"""Values every part of the trade is counted in: money, mass, shares, codes, refusals.

Tables hold whole minor units and whole milligrams; between tables and pages the
trade computes in ``Decimal``: money in major units, mass in grams.
"""

from collections.abc import Sequence
from datetime import date
from decimal import ROUND_DOWN, ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

from iso4217 import Currency
from stdnum import ean

#: One avoirdupois ounce in grams, exact: the international pound of 1959 / 16.
GRAMS_PER_OUNCE = Decimal("28.349523125")
NO_BREAK = "\u00a0"
#: Signs that nobody confuses with another currency's; the rest show their ISO 4217 code.
SIGNS = {"USD": "$", "EUR": "€", "GBP": "£"}
#: Unit prices are stored in ten-thousandths of the currency unit.
PRICE_STEP = Decimal("0.0001")
MILLIGRAM = Decimal("0.001")


class Refusal(Exception):
    """The trade says no; ``message`` says what to do about it.

    ``code`` names the rule, ``field`` the input it is about, ``facts`` the
    figures behind it (JSON-ready), for pages and for the API.
    """

    def __init__(self, code: str, message: str, field: str = "", **facts: Any) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.field = field
        self.facts = facts


class NotAllowed(Refusal):
    """Somebody known asked for what their role may not do."""


class NotFound(Refusal):
    """There is no such thing for this person."""


class Conflict(Refusal):
    """Something changed meanwhile; look again before deciding."""


def minor_units(currency: str) -> int:
    """Digits after the point in ISO 4217 (list one); ``Refusal`` for codes without any."""
    try:
        exponent = Currency(currency).exponent
    except ValueError:
        exponent = None
    if exponent is None:
        message = f"'{currency}' is not an ISO 4217 currency that can be paid in; use a code such as USD, EUR or GBP."
        raise Refusal("currency", message, "currency", found=currency)
    return int(exponent)


def round_money(amount: Decimal, currency: str) -> Decimal:
    """``amount`` to the currency's smallest coin; halves go away from zero (EN 16931 practice)."""
    return amount.quantize(Decimal(1).scaleb(-minor_units(currency)), ROUND_HALF_UP)


def to_minor(amount: Decimal, currency: str) -> int:
    """Whole minor units of an amount; an amount finer than the smallest coin is a ``Refusal``."""
    rounded = round_money(amount, currency)
    if rounded != amount:
        message = f"{amount} is finer than the smallest {currency} coin; give at most {minor_units(currency)} decimals."
        raise Refusal("amount_too_fine", message, "amount", found=str(amount))
    return int(rounded.scaleb(minor_units(currency)))


def from_minor(minor: int, currency: str) -> Decimal:
    """The amount in major units that ``minor`` whole minor units stand for."""
    return Decimal(minor).scaleb(-minor_units(currency))


def to_e4(price: Decimal) -> int:
    """A unit price in whole ten-thousandths; finer prices are a ``Refusal``."""
    if price != price.quantize(PRICE_STEP):
        raise Refusal("price_too_fine", f"{price} has more than four decimals; round the unit price.", "price")
    return int(price.scaleb(4))


def from_e4(price_e4: int) -> Decimal:
    """A unit price in major units from whole ten-thousandths."""
    return Decimal(price_e4).scaleb(-4)


def to_mg(grams: Decimal) -> int:
    """Whole milligrams, halves up."""
    return int(grams.quantize(MILLIGRAM, ROUND_HALF_UP).scaleb(3))


def from_mg(milligrams: int) -> Decimal:
    """Grams from whole milligrams."""
    return Decimal(milligrams).scaleb(-3)


def ounces(grams: Decimal) -> Decimal:
    """Avoirdupois ounces, unrounded, by the exact factor (NIST Handbook 44, appendix C)."""
    return grams / GRAMS_PER_OUNCE


def bare(number: Decimal) -> str:
    """A number without the zeros a table pads it with: 5 for 5.000, 6.5 for 6.500."""
    return f"{number.normalize():f}"


def percent(number: Decimal | Fraction, digits: int = 3) -> str:
    """Write a percentage without idle zeros: ``Decimal("6.500")`` is ``6.5 %``."""
    return f"{plain(number, digits)}{NO_BREAK}%"


def plain(number: Decimal | Fraction | int, digits: int = 6) -> str:
    """Write a number with at most ``digits`` decimals and no idle zeros: ``1855.670`` is ``1,855.67``."""
    exact = Fraction(number)
    rounded = (Decimal(exact.numerator) / Decimal(exact.denominator)).quantize(
        Decimal(1).scaleb(-digits), ROUND_HALF_UP
    )
    whole, _, decimals = f"{rounded:,f}".partition(".")
    return f"{whole}.{decimals}".rstrip("0").rstrip(".") if decimals else whole


def money_words(amount: Decimal, currency: str) -> str:
    """An amount in words and on pages: $264.00, −€5.00, CHF 18.00; its decimals are left as they are."""
    return f"{'−' if amount < 0 else ''}{SIGNS.get(currency, f'{currency}{NO_BREAK}')}{abs(amount):,f}"


def day_words(day: date) -> str:
    """A day as papers and histories write it: 5 March 2026."""
    return f"{day.day} {day:%B} {day.year}"


def short_day(day: date, today: date) -> str:
    """A day as the bench says it: Thu 5 Mar; with its year when it is another one than today's."""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day:%a} {day.day} {day:%b}{year}"


def round_down(quantity: Decimal, step: Decimal) -> Decimal:
    """The largest multiple of ``step`` that is not above ``quantity`` (both ≥ 0)."""
    return (quantity / step).to_integral_value(ROUND_DOWN) * step


def share(total: int, weights: Sequence[Decimal | Fraction | int]) -> tuple[int, ...]:
    """Deal ``total`` whole units by ``weights`` so that the parts sum to the whole.

    Largest remainder, ties to the first. All weights zero deals everything to
    the first. A negative total is dealt as its mirror image.
    """
    if not weights:
        raise Refusal("nothing_to_share", "There is nothing to share the amount over.")
    if total < 0:
        return tuple(-part for part in share(-total, weights))
    exact = [Fraction(weight) for weight in weights]
    whole = sum(exact)
    if whole == 0:
        return (total, *([0] * (len(exact) - 1)))
    quotas = [total * weight / whole for weight in exact]
    parts = [int(quota) for quota in quotas]
    by_remainder = sorted(range(len(parts)), key=lambda i: (parts[i] - quotas[i], i))
    for i in by_remainder[: total - sum(parts)]:
        parts[i] += 1
    return tuple(parts)


def ceil_div(numerator: Decimal | Fraction | int, divisor: Decimal | Fraction | int) -> int:
    """The quotient rounded up to a whole number, in exact arithmetic."""
    return -int(-Fraction(numerator) // Fraction(divisor))


def check_gtin(gtin: str) -> str:
    """The GTIN (8, 12, 13 or 14 digits) if its GS1 check digit is right, else a ``Refusal``."""
    if not ean.is_valid(gtin):
        message = (
            f"'{gtin}' is not a GTIN: its last digit is not the GS1 check digit of the others. "
            "Compare it with the barcode."
        )
        raise Refusal("gtin", message, "gtin", found=gtin)
    return str(ean.compact(gtin))
