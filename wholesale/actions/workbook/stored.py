"""What the sheets say against what is stored already: complaints that only the tables can tell."""

from django.core.exceptions import ValidationError
from django.db.models import Q

from accounts.tax_ids import check_tax_id
from wholesale import clock
from wholesale.actions import numbers
from wholesale.actions.workbook import bills, shelf
from wholesale.core.catalogue import Catalogue
from wholesale.core.orders import OPEN_STATES
from wholesale.core.recipes import LimitNote, limits
from wholesale.core.workbook.limits import check_limits
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import BatchRow, ItemRow, OperationRow, SettingRow, ShopRow
from wholesale.core.workbook.trade import currency
from wholesale.models import Invoice, Item, Load, LoadPortion, Lot, Order, OrderLine, Payment
from wholesale.queries import catalogue as goods
from wholesale.queries import workshop


def check_stored(book: Workbook, catalogue: Catalogue) -> tuple[str, ...]:
    """Add to the book's complaints what can't follow on what is stored; return the limits that recipes newly pass."""
    _check_tax_ids(book)
    _check_currency(book)
    bills.check_bills(book)
    if not catalogue.items:
        return ()
    _check_items(book)
    _check_steps(book)
    _check_batches(book)
    shelf.check_lots(book, catalogue)
    return () if book.complaints else check_limits(book, catalogue, _known_limits())


def placed_orders() -> frozenset[tuple[str, str]]:
    """The orders that stand already, by shop and token."""
    return frozenset(Order.objects.values_list("shop__slug", "token"))


def known_batches() -> frozenset[str]:
    """The numbers of the batches that are here already."""
    return frozenset(str(number) for number in Load.objects.exclude(number=None).values_list("number", flat=True))


def _known_limits() -> set[LimitNote]:
    before = goods.catalogue(clock.today())
    return {note for item in before.items for note in limits(before, item)}


def _check_batches(book: Workbook) -> None:
    known = known_batches()
    lots, coming = set(Lot.objects.values_list("code", flat=True)), shelf.coming_batch(book)
    for row in book.rows(BatchRow):
        if row.number in known:
            continue
        number = numbers.number_in("B-", row.number)
        if number is not None and number >= coming:
            message = f"batches made here would come to it. Write in series.csv that B- goes on at {number + 1}."
            book.complain(row, "number", message)
        elif row.number in lots:
            book.complain(row, "number", "a lot of stock has this number. Give the batch another one.")


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
    is_open = Q(order_scent__line__order__state__in=OPEN_STATES) | Q(
        for_stock__isnull=False, for_stock__closed_at__isnull=True
    )
    portions = LoadPortion.objects.filter(is_open)
    for item, step in portions.values_list("item__code", "operation").distinct().order_by("item__code", "operation"):
        if item in items and (item, step) not in steps:
            message = (
                f"open orders of {item} go through the step {step}. Keep it in operations.csv until they have left."
            )
            book.complain(items[item], "code", message)
