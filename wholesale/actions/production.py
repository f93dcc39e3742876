"""What happens at the bench: a load done, the plan mended, the sheet's dates worked out."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from fractions import Fraction

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import documents, errands, events, numbers, plan_rows
from wholesale.core.catalogue import Basis, Catalogue, ItemKind, Operation, Sku
from wholesale.core.production.bench import usable_on
from wholesale.core.production.plan import Shop, mend
from wholesale.core.production.promise import Asked, promise
from wholesale.core.production.work import Demand
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, ceil_div, day_words
from wholesale.models import (
    Item,
    Load,
    LoadPortion,
    Lot,
    Order,
    Reservation,
    SheetDate,
    SheetRefresh,
    StockMovement,
)
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
    """Record what a load really yielded, today, and return its batch number.

    ``good`` gives good pieces by portion; a portion left out came out whole. Parts
    and curing products enter the ledger; rejects become new need at once.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        row = _undone(load)
        settings = workshop.workshop()
        shop = production.planner(settings)
        portions = list(row.portions.select_related("item", "order_scent__line__order"))
        _record(portions, good, reasons or {}, shop.catalogue)
        row.number = f"B-{numbers.take('B-')}"
        row.day, row.done_at, row.done_by, row.note = clock.today(), clock.now(), by, note
        row.save()
        _take_parts(by, row, portions, shop.catalogue)
        _into_stock(by, row, portions, shop.catalogue)
        short = [p for p in portions if _good(p) < _expected(p, shop.catalogue)]
        _tell(by, row, portions)
        if short:
            _mend(shop)
        plan_rows.changed(state, f"{row.number} done")
        return row.number


def plan_again(*, by: User, because: str = "") -> None:
    """Place again what is overdue or short; loads that are still to come stay where they are."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        _mend(production.planner(workshop.workshop()))
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


def _undone(load: int) -> Load:
    row = Load.objects.select_for_update(of=("self",)).select_related("what").filter(pk=load).first()
    if row is None:
        raise NotFound("load", "There is no such load any more; the plan has changed. Look at the day sheet.")
    if row.done_at is not None:
        raise Conflict("done_already", f"This load is already marked done as {row.number}; nothing was changed.")
    return row


def _record(portions: list[LoadPortion], good: Mapping[int, int], reasons: Mapping[int, str], goods: Catalogue) -> None:
    for portion in portions:
        portion.good = good.get(portion.pk, portion.pieces)
        portion.reject_reason = reasons.get(portion.pk, "")
        if not 0 <= portion.good <= portion.pieces:
            message = f"{portion.good} of {portion.pieces} can't be good; give a number from 0 to {portion.pieces}."
            raise Refusal("yield", message, f"good-{portion.pk}", found=portion.good)
        _refuse_unpoured(portion, goods)
        portion.save(update_fields=["good", "reject_reason"])


def _refuse_unpoured(portion: LoadPortion, goods: Catalogue) -> None:
    """A step can't be done on pieces that never came from the step before."""
    steps = goods.recipe(portion.item.code).operations
    position = [step.code for step in steps].index(portion.operation)
    if position == 0:
        return
    before = steps[position - 1]
    came = _passed(portion, before.code, "good")
    used = _passed(portion, portion.operation, "pieces", exclude=portion.pk)
    if portion.pieces + used > came:
        order = portion.order_scent.line.order
        message = (
            f"{order}: only {came - used} of {portion.pieces} pieces have passed '{before.name}'; "
            "mark that load done first."
        )
        raise Refusal("step_before", message, f"good-{portion.pk}")


def _passed(portion: LoadPortion, operation: str, column: str, exclude: int = 0) -> int:
    rows = LoadPortion.objects.filter(
        order_scent=portion.order_scent_id,
        item=portion.item_id,
        operation=operation,
        load__done_at__isnull=False,
    ).exclude(pk=exclude)
    return sum(rows.values_list(column, flat=True))


def _good(portion: LoadPortion) -> int:
    return portion.pieces if portion.good is None else portion.good


def _expected(portion: LoadPortion, goods: Catalogue) -> int:
    """Good pieces the plan counts on: whole pieces of a product, the expected yield of a part."""
    item = goods.items[portion.item.code]
    return portion.pieces if item.kind is ItemKind.PRODUCT else ceil_div(portion.pieces * item.yield_share, 1)


def _step(portion: LoadPortion, goods: Catalogue) -> Operation:
    return next(s for s in goods.recipe(portion.item.code).operations if s.code == portion.operation)


def _take_parts(by: User, load: Load, portions: Iterable[LoadPortion], goods: Catalogue) -> None:
    """Take the parts that the load used from the ledger, oldest lots first."""
    needed: dict[Sku, Fraction] = {}
    for portion in portions:
        for line in goods.recipe(portion.item.code).lines:
            if line.step == portion.operation and line.component and line.basis is Basis.PER_PIECE:
                part = goods.items[line.component]
                if part.recipe and part.recipe.operations:
                    sku = goods.component(line, portion.scent)
                    needed[sku] = needed.get(sku, Fraction(0)) + Fraction(line.quantity) * portion.pieces
    for sku, quantity in needed.items():
        _take(by, load, sku, ceil_div(quantity, 1))


