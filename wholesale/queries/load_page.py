"""One load on its page: what to weigh from which lots, what was planned beside what was, what may be done next."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Sum

from wholesale import clock
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.documents import batch
from wholesale.core.production.batches import BatchState, Deviation, may_release
from wholesale.core.production.weighing import MeltPlan, melt_plans, planned_mg
from wholesale.core.recipes import notes_for_load, since_words
from wholesale.core.values import NotFound, from_mg
from wholesale.core.workshop import Workshop
from wholesale.models import BatchEvent, Load, Reject, StockMovement, Weighing
from wholesale.queries import batches, catalogue, day_sheet, production, spare, workshop
from wholesale.queries.batches import LotRow, TakenRow
from wholesale.queries.day_sheet import LoadRow, PortionRow
from wholesale.queries.spare import RoomRow
from wholesale.queries.starts import starts_words

#: What may be done with a batch, by where it stands.
_CAN_FAIL = {BatchState.WEIGHED, BatchState.MADE, BatchState.SETTING, BatchState.CURING, BatchState.RELEASED}
_CAN_TAKE_BACK = _CAN_FAIL - {BatchState.WEIGHED}


@dataclass(frozen=True, kw_only=True)
class WeighRow:
    """One item to weigh, over all melts of the load: grams as the scale shows them, its lots and substitutes.

    ``named`` is the code in the recipe. ``stand_ins`` are (code, name) of what may be taken instead.
    """

    code: str
    named: str
    name: str
    planned_g: Decimal
    lots: tuple[LotRow, ...]
    stand_ins: tuple[tuple[str, str], ...] = ()

    @property
    def there_g(self) -> Decimal:
        """Grams in its lots that can be taken today."""
        return from_mg(sum(lot.free for lot in self.lots))

    @property
    def is_short(self) -> bool:
        """Is there less than is to be weighed?"""
        return self.there_g < self.planned_g


@dataclass(frozen=True, kw_only=True)
class WeighedRow:
    """What was weighed of one item: planned beside actual, the lots it came from."""

    code: str
    name: str
    planned_g: Decimal
    actual_g: Decimal
    because: str
    lots: tuple[str, ...]
    is_off: bool

    @property
    def difference_g(self) -> Decimal:
        """Actual less planned."""
        return self.actual_g - self.planned_g


@dataclass(frozen=True, kw_only=True)
class WeighedMelt:
    """What was weighed for one melt, or for several together where an item goes into more than one."""

    name: str
    rows: tuple[WeighedRow, ...]

    @property
    def planned_g(self) -> Decimal:
        """What was to be weighed for it."""
        return sum((row.planned_g for row in self.rows), Decimal(0))

    @property
    def actual_g(self) -> Decimal:
        """What was weighed for it."""
        return sum((row.actual_g for row in self.rows), Decimal(0))

    @property
    def difference_g(self) -> Decimal:
        """Actual less planned."""
        return self.actual_g - self.planned_g


@dataclass(frozen=True, kw_only=True)
class GroupRow:
    """Portions of one sku and step, which are counted together; ``id`` is the first one's."""

    id: int
    product: str
    step: str
    portions: tuple[PortionRow, ...]

    @property
    def pieces(self) -> int:
        """Pieces started."""
        return sum(portion.pieces for portion in self.portions)

    @property
    def is_shared(self) -> bool:
        """Are they for more than one?"""
        return len(self.portions) > 1

    @property
    def has_sample(self) -> bool:
        """Is a sample to be kept of them?"""
        return any(portion.order == "sample" for portion in self.portions)


class EventRow(NamedTuple):
    """One entry of the batch's history."""

    at: datetime
    by: str
    kind: str
    text: str


