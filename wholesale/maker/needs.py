"""What the planned loads need: by day and item, for whom, and what to buy."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from wholesale.queries import needs as queries
from wholesale.web.access import bench_only


@require_GET
@bench_only
def needs(request: HttpRequest) -> HttpResponse:
    """What all loads to come take, what that leaves, what to buy by when."""
    return render(request, "maker/needs.html", {"needs": queries.needs_page()})


@require_GET
@bench_only
def item(request: HttpRequest, item: str, scent: str = "") -> HttpResponse:
    """Why so much of one item is needed: its loads, their products and orders."""
    return render(request, "maker/need.html", {"need": queries.item_page(item, scent)})
