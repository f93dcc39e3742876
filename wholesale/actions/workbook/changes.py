"""Writing rows only where they differ, and keeping count of it."""

from dataclasses import dataclass
from typing import Any, TypeVar

from django.db.models import Model, QuerySet

from wholesale.core.workbook.sheets import Row

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, kw_only=True)
class Change:
    """One row that was ``added``, ``changed`` or ``removed``, and in what way."""

    file: str
    key: str
    how: str
    what: str = ""

    def __str__(self) -> str:
        return f"{self.file}: {self.key} {self.how}" + (f" ({self.what})" if self.what else "")


@dataclass(frozen=True, kw_only=True)
class Report:
    """What loading a workbook did; false when it did nothing."""

    changes: tuple[Change, ...]

    def __bool__(self) -> bool:
        return bool(self.changes)

    def of(self, how: str) -> tuple[Change, ...]:
        """The changes of one kind."""
        return tuple(change for change in self.changes if change.how == how)


class Changes:
    """The changes made so far."""

    def __init__(self) -> None:
        self._made: list[Change] = []
        self._known: dict[type[Model], dict[tuple[Any, ...], Any]] = {}

    def __bool__(self) -> bool:
        return bool(self._made)

    def report(self) -> Report:
        """All of them, in the order they were made."""
        return Report(changes=tuple(self._made))

    def note(self, row: Row, how: str, what: str = "") -> None:
        """Keep that something happened to a row of a sheet."""
        self._made.append(Change(file=row.FILE, key=row.label, how=how, what=what))

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
        differing = [name for name, value in values.items() if getattr(found, name) != value]
        if not differing:
            return
        what = ", ".join(f"{name}: {_shown(getattr(found, name))} → {_shown(values[name])}" for name in differing)
        for name in differing:
            setattr(found, name, values[name])
        found.save(update_fields=differing)
        self.note(row, "changed", what)

    def drop(self, sheet: type[Row], rows: QuerySet[M], name: str) -> None:
        """Remove rows that the sheet no longer has; ``name`` is the column they are called by."""
        for row in rows:
            self._made.append(Change(file=sheet.FILE, key=str(getattr(row, name)), how="removed"))
            row.delete()


def _shown(value: Any) -> str:
    return "nothing" if value in (None, "") else str(value)
