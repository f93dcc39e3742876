"""Our own programs as real processes, on the database and broker of the running test."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from django.db import connection

ROOT = Path(__file__).resolve().parents[1]
# Generous: a machine may be busy with other things, and nothing is measured here.
START_SECONDS = 150
STOP_SECONDS = 30


def database_url() -> str:
    """Return the address of the test database, for another process."""
    found = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{found['NAME']}"
    return f"postgresql://{found['USER']}@{found['HOST']}:{found['PORT']}/{found['NAME']}"


def environment() -> dict[str, str]:
    """Return the environment that makes a process share the test's database and settings."""
    return os.environ | {
        "DATABASE_URL": database_url(),
        "DJANGO_SETTINGS_MODULE": "wholesale.config.settings",
        "PYTHONUNBUFFERED": "1",
    }


@contextmanager
def celery(*arguments: str, ready: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run ``celery -A wholesale.queue …`` from the line that contains `ready` to the end."""
    log = Path(settings.VAR_DIR) / f"{arguments[0]}-{time.monotonic_ns()}.log"
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "celery", "-A", "wholesale.queue", *arguments],
            cwd=ROOT,
            env=environment(),
            stdout=out,
            stderr=subprocess.STDOUT,
        )
    try:
        _wait_for(ready, log, process)
        yield process
    finally:
        _end(process)


def worker() -> "Iterator[subprocess.Popen[bytes]]":
    """Run one real worker with one process of its own."""
    with celery("worker", "-c", "1", "-l", "info", ready=" ready.") as process:
        yield process


def _wait_for(ready: str, log: Path, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + START_SECONDS
    while time.monotonic() < until and process.poll() is None:
        if ready in log.read_text():
            return
        time.sleep(0.05)
    message = f"{process.args!r} did not start:\n{log.read_text()}"
    raise RuntimeError(message)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
