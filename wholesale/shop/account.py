"""A shop's account: what is open, where things go, and whether tax is billed."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from wholesale.queries import order_pages
from wholesale.web.access import member_of


@login_required
@never_cache
@require_safe
def account(request: HttpRequest, slug: str) -> HttpResponse:
    """Show the shop's standing with the workshop."""
    shop = member_of(request, slug).shop
    return render(request, "shop/account.html", {"shop": shop, "standing": order_pages.standing(shop)})
