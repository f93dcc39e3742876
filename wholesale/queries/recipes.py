"""Recipes as pages show them: what a portion takes and costs, limits, versions, batches that keep an old one."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.db.models import Q

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Item, ItemKind, Operation, Recipe, Sku, Unit
from wholesale.core.recipes import (
    LimitNote,
    Priced,
    RecipeView,
    Size,
    StepTime,
    Taken,
    differences,
    limits,
    portion,
    sizes,
    with_recipe,
)
from wholesale.core.recipes.differences import line_name, line_words
from wholesale.core.values import NotFound, Refusal, percent, plain
from wholesale.core.workshop import Workshop
from wholesale.models import Load
from wholesale.models import Recipe as RecipeRow
from wholesale.queries import catalogue, production, workshop

#: How the kinds are called on pages, and their order.
KINDS = {ItemKind.PRODUCT: "Products", ItemKind.PART: "Parts and melts"}
#: Common practice of the trade (its sources stand in the caution lines of the bench); a maker adds their own.
CAUTIONS = (
    (
        "Hot wax burns and can catch fire: stay with it, heat it gently and indirectly with a thermometer in it, "
        "keep a lid and a dry-chemical extinguisher at hand. Never water on burning wax."
    ),
    (
        "A flash point is the supplier’s figure for fire class and transport. It is no pouring limit: keep to the "
        "supplier’s own heating limit and the safety data sheet."
    ),
    "Decorations and every new layout make a new burn system: test it before it is sold.",
    "What looks, smells or is shaped like food may be unlawful to supply: have each design judged.",
)


@dataclass(frozen=True, kw_only=True)
class RecipeRowShown:
    """One recipe of the list; costs are for a piece or a kilogram, from the cheapest scent to the dearest."""

    code: str
    name: str
    kind: str
    per: str
    version: int
    valid_from: date
    costs: tuple[Decimal, Decimal] | None
    unpriced: tuple[str, ...]
    minutes: Decimal | None
    notes: tuple[LimitNote, ...]
    cautions: bool
    refusal: str = ""

    @property
    def hard(self) -> bool:
        """Does it pass a limit that is marked hard?"""
        return any(note.refuse for note in self.notes)


@dataclass(frozen=True, kw_only=True)
class RecipeList:
    """All recipes in force, by kind."""

    groups: tuple[tuple[str, tuple[RecipeRowShown, ...]], ...]
    currency: str
    hour_rate: Decimal


@dataclass(frozen=True, kw_only=True)
class Portions:
    """A recipe in its sizes, side by side: each row holds one cell a size. ``refusal`` says why there is nothing."""

    sizes: tuple[Size, ...] = ()
    views: tuple[RecipeView, ...] = ()
    notes: tuple[LimitNote, ...] = ()
    stand_in_notes: tuple[tuple[str, str, LimitNote], ...] = ()
    changes: tuple[str, ...] = ()
    refusal: str = ""

    @property
    def taken(self) -> tuple[tuple[Taken, ...], ...]:
        """What is taken, in the order of its use."""
        return tuple(zip(*(view.taken for view in self.views), strict=True))

    @property
    def bought(self) -> tuple[tuple[Priced, ...], ...]:
        """What is bought for it, with its cost."""
        return tuple(zip(*(view.bought for view in self.views), strict=True))

    @property
    def steps(self) -> tuple[tuple[StepTime, ...], ...]:
        """Minutes of hands."""
        return tuple(zip(*(view.steps for view in self.views), strict=True))

    @property
    def hard(self) -> bool:
        """Is a limit passed that is marked hard?"""
        return any(note.refuse for note in self.notes)

    @property
    def unpriced(self) -> tuple[str, ...]:
        """What no cost is known of."""
        return self.views[0].unpriced if self.views else ()


@dataclass(frozen=True, kw_only=True)
class VersionShown:
    """One version: since when, by whom, why, what it changed; ``state`` in force, to come, past or replaced."""

    version: int
    valid_from: date
    by: str
    because: str
    changes: tuple[str, ...]
    state: str


@dataclass(frozen=True, kw_only=True)
class BatchShown:
    """A batch that is not finished, and the version it keeps."""

    id: int
    number: str
    day: date
    what: str
    version: int


@dataclass(frozen=True, kw_only=True)
class LineShown:
    """A line of the recipe in words."""

    name: str
    quantity: str
    step: str


@dataclass(frozen=True, kw_only=True)
class StepShown:
    """A step of the recipe in words."""

    name: str
    where: str
    minutes: str
    waits: str
    heat: str
    targets: str
    cautions: str


@dataclass(frozen=True, kw_only=True)
class MaterialShown:
    """The supplier's figures of a material."""

    name: str
    max_load: Decimal | None
    heating_limit_c: Decimal | None
    flash_point_c: Decimal | None
    cautions: str


