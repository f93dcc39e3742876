"""The frame itself: no missing migration, a living health page, a browser, a worker."""

import subprocess
import sys

import pytest
from django.core.management import call_command
from django.db import connection
from django.test import Client
from playwright.sync_api import Page
from pytest_django.live_server_helper import LiveServer

from tests.processes import ROOT
from wholesale.queue import app


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    """If this fails, run `python manage.py makemigrations` and look at what it wrote."""
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


@pytest.mark.django_db
def test_the_health_page_answers_while_the_database_does(client: Client) -> None:
    answer = client.get("/healthz")

    assert answer.status_code == 200
    assert answer.content == b"ok\n"


@pytest.mark.django_db
def test_the_embedded_database_lets_readers_read_while_one_writes() -> None:
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA journal_mode")
        assert cursor.fetchone() == ("wal",)
        cursor.execute("PRAGMA foreign_keys")
        assert cursor.fetchone() == (1,)


@pytest.mark.postgres
@pytest.mark.django_db
def test_the_service_database_is_one_that_we_support() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('server_version_num')::int >= 150000")
        assert cursor.fetchone() == (True,)


def test_a_browser_reaches_the_live_server(live_server: LiveServer, page: Page) -> None:
    answer = page.goto(f"{live_server.url}/healthz")

    assert answer is not None
    assert answer.status == 200
    assert "ok" in page.content()


def test_a_real_worker_listens_on_our_queue(worker: subprocess.Popen[bytes]) -> None:
    assert worker.poll() is None
    assert app.conf.task_default_queue == "casewright"


@pytest.mark.postgres
def test_a_real_worker_answers_through_redis(worker: subprocess.Popen[bytes]) -> None:
    answers = app.control.inspect(timeout=10, limit=1).ping()

    assert answers is not None
    assert [*answers.values()] == [{"ok": "pong"}]
    assert worker.poll() is None


def test_the_shape_of_the_code_is_measured_and_a_deep_function_is_seen() -> None:
    program = (
        "import sys, ast; sys.path.insert(0, '.ci'); import shape;"
        "code = 'def f():\\n for a in b:\\n  while a:\\n   with a:\\n    if a: pass\\n    elif b: pass';"
        "function = ast.parse(code).body[0];"
        "print(shape.depth(function), shape.lines(function))"
    )
    said = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    # for, while, with, if = 4 levels (elif is no fifth); 6 lines from def to the end.
    assert said.stdout.split() == ["4", "6"]
