"""The day sheet."""

from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_GET

from wholesale import clock
from wholesale.queries import day_sheet
from wholesale.web.access import bench_only
from wholesale.web.day_picture import day_picture


@require_GET
@bench_only
def day(request: HttpRequest, on: date | None = None) -> HttpResponse:
    """One day at the bench, today if none is named."""
    sheet = day_sheet.day_sheet(on or clock.today())
    days = [
        {"date": on, "url": reverse("bench:day_on", args=[on]), "kind": day.kind, "current": on == sheet.on}
        for on, day in sheet.week
    ]
    return render(request, "maker/day.html", {
        "sheet": sheet, "days": days, "cautions": day_sheet.CAUTIONS, "picture": day_picture(sheet),
    })  # fmt: skip
