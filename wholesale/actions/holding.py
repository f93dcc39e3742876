"""Keeping a basket's place in the plan while its buyer looks it over."""

from datetime import datetime, time, timedelta

from django.db import transaction

from accounts import access
from accounts.models import Shop, User
from wholesale import clock
from wholesale.actions import plan_rows
from wholesale.core.orders import Basket
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.core.workshop import Workshop
from wholesale.models import HeldBasket
from wholesale.queries import holds, workshop
from wholesale.queries import orders as quotes

#: How often a holding tries again when the plan changed while it was computing.
_TRIES = 4


def hold(*, by: User, shop: str, basket: Basket) -> datetime | None:
    """Keep the basket's place for some minutes and return until when; ``None`` where the workshop keeps none.

    The same basket keeps the place it has. Another one replaces it: a shop holds one
    place at a time. A ``Refusal`` when it has held its share of today, or when the
    basket can't be ordered as it is.
    """
    account = _may_order(by, shop)
    settings = workshop.workshop()
    if not settings.hold_minutes:
        return None
    for _ in range(_TRIES):
        quote = quotes.quote(account, basket)
        if quote.refusal:
            raise quote.refusal
        with transaction.atomic():
            state = plan_rows.lock()
            # A second press keeps what the first one kept.
            if kept := holds.kept(account, basket):
                return kept.expires_at
            if state.version == quote.version and same_holds(quote):
                return _write(by, account, quote, settings).expires_at
    raise Conflict("busy", "Many orders are being placed at this moment, so this date is not kept yet. Try again.")


def end(shop: Shop) -> None:
    """Let go of what the shop holds, as when it has placed its order; the caller holds the plan's lock."""
    HeldBasket.objects.filter(shop=shop, ended_at=None).update(ended_at=clock.now())


def forget_old() -> None:
    """Remove the holds of days gone by: they count for nothing any more, not even for a shop's share."""
    HeldBasket.objects.filter(held_at__lt=_morning(), expires_at__lte=clock.now()).delete()


def same_holds(quote: quotes.Quote) -> bool:
    """Are the places that a quote was worked out around still all there are? The caller holds the plan's lock."""
    return quote.around == tuple(row.pk for row in quotes.live_holds())


def _may_order(by: User, shop: str) -> Shop:
    membership = access.membership_for(by, shop)
    if membership is None:
        raise NotFound("shop", f"There is no shop '{shop}' for you.")
    if not access.can_order(membership):
        raise NotAllowed("may_not_order", "You may look at this shop's orders but not order for it; ask its owner.")
    return membership.shop


def _write(by: User, shop: Shop, quote: quotes.Quote, settings: Workshop) -> HeldBasket:
    _refuse_greed(shop, settings)
    end(shop)
    now, parts = clock.now(), quote.parts
    deposit_days = quote.asked and quote.asked.deposit_days
    row: HeldBasket = HeldBasket.objects.create(
        shop=shop, by=by, basket=quote.basket.to_json() | {"deposit_days": deposit_days},
        leaves=max(part.promise.leaves for part in parts), arrives=max(part.promise.arrives for part in parts),
        held_at=now, expires_at=now + timedelta(minutes=settings.hold_minutes),
    )  # fmt: skip
    return row


def _refuse_greed(shop: Shop, settings: Workshop) -> None:
    """A ``Refusal`` when the shop has held its share of places today."""
    if HeldBasket.objects.filter(shop=shop, held_at__gte=_morning()).count() >= settings.holds_a_day:
        message = (
            f"This date is not kept while you look: a place is kept {settings.holds_a_day} times a day at most. "
            "You can still order; the date is yours once the order is placed."
        )
        raise Refusal("holds_a_day", message, "hold")


def _morning() -> datetime:
    return datetime.combine(clock.today(), time.min, clock.workshop_zone())
