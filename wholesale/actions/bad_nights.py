"""Bad nights: something goes wrong, the plan is mended at once, and a way out is taken or taken back.

Each report changes its rows, mends the plan and writes what moved, all or nothing: a plan
that has no room leaves everything as it was. A report keeps the token of the page it came
from, so that a second tap finds the first one's row and reports nothing twice.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import F

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import events, mending, plan_rows
from wholesale.core.production import score, what_if
from wholesale.core.production.calendar import Day, DayKind
from wholesale.core.production.difference import Difference, Side, difference
from wholesale.core.production.rescue import Rescue
from wholesale.core.production.rescue_trial import Trial, in_danger
from wholesale.core.production.troubles import Broken, DayOff, Ill, Trouble
from wholesale.core.production.what_if import Situation, leaving_days, shifts
from wholesale.core.production.work import Outcome
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words
from wholesale.models import (
    CalendarDay,
    Equipment,
    EquipmentOut,
    Order,
    PlanChange,
    PlanState,
)
from wholesale.queries import bad_nights, production
from wholesale.queries.what_if import situation

#: JSON by which a report is taken back.
Undo = dict[str, Any]
_ADVICE = (
    "Nothing was changed. Make room first: give the days ahead more minutes, bring equipment back, "
    "or refuse an order that is not confirmed."
)


@dataclass(frozen=True, kw_only=True)
class _Report:
    """Who says what, and how it is taken back."""

    by: User
    words: str
    undo: Undo | None = None
    takes_back: int | None = None
    token: str = ""


# ── what went wrong ──────────────────────────────────────────────────────────


def helper_ill(*, by: User, hands: str, day: date, minutes: int, token: str = "") -> int:
    """Take minutes off a group of hands on a day, mend the plan and return the report's row."""
    trouble = Ill(hands=hands, day=day, minutes=minutes)
    return _happened(by, token, trouble, lambda now: _write_day(day, trouble.entry(now)))


def equipment_broken(
    *,
    by: User,
    equipment: str,
    count: int,
    first: date,
    last: date | None = None,
    because: str = "",
    token: str = "",
) -> int:
    """Put some equipment out of use from one day to another, or until further notice."""
    trouble = Broken(equipment=equipment, count=count, first=first, last=last)

    def write(_now: Situation) -> Undo:
        row = EquipmentOut.objects.create(
            equipment=Equipment.objects.get(code=equipment), count=count, first=first, last=last, because=because
        )
        return {"what": "outage", "row": row.pk}

    return _happened(by, token, trouble, write)


def day_changed(*, by: User, day: date, kind: DayKind, note: str = "", token: str = "") -> int:
    """Make a day a market day, close it, or work on it after all."""
    trouble = DayOff(day=day, kind=kind, note=note.strip())
    return _happened(by, token, trouble, lambda now: _write_day(day, trouble.entry(now)))


def delivery_late(*, by: User, delivery: int, expected_on: date, token: str = "") -> int:
    """Have a delivery come on another day."""
    _bench(by)
    trouble = bad_nights.late(delivery, expected_on)

    def write(_now: Situation) -> Undo:
        # It was read before the plan was locked; somebody may have moved or received it since.
        if not bad_nights.awaited().filter(pk=delivery, expected_on=trouble.was).update(expected_on=expected_on):
            raise Conflict("changed_since", "This delivery was moved meanwhile, came, or was called off; look again.")
        return {
            "what": "delivery", "row": delivery, "before": trouble.was.isoformat(), "after": expected_on.isoformat()
        }  # fmt: skip

    return _happened(by, token, trouble, write)


def _happened(by: User, token: str, trouble: Trouble, write: Callable[[Situation], Undo]) -> int:
    """Write what happened, mend the plan, and say what moved; the report's row."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        if known := _reported(token):
            return known
        now = situation()
        trouble.after(now)
        report = _Report(by=by, words=trouble.words(now), undo=write(now), token=token)
        return _mended(state, now, report)


def _reported(token: str) -> int | None:
    """The row of a report with that token, under the plan's lock; ``None`` when it is the first tap."""
    rows = PlanChange.objects.filter(kind=bad_nights.KIND, moves__token=token)
    return rows.values_list("pk", flat=True).first() if token else None


def _mended(state: PlanState, now: Situation, report: _Report) -> int:
    """Mend the plan on the changed rows."""
    then = replace(situation(), plan=now.plan)
    try:
        outcome = what_if.mend_from(then)
    except Refusal as no_room:
        raise Refusal("no_plan", f"{no_room.message} {_ADVICE}") from no_room
    return _adopt(state, now, then, outcome, report)


