"""A shop's order before and after it is placed: basket, mix rule, states."""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Any

from wholesale.core.catalogue import Catalogue, Item, ItemKind, Sku
from wholesale.core.values import Refusal, day_words

#: More cases than this on one line are a slip of the finger, or worth a telephone call.
MOST_CASES = 99


class OrderState(StrEnum):
    """Where an order stands. What is made, packed or paid is told by its loads, shipments and invoices."""

    PLACED = "placed"
    CONFIRMED = "confirmed"
    REFUSED = "refused"
    WITHDRAWN = "withdrawn"
    SHIPPED = "shipped"


#: States in which an order still asks for bench work or packing.
OPEN_STATES = (OrderState.PLACED, OrderState.CONFIRMED)

_NEXT = {
    OrderState.PLACED: {OrderState.CONFIRMED, OrderState.REFUSED, OrderState.WITHDRAWN},
    OrderState.CONFIRMED: {OrderState.SHIPPED},
}


def refuse_step(number: str, state: OrderState, to: OrderState) -> None:
    """A ``Refusal`` when an order in ``state`` can't become ``to``."""
    if to not in _NEXT.get(state, set()):
        raise Refusal(
            "order_state", f"Order {number} is {state}; it can't become {to} any more.", "state", state=str(state)
        )


def shipment_token(token: str, number: int) -> str:
    """The token of an order's shipment of that number, from 0: the first has the order's own.

    It is also what tells that two orders were placed together.
    """
    return hashlib.sha256(f"{token}/{number}".encode()).hexdigest() if number else token


@dataclass(frozen=True, kw_only=True)
class BasketLine:
    """Whole cases of one product; ``mix`` is pieces of each scent in one case (empty scent for unscented)."""

    item: str
    cases: int
    mix: tuple[tuple[str, int], ...]

    def pieces(self) -> dict[Sku, int]:
        """Pieces of each sku in all cases."""
        return {Sku(self.item, scent): each * self.cases for scent, each in self.mix}


@dataclass(frozen=True, kw_only=True)
class Basket:
    """What a shop wants, line by line.

    It is wanted with the shop neither before ``wanted_from`` nor after ``wanted_by``.
    ``pick_up``: the shop fetches it. ``first`` says how many cases of each line go ahead
    in a first shipment; the rest follows. Empty: all at once.
    """

    lines: tuple[BasketLine, ...]
    wanted_from: date | None = None
    wanted_by: date | None = None
    pick_up: bool = False
    first: tuple[int, ...] = ()

    def pieces(self) -> dict[Sku, int]:
        """Pieces of each sku over all lines."""
        wanted: dict[Sku, int] = {}
        for line in self.lines:
            for sku, pieces in line.pieces().items():
                wanted[sku] = wanted.get(sku, 0) + pieces
        return wanted

    @property
    def cases(self) -> int:
        """Cases in all."""
        return sum(line.cases for line in self.lines)

    def with_cases(self, cases: Iterable[int]) -> "Basket":
        """The same lines with other numbers of cases, all at once; a line of none falls away."""
        lines = (replace(line, cases=count) for line, count in zip(self.lines, cases, strict=True) if count)
        return replace(self, lines=tuple(lines), first=())

    def shipments(self) -> tuple["Basket", ...]:
        """What goes together: the whole, or the first cases and the rest."""
        if not self.first:
            return (self,)
        rest = [line.cases - first for line, first in zip(self.lines, self.first, strict=True)]
        return self.with_cases(self.first), self.with_cases(rest)

    def to_json(self) -> dict[str, Any]:
        """JSON-ready values."""
        lines = [
            {"item": line.item, "cases": line.cases, "mix": [list(part) for part in line.mix]} for line in self.lines
        ]
        days = {name: day and day.isoformat() for name, day in self._wanted().items()}
        return {"lines": lines, **days, "pick_up": self.pick_up, "first": list(self.first)}

    def _wanted(self) -> dict[str, date | None]:
        return {"wanted_from": self.wanted_from, "wanted_by": self.wanted_by}

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> "Basket":
        """The basket that ``to_json`` stored."""
        lines = tuple(
            BasketLine(item=line["item"], cases=line["cases"], mix=tuple((scent, n) for scent, n in line["mix"]))
            for line in stored["lines"]
        )
        days = {name: stored[name] and date.fromisoformat(stored[name]) for name in ("wanted_from", "wanted_by")}
        return cls(lines=lines, pick_up=stored["pick_up"], first=tuple(stored["first"]), **days)


