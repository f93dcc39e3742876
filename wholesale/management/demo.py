"""The demo workshop: a folder, a clock and a database of its own, whatever else this installation holds."""

import fcntl
import os
import shutil
import socket
import sys
import time
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import NoReturn

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError

from accounts.models import User
from wholesale import clock
from wholesale.actions import workbook
from wholesale.management.crew import Crew
from wholesale.management.folder import MOSSGATE, read_folder

#: A Thursday, ten minutes before the cut-off: the numbers of the worked scenarios.
BEGINS = "2026-03-05T13:50"
PASSWORD = "mossgate-bench-26"  # noqa: S105  (printed on the console, for invented people)
START_SECONDS = 90

_MARK = "CASEWRIGHT_DEMO"
#: What the demo decides by itself, whatever the environment says.
_OWN = (
    "ALLOWED_HOSTS", "CACHE_URL", "CASEWRIGHT_NOW", "CASEWRIGHT_S3_BUCKET", "CASEWRIGHT_STATIC_ROOT",
    "CELERY_BROKER_URL", "DATABASE_URL", "DEBUG", "DEFAULT_FROM_EMAIL", "EMAIL_URL", "SECRET_KEY",
)  # fmt: skip


def is_entered() -> bool:
    """Whether this process already stands on the demo's own folder."""
    return _MARK in os.environ


def enter(name: str, *, fresh: bool, port: int) -> NoReturn:
    """Start this command again on the folder ``name`` under ``var/``, emptied first if ``fresh``.

    ``CommandError`` when another demo is using the folder.
    """
    folder = settings.VAR_DIR / name
    _lock(folder)
    if fresh:
        shutil.rmtree(folder, ignore_errors=True)
    environment = {key: value for key, value in os.environ.items() if key not in _OWN} | {
        _MARK: name,
        "CASEWRIGHT_MODE": "embedded",
        "CASEWRIGHT_NOW_FILE": str(folder / "now"),
        "CASEWRIGHT_SITE_URL": f"http://localhost:{port}",
        "CASEWRIGHT_TIME_ZONE": "America/New_York",
        "CASEWRIGHT_VAR": str(folder),
        "PYTHONUNBUFFERED": "1",
    }
    sys.stdout.flush()
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), *sys.argv[1:]]
    os.execve(sys.executable, command, environment)  # noqa: S606  (this command, with settings of its own)


def _lock(folder: Path) -> None:
    """Hold the folder for as long as this process lives, through its new start too."""
    path = folder.with_suffix(".lock")
    number = os.open(path, os.O_RDWR | os.O_CREAT)
    try:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        message = f"Another demo (process {path.read_text().strip()}) is using {folder}. Stop it with Ctrl-C first."
        raise CommandError(message) from None
    os.truncate(number, 0)
    os.write(number, str(os.getpid()).encode())
    os.set_inheritable(number, True)


def make_tables() -> None:
    """Bring the demo's database up to date."""
    call_command("migrate", verbosity=0)


def load_workshop(*, running: bool) -> bool:
    """Load the demo workshop with its open orders, unless it is there already; tell which."""
    if User.objects.exists():
        return False
    clock.move_all(BEGINS, running=running)
    workbook.load(files=read_folder(MOSSGATE), first_password=PASSWORD)
    return True


def start_worker(members: Crew) -> None:
    """Start a real Celery worker."""
    members.start("worker", [*_celery(), "worker", "-c", "2", "-l", "info"], settings.BASE_DIR)


def start_timer(members: Crew) -> None:
    """Start Celery's timer, which has the worker sweep up what nobody took."""
    members.start("timer", [*_celery(), "beat", "-l", "info", "--pidfile="], settings.BASE_DIR)


def _celery() -> list[str]:
    return [sys.executable, "-m", "celery", "-A", "wholesale.queue"]


def start_web(members: Crew, port: int) -> None:
    """Start the web server and wait until it answers."""
    command = [
        *(sys.executable, "-m", "gunicorn", "wholesale.config.wsgi", "--workers", "2"),
        *("--bind", f"127.0.0.1:{port}", "--graceful-timeout", "10", "--no-control-socket"),
    ]
    members.start("web server", command, settings.BASE_DIR)
    until = time.monotonic() + START_SECONDS
    while not _answers(port):
        if lost := members.lost():
            raise CommandError(lost)
        if time.monotonic() > until:
            raise CommandError(f"The web server does not answer; see {members.log('web server')}.")
        time.sleep(0.1)


def _answers(port: int) -> bool:
    connection = HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET", "/healthz", headers={"Host": "localhost"})
        return connection.getresponse().status == 200
    except (OSError, HTTPException):
        return False
    finally:
        connection.close()


def refuse_taken(port: int) -> None:
    """``CommandError`` when somebody listens on the port already."""
    with socket.socket() as probe:
        # As the web server does: a port that is only cooling down is free.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except (OSError, OverflowError) as error:
            message = f"Port {port} can't be used ({error}). Choose another one: make demo PORT={port + 1}"
            raise CommandError(message) from None
