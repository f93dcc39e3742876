"""What every test has: a standing clock, an empty cache, a browser, a worker, servers."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.cache import cache
from django.db import connection

from tests import processes
from wholesale import queue

CHROMIUM_ARGUMENTS = [
    # Debian's Chromium, run by root in CI, with no calls to the outside.
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what drives a browser or a worker, so that `-m` can choose by it."""
    for item in items:
        names = getattr(item, "fixturenames", ())
        if "browser" in names:
            item.add_marker(pytest.mark.browser)
        if "worker" in names:
            item.add_marker(pytest.mark.worker)


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Fail, not skip, a test of the service mode that is run without its servers."""
    if item.get_closest_marker("postgres") and connection.vendor != "postgresql":
        pytest.fail("Needs PostgreSQL: run `python -m tests.servers pytest -m postgres`.")


@pytest.fixture(autouse=True)
def _fresh(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Begin with nothing in the cache and a broker nobody gave up on; end with the clock where every test finds it.

    A page gives the broker a second, which a busy machine can outlast; a test that
    counts on a wake-up waits for it. How long a page waits is `tests.test_queue`'s.
    """
    cache.clear()
    monkeypatch.setattr(queue, "ANSWER_SECONDS", 60.0)
    monkeypatch.setattr(queue, "_resting_until", 0.0)
    yield
    Path(settings.CASEWRIGHT_NOW_FILE).unlink(missing_ok=True)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """Drive the system's Chromium: the tests download no browser."""
    found = shutil.which("chromium")
    assert found, "Chromium is not installed: run `make setup`."
    return browser_type_launch_args | {"executable_path": found, "args": CHROMIUM_ARGUMENTS}


@pytest.fixture
def worker(transactional_db: None) -> Iterator[subprocess.Popen[bytes]]:
    """Run a real Celery worker on the test's database and broker; yield its process."""
    yield from processes.worker()
