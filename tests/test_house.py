"""Rules of the house that import-linter and ruff can't see, read from the source itself."""

import ast
from collections.abc import Iterator
from pathlib import Path

from django.apps import apps

from tests.processes import ROOT

WRITES = {
    "bulk_create",
    "bulk_update",
    "create",
    "delete",
    "get_or_create",
    "save",
    "select_for_update",
    "update",
    "update_or_create",
}
VAGUE = {"utils", "helpers", "services", "managers"}


def sources(*rooms: str) -> list[Path]:
    """Return the source files of these packages; at least one must be there."""
    found = [path for room in rooms for path in (ROOT / room).rglob("*.py")]
    assert found, rooms
    return found


def called(path: Path) -> Iterator[str]:
    """Yield the last name of every call in a file: ``save`` for ``row.save()``."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name):
            yield node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id


def test_calls_are_found_in_source(tmp_path: Path) -> None:
    path = tmp_path / "sample.py"
    path.write_text("rows.filter(a=1).update(b=2)\nopen('x')\n")

    assert set(called(path)) == {"filter", "update", "open"}


def test_queries_write_nothing() -> None:
    """A dict is joined with ``|``, so that ``update`` always means rows here."""
    for path in sources("wholesale/queries"):
        assert not WRITES & set(called(path)), path


def test_core_opens_no_file_and_says_nothing() -> None:
    for path in sources("wholesale/core"):
        assert not {"open", "print", "input"} & set(called(path)), path


def test_core_switches_no_ban_off() -> None:
    """A ``noqa`` for the clock, for files or for printing would be a hole in the wall."""
    for path in sources("wholesale/core"):
        text = path.read_text()
        assert not [code for code in ("TID251", "PTH", "T201") if code in text], path


def test_tables_of_accounts_point_at_no_table_of_wholesale() -> None:
    """A foreign key may name its table in a string, which import-linter can't see."""
    for model in apps.get_app_config("accounts").get_models():
        for field in model._meta.get_fields():
            if field.concrete and field.related_model:
                assert field.related_model._meta.app_label != "wholesale", field


def test_only_the_clock_may_ask_what_time_it_is() -> None:
    exempt = [path.name for path in sources("wholesale", "accounts") if "noqa: TID251" in path.read_text()]
    assert exempt == ["clock.py"]


def test_no_module_has_a_name_that_says_nothing() -> None:
    for path in sources("wholesale", "accounts"):
        assert not VAGUE & {path.stem, *path.relative_to(ROOT).parts}, path
