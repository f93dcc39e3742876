"""Placing, confirming, refusing and withdrawing an order."""

from decimal import Decimal
from typing import Any

from django.db import transaction

from accounts import access
from accounts.models import Address, Shop, User
from wholesale import clock
from wholesale.actions import documents, events, holding, invoicing, ledger, numbers, plan_rows, samples
from wholesale.core.orders import Basket, OrderState, refuse_step, shipment_token
from wholesale.core.pricing import Terms, Totals
from wholesale.core.production.baskets import without_held
from wholesale.core.production.plan import without
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words, money_words, to_e4, to_minor
from wholesale.models import (
    Item,
    Order,
    OrderLine,
    OrderLineScent,
    PlanState,
    Reservation,
)
from wholesale.queries import orders as quotes
from wholesale.queries import production, workshop
from wholesale.queries.orders import Part

#: How often a placing tries again when the plan changed while it was computing.
_TRIES = 4
#: What stands in the way when nothing else has changed.
_KEPT = (
    "A place in the plan is kept for another shop that is about to order, and this order would take it. Nothing was "
    "ordered. Try again in some minutes, or order fewer cases."
)


def place(  # noqa: PLR0913  (what a buyer fills in)
    *,
    by: User,
    shop: str,
    basket: Basket,
    token: str,
    seen_total: Decimal | None = None,
    po_number: str = "",
    note: str = "",
    ship_to: int | None = None,
) -> str:
    """Place a shop's order and return its number; the same ``token`` returns the first one.

    ``seen_total`` is the total before tax that the buyer saw; another one now is a
    ``Conflict``. Price and promise are computed first; the transaction then only
    checks that the plan they stand on is still the present one. What goes in two
    shipments becomes two orders, placed together; the first one's number is returned.
    """
    account = _may_order(by, shop)
    wishes = {"po_number": po_number.strip(), "note": note.strip()}
    addresses = _addresses(account, ship_to)
    for _ in range(_TRIES):
        if placed := _placed_before(account, token):
            return placed
        quote = quotes.quote(account, basket)
        _refuse(quote, seen_total)
        kept = quotes.keeps_holds(quote, account)
        with transaction.atomic():
            state = plan_rows.lock()
            if placed := _placed_before(account, token):
                return placed
            if state.version == quote.version and holding.same_holds(quote):
                if not kept:
                    raise Conflict("kept_for_others", _KEPT)
                return _write(by, account, quote, state, token, wishes | addresses)
    message = "Many orders are being placed at this moment; nothing was ordered. Please try again."
    raise Conflict("busy", message)


def confirm(*, by: User, number: str) -> None:
    """Accept an order's terms and date, and have the confirmation sent to the shop."""
    _maker(by)
    with transaction.atomic():
        order = _step(number, OrderState.CONFIRMED)
        events.note(order, by, "confirmed", f"Confirmed: leaves {day_words(order.promised_leaves)}.")
        documents.queue_paper("confirmation", order=order, mail_to=order.shop.email)


def refuse(*, by: User, number: str, because: str) -> None:
    """Refuse a placed order with a reason the shop will read; its place in the plan is freed."""
    _maker(by)
    if not because.strip():
        message = "Give the shop a reason for refusing the order."
        raise Refusal("reason_missing", message, "because")
    with transaction.atomic():
        state = plan_rows.lock()
        order = _step(number, OrderState.REFUSED, refused_because=because.strip())
        _free(order, state)
        invoicing.release_deposit(order, by)
        events.note(order, by, "refused", f"Refused: {because.strip()}")


def withdraw(*, by: User, shop: str, number: str) -> None:
    """Take a placed order back, as the shop; its place in the plan is freed."""
    account = _may_order(by, shop)
    with transaction.atomic():
        state = plan_rows.lock()
        if not Order.objects.filter(number=number, shop=account).exists():
            raise NotFound("order", f"There is no order {number} for {account}.")
        order = _step(number, OrderState.WITHDRAWN)
        _free(order, state)
        invoicing.release_deposit(order, by)
        events.note(order, by, "withdrawn", "Withdrawn by the shop.")


def _may_order(by: User, shop: str) -> Shop:
    """Return the shop if this person may order for it."""
    membership = access.membership_for(by, shop)
    if membership is None:
        raise NotFound("shop", f"There is no shop '{shop}' for you.")
    if not access.can_order(membership):
        message = "You may look at this shop's orders but not order for it; ask its owner."
        raise NotAllowed("may_not_order", message)
    return membership.shop


def _maker(by: User) -> None:
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may do this.")


def _step(number: str, to: OrderState, **also: Any) -> Order:
    """Lock an order and move it on; ``Refusal`` when it can't go there from where it is."""
    order = Order.objects.select_for_update(of=("self",)).select_related("shop").filter(number=number).first()
    if order is None:
        raise NotFound("order", f"There is no order {number}.")
    refuse_step(number, OrderState(order.state), to)
    order.state = to
    for name, value in also.items():
        setattr(order, name, value)
    order.save(update_fields=["state", *also])
    return order


def _placed_before(shop: Shop, token: str) -> str | None:
    return Order.objects.filter(shop=shop, token=token).values_list("number", flat=True).first()


