"""The workbook: taken away as one file, brought in, looked through, and only then loaded."""

from collections.abc import Iterable
from itertools import groupby

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_POST

from wholesale import clock
from wholesale.actions.workbook import uploads
from wholesale.actions.workbook.changes import Change, Report
from wholesale.core.values import Conflict, Refusal
from wholesale.core.workbook.reading import WorkbookRefused
from wholesale.core.workbook.writing import csv_files
from wholesale.documents import workbook_file
from wholesale.documents.spreadsheet import MOST_BYTES
from wholesale.maker.forms import PlainForm, refused
from wholesale.queries import workbook as present
from wholesale.web.access import maker_only, signed_in

_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class UploadForm(PlainForm):
    """A workbook to look through; nothing is loaded by it."""

    file = forms.FileField(
        label="Workbook", help_text="One .xlsx file, or a .zip of the CSV files.",
        widget=forms.ClearableFileInput({"accept": ".xlsx,.zip"}),
        error_messages={"required": "Choose the workbook's file first.", "empty": "The file is empty."},
    )  # fmt: skip

    def clean_file(self) -> bytes:
        """The file's bytes; the size is looked at before they are read."""
        file = self.cleaned_data["file"]
        if file.size > MOST_BYTES:
            raise forms.ValidationError(f"The file is larger than {MOST_BYTES // 2**20} MB; no workbook needs that.")
        return bytes(file.read())


@require_GET
@maker_only
def workbook(request: HttpRequest) -> HttpResponse:
    """What can be taken away, and the form that brings a workbook in."""
    return _page(request, UploadForm())


@require_GET
@maker_only
def template(_request: HttpRequest) -> HttpResponse:
    """The empty workbook that says what may stand where."""
    return _file("workbook-template.xlsx", _XLSX, workbook_file.template())


@require_GET
@maker_only
def save(_request: HttpRequest) -> HttpResponse:
    """The present data as one spreadsheet."""
    return _file(f"workbook-{clock.today()}.xlsx", _XLSX, workbook_file.saved_book(present.saved()))


@require_GET
@maker_only
def save_csv(_request: HttpRequest) -> HttpResponse:
    """The present data as a .zip of CSV files."""
    zipped = workbook_file.zipped(csv_files(present.saved()))
    return _file(f"workbook-{clock.today()}.zip", "application/zip", zipped)


@require_POST
@maker_only
def look(request: HttpRequest) -> HttpResponse:
    """What loading an upload would change, or all its mistakes."""
    form = UploadForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, form, status=422)
    try:
        looked = uploads.look(by=signed_in(request), content=form.cleaned_data["file"])
    except WorkbookRefused as wrong:
        known = {"complaints": wrong.complaints, "form": UploadForm()}
        return render(request, "maker/workbook_look.html", known, status=422)
    except Refusal as refusal:
        return _page(request, refused(form, refusal), status=422)
    known = {"report": looked.report, "sheets": by_sheet(looked.report.changes), "token": looked.token}
    return render(request, "maker/workbook_look.html", known | {"holds": uploads.HOLDS, "form": UploadForm()})


@require_POST
@maker_only
def load(request: HttpRequest) -> HttpResponse:
    """Load what was shown, byte for byte."""
    try:
        report = uploads.confirm(by=signed_in(request), token=request.POST.get("token", ""))
    except Conflict as conflict:
        messages.error(request, conflict.message)
        return redirect("bench:workbook")
    except WorkbookRefused as wrong:
        known = {"complaints": wrong.complaints, "form": UploadForm()}
        return render(request, "maker/workbook_look.html", known, status=422)
    messages.success(request, _loaded(report))
    for kept in report.kept:
        messages.info(request, kept)
    return redirect("bench:workbook")


def by_sheet(changes: Iterable[Change]) -> list[tuple[str, list[Change]]]:
    """The changes of each sheet, in the order of the sheets' first ones."""
    order = {file: place for place, file in enumerate(dict.fromkeys(change.file for change in changes))}
    ranked = sorted(changes, key=lambda change: order[change.file])
    return [(file, list(rows)) for file, rows in groupby(ranked, lambda change: change.file)]


def _loaded(report: Report) -> str:
    counts = ", ".join(f"{len(report.of(how))} {how}" for how in ("added", "changed", "removed") if report.of(how))
    return f"Loaded: {counts}." if report else "There was nothing to change."


def _page(request: HttpRequest, form: forms.Form, status: int = 200) -> HttpResponse:
    return render(request, "maker/workbook.html", {"form": form}, status=status)


def _file(name: str, kind: str, content: bytes) -> HttpResponse:
    return HttpResponse(content, kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})
