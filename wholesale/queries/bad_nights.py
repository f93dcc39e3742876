"""Bad nights as the bench sees them: what may go wrong, what it would do, promises in danger, and ways out."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any, NamedTuple

from wholesale import clock
from wholesale.core.catalogue import Sku
from wholesale.core.orders import OPEN_STATES
from wholesale.core.production import what_if
from wholesale.core.production.difference import Difference
from wholesale.core.production.rescue import InCases, Rates, Rescue
from wholesale.core.production.rescue_trial import in_danger
from wholesale.core.production.rescues import rescues
from wholesale.core.production.troubles import Late, Trouble
from wholesale.core.production.what_if import Shift, Situation
from wholesale.core.values import NotFound, from_e4, from_mg, short_day
from wholesale.models import Equipment, ExpectedDelivery, Load, Order, OrderLineScent, PlanChange, PlanState, Scent
from wholesale.queries import production, workshop
from wholesale.queries.what_if import AnswerShown, ShiftRow, shift_rows, shown, situation

#: What a plan's change is called that a bad night, or a way out of one, has made.
KIND = "bad_night"
_RECENT = 8
#: Moves of one report that are written out.
_MOST_MOVES = 60
#: Title, what is done by hand, and the word on the button.
Said = tuple[str, str, str]


class BegunRow(NamedTuple):
    """A batch that is weighed and not done: its melt may have failed."""

    load: int
    day: date
    what: str


class ChangeRow(NamedTuple):
    """What was reported lately; ``undo`` says whether it can be taken back."""

    id: int
    at: datetime
    by: str
    because: str
    undo: bool


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What a trouble would do, in words and by order."""

    words: str
    answer: AnswerShown


@dataclass(frozen=True, kw_only=True)
class RescueRow:
    """A way out: what is done, what the maker does by hand, what it costs; ``for_maker``: it costs something."""

    rescue: Rescue
    title: str
    by_hand: str
    take: str
    moved: tuple[ShiftRow, ...]
    left: str

    @property
    def for_maker(self) -> bool:
        """May only the maker take it?"""
        return self.rescue.cost is None or self.rescue.cost > 0


@dataclass(frozen=True, kw_only=True)
class WaysOut:
    """Every way out of one version of the plan, the best first; ``waiting``: some orders have no day at all."""

    version: int
    currency: str
    rescues: tuple[RescueRow, ...]
    late: bool
    waiting: bool


@dataclass(frozen=True, kw_only=True)
class ChangePage:
    """One report: what it was, what it did to each order, and which loads moved for whom, in words."""

    row: ChangeRow
    moved: tuple[ShiftRow, ...]
    loads: tuple[tuple[str, str], ...]


# ── what went wrong ──────────────────────────────────────────────────────────


def preview(trouble: Trouble) -> Preview:
    """What would happen; nothing is written. A ``Refusal`` when it can't have happened, or no plan has room."""
    now = situation()
    then = trouble.after(now)
    return Preview(words=trouble.words(now), answer=shown(what_if.after(now, then)))


def late(delivery: int, expected_on: date) -> Late:
    """A delivery that comes on another day; one that came, was called off or never was is ``NotFound``."""
    row = awaited().filter(pk=delivery).first()
    if row is None:
        raise NotFound("delivery", "This delivery is not awaited any more; it came or was called off.")
    quantity = Fraction(from_mg(row.quantity)) if row.item.unit == "gram" else Fraction(row.quantity)
    return Late(
        delivery=row.pk, name=row.item.name, sku=Sku(row.item.code, row.scent), quantity=quantity,
        was=row.expected_on, will=expected_on, counted_on=production.comes_on(row.expected_on),
    )  # fmt: skip


def awaited() -> Any:
    """Deliveries on order."""
    return ExpectedDelivery.objects.filter(closed_at__isnull=True).select_related("item")


