"""What the planner stands on: calendar, present plan, open demands, free stock."""

from collections import defaultdict, deque
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any, NamedTuple

from django.db.models import Exists, F, IntegerField, OuterRef, Prefetch, Q, QuerySet, Subquery, Sum, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Coalesce

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.orders import OPEN_STATES
from wholesale.core.production.batches import Purpose
from wholesale.core.production.calendar import ONE_DAY, Calendar, Day, DayKind, carrier_departure
from wholesale.core.production.course import is_settled
from wholesale.core.production.plan import Shop, without
from wholesale.core.production.work import Demand, Load, Outage, Plan, Portion, Work
from wholesale.core.stock import OnHand
from wholesale.core.workshop import Workshop
from wholesale.models import (
    CalendarDay,
    EquipmentOut,
    ExpectedDelivery,
    ForStock,
    LoadPortion,
    Lot,
    Order,
    OrderLineScent,
    PlanState,
    Reservation,
    Setting,
    Settlement,
    StockMovement,
    Weekday,
)
from wholesale.models import (
    Load as LoadRow,
)
from wholesale.queries import catalogue, workshop

#: A rank behind every order's.
LAST = 2**62
#: The ledger's units in one piece and in one gram: it counts milligrams.
UNITS = {"piece": 1, "gram": 1000}


def calendar() -> Calendar:
    """The week's rule and the days that differ from it: 2 queries."""
    return Calendar(
        week={row.weekday: _day(row) for row in Weekday.objects.all()},
        days={row.day: _day(row, row.note) for row in CalendarDay.objects.all()},
    )


def planner(settings: Workshop, goods: Catalogue | None = None) -> Shop:
    """Catalogue, calendar, horizon, and equipment out of use: 10 queries; 3 where today's catalogue is at hand."""
    known = catalogue.catalogue(clock.today()) if goods is None else goods
    goods = replace(known, shortage_risk=settings.shortage_risk)
    return Shop(catalogue=goods, calendar=calendar(), horizon_days=settings.plan_days, outages=outages())


def outages() -> tuple[Outage, ...]:
    """What is out of use today or later: 1 query."""
    columns = current_outages().values_list("equipment__code", "count", "first", "last")
    return tuple(Outage(equipment=code, count=count, first=first, last=last) for code, count, first, last in columns)


def current_outages() -> QuerySet[EquipmentOut]:
    """What is out of use today or later."""
    return EquipmentOut.objects.filter(Q(last__isnull=True) | Q(last__gte=clock.today()))


def first_day(shop: Shop) -> date:
    """The first day whose loads and minutes may still be used: today up to the cut-off, else the next work day."""
    local = clock.now().astimezone(clock.workshop_zone())
    return shop.calendar.bench_day(local.date(), local.time().replace(tzinfo=None), workshop.workshop().order_cut_off)


def plan_version() -> int:
    """The present version of the plan: 1 query."""
    return PlanState.objects.filter(pk=1).values_list("version", flat=True).first() or 0


def current_plan() -> Plan:
    """All loads to do, those done today or later, and those done for what is still open: 2 queries.

    As columns, not as models: of a thousand loads these would cost more than planning an
    order. While the rows are the same as the last time, so is the plan.
    """
    rows = list(open_loads().values_list(*_LOAD_COLUMNS))
    portions = list(LoadPortion.objects.filter(load__in=open_loads().order_by().values("pk")).values_list(*_PORTIONS))
    known = _last_read[-1] if _last_read else None
    if known is None or (known.loads, known.portions) != (rows, portions):
        known = _Read(rows, portions, _plan(rows, portions))
        _last_read.append(known)
    return known.plan


class _Read(NamedTuple):
    """The rows of a plan, and the plan."""

    loads: list[tuple[Any, ...]]
    portions: list[tuple[Any, ...]]
    plan: Plan


#: One a process is enough: each request reads the plan as it stands.
_last_read: deque[_Read] = deque(maxlen=1)
_LOAD_COLUMNS = (
    "pk", "day", "equipment__code", "what__code", "scent", "operation", "weighed_at", "done_at", "scrapped_at",
)  # fmt: skip
_PORTIONS = ("load_id", "pk", "order_scent_id", "for_stock_id", "item__code", "scent", "operation", "pieces", "good")


