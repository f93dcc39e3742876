"""The plan as a time chart and its table."""

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from wholesale.queries.time_chart import time_chart
from wholesale.web import time_chart as pictures
from wholesale.web.access import bench_only


@require_GET
@bench_only
def plan(request: HttpRequest, on: date | None = None) -> HttpResponse:
    """Three weeks from the Monday of a day, of today if none is named."""
    chart = time_chart(on)
    shown = {"chart": chart, "weeks": pictures.weeks(chart), "keys": pictures.keys()}
    return render(request, "maker/time_chart.html", shown)
