"""What happens at the bench: a load done, the plan mended, the sheet's dates worked out."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import batches, documents, errands, mending, plan_rows
from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.production.bench import Bench
from wholesale.core.production.plan import Shop
from wholesale.core.production.promise import Asked, promise_on
from wholesale.core.production.work import Demand
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.models import Item, Load, SheetDate, SheetRefresh
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop


def mark_done(
    *,
    by: User,
    load: int,
    good: Mapping[int, int],
    reasons: Mapping[int, str] | None = None,
    note: str = "",
) -> str:
    """Record good pieces by portion, with words for the rejects; see ``batches.mark_done`` for all that can be said."""
    return batches.mark_done(by=by, load=load, made=batches.Made(good=good, words=reasons or {}, note=note))


def plan_again(*, by: User, because: str = "") -> None:
    """Place again what is overdue or short; loads that are still to come stay where they are."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        mending.mend_plan(production.planner(workshop.workshop()))
        plan_rows.changed(state, because.strip() or "planned again")


def batch_sheet(*, by: User, load: int) -> int:
    """Have the batch sheet of a load made and return the paper's row; one in the making is kept."""
    _bench(by)
    with transaction.atomic():
        row = Load.objects.select_for_update(of=("self",)).filter(pk=load).first()
        if row is None:
            raise NotFound("load", "There is no such load; the plan may have changed.")
        waiting = row.documents.filter(state__in=["waiting", "claimed"]).first()
        return (waiting or documents.queue_paper("batch_sheet", load=row)).pk


def refresh_sheet(errand: int) -> None:
    """Work out the order sheet's "leaves from" of every sku for the present plan, once.

    The older versions' rows go in the same transaction, so that the sheet is never without dates.
    """
    token = errands.claim(SheetRefresh, errand)
    if token is None:
        return
    version = production.plan_version()
    try:
        rows = list(_dates(version))
    except Exception as error:  # noqa: BLE001  (whatever it is, it is tried again and then shown)
        errands.put_back(SheetRefresh, errand, token, error)
        return
    with transaction.atomic():
        if errands.finish(SheetRefresh, errand, token):
            SheetDate.objects.filter(version__lte=version).delete()
            SheetDate.objects.bulk_create(rows)


def refresh_stale_sheet() -> None:
    """Ask for new dates when those on the sheet have run out or none were made yet."""
    newest = SheetDate.objects.order_by("-version", "holds_until").first()
    if newest is None or newest.holds_until <= clock.now():
        with transaction.atomic():
            plan_rows.ask_for_dates()


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may do this.")


def _dates(version: int) -> Iterable[SheetDate]:
    """One row a sku on sale: when one case of it would leave, ordered now; all are tried on one bench."""
    settings = workshop.workshop()
    shop = production.planner(settings)
    asked = quotes.asked_now(settings)
    bench = quotes.standing_plan(shop, settings).bench(asked)
    holds = _holds(shop, asked)
    rows = {row.code: row for row in Item.objects.filter(kind="product")}
    for item in shop.catalogue.items.values():
        if item.kind is ItemKind.PRODUCT and item.on_sale:
            for scent in shop.catalogue.scents if item.scented else [""]:
                demand = Demand(key=item.code, sku=Sku(item.code, scent), pieces=item.case_pack)
                yield _date(bench, demand, asked, version=version, item=rows[item.code], holds_until=holds)


def _date(bench: Bench, demand: Demand, asked: Asked, **row: Any) -> SheetDate:
    """The date of one case, and the gate that binds it; without one it says why. The bench is left as it was."""
    mark = bench.mark()
    try:
        found, _ = promise_on(bench, [demand], asked)
    except Refusal as no_room:
        return SheetDate(scent=demand.sku.scent, because=no_room.message[:200], **row)
    bench.back_to(mark)
    binding = next(gate for gate in found.gates if gate.binding)
    because = f"{binding.title}: {binding.because}"[:200]
    return SheetDate(
        scent=demand.sku.scent, leaves=found.leaves, arrives=found.arrives, because=because, **row
    )  # fmt: skip


def _holds(shop: Shop, asked: Asked) -> datetime:
    day = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    return datetime.combine(day, asked.cut_off, clock.workshop_zone())
