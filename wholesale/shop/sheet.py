"""The order sheet: choose cases, see what they come to and when they leave, place the order."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, InvalidOperation
from itertools import zip_longest

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from accounts import access
from accounts.models import Membership
from wholesale.actions import holding
from wholesale.actions import orders as order_actions
from wholesale.core.orders import MOST_CASES
from wholesale.core.values import Refusal
from wholesale.queries import holds, order_pages, orders, sheet
from wholesale.queries.orders import Quote
from wholesale.queries.sheet import Product, Sheet, field_name
from wholesale.shop import carried, changes
from wholesale.shop import typed as typing_in
from wholesale.shop.carried import Carried
from wholesale.shop.panel import panel
from wholesale.shop.typed import Typed
from wholesale.web.access import answered, buyer_at, member_of, signed_in
from wholesale.web.templatetags.casewright import day, time_of_day

LOOK_FIRST = "Here is what your order comes to and when it leaves. Nothing is ordered yet: look it over, then place it."


class Details(forms.Form):
    """What goes with an order besides its cases."""

    po_number = forms.CharField(label="Your order number", max_length=40, required=False)
    note = forms.CharField(
        label="Note to the workshop", max_length=1000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    ship_to = forms.TypedChoiceField(label="Send it to", coerce=int, empty_value=None, required=False)

    def __init__(self, places: tuple[sheet.Place, ...], data: Mapping[str, str] | None = None) -> None:
        super().__init__(data)
        self.fields["ship_to"].choices = [(place.id, place.text) for place in places]  # type: ignore[attr-defined]


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One quantity of the sheet."""

    name: str
    title: str
    value: str
    leaves: date | None = None


@dataclass(frozen=True, kw_only=True)
class Row:
    """One product with its quantities as they were typed, and what is wrong with them."""

    product: Product
    cells: tuple[Cell, ...]
    mixed: Cell | None
    pieces: tuple[Cell, ...]
    error: str

    @property
    def dated(self) -> bool:
        """Is the day of any of its scents known before it is ordered?"""
        return any(cell.leaves for cell in self.cells)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def order_sheet(request: HttpRequest, slug: str) -> HttpResponseBase:
    """Show the sheet; a POST works it out again, changes or keeps it, or places the order."""
    membership = buyer_at(request, slug) if request.method == "POST" else member_of(request, slug)
    page = sheet.sheet(membership.shop)
    if request.method != "POST":
        return _opened(request, membership, page)
    found = typing_in.read(request.POST.dict(), page.products)
    if request.POST.get("do") == "place":
        return _placed(request, membership, page, found)
    if request.POST.get("do") == "keep":
        return _sent(request, membership, page, found, said=_keep(request, membership, found))
    then = _changed(request, page)
    return _sent(request, membership, page, then, said=_what_changed(membership, page, found, then))


@login_required
@never_cache
@require_POST
def order_panel(request: HttpRequest, slug: str) -> HttpResponse:
    """Show only what the order comes to, after a quantity was changed."""
    membership = buyer_at(request, slug)
    page = sheet.sheet(membership.shop)
    found = typing_in.read(request.POST.dict(), page.products)
    return render(request, "shop/sheet_changed.html", _context(membership, page, found, _quote(membership, found)))


def _opened(request: HttpRequest, membership: Membership, page: Sheet) -> HttpResponse:
    data = request.GET.dict()
    notice = ""
    if number := data.get("again"):
        again = sheet.again(membership.shop, number)
        data = again.fields
        notice = _repeated(again) if again.fields else f"There is no order {number} to repeat."
    return _shown(request, membership, page, typing_in.read(data, page.products), notice=notice)


def _repeated(again: sheet.Again) -> str:
    left = ", ".join(again.left)
    missing = f" Not repeated: {left}; a second mix of one product needs an order of its own." if left else ""
    return f"The cases of {' and '.join(again.numbers)}, at today's prices and dates. Nothing is ordered yet.{missing}"


def _changed(request: HttpRequest, page: Sheet) -> Typed:
    """Return the sheet after its button was pressed: an alternative taken, or the cases added that close a gap."""
    fields = typing_in.taken(request.POST.dict(), request.POST.get("take", ""))
    item, _, cases = request.POST.get("add", "").partition(":")
    product = next((product for product in page.products if product.code == item and product.sold), None)
    if product:
        fields |= typing_in.with_more(fields, product, typing_in.count(cases) or 0)
    return typing_in.read(fields, page.products)


