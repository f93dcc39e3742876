"""A shop's orders as the API tells them."""

from typing import Any

from django.core.paginator import Paginator

from accounts.models import Shop
from wholesale.core.values import NotFound, from_e4, from_minor
from wholesale.models import Order, OrderLine

PAGE = 25


def orders(shop: Shop, page: str) -> list[dict[str, Any]]:
    """One page of the shop's orders, newest first; a page beyond the last is the last: 2 queries."""
    return [_row(order) for order in Paginator(Order.objects.filter(shop=shop), PAGE).get_page(page)]


def order(shop: Shop, number: str) -> dict[str, Any]:
    """One order of the shop with its lines, ``NotFound`` for any other: 4 queries."""
    related = ("lines__scents", "lines__item", "promise_changes")
    row = Order.objects.filter(shop=shop, number=number).prefetch_related(*related).first()
    if row is None:
        raise NotFound("order", f"There is no order {number} for {shop}.", "number")
    return _row(row) | {
        "po_number": row.po_number,
        "deposit": from_minor(row.deposit_minor, row.currency),
        "deposit_by": row.deposit_by,
        "wanted_from": row.wanted_from,
        "wanted_by": row.wanted_by,
        "pick_up": row.pick_up,
        "gates": row.gates,
        "promise_changes": list(row.promise_changes.all()),
        "lines": [_line(line) for line in row.lines.all()],
    }


def number_of(shop: Shop, token: str) -> str | None:
    """The order that this token has placed already: 1 query."""
    return Order.objects.filter(shop=shop, token=token).values_list("number", flat=True).first()


def _row(row: Order) -> dict[str, Any]:
    return {
        "number": row.number,
        "state": row.state,
        "placed_at": row.placed_at,
        "currency": row.currency,
        "total": from_minor(row.total_minor, row.currency),
        "leaves": row.promised_leaves,
        "arrives": row.promised_arrives,
    }


def _line(line: OrderLine) -> dict[str, Any]:
    return {
        "item": line.item.code,
        "name": line.name,
        "cases": line.cases,
        "case_pack": line.case_pack,
        "cases_shipped": line.cases_shipped,
        "unit_price": from_e4(line.unit_price_e4),
        "mix": [{"scent": part.scent, "pieces": part.pieces_per_case} for part in line.scents.all()],
    }
