"""What moved the plan, and having a better one looked for."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import improving
from wholesale.maker.forms import told
from wholesale.queries import plan_changes as changes
from wholesale.web.access import bench_only, signed_in


@require_GET
@bench_only
def plan_changes(request: HttpRequest) -> HttpResponse:
    """Each change of the plan, newest first: why, what moved, whom it touched."""
    known = {"page": changes.plan_changes(request.GET.get("page", "1")), "search": changes.searching()}
    return render(request, "maker/plan_changes.html", known)


@require_POST
@bench_only
def improve(request: HttpRequest) -> HttpResponse:
    """Have a better plan looked for in the background."""
    with told(request, "A better plan is being looked for. If there is one, what moved stands here in a few minutes."):
        improving.ask(by=signed_in(request))
    return redirect("bench:plan_changes")
