"""The present situation of the bench, and the answers to what-if as rows of a page."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import NamedTuple

from wholesale import clock
from wholesale.core.catalogue import Catalogue, ItemKind, Sku
from wholesale.core.documents.batch import sku_name
from wholesale.core.production import what_if
from wholesale.core.production.calendar import DayKind
from wholesale.core.production.troubles import DayOff, Trouble
from wholesale.core.production.what_if import ASKED, Answer, Shift, Situation
from wholesale.core.production.work import Demand
from wholesale.core.values import Refusal, short_day
from wholesale.models import Order
from wholesale.queries import catalogue, production, workshop


class ShiftRow(NamedTuple):
    """What becomes of one order; ``number`` is "" for the one that is only asked about."""

    number: str
    shop: str
    shift: Shift

    @property
    def sooner(self) -> int:
        """Days saved."""
        return max(0, -self.shift.days)

    @property
    def later(self) -> int:
        """Days lost."""
        return max(0, self.shift.days)


@dataclass(frozen=True, kw_only=True)
class AnswerShown:
    """An answer by order; ``asked`` is the order that was asked about, ``breaches`` what the bench could not do."""

    rows: tuple[ShiftRow, ...]
    asked: Shift | None
    breaches: tuple[str, ...]

    @property
    def moved(self) -> tuple[ShiftRow, ...]:
        """Orders that leave on another day."""
        return tuple(row for row in self.rows if row.shift.moved)

    @property
    def stays(self) -> int:
        """How many orders leave on the same day as before."""
        return len(self.rows) - len(self.moved)

    @property
    def endangered(self) -> int:
        """How many orders the change makes late, or later than they are; or takes the day of."""
        return sum(row.shift.endangered for row in self.rows)

    @property
    def late_already(self) -> int:
        """How many orders leave after their promise all the same, no later for the change."""
        return sum(row.shift.late > 0 and not row.shift.endangered for row in self.rows)


def situation() -> Situation:
    """Bench, plan, open demands and stock at this moment: the number of queries does not grow with them."""
    shop = production.planner(workshop.workshop())
    return Situation(
        shop=shop, plan=production.current_plan(), demands=tuple(production.demands()),
        stock=tuple(production.free_stock()), first_day=production.first_day(shop), today=clock.today(),
    )  # fmt: skip


def shown(answer: Answer) -> AnswerShown:
    """An answer with the orders' numbers: 1 query."""
    asked = next((shift for shift in answer.shifts if shift.order == ASKED), None)
    real = [shift for shift in answer.shifts if shift.order != ASKED]
    return AnswerShown(
        rows=shift_rows(real), asked=asked, breaches=tuple(breach.message for breach in answer.breaches)
    )  # fmt: skip


def shift_rows(shifts: Iterable[Shift]) -> tuple[ShiftRow, ...]:
    """Shifts with their orders' numbers and shops: 1 query."""
    wanted = list(shifts)
    rows = Order.objects.filter(pk__in=[shift.order for shift in wanted]).select_related("shop")
    known = {row.pk: (row.number, row.shop.trade_name) for row in rows}
    return tuple(ShiftRow(*known[shift.order], shift) for shift in wanted if shift.order in known)


# ── what can be asked about ──────────────────────────────────────────────────


def equipment_choices(goods: Catalogue) -> list[tuple[str, str]]:
    """Equipment whose loads a day are counted: more of it could save something."""
    counted = [one for one in goods.equipment.values() if one.loads_per_day is not None]
    return [(one.code, f"{one.name} ({one.count} now)" if one.count > 1 else one.name) for one in counted]


def hands_choices(now: Situation) -> list[tuple[str, str]]:
    """Groups of hands whose minutes the week counts."""
    groups = {hands for day in now.shop.calendar.week.values() for hands, n in day.minutes.items() if n is not None}
    return [(hands, hands.capitalize()) for hands in sorted(groups)]


def product_choices(goods: Catalogue) -> list[tuple[str, str]]:
    """Products on sale, by scent where they have one; the key is ``item/scent``."""
    return [(f"{sku.item}/{sku.scent}", sku_name(goods, sku)) for sku in _products(goods)]


def material_choices(goods: Catalogue) -> list[tuple[str, str]]:
    """Every scent's oil together, then each material with a cost."""
    materials = [item for item in goods.items.values() if item.kind is ItemKind.MATERIAL and item.unit_cost is not None]
    return [("oils", "Every scent's oil"), *((item.code, item.name) for item in materials)]


def _products(goods: Catalogue) -> list[Sku]:
    items = [item for item in goods.items.values() if item.kind is ItemKind.PRODUCT and item.on_sale and item.recipe]
    return [Sku(item.code, scent) for item in items for scent in (goods.scents if item.scented else [""])]


