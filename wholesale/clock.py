"""The one clock of the web, the workers and the timer.

Nothing else in the project asks what time it is: a test, a demo or a rehearsal can
then stop or move time for every process at once. Where the time comes from, first
that applies:

1. ``at(...)`` in this process (tests);
2. the file named by ``CASEWRIGHT_NOW_FILE``, read at every call: ``2026-03-05T13:50``
   stands still, ``2026-03-05T13:50 running`` runs on from the moment it was written;
3. ``CASEWRIGHT_NOW``, the same local time, standing still;
4. real time.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from django.conf import settings

RUNNING = "running"

# What `at` was entered with, innermost last. A plain list, not a context variable:
# a live server answers on other threads, and they must see it too.
_held: list[datetime] = []


def workshop_zone() -> ZoneInfo:
    """Return the time zone of the workshop."""
    return ZoneInfo(settings.CASEWRIGHT_TIME_ZONE)


def now() -> datetime:
    """Return the current instant, aware, in UTC."""
    if _held:
        return _held[-1]
    return _from_file() or _standing() or _real()


def today() -> date:
    """Return the current date at the workshop."""
    return now().astimezone(workshop_zone()).date()


def read(text: str) -> datetime:
    """Return the instant that an ISO 8601 time names; without an offset it is local.

    Raises ``ValueError`` if `text` is no such time.
    """
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=workshop_zone())
    return moment.astimezone(UTC)


@contextmanager
def at(moment: datetime | str) -> Iterator[datetime]:
    """Hold this process's clock at `moment`: aware, or ISO 8601 text in local time."""
    held = read(moment if isinstance(moment, str) else moment.isoformat())
    _held.append(held)
    try:
        yield held
    finally:
        _held.pop()


def move_all(moment: datetime | str, *, running: bool = False) -> None:
    """Set the clock of every process that reads the same ``CASEWRIGHT_NOW_FILE``.

    Raises ``RuntimeError`` if no such file is set.
    """
    if not settings.CASEWRIGHT_NOW_FILE:
        message = "Set CASEWRIGHT_NOW_FILE to a file that every process reads, then move the clock."
        raise RuntimeError(message)
    stated = read(moment if isinstance(moment, str) else moment.isoformat())
    path = Path(settings.CASEWRIGHT_NOW_FILE)
    # Written beside it and renamed over it, so that no reader meets half a line.
    draft = path.with_name(path.name + ".draft")
    draft.write_text(f"{stated.isoformat()} {RUNNING if running else ''}".strip())
    draft.replace(path)


def _from_file() -> datetime | None:
    path = Path(settings.CASEWRIGHT_NOW_FILE) if settings.CASEWRIGHT_NOW_FILE else None
    if path is None or not path.exists():
        return None
    stated, _, mode = path.read_text().strip().partition(" ")
    if not stated:
        return None
    return read(stated) + (_since_written(path) if mode == RUNNING else timedelta())


def _since_written(path: Path) -> timedelta:
    return _real() - datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)


def _standing() -> datetime | None:
    return read(settings.CASEWRIGHT_NOW) if settings.CASEWRIGHT_NOW else None


def _real() -> datetime:
    return datetime.now(UTC)  # noqa: TID251  (the one place that may)