def refuse_wishes(basket: Basket, today: date, latest: date) -> None:
    """A ``Refusal`` for days of arrival that are past, crossed or beyond what is planned, or a wrong first shipment."""
    since, until = basket.wanted_from, basket.wanted_by
    if until and until < today:
        raise Refusal("wanted_by", f"{day_words(until)} is past; choose a later day, or none.", "wanted_by")
    if since and until and until < since:
        message = f"Not before {day_words(since)} and not after {day_words(until)} leaves no day; change one of them."
        raise Refusal("wanted_by", message, "wanted_by")
    if since and since > latest:
        message = f"The workshop plans until {day_words(latest)}; order nearer to the day, or choose an earlier one."
        raise Refusal("wanted_from", message, "wanted_from")
    if basket.first and not _is_part(basket):
        message = "A first shipment holds some of the cases ordered, not none and not all; choose anew."
        raise Refusal("first", message, "first")


def wanted_words(since: date | None, until: date | None) -> str:
    """On which days goods are wanted, as pages and papers say it; "" for any day."""
    named = ((since, "not before"), (until, "not after"))
    return ", ".join(f"{words} {day_words(day)}" for day, words in named if day)


def _is_part(basket: Basket) -> bool:
    counts = zip(basket.first, basket.lines, strict=False)
    fits = len(basket.first) == len(basket.lines) and all(0 <= first <= line.cases for first, line in counts)
    return fits and 0 < sum(basket.first) < basket.cases


def refuse_basket(basket: Basket, catalogue: Catalogue) -> None:
    """A ``Refusal`` for an empty basket, an unknown or withdrawn product, a wrong count or a wrong mix."""
    if not basket.lines:
        raise Refusal("empty", "The order is empty; choose at least one case.", "cases")
    for line in basket.lines:
        refuse_line(line, catalogue)


def refuse_line(line: BasketLine, catalogue: Catalogue) -> None:
    """A ``Refusal`` naming what is wrong with one line."""
    item = catalogue.items.get(line.item)
    if item is None or item.kind is not ItemKind.PRODUCT:
        raise Refusal("unknown_product", f"There is no product '{line.item}' on the order sheet.", line.item)
    if not item.on_sale:
        raise Refusal("not_sold", f"{item.name} is no longer sold; take it off the order.", line.item)
    if not 1 <= line.cases <= MOST_CASES:
        message = f"{item.name}: {line.cases} cases can't be ordered; give a whole number from 1 to {MOST_CASES}."
        raise Refusal("cases", message, line.item)
    if len(dict(line.mix)) != len(line.mix):
        raise Refusal("mix_twice", f"{item.name}: a scent stands in the case twice; give each once.", line.item)
    refuse_mix(item, dict(line.mix), catalogue)


def refuse_mix(item: Item, mix: Mapping[str, int], catalogue: Catalogue) -> None:
    """A ``Refusal`` when a case's scents break the case pack, the most scents or the least of each."""
    known = set(catalogue.scents) if item.scented else {""}
    for scent in mix:
        if scent not in known:
            raise Refusal(
                "unknown_scent",
                f"{item.name} does not come in '{scent}'; choose {', '.join(sorted(known))}.",
                item.code,
            )
    if sum(mix.values()) != item.case_pack:
        message = f"{item.name}: the case holds {item.case_pack} pieces, the scents chosen make {sum(mix.values())}."
        raise Refusal("mix_total", message, item.code)
    if len(mix) > item.mix_scents:
        message = f"{item.name}: a case holds at most {item.mix_scents} scents; {len(mix)} were chosen."
        raise Refusal("mix_scents", message, item.code)
    few = [scent for scent, pieces in mix.items() if pieces < item.mix_least]
    if few and len(mix) > 1:
        names = ", ".join(catalogue.scents[scent].name if scent in catalogue.scents else scent for scent in few)
        message = f"{item.name}: a mixed case needs at least {item.mix_least} of each scent; too few of {names}."
        raise Refusal("mix_least", message, item.code)
    if any(pieces < 1 for pieces in mix.values()):
        raise Refusal("mix_least", f"{item.name}: leave out scents you want none of.", item.code)
