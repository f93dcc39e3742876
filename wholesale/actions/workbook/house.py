"""The workshop's settings and its calendar. These sheets are whole: what they leave out no longer applies."""

from typing import Any

from wholesale.actions.workbook.changes import Changes
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import DayRow, SettingRow, WeekRow
from wholesale.models import CalendarDay, Setting, Weekday


def write(changes: Changes, book: Workbook) -> None:
    """Write settings, week and days."""
    for row in book.rows(SettingRow):
        changes.put(row, Setting, {"name": row.name}, {"value": row.value})
    changes.drop(SettingRow, Setting.objects.exclude(name__in=[row.name for row in book.rows(SettingRow)]), _name)
    for week in book.rows(WeekRow):
        changes.put(week, Weekday, {"weekday": week.weekday}, _hours(week))
    if book.has(DayRow):
        _write_days(changes, book)


def _write_days(changes: Changes, book: Workbook) -> None:
    rows = book.rows(DayRow)
    for row in rows:
        changes.put(row, CalendarDay, {"day": row.day}, {**_hours(row), "note": row.note})
    changes.drop(DayRow, CalendarDay.objects.exclude(day__in=[row.day for row in rows]), lambda row: row.day)


def _name(row: Setting) -> str:
    return row.name


def _hours(row: WeekRow | DayRow) -> dict[str, Any]:
    return {"kind": str(row.kind), "opens": row.opens, "closes": row.closes, "minutes": row.hands or {}}