def delivery_choices() -> list[tuple[str, str]]:
    """Deliveries on order, the next first: 1 query."""
    return [(str(row.pk), f"{row.item.name}, {_day(row.expected_on)}") for row in awaited()]


def begun() -> tuple[BegunRow, ...]:
    """Batches whose melt may fail: 2 queries."""
    scents = dict(Scent.objects.values_list("code", "name"))
    rows = Load.objects.filter(weighed_at__isnull=False, done_at__isnull=True).select_related("what", "equipment")
    return tuple(BegunRow(row.pk, row.day, _what(row, scents)) for row in rows)


def _what(row: Load, scents: Mapping[str, str]) -> str:
    where = f"in {row.equipment.name}" if row.equipment else ""
    return ", ".join(filter(None, (row.what.name, scents.get(row.scent, row.scent), where)))


# ── what was reported ────────────────────────────────────────────────────────


def recent() -> tuple[ChangeRow, ...]:
    """What was reported last, the newest first: 2 queries."""
    rows = list(PlanChange.objects.filter(kind=KIND).select_related("by").order_by("-pk")[:_RECENT])
    gone = taken_back()
    return tuple(_change(row, gone) for row in rows)


def change(pk: int) -> ChangePage:
    """One report with the orders it moved: 3 queries."""
    row = PlanChange.objects.filter(pk=pk, kind=KIND).select_related("by").first()
    if row is None:
        raise NotFound("change", "There is no such report.")
    moved = [
        Shift(one["order"], *(date.fromisoformat(one[name]) if one[name] else None for name in _DAYS))
        for one in row.moves.get("orders", ())
    ]
    today = clock.today()
    loads = tuple((move.whom, move.words(today)) for move in Difference.from_json(row.moves).moves[:_MOST_MOVES])
    return ChangePage(row=_change(row, taken_back()), moved=shift_rows(moved), loads=loads)


_DAYS = ("promised", "before", "after")


def moves_of(shifts: Iterable[Shift]) -> dict[str, Any]:
    """What moved, as it is stored beside the plan's new version."""
    return {
        "orders": [
            {"order": shift.order} | {name: day and day.isoformat() for name, day in zip(_DAYS, shift[1:], strict=True)}
            for shift in shifts
            if shift.moved or shift.late
        ]
    }


def taken_back() -> set[int]:
    """Reports that were taken back: 1 query."""
    rows = PlanChange.objects.filter(kind=KIND, moves__has_key="takes_back").values_list("moves", flat=True)
    return {moves["takes_back"] for moves in rows}


def _change(row: PlanChange, gone: set[int]) -> ChangeRow:
    undo = "undo" in row.moves and row.pk not in gone
    return ChangeRow(row.pk, row.at, str(row.by or ""), row.because, undo)


# ── ways out ─────────────────────────────────────────────────────────────────


def danger() -> tuple[ShiftRow, ...]:
    """Promises in danger, the latest first, then orders that have no day at all."""
    now = situation()
    return shift_rows([*in_danger(now), *_waiting(now)])


def _waiting(now: Situation) -> list[Shift]:
    """Orders that have no day at all: they wait for what isn't here."""
    days = what_if.leaving_days(now.shop, now.plan, now.demands)
    asked = {demand.rank for demand in now.demands if demand.pieces > 0}
    return [
        Shift(order, day, day, None) for order, day in now.promised.items() if order in asked and order not in days
    ]  # fmt: skip


def ways_out() -> WaysOut:
    """What would help the promises in danger: the number of queries does not grow with them."""
    now, settings = situation(), workshop.workshop()
    version = PlanState.objects.filter(pk=1).values_list("version", flat=True).first() or 0
    found = rescues(now, rates())
    known = shift_rows({shift.order: shift for one in found for shift in one.shifts}.values())
    words = _Words(now=now, numbers={row.shift.order: row for row in known})
    rows = tuple(words.row(rescue) for rescue in found)
    # Where something helps, something is late: it need not be looked for again.
    late = bool(rows) or bool(in_danger(now))
    return WaysOut(
        version=version, currency=settings.currency, rescues=rows, late=late, waiting=bool(_waiting(now))
    )  # fmt: skip