def _what_changed(membership: Membership, page: Sheet, found: Typed, then: Typed) -> str:
    """Say what a button changed; and that a date was kept for what stood there before, and for nothing else."""
    said = changes.taken(found.basket, then.basket, page.products)
    kept = holds.kept(membership.shop, found.basket) if said else None
    if kept is None:
        return said
    until = time_of_day(kept.expires_at)
    return f"{said} The date kept for you until {until} was for the order as it was; this one is not kept yet."


def _sent(request: HttpRequest, membership: Membership, page: Sheet, found: Typed, *, said: str = "") -> HttpResponse:
    """Answer with the address of the sheet as it stands now, so that Back and Reload find it again."""
    details = Details(page.ship_to, request.POST.dict())
    typed = {name: request.POST.get(name, "") for name in details.fields}
    slug, going = membership.shop.slug, Carried(details=typed, said=said)
    answer = carried.sent(request, slug, found, page.products, going) if details.is_valid() else None
    return answer or _shown(request, membership, page, found, said=said)


def _placed(request: HttpRequest, membership: Membership, page: Sheet, found: Typed) -> HttpResponse:
    """Place what was seen; anything else is shown first, with all that was typed."""
    details = Details(page.ship_to, request.POST.dict())
    quote = _quote(membership, found, alternatives=False)
    said = _unseen(request, found, quote) if details.is_valid() else "Please mend what is marked below."
    if not said:
        try:
            return _order(request, membership, found, details)
        except Refusal as refused:
            said = refused.message
    if number := _placed_before(request, membership, found):
        return redirect("shop:order", membership.shop.slug, number)
    if said == LOOK_FIRST:
        messages.info(request, f"{said} {_keep(request, membership, found)}".strip())
        return _sent(request, membership, page, found)
    return _shown(request, membership, page, found, notice=said, refused=True)


def _keep(request: HttpRequest, membership: Membership, found: Typed) -> str:
    """Have the order's place kept while it is looked over; return what there is to say, besides what the panel says."""
    if found.unread or not found.basket.lines:
        return ""
    try:
        with answered():
            holding.hold(by=signed_in(request), shop=membership.shop.slug, basket=found.basket)
    except Refusal as refused:
        # What is wrong with the order itself stands in the panel.
        return refused.message if refused.code in {"holds_a_day", "busy"} else ""
    return ""


def _order(request: HttpRequest, membership: Membership, found: Typed, details: Details) -> HttpResponse:
    slug = membership.shop.slug
    if number := _placed_before(request, membership, found):
        messages.info(request, f"This order is placed already, as {number}; nothing was ordered twice.")
        return redirect("shop:order", slug, number)
    with answered():
        number = order_actions.place(
            by=signed_in(request), shop=slug, basket=found.basket, token=request.POST["token"],
            seen_total=_decimal(request.POST.get("seen_total", "")), **details.cleaned_data,
        )  # fmt: skip
    carried.forget(request)
    return redirect("shop:order", slug, number)


def _placed_before(request: HttpRequest, membership: Membership, found: Typed) -> str:
    """Return the order that this very working out has placed already: a second press, a resend, a second tab."""
    if request.POST.get("seen_basket") != found.digest:
        return ""
    return order_pages.placed_with(membership.shop, request.POST.get("token", ""))


def _unseen(request: HttpRequest, found: Typed, quote: Quote | None) -> str:
    """Say why this order can't be placed as it was seen; nothing if it can."""
    if found.unread:
        return " ".join(found.unread.values())
    if quote is None or quote.refusal:
        return quote.refusal.message if quote and quote.refusal else "The order is empty; choose at least one case."
    if request.POST.get("seen_basket") != found.digest or not request.POST.get("token"):
        return LOOK_FIRST
    seen, leaves = request.POST.get("seen_leaves", ""), [part.promise.leaves for part in quote.parts]
    if any(then < now.isoformat() for then, now in zip_longest(seen.split(), leaves, fillvalue="")):  # type: ignore[union-attr]
        days = " and ".join(day(now) for now in leaves)
        return f"Since you looked, the day it leaves has moved to {days}. Place it again if that suits you."
    return ""


def _decimal(text: str) -> Decimal | None:
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


