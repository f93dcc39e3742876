"""What was typed on the order sheet, kept as it was typed, and the basket it means.

Fields: ``c-ITEM-SCENT`` cases of one scent (``c-ITEM`` for an unscented product),
``m-ITEM`` mixed cases, ``m-ITEM-SCENT`` pieces of a scent in each mixed case;
``wanted_from`` and ``wanted_by`` days of arrival, ``pick_up`` that the shop fetches it,
``first`` the cases that go ahead, as fields of the sheet: ``c-ITEM-SCENT=19&m-ITEM=2``.
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from urllib.parse import parse_qsl, urlencode

from wholesale.core.orders import Basket, BasketLine
from wholesale.core.values import share
from wholesale.queries.sheet import Product, field_name

#: A number with more digits is a slip of the finger, and no order.
_MOST_DIGITS = 6
#: Fields besides quantities.
_WISHES = ("wanted_from", "wanted_by", "pick_up", "first")
#: How no cases are written.
_NONE = ("", "0")
_DAYS = {"wanted_from": "Not before", "wanted_by": "Not after"}


@dataclass(frozen=True, kw_only=True)
class Typed:
    """The fields by name, the basket they make, and what could not be read, by item code."""

    fields: Mapping[str, str]
    basket: Basket
    unread: Mapping[str, str] = field(default_factory=dict)

    @property
    def nothing(self) -> bool:
        """Was nothing chosen, and nothing mistyped?"""
        return not self.basket.lines and not self.unread

    @property
    def digest(self) -> str:
        """Equal for equal baskets: says which basket a total was worked out for."""
        return hashlib.sha256(repr(self.basket).encode()).hexdigest()[:16]


def read(data: Mapping[str, str], products: Iterable[Product]) -> Typed:
    """Read the sheet's fields; what can't be read is named beside its product."""
    fields = {
        name: text.strip() for name, text in data.items() if name.startswith(("c-", "m-")) or name in _WISHES
    }  # fmt: skip
    lines: list[BasketLine] = []
    unread: dict[str, str] = {}
    known: set[str] = set()
    for product in products:
        names = names_of(product)
        known.update(names)
        wrong = next((name for name in names if count(fields.get(name, "")) is None), "")
        if wrong:
            unread[product.code] = (
                f"{product.name}: '{fields[wrong]}' is not a number of cases or pieces; write 0, 1, 2 …"
            )
        else:
            lines += _lines(product, fields)
    strangers = [name for name in fields if name not in known and name not in _WISHES and count(fields[name])]
    lines += [BasketLine(item=name[2:], cases=1, mix=()) for name in strangers]
    basket = Basket(lines=tuple(lines), pick_up=bool(fields.get("pick_up")))
    return _with_wishes(Typed(fields=fields, basket=basket, unread=unread))


def _with_wishes(typed: Typed) -> Typed:
    """With the days it is wanted on, as far as they are days, and what goes ahead, as far as it still fits."""
    since, until = (_day(typed.fields.get(name, "")) for name in _DAYS)
    wrong = {
        name: f"{_DAYS[name]}: '{typed.fields[name]}' is not a day; write it as 2026-03-20."
        for name, day in zip(_DAYS, (since, until), strict=True) if day is None and typed.fields.get(name)
    }  # fmt: skip
    basket = replace(typed.basket, first=_first(typed), wanted_from=since, wanted_by=until)
    return replace(typed, basket=basket, unread={**typed.unread, **wrong})


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def _first(typed: Typed) -> tuple[int, ...]:
    """The cases of each line that go ahead; none when the lines have changed since that was chosen."""
    ahead = dict(parse_qsl(typed.fields.get("first", "")))
    names = [line_field(line) for line in typed.basket.lines]
    cases = tuple(count(ahead.get(name, "")) or 0 for name in names)
    fits = all(0 <= first <= line.cases for first, line in zip(cases, typed.basket.lines, strict=True))
    return cases if fits and ahead.keys() <= set(names) and 0 < sum(cases) < typed.basket.cases else ()


def line_field(line: BasketLine) -> str:
    """The field that a line's cases stand in."""
    one = len(line.mix) == 1
    return field_name("c", line.item, line.mix[0][0]) if one else field_name("m", line.item)


