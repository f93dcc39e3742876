"""The Celery app, and the one way to wake a worker.

The row is the message: what is to be done stands in the database before anything is
sent. A wake-up only saves the wait for the next sweep, so a broker that is away must
cost the caller neither an error nor more than about a second.
"""

import logging
import os
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from celery import Celery
from django.db import transaction
from kombu.exceptions import KombuError
from redis.exceptions import RedisError

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "wholesale.config.settings")

logger = logging.getLogger(__name__)

app = Celery("casewright")
app.config_from_object("django.conf:settings", namespace="CELERY")

# How long a page waits for the broker, and how long one that failed is left alone.
ANSWER_SECONDS = 1.0
REST_SECONDS = 15.0

# Sent from a thread of its own, because a client that reconnects with pauses can't be
# told to stop; the page just stops waiting for it.
_sender = ThreadPoolExecutor(max_workers=1, thread_name_prefix="wake-up")
_resting_until = 0.0


def send_on_commit(task_name: str, row_id: int) -> None:
    """Wake a worker for the row `row_id` once the current transaction is committed.

    Outside a transaction it is sent at once. Never raises because of the broker.
    """
    transaction.on_commit(lambda: _send(task_name, row_id))


def _send(task_name: str, row_id: int) -> None:
    global _resting_until  # noqa: PLW0603  (one broker per process, one memory of it)
    if time.monotonic() < _resting_until:
        return
    try:
        _sender.submit(_publish, task_name, row_id).result(ANSWER_SECONDS)
    except (OSError, KombuError, RedisError) as error:
        _resting_until = time.monotonic() + REST_SECONDS
        reason = str(error) or f"no answer within {ANSWER_SECONDS:g} s"
        logger.warning("No wake-up for %s %s (%s): the sweep finds it.", task_name, row_id, reason)


def _publish(task_name: str, row_id: int) -> None:
    with app.connection_for_write(transport_options=_impatient()) as connection:
        app.send_task(task_name, args=[row_id], connection=connection, retry=False)


def _impatient() -> dict[str, Any]:
    """Return transport options that give up on a silent Redis; folders need none."""
    options = dict(app.conf.broker_transport_options)
    if str(app.conf.broker_url).startswith("redis"):
        options |= {"socket_connect_timeout": ANSWER_SECONDS, "socket_timeout": ANSWER_SECONDS}
    return options