def _quote(membership: Membership, found: Typed, *, alternatives: bool = True) -> Quote | None:
    if not found.basket.lines:
        return None
    return orders.quote(membership.shop, found.basket, alternatives=alternatives)


def _shown(
    request: HttpRequest, membership: Membership, page: Sheet, found: Typed, *,
    notice: str = "", refused: bool = False, said: str = ""
) -> HttpResponse:  # fmt: skip
    kept = carried.found_again(request, membership.shop.slug, found) if request.method != "POST" else Carried()
    data = request.POST.dict() if request.method == "POST" else kept.details or None
    context = _context(membership, page, found, _quote(membership, found))
    details = {"details": Details(page.ship_to, data), "notice": notice, "refused": refused, "said": said or kept.said}
    status = 422 if request.POST.get("do") == "place" else 200
    return render(request, "shop/sheet.html", context | details, status=status)


def _context(membership: Membership, page: Sheet, found: Typed, quote: Quote | None) -> dict[str, object]:
    """Return what the sheet and its panel show, with the token of what is worked out."""
    errors = _errors(found, quote)
    rows = [_row(product, found, errors) for product in page.products]
    return {
        "shop": membership.shop,
        "sheet": page,
        "rows": [
            row
            for row in rows
            if row.product.sold or row.error or any(cell.value not in {"", "0"} for cell in row.cells)
        ],
        "may_order": access.can_order(membership),
        "most": MOST_CASES,
        "panel": panel(quote, page.products) if quote else None,
        "wrong": next(((row.product.code, row.error) for row in rows if row.error), _wrong_wish(found)),
        "wishes": _wishes(found),
        "keeps": page.hold_minutes,
        "token": _token(membership, page, found),
        "digest": found.digest,
    }


@dataclass(frozen=True, kw_only=True)
class Wishes:
    """When a shop wants its goods, and whether it fetches them, as typed; ``first`` is what goes ahead."""

    wanted_from: str
    wanted_by: str
    pick_up: bool
    first: str
    errors: tuple[str, ...]


def _wishes(found: Typed) -> Wishes:
    return Wishes(
        wanted_from=found.fields.get("wanted_from", ""), wanted_by=found.fields.get("wanted_by", ""),
        pick_up=found.basket.pick_up, first=found.fields.get("first", "") if found.basket.first else "",
        errors=tuple(found.unread[name] for name in ("wanted_from", "wanted_by") if name in found.unread),
    )  # fmt: skip


def _wrong_wish(found: Typed) -> tuple[str, str] | None:
    errors = _wishes(found).errors
    return ("wishes", errors[0]) if errors else None


def _token(membership: Membership, page: Sheet, found: Typed) -> str:
    """Return what makes one order of it: the same for one person's same basket until the shop's next order is placed.

    Two tabs that show the same order place it once; once it is placed, the same basket is a new order.
    """
    means = f"{membership.user_id}/{membership.shop_id}/{page.placed}/{found.digest}"
    return hashlib.sha256(means.encode()).hexdigest()[:32]


def _errors(found: Typed, quote: Quote | None) -> dict[str, str]:
    refusal = quote.refusal if quote else None
    told = {refusal.field: refusal.message} if refusal else {}
    return {**told, **found.unread}


def _row(product: Product, found: Typed, errors: Mapping[str, str]) -> Row:
    mixed = field_name("m", product.code)
    return Row(
        product=product,
        cells=tuple(
            Cell(name=name, title=choice.name, value=found.fields.get(name, "0"), leaves=choice.leaves)
            for choice in product.choices
            for name in [field_name("c", product.code, choice.scent)]
        ),
        mixed=Cell(name=mixed, title="Mixed case", value=found.fields.get(mixed, "0")) if product.mixes else None,
        pieces=_pieces(product, found) if product.mixes else (),
        error=errors.get(product.code, ""),
    )


def _pieces(product: Product, found: Typed) -> tuple[Cell, ...]:
    """Return pieces of each scent in a mixed case, as typed, or a mix that the rules allow."""
    mix = typing_in.mix_typed(product, found.fields)
    names = {choice: field_name("m", product.code, choice.scent) for choice in product.choices}
    return tuple(
        Cell(name=name, title=choice.name, value=found.fields.get(name, str(mix.get(choice.scent, 0))))
        for choice, name in names.items()
    )