def _plan(rows: Iterable[tuple[Any, ...]], portions: Iterable[tuple[Any, ...]]) -> Plan:
    within = _portions_of(portions, {row[0] for row in rows if row[7] and row[7] == row[8]})
    return Plan(
        loads=tuple(
            Load(work=Work(equipment or "", Sku(what, scent), operation), day=day, portions=tuple(within[pk]), ref=pk,
                 done=done is not None, begun=weighed is not None and done is None)
            for pk, day, equipment, what, scent, operation, weighed, done, _ in rows
        )
    )  # fmt: skip


def _portions_of(rows: Iterable[tuple[Any, ...]], lost: Collection[int]) -> Mapping[int, list[Portion]]:
    """What is in each load, as ``portion_value`` has it."""
    found: dict[int, list[Portion]] = defaultdict(list)
    for load, pk, order_scent, for_stock, item, scent, operation, pieces, good in rows:
        demand = str(order_scent) if for_stock is None else stock_key(for_stock)
        found[load].append(Portion(f"x{pk}" if load in lost else demand, Sku(item, scent), operation, pieces, good))
    return found


def promised_against(shop: Shop, stock: Iterable[OnHand], first_day: date) -> Plan:
    """The plan that orders are promised against and placed in: 3 queries.

    It is the present one without the kept samples of which no piece is begun: they take
    what room is left by orders, and give way to the next one.
    """
    plan = current_plan()
    return without(shop, plan, set(samples_to_begin(shop, plan)), stock, first_day)


def samples_to_begin(shop: Shop, plan: Plan) -> list[str]:
    """The keys of kept samples of which no piece is weighed, or done and still good, oldest first: 1 query."""
    begun = {
        portion.demand for load in plan.loads if is_settled(load) for portion in load.portions
        if portion.counted and shop.catalogue.items[portion.sku.item].kind is ItemKind.PRODUCT
    }  # fmt: skip
    rows = ForStock.objects.filter(purpose=Purpose.SAMPLE, closed_at__isnull=True).order_by("pk")
    return [key for pk in rows.values_list("pk", flat=True) if (key := stock_key(pk)) not in begun]


def plan_of(day: date) -> Plan:
    """The part of it that stands on one day: 2 queries."""
    return Plan(loads=tuple(load_value(row) for row in open_loads().filter(day=day)))


def open_loads() -> QuerySet[LoadRow]:
    """The rows behind ``current_plan``."""
    is_open = Q(order_scent__line__order__state__in=OPEN_STATES) | Q(
        for_stock__isnull=False, for_stock__closed_at__isnull=True
    )
    # Looked up, not joined: a load would come once for each portion, and a thousand rows be compared whole.
    for_open = Q(pk__in=LoadPortion.objects.filter(is_open).order_by().values("load"))
    wanted = LoadRow.objects.filter(Q(done_at__isnull=True) | Q(day__gte=clock.today()) | for_open)
    portions = Prefetch("portions", LoadPortion.objects.select_related("item"))
    return wanted.select_related("equipment", "what").prefetch_related(portions)


def load_value(row: LoadRow) -> Load:
    """A load row as the core's value."""
    work = Work(row.equipment.code if row.equipment else "", Sku(row.what.code, row.scent), row.operation)
    portions = tuple(portion_value(portion, lost=row.melt_lost) for portion in row.portions.all())
    is_done = row.done_at is not None
    is_begun = row.weighed_at is not None and not is_done
    return Load(work=work, day=row.day, portions=portions, ref=row.pk, done=is_done, begun=is_begun)


def portion_value(row: LoadPortion, *, lost: bool = False) -> Portion:
    """A portion row as the core's value.

    Where the melt was ``lost`` before it was poured, its pieces still wait for the step: nobody counts on the portion.
    """
    demand = f"x{row.pk}" if lost else demand_key(row)
    return Portion(demand, Sku(row.item.code, row.scent), row.operation, row.pieces, row.good)


def demand_key(row: LoadPortion) -> str:
    """Whom pieces are for: a scent of an order's line, or what the workshop makes for itself ("s" and its row)."""
    return str(row.order_scent_id) if row.for_stock_id is None else stock_key(row.for_stock_id)


