"""Planning again after something happened: what is overdue or short gets a new place, all else stays."""

from collections.abc import Mapping
from collections.abc import Set as AbstractSet

from wholesale.actions import events, ledger, plan_rows, samples
from wholesale.core.production.plan import Outcome, Shop, mend, without
from wholesale.core.values import day_words
from wholesale.models import Order, OrderLineScent
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop


def mend_plan(shop: Shop, again: AbstractSet[str] = frozenset()) -> None:
    """Place again what is overdue or short, and tell the orders whose leaving day moved past the promise.

    The demands in ``again`` are placed anew whole, but for what is begun. The caller
    holds the plan's lock. What free stock covers is reserved from it.
    """
    asked, stock = quotes.asked_now(workshop.workshop()), production.free_stock()
    first_day = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    plan = production.promised_against(shop, stock, first_day)
    out = production.samples_to_begin(shop, plan)
    demands = [demand for demand in production.demands() if demand.key not in out]
    kept = without(shop, plan, set(again), stock, first_day) if again else plan
    adopt(mend(shop, kept, demands, stock, first_day, asked.on))


def adopt(outcome: Outcome) -> None:
    """Write what a new plan changes of the present one, and tell the orders whose leaving day moved past the promise.

    Kept samples that are not begun stay where they still fit. The caller holds the plan's
    lock. What free stock covers is reserved from it.
    """
    samples.store_without(outcome.plan)
    ledger.reserve(outcome.plan.picks)
    samples.keep()
    _tell_too_old(outcome)
    _tell_waiting(outcome)
    for order in Order.objects.filter(pk__in=plan_rows.store_leaving(outcome.placed)):
        if order.planned_leaves > order.promised_leaves:
            planned, promised = day_words(order.planned_leaves), day_words(order.promised_leaves)
            text = f"At risk: now planned for {planned}, promised for {promised}."
            events.note(order, None, "at_risk", text, for_shop=False)


def _tell_too_old(outcome: Outcome) -> None:
    """Put into an order's history, once, that its pieces will have waited too long for their next step."""
    _note_once("too_old", {group.demand: group.note for group in outcome.placed if group.note})


def _tell_waiting(outcome: Outcome) -> None:
    """Put into an order's history, once, that nothing more is planned for it until a material comes."""
    _note_once("at_risk", {one.demand: f"At risk, not planned: {one.because}" for one in outcome.waiting})


def _note_once(kind: str, notes: Mapping[str, str]) -> None:
    """Words for the order of each demand, for the workshop only; the workshop's own demands have none."""
    rows = {int(key): text for key, text in notes.items() if key.isdecimal()}
    for scent in OrderLineScent.objects.filter(pk__in=rows).select_related("line__order"):
        order, text = scent.line.order, rows[scent.pk]
        if not order.events.filter(kind=kind, text=text).exists():
            events.note(order, None, kind, text, for_shop=False)
