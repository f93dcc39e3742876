"""Papers: their states on a page, the file, and making one again."""

from dataclasses import dataclass

from django.core.files.storage import default_storage
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import documents as actions
from wholesale.maker.forms import told
from wholesale.queries import bench_orders, documents
from wholesale.queries.documents import PaperRow
from wholesale.web.access import bench_only, maker_only, signed_in


@dataclass(frozen=True, kw_only=True)
class ShownPaper:
    """A paper as ``components/paper.html`` shows it."""

    title: str
    state: str
    reason: str
    url: str
    poll_url: str
    again_url: str


def papers_of_order(number: str) -> list[ShownPaper]:
    """The papers of an order, its shipments and its invoices."""
    return [shown(row) for row in bench_orders.papers(number)]


def papers_of_invoice(number: str, order: str) -> list[ShownPaper]:
    """The papers of an invoice's order, or of the invoice alone where it has none."""
    return papers_of_order(order) if order else [shown(row) for row in documents.papers_of_invoice(number)]


def papers_of_load(load: int) -> list[ShownPaper]:
    """The batch sheet of a load, if one was asked for."""
    return [shown(row) for row in documents.papers_of_load(load)]


def shown(row: PaperRow) -> ShownPaper:
    """A paper with the bench's addresses; an e-mail that failed counts as failed, for it can be tried again."""
    failed = row.can_retry
    return ShownPaper(
        title=row.title, state="failed" if failed else row.state, reason=row.reason or row.mail_reason,
        url=reverse("bench:paper", args=[row.id]), poll_url=reverse("bench:paper_state", args=[row.id]),
        again_url=reverse("bench:paper_again", args=[row.id]) if failed else "",
    )  # fmt: skip


@require_GET
@bench_only
def paper(_request: HttpRequest, number: int) -> FileResponse:
    """Send the finished PDF."""
    row = documents.paper(number)
    if not row.ready:
        raise Http404
    return FileResponse(default_storage.open(row.file), filename=row.download_name, content_type="application/pdf")


@require_GET
@never_cache
@bench_only
def state(request: HttpRequest, number: int) -> HttpResponse:
    """One line: is the paper made?"""
    return render(request, "components/paper.html", {"paper": shown(documents.paper(number))})


@require_POST
@maker_only
def again(request: HttpRequest, number: int) -> HttpResponse:
    """Try a failed paper, or its e-mail, again."""
    row = documents.paper(number)
    with told(request, f"{row.title} is being made again."):
        actions.retry(by=signed_in(request), document=number)
    return redirect("bench:order", row.order) if row.order else redirect("bench:queue")
