"""Cross-checks of settings, calendar, prices, shops, people and orders."""

from collections.abc import Collection, Sequence
from datetime import date

from wholesale.core.catalogue import Catalogue, ItemKind
from wholesale.core.orders import BasketLine, refuse_line
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.values import Refusal, to_minor
from wholesale.core.workbook.cells import WEEKDAYS
from wholesale.core.workbook.reading import Workbook
from wholesale.core.workbook.rows import Row
from wholesale.core.workbook.sheets import (
    AddressRow,
    DayRow,
    ItemRow,
    OrderRow,
    PersonRow,
    PriceRow,
    SettingRow,
    ShopRow,
    TierRow,
    WeekRow,
)
from wholesale.core.workshop import setting


def check_trade(book: Workbook, catalogue: Catalogue, today: date, placed: Collection[tuple[str, str]] = ()) -> None:
    """Add what is wrong with the sheets about shops and their orders to the book's complaints.

    ``catalogue`` is the one the sheets describe, without items when it is itself wrong;
    ``placed`` the orders that stand already, by shop and token: they keep what was agreed.
    """
    _check_settings(book)
    _check_calendar(book, today)
    _check_prices(book)
    _check_tiers(book)
    _check_shops(book)
    _check_addresses(book)
    _check_people(book)
    if catalogue.items:
        _check_orders(book, catalogue, placed)


# ── the house ────────────────────────────────────────────────────────────────


def _check_settings(book: Workbook) -> None:
    for row in book.rows(SettingRow):
        try:
            setting(row.name).value(row.value)
        except Refusal as refusal:
            book.complain(row, "name" if refusal.code == "setting_unknown" else "value", refusal.message)


def currency(book: Workbook) -> str:
    """The currency the sheets' prices are in; the default where the sheets name none there is."""
    rule = setting("currency")
    named = next((row.value for row in book.rows(SettingRow) if row.name == rule.name), rule.default)
    try:
        return str(rule.value(named))
    except Refusal:
        return rule.default


def _check_calendar(book: Workbook, today: date) -> None:
    week = book.rows(WeekRow)
    groups = {group for row in week for group in row.hands or ()}
    days: list[WeekRow | DayRow] = [*week, *book.rows(DayRow)]
    for row in days:
        _check_day(book, row, groups)
    lacking = [name for number, name in enumerate(WEEKDAYS) if number not in {row.weekday for row in week}]
    if lacking and book.is_whole(WeekRow):
        book.complain_of(
            WeekRow, f"{', '.join(lacking)} is missing. Give each weekday its row; one nobody works on is closed."
        )
    if not book.is_whole(WeekRow):
        return
    try:
        calendar(book).work_from(today)
    except Refusal as refusal:
        book.complain_of(WeekRow, refusal.message)


def _check_day(book: Workbook, row: WeekRow | DayRow, groups: set[str]) -> None:
    if row.kind is not DayKind.WORK:
        return
    if row.opens is None or row.closes is None or row.opens >= row.closes:
        book.complain(row, "opens", "a work day opens before it closes. Give both times.")
    if lacking := sorted(groups - set(row.hands or ())):
        message = (
            f"a work day gives the minutes of each group of hands; missing: {', '.join(lacking)}. Write 0 for none."
        )
        book.complain(row, "hands", message)
    elif not row.hands:
        book.complain(row, "hands", "a work day gives the minutes of those who work, such as 'bench=360'.")


def calendar(book: Workbook) -> Calendar:
    """The calendar the sheets describe."""
    return Calendar(
        week={row.weekday: _day(row) for row in book.rows(WeekRow)},
        days={row.day: _day(row) for row in book.rows(DayRow)},
    )


def _day(row: WeekRow | DayRow) -> Day:
    return Day(kind=row.kind, opens=row.opens, closes=row.closes, minutes=row.hands or {})


# ── prices ───────────────────────────────────────────────────────────────────


def _check_prices(book: Workbook) -> None:
    products = {row.code for row in book.rows(ItemRow) if row.kind is ItemKind.PRODUCT}
    first: dict[str, PriceRow] = {}
    for row in book.rows(PriceRow):
        book.complain_unknown(row, "item", products, ItemRow)
        same = first.setdefault(row.price_list, row)
        if (row.valid_from, row.valid_until) != (same.valid_from, same.valid_until):
            book.complain(
                row,
                "valid_from",
                f"row {same.row} gives the list {row.price_list} other days. Give all its rows the same.",
            )
        if row.valid_until is not None and row.valid_until < row.valid_from:
            book.complain(
                row, "valid_until", "the list ends before it starts. Exchange the days or leave this one empty."
            )