def stock_key(row: int) -> str:
    """The key of what the workshop makes for itself, by its row."""
    return f"s{row}"


def demands() -> list[Demand]:
    """Pieces to be made for open orders, by scent of each line, then those for the shelf: 2 queries.

    1 more where a deposit was asked for; where its day has come, or goods are not wanted before a day, the rules
    behind that take up to 4 more.
    """
    return [*_ordered(), *_for_stock()]


def _for_stock() -> list[Demand]:
    """What the workshop makes for itself: nobody waits for it, so it is served last."""
    rows = ForStock.objects.filter(closed_at__isnull=True).values_list("pk", "item__code", "scent", "pieces")
    return [
        Demand(key=stock_key(pk), sku=Sku(item, scent), pieces=pieces, rank=LAST, for_shelf=True)
        for pk, item, scent, pieces in rows
    ]


def _ordered() -> list[Demand]:
    from_stock = summed(Reservation.objects.filter(from_stock=True), "order_scent", "pieces")
    rows = OrderLineScent.objects.filter(line__order__state__in=OPEN_STATES).annotate(
        to_make=F("line__cases") * F("pieces_per_case") - from_stock
    )
    ordered = rows.order_by("line__order_id", "line__position", "pk").select_related("line__item", "line__order")
    orders = [row.line.order for row in ordered]
    # Most open orders have no wish and no deposit past its day: nothing more is asked for those.
    due = any(order.deposit_by and order.deposit_by <= clock.today() for order in orders)
    wanted = any(order.wanted_from for order in orders)
    missing = _unpaid([order.pk for order in orders if order.deposit_by])
    settings = workshop.workshop() if due or wanted else None
    late = late_deposits(calendar(), settings) if due and settings else {}
    starts = {order.pk: order.deposit_by for order in orders if order.pk in missing} | late
    return [_demand(row, starts, settings.carrier_days if settings else 0) for row in ordered]


def _unpaid(orders: list[int]) -> set[int]:
    """Which of these orders wait for their deposit: 1 query, none for none."""
    rows = _deposits_missing().filter(pk__in=orders) if orders else Order.objects.none()
    return set(rows.values_list("pk", flat=True))


def _demand(row: Any, starts: Mapping[int, date | None], carrier_days: int) -> Demand:
    """What a scent of an order's line asks for, with the days that its deposit and its wishes set."""
    order = row.line.order
    days = 0 if order.pick_up else carrier_days
    return Demand(
        key=str(row.pk), sku=Sku(row.line.item.code, row.scent), pieces=row.to_make, promised=order.promised_leaves,
        rank=order.pk, starts_from=starts.get(order.pk),
        leaves_from=order.wanted_from and carrier_departure(order.wanted_from, days),
    )  # fmt: skip


def demand_names(demands: Iterable[Demand]) -> dict[str, str]:
    """By a demand's key the number of its order; demands of the workshop itself are left out: 1 query."""
    numbers = dict(
        Order.objects.filter(pk__in={d.rank for d in demands if not d.for_shelf}).values_list("pk", "number")
    )
    return {demand.key: numbers[demand.rank] for demand in demands if demand.rank in numbers}


def late_deposits(calendar: Calendar, settings: Workshop) -> dict[int, date]:
    """By open order whose deposit is missing after its day: the first day on which the bench may begin it. 1 query.

    A deposit that comes by the cut-off may be begun on the same day, so this moves on day for day.
    """
    local = clock.now().astimezone(clock.workshop_zone())
    first = calendar.bench_day(local.date(), local.time().replace(tzinfo=None), settings.order_cut_off)
    rows = _deposits_missing().filter(deposit_by__lt=first)
    return dict.fromkeys(rows.values_list("pk", flat=True), first)


def _deposits_missing() -> QuerySet[Order]:
    """Open orders of whose deposit something is still to come."""
    came = summed(Settlement.objects.filter(amount_minor__gt=0), "deposit_of", "amount_minor")
    due = Order.objects.filter(state__in=OPEN_STATES, deposit_minor__gt=0)
    return due.annotate(came=came).filter(came__lt=F("deposit_minor"))


