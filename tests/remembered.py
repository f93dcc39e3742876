"""Rows that many tests begin with: made once by the real actions, then written anew for each test that asks.

Loading the demo workshop takes a tenth of a second, and hundreds of tests begin with it.
"""

from collections.abc import Callable, Hashable
from copy import deepcopy
from datetime import time
from typing import Any, TypeVar

from django.apps import apps
from django.contrib.auth.models import Permission
from django.contrib.contenttypes.models import ContentType
from django.db import connection

from wholesale import clock

Made = TypeVar("Made")
#: Rows by table.
Rows = dict[str, list[tuple[Any, ...]]]

#: What was made, with its rows, by what it is and the time it was made at.
_MADE: dict[Hashable, tuple[Any, Rows]] = {}


def remembered(what: Hashable, make: Callable[[], Made]) -> Made:
    """What ``make`` returns, and its rows: made the first time, copied afterwards.

    It is made anew where copying would not be the same: beside rows that are there
    already, outside a test's transaction (what happens on commit would be lost), and
    on PostgreSQL, whose numbers don't follow the rows.
    """
    if connection.vendor != "sqlite" or not connection.in_atomic_block or _any_rows():
        return make()
    key = (what, clock.now())
    if key not in _MADE:
        made = make()
        _MADE[key] = deepcopy(made), _all_rows()
        return made
    result, rows = _MADE[key]
    with connection.cursor() as cursor:
        for table, of_table in rows.items():
            places = ", ".join(["%s"] * len(of_table[0]))
            cursor.executemany(f"INSERT INTO {_quoted(table)} VALUES ({places})", of_table)  # noqa: S608
    copy: Made = deepcopy(result)
    return copy


def _tables() -> list[str]:
    """Every table of ours; those that Django fills when it makes the database are left out."""
    return [
        model._meta.db_table for model in apps.get_models(include_auto_created=True)
        if model not in (ContentType, Permission)
    ]  # fmt: skip


def _any_rows() -> bool:
    """Is there any row in any table: 1 query."""
    each = (f"EXISTS(SELECT 1 FROM {_quoted(table)})" for table in _tables())  # noqa: S608  (tables of our own)
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {' OR '.join(each)}")
        return bool(cursor.fetchone()[0])


def _all_rows() -> Rows:
    rows: Rows = {}
    with connection.cursor() as cursor:
        for table in _tables():
            cursor.execute(f"SELECT * FROM {_quoted(table)}")  # noqa: S608
            if found := cursor.fetchall():
                rows[table] = [tuple(_stored(value) for value in row) for row in found]
    return rows


def _stored(value: Any) -> Any:
    """A value as it is written: the driver reads times of day that it does not write."""
    return value.isoformat() if isinstance(value, time) else value


def _quoted(table: str) -> str:
    return connection.ops.quote_name(table)
