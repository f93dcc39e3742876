"""The open orders of the workbook, placed like any other, once each."""

from accounts.models import StaffRole, User
from wholesale.actions import orders
from wholesale.actions.workbook.changes import Changes, plain_text
from wholesale.core.catalogue import Catalogue
from wholesale.core.orders import Basket, OrderState
from wholesale.core.values import Refusal
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.sheets import OrderRow
from wholesale.core.workbook.trade import basket_line
from wholesale.core.workbook.trade import orders as by_token
from wholesale.models import Order


def place_orders(changes: Changes, book: Workbook, catalogue: Catalogue) -> None:
    """Place what is not placed yet, and confirm what the sheet says is confirmed."""
    for rows in by_token(book).values():
        basket = Basket(lines=tuple(basket_line(row, catalogue) for row in rows))
        try:
            _place(changes, rows[0], basket)
        except Refusal as refusal:
            column = refusal.field if refusal.field in OrderRow.columns() else "token"
            book.complain(rows[0], column, refusal.message)


def _place(changes: Changes, row: OrderRow, basket: Basket) -> None:
    order = Order.objects.filter(shop__slug=row.shop, token=row.token).first()
    if order is None:
        by = User.objects.get(email=row.by)
        number = orders.place(
            by=by, shop=row.shop, basket=basket, token=row.token, po_number=row.po_number, note=row.note
        )
        order = Order.objects.get(number=number)
        changes.note(row, "added", f"order {number}")
    elif (_ordered(order), order.po_number, plain_text(order.note)) != (_lines(basket), row.po_number, row.note):
        message = f"this token is order {order.number}, which says something else. Give the new order its own token."
        raise Refusal("token_used", message, "token")
    if row.confirmed and order.state == OrderState.PLACED:
        orders.confirm(by=_maker(), number=order.number)
        changes.note(row, "changed", f"order {order.number} confirmed")


def _lines(basket: Basket) -> list[tuple[str, int, str, int]]:
    return sorted((line.item, line.cases, scent, pieces) for line in basket.lines for scent, pieces in line.mix)


def _ordered(order: Order) -> list[tuple[str, int, str, int]]:
    rows = order.lines.values_list("item__code", "cases", "scents__scent", "scents__pieces_per_case")
    return sorted(rows)


def _maker() -> User:
    maker = User.objects.filter(staff_role=StaffRole.MAKER, is_active=True).first()
    if maker is None:
        raise Refusal("no_maker", "nobody in people.csv is maker, who confirms orders. Add one.", "confirmed")
    return maker
