"""Planning again after something happened: what is overdue or short gets a new place, all else stays."""

from wholesale.actions import events, ledger, plan_rows, samples
from wholesale.core.production.plan import Outcome, Shop, mend
from wholesale.core.values import day_words
from wholesale.models import Order, OrderLineScent
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop


def mend_plan(shop: Shop) -> None:
    """Place again what is overdue or short, and tell the orders whose leaving day moved past the promise.

    The caller holds the plan's lock. What free stock covers is reserved from it.
    """
    asked, stock = quotes.asked_now(workshop.workshop()), production.free_stock()
    first_day = shop.calendar.bench_day(asked.on, asked.at, asked.cut_off)
    plan = production.promised_against(shop, stock, first_day)
    out = production.samples_to_begin(shop, plan)
    demands = [demand for demand in production.demands() if demand.key not in out]
    outcome = mend(shop, plan, demands, stock, first_day, asked.on)
    samples.store_without(outcome.plan)
    ledger.reserve(outcome.plan.picks)
    samples.keep()
    _tell_too_old(outcome)
    for order in Order.objects.filter(pk__in=plan_rows.store_leaving(outcome.placed)):
        if order.planned_leaves > order.promised_leaves:
            planned, promised = day_words(order.planned_leaves), day_words(order.promised_leaves)
            text = f"At risk: now planned for {planned}, promised for {promised}."
            events.note(order, None, "at_risk", text, for_shop=False)


def _tell_too_old(outcome: Outcome) -> None:
    """Put into an order's history, once, that its pieces will have waited too long for their next step."""
    notes = {int(group.demand): group.note for group in outcome.placed if group.note and group.demand.isdecimal()}
    for scent in OrderLineScent.objects.filter(pk__in=notes).select_related("line__order"):
        order, text = scent.line.order, notes[scent.pk]
        if not order.events.filter(kind="too_old", text=text).exists():
            events.note(order, None, "too_old", text, for_shop=False)
