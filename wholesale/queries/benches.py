"""The bench of the last promise, kept for the next: while nothing changed, a full plan is put on a bench once.

Nothing has to be told of changes: a bench is lent only for a ground equal to its own, row for row.
"""

from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from typing import NamedTuple

from wholesale.core.production.baskets import Ground
from wholesale.core.production.bench import Bench
from wholesale.core.production.promise import Asked


class Lent(NamedTuple):
    """A bench, and the ground it stands on: equal to the one that was asked for, with what is remembered of it."""

    ground: Ground
    first_day: date
    bench: Bench


#: One a process is enough: what is promised is promised against the plan as it stands.
_kept: deque[Lent] = deque(maxlen=1)


@contextmanager
def bench_on(ground: Ground, asked: Asked) -> Iterator[Lent]:
    """A bench with the ground's plan on it, for one user at a time; what is booked on it meanwhile is undone."""
    first_day = ground.first_day(asked)
    lent = _lent(ground, first_day) or Lent(ground, first_day, ground.bench(asked))
    mark = lent.bench.mark()
    # After an error nobody knows what is booked, so such a bench is not kept.
    yield lent
    lent.bench.back_to(mark)
    _kept.append(lent)


def _lent(ground: Ground, first_day: date) -> Lent | None:
    try:
        kept = _kept.pop()
    except IndexError:
        return None
    return kept if (kept.first_day, kept.ground) == (first_day, ground) else None
