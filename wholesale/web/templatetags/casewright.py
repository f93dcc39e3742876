"""How pages write money, days and masses: one way each, the same on screen and paper.

Money in a template is a ``Decimal`` in major units or an ``int`` in whole minor
units; mass is a ``Decimal`` in grams. Nothing to show is an en dash.
"""

from datetime import date, datetime
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import segno
from django import template
from django.forms import BoundField
from django.utils.dateformat import format as format_date
from django.utils.safestring import SafeString, mark_safe

from wholesale import clock
from wholesale.core import values
from wholesale.core.recipes import since_words

register = template.Library()

NOTHING = "–"
MINUS = "−"
NO_BREAK = values.NO_BREAK


@register.filter
def money(amount: Decimal | int | None, currency: str) -> str:
    """Write an amount: ``264`` (Decimal) or ``26400`` (int, minor units) is ``$264.00``."""
    if amount is None:
        return NOTHING
    if isinstance(amount, int):
        amount = values.from_minor(amount, currency)
    return values.money_words(values.round_money(amount, currency), currency)


@register.filter
def price(amount: Decimal | None, currency: str) -> str:
    """Write a unit price with up to four decimals, never fewer than the currency has."""
    if amount is None:
        return NOTHING
    shown = values.round_money(amount, currency)
    return values.money_words(shown if shown == amount else amount.normalize(), currency)


@register.filter
def day(when: date | datetime | str | None) -> str:
    """Write a date at the workshop: ``Thu 5 Mar``, with its year when it is another one."""
    if when is None or isinstance(when, str):
        return when or NOTHING
    return values.short_day(_local_date(when), clock.today())


@register.filter
def since(valid_from: date) -> str:
    """Write from when a recipe's version holds: ``from the start``, ``from Mon 2 Mar``."""
    return since_words(valid_from, clock.today())


@register.filter
def moment(when: datetime | None) -> str:
    """Write an instant in the workshop's time: ``Thu 5 Mar 14:00``."""
    if when is None:
        return NOTHING
    return f"{day(when)} {when.astimezone(clock.workshop_zone()):%H:%M}"


@register.filter
def time_of_day(when: datetime | None) -> str:
    """Write the hour of an instant in the workshop's time: ``14:05``."""
    return NOTHING if when is None else f"{when.astimezone(clock.workshop_zone()):%H:%M}"


@register.filter
def weekday(when: date) -> str:
    """Write the three letters of a weekday: ``Thu``."""
    return format_date(_local_date(when), "D")


def _local_date(when: date | datetime) -> date:
    if isinstance(when, datetime):
        return when.astimezone(clock.workshop_zone()).date()
    return when


@register.filter
def grams(mass: Decimal | None, digits: int = 2) -> str:
    """Write a mass in grams: ``1,855.67 g``."""
    return _mass(mass, digits, "g")


@register.filter
def exact(mass: Decimal) -> str:
    """Write a mass in grams to the milligram, as sums do: ``3,750 g``, ``3,865.979 g``."""
    return f"{values.plain(mass, 3)}{NO_BREAK}g"


@register.filter
def ounces(mass: Decimal | None, digits: int = 2) -> str:
    """Write a mass, given in grams, in avoirdupois ounces: ``65.46 oz``."""
    return _mass(mass if mass is None else values.ounces(mass), digits, "oz")


@register.filter
def signed_grams(mass: Decimal, digits: int = 2) -> str:
    """Write a difference of masses with its sign: ``+0.39 g``, ``−12.00 g``."""
    return f"{MINUS if mass < 0 else '+'}{grams(abs(mass), digits)}"


@register.filter
def qr(text: str) -> SafeString:
    """Draw a text as a QR code (ISO/IEC 18004, by segno): inline SVG that fills its box, for a phone to scan."""
    return mark_safe(segno.make_qr(text, error="m").svg_inline(omitsize=True, border=4, svgclass="qr"))  # noqa: S308


def _mass(mass: Decimal | None, digits: int, unit: str) -> str:
    if mass is None:
        return NOTHING
    return f"{mass.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP):,f}{NO_BREAK}{unit}"


@register.filter
def percentage(share: Decimal | None) -> str:
    """Write a share of one as a percentage: ``0.08`` is ``8 %``."""
    return NOTHING if share is None else values.percent(share * 100)


@register.filter
def stock(quantity: Fraction | None, unit: str) -> str:
    """Write what the ledger counts: ``12`` pieces, or ``45,000 g`` with as many decimals as it has; 0 is an en dash."""
    if not quantity:
        return NOTHING
    sign, number = MINUS if quantity < 0 else "", abs(quantity)
    if unit != "gram":
        return f"{sign}{int(number):,}"
    return f"{sign}{(Decimal(number.numerator) / number.denominator).normalize():,f}{NO_BREAK}g"


@register.filter
def count(number: int | None, words: str) -> str:
    """Write a number with its noun: ``1|count:"case,cases"`` is ``1 case``."""
    one, many = words.split(",")
    return f"{number or 0:,}{NO_BREAK}{one if number == 1 else many}"


@register.filter
def is_tick(field: BoundField) -> bool:
    """Is this field one box to tick, so that its label stands after it?"""
    return field.widget_type == "checkbox"