def free_stock() -> list[OnHand]:
    """What no order has reserved, by lot; parts, products, and materials that bind the plan, on order too: 2 queries.

    Pieces, or grams of what is counted in grams. Lots that ``sound_lots`` leaves out are
    not in it; those that set or cure are, with the day they may be used from. Each carries
    the last day it may be used on.
    """
    # All lots' reservations are summed in one pass: one by one they take most of the time.
    held = Coalesce(Sum(F("reservations__pieces") - F("reservations__shipped")), Value(0))
    lots = _sound().exclude(item__kind="material", item__binds_plan=False).annotate(free=F("on_hand") - held)
    columns = ("item__code", "item__unit", "scent", "usable_on", "expires_on", "free")
    there = [
        OnHand(sku=Sku(item, scent), usable_on=day, quantity=Fraction(free, UNITS[unit]),
               expires_on=until)
        for item, unit, scent, day, until, free in lots.order_by("usable_on", "pk").values_list(*columns)
        if free > 0
    ]  # fmt: skip
    return [*there, *on_order()]


def on_order() -> list[OnHand]:
    """What is awaited from suppliers of materials that bind the plan: 1 query."""
    rows = awaited().filter(item__kind="material", item__binds_plan=True)
    columns = rows.values_list("item__code", "item__unit", "scent", "expected_on", "quantity")
    return [
        OnHand(sku=Sku(item, scent), usable_on=comes_on(day), quantity=Fraction(quantity, UNITS[unit]))
        for item, unit, scent, day, quantity in columns
    ]


def comes_on(expected: date) -> date:
    """The day a delivery is counted on: the expected one; one that is past its day is looked for tomorrow."""
    return expected if expected >= clock.today() else clock.today() + ONE_DAY


def awaited() -> QuerySet[ExpectedDelivery]:
    """Deliveries that have neither come nor been called off, the next first."""
    return ExpectedDelivery.objects.filter(closed_at__isnull=True).order_by("expected_on", "pk")


def free_lots(sku: Sku, by: date) -> Iterable[tuple[Lot, int]]:
    """Sound lots of a sku with something free that may be used on a day, oldest first, in ledger units: 1 query."""
    lots = sound_lots().filter(item__code=sku.item, scent=sku.scent, usable_on__lte=by, free__gt=0)
    good = lots.exclude(expires_on__lt=by).order_by("usable_on", "pk")
    return [(lot, lot.free) for lot in good]


def sound_lots() -> QuerySet[Any]:
    """Lots with something left that nothing stands against, with ``free``: what of them no order has reserved.

    Left out are lots on hold or recalled, those past their day, and (where batches are
    released by hand) products of batches that nobody released yet.
    """
    return with_free(_sound())


def _sound() -> QuerySet[Lot]:
    expired = Q(expires_on__lt=clock.today())
    return Lot.objects.filter(on_hand__gt=0, state="ok").exclude(expired).exclude(unreleased())


def with_free(lots: QuerySet[Lot]) -> QuerySet[Any]:
    """The lots with ``free``: what of each no order has reserved, in the ledger's unit."""
    held = summed(Reservation.objects.all(), "lot", F("pieces") - F("shipped"))
    return lots.annotate(free=F("on_hand") - held)


def unreleased() -> Q:
    """Lots of a product with pieces of a batch that waits for its release; none where the cure's last day releases."""
    by_hand = Exists(Setting.objects.filter(name="batch_release", value="by_hand"))
    return Q(by_hand, Exists(_waiting_entries()), item__kind="product")


def _waiting_entries() -> QuerySet[Any]:
    """What batches that nobody released (or gave up) put into the outer row's lot."""
    made = StockMovement.objects.filter(lot=OuterRef("pk"), reason="made", corrected_by__isnull=True)
    return made.filter(load__isnull=False, load__released_at__isnull=True, load__scrapped_at__isnull=True)


def summed(rows: QuerySet, by: str, what: str | Combinable) -> Coalesce:
    """A subquery that sums a column of related rows; 0 where there are none."""
    grouped = rows.filter(**{by: OuterRef("pk")}).order_by().values(by)
    return Coalesce(Subquery(grouped.annotate(total=Sum(what)).values("total"), output_field=IntegerField()), Value(0))


def _day(row: Weekday | CalendarDay, note: str = "") -> Day:
    return Day(kind=DayKind(row.kind), opens=row.opens, closes=row.closes, minutes=row.minutes, note=note)
