"""The API's shapes: plain, in the trade's words; amounts are decimal strings in the order's currency."""

from typing import Any

from rest_framework import serializers as s

from wholesale.core import orders
from wholesale.core.orders import MOST_CASES


def amount(**options: Any) -> s.DecimalField:
    """Money in major units, as a string."""
    return s.DecimalField(max_digits=None, decimal_places=None, **options)


class TokenRequest(s.Serializer[Any]):
    """Who signs in."""

    email = s.EmailField()
    password = s.CharField(max_length=200)


class Token(s.Serializer[Any]):
    """What the header ``Authorization: Token …`` carries from now on."""

    token = s.CharField()


class Problem(s.Serializer[Any]):
    """Why not, and what to do."""

    code = s.CharField()
    message = s.CharField()
    field = s.CharField(allow_blank=True)
    facts = s.DictField()


class Shop(s.Serializer[Any]):
    """A shop the caller acts for."""

    slug = s.CharField()
    name = s.CharField()
    role = s.CharField()


class ScentDate(s.Serializer[Any]):
    """A scent, and when a case of it ordered now would leave (null: not worked out yet)."""

    scent = s.CharField(allow_blank=True)
    name = s.CharField(allow_blank=True)
    leaves = s.DateField(allow_null=True)
    holds_until = s.DateTimeField(allow_null=True)


class Product(s.Serializer[Any]):
    """A product by the case; prices are without tax."""

    code = s.CharField()
    name = s.CharField()
    case_pack = s.IntegerField()
    unit_price = amount()
    case_price = amount()
    mix_scents = s.IntegerField()
    mix_least = s.IntegerField()
    choices = ScentDate(many=True)


class Catalogue(s.Serializer[Any]):
    """What can be ordered today."""

    currency = s.CharField()
    cut_off = s.CharField()
    products = Product(many=True)


class Mix(s.Serializer[Any]):
    """Pieces of one scent in each case; the scent of an unscented product is empty."""

    scent = s.CharField(allow_blank=True, max_length=20)
    pieces = s.IntegerField(min_value=1, max_value=1000)


class Line(s.Serializer[Any]):
    """Whole cases of one product, all of the same mix."""

    item = s.CharField(max_length=40)
    cases = s.IntegerField(min_value=1, max_value=MOST_CASES)
    mix = s.ListField(child=Mix(), allow_empty=False, max_length=20)


class BasketRequest(s.Serializer[Any]):
    """What a shop wants, and when.

    ``wanted_from`` and ``wanted_by`` are days of arrival; ``pick_up``: the shop fetches it;
    ``first``: how many cases of each line, in their order, go ahead in a first shipment.
    """

    lines = s.ListField(child=Line(), allow_empty=False, max_length=200)
    wanted_from = s.DateField(required=False, allow_null=True, default=None)
    wanted_by = s.DateField(required=False, allow_null=True, default=None)
    pick_up = s.BooleanField(required=False, default=False)
    first = s.ListField(
        child=s.IntegerField(min_value=0, max_value=MOST_CASES), required=False, default=list, max_length=200
    )


class OrderRequest(BasketRequest):
    """An order to place; another total than ``seen_total`` (before tax) is a conflict."""

    seen_total = amount(required=False, allow_null=True)
    po_number = s.CharField(required=False, allow_blank=True, max_length=40, default="")
    note = s.CharField(required=False, allow_blank=True, max_length=2000, default="")


class Arithmetic(s.Serializer[Any]):
    """An amount and the sum it came from."""

    name = s.CharField()
    amount = s.CharField()
    shown = s.CharField()


class Closer(s.Serializer[Any]):
    """The cheapest cases that close a gap."""

    item = s.CharField()
    name = s.CharField()
    cases = s.IntegerField()
    list_amount = amount()
    total_change = amount()


class Gap(s.Serializer[Any]):
    """What is missing to the minimum, the next tier or free freight."""

    kind = s.CharField()
    threshold = amount()
    missing = amount()
    closer = Closer(allow_null=True)


class Gate(s.Serializer[Any]):
    """One gate of the promise."""

    title = s.CharField()
    passed_on = s.DateField()
    took_days = s.IntegerField()
    because = s.CharField(allow_blank=True)
    binding = s.BooleanField()


