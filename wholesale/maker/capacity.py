"""Load against capacity: the picture and its table."""

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from wholesale.queries.capacity import capacity_page
from wholesale.web import charts
from wholesale.web.access import bench_only


@require_GET
@bench_only
def capacity(request: HttpRequest, on: date | None = None) -> HttpResponse:
    """Two weeks of loads and minutes, today's if no day is named."""
    page = capacity_page(on)
    return render(request, "maker/capacity.html", {"capacity": page, "picture": charts.capacity_picture(page)})
