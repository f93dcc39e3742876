"""What the workshop makes for itself: asked for, called off, or put into the spare room of a planned load."""

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import plan_rows
from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.production import spare
from wholesale.core.production.plan import Shop, insert, without
from wholesale.core.production.work import Demand, Load, Plan
from wholesale.core.values import NotAllowed, NotFound, Refusal
from wholesale.models import ForStock, Item
from wholesale.queries import production, workshop
from wholesale.queries.production import LAST

#: More in one go is a slip of the finger.
_MOST = 100_000


def make_for_stock(*, by: User, item: str, scent: str = "", pieces: int, because: str = "") -> int:
    """Plan pieces for the shelf, after all orders, and return their row; a ``Refusal`` when there is no room."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        shop = production.planner(workshop.workshop())
        sku = _sku(shop, item, scent)
        row = _row(by, sku, pieces, because)
        plan = production.current_plan()
        outcome = insert(shop, plan, [demand_of(row, sku)], production.free_stock(), production.first_day(shop))
        plan_rows.store(plan, outcome.plan)
        plan_rows.changed(state, f"{pieces} {sku} for stock")
        return row.pk


def call_off(*, by: User, row: int, because: str) -> None:
    """Make no more of it: what is not begun leaves the plan, what is made stays stock."""
    _bench(by)
    if not because.strip():
        raise Refusal("because", "Say in a few words why it is called off.", "because")
    with transaction.atomic():
        state = plan_rows.lock()
        mine = ForStock.objects.select_for_update(of=("self",)).filter(pk=row, closed_at=None).first()
        if mine is None:
            raise NotFound("for_stock", "It is not being made any more; look at the day sheet.")
        close(mine, because.strip())
        drop(production.planner(workshop.workshop()), {production.stock_key(mine.pk)})
        plan_rows.changed(state, f"{mine} called off")


def fill_spare(*, by: User, load: int, item: str, scent: str = "", pieces: int) -> int:
    """Begin pieces for the shelf in a planned load's spare room, plan their next steps, and return their row.

    ``pieces`` are good ones; the yields ask for more to be begun. A ``Refusal`` when they don't fit.
    """
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        shop = production.planner(workshop.workshop())
        sku, plan = _sku(shop, item, scent), production.current_plan()
        row = _row(by, sku, pieces, "spare room")
        fill(shop, plan, planned_load(plan, load), demand_of(row, sku))
        plan_rows.changed(state, f"{pieces} {sku} into spare room")
        return row.pk


def take_offer(*, by: User, load: int, demand: str) -> None:
    """Pour an order's pieces in this load instead of a later one; a ``Refusal`` when that no longer stands."""
    _bench(by)
    with transaction.atomic():
        state = plan_rows.lock()
        shop, plan = production.planner(workshop.workshop()), production.current_plan()
        demands, stock, into = production.demands(), production.free_stock(), planned_load(plan, load)
        offer = next((o for o in spare.offers(shop, plan, into, demands, stock) if o.demand == demand), None)
        if offer is None:
            raise Refusal("no_spare", "This no longer fits into the load; look at its offers again.", "offer")
        plan_rows.store(plan, spare.take(shop, plan, into, offer, demands, stock))
        plan_rows.changed(state, f"{offer.pieces} {offer.sku} moved up")


def fill(shop: Shop, plan: Plan, load: Load, demand: Demand) -> None:
    """Store the plan with a demand begun in a load's spare room; the caller holds the plan's lock."""
    outcome = spare.fill(shop, plan, load, demand, production.free_stock(), production.first_day(shop))
    plan_rows.store(plan, outcome.plan)


def drop(shop: Shop, keys: set[str]) -> None:
    """Store the plan without what is not begun for these; the caller holds the plan's lock."""
    plan = production.current_plan()
    plan_rows.store(plan, without(shop, plan, keys, production.free_stock(), production.first_day(shop)))


def close(row: ForStock, because: str) -> None:
    """Nothing more is to be made for it, and why."""
    row.closed_at = clock.now()
    row.because = f"{row.because}; {because}"[:200] if row.because else because[:200]
    row.save(update_fields=["closed_at", "because"])


def demand_of(row: ForStock, sku: Sku) -> Demand:
    """The row as the planner's demand, after all orders."""
    return Demand(key=production.stock_key(row.pk), sku=sku, pieces=row.pieces, rank=LAST, for_shelf=True)


def planned_load(plan: Plan, load: int) -> Load:
    """The load of that row, if it is still to be begun."""
    found = next((one for one in plan.loads if one.ref == load and not one.done and not one.begun), None)
    if found is None:
        raise NotFound("load", "This load is begun, done or gone; look at the day sheet.")
    return found


def _row(by: User, sku: Sku, pieces: int, because: str) -> ForStock:
    if not 1 <= pieces <= _MOST:
        raise Refusal("pieces", f"{pieces} pieces can't be made; give a number from 1 to {_MOST}.", "pieces")
    return ForStock.objects.create(
        item=Item.objects.get(code=sku.item), scent=sku.scent, pieces=pieces, because=because.strip()[:200],
        asked_by=by, asked_at=clock.now(),
    )  # fmt: skip


def _sku(shop: Shop, code: str, scent: str) -> Sku:
    item = shop.catalogue.items.get(code)
    if item is None or item.kind is not ItemKind.PRODUCT or not shop.catalogue.steps(code):
        message = f"'{code}' is no product that is made here; parts are made when something needs them."
        raise Refusal("item", message, "item")
    if (scent in shop.catalogue.scents) is not item.scented or (scent and not item.scented):
        known = ", ".join(shop.catalogue.scents) if item.scented else "none"
        raise Refusal("scent", f"{code} can't be made in '{scent}'; its scents are: {known}.", "scent")
    return Sku(code, scent)


def _bench(by: User) -> None:
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may do this.")
