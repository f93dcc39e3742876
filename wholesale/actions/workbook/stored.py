"""What the sheets say against what is stored already: complaints that only the tables can tell."""

from django.core.exceptions import ValidationError
from django.db.models import F, Sum

from accounts.tax_ids import check_tax_id
from wholesale.actions.workbook.trade import counted, opened_with
from wholesale.core.catalogue import Catalogue
from wholesale.core.orders import OPEN_STATES
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import ItemRow, OperationRow, SettingRow, ShopRow, StockRow
from wholesale.core.workbook.trade import currency
from wholesale.models import Invoice, Item, LoadPortion, Lot, Order, OrderLine, Payment
from wholesale.queries import workshop


def check_stored(book: Workbook, catalogue: Catalogue) -> None:
    """Add to the book's complaints what can't follow on what is stored."""
    _check_tax_ids(book)
    _check_currency(book)
    if catalogue.items:
        _check_items(book)
        _check_steps(book)
        _check_lots(book, catalogue)


def _check_tax_ids(book: Workbook) -> None:
    for row in book.rows(ShopRow):
        try:
            check_tax_id(row.country, row.tax_id)
        except ValidationError as error:
            book.complain(row, "tax_id", error.messages[0])
    settings = {row.name: row for row in book.rows(SettingRow)}
    if own := settings.get("tax_id"):
        try:
            check_tax_id(settings["country"].value if "country" in settings else "US", own.value)
        except ValidationError as error:
            book.complain(own, "value", error.messages[0])


def _check_currency(book: Workbook) -> None:
    """Amounts are stored in one currency: it can't change under them."""
    used = Order.objects.exists() or Invoice.objects.exists() or Payment.objects.exists()
    before = workshop.workshop().currency
    if used and currency(book) != before:
        book.complain_of(
            SettingRow, f"the currency can't become {currency(book)}: there are orders in {before} already."
        )


def _check_items(book: Workbook) -> None:
    """What an item is can't change once there is stock or an order of it."""
    stored = {item.code: item for item in Item.objects.all()}
    used = set(Lot.objects.values_list("item__code", flat=True)) | set(
        OrderLine.objects.values_list("item__code", flat=True)
    )
    for row in book.rows(ItemRow):
        item = stored.get(row.code)
        if item is None or row.code not in used:
            continue
        for column in ("kind", "unit", "scented"):
            if getattr(item, column) != getattr(row, column):
                was = f"it is {column} {getattr(item, column)} and there is stock or an order of it"
                book.complain(row, column, f"{was}. Give the new item its own code.")


def _check_steps(book: Workbook) -> None:
    """A step that open orders have passed or wait for must stay in the recipe."""
    steps = {(row.item, row.code) for row in book.rows(OperationRow)}
    items = {row.code: row for row in book.rows(ItemRow)}
    portions = LoadPortion.objects.filter(order_scent__line__order__state__in=OPEN_STATES)
    for item, step in portions.values_list("item__code", "operation").distinct().order_by("item__code", "operation"):
        if item in items and (item, step) not in steps:
            message = (
                f"open orders of {item} go through the step {step}. Keep it in operations.csv until they have left."
            )
            book.complain(items[item], "code", message)


def _check_lots(book: Workbook, catalogue: Catalogue) -> None:
    lots = {lot.code: lot for lot in Lot.objects.select_related("item")}
    for row in book.rows(StockRow):
        if row.item not in catalogue.items:
            continue
        lot = lots.get(row.lot)
        if row.lot.startswith("B-"):
            book.complain(row, "lot", "B- begins the numbers of batches made here. Give the lot another code.")
        elif lot and (lot.item.code, lot.scent) != (row.item, row.scent):
            book.complain(row, "lot", f"this lot is of {lot.item.code} {lot.scent}. Give the new lot its own code.")
        elif lot and (least := _spoken_for(lot)) > counted(row, catalogue.items[row.item].unit):
            book.complain(row, "quantity", f"{least} of this lot are reserved or gone already. Write at least so many.")


def _spoken_for(lot: Lot) -> int:
    """The least a lot must have been opened with, for what has been taken and reserved since."""
    there = lot.movements.aggregate(all=Sum("quantity"))["all"] or 0
    held = lot.reservations.aggregate(all=Sum(F("pieces") - F("shipped")))["all"] or 0
    return int(opened_with(lot) - (there - held))
