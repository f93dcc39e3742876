"""System checks: settings that would hurt later are refused at the start, with a hint."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, register

from wholesale import clock

MODES = ("embedded", "service")


@register
def check_mode(**_kwargs: Any) -> list[CheckMessage]:
    """The mode must be one we know."""
    if settings.CASEWRIGHT_MODE in MODES:
        return []
    hint = f"Set CASEWRIGHT_MODE to one of: {', '.join(MODES)}."
    return [Error(f"Unknown mode {settings.CASEWRIGHT_MODE!r}.", hint=hint, id="casewright.E001")]


@register
def check_clock(**_kwargs: Any) -> list[CheckMessage]:
    """A set time must be readable; the zone was tried by Django itself."""
    try:
        clock.now()
    except ValueError as error:
        hint = "Write CASEWRIGHT_NOW, or its file, like 2026-03-05T13:50."
        return [Error(f"The clock can't be read: {error}", hint=hint, id="casewright.E002")]
    return []


@register(deploy=True)
def check_real_time(**_kwargs: Any) -> list[CheckMessage]:
    """A service that takes orders runs on real time."""
    if not settings.CASEWRIGHT_NOW and not settings.CASEWRIGHT_NOW_FILE:
        return []
    hint = "Unset CASEWRIGHT_NOW and CASEWRIGHT_NOW_FILE: they are for demos and tests."
    return [Error("The clock is not on real time.", hint=hint, id="casewright.E003")]


@register(deploy=True)
def check_servers(**_kwargs: Any) -> list[CheckMessage]:
    """A service on several machines needs a database and a broker that they share."""
    found = []
    if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
        hint = "Set DATABASE_URL to a PostgreSQL server."
        found.append(Error("The service would write to a local file.", hint=hint, id="casewright.E004"))
    if settings.CELERY_BROKER_URL.startswith(("filesystem:", "memory:")):
        hint = "Set CELERY_BROKER_URL to a Redis server."
        found.append(Error("The service has no shared broker.", hint=hint, id="casewright.E005"))
    return [*found]
