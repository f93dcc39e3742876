"""One load: what to weigh, marking it done, its batch sheet."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_GET, require_POST

from wholesale.actions import production
from wholesale.core.values import Conflict, Refusal
from wholesale.maker.forms import PlainForm, page, refused
from wholesale.maker.papers import papers_of_load
from wholesale.queries import day_sheet
from wholesale.queries.day_sheet import LoadRow
from wholesale.web.access import bench_only, signed_in


class DoneForm(PlainForm):
    """Good pieces and the reason for rejects, by portion, and a note."""

    def __init__(self, load: LoadRow, *args: Any) -> None:
        super().__init__(*args)
        for portion in load.portions:
            label = f"Good of {portion.pieces} for {portion.order}: {portion.product}"
            wrong = f"{portion.order}: count the good pieces, from 0 to {portion.pieces}."
            self.fields[f"good-{portion.id}"] = forms.IntegerField(
                label=label, min_value=0, initial=portion.pieces,
                error_messages=dict.fromkeys(("required", "invalid", "min_value"), wrong),
            )  # fmt: skip
            self.fields[f"reason-{portion.id}"] = forms.CharField(
                label=f"Why rejected, {portion.order}", required=False, max_length=120
            )
        self.fields["note"] = forms.CharField(
            label="Note on the batch", required=False, widget=forms.Textarea({"rows": 2})
        )

    def by_portion(self, name: str) -> dict[int, Any]:
        """What was typed under ``name``, by portion."""
        typed = self.cleaned_data.items()
        return {int(field.removeprefix(f"{name}-")): value for field, value in typed if field.startswith(f"{name}-")}


@require_GET
@bench_only
def load(request: HttpRequest, number: int) -> HttpResponse:
    """One load with its weigh list and the form for what came of it."""
    row = day_sheet.load_page(number)
    return _page(request, row, DoneForm(row))


@require_POST
@bench_only
def done(request: HttpRequest, number: int) -> HttpResponse:
    """Record what came of a load; the second of two taps changes nothing and says so."""
    row = day_sheet.load_page(number)
    form = DoneForm(row, request.POST)
    if not form.is_valid():
        return _page(request, row, form)
    try:
        batch = production.mark_done(
            by=signed_in(request), load=number, good=form.by_portion("good"),
            reasons=form.by_portion("reason"), note=form.cleaned_data["note"],
        )  # fmt: skip
    except Conflict as conflict:
        messages.info(request, conflict.message)
    except Refusal as refusal:
        return _page(request, row, refused(form, refusal))
    else:
        messages.success(request, f"Done: batch {batch}. Write this number on the tray.")
    return redirect("bench:load", number)


@require_POST
@bench_only
def sheet(request: HttpRequest, number: int) -> HttpResponse:
    """Have the batch sheet made."""
    production.batch_sheet(by=signed_in(request), load=number)
    messages.success(request, "The batch sheet is being made; it appears below.")
    return redirect("bench:load", number)


def _page(request: HttpRequest, row: LoadRow, form: DoneForm) -> HttpResponse:
    papers = papers_of_load(row.id)
    known = {"load": row, "form": form, "papers": papers, "cautions": day_sheet.CAUTIONS}
    return page(request, "maker/load.html", known, form)
