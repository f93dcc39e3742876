"""The workshop's settings and terms."""

from dataclasses import dataclass

from wholesale.core.pricing import Terms, Tier, terms_of
from wholesale.core.values import from_minor
from wholesale.core.workshop import Workshop, read_workshop
from wholesale.models import Setting
from wholesale.models import Tier as TierRow


@dataclass(frozen=True, kw_only=True)
class Identity:
    """Who the workshop is, for the head and foot of every page."""

    name: str
    email: str
    phone: str


def workshop() -> Workshop:
    """The settings in force: 1 query."""
    return read_workshop(dict(Setting.objects.values_list("name", "value")))


def identity() -> Identity:
    """The workshop's name and where to reach it: 1 query."""
    settings = workshop()
    return Identity(name=settings.name, email=settings.email, phone=settings.phone)


def terms(settings: Workshop | None = None) -> Terms:
    """The terms a new order is priced by: 2 queries."""
    settings = settings or workshop()
    rows = TierRow.objects.values_list("from_minor", "percent")
    tiers = [Tier(from_amount=from_minor(minor, settings.currency), percent=percent) for minor, percent in rows]
    return terms_of(settings, tiers)
