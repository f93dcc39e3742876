"""The settings of the tests: the embedded mode in a folder of its own, time standing still.

What other processes must share (a worker, a command) goes through the environment, so
that they are started with the very same settings as the test.
"""

import atexit
import os
import shutil
import tempfile
from pathlib import Path

# Thursday, ten minutes before two in the afternoon: a working day with hours left in it.
os.environ.setdefault("CASEWRIGHT_NOW", "2026-03-05T13:50")
os.environ.setdefault("CASEWRIGHT_TIME_ZONE", "America/New_York")
if "CASEWRIGHT_TESTS" not in os.environ:
    # The process that begins the run makes the folder and takes it away again.
    os.environ["CASEWRIGHT_TESTS"] = tempfile.mkdtemp(prefix="casewright-tests-")
    atexit.register(shutil.rmtree, os.environ["CASEWRIGHT_TESTS"], ignore_errors=True)
TESTS_FOLDER = Path(os.environ["CASEWRIGHT_TESTS"])
# Each pytest-xdist process has its own database, broker, papers and clock.
OWN_FOLDER = TESTS_FOLDER / os.environ.get("PYTEST_XDIST_WORKER", "main")
OWN_FOLDER.mkdir(parents=True, exist_ok=True)
os.environ["CASEWRIGHT_VAR"] = str(OWN_FOLDER)
os.environ["CASEWRIGHT_NOW_FILE"] = str(OWN_FOLDER / "now")
# pytest-playwright keeps an event loop on the test's own thread, and Django then takes
# every query for one made from asynchronous code. The project has no such code.
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"

from wholesale.config.settings import *  # noqa: E402, F403
from wholesale.config.settings import DATABASES  # noqa: E402

if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    # A file: a database in memory is invisible to a worker process.
    # Its tables are made from the models; the migrations are run by the demo's tests and on PostgreSQL.
    DATABASES["default"]["TEST"] = {"NAME": str(OWN_FOLDER / "tests.sqlite3"), "MIGRATE": False}
# Invented passwords need no strength.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
