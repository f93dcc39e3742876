"""A shop's orders: the list, one order, taking it back."""

from collections.abc import Iterable

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from accounts import access
from accounts.models import Shop
from wholesale.actions import orders as order_actions
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.queries import order_pages
from wholesale.queries.order_pages import Paper
from wholesale.shop.papers import shown
from wholesale.web.access import answered, buyer_at, member_of, signed_in
from wholesale.web.gates import steps


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
    """Show one order: its state, date, amounts, papers and history; to a page that is open, its papers alone."""
    membership = member_of(request, slug)
    if request.headers.get("HX-Request"):
        return _papers(request, membership.shop, number)
    with answered():
        order = order_pages.order(membership.shop, number)
    context = {
        "shop": membership.shop,
        "order": order,
        "steps": steps(order.gates),
        "papers": [shown(slug, paper) for paper in order.papers],
        "have": _have(order.papers),
        "may_order": access.can_order(membership),
    }
    return render(request, "shop/order.html", context)


def _papers(request: HttpRequest, shop: Shop, number: str) -> HttpResponse:
    """Answer a page that asks every few seconds; nothing new is no content, so that what is read stays in place."""
    with answered():
        papers = order_pages.papers(shop, number)
    have = _have(papers)
    if request.GET.get("have") == have:
        return HttpResponse(status=204)
    context = {"shop": shop, "number": number, "papers": [shown(shop.slug, paper) for paper in papers], "have": have}
    return render(request, "shop/order_papers.html", context | {"follow": True})


def _have(papers: Iterable[Paper]) -> str:
    """Say in one word which papers a page shows, and how far they are."""
    return "-".join(f"{paper.id}{paper.state}" for paper in papers) or "none"


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
