"""Writing rows only where they differ, and keeping count of it."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, TypeVar

from django.db.models import Model, QuerySet

from wholesale.core.values import bare, from_e4, from_mg
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.rows import Row

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, kw_only=True)
class Change:
    """One row that was ``added``, ``changed`` or ``removed``, and in what way.

    ``details`` are the single differences where there are several.
    """

    file: str
    key: str
    how: str
    what: str = ""
    details: tuple[str, ...] = ()

    def __str__(self) -> str:
        words = ": ".join(filter(None, (self.what, "; ".join(self.details))))
        return f"{self.file}: {self.key} {self.how}" + (f" ({words})" if words else "")


@dataclass(frozen=True, kw_only=True)
class Report:
    """What loading a workbook did; false when it did nothing.

    ``notes`` are what somebody should look at, ``kept`` what happens to open orders and batches.
    """

    changes: tuple[Change, ...]
    notes: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.changes)

    def of(self, how: str) -> tuple[Change, ...]:
        """The changes of one kind."""
        return tuple(change for change in self.changes if change.how == how)


class Changes:
    """The changes made so far, of sheets called as the workbook's reader sees them."""

    def __init__(self, book: Workbook) -> None:
        self._book = book
        self._made: list[Change] = []
        self._notes: list[str] = []
        self._known: dict[type[Model], dict[tuple[Any, ...], Any]] = {}

    def __bool__(self) -> bool:
        return bool(self._made)

    def report(self, kept: Iterable[str] = ()) -> Report:
        """All of them, in the order they were made."""
        return Report(changes=tuple(self._made), notes=tuple(self._notes), kept=tuple(kept))

    def note(self, row: Row, how: str, what: str = "", details: tuple[str, ...] = ()) -> None:
        """Keep that something happened to a row of a sheet."""
        self._add(row.FILE, row.label, how, what, details)

    def tell(self, row: Row, text: str) -> None:
        """Keep something about a row that somebody should look at."""
        self._notes.append(f"{self._book.called(row.FILE)}, row {row.row}: {self._book.words(text)}")

    def tell_all(self, texts: Iterable[str]) -> None:
        """Keep what is about no single row."""
        self._notes += texts

    def touched(self, *sheets: type[Row]) -> bool:
        """Whether something of these sheets was changed or taken away."""
        files = {self._book.called(sheet.FILE) for sheet in sheets}
        return any(change.file in files and change.how != "added" for change in self._made)

    def _add(self, file: str, key: str, how: str, what: str = "", details: tuple[str, ...] = ()) -> None:
        self._made.append(Change(file=self._book.called(file), key=key, how=how, what=what, details=details))

    def put(self, row: Row, model: type[M], key: dict[str, Any], values: dict[str, Any], what: str = "") -> M:
        """Return the model's row of that key with these values: made, changed, or left alone.

        ``what`` names the row where one row of a sheet makes several.
        """
        known = self.stored(model, tuple(key))
        found = known.get(tuple(key.values()))
        if found is not None:
            self.amend(row, found, values)
            return found
        self.note(row, "added", what)
        made = model._default_manager.create(**key, **values)  # noqa: SLF001  (Django's public name for it)
        known[tuple(key.values())] = made
        return made

    def stored(self, model: type[M], names: tuple[str, ...]) -> dict[tuple[Any, ...], M]:
        """The model's rows by key, read once: a workbook asks for most of them."""
        if model not in self._known:
            rows = model._default_manager.all()  # noqa: SLF001  (as above)
            self._known[model] = {tuple(getattr(row, name) for name in names): row for row in rows}
        return self._known[model]

    def amend(self, row: Row, found: Model, values: dict[str, Any]) -> None:
        """Change a stored row where it differs; one that does not is not touched."""
        differing = [name for name, value in values.items() if not alike(getattr(found, name), value)]
        if not differing:
            return
        what = ", ".join(
            f"{_column(name)}: {_shown(found, name, getattr(found, name))} → {_shown(found, name, values[name])}"
            for name in differing
        )
        for name in differing:
            setattr(found, name, values[name])
        found.save(update_fields=differing)
        self.note(row, "changed", what)

    def drop(self, sheet: type[Row], rows: QuerySet[M], called: Callable[[M], Any] = str) -> None:
        """Remove rows that the sheet no longer has; ``called`` is how the sheet called them."""
        for row in rows:
            self._add(sheet.FILE, str(called(row)), "removed")
            row.delete()


def alike(one: Any, other: Any) -> bool:
    """Whether two values are the same; how a text ends its lines, and blanks around it, don't count."""
    if isinstance(one, str) and isinstance(other, str):
        return plain_text(one) == plain_text(other)
    return bool(one == other)


def plain_text(text: str) -> str:
    """A text as the workbook holds it."""
    return text.replace("\r\n", "\n").strip()


def _column(name: str) -> str:
    """The sheet's name for a table's column."""
    return _ENDS.sub(lambda end: _SHEETS_END[end[0]], name)


_SHEETS_END = {"_e4": "", "_mg": "_g", "_minor": "", "_id": ""}
_ENDS = re.compile("(?:" + "|".join(_SHEETS_END) + ")$")


def _shown(row: Model, name: str, value: Any) -> str:
    """A value of a table's column as the sheet has it."""
    if value in (None, ""):
        return "nothing"
    if name.endswith("_id"):
        other: Any = row._meta.get_field(name.removesuffix("_id")).related_model  # noqa: SLF001  (as above)
        return str(getattr(other.objects.get(pk=value), "code", value))
    if name.endswith("_mg") or (name == "purchase_pack" and getattr(row, "unit", "") == "gram"):
        return bare(from_mg(value))
    if name.endswith("_e4"):
        return bare(from_e4(value))
    return bare(value) if isinstance(value, Decimal) else str(value)
