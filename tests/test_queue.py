"""Waking a worker: only after the commit, and never at the caller's cost."""

import socket
from collections.abc import Iterator

import pytest
from celery import Celery
from django.db import transaction

from tests.servers import free_port
from wholesale import queue

#: What the module itself says, before `conftest` lengthens it for a busy machine.
A_PAGES_PATIENCE = queue.ANSWER_SECONDS


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Collect the wake-ups instead of sending them."""
    found: list[tuple[str, int]] = []
    monkeypatch.setattr(queue, "_send", lambda name, row_id: found.append((name, row_id)))
    return found


@pytest.fixture
def broker(monkeypatch: pytest.MonkeyPatch) -> Celery:
    """An app of its own with a rested memory, for a test to set a broker address on."""
    app = Celery("test", set_as_current=False)
    monkeypatch.setattr(queue, "app", app)
    monkeypatch.setattr(queue, "_resting_until", 0.0)
    monkeypatch.setattr(queue, "ANSWER_SECONDS", A_PAGES_PATIENCE)
    return app


@pytest.fixture
def silent_port() -> Iterator[int]:
    """A port that takes a connection and never answers, like a server that hangs."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.mark.django_db(transaction=True)
def test_a_wake_up_goes_out_after_the_commit(sent: list[tuple[str, int]]) -> None:
    with transaction.atomic():
        queue.send_on_commit("wholesale.render_document", 7)
        assert sent == []
    assert sent == [("wholesale.render_document", 7)]


@pytest.mark.django_db(transaction=True)
def test_a_transaction_rolled_back_wakes_nobody(sent: list[tuple[str, int]]) -> None:
    with transaction.atomic():
        queue.send_on_commit("wholesale.render_document", 7)
        transaction.set_rollback(True)

    assert sent == []


def test_a_refused_connection_raises_nothing_and_is_remembered(
    broker: Celery, caplog: pytest.LogCaptureFixture
) -> None:
    broker.conf["broker_url"] = f"redis://127.0.0.1:{free_port()}/0"

    queue._send("wholesale.send_mail", 1)
    queue._send("wholesale.send_mail", 2)

    # The second one was not even tried.
    assert caplog.text.count("No wake-up for") == 1
    assert "No wake-up for wholesale.send_mail 1" in caplog.text
    assert "the sweep finds it." in caplog.text


def test_a_silent_broker_is_given_up_within_the_patience_of_a_page(
    broker: Celery, silent_port: int, caplog: pytest.LogCaptureFixture
) -> None:
    broker.conf["broker_url"] = f"redis://127.0.0.1:{silent_port}/0"

    queue._send("wholesale.send_mail", 1)

    # The page stopped waiting; the client's own error, some ten seconds later, has other words.
    assert "No wake-up for wholesale.send_mail 1 (no answer within 1 s)" in caplog.text


@pytest.mark.django_db(transaction=True)
def test_a_wake_up_holds_the_name_of_the_task_and_the_row_only(broker: Celery) -> None:
    broker.conf["broker_url"] = "memory://"

    queue.send_on_commit("wholesale.render_document", 7)

    with broker.connection_for_read() as connection:
        message = connection.SimpleQueue("celery").get(timeout=1)
        assert message.headers["task"] == "wholesale.render_document"
        assert message.payload[0] == [7]
