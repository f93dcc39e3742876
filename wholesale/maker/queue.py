"""The production queue."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import production
from wholesale.maker.forms import told
from wholesale.queries import bench_queue
from wholesale.web.access import bench_only, signed_in


@require_GET
@bench_only
def queue(request: HttpRequest) -> HttpResponse:
    """Open orders by promised date, with what each still needs."""
    return render(request, "maker/queue.html", {"queue": bench_queue.queue()})


@require_POST
@bench_only
def plan_again(request: HttpRequest) -> HttpResponse:
    """Place again what is overdue or short."""
    with told(request, "Planned again: what was overdue or short has new days. Loads still to come stayed."):
        production.plan_again(by=signed_in(request), because="planned again from the queue")
    return redirect("bench:queue")