class Promise(s.Serializer[Any]):
    """When it leaves and arrives, and why."""

    leaves = s.DateField()
    arrives = s.DateField()
    holds_until = s.DateTimeField()
    gates = Gate(many=True)


class Basket(s.Serializer[Any]):
    """A basket, as it may be sent."""

    lines = Line(many=True)
    wanted_from = s.DateField(allow_null=True)
    wanted_by = s.DateField(allow_null=True)
    pick_up = s.BooleanField()
    first = s.ListField(child=s.IntegerField())


class Alternative(s.Serializer[Any]):
    """What would come sooner: ``basket`` ordered at once is promised these days. Of a split they are the first's."""

    kind = s.ChoiceField(choices=["pick_up", "split", "fewer", "scent"])
    words = s.CharField()
    leaves = s.DateField()
    arrives = s.DateField()
    rest_leaves = s.DateField(allow_null=True)
    rest_arrives = s.DateField(allow_null=True)
    cases = s.IntegerField()
    freight = amount()
    total = amount()
    basket = Basket()


class Quote(s.Serializer[Any]):
    """A basket priced and promised; nothing is written. ``refusal`` says why it can't be placed as it is.

    Of what goes in two shipments ``promise`` is the first's, ``rest`` the other's.
    """

    currency = s.CharField()
    list_goods = amount()
    discount = amount()
    goods = amount()
    freight = amount()
    total = amount()
    deposit = amount()
    tax = amount()
    total_with_tax = amount()
    arithmetic = Arithmetic(many=True)
    gaps = Gap(many=True)
    promise = Promise(allow_null=True)
    rest = Promise(allow_null=True)
    kept_until = s.DateTimeField(allow_null=True)
    sooner = Alternative(many=True)
    refusal = Problem(allow_null=True)


class OrderRow(s.Serializer[Any]):
    """An order of the list."""

    number = s.CharField()
    state = s.CharField()
    placed_at = s.DateTimeField()
    currency = s.CharField()
    total = amount()
    leaves = s.DateField()
    arrives = s.DateField()


class PromiseChange(s.Serializer[Any]):
    """A promised day that gave way to another, and why."""

    at = s.DateTimeField()
    was_leaves = s.DateField()
    was_arrives = s.DateField()
    leaves = s.DateField()
    arrives = s.DateField()
    because = s.CharField()


class OrderLine(s.Serializer[Any]):
    """A line of a placed order."""

    item = s.CharField()
    name = s.CharField()
    cases = s.IntegerField()
    case_pack = s.IntegerField()
    cases_shipped = s.IntegerField()
    unit_price = amount()
    mix = Mix(many=True)


class Order(OrderRow):
    """One order, whole."""

    po_number = s.CharField(allow_blank=True)
    deposit = amount()
    deposit_by = s.DateField(allow_null=True)
    wanted_from = s.DateField(allow_null=True)
    wanted_by = s.DateField(allow_null=True)
    pick_up = s.BooleanField()
    lines = OrderLine(many=True)
    gates = Gate(many=True)
    promise_changes = PromiseChange(many=True)


class Paper(s.Serializer[Any]):
    """A paper of an order: ``waiting``, ``making``, ``ready`` or ``failed``."""

    id = s.IntegerField()
    title = s.CharField()
    state = s.CharField()


def basket(checked: dict[str, Any]) -> orders.Basket:
    """The core's basket from checked data."""
    lines = tuple(
        orders.BasketLine(
            item=line["item"], cases=line["cases"], mix=tuple((part["scent"], part["pieces"]) for part in line["mix"])
        )
        for line in checked["lines"]
    )
    return orders.Basket(
        lines=lines, wanted_from=checked["wanted_from"], wanted_by=checked["wanted_by"], pick_up=checked["pick_up"],
        first=tuple(checked["first"]),
    )  # fmt: skip


def as_sent(wanted: orders.Basket) -> dict[str, Any]:
    """A basket as the API takes it."""
    lines = [
        {"item": line.item, "cases": line.cases, "mix": [{"scent": scent, "pieces": n} for scent, n in line.mix]}
        for line in wanted.lines
    ]
    return {
        "lines": lines, "wanted_from": wanted.wanted_from, "wanted_by": wanted.wanted_by, "pick_up": wanted.pick_up,
        "first": list(wanted.first),
    }  # fmt: skip
