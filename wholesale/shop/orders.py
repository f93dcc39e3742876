"""A shop's orders: the list, one order, taking it back."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from accounts import access
from wholesale.actions import orders as order_actions
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.queries import order_pages
from wholesale.shop.panel import steps
from wholesale.shop.papers import shown
from wholesale.web.access import answered, buyer_at, member_of, signed_in


@login_required
@never_cache
@require_safe
def order_list(request: HttpRequest, slug: str) -> HttpResponse:
    """Show the shop's orders, newest first."""
    membership = member_of(request, slug)
    page = order_pages.orders(membership.shop, request.GET.get("page", "1"))
    context = {"shop": membership.shop, "page": page, "may_order": access.can_order(membership)}
    return render(request, "shop/orders.html", context)


@login_required
@never_cache
@require_safe
def order_page(request: HttpRequest, slug: str, number: str) -> HttpResponse:
    """Show one order: its state, date, amounts, papers and history."""
    membership = member_of(request, slug)
    with answered():
        order = order_pages.order(membership.shop, number)
    context = {
        "shop": membership.shop,
        "order": order,
        "steps": steps(order.gates),
        "papers": [shown(slug, paper) for paper in order.papers],
        "may_order": access.can_order(membership),
    }
    return render(request, "shop/order.html", context)


@login_required
@require_POST
def withdraw(request: HttpRequest, slug: str, number: str) -> HttpResponse:
    """Take a placed order back."""
    buyer_at(request, slug)
    try:
        order_actions.withdraw(by=signed_in(request), shop=slug, number=number)
        messages.success(request, f"Order {number} is withdrawn. Nothing will be made or billed.")
    except (NotAllowed, NotFound):
        with answered():
            raise
    except Refusal as refused:
        messages.error(request, refused.message)
    return redirect("shop:order", slug, number)
