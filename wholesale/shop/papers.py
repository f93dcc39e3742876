"""Papers a shop may see: whether one is made, and the file itself."""

from dataclasses import dataclass

from django.contrib.auth.decorators import login_required
from django.core.files.storage import default_storage
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from wholesale.queries import order_pages
from wholesale.queries.order_pages import Paper
from wholesale.web.access import answered, member_of


@dataclass(frozen=True, kw_only=True)
class ShownPaper:
    """A paper as ``components/paper.html`` shows it."""

    title: str
    state: str
    url: str
    poll_url: str
    reason: str


def shown(slug: str, paper: Paper) -> ShownPaper:
    """Return the paper with the addresses of this shop's pages."""
    return ShownPaper(
        title=paper.title,
        state=paper.state,
        url=reverse("shop:paper", args=[slug, paper.id]),
        poll_url=reverse("shop:paper_state", args=[slug, paper.id]),
        reason="The workshop has been told; ask there if you need it soon." if paper.state == "failed" else "",
    )


@login_required
@never_cache
@require_safe
def paper_state(request: HttpRequest, slug: str, paper_id: int) -> HttpResponse:
    """Show one line: is the paper made?"""
    shop = member_of(request, slug).shop
    with answered():
        paper = order_pages.paper(shop, paper_id)
    return render(request, "components/paper.html", {"paper": shown(slug, paper)})


@login_required
@require_safe
def paper_file(request: HttpRequest, slug: str, paper_id: int) -> FileResponse:
    """Send the finished PDF."""
    shop = member_of(request, slug).shop
    with answered():
        stored = order_pages.stored_paper(shop, paper_id)
    return FileResponse(default_storage.open(stored.file), filename=stored.name, content_type="application/pdf")