def _adopt(state: PlanState, now: Situation, then: Situation, outcome: Outcome, report: _Report) -> int:
    """Write the new plan and what it moved; orders at risk, and those in time again, get it into their history."""
    days = leaving_days(now.shop, now.plan, now.demands), leaving_days(then.shop, outcome.plan, then.demands)
    found = shifts(*days, then.promised)
    mending.adopt(outcome)
    _tell_in_time(now, found)
    plan_rows.changed(state, report.words[:120])
    also = {"undo": report.undo, "takes_back": report.takes_back, "token": report.token or None}
    moves = _difference(now, then, outcome).to_json() | bad_nights.moves_of(found)
    return PlanChange.objects.create(
        version=state.version, at=clock.now(), by=report.by, kind=bad_nights.KIND, because=report.words[:300],
        moves=moves | {name: value for name, value in also.items() if value is not None},
    ).pk  # fmt: skip


def _difference(now: Situation, then: Situation, outcome: Outcome) -> Difference:
    """Which step of what moved from which day to which."""
    sides = [
        Side(plan, score.leaving_days(one.shop, plan, one.demands))
        for one, plan in ((now, now.plan), (then, outcome.plan))
    ]
    ours = {demand.key: "the shelf" for demand in then.demands if demand.for_shelf}
    return difference(then.shop.catalogue, sides[0], sides[1], production.demand_names(then.demands) | ours)


def _tell_in_time(now: Situation, found: tuple[what_if.Shift, ...]) -> None:
    late = {shift.order for shift in in_danger(now)}
    saved = [shift.order for shift in found if shift.order in late and not shift.late]
    for order in Order.objects.filter(pk__in=saved):
        text = f"In time again: now planned for {day_words(order.planned_leaves)}."
        events.note(order, None, "in_time", text, for_shop=False)


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may do this.")


# ── rows of a day ────────────────────────────────────────────────────────────


def _write_day(day: date, entry: Day) -> Undo:
    """Store a day's entry; what stood there before goes into the undo."""
    before = CalendarDay.objects.filter(day=day).first()
    row, _ = CalendarDay.objects.update_or_create(day=day, defaults=_columns(entry))
    row.refresh_from_db()
    return {"what": "day", "day": day.isoformat(), "before": before and _stored(before), "after": _stored(row)}


def _columns(entry: Day) -> dict[str, Any]:
    return {
        "kind": str(entry.kind), "opens": entry.opens, "closes": entry.closes, "minutes": dict(entry.minutes),
        "note": entry.note,
    }  # fmt: skip


def _stored(row: CalendarDay) -> dict[str, Any]:
    times = {name: found and found.isoformat() for name, found in (("opens", row.opens), ("closes", row.closes))}
    return {"kind": row.kind, "minutes": row.minutes, "note": row.note, **times}


# ── taken back ───────────────────────────────────────────────────────────────


