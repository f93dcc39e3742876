"""What the planner stands on: calendar, present plan, open demands, free stock."""

from collections.abc import Iterable
from datetime import date
from fractions import Fraction

from django.db.models import F, IntegerField, OuterRef, Prefetch, Q, QuerySet, Subquery, Sum, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Coalesce

from wholesale import clock
from wholesale.core.catalogue import Sku
from wholesale.core.orders import OPEN_STATES
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Demand, Load, Plan, Portion, Work
from wholesale.core.stock import OnHand
from wholesale.core.workshop import Workshop
from wholesale.models import (
    CalendarDay,
    LoadPortion,
    Lot,
    OrderLineScent,
    PlanState,
    Reservation,
    StockMovement,
    Weekday,
)
from wholesale.models import (
    Load as LoadRow,
)
from wholesale.queries import catalogue


def calendar() -> Calendar:
    """The week's rule and the days that differ from it: 2 queries."""
    return Calendar(
        week={row.weekday: _day(row) for row in Weekday.objects.all()},
        days={row.day: _day(row, row.note) for row in CalendarDay.objects.all()},
    )


def planner(settings: Workshop) -> Shop:
    """Catalogue, calendar and horizon: 8 queries."""
    return Shop(catalogue=catalogue.catalogue(clock.today()), calendar=calendar(), horizon_days=settings.plan_days)


def plan_version() -> int:
    """The present version of the plan: 1 query."""
    return PlanState.objects.filter(pk=1).values_list("version", flat=True).first() or 0


def current_plan() -> Plan:
    """All loads to do, those done today or later, and those done for open orders: 2 queries."""
    return Plan(loads=tuple(load_value(row) for row in open_loads()))


def open_loads() -> QuerySet[LoadRow]:
    """The rows behind ``current_plan``."""
    open_orders = Q(portions__order_scent__line__order__state__in=OPEN_STATES)
    wanted = LoadRow.objects.filter(Q(done_at__isnull=True) | Q(day__gte=clock.today()) | open_orders)
    portions = Prefetch("portions", LoadPortion.objects.select_related("item"))
    return wanted.select_related("equipment", "what").prefetch_related(portions).distinct()


def load_value(row: LoadRow) -> Load:
    """A load row as the core's value."""
    work = Work(row.equipment.code if row.equipment else "", Sku(row.what.code, row.scent), row.operation)
    portions = tuple(portion_value(portion) for portion in row.portions.all())
    return Load(work=work, day=row.day, portions=portions, ref=row.pk, done=row.done_at is not None)


def portion_value(row: LoadPortion) -> Portion:
    """A portion row as the core's value."""
    return Portion(str(row.order_scent_id), Sku(row.item.code, row.scent), row.operation, row.pieces, row.good)


def demands() -> list[Demand]:
    """Pieces to be made for open orders, by scent of each line: 1 query."""
    from_stock = _sum(Reservation.objects.filter(from_stock=True), "order_scent", "pieces")
    rows = OrderLineScent.objects.filter(line__order__state__in=OPEN_STATES).annotate(
        to_make=F("line__cases") * F("pieces_per_case") - from_stock
    )
    ordered = rows.order_by("line__order_id", "line__position", "pk").values_list(
        "pk", "line__item__code", "scent", "to_make", "line__order__promised_leaves", "line__order_id"
    )
    return [
        Demand(key=str(pk), sku=Sku(item, scent), pieces=pieces, promised=promised, rank=order)
        for pk, item, scent, pieces, promised, order in ordered
    ]


def free_stock() -> list[OnHand]:
    """What no order has reserved, by lot; parts and products only: 1 query."""
    moved = _sum(StockMovement.objects.all(), "lot", "quantity")
    held = _sum(Reservation.objects.all(), "lot", F("pieces") - F("shipped"))
    lots = (
        Lot.objects.exclude(item__kind="material").annotate(free=moved - held).filter(free__gt=0).select_related("item")
    )
    return [
        OnHand(sku=Sku(lot.item.code, lot.scent), usable_on=lot.usable_on, quantity=Fraction(lot.free))
        for lot in lots.order_by("usable_on", "pk")
    ]


def free_lots(sku: Sku, by: date) -> Iterable[tuple[Lot, int]]:
    """Lots of a sku with free pieces usable by a day, oldest first: 1 query."""
    moved = _sum(StockMovement.objects.all(), "lot", "quantity")
    held = _sum(Reservation.objects.all(), "lot", F("pieces") - F("shipped"))
    lots = Lot.objects.filter(item__code=sku.item, scent=sku.scent, usable_on__lte=by)
    return [(lot, lot.free) for lot in lots.annotate(free=moved - held).filter(free__gt=0).order_by("usable_on", "pk")]


def _sum(rows: QuerySet, by: str, what: str | Combinable) -> Coalesce:
    """A subquery that sums a column of related rows; 0 where there are none."""
    grouped = rows.filter(**{by: OuterRef("pk")}).order_by().values(by)
    return Coalesce(Subquery(grouped.annotate(total=Sum(what)).values("total"), output_field=IntegerField()), Value(0))


def _day(row: Weekday | CalendarDay, note: str = "") -> Day:
    return Day(kind=DayKind(row.kind), opens=row.opens, closes=row.closes, minutes=row.minutes, note=note)