def _check_tiers(book: Workbook) -> None:
    for row in book.rows(TierRow):
        try:
            to_minor(row.from_amount, currency(book))
        except Refusal as refusal:
            book.complain(row, "from_amount", refusal.message)


# ── shops and people ─────────────────────────────────────────────────────────


def _check_shops(book: Workbook) -> None:
    for row in book.rows(ShopRow):
        in_order(book, row, "closed_on", row.opened_on, row.closed_on, "the account closes before it opens")
        in_order(
            book, row, "certificate_expires_on", row.certificate_signed_on, row.certificate_expires_on,
            "the certificate expires before it is signed",
        )  # fmt: skip


def in_order(book: Workbook, row: Row, column: str, start: date | None, end: date | None, what: str) -> None:
    """Complain when one day comes before another that it must follow."""
    if start is not None and end is not None and end < start:
        book.complain(row, column, f"{what}. Compare both days with the paper.")


def _check_addresses(book: Workbook) -> None:
    shops = {row.shop for row in book.rows(ShopRow)}
    defaults: dict[tuple[str, str], int] = {}
    for row in book.rows(AddressRow):
        book.complain_unknown(row, "shop", shops, ShopRow)
        if row.default and (row.shop, row.kind) in defaults:
            earlier = defaults[row.shop, row.kind]
            book.complain(row, "default", f"row {earlier} is the default {row.kind} of {row.shop} already. Keep one.")
        elif row.default:
            defaults[row.shop, row.kind] = row.row
    for shop in book.rows(ShopRow):
        lacking = [kind for kind in ("ship_to", "bill_to") if (shop.shop, kind) not in defaults]
        if lacking and book.is_whole(AddressRow):
            book.complain(
                shop, "shop", f"it has no default {' and no default '.join(lacking)} in addresses.csv. Add one."
            )


def _check_people(book: Workbook) -> None:
    shops = {row.shop for row in book.rows(ShopRow)}
    first: dict[str, PersonRow] = {}
    for row in book.rows(PersonRow):
        same = first.setdefault(row.email, row)
        if (row.name, row.staff_role) != (same.name, same.staff_role):
            book.complain(
                row, "name", f"row {same.row} gives {row.email} another name or staff role. Give all rows the same."
            )
        if bool(row.shop) != bool(row.shop_role):
            book.complain(
                row, "shop_role", "a shop and what the person may do there go together. Fill in both or neither."
            )
        if not row.shop and not row.staff_role:
            book.complain(row, "staff_role", "say what the person does: a staff_role here, or a shop and a shop_role.")
        book.complain_unknown(row, "shop", shops | {""}, ShopRow)


# ── orders ───────────────────────────────────────────────────────────────────


def _check_orders(book: Workbook, catalogue: Catalogue, placed: Collection[tuple[str, str]]) -> None:
    shops = {row.shop for row in book.rows(ShopRow)}
    for row in book.rows(OrderRow):
        book.complain_unknown(row, "shop", shops, ShopRow)
        if (row.shop, row.token) not in placed:
            _check_order(book, catalogue, row)
    for rows in orders(book).values():
        _check_same(book, rows)


def _check_order(book: Workbook, catalogue: Catalogue, row: OrderRow) -> None:
    buyers = {p.email for p in book.rows(PersonRow) if p.shop == row.shop and p.shop_role in {"owner", "buyer"}}
    if row.by not in buyers and book.is_whole(PersonRow):
        book.complain(row, "by", f"people.csv has no such owner or buyer of {row.shop}. Name one who may order.")
    try:
        refuse_line(basket_line(row, catalogue), catalogue)
    except Refusal as refusal:
        book.complain(row, "mix" if "mix" in refusal.code or "scent" in refusal.code else "item", refusal.message)


def _check_same(book: Workbook, rows: Sequence[OrderRow]) -> None:
    first = rows[0]
    for row in rows[1:]:
        for column in ("shop", "by", "po_number", "note", "confirmed"):
            if getattr(row, column) != getattr(first, column):
                book.complain(
                    row,
                    column,
                    f"row {first.row} has the same token and says {getattr(first, column)}. Give both the same.",
                )


def orders(book: Workbook) -> dict[str, list[OrderRow]]:
    """The rows of each order by its token, in the order they stand."""
    found: dict[str, list[OrderRow]] = {}
    for row in book.rows(OrderRow):
        found.setdefault(row.token, []).append(row)
    return found


def basket_line(row: OrderRow, catalogue: Catalogue) -> BasketLine:
    """The line an order row stands for; one scent alone fills the case."""
    pack = catalogue.items[row.item].case_pack if row.item in catalogue.items else 0
    return BasketLine(item=row.item, cases=row.cases, mix=tuple((scent, pieces or pack) for scent, pieces in row.mix))
