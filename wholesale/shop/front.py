"""The front door: everybody to where their work is."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache

from accounts import access


@never_cache
def front_door(request: HttpRequest) -> HttpResponse:
    """Send staff to the queue, a shop to its order sheet, nobody to the sign-in page."""
    if not request.user.is_authenticated:
        return redirect("account_login")
    if access.is_bench(request.user):
        return redirect("bench:queue")
    shops = list(access.shops_of(request.user))
    if len(shops) == 1:
        return redirect("shop:order_sheet", shops[0].slug)
    # No shop is chosen yet, so the head of the page names none.
    return render(request, "shop/front.html", {"shops": shops, "membership": None, "nav": ()})