def fields_of(basket: Basket) -> dict[str, str]:
    """The fields of the sheet that mean a basket."""
    fields: dict[str, str] = {}
    for line in basket.lines:
        fields[line_field(line)] = str(line.cases)
        if len(line.mix) > 1:
            fields |= {field_name("m", line.item, scent): str(pieces) for scent, pieces in line.mix}
    ahead = zip(basket.lines, basket.first, strict=False)
    return fields | {
        "pick_up": "yes" if basket.pick_up else "",
        "first": urlencode({line_field(line): cases for line, cases in ahead if cases}),
    }


def address(fields: Mapping[str, str], products: Iterable[Product]) -> str:
    """The fields as the end of an address, without those that say nothing."""
    mixed = {
        field_name("m", product.code, choice.scent): field_name("m", product.code)
        for product in products if product.mixes for choice in product.choices
    }  # fmt: skip
    # No piece of a scent says something, too, where there are mixed cases.
    return urlencode(
        {name: text for name, text in fields.items() if fields.get(mixed.get(name, name), "") not in _NONE}
    )


def taken(fields: Mapping[str, str], chosen: str) -> dict[str, str]:
    """The fields after an alternative was taken; ``chosen`` is what ``to_take`` wrote."""
    return {**fields, **dict(parse_qsl(chosen, keep_blank_values=True))}


def to_take(now: Basket, other: Basket) -> str:
    """What a button sends that turns the sheet's basket into another."""
    nothing = {line_field(line): "0" for line in now.lines}
    return urlencode({**nothing, **fields_of(other)})


def names_of(product: Product) -> list[str]:
    """All field names of a product's rows."""
    names = [field_name("c", product.code, choice.scent) for choice in product.choices]
    if product.mixes:
        names.append(field_name("m", product.code))
        names += [field_name("m", product.code, choice.scent) for choice in product.choices]
    return names


def count(text: str) -> int | None:
    """Return a whole number, 0 for an empty field, nothing for what is no whole number."""
    if not text:
        return 0
    digits = text.removeprefix("-")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= _MOST_DIGITS):
        return None
    return int(text)


def default_mix(product: Product) -> dict[str, int]:
    """Return a mixed case that the rules allow: as many scents as may be, in equal parts."""
    kinds = min(product.mix_scents, len(product.choices), product.case_pack // product.mix_least)
    scents = [choice.scent for choice in product.choices[:kinds]]
    return dict(zip(scents, share(product.case_pack, [1] * kinds), strict=True))


def with_more(fields: Mapping[str, str], product: Product, cases: int) -> dict[str, str]:
    """Return the fields with some more cases of a product: of the scent chosen already, else mixed, else the first."""
    singles = [field_name("c", product.code, choice.scent) for choice in product.choices]
    chosen = next((name for name in singles if count(fields.get(name, ""))), "")
    mixed = field_name("m", product.code) if product.mixes else ""
    name = chosen or mixed or singles[0]
    return {**fields, name: str((count(fields.get(name, "")) or 0) + cases)}


def _lines(product: Product, fields: Mapping[str, str]) -> list[BasketLine]:
    lines = []
    for choice in product.choices:
        cases = count(fields.get(field_name("c", product.code, choice.scent), ""))
        if cases:
            lines.append(BasketLine(item=product.code, cases=cases, mix=((choice.scent, product.case_pack),)))
    if product.mixes:
        lines += _mixed(product, fields)
    return lines


def _mixed(product: Product, fields: Mapping[str, str]) -> list[BasketLine]:
    cases = count(fields.get(field_name("m", product.code), ""))
    if not cases:
        return []
    mix = mix_typed(product, fields)
    return [BasketLine(item=product.code, cases=cases, mix=tuple((scent, n) for scent, n in mix.items() if n))]


def mix_typed(product: Product, fields: Mapping[str, str]) -> dict[str, int]:
    """Return pieces of each scent in a mixed case, the default where no piece was typed."""
    names = {choice.scent: field_name("m", product.code, choice.scent) for choice in product.choices}
    if not any(name in fields for name in names.values()):
        return default_mix(product)
    return {scent: count(fields.get(name, "")) or 0 for scent, name in names.items()}
