"""Shops for the tests of this room."""

from datetime import date
from typing import Any

from accounts.models import Shop


def open_shop(slug: str = "fern-and-fable", **facts: Any) -> Shop:
    """Return a new shop in the US, opened in January 2026."""
    name = slug.replace("-", " ").title()
    given = {"legal_name": f"{name} LLC", "trade_name": name, "country": "US"} | facts
    return Shop.objects.create(slug=slug, email=f"bills@{slug}.example", **({"opened_on": date(2026, 1, 5)} | given))
