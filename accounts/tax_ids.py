"""Is this tax number one that its country could have given out?

The check digits and prefixes are python-stdnum's, which follows each authority's
published rule. A number that passes may still be somebody else's: only the tax
authority can say whose it is.
"""

from collections.abc import Callable

from django.core.exceptions import ValidationError
from stdnum.eu import vat as eu_vat
from stdnum.exceptions import ValidationError as NumberError
from stdnum.gb import vat as gb_vat
from stdnum.us import ein
from stdnum.util import clean


def check_tax_id(country: str, number: str) -> str:
    """Return the number in its standard form: VAT with its prefix, EIN as ``04-2103594``.

    `country` is ISO 3166-1 alpha-2. None given stays none; where no rule is known the
    number is taken as it was typed. Raises Django's ``ValidationError`` for a wrong one.
    """
    typed = number.strip()
    if not typed:
        return ""
    try:
        return _rule(country)(country, typed)
    except NumberError as error:
        raise ValidationError(_advice(country, typed), code="tax_id") from error


def _rule(country: str) -> Callable[[str, str], str]:
    if country == "US":
        return _ein
    if country == "GB":
        return _gb_vat
    return _eu_vat if country.lower() in eu_vat.MEMBER_STATES else _as_typed


def _ein(_country: str, typed: str) -> str:
    return str(ein.format(ein.validate(typed)))


def _gb_vat(_country: str, typed: str) -> str:
    # Northern Ireland trades goods under EU rules and writes XI before the same number.
    if clean(typed, " -./").upper().startswith("XI"):
        return str(eu_vat.validate(typed))
    return f"GB{gb_vat.validate(typed)}"


def _eu_vat(country: str, typed: str) -> str:
    prefix = "EL" if country == "GR" else country
    compact = clean(typed, " -./").upper()
    return str(eu_vat.validate(compact if compact.startswith(prefix) else prefix + compact))


def _as_typed(_country: str, typed: str) -> str:
    return typed


def _advice(country: str, typed: str) -> str:
    like = {"US": "04-2103594", "GB": "GB980780684"}.get(country, "DE136695976")
    kind = "an EIN" if country == "US" else f"a VAT number of {country}"
    return (
        f"“{typed}” can’t be {kind}: its digits don’t fit the rule. Compare it with the shop’s "
        f"papers; it should look like {like}. Leave it empty if the shop has none."
    )
