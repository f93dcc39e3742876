"""What changes from one basket to another, in a few words of the order sheet."""

from collections.abc import Sequence

from wholesale.core.orders import Basket, BasketLine
from wholesale.queries.sheet import Product
from wholesale.web.templatetags.casewright import count


def offered(now: Basket, other: Basket, products: Sequence[Product]) -> str:
    """Which cases an offer changes or puts off: ``without Pebble jar, mixed; 1 instead of 2 cases of Fern tin``.

    Of a single line the offer's own words say it all.
    """
    if len(now.lines) < 2:
        return ""
    return "; ".join([*_lines(now, other, products), *_later(other, products)])


def taken(now: Basket, other: Basket, products: Sequence[Product]) -> str:
    """What was changed on the sheet, as a sentence; nothing where nothing was."""
    parts = _lines(now, other, products)
    if other.pick_up != now.pick_up:
        parts.append("you fetch it from the workshop" if other.pick_up else "it is sent to you")
    if bool(other.first) != bool(now.first):
        parts += ["in two shipments", *_later(other, products)] if other.first else ["all in one shipment"]
    return f"Changed: {'; '.join(parts)}." if parts else ""


def _lines(now: Basket, other: Basket, products: Sequence[Product]) -> list[str]:
    had, has = _cases(now, products), _cases(other, products)
    return [_line(name, had.get(name, 0), has.get(name, 0)) for name in had | has if had.get(name) != has.get(name)]


def _line(name: str, had: int, has: int) -> str:
    if not has:
        return f"without {name}"
    return f"{has} instead of {_of(name, had)}" if had else f"with {_of(name, has)}"


def _later(basket: Basket, products: Sequence[Product]) -> list[str]:
    """What goes in the second shipment, if there is one."""
    return [
        f"later {' and '.join(_of(name, cases) for name, cases in _cases(rest, products).items())}"
        for rest in basket.shipments()[1:]
    ]


def _of(name: str, cases: int) -> str:
    return f"{count(cases, 'case,cases')} of {name}"


def _cases(basket: Basket, products: Sequence[Product]) -> dict[str, int]:
    """Cases by what a shop calls them."""
    known = {product.code: product for product in products}
    cases: dict[str, int] = {}
    for line in basket.lines:
        name = _name(line, known.get(line.item))
        cases[name] = cases.get(name, 0) + line.cases
    return cases


def _name(line: BasketLine, product: Product | None) -> str:
    """The product with its one scent, if it has any: ``Succulent cup, Rain garden``; ``Pebble jar, mixed``."""
    if product is None:
        return line.item
    scents = {choice.scent: choice.name for choice in product.choices}
    what = scents.get(line.mix[0][0], "") if len(line.mix) == 1 else "mixed"
    return f"{product.name}, {what}" if what else product.name
