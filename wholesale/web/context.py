"""What every page knows: the workshop, who is looking, and where they may go.

All of it is lazy: a fragment that shows none of it asks the database nothing.
"""

from dataclasses import dataclass
from functools import partial
from typing import Any

from django.http import HttpRequest
from django.urls import reverse
from django.utils.functional import SimpleLazyObject

from accounts import access
from accounts.models import Membership, StaffRole
from wholesale.queries import workshop

SHOP_LINKS = (
    ("Order sheet", "shop:order_sheet"),
    ("Orders", "shop:orders"),
    ("Account", "shop:account"),
)
HELPER_LINKS = (
    ("Queue", "bench:queue"),
    ("Day sheet", "bench:day"),
    ("Plan", "bench:plan"),
    ("Stock", "bench:stock"),
    ("Recipes", "bench:recipes"),
    ("Needs", "bench:needs"),
    ("Capacity", "bench:capacity"),
)
MAKER_LINKS = (
    *HELPER_LINKS,
    ("Invoices", "bench:invoices"),
    ("Shops", "bench:shops"),
    ("Workbook", "bench:workbook"),
)


@dataclass(frozen=True, kw_only=True)
class Link:
    """One place to go."""

    title: str
    url: str
    #: Is it the place, or the parent of the place, that is shown now?
    current: bool


def page(request: HttpRequest) -> dict[str, Any]:
    """Return ``workshop``, ``membership``, ``role`` and ``nav`` for templates."""
    membership: Any = SimpleLazyObject(partial(_membership, request))
    return {
        "workshop": SimpleLazyObject(workshop.identity),
        "membership": membership,
        "role": SimpleLazyObject(partial(_role, request, membership)),
        "nav": SimpleLazyObject(partial(_nav, request, membership)),
    }


def _membership(request: HttpRequest) -> Membership | None:
    """Return the membership the address names, else the user's first shop's."""
    if access.is_bench(request.user):
        return None
    slug = request.resolver_match.kwargs.get("slug") if request.resolver_match else None
    return access.membership_for(request.user, slug) if slug else access.first_membership(request.user)


def _role(request: HttpRequest, membership: Membership | None) -> str:
    if access.is_bench(request.user):
        return StaffRole.MAKER if access.is_maker(request.user) else StaffRole.HELPER
    return str(membership.role) if membership else ""


def _nav(request: HttpRequest, membership: Membership | None) -> list[Link]:
    if access.is_maker(request.user):
        return _links(request, MAKER_LINKS)
    if access.is_bench(request.user):
        return _links(request, HELPER_LINKS)
    return _links(request, SHOP_LINKS, membership.shop.slug) if membership else []


def _links(request: HttpRequest, places: tuple[tuple[str, str], ...], *args: str) -> list[Link]:
    found = [(title, reverse(name, args=args)) for title, name in places]
    return [Link(title=title, url=url, current=request.path.startswith(url)) for title, url in found]
