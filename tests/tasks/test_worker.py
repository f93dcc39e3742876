"""Papers made by a real worker process, whatever happens to wake-ups and workers.

The worker is started as in production, on the database, broker, papers and mail
folder of the test. What these tests wait for is always a row.
"""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
import redis
from django.conf import settings
from django.db import transaction

from tests import builders, processes
from tests.mailbox import sent_mail
from wholesale import clock, tasks
from wholesale.actions import documents, plan_rows
from wholesale.models import Document, Load, Mail, Order, PlanChange, PlanImprovement, Setting, ShopAccount
from wholesale.queue import app

PATIENCE_SECONDS = 400
LONG_NOTE = "Please ring twice at the back door, and mind the step. " * 200


@pytest.fixture(autouse=True)
def _clean() -> None:
    """Begin without papers, e-mails and wake-ups of the tests before."""
    for folder in ("papers", "mail", "broker/messages"):
        path = Path(settings.VAR_DIR) / folder
        shutil.rmtree(path, ignore_errors=True)
        path.mkdir(parents=True)


@pytest.fixture
def order(transactional_db: None) -> Order:
    """An order of the demo workshop."""
    builders.mossgate_rows()
    return builders.place(builders.shop("corner"), ("SUC", 2, "RG"), ("PEB", 2, "CF"))


def ask(order: Order) -> Document:
    with transaction.atomic():
        return documents.queue_paper("confirmation", order=order, mail_to="bills@corner.example")


def eventually(happened: Callable[[], bool], pause: float = 0.1) -> None:
    """Wait until something has happened."""
    until = time.monotonic() + PATIENCE_SECONDS
    while not happened():
        assert time.monotonic() < until, "It did not happen."
        time.sleep(pause)


def is_sent(paper: Document) -> bool:
    return Mail.objects.filter(document=paper, state="done").exists()


def stored_papers() -> list[Path]:
    return [path for path in (Path(settings.VAR_DIR) / "papers").rglob("*") if path.is_file()]


def assert_one_paper_and_one_e_mail(paper: Document) -> None:
    """One file, which is the row's; one e-mail, which carries it."""
    paper.refresh_from_db()
    (file,) = stored_papers()
    (sent,) = sent_mail()
    (attached,) = [
        part.get_payload(decode=True) for part in sent.walk() if part.get_content_type() == "application/pdf"
    ]

    assert paper.state == "done"
    assert str(file).endswith(paper.file)
    assert attached == file.read_bytes()
    assert sent["To"] == "bills@corner.example"


def test_every_task_that_is_sent_or_timed_has_its_entry() -> None:
    timed = {entry["task"] for entry in settings.CELERY_BEAT_SCHEDULE.values()}
    named = {documents.RENDER, documents.SEND, documents.REFRESH, documents.IMPROVE}

    assert timed | named == {name for name in app.tasks if name.startswith("wholesale.")}
    assert tasks.render_document.name == documents.RENDER


def test_a_row_becomes_one_paper_and_one_e_mail(order: Order, worker: subprocess.Popen[bytes]) -> None:
    paper = ask(order)

    eventually(lambda: is_sent(paper))

    assert_one_paper_and_one_e_mail(paper)
    assert Document.objects.get(pk=paper.pk).tries == 1


def lose_wake_ups() -> None:
    """Empty the broker, as a crash or a clean-up would: its folder, or its Redis database."""
    if settings.CELERY_BROKER_URL.startswith("redis:"):
        redis.Redis.from_url(settings.CELERY_BROKER_URL).flushdb()
    for path in (Path(settings.VAR_DIR) / "broker" / "messages").iterdir():
        path.unlink()


def wake_ups() -> int:
    """How many messages wait in the broker."""
    with app.connection_for_read() as connection:
        channel: Any = connection.default_channel
        return int(channel._size(settings.CELERY_TASK_DEFAULT_QUEUE))


def a_lost_wake_up_loses_nothing(order: Order) -> None:
    """The broker is emptied before any worker listens; the timer's sweep finds the row a minute later."""
    paper = ask(order)
    assert wake_ups() > 0
    lose_wake_ups()
    assert wake_ups() == 0
    with running_worker():
        clock.move_all("2026-03-05T13:51:01")
        app.send_task("wholesale.sweep")
        eventually(lambda: is_sent(paper))

    assert_one_paper_and_one_e_mail(paper)


def a_killed_worker_loses_nothing(order: Order) -> None:
    """The worker dies at work on a large paper: claimed, not done, nothing stored. Another one takes it over."""
    Order.objects.filter(pk=order.pk).update(note=LONG_NOTE)
    with running_worker() as first:
        paper = ask(order)
        eventually(lambda: Document.objects.get(pk=paper.pk).state == "claimed", pause=0.005)
        kill(first)
    paper.refresh_from_db()
    assert (paper.state, paper.file, stored_papers(), sent_mail()) == ("claimed", "", [], [])

    with running_worker():
        clock.move_all("2026-03-05T13:55:01")
        app.send_task("wholesale.sweep")
        eventually(lambda: is_sent(paper))

    assert_one_paper_and_one_e_mail(paper)
    assert Document.objects.get(pk=paper.pk).tries == 2


@contextmanager
def running_worker() -> Iterator[subprocess.Popen[bytes]]:
    """A worker that is started here, not before the test."""
    yield from processes.worker()


def kill(worker: subprocess.Popen[bytes]) -> None:
    """End a worker with -9, and the process of its own in which it works."""
    children = Path(f"/proc/{worker.pid}/task/{worker.pid}/children").read_text().split()
    assert children
    # The parent first: it would start another child.
    for pid in (worker.pid, *map(int, children)):
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    worker.wait()


@pytest.mark.worker
def test_a_lost_wake_up_loses_nothing(order: Order) -> None:
    a_lost_wake_up_loses_nothing(order)


@pytest.mark.worker
def test_a_worker_killed_while_it_prints_loses_nothing(order: Order) -> None:
    a_killed_worker_loses_nothing(order)


@pytest.mark.worker
@pytest.mark.postgres
def test_a_lost_wake_up_loses_nothing_with_redis(order: Order) -> None:
    a_lost_wake_up_loses_nothing(order)


@pytest.mark.worker
@pytest.mark.postgres
def test_a_worker_killed_while_it_prints_loses_nothing_with_redis(order: Order) -> None:
    a_killed_worker_loses_nothing(order)


@pytest.mark.worker
@pytest.mark.postgres
def test_a_worker_finds_a_better_plan_with_redis(transactional_db: None) -> None:
    """The two orders of scenario S2, planned for a pot each on Monday and Tuesday, come to share Monday's."""
    builders.mossgate_rows()
    Setting.objects.update_or_create(name="improve_seconds", defaults={"value": "2"})
    for slug, moment in (("corner", "2026-03-06T15:00"), ("lantern", "2026-03-09T15:00")):
        # Shops that ordered before pay no deposit.
        ShopAccount.objects.create(shop=builders.shop(slug), last_order_on="2026-01-20")
        with clock.at(moment):
            builders.place(builders.shop(slug), ("SUC", 2, "RG"))
    pots = Load.objects.filter(equipment__code="POT-A")
    assert pots.count() == 2
    PlanImprovement.objects.all().delete()
    clock.move_all("2026-03-06T15:30")

    asked = plan_rows.ask_for_improvement()
    with running_worker():
        eventually(lambda: PlanImprovement.objects.get(pk=asked).state not in {"waiting", "claimed"})

    assert PlanImprovement.objects.get(pk=asked).state == "done"
    assert pots.count() == 1
    assert PlanChange.objects.get().kind == "improved"