@dataclass(frozen=True, kw_only=True)
class LoadPage:
    """A load with what may be done with it; ``load`` is the row that the day sheet shows too.

    ``lots`` are those it put something into.
    """

    load: LoadRow
    groups: tuple[GroupRow, ...]
    weigh: tuple[WeighRow, ...]
    weighed: tuple[WeighedRow, ...]
    taken: tuple[TakenRow, ...]
    lots: tuple[str, ...]
    rejects: tuple[tuple[str, int], ...]
    events: tuple[EventRow, ...]
    limits: tuple[str, ...]
    spare: tuple[RoomRow, ...]
    versions: tuple[str, ...]
    newer: tuple[str, ...]
    swaps: tuple[str, ...]
    risks: tuple[str, ...]
    reject_names: tuple[str, ...]
    minutes: Decimal | None
    division_g: Decimal
    tolerance: Decimal
    releases: bool

    @property
    def weighed_melts(self) -> tuple[WeighedMelt, ...]:
        """What was weighed, by melt in the order of work; what went into several stands last."""
        codes = [melt.codes for melt in self.load.melts]
        into = {row.code: [at for at, found in enumerate(codes) if row.code in found] for row in self.weighed}
        names = [*enumerate(melt.name for melt in self.load.melts), (None, "For several melts")]
        groups = (
            WeighedMelt(name=name, rows=tuple(row for row in self.weighed if _only(into[row.code]) == at))
            for at, name in names
        )
        return tuple(group for group in groups if group.rows)

    @property
    def weighed_in_all(self) -> WeighedMelt:
        """All that was weighed."""
        return WeighedMelt(name="In all", rows=self.weighed)

    @property
    def is_begun(self) -> bool:
        """Has it a batch number?"""
        return bool(self.load.number)

    @property
    def may_weigh(self) -> bool:
        """Is it still to be weighed?"""
        return self.load.is_open and not self.weighed and bool(self.weigh)

    @property
    def may_scrap(self) -> bool:
        """Can it have failed?"""
        return self.load.stands in _CAN_FAIL

    @property
    def may_take_back(self) -> bool:
        """Is it marked done?"""
        return self.load.stands in _CAN_TAKE_BACK


def _only(melts: Sequence[int]) -> int | None:
    return melts[0] if len(melts) == 1 else None


def load_page(number: int) -> LoadPage:
    """One load by its row number; ``NotFound`` when there is none.

    20 queries, 4 more for one still to be begun, one more for a load of parts, 4 more where its recipes are
    not today's.
    """
    row = day_sheet.loads().filter(pk=number, portions__isnull=False).first()
    if row is None:
        raise NotFound("no_load", "There is no such load; open the day sheet and choose one there.")
    settings, today = workshop.workshop(), catalogue.catalogue(clock.today())
    seen = catalogue.as_begun(today, [row.recipes])
    goods, how = seen(row.recipes), batches.dosings(seen, [row], settings)[row.pk]
    value, taken = production.load_value(row), batches.taken_by(row.pk)
    plans = melt_plans(goods, value, how)
    weighings = list(row.weighings.select_related("item"))
    shown = day_sheet.load_row(goods, row, settings, how)
    shown = replace(shown, melts=melts_with_lots(row, shown.melts, plans, taken, weighings))
    return LoadPage(
        load=shown, groups=_groups(shown), weigh=_to_weigh(goods, plans), taken=taken, lots=_lots(row),
        weighed=_weighed(weighings, taken, settings), rejects=_rejects(row), events=_events(row),
        limits=tuple(note.text for note in notes_for_load(goods, value, row.swaps)),
        spare=_spare(today, row, shown, settings), versions=batches.recipe_words(goods, row), newer=_newer(today, row),
        swaps=tuple(f"{_name(goods, new)} instead of {_name(goods, old)}" for old, new in row.swaps.items()),
        risks=starts_words(goods, row, settings), reject_names=settings.reject_names,
        minutes=row.minutes, division_g=settings.scale_division,
        tolerance=settings.weigh_tolerance, releases=_releases(goods, row, settings),
    )  # fmt: skip


def melts_with_lots(
    row: Load, melts: tuple[batch.Melt, ...], plans: Sequence[MeltPlan], taken: Sequence[TakenRow],
    weighings: Sequence[Weighing],
) -> tuple[batch.Melt, ...]:  # fmt: skip
    """Melts with their lots: those offered on its day (2 queries), or once anything is taken those it was from."""
    if taken or weighings:
        used: dict[str, tuple[str, ...]] = {}
        for one in taken:
            used[one.item] = (*used.get(one.item, ()), one.lot)
        weighed = {one.item.code: (from_mg(one.actual_mg), one.because) for one in weighings}
        return batch.with_weights(batch.with_lots(melts, used), weighed)
    offered = batches.lots_of(batches.to_weigh(plans), row.day)
    left = {sku.item: tuple(lot.code for lot in lots) for sku, lots in batches.leftovers().items()}
    return batch.with_lots(melts, {code: tuple(lot.code for lot in lots) for code, lots in offered.items()} | left)