def rates() -> Rates:
    """What overtime, a parcel and equipment cost: 4 queries."""
    settings = workshop.workshop()
    known = Equipment.objects.values_list("code", "price_e4")
    prices = {code: from_e4(price) for code, price in known if price is not None}
    orders = Order.objects.filter(state__in=OPEN_STATES).values_list("pk", "terms")
    scents = OrderLineScent.objects.filter(line__order__state__in=OPEN_STATES)
    packed = scents.values_list("pk", "line_id", "pieces_per_case", "line__cases")
    return Rates(
        hour_rate=settings.hour_rate, overtime_percent=settings.overtime_percent,
        most_overtime=settings.most_overtime, prices=prices,
        freight={order: Decimal(terms["freight_flat"]) for order, terms in orders},
        cases={str(pk): InCases(line, pieces, cases) for pk, line, pieces, cases in packed},
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class _Words:
    """Ways out in words: what is done, what is to be done by hand, and the word on the button."""

    now: Situation
    numbers: Mapping[int, ShiftRow]

    def row(self, rescue: Rescue) -> RescueRow:
        """A way out as a row of the page."""
        title, by_hand, take = getattr(self, rescue.kind)(rescue)
        known = [shift for shift in rescue.moved if shift.order in self.numbers]
        moved = tuple(self.numbers[shift.order]._replace(shift=shift) for shift in known)
        return RescueRow(rescue=rescue, title=title, by_hand=by_hand, take=take, moved=moved, left=_left(rescue))

    def again(self, rescue: Rescue) -> Said:
        """Late orders that find room by now."""
        return "Plan the late orders again", "There is room by now that there was not before.", "Plan them again"

    def overtime(self, rescue: Rescue) -> Said:
        """Minutes beyond a day's own."""
        days = ", ".join(f"{more.minutes} min on {_day(more.day)}" for more in rescue.overtime)
        hands = rescue.overtime[0].hands.capitalize()
        return f"Stay longer: {days}", f"{hands}: ask whoever it is first.", "Plan with these minutes"

    def split(self, rescue: Rescue) -> Said:
        """Two parcels."""
        items = self.now.shop.catalogue.items
        parts = (f"{p.cases} of {p.of} cases of {items[p.sku.item].name}" for p in rescue.parts if p.cases)
        number, rest = self._number(rescue.orders[0]), max(part.rest for part in rescue.parts)
        by_hand = f"The rest leaves {_day(rest)}. Ask the shop first, then pack what is ready from the order's page."
        return f"Send {number} in two parcels: {', '.join(parts)} in time", by_hand, "Note it on the order"

    def swap(self, rescue: Rescue) -> Said:
        """Two orders change places."""
        late_one, patient = (self._number(order) for order in rescue.orders)
        by_hand = f"{patient} has days to spare and is still in time."
        return f"Make {late_one} before {patient}", by_hand, "Change places"

    def more(self, rescue: Rescue) -> Said:
        """One more pot, bowl or tray."""
        name = self.now.shop.catalogue.equipment[rescue.equipment].name
        needed = _day(rescue.needed_on or self.now.first_day)
        return f"One more: {name}", f"Buy or borrow it: it has to be here by {needed}.", "Plan with one more"

    def _number(self, order: int) -> str:
        return self.numbers[order].number


def _left(rescue: Rescue) -> str:
    """What stays late, in words."""
    if rescue.saves_all:
        return "Every promise is kept."
    if rescue.parts:
        left = sum(part.of - part.cases for part in rescue.parts)
        return f"{left} {'case is' if left == 1 else 'cases are'} still late."
    days = int(rescue.late_days)
    return f"Still {days} {'day' if days == 1 else 'days'} late, all orders together."


def _day(day: date) -> str:
    return short_day(day, clock.today())
