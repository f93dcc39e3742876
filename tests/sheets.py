"""Sheets of a workbook for tests: change a cell, add or drop rows, load, and what was complained of."""

import csv
import io
from collections.abc import Iterable
from typing import Any

import pytest
from django.apps import apps

from wholesale.actions import workbook
from wholesale.actions.workbook.changes import Report
from wholesale.core.workbook.reading import Complaint, WorkbookRefused

Files = dict[str, bytes]


def table(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))


def packed(records: Iterable[Iterable[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out).writerows(records)
    return out.getvalue().encode()


def put(files: Files, file: str, row: int, column: str, value: str) -> Files:
    """The files with one cell changed; rows are counted as a spreadsheet does, columns are added if need be."""
    records = table(files[file])
    if column not in records[0]:
        records = [[*cells, column if not i else ""] for i, cells in enumerate(records)]
    records[row - 1][records[0].index(column)] = value
    return {**files, file: packed(records)}


def append(files: Files, file: str, **cells: str) -> Files:
    """The files with one row added at the end of one of them."""
    header, *rows = table(files[file])
    return {**files, file: packed([header, *rows, [cells.get(name, "") for name in header]])}


def drop(files: Files, file: str, *rows: int) -> Files:
    """The files without some rows of one of them."""
    return {**files, file: packed(cells for i, cells in enumerate(table(files[file]), 1) if i not in rows)}


def load(files: Files) -> Report:
    return workbook.load(files=files)


def mistakes(files: Files) -> tuple[Complaint, ...]:
    """The complaints about files that must be refused, with nothing of them written."""
    before = every_row()
    with pytest.raises(WorkbookRefused) as refused:
        load(files)
    assert every_row() == before
    return refused.value.complaints


def every_row() -> dict[str, list[dict[str, Any]]]:
    """Every column of every row of our own tables."""
    ours = [*apps.get_app_config("wholesale").get_models(), *apps.get_app_config("accounts").get_models()]
    return {model.__name__: list(model._default_manager.order_by("pk").values()) for model in ours}
