"""What moved the plan: each change with why, what it moved, and whom it touched."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, NamedTuple

from django.core.paginator import Page, Paginator
from django.db.models import F, Q

from wholesale import clock
from wholesale.core.orders import OPEN_STATES
from wholesale.core.production.difference import Difference
from wholesale.models import Order, PlanChange, PlanImprovement
from wholesale.queries import workshop

#: Changes on one page, and moves of one that are written out.
PER_PAGE = 10
_SHOWN = 60

_TITLES = {"improved": "A better plan", "bad_night": "A bad night", "again": "Planned again"}


@dataclass(frozen=True, kw_only=True)
class TouchedRow:
    """An order whose pieces moved (no number: what is made for the shelf), and what that means for it."""

    number: str
    whom: str
    words: str


@dataclass(frozen=True, kw_only=True)
class ChangeRow:
    """One change of the plan; ``more`` moves are not written out. ``report`` has a page of its own."""

    title: str
    at: datetime
    by: str
    because: str
    version: int
    moves: tuple[tuple[str, str], ...]
    more: int
    touched: tuple[TouchedRow, ...]
    report: int | None


class LateRow(NamedTuple):
    """An open order that leaves after the day it was promised for."""

    number: str
    promised: date
    leaves: date


@dataclass(frozen=True, kw_only=True)
class Searching:
    """Whether a better plan is being looked for, when that was last done, what came of it, and what is late still."""

    waiting: bool
    at: datetime | None
    result: str
    seconds: int
    days: int
    late: tuple[LateRow, ...]


def plan_changes(page: int | str = 1) -> Page[ChangeRow]:
    """Changes of the plan, the newest first, ``PER_PAGE`` a page: 3 queries, however many."""
    rows = PlanChange.objects.select_related("by")
    found: Page[Any] = Paginator(rows, PER_PAGE).get_page(page)
    differences = [Difference.from_json(row.moves if row.kind == "improved" else {}) for row in found]
    names = {one.whom for each in differences for one in each.touched}
    numbers = set(Order.objects.filter(number__in=names).values_list("number", flat=True))
    found.object_list = [_row(row, each, numbers) for row, each in zip(found, differences, strict=True)]
    return found


def searching() -> Searching:
    """How the search for a better plan stands: 4 queries."""
    settings = workshop.workshop()
    waiting = PlanImprovement.objects.filter(state__in=["waiting", "claimed"]).exists()
    last = PlanImprovement.objects.filter(state__in=["done", "failed"]).first()
    return Searching(
        waiting=waiting, at=last.done_at or last.created_at if last else None,
        result=(last.result or last.error) if last else "",
        seconds=settings.improve_seconds, days=settings.improve_days, late=_late(),
    )  # fmt: skip


def _late() -> tuple[LateRow, ...]:
    """Orders that are late, the first promised first: 1 query."""
    today = clock.today()
    late = Q(planned_leaves__gt=F("promised_leaves")) | Q(promised_leaves__lt=today)
    rows = Order.objects.filter(late, state__in=OPEN_STATES).order_by("promised_leaves", "pk")
    return tuple(LateRow(row.number, row.promised_leaves, max(row.planned_leaves, today)) for row in rows)


def _row(row: PlanChange, found: Difference, numbers: set[str]) -> ChangeRow:
    today = clock.today()
    moves = tuple((move.whom, move.words(today)) for move in found.moves[:_SHOWN])
    touched = tuple(
        TouchedRow(number=one.whom if one.whom in numbers else "", whom=one.whom, words=one.words(today))
        for one in found.touched
    )
    return ChangeRow(
        title=_TITLES.get(row.kind, "The plan changed"), at=row.at, by=str(row.by or ""), because=row.because,
        version=row.version, moves=moves, more=max(0, len(found.moves) - _SHOWN), touched=touched,
        report=row.pk if row.kind == "bad_night" else None,
    )  # fmt: skip