def _refuse(quote: quotes.Quote, seen_total: Decimal | None) -> None:
    """A ``Refusal`` when the basket, or the total seen, no longer stands."""
    if quote.refusal:
        raise quote.refusal
    quote.placing()
    total = quote.priced.totals.total
    if seen_total is not None and seen_total != total:
        now = money_words(total, quote.terms.currency)
        message = (
            f"The total is now {now}, not {seen_total} as you saw it: a price or a rule has "
            "changed. Nothing was ordered; look at the new amounts and place it again."
        )
        raise Conflict("price_changed", message, "total", seen=str(seen_total), now=str(total))


def _addresses(shop: Shop, ship_to: int | None) -> dict[str, Any]:
    """The addresses to freeze on the order: the chosen one, else each kind's default."""
    rows = list(Address.objects.filter(shop=shop).order_by("-is_default", "pk"))
    goods = [row for row in rows if row.kind == Address.Kind.SHIP_TO and ship_to in {None, row.pk}]
    bills = [row for row in rows if row.kind == Address.Kind.BILL_TO]
    if not goods:
        message = "Choose one of the shop's delivery addresses; there is none by that choice."
        raise Refusal("ship_to", message, "ship_to")
    return {"ship_to": _frozen(goods[0]), "bill_to": _frozen((bills or goods)[0])}


def _frozen(address: Address) -> dict[str, str]:
    fields = ("name", "line1", "line2", "city", "region", "postcode", "country")
    return {name: getattr(address, name) for name in fields}


def _write(by: User, shop: Shop, quote: quotes.Quote, state: PlanState, token: str, also: dict[str, Any]) -> str:
    """All rows of a new order, or of two that go one after the other: orders, lines, plan, reservations, history."""
    keys: dict[str, int] = {}
    placed: list[Order] = []
    for number, part in enumerate(quote.parts):
        order = _order(by, shop, quote, part, shipment_token(token, number), also)
        keys |= _lines(order, quote, part)
        placed.append(order)
    plan = without_held(quote.placing().plan)
    samples.store_without(plan, keys)
    ledger.reserve(plan.picks, keys)
    samples.keep()
    holding.end(shop)
    plan_rows.changed(state, f"{' and '.join(order.number for order in placed)} placed")
    for order in placed:
        beside = "".join(f" The other shipment is {other.number}." for other in placed if other != order)
        text = f"Placed: promised to leave {day_words(order.promised_leaves)}.{beside}"
        events.note(order, by, "placed", text)
    return placed[0].number


def _order(by: User, shop: Shop, quote: quotes.Quote, part: Part, token: str, also: dict[str, Any]) -> Order:
    promise, basket = part.promise, part.basket
    amounts = _amounts(quote.terms, part.priced.totals)
    order: Order = Order.objects.create(
        number=f"W-{numbers.take('W-')}", shop=shop, state=OrderState.PLACED, token=token, placed_by=by,
        placed_at=clock.now(), **amounts, promised_leaves=promise.leaves, promised_arrives=promise.arrives,
        promise_holds_until=part.holds_until, planned_leaves=promise.leaves,
        gates=[gate.to_json() for gate in promise.gates], wanted_from=basket.wanted_from, wanted_by=basket.wanted_by,
        pick_up=basket.pick_up, deposit_by=promise.holds_on if amounts["deposit_minor"] else None, **also,
    )  # fmt: skip
    return order


def _amounts(terms: Terms, totals: Totals) -> dict[str, Any]:
    currency = terms.currency
    minor = {
        f"{column}_minor": to_minor(amount, currency)
        for column, amount in (
            ("list", totals.list_goods),
            ("discount", totals.discount),
            ("goods", totals.goods),
            ("freight", totals.freight),
            ("total", totals.total),
            ("deposit", totals.deposit),
        )
    }
    shown = [{"name": row.name, "amount": str(row.amount), "shown": row.shown} for row in totals.arithmetic]
    return {
        "terms": terms.to_json(),
        "currency": currency,
        "tier_percent": totals.tier_percent,
        "arithmetic": shown,
        **minor,
    }


def _lines(order: Order, quote: quotes.Quote, part: Part) -> dict[str, int]:
    """Write a shipment's lines and return the row of each demand's key."""
    items = {row.code: row for row in Item.objects.filter(code__in=[g.item for g in part.goods])}
    leaves, keys = dict(part.promise.by_demand), {}
    for position, (line, goods) in enumerate(zip(part.basket.lines, part.goods, strict=True)):
        row = OrderLine.objects.create(
            order=order,
            position=position + 1,
            item=items[line.item],
            name=quote.names[line.item],
            cases=line.cases,
            case_pack=goods.case_pack,
            unit_price_e4=to_e4(goods.unit_price),
            list_minor=to_minor(part.priced.list_amounts[position], order.currency),
            discount_minor=to_minor(part.priced.discounts[position], order.currency),
        )
        for scent, pieces in line.mix:
            key = f"{part.begins}{position}/{scent}"
            keys[key] = OrderLineScent.objects.create(
                line=row, scent=scent, pieces_per_case=pieces, planned_leaves=leaves[key]
            ).pk
    return keys


def _free(order: Order, state: PlanState) -> None:
    """Give up what an order holds: planned loads, and lots reserved for it."""
    scents = OrderLineScent.objects.filter(line__order=order)
    gone = {str(pk) for pk in scents.values_list("pk", flat=True)}
    planner, today = production.planner(workshop.workshop()), clock.today()
    Reservation.objects.filter(order_scent__in=scents, shipped=0).delete()
    stock = production.free_stock()
    plan = production.promised_against(planner, stock, today)
    samples.store_without(without(planner, plan, gone, stock, today))
    samples.keep()
    plan_rows.changed(state, f"{order.number} {order.state}")