def _groups(shown: LoadRow) -> tuple[GroupRow, ...]:
    found: dict[tuple[str, str, str], list[PortionRow]] = {}
    for portion in shown.portions:
        found.setdefault(portion.kind, []).append(portion)
    return tuple(
        GroupRow(id=portions[0].id, product=portions[0].product, step=portions[0].step, portions=tuple(portions))
        for portions in found.values()
    )


def _to_weigh(goods: Catalogue, plans: Sequence[MeltPlan]) -> tuple[WeighRow, ...]:
    """The items to weigh, in the order of work; a substitute's lots are shown with the substitute."""
    planned = planned_mg(plans)
    named = {dose.item.code: dose.named for plan in plans for dose in plan.doses}
    others = {code: goods.substitutes.get(code, ()) for code in planned}
    lots = batches.lots_of({*planned, *(other for found in others.values() for other in found)})
    return tuple(
        WeighRow(
            code=code, named=named.get(code, code), name=goods.items[code].name, planned_g=from_mg(mg),
            lots=tuple(lot for one in (code, *others[code]) for lot in lots.get(one, ())),
            stand_ins=tuple((other, goods.items[other].name) for other in others[code]),
        )
        for code, mg in planned.items()
    )  # fmt: skip


def _weighed(weighings: Sequence[Weighing], taken: Sequence[TakenRow], settings: Workshop) -> tuple[WeighedRow, ...]:
    return tuple(
        WeighedRow(
            code=row.item.code, name=row.item.name, planned_g=from_mg(row.planned_mg),
            actual_g=from_mg(row.actual_mg), because=row.because,
            lots=tuple(found.lot for found in taken if found.item == row.item.code),
            is_off=Deviation(row.planned_mg, row.actual_mg).beyond(settings.weigh_tolerance),
        )
        for row in weighings
    )  # fmt: skip


def _rejects(row: Load) -> tuple[tuple[str, int], ...]:
    rows = Reject.objects.filter(portion__load=row).order_by().values_list("reason").annotate(n=Sum("pieces"))
    return tuple(rows.order_by("reason"))


def _lots(row: Load) -> tuple[str, ...]:
    entries = StockMovement.objects.filter(load=row, reason="made", corrected_by=None).order_by("lot__code")
    return tuple(entries.values_list("lot__code", flat=True).distinct())


def _events(row: Load) -> tuple[EventRow, ...]:
    events = BatchEvent.objects.filter(load=row).select_related("by").order_by("-at", "-pk")
    return tuple(EventRow(event.at, str(event.by) if event.by else "", event.kind, event.text) for event in events)


def _spare(today: Catalogue, row: Load, shown: LoadRow, settings: Workshop) -> tuple[RoomRow, ...]:
    """Room that nobody has asked for, while the load can still be filled: 4 queries then."""
    if shown.stands is not BatchState.PLANNED:
        return ()
    shop, plan = production.planner(settings, today), production.plan_of(row.day)
    return spare.room(shop, plan, production.load_value(row))[1]


def _newer(today: Catalogue, row: Load) -> tuple[str, ...]:
    """Recipes that were edited since the batch was begun, which keeps its versions: 1 query where there are some."""
    recipes = {code: today.items[code].recipe for code in row.recipes if code in today.items}
    newer = {code: recipe.version for code, recipe in recipes.items() if recipe and recipe.version != row.recipes[code]}
    since = catalogue.since(newer) if newer else {}

    def called(code: str, version: int) -> str:
        return f"version {version} ({since_words(since[code, version], clock.today())})"

    return tuple(
        f"{_name(today, code)}: this batch keeps {called(code, row.recipes[code])}; "
        f"{called(code, version)} is in force now."
        for code, version in newer.items()
    )


def _name(goods: Catalogue, code: str) -> str:
    return goods.items[code].name if code in goods.items else code


def _releases(goods: Catalogue, row: Load, settings: Workshop) -> bool:
    """Does it wait for somebody to release it?"""
    first = row.portions.all()[0]
    sku = Sku(first.item.code, first.scent)
    step = next(step for step in goods.steps(sku.item) if step.code == first.operation)
    return may_release(day_sheet.facts(goods, row, sku, step, settings), clock.today())
