"""A sheet that was worked out has an address of its own, so that Back and Reload show it without an error.

Its cases and wishes stand in the address. What goes with them is nobody else's business and
waits in the session, beside the basket it was typed for.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import reverse

from wholesale.queries.sheet import Product
from wholesale.shop.typed import Typed, address

_KEY = "order_sheet"
#: What servers and browsers surely take; a longer sheet is shown without an address.
_LONGEST = 2000


@dataclass(frozen=True, kw_only=True)
class Carried:
    """What was typed beside the cases, and what there is to say about the last change."""

    details: dict[str, str] = field(default_factory=dict)
    said: str = ""


def sent(
    request: HttpRequest, slug: str, found: Typed, products: Iterable[Product], carried: Carried
) -> HttpResponse | None:
    """Send the browser to the sheet's address, if it is not too long for one."""
    query = address(found.fields, products)
    if len(query) > _LONGEST:
        return None
    basket = f"{slug} {found.digest}"
    request.session[_KEY] = {"basket": basket, "details": carried.details, "said": carried.said}
    return redirect(f"{reverse('shop:order_sheet', args=[slug])}?{query}")


def found_again(request: HttpRequest, slug: str, found: Typed) -> Carried:
    """What was carried for this basket; what was said is said once."""
    kept = request.session.get(_KEY)
    if not kept or kept["basket"] != f"{slug} {found.digest}":
        return Carried()
    if kept["said"]:
        request.session[_KEY] = {**kept, "said": ""}
    return Carried(details=kept["details"], said=kept["said"])


def forget(request: HttpRequest) -> None:
    """Carry nothing on: the order is placed."""
    request.session.pop(_KEY, None)