@dataclass(frozen=True, kw_only=True)
class RecipePage:
    """Everything the workshop knows of how an item is made; ``recipe`` is the newest version."""

    goods: Catalogue
    item: Item
    recipe: Recipe
    scent: str
    settings: Workshop
    hands: tuple[str, ...]
    versions: tuple[VersionShown, ...]
    batches: tuple[BatchShown, ...]

    @property
    def newest(self) -> int:
        """The newest version's number; 0 where there is none yet."""
        return self.versions[0].version if self.versions else 0

    @property
    def lines(self) -> tuple[LineShown, ...]:
        """The lines in words."""
        steps = {step.code: step.name for step in self.recipe.operations}
        return tuple(
            LineShown(
                name=line_name(self.goods, line), quantity=line_words(self.goods, line), step=steps.get(line.step, "")
            )
            for line in self.recipe.lines
        )

    @property
    def steps(self) -> tuple[StepShown, ...]:
        """The steps in words."""
        return tuple(_step(self.goods, step) for step in self.recipe.operations)

    @property
    def scents(self) -> tuple[tuple[str, str], ...]:
        """(code, name) of the scents it can be made in."""
        known = self.goods.scents.values() if self.item.scented else ()
        return tuple((scent.code, scent.name) for scent in sorted(known, key=lambda scent: scent.rank))

    @property
    def materials(self) -> tuple[MaterialShown, ...]:
        """The supplier's figures of what goes in, in this scent."""
        found = self.goods.items.values()
        codes = _bought(with_recipe(self.goods, self.item.code, self.recipe), Sku(self.item.code, self.scent))
        return tuple(
            MaterialShown(
                name=item.name, max_load=item.max_load, heating_limit_c=item.heating_limit_c,
                flash_point_c=item.flash_point_c, cautions=item.cautions,
            )
            for item in found
            if item.code in codes
        )  # fmt: skip


def recipes() -> RecipeList:
    """All recipes in force today: 9 queries, however many."""
    goods, settings = catalogue.catalogue(clock.today()), workshop.workshop()
    since = catalogue.since()
    rows = [_row(goods, item, settings, since) for item in goods.items.values() if item.recipe]
    groups = ((title, tuple(row for row in rows if row.kind == kind)) for kind, title in KINDS.items())
    return RecipeList(
        groups=tuple((title, found) for title, found in groups if found),
        currency=settings.currency, hour_rate=settings.hour_rate,
    )  # fmt: skip


def recipe_page(code: str, scent: str = "") -> RecipePage:
    """One item's recipe, newest version: 14 queries; ``NotFound`` for what is bought or unknown."""
    goods, settings = catalogue.catalogue(clock.today()), workshop.workshop()
    item = goods.items.get(code)
    if item is None or item.kind is ItemKind.MATERIAL:
        raise NotFound("recipe", f"There is no recipe of '{code}'; choose one from the list.")
    versions = catalogue.versions(code)
    recipe = versions[0][1] if versions else Recipe(version=0)
    groups = {group for day in production.calendar().week.values() for group in day.minutes}
    return RecipePage(
        goods=goods, item=item, recipe=recipe, scent=_scent(goods, item, scent), settings=settings,
        hands=tuple(sorted(groups)), versions=_history(goods, versions), batches=_batches(code),
    )  # fmt: skip


def portions(page: RecipePage, recipe: Recipe | None = None) -> Portions:
    """One piece, one case and one full load by the page's recipe, or by one that is being typed: no query."""
    typed = page.recipe if recipe is None else recipe
    goods = with_recipe(page.goods, page.item.code, typed)
    try:
        found = sizes(goods, page.item.code)
        sku = Sku(page.item.code, page.scent)
        return Portions(
            sizes=found,
            views=tuple(portion(goods, sku, size.quantity, hour_rate=page.settings.hour_rate) for size in found),
            notes=limits(goods, page.item.code),
            stand_in_notes=_stand_in_notes(goods, sku),
            changes=differences(goods, page.recipe, typed),
        )
    except Refusal as refusal:
        return Portions(refusal=refusal.message)


def _step(goods: Catalogue, step: Operation) -> StepShown:
    equipment = goods.equipment.get(step.equipment)
    melt = goods.items[step.melt].name if step.melt in goods.items else ""
    return StepShown(
        name=step.name, where=", ".join(part for part in (equipment.name if equipment else "", melt) if part),
        minutes=_minutes_words(step), waits=wait_words(step), targets=step.targets, cautions=step.cautions,
        heat=f"{plain(step.heat_c)} °C" if step.heat_c is not None else "",
    )  # fmt: skip


def _minutes_words(step: Operation) -> str:
    """Minutes of hands: ``3 min a piece, 20 min a load``."""
    figures = ((step.minutes_per_piece, "a piece"), (step.minutes_per_load, "a load"))
    return ", ".join(f"{plain(minutes)} min {each}" for minutes, each in figures if minutes)