def typical_product(goods: Catalogue, equipment: str) -> str:
    """The first product, as ``product_choices`` names it, that needs an equipment itself or through a part."""
    for sku in _products(goods):
        if equipment in what_if.equipment_of(goods, sku):
            return f"{sku.item}/{sku.scent}"
    return ""


# ── the questions ────────────────────────────────────────────────────────────


@dataclass(frozen=True, kw_only=True)
class Found:
    """A question in words and its answer: by order, for the order that was asked about, or by product.

    ``anew``: both sides plan what is not begun anew, so that the change alone differs. Of an
    order asked about, ``leaves`` is the day it would leave, ``instead`` the one without the
    change; ``first`` is what happens if it has to be there by a wanted day.
    """

    words: str
    answer: AnswerShown | None = None
    anew: bool = False
    leaves: date | None = None
    instead: date | None = None
    first: AnswerShown | None = None
    costs: tuple[what_if.CostShift, ...] = ()
    currency: str = ""

    @property
    def saved(self) -> int:
        """Days that the order asked about would leave sooner."""
        return (self.instead - self.leaves).days if self.instead and self.leaves else 0


def order(now: Situation, lines: Sequence[tuple[str, int]], by: date | None = None) -> Found:
    """These (product, cases)? When they would leave, and who would move if they had to by a day: 2 queries."""
    if by:
        _refuse_past(now, by, "by")
    asked = [demand for number, line in enumerate(lines) for demand in _asked(now, *line, number)]
    found = shown(what_if.with_order(now, asked))
    leaves = found.asked.after if found.asked else None
    first = shown(what_if.order_first(now, asked, by)) if by and leaves and by < leaves else None
    words = "; ".join(_order_words(now, *line) for line in lines)
    return Found(words=words, answer=found, leaves=leaves, first=first)


def one_more(now: Situation, equipment: str, product: str, cases: int) -> Found:
    """One more tray, pot or bowl? Days saved of each order, and of a typical one: 1 query."""
    then = replace(now, shop=what_if.one_more(now.shop, equipment))
    asked = _asked(now, product or typical_product(now.shop.catalogue, equipment), cases)
    before, after = (what_if.with_order(one, asked).of(ASKED).after for one in (now, then))
    name = now.shop.catalogue.equipment[equipment].name
    words = f"One more: {name}. A new order of {_order_words(now, *_named(asked, cases))}"
    return Found(words=words, answer=shown(what_if.anew(now, then)), anew=True, leaves=after, instead=before)


def trouble(now: Situation, what: Trouble) -> Found:
    """A day off, a market: what it would move: 1 query. A day that is worked after all is planned anew."""
    gains = isinstance(what, DayOff) and what.kind is DayKind.WORK
    answer = (what_if.anew if gains else what_if.after)(now, what.after(now))
    return Found(words=f"{what.words(now)}.", answer=shown(answer), anew=gains)


def longer(now: Situation, hands: str, day: date, minutes: int) -> Found:
    """So many minutes more on a day? 1 query."""
    _refuse_past(now, day, "day")
    then = replace(now, shop=what_if.with_minutes(now.shop, hands, day, minutes))
    words = f"{hands.capitalize()}: {minutes} minutes more on {short_day(day, clock.today())}."
    return Found(words=words, answer=shown(what_if.anew(now, then)), anew=True)


def dearer(now: Situation, material: str, percent: Decimal) -> Found:
    """A material dearer or cheaper: cost and margin of each product it goes into; no day moves: 2 queries."""
    goods, settings = now.shop.catalogue, workshop.workshop()
    codes = {scent.oil for scent in goods.scents.values()} if material == "oils" else {material}
    then = what_if.dearer(goods, dict.fromkeys(sorted(codes), percent))
    rows = what_if.cost_shifts(goods, then, _products(goods), catalogue.prices(clock.today()), settings.hour_rate)
    name = dict(material_choices(goods))[material]
    costs = tuple(row._replace(name=sku_name(goods, row.sku)) for row in rows if row.before != row.after)
    return Found(words=f"{name}: {percent:+g} %. No day moves.", costs=costs, currency=settings.currency)


def _refuse_past(now: Situation, day: date, field: str) -> None:
    if day < now.today:
        raise Refusal("past", "This day is past; choose today or a later one.", field)


def _asked(now: Situation, product: str, cases: int, line: int = 0) -> list[Demand]:
    item, _, scent = product.partition("/")
    pieces = now.shop.catalogue.items[item].case_pack * cases
    return [Demand(key=f"asked {line}", sku=Sku(item, scent), pieces=pieces, rank=ASKED)]


def _named(asked: list[Demand], cases: int) -> tuple[str, int]:
    sku = asked[0].sku
    return f"{sku.item}/{sku.scent}", cases


def _order_words(now: Situation, product: str, cases: int) -> str:
    item, _, scent = product.partition("/")
    return f"{cases} {'case' if cases == 1 else 'cases'} of {sku_name(now.shop.catalogue, Sku(item, scent))}"
