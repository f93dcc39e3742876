"""Real PostgreSQL and Redis for the tests: started on free ports, ended by process id.

``python -m tests.servers pytest -m postgres`` runs a command with ``DATABASE_URL``,
``CELERY_BROKER_URL`` and ``CACHE_URL`` pointing at them.
"""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import redis

# Generous: a machine may be busy with other things, and nothing is measured here.
START_SECONDS = 120
STOP_SECONDS = 60


def free_port() -> int:
    """Return a TCP port of this machine that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def postgres() -> Iterator[str]:
    """Run a PostgreSQL server that forgets everything; yield its database address."""
    with _folder("postgres") as folder:
        as_user = _postgres_user(folder)
        data, port = folder / "data", free_port()
        _make_cluster(data, as_user)
        command = [
            _postgres_program("postgres"),
            *("-D", str(data), "-k", str(folder), "-h", "127.0.0.1", "-p", str(port)),
            # Tests need no data to survive a power cut.
            *("-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off"),
        ]
        url = f"postgresql://casewright@127.0.0.1:{port}/postgres"
        with _running(command, folder, lambda: psycopg.connect(url).close(), **as_user):
            yield url


@contextmanager
def redis_server() -> Iterator[str]:
    """Run a Redis server that writes nothing to disk; yield its address."""
    with _folder("redis") as folder:
        port = free_port()
        command = [
            _program("redis-server"),
            *("--port", str(port), "--bind", "127.0.0.1", "--dir", str(folder)),
            *("--save", "", "--appendonly", "no"),
        ]
        url = f"redis://127.0.0.1:{port}"
        with _running(command, folder, lambda: _ping(url)):
            yield url


def main() -> int:
    """Run the command in the arguments beside both servers; return its exit code."""
    with postgres() as database, redis_server() as broker:
        addresses = {
            "DATABASE_URL": database,
            "CELERY_BROKER_URL": f"{broker}/0",
            "CACHE_URL": f"{broker}/1",
        }
        return subprocess.run(sys.argv[1:], env=os.environ | addresses, check=False).returncode


def _ping(url: str) -> None:
    with redis.Redis.from_url(url) as client:
        client.ping()


def _make_cluster(data: Path, as_user: dict[str, Any]) -> None:
    options = ("--username=casewright", "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8")
    subprocess.run(
        [_postgres_program("initdb"), "--pgdata", str(data), "--no-sync", *options],
        check=True,
        stdout=subprocess.DEVNULL,
        cwd=data.parent,
        **as_user,
    )


def _postgres_user(folder: Path) -> dict[str, Any]:
    """Return who PostgreSQL runs as: it refuses root, so root hands it to its own user."""
    if os.geteuid() != 0:
        return {}
    user = pwd.getpwnam("postgres")
    os.chown(folder, user.pw_uid, user.pw_gid)
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


def _postgres_program(name: str) -> str:
    """Return PostgreSQL's program `name`; Debian keeps each version's in a folder of its own."""
    versions = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda path: int(path.parts[4]))
    return str(versions[-1]) if versions else _program(name)


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        message = f"{name} is not installed: run `make setup`."
        raise FileNotFoundError(message)
    return path


@contextmanager
def _folder(name: str) -> Iterator[Path]:
    path = Path(tempfile.mkdtemp(prefix=f"casewright-{name}-"))
    try:
        yield path
    finally:
        shutil.rmtree(path)


@contextmanager
def _running(command: list[str], folder: Path, answers: Callable[[], None], **as_user: Any) -> Iterator[None]:
    """Run a server while the block runs; it may enter once `answers` raises nothing."""
    log = folder / "log"
    with log.open("wb") as out:
        server = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, cwd=folder, **as_user)
    try:
        _wait(server, log, answers)
        yield
    finally:
        # SIGINT: PostgreSQL's "fast" shutdown, which does not wait for its clients.
        server.send_signal(signal.SIGINT)
        server.wait(STOP_SECONDS)


def _wait(server: subprocess.Popen[bytes], log: Path, answers: Callable[[], None]) -> None:
    until = time.monotonic() + START_SECONDS
    while time.monotonic() < until and server.poll() is None:
        try:
            return answers()
        except (psycopg.OperationalError, redis.RedisError):
            time.sleep(0.05)
    message = f"{server.args!r} does not answer:\n{log.read_text()}"
    raise RuntimeError(message)


if __name__ == "__main__":
    sys.exit(main())
