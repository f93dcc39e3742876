"""The ledger of stock: every change of what there is goes through ``move``, every claim on it through ``reserve``."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import F, Sum

from accounts.models import User
from wholesale import clock
from wholesale.core.production.work import Pick
from wholesale.core.values import Conflict, Refusal, day_words, from_mg
from wholesale.models import Load, LoadPortion, Lot, Reservation, StockMovement
from wholesale.queries import production

#: Where a lot lies unless somebody says otherwise; a setting of the house, not of the trade.
SHELF = "shelf"
#: Reasons that put what is taken into a batch or a parcel: only a sound lot may serve them.
USES = frozenset({"used", "weighed", "shipped"})


@dataclass(frozen=True, kw_only=True)
class Why:
    """What an entry stands for: its reason's name, who made it, and what for."""

    reason: str
    by: User | None = None
    #: A batch, shipment or receipt number.
    reference: str = ""
    because: str = ""
    load: Load | None = None
    #: Whose pieces of the batch they are.
    portion: LoadPortion | None = None
    #: Made by the page: a second entry of the same token is the same tap again.
    token: str = ""


def move(
    lot: Lot, quantity: int, why: Why, *, place: str = SHELF, corrects: StockMovement | None = None
) -> StockMovement:
    """Add an entry to the ledger and to the lot's sum; the caller holds the plan's lock.

    ``quantity`` is pieces or milligrams, negative when taken. A ``Refusal`` when more
    is taken than lies at the place, or than nobody has reserved, or when a batch or a
    parcel would take from a lot on hold, recalled or past its day.
    """
    if quantity < 0:
        lot.refresh_from_db(fields=["on_hand", "state", "state_because", "expires_on"])
        _refuse_unsound(lot, why.reason)
        _refuse_short(lot, -quantity, place, why.reason)
    Lot.objects.filter(pk=lot.pk).update(on_hand=F("on_hand") + quantity)
    lot.on_hand += quantity
    return StockMovement.objects.create(
        lot=lot, quantity=quantity, place=place, at=clock.now(), by=why.by, reason=why.reason,
        reference=why.reference, because=why.because, load=why.load, portion=why.portion, corrects=corrects,
        token=why.token,
    )  # fmt: skip


def take(lot: Lot, quantity: int, why: Why) -> list[StockMovement]:
    """Take so much of a lot from wherever it lies, the shelf first; one entry a place."""
    entries, left = [], quantity
    for place, there in sorted(places(lot).items(), key=lambda found: (found[0] != SHELF, found[0])):
        if part := min(left, there):
            entries.append(move(lot, -part, why, place=place))
            left -= part
    if left:
        entries.append(move(lot, -left, why))
    return entries


def places(lot: Lot) -> dict[str, int]:
    """What of a lot lies where, in the ledger's unit; places with none are left out."""
    sums = lot.movements.order_by().values_list("place").annotate(there=Sum("quantity"))
    return {place: there for place, there in sums if there}


def reserved(lot: Lot) -> int:
    """What orders hold of a lot and has not left yet, in the ledger's unit."""
    held = lot.reservations.aggregate(sum=Sum(F("pieces") - F("shipped")))["sum"]
    return int(held or 0)


def reserve(picks: Iterable[Pick], keys: Mapping[str, int] | None = None) -> None:
    """Reserve the free pieces that a plan takes from stock, lot by lot, the first to expire first, then the oldest.

    ``keys`` turns a demand's key into its row; a ``Conflict`` when they are not free any more.
    """
    for pick in picks:
        order_scent, left = (keys or {}).get(pick.demand) or int(pick.demand), pick.pieces
        # As the plan counted on them: those that last longest are left for who leaves last.
        lots = sorted(production.free_lots(pick.sku, pick.sellable_on), key=lambda row: row[0].expires_on or date.max)
        for lot, free in lots:
            if part := min(left, free):
                Reservation.objects.create(lot=lot, order_scent_id=order_scent, pieces=part, from_stock=True)
                left -= part
        if left:
            message = "The stock for this order was taken meanwhile; look at the dates again."
            raise Conflict("stock_taken", message)


def hold(lot: Lot, order_scent: int, pieces: int) -> None:
    """Keep pieces of a lot for the order that they were made for."""
    known = {"lot": lot, "order_scent_id": order_scent, "from_stock": False}
    held = Reservation.objects.filter(**known).first() or Reservation(**known, pieces=0)
    held.pieces += pieces
    held.save()


def let_go(lot: Lot, order_scent: int, pieces: int) -> None:
    """Keep so many pieces less for the order that they were made for; those that have left stay its own."""
    left = pieces
    for held in lot.reservations.filter(order_scent=order_scent, from_stock=False).order_by("-pk"):
        part = min(left, held.pieces - held.shipped)
        held.pieces, left = held.pieces - part, left - part
        if held.pieces:
            held.save(update_fields=["pieces"])
        else:
            held.delete()


def _refuse_unsound(lot: Lot, reason: str) -> None:
    if reason not in USES:
        return
    if lot.state != "ok":
        standing = "on hold" if lot.state == "hold" else "recalled"
        because = f" ({lot.state_because})" if lot.state_because else ""
        message = f"Lot {lot.code} is {standing}{because}; take another lot, or ask the maker to release this one."
        raise Refusal("lot_held", message, "lot", lot=lot.code, state=lot.state)
    if lot.expires_on and lot.expires_on < clock.today():
        message = f"Lot {lot.code} expired on {day_words(lot.expires_on)}; take another lot."
        raise Refusal("lot_expired", message, "lot", lot=lot.code)


def _refuse_short(lot: Lot, quantity: int, place: str, reason: str) -> None:
    lying = places(lot)
    there = lying.get(place, 0)
    if quantity > there:
        raise Refusal("below_zero", _too_little(lot, quantity, place, lying), "quantity", lot=lot.code, there=there)
    # What is shipped was reserved: its own reservation is lowered beside this entry.
    if reason != "shipped" and quantity > lot.on_hand - reserved(lot):
        message = (
            f"{_shown(lot, reserved(lot))} of {lot.code} are reserved for orders; of {_shown(lot, lot.on_hand)} "
            f"there, {_shown(lot, quantity)} can't be taken. Release the reservation first."
        )
        raise Refusal("reserved", message, "quantity", lot=lot.code, there=there)


def _too_little(lot: Lot, quantity: int, place: str, lying: Mapping[str, int]) -> str:
    if not lying:
        return f"Lot {lot.code} is used up: there is nothing of it to take. Take another lot, or count this one."
    elsewhere = ", ".join(f"{_shown(lot, there)} at '{where}'" for where, there in lying.items() if where != place)
    return (
        f"Only {_shown(lot, lying.get(place, 0))} of {lot.code} are at the place '{place}'; "
        f"{_shown(lot, quantity)} can't be taken. {f'There are {elsewhere}. ' if elsewhere else ''}Count the lot first."
    )


def _shown(lot: Lot, quantity: int) -> str:
    """A quantity as a person says it: pieces, or grams of what is counted in grams."""
    return amount(quantity, lot.item.unit)


def amount(quantity: int, unit: str) -> str:
    """A quantity of the ledger in words: ``12``, or ``2,500 g`` for 2,500,000 mg."""
    if unit != "gram":
        return f"{quantity:,}"
    return f"{from_mg(quantity).normalize():,f} g"
