"""The workshop's own rules: every setting that works, with its values, default and meaning.

A rule of the trade that exists in rival versions is a named setting here; a value
that is not listed is refused by name when it is loaded.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import time
from decimal import Decimal, InvalidOperation

from wholesale.core.values import Refusal, minor_units

#: Ten years in days: a larger count is a slip of the finger, and may lead past the last date there is.
_MOST = 3650
#: No amount of a workshop comes near it.
_MOST_MONEY = Decimal(10**12)


def _text(found: str) -> str:
    return found.strip()


def _country(found: str) -> str:
    if not (len(found) == 2 and found.isascii() and found.isupper()):
        raise ValueError
    return found


def _currency(found: str) -> str:
    minor_units(found)
    return found


def _decimal(found: str) -> Decimal:
    try:
        number = Decimal(found)
    except InvalidOperation:
        number = Decimal("NaN")
    if not number.is_finite() or not 0 <= number < _MOST_MONEY:
        raise ValueError
    return number


def _percent(found: str) -> Decimal:
    number = _decimal(found)
    if number > 100:
        raise ValueError
    return number


def _overtime(found: str) -> Decimal:
    number = _decimal(found)
    if not 100 <= number <= 1000:
        raise ValueError
    return number


def _whole(found: str) -> int:
    number = _decimal(found)
    if number != int(number) or number > _MOST:
        raise ValueError
    return int(number)


def _seconds(found: str) -> int:
    """Shorter than a worker may be silent for before another one takes its errand."""
    number = _whole(found)
    if number > 240:
        raise ValueError
    return number


def _risk(found: str) -> Decimal | None:
    """A percentage as a share of one; ``None`` for off."""
    if found == "off":
        return None
    share = _percent(found) / 100
    if not 0 < share < 1:
        raise ValueError
    return share


def _above_zero(found: str) -> Decimal:
    number = _decimal(found)
    if not number:
        raise ValueError
    return number


def _clock_time(found: str) -> time:
    clock_time = time.fromisoformat(found)
    if clock_time.tzinfo:
        raise ValueError
    return clock_time


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One named rule of the workshop.

    ``allowed`` says in words, or as a list of names, what may stand there.
    """

    name: str
    default: str
    allowed: str | tuple[str, ...]
    sentence: str
    read: Callable[[str], object]

    def value(self, found: str) -> object:
        """``found`` as the setting's own type; a ``Refusal`` names what is allowed."""
        message = f"Setting '{self.name}' is '{found}'; allowed: {self.allowed_words}."
        refusal = Refusal("setting", message, self.name, found=found, allowed=self.allowed_words)
        if isinstance(self.allowed, tuple) and found not in self.allowed:
            raise refusal
        try:
            return self.read(found)
        except (ValueError, Refusal):
            raise refusal from None

    @property
    def allowed_words(self) -> str:
        """What may stand there, as one phrase."""
        return self.allowed if isinstance(self.allowed, str) else " or ".join(self.allowed)


def _one_of(name: str, default: str, allowed: tuple[str, ...], sentence: str) -> Setting:
    return Setting(name=name, default=default, allowed=allowed, sentence=sentence, read=_text)


def _words(name: str, default: str, sentence: str) -> Setting:
    return Setting(name=name, default=default, allowed="any text", sentence=sentence, read=_text)


def _amount(name: str, default: str, sentence: str) -> Setting:
    return Setting(
        name=name,
        default=default,
        allowed="an amount of 0 or more, below a million millions",
        sentence=sentence,
        read=_decimal,
    )


def _share(name: str, default: str, sentence: str) -> Setting:
    return Setting(name=name, default=default, allowed="a percentage from 0 to 100", sentence=sentence, read=_percent)


def _count(name: str, default: str, sentence: str) -> Setting:
    return Setting(
        name=name, default=default, allowed=f"a whole number from 0 to {_MOST}", sentence=sentence, read=_whole
    )


