"""Cross-checks of what lies on the shelf and what shall lie there."""

from wholesale.core.catalogue import Catalogue, Item, ItemKind, Unit
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import DeliveryRow, ItemRow, MaterialRow, ScentRow, StockRow, TargetRow
from wholesale.core.workbook.trade import in_order

_OF_THE_LOT = ("item", "scent", "made_on", "usable_on", "state", "supplier", "supplier_lot", "expires_on")


def check_shelf(book: Workbook, catalogue: Catalogue) -> None:
    """Add what is wrong with stock, deliveries and targets to the book's complaints."""
    first: dict[str, StockRow] = {}
    for row in book.rows(StockRow):
        _check_lot(book, catalogue, row)
        _check_same(book, row, first.setdefault(row.lot, row))
    for delivery in book.rows(DeliveryRow):
        _check_delivery(book, catalogue, delivery)
    for target in book.rows(TargetRow):
        item = check_sku(book, catalogue, target, target.item)
        if item and (item.kind is ItemKind.MATERIAL or item.unit is not Unit.PIECE):
            book.complain(target, "item", f"{target.item} is not made by the piece; a target is for what is.")


def check_sku(book: Workbook, catalogue: Catalogue, row: Row, code: str) -> Item | None:
    """The item a row names in its columns item and scent, if there is one."""
    item = catalogue.items.get(code)
    if item is None:
        book.complain_unknown(row, "item", catalogue.items, ItemRow, MaterialRow)
        return None
    book.complain_unknown(row, "scent", catalogue.scents if item.scented else {""}, ScentRow)
    return item


def _check_lot(book: Workbook, catalogue: Catalogue, row: StockRow) -> None:
    item = check_sku(book, catalogue, row, row.item)
    in_order(book, row, "usable_on", row.made_on, row.usable_on, "the lot is usable before it was made")
    in_order(book, row, "expires_on", row.usable_on, row.expires_on, "the lot expires before it is usable")
    if (row.quantity is None) == (row.on_hand is None):
        book.complain(
            row, "quantity", "give one of quantity and on_hand: what the lot is opened with, or what is left."
        )
        return
    column, counted = ("on_hand", row.on_hand) if row.quantity is None else ("quantity", row.quantity)
    if item and item.unit is Unit.PIECE and counted is not None and counted != int(counted):
        book.complain(row, column, f"{row.item} is counted in pieces. Write a whole number.")


def _check_delivery(book: Workbook, catalogue: Catalogue, row: DeliveryRow) -> None:
    item = check_sku(book, catalogue, row, row.item)
    in_order(book, row, "expected_on", row.ordered_on, row.expected_on, "it comes before it was ordered")
    if item and item.kind is ItemKind.PRODUCT:
        book.complain(row, "item", f"{row.item} is made here; nothing of it is on order. Name what is bought.")
    if item and item.unit is Unit.PIECE and row.quantity != int(row.quantity):
        book.complain(row, "quantity", f"{row.item} is counted in pieces. Write a whole number.")


def _check_same(book: Workbook, row: StockRow, first: StockRow) -> None:
    for column in _OF_THE_LOT:
        if getattr(row, column) != getattr(first, column):
            message = f"row {first.row} says something else of the lot {row.lot}. Give both the same."
            book.complain(row, column, message)