def take_back(*, by: User, change: int) -> int:
    """Put back what a report changed, and plan the orders in danger anew where that helps.

    A ``Refusal`` when it was taken back before, or when what it changed was changed again since;
    ``report`` in its facts is the later report that did, where one did.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        row = PlanChange.objects.filter(pk=change, kind=bad_nights.KIND).first()
        if row is None:
            raise NotFound("change", "There is no such report.")
        _refuse_taken_back(row)
        _refuse_changed_again(row)
        now = situation()
        _put_back(row.moves["undo"])
        report = _Report(by=by, words=f"Taken back: {row.because}", takes_back=row.pk)
        then = replace(situation(), plan=now.plan)
        return _adopt(state, now, then, _closer(then), report)


def _closer(then: Situation) -> Outcome:
    """The plan mended, with the orders in danger placed anew where that makes fewer days late."""
    outcome = what_if.mend_from(then)
    mended = replace(then, plan=outcome.plan)
    late = in_danger(mended)
    trial = Trial(mended, late) if late else None
    again = trial.again(then.shop, trial.orders) if trial else None
    if trial and again and trial.helps(then.shop, again.plan):
        anew = {group.demand for group in again.placed}
        stays = (group for group in outcome.placed if group.demand not in anew)
        return replace(outcome, plan=again.plan, placed=(*stays, *again.placed))
    return outcome


def _refuse_taken_back(row: PlanChange) -> None:
    if "undo" not in row.moves:
        raise Refusal("no_undo", "This can't be taken back; change what it is about by hand.")
    if PlanChange.objects.filter(kind=bad_nights.KIND, moves__takes_back=row.pk).exists():
        raise Refusal("taken_back", "This is taken back already.")


def _refuse_changed_again(row: PlanChange) -> None:
    """Name the last report that changed the same and stands: what came last goes back first."""
    later = PlanChange.objects.filter(kind=bad_nights.KIND, pk__gt=row.pk, moves__has_key="undo")
    mine = _about(row.moves["undo"])
    for one in later.exclude(pk__in=bad_nights.taken_back()).order_by("-pk"):
        if mine & _about(one.moves["undo"]):
            message = f"What this changed was changed again by “{one.because}”; take that back first."
            raise Conflict("changed_since", message, report=one.pk)


def _about(undo: Undo) -> set[tuple[str, Any]]:
    """The rows that a report changed: kind, and which one."""
    return {(one["what"], one[_ABOUT[one["what"]]]) for one in _parts(undo)}


def _put_back(undo: Undo) -> None:
    for one in _parts(undo):
        _PUT_BACK[one["what"]](one)


def _parts(undo: Undo) -> list[Undo]:
    """Overtime may change several days."""
    return list(undo.get("days", [undo]))


def _day_back(undo: Undo) -> None:
    row = CalendarDay.objects.filter(day=undo["day"]).first()
    if row is None or _stored(row) != undo["after"]:
        day = day_words(date.fromisoformat(undo["day"]))
        message = f"{day} was changed again since; put it right in the workbook's days."
        raise Conflict("changed_since", message)
    if undo["before"] is None:
        row.delete()
        return
    for name, value in undo["before"].items():
        setattr(row, name, value)
    row.save()


def _outage_back(undo: Undo) -> None:
    """In use again from today on."""
    row = EquipmentOut.objects.filter(pk=undo["row"]).first()
    today = clock.today()
    if row is None or (row.last and row.last < today):
        raise Conflict("changed_since", "It is in use again already.")
    if row.first >= today:
        row.delete()
        return
    row.last = today - timedelta(days=1)
    row.save(update_fields=["last"])


def _delivery_back(undo: Undo) -> None:
    rows = bad_nights.awaited().filter(pk=undo["row"], expected_on=undo["after"])
    if not rows.update(expected_on=undo["before"]):
        raise Conflict("changed_since", "This delivery was moved again since, came, or was called off.")


def _equipment_back(undo: Undo) -> None:
    if not Equipment.objects.filter(code=undo["code"], count=undo["after"]).update(count=F("count") - 1):
        raise Conflict("changed_since", "Its number was changed again since; put it right in the workbook.")
    EquipmentOut.objects.filter(pk=undo["outage"]).delete()


#: What names the row that a part of an undo is about.
_ABOUT = {"day": "day", "outage": "row", "delivery": "row", "equipment": "code"}
_PUT_BACK: dict[str, Callable[[Undo], None]] = {
    "day": _day_back, "outage": _outage_back, "delivery": _delivery_back, "equipment": _equipment_back
}  # fmt: skip


# ── ways out ─────────────────────────────────────────────────────────────────


def take_rescue(*, by: User, code: str, version: int) -> int:
    """Take one of the ways out that ``queries.bad_nights.ways_out`` shows for a version of the plan; the report's row.

    What costs something is the maker's to take. A ``Conflict`` when the plan has changed since.
    """
    _bench(by)
    # Taking it makes a new version: what is taken of this one is taken once.
    token = f"{code} of plan {version}"
    with transaction.atomic():
        state = plan_rows.lock()
        if known := _reported(token):
            return known
        found = next((row for row in bad_nights.ways_out().rescues if row.rescue.code == code), None)
        if state.version != version or found is None:
            raise Conflict("plan_changed", "The plan has changed since; look at the ways out again.")
        if found.for_maker and not access.is_maker(by):
            raise NotAllowed("maker_only", "This costs something: only the maker may take it.")
        now = situation()
        report = _Report(by=by, words=found.title, undo=_write_rescue(found.rescue), token=token)
        _note_split(found, by)
        outcome = Outcome(plan=found.rescue.plan, placed=found.rescue.placed)
        return _adopt(state, now, replace(now, shop=found.rescue.shop), outcome, report)


def _write_rescue(rescue: Rescue) -> Undo | None:
    """The rows of the bench that a way out needs; ``None`` where it needs none."""
    if rescue.kind == "more":
        return _write_one_more(rescue)
    if rescue.kind == "overtime":
        entries = [(more.day, rescue.shop.calendar.day(more.day)) for more in rescue.overtime]
        return {"days": [_write_day(day, entry) for day, entry in entries]}
    return None


def _write_one_more(rescue: Rescue) -> Undo:
    """One more of an equipment, which is not here before its day."""
    code, out = rescue.equipment, rescue.not_yet
    Equipment.objects.filter(code=code).update(count=F("count") + 1)
    row = Equipment.objects.get(code=code)
    waits = out and EquipmentOut.objects.create(
        equipment=row, count=1, first=out.first, last=out.last, because="not here yet"
    )
    return {"what": "equipment", "code": code, "after": row.count, "outage": waits and waits.pk}


def _note_split(found: bad_nights.RescueRow, by: User) -> None:
    if found.rescue.kind == "split":
        order = Order.objects.get(pk=found.rescue.orders[0])
        events.note(order, by, "split", f"{found.title}. {found.by_hand}", for_shop=False)