def wait_words(step: Operation) -> str:
    """What a step's pieces wait for: ``1 night, at most 7 days``, ``2 hours``, ``cures 10 days``."""
    waits = [
        _counted(step.nights_min, "night", "nights"), _counted(step.days_min, "day", "days"), _clock(step.minutes_min),
        f"at most {_counted(step.days_max, 'day', 'days')}" if step.days_max else "",
        f"cures {_counted(step.cure_days, 'day', 'days')}" if step.cure_days else "",
        f"{percent(step.yield_share * 100)} come good" if step.yield_share != 1 else "",
    ]  # fmt: skip
    return ", ".join(wait for wait in waits if wait)


def _counted(number: int | None, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}" if number else ""


def _clock(minutes: int) -> str:
    """Minutes as people say them: whole hours from two on."""
    hours, rest = divmod(minutes, 60)
    return f"{hours} hours" if hours > 1 and not rest else _counted(minutes, "minute", "minutes")


def _scent(goods: Catalogue, item: Item, wanted: str) -> str:
    """The scent that is asked for, else the faintest; "" for what has none."""
    if not item.scented:
        return ""
    known = sorted(goods.scents.values(), key=lambda scent: scent.rank)
    return wanted if wanted in goods.scents else next((scent.code for scent in known), "")


def _row(goods: Catalogue, item: Item, settings: Workshop, since: Mapping[tuple[str, int], date]) -> RecipeRowShown:
    recipe = goods.recipe(item.code)
    known: dict[str, Any] = {
        "code": item.code, "name": item.name, "kind": item.kind, "version": recipe.version,
        "valid_from": since[item.code, recipe.version], "per": "a kilogram" if item.unit is Unit.GRAM else "a piece",
        "cautions": bool(item.cautions or any(step.cautions for step in recipe.operations)),
    }  # fmt: skip
    try:
        views = _in_every_scent(goods, item, settings)
        notes = limits(goods, item.code)
    except Refusal as refusal:
        return RecipeRowShown(**known, costs=None, unpriced=(), minutes=None, notes=(), refusal=refusal.message)
    costs = [view.cost for view in views]
    unpriced = dict.fromkeys(name for view in views for name in view.unpriced)
    return RecipeRowShown(
        **known, costs=(min(costs), max(costs)) if costs else None, unpriced=tuple(unpriced),
        minutes=views[0].minutes if views else None, notes=notes,
    )  # fmt: skip


def _in_every_scent(goods: Catalogue, item: Item, settings: Workshop) -> list[RecipeView]:
    one = sizes(goods, item.code)[0].quantity
    scents = list(goods.scents) if item.scented else [""]
    return [portion(goods, Sku(item.code, scent), one, hour_rate=settings.hour_rate) for scent in scents]


def _bought(goods: Catalogue, sku: Sku) -> set[str]:
    """Codes of the materials that go into a sku, and of what may stand in for them."""
    try:
        found = {row.sku.item for row in portion(goods, sku, Decimal(1)).bought}
    except Refusal:
        return set()
    return found | {other for code in found for other in goods.substitutes.get(code, ())}


def _stand_in_notes(goods: Catalogue, sku: Sku) -> tuple[tuple[str, str, LimitNote], ...]:
    """(material, substitute, a limit passed with it only) for the substitutes there are for what goes in."""
    names = {code: item.name for code, item in goods.items.items()}
    materials = dict.fromkeys(row.sku.item for row in portion(goods, sku, Decimal(1)).bought)
    own = set(limits(goods, sku.item, scent=sku.scent))
    return tuple(
        (names[code], names[other], note)
        for code in materials
        for other in goods.substitutes.get(code, ())
        for note in limits(goods, sku.item, {code: other}, sku.scent)
        if note not in own
    )


def _history(goods: Catalogue, versions: Sequence[tuple[RecipeRow, Recipe]]) -> tuple[VersionShown, ...]:
    """The versions, newest first, each with what it changed."""
    today = clock.today()
    ruling = next((row.version for row, _ in versions if row.valid_from <= today), 0)
    before = [value for _, value in versions[1:]]
    return tuple(
        VersionShown(
            version=row.version, valid_from=row.valid_from, by=str(row.written_by) if row.written_by else "",
            because=row.because, changes=differences(goods, before[place], value) if place < len(before) else (),
            state=_state(row, versions[:place], ruling),
        )
        for place, (row, value) in enumerate(versions)
    )  # fmt: skip


def _state(row: RecipeRow, newer: Iterable[tuple[RecipeRow, Recipe]], ruling: int) -> str:
    """The newest version that is valid on a day rules it, so one that begins later than a newer one never does."""
    if row.version == ruling:
        return "in force"
    if any(other.valid_from <= row.valid_from for other, _ in newer):
        return "replaced"
    return "to come" if row.version > ruling else "past"


def _batches(code: str) -> tuple[BatchShown, ...]:
    """Begun batches that are not finished, and the version each keeps: 1 query."""
    unfinished = Q(done_at__isnull=True) | Q(movements__lot__usable_on__gt=clock.today())
    rows = Load.objects.filter(unfinished, recipes__has_key=code, scrapped_at__isnull=True)
    return tuple(
        BatchShown(id=row.pk, number=str(row), day=row.day, what=row.what.name, version=row.recipes[code])
        for row in rows.select_related("what").distinct()
    )
