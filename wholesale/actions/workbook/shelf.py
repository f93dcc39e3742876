"""Stock, what is on order, and targets. The ledger only grows: what differs is booked as an entry of its own."""

from decimal import Decimal
from typing import Any

from accounts.models import User
from wholesale.actions import ledger, numbers
from wholesale.actions.workbook.changes import Changes
from wholesale.core.catalogue import Catalogue
from wholesale.core.values import from_mg, to_mg
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import DeliveryRow, SeriesRow, StockRow, TargetRow
from wholesale.models import ExpectedDelivery, Item, Lot, StockTarget

#: Why stock is moved by the workbook.
OPENING = "opening"
#: What of a known lot the sheet may correct.
_CORRECTED = ("made_on", "usable_on", "supplier", "supplier_lot", "expires_on")


def write(changes: Changes, book: Workbook, by: User | None) -> None:
    """Write lots, deliveries and targets."""
    items = {item.code: item for item in Item.objects.all()}
    for row in book.rows(StockRow):
        lot = Lot.objects.filter(code=row.lot).select_related("item").first()
        if lot is None:
            _open(changes, row, items[row.item], by)
        else:
            _correct(changes, row, lot, by)
    for delivery in book.rows(DeliveryRow):
        _expect(changes, delivery, items[delivery.item])
    if book.has(TargetRow):
        _write_targets(changes, book, items)


def _expect(changes: Changes, row: DeliveryRow, item: Item) -> None:
    """What is on order; a delivery that has come or was called off is left alone."""
    known = ExpectedDelivery.objects.filter(item=item, scent=row.scent, reference=row.reference)
    found = known.filter(closed_at=None).first()
    quantity = to_mg(row.quantity) if item.unit == "gram" else int(row.quantity)
    days = {"ordered_on": row.ordered_on, "expected_on": row.expected_on}
    if found is not None:
        changes.amend(row, found, {**days, "quantity": quantity, "supplier": row.supplier})
    elif known.exists():
        changes.tell(row, f"{row.item} {row.reference} has come already, or was called off. It was left alone.")
    else:
        ExpectedDelivery.objects.create(
            item=item, scent=row.scent, reference=row.reference, quantity=quantity, supplier=row.supplier, **days
        )
        changes.note(row, "added", shown(quantity, item.unit))


def _open(changes: Changes, row: StockRow, item: Item, by: User | None) -> None:
    of_the_lot = {name: getattr(row, name) for name in (*_CORRECTED, "scent", "state")}
    lot = Lot.objects.create(code=row.lot, item=item, **of_the_lot)
    _book(lot, counted(row, item.unit), row.place, by)
    changes.note(row, "added", shown(counted(row, item.unit), item.unit))


def _correct(changes: Changes, row: StockRow, lot: Lot, by: User | None) -> None:
    """What is known of a lot; how much there is of it only where the sheet says what it was opened with."""
    changes.amend(row, lot, {name: getattr(row, name) for name in _CORRECTED})
    if row.state != lot.state:
        changes.tell(row, f"{lot.code} is {lot.state} here and stays so; stop or release it on its own page.")
    unit = lot.item.unit
    if row.quantity is None:
        _leave(changes, row, lot)
    elif missing := counted(row, unit) - opened_with(lot, row.place):
        _book(lot, missing, row.place, by)
        changes.note(row, "changed", f"{shown(missing, unit)} booked")


def _leave(changes: Changes, row: StockRow, lot: Lot) -> None:
    there, unit = ledger.places(lot).get(row.place, 0), lot.item.unit
    if there != counted(row, unit):
        found = f"of {lot.code} there are {ledger.amount(there, unit)} at the place {row.place}, the sheet has"
        changes.tell(
            row, f"{found} {ledger.amount(counted(row, unit), unit)}. Nothing was booked; count it on its page."
        )


def _book(lot: Lot, quantity: int, place: str, by: User | None) -> None:
    if quantity:
        ledger.move(lot, quantity, ledger.Why(reason=OPENING, reference="workbook", by=by), place=place)


def _write_targets(changes: Changes, book: Workbook, items: dict[str, Item]) -> None:
    rows = {(items[row.item].pk, row.scent): row for row in book.rows(TargetRow)}
    for (item, scent), row in rows.items():
        changes.put(row, StockTarget, {"item_id": item, "scent": scent}, {"pieces": row.pieces})
    gone = [target.pk for target in StockTarget.objects.all() if (target.item_id, target.scent) not in rows]
    changes.drop(TargetRow, StockTarget.objects.filter(pk__in=gone).select_related("item"))


def counted(row: StockRow, unit: str) -> int:
    """The quantity of a stock row as the ledger counts it: pieces, or milligrams."""
    quantity = (row.on_hand if row.quantity is None else row.quantity) or Decimal(0)
    return to_mg(quantity) if unit == "gram" else int(quantity)


def shown(quantity: int, unit: str) -> str:
    """A change of stock in words."""
    return f"{from_mg(quantity):+} g" if unit == "gram" else f"{quantity:+} pieces"


def opened_with(lot: Lot, place: str) -> int:
    """What the workbook has booked into a lot at a place so far."""
    return sum(lot.movements.filter(reason=OPENING, place=place).values_list("quantity", flat=True))


# ── against what is stored ───────────────────────────────────────────────────


def check_lots(book: Workbook, catalogue: Catalogue) -> None:
    """Complain of lots that are of something else, or smaller than what is gone of them already."""
    lots = {lot.code: lot for lot in Lot.objects.select_related("item")}
    coming = coming_batch(book)
    for row in book.rows(StockRow):
        if row.item not in catalogue.items:
            continue
        lot = lots.get(row.lot)
        number = numbers.number_in("B-", row.lot)
        if lot is None and number is not None and number >= coming:
            book.complain(row, "lot", "B- begins the numbers of batches made here. Give the lot another code.")
        elif lot and (lot.item.code, lot.scent) != (row.item, row.scent):
            book.complain(row, "lot", f"this lot is of {lot.item.code} {lot.scent}. Give the new lot its own code.")
        elif lot and row.quantity is not None:
            _check_shrunk(book, row, lot, counted(row, catalogue.items[row.item].unit))


def coming_batch(book: Workbook) -> int:
    """The number of the next batch, as it will be once the workbook is loaded."""
    named: dict[str, Any] = {row.series: row.next_number for row in book.rows(SeriesRow)}
    return int(named.get("B-", numbers.coming("B-")))


def _check_shrunk(book: Workbook, row: StockRow, lot: Lot, quantity: int) -> None:
    """A lot can't have been opened with less than is reserved of it or gone."""
    opened = opened_with(lot, row.place)
    free = min(ledger.places(lot).get(row.place, 0), lot.on_hand - ledger.reserved(lot))
    least = opened - max(free, 0)
    if quantity < min(opened, least):
        gone = ledger.amount(least, lot.item.unit)
        book.complain(row, "quantity", f"{gone} of this lot are reserved or gone already. Write at least so many.")