def _take(by: User, load: Load, sku: Sku, quantity: int) -> None:
    left = quantity
    for lot, free in production.free_lots(sku, clock.today()):
        take = min(left, free)
        if take:
            _move(by, lot, -take, "used", load)
        left -= take
    if left:
        message = (
            f"{quantity} pieces of {sku} are needed, {quantity - left} are in stock and usable today; "
            "mark the casting done first, or count the stock."
        )
        raise Refusal("parts_short", message, "good")


def _into_stock(by: User, load: Load, portions: list[LoadPortion], goods: Catalogue) -> None:
    """Parts, and products whose cure begins, become lots; products stay reserved for their order."""
    lots: dict[Sku, Lot] = {}
    for portion in portions:
        step, sku = _step(portion, goods), Sku(portion.item.code, portion.scent)
        item = goods.items[sku.item]
        is_last_of_part = item.kind is ItemKind.PART and step == goods.recipe(sku.item).operations[-1]
        if not portion.good or (step.cure_days is None and not is_last_of_part):
            continue
        lot = lots.get(sku) or lots.setdefault(sku, _new_lot(load, portion.item, sku, step, len(lots)))
        _move(by, lot, portion.good, "made", load)
        if step.cure_days is not None:
            Reservation.objects.create(lot=lot, order_scent=portion.order_scent, pieces=portion.good, from_stock=False)


def _new_lot(load: Load, item: Item, sku: Sku, step: Operation, number: int) -> Lot:
    """One lot a sku of a batch; the first carries the batch's own number."""
    today = clock.today()
    cured = today + timedelta(days=step.cure_days) if step.cure_days is not None else usable_on(step, today)
    code = f"{load.number}-{number + 1}" if number else str(load)
    return Lot.objects.create(code=code, item=item, scent=sku.scent, made_on=today, usable_on=cured)


def _move(by: User, lot: Lot, quantity: int, reason: str, load: Load) -> None:
    StockMovement.objects.create(
        lot=lot, quantity=quantity, at=clock.now(), by=by, reason=reason, reference=load.number or ""
    )


def _tell(by: User, load: Load, portions: Iterable[LoadPortion]) -> None:
    """Put each reject of a product into its order's history, for the workshop only."""
    for portion in portions:
        lost = portion.pieces - _good(portion)
        if lost and portion.item.kind == ItemKind.PRODUCT:
            order = portion.order_scent.line.order
            why = f": {portion.reject_reason}" if portion.reject_reason else ""
            events.note(
                order, by, "rejects", f"{load.number}: {lost} of {portion.pieces} rejected{why}.", for_shop=False
            )


def _mend(shop: Shop) -> None:
    """Place again what is overdue or short, and tell the orders whose leaving day moved past the promise."""
    plan = production.current_plan()
    asked = quotes.asked_now(workshop.workshop())
    first_day = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    outcome = mend(shop, plan, production.demands(), production.free_stock(), first_day, asked.on)
    plan_rows.store(plan, outcome.plan)
    for order in Order.objects.filter(pk__in=plan_rows.store_leaving(outcome.placed)):
        if order.planned_leaves > order.promised_leaves:
            planned, promised = day_words(order.planned_leaves), day_words(order.promised_leaves)
            text = f"At risk: now planned for {planned}, promised for {promised}."
            events.note(order, None, "at_risk", text, for_shop=False)


def _dates(version: int) -> Iterable[SheetDate]:
    """One row a sku on sale: when one case of it would leave, ordered now."""
    settings = workshop.workshop()
    shop = production.planner(settings)
    plan, stock = production.current_plan(), production.free_stock()
    asked = quotes.asked_now(settings)
    rows = {row.code: row for row in Item.objects.filter(kind="product")}
    for item in shop.catalogue.items.values():
        if item.kind is ItemKind.PRODUCT and item.on_sale:
            for scent in shop.catalogue.scents if item.scented else [""]:
                demand = Demand(key=item.code, sku=Sku(item.code, scent), pieces=item.case_pack)
                try:
                    found, _ = promise(shop, plan, [demand], stock, asked)
                except Refusal as no_room:
                    yield _date(version, rows[item.code], scent, _holds(shop, asked), because=no_room.message)
                    continue
                binding = next(gate for gate in found.gates if gate.binding)
                yield _date(
                    version, rows[item.code], scent, _holds(shop, asked),
                    found.leaves, found.arrives, f"{binding.title}: {binding.because}",
                )  # fmt: skip


def _holds(shop: Shop, asked: Asked) -> datetime:
    day = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    return datetime.combine(day, asked.cut_off, clock.workshop_zone())


def _date(
    version: int, item: Item, scent: str, holds_until: datetime,
    leaves: date | None = None, arrives: date | None = None, because: str = "",
) -> SheetDate:  # fmt: skip
    return SheetDate(
        version=version, item=item, scent=scent, leaves=leaves, arrives=arrives,
        holds_until=holds_until, because=because[:200],
    )  # fmt: skip
