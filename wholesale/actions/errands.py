"""Doing what a row asks for, once: claim it, do the work, record the result, or put it back.

The row is the message. A worker claims it by a conditional update and holds a token;
only the holder of the token may record a result. The slow work happens between the
two, outside any transaction, so a worker may die at any point: its claim runs out
and another worker takes the row.
"""

import logging
from datetime import timedelta
from uuid import uuid4

from django.conf import settings
from django.db.models import F, Q

from wholesale import clock
from wholesale.core.values import Refusal
from wholesale.models import Document, Mail, PlanImprovement, SheetRefresh

logger = logging.getLogger(__name__)

Table = type[Document] | type[Mail] | type[SheetRefresh] | type[PlanImprovement]

#: Rows that one sweep wakes at most; the next one goes on.
MOST_WOKEN = 200


def claim(table: Table, pk: int) -> str | None:
    """Claim a row that is due, or whose claim has run out; ``None`` when there is nothing to do."""
    token = uuid4().hex
    due = Q(state="waiting", due_at__lte=clock.now()) | _run_out()
    row = table.objects.filter(due, pk=pk)
    won = row.update(state="claimed", claim=token, claimed_at=clock.now(), tries=F("tries") + 1)
    # Nothing was updated: it is done, not due yet, or another worker got there first.
    return token if won == 1 else None


def renew(table: Table, pk: int, token: str) -> bool:
    """Start the claim's time anew; ``False`` when another worker has taken the row meanwhile."""
    return table.objects.filter(pk=pk, state="claimed", claim=token).update(claimed_at=clock.now()) == 1


def finish(table: Table, pk: int, token: str, **result: str | int) -> bool:
    """Record the result, once; ``False`` when the claim was lost, and then nothing is written."""
    held = table.objects.filter(pk=pk, state="claimed", claim=token)
    return held.update(state="done", claim="", error="", done_at=clock.now(), **result) == 1


def put_back(table: Table, pk: int, token: str, error: Exception) -> None:
    """After a failure: wait for the next try, or give up and keep the reason in words."""
    logger.warning("%s %s failed.", table.__name__, pk, exc_info=error)
    held = table.objects.filter(pk=pk, state="claimed", claim=token)
    tries = held.values_list("tries", flat=True).first() or 0
    pauses = settings.CASEWRIGHT_ERRAND_PAUSES
    if tries > len(pauses):
        held.update(state="failed", claim="", error=reason(error))
        return
    due = clock.now() + timedelta(seconds=pauses[tries - 1])
    held.update(state="waiting", claim="", error=reason(error), due_at=due)


def reason(error: Exception) -> str:
    """Why something failed, in words for the maker."""
    if isinstance(error, Refusal):
        return error.message
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__


def start_again(table: Table, **which: int) -> int | None:
    """Let a failed row be tried anew, with all its tries; return it, or ``None`` when none has failed."""
    row = table.objects.filter(state="failed", **which).first()
    if row is None:
        return None
    table.objects.filter(pk=row.pk, state="failed").update(state="waiting", tries=0, error="", due_at=clock.now())
    return row.pk


def late(table: Table) -> list[int]:
    """Rows that nobody took: make them due anew and return them, to be woken.

    Late is a row that has waited for its first try too long (its wake-up was lost),
    one that is due for another try (no wake-up was ever sent for that), or one
    whose worker has not been heard of. A row that killed its worker again and again
    is given up instead.
    """
    _give_up(table)
    now = clock.now()
    unclaimed = now - timedelta(seconds=settings.CASEWRIGHT_ERRAND_UNCLAIMED)
    waiting = Q(state="waiting", due_at__lte=unclaimed) | Q(state="waiting", tries__gt=0, due_at__lte=now)
    lost = waiting | _run_out()
    found = list(table.objects.filter(lost).order_by("due_at").values_list("pk", flat=True)[:MOST_WOKEN])
    # Due from now on: the next sweeps leave them alone until they are late again.
    table.objects.filter(lost, pk__in=found).update(state="waiting", claim="", due_at=now)
    return found


def _give_up(table: Table) -> None:
    spent = table.objects.filter(_run_out(), tries__gt=len(settings.CASEWRIGHT_ERRAND_PAUSES))
    message = "Each worker that tried it stopped before it was done. Look at the worker's log, then try again."
    spent.update(state="failed", claim="", error=message)


def _run_out() -> Q:
    """Rows whose claim has run out."""
    since = clock.now() - timedelta(seconds=settings.CASEWRIGHT_ERRAND_CLAIMED)
    return Q(state="claimed", claimed_at__lte=since)
