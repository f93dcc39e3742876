"""Looking for a better plan in the background: written only onto the plan it was worked out from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.db import transaction
from django.db.models import Max

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import errands, plan_rows, samples
from wholesale.core.production.difference import Difference, Side, difference
from wholesale.core.production.plan import Shop
from wholesale.core.production.score import leaving_days
from wholesale.core.production.work import Demand, Placed, Plan
from wholesale.core.stock import OnHand
from wholesale.core.values import NotAllowed
from wholesale.core.workshop import Workshop
from wholesale.models import OrderLineScent, PlanChange, PlanImprovement, PlanState, Reservation
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop

if TYPE_CHECKING:
    from wholesale.core.production.improve import Improved

KIND = "improved"
#: Seconds of search when somebody asks for it where it is off.
WHEN_ASKED = 30
#: From when on, and until when, the night's search is asked for.
_NIGHT = (time(2), time(5))


@dataclass(frozen=True, kw_only=True)
class _Ground:
    """What a search starts from: the plan of one version, and all it hangs on."""

    version: int
    settings: Workshop
    shop: Shop
    plan: Plan
    demands: Sequence[Demand]
    stock: Sequence[OnHand]


def ask(*, by: User) -> None:
    """Have a better plan looked for now, as somebody of the bench."""
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may do this.")
    with transaction.atomic():
        plan_rows.ask_for_improvement()


def ask_at_night() -> None:
    """Have a better plan looked for once a night; nothing where that is off."""
    local = clock.now().astimezone(clock.workshop_zone())
    if not _NIGHT[0] <= local.time() < _NIGHT[1]:
        return
    tonight = datetime.combine(local.date(), _NIGHT[0], clock.workshop_zone())
    asked = PlanImprovement.objects.filter(created_at__gte=tonight).exists()
    if not asked and workshop.workshop().improve_seconds:
        with transaction.atomic():
            plan_rows.ask_for_improvement()


def improve_plan(errand: int) -> None:
    """Look for a better plan, and write it if the plan is still the one it was looked for from.

    The search runs outside any transaction; its claim is renewed round by round. When the
    plan has changed meanwhile nothing is written: that change has asked for a search of
    its own. While a basket keeps its place the plan stays as it is, and the search waits.
    """
    token = errands.claim(PlanImprovement, errand)
    if token is None:
        return
    if until := _held_until():
        _later(errand, token, until)
        return
    try:
        ground = _ground()
        found = _improved(ground, errand, token)
        changes = _difference(ground, found) if found.is_better else Difference()
    except Exception as error:  # noqa: BLE001  (whatever it is, it is tried again and then shown)
        errands.put_back(PlanImprovement, errand, token, error)
        return
    with transaction.atomic():
        state = plan_rows.lock()
        errands.finish(PlanImprovement, errand, token, result=_written(state, ground, found, changes, errand, token))


def _ground() -> _Ground:
    settings = workshop.workshop()
    # The version first: what changes while the rest is read makes it old.
    version = production.plan_version()
    return _Ground(
        version=version, settings=settings, shop=production.planner(settings), plan=production.current_plan(),
        demands=production.demands(), stock=production.free_stock(),
    )  # fmt: skip


def _improved(ground: _Ground, errand: int, token: str) -> "Improved":
    # Only a worker searches, so only there the solver is loaded: it takes half a second and 60 MiB.
    from wholesale.core.production.improve import Search, improve  # noqa: PLC0415

    asked = quotes.asked_now(ground.settings)
    search = Search(
        today=asked.on, first_day=ground.shop.calendar.bench_day(asked.on, asked.at, asked.cut_off),
        days=ground.settings.improve_days, seconds=ground.settings.improve_seconds or WHEN_ASKED,
        going_on=lambda: errands.renew(PlanImprovement, errand, token),
    )  # fmt: skip
    return improve(ground.shop, ground.plan, ground.demands, ground.stock, search)


def _written(
    state: PlanState, ground: _Ground, found: "Improved", changes: Difference, errand: int, token: str
) -> str:  # fmt: skip
    """Write a better plan, and say what came of the search; the caller holds the plan's lock."""
    if not errands.renew(PlanImprovement, errand, token):
        return ""
    if state.version != ground.version:
        return "The plan changed while a better one was looked for; nothing was moved."
    if not found.is_better:
        return found.because[:300]
    if _held_until():
        return "A basket keeps its place in the plan; nothing was moved."
    _adopt(state, ground, found, changes)
    return f"A better plan: {found.because}."[:300]


def _adopt(state: PlanState, ground: _Ground, found: "Improved", changes: Difference) -> None:
    """The plan's rows, the days orders leave on, the change's own row; the sheet's dates are asked for."""
    plan_rows.store(ground.plan, found.plan)
    samples.keep()
    plan_rows.store_leaving(_leaving(ground, found.plan))
    plan_rows.changed(state, f"improved: {found.because}"[:120], improve=False)
    PlanChange.objects.create(
        version=state.version, at=clock.now(), kind=KIND, because=found.because[:300], moves=changes.to_json()
    )


def _leaving(ground: _Ground, plan: Plan) -> list[Placed]:
    """The days on which scents of orders now leave, of those whose day moved; what is reserved may hold them up."""
    before, after = (leaving_days(ground.shop, one, ground.demands) for one in (ground.plan, plan))
    moved = [d for d in ground.demands if d.key.isdecimal() and before.get(d.key) != after.get(d.key)]
    held = _reserved_until([int(demand.key) for demand in moved])
    return [_placed(ground.shop, d, after[d.key], held.get(int(d.key))) for d in moved if d.key in after]


def _placed(shop: Shop, demand: Demand, day: date, held_until: date | None) -> Placed:
    day = max(day, shop.calendar.work_from(held_until)) if held_until else day
    return Placed(demand=demand.key, sku=demand.sku, pieces=demand.pieces, steps=(), sellable_on=day, leaves=day)


def _reserved_until(scents: Sequence[int]) -> Mapping[int, date]:
    """The day from which all that is reserved for a scent may be sold: 1 query."""
    rows = Reservation.objects.filter(order_scent__in=scents, lot__isnull=False).order_by().values("order_scent")
    return dict(rows.annotate(until=Max("lot__usable_on")).values_list("order_scent", "until"))


def _difference(ground: _Ground, found: "Improved") -> Difference:
    """What the better plan moves, by the order's number: 1 query."""
    sides = [Side(plan, leaving_days(ground.shop, plan, ground.demands)) for plan in (ground.plan, found.plan)]
    scents = OrderLineScent.objects.filter(pk__in=[d.key for d in ground.demands if d.key.isdecimal()])
    numbers = {str(pk): number for pk, number in scents.values_list("pk", "line__order__number")}
    ours = {demand.key: "the shelf" for demand in ground.demands if not demand.key.isdecimal()}
    return difference(ground.shop.catalogue, sides[0], sides[1], numbers | ours)


def _held_until() -> datetime | None:
    """When the last basket that keeps its place now lets go of it."""
    return max((row.expires_at for row in quotes.live_holds()), default=None)


def _later(errand: int, token: str, until: datetime) -> None:
    """Let the search wait until no basket keeps its place; that is no failure, and costs no try."""
    held = PlanImprovement.objects.filter(pk=errand, state="claimed", claim=token)
    held.update(state="waiting", claim="", tries=0, due_at=until + timedelta(seconds=1))