SETTINGS: tuple[Setting, ...] = (
    _words("name", "Our workshop", "The name shops know the workshop by."),
    _words("legal_name", "", "The name that stands on invoices; the workshop's name when empty."),
    _words("street", "", "Street and number on papers."),
    _words("city", "", "Town on papers."),
    _words("region", "", "State, province or county on papers."),
    _words("postcode", "", "Postal code on papers."),
    Setting(
        name="country", default="US", allowed="two capital letters, such as US, GB or DE (ISO 3166-1)",
        sentence="Country of the workshop; it decides the size of its papers.", read=_country,
    ),
    _words("email", "", "Where shops write to."),
    _words("phone", "", "Where shops call."),
    _words("tax_id", "", "Tax number that stands on invoices."),
    _words("how_to_pay", "", "How money reaches the workshop, in the words for invoices."),
    Setting(
        name="currency", default="USD", allowed="an ISO 4217 code with minor units",
        sentence="The one currency of all prices and invoices.", read=_currency,
    ),
    Setting(
        name="order_cut_off", default="14:00", allowed="a time of day such as 14:00",
        sentence="An order placed by this time may use the same day's loads and minutes.", read=_clock_time,
    ),
    _amount("opening_minimum", "240", "List goods a first order needs at least."),
    _amount("reorder_minimum", "120", "List goods every later order needs at least."),
    _count("dormant_months", "12", "After so many months without an order the opening minimum applies again."),
    _one_of("minimum_basis", "list_goods", ("list_goods",), "What the minimum is compared with."),
    _one_of("tier_method", "whole_order", ("whole_order", "marginal"),
            "Whether a tier's percentage is taken off the whole order or only off the part inside the tier."),
    _one_of("tier_basis", "list_goods", ("list_goods",), "What a tier's threshold is compared with."),
    _amount("freight_flat", "18", "Freight charged below the free-freight threshold."),
    _amount("freight_free_from", "400", "Goods from this amount on travel free; 0 charges the flat amount always."),
    _one_of("freight_judged_on", "discounted_goods", ("discounted_goods", "list_goods"),
            "Which goods amount the free-freight threshold is compared with."),
    _share("first_order_deposit", "50", "Share of goods and freight a first order pays before the bench starts."),
    _count("deposit_days", "2", "Working days a promise leaves for the deposit to arrive."),
    _words("tax_name", "Sales tax", "What the tax is called on papers."),
    _share("tax_percent", "6.5", "Tax on an invoice for a shop without an exemption."),
    _one_of("tax_on", "goods", ("goods", "goods_and_freight"), "Whether freight is taxed too."),
    _one_of("tax_exemption", "resale_certificate", ("resale_certificate", "none"),
            "What frees a shop from tax: a certificate held at billing, or nothing."),
    _count("net_days", "30", "Days from the invoice to its due date."),
    _share("early_discount", "2", "Discount for paying early."),
    _count("early_days", "10", "Days from the invoice in which the early discount is earned."),
    _count("claim_days", "5", "Days after arrival in which breakage may be claimed."),
    _count("carrier_days", "2", "Carrier days, Monday to Friday, from leaving to arriving."),
    _one_of("loss_basis", "of_gross", ("of_gross",), "A loss of 3 % means gross = net / 0.97."),
    Setting(
        name="shortage_risk", default="off", allowed="off, or a percentage above 0 and below 100", read=_risk,
        sentence="The chance of too few good pieces that is accepted; off plans by the expected yield alone.",
    ),
    Setting(
        name="scale_division", default="0.01", allowed="grams above 0, such as 0.1 or 1", read=_above_zero,
        sentence="The smallest weight the scale shows; weights on a sheet are rounded to it.",
    ),
    _share("weigh_tolerance", "2", "How far a weight may be off before the sheet asks for a reason."),
    _one_of("batch_release", "by_date", ("by_date", "by_hand"),
            "Whether a batch may be sold from its cure's last day on, or only once somebody released it."),
    _amount("hour_rate", "0", "What an hour of hands costs, for the cost of a recipe."),
    Setting(
        name="overtime_percent", default="150", allowed="a percentage from 100 to 1000", read=_overtime,
        sentence="What an hour beyond the day's own costs, as a percentage of an hour of hands.",
    ),
    _count("most_overtime", "120", "Minutes that may be worked beyond a day's own, at the most."),
    _words("reject_reasons", "cracked, sunk, air holes, wick off centre, damaged",
           "The reasons a reject is filed under, with commas between them."),
    _count("lead_days", "0", "Working days from an order to its leaving at the least; an item may have its own."),
    _count("plan_days", "400", "How far ahead the plan looks for room, in days."),
    _count("hold_minutes", "15", "Minutes a basket at checkout keeps its place in the plan; 0 keeps none."),
    _count("holds_a_day", "12", "How often a day a shop may have a place kept without ordering."),
    _count("improve_days", "21", "How many days ahead a better plan is looked for."),
    Setting(
        name="improve_seconds", default="30", allowed="a whole number from 0 to 240", read=_seconds,
        sentence="Seconds of looking for a better plan after each change and at night; 0 looks only when asked.",
    ),
    _words("invoice_series", "INV-", "What stands before the running number of an invoice."),
    _words("credit_series", "CR-", "What stands before the running number of a credit note."),
)  # fmt: skip
_BY_NAME = {setting.name: setting for setting in SETTINGS}


@dataclass(frozen=True, kw_only=True)
class Workshop:
    """The workshop's settings as values; one attribute a row of ``SETTINGS``."""

    name: str
    legal_name: str
    street: str
    city: str
    region: str
    postcode: str
    country: str
    email: str
    phone: str
    tax_id: str
    how_to_pay: str
    currency: str
    order_cut_off: time
    opening_minimum: Decimal
    reorder_minimum: Decimal
    dormant_months: int
    minimum_basis: str
    tier_method: str
    tier_basis: str
    freight_flat: Decimal
    freight_free_from: Decimal
    freight_judged_on: str
    first_order_deposit: Decimal
    deposit_days: int
    tax_name: str
    tax_percent: Decimal
    tax_on: str
    tax_exemption: str
    net_days: int
    early_discount: Decimal
    early_days: int
    claim_days: int
    carrier_days: int
    loss_basis: str
    shortage_risk: Decimal | None
    scale_division: Decimal
    weigh_tolerance: Decimal
    batch_release: str
    hour_rate: Decimal
    overtime_percent: Decimal
    most_overtime: int
    reject_reasons: str
    lead_days: int
    plan_days: int
    hold_minutes: int
    holds_a_day: int
    improve_days: int
    improve_seconds: int
    invoice_series: str
    credit_series: str

    @property
    def reject_names(self) -> tuple[str, ...]:
        """The reasons a reject may be filed under; "other" is always one of them."""
        return (*(name for found in self.reject_reasons.split(",") if (name := found.strip())), "other")


def setting(name: str) -> Setting:
    """The setting of that name; a ``Refusal`` lists the names there are."""
    if name not in _BY_NAME:
        message = f"There is no setting '{name}'; the settings are: {', '.join(sorted(_BY_NAME))}."
        raise Refusal("setting_unknown", message, name, found=name)
    return _BY_NAME[name]


def read_workshop(found: Mapping[str, str]) -> Workshop:
    """The settings in ``found`` over the defaults; the first one that can't be read is a ``Refusal``."""
    values = {row.name: row.value(found.get(row.name, row.default)) for row in SETTINGS}
    return Workshop(**values)  # type: ignore[arg-type]  # the table and the fields are held together by a test
