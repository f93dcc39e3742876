"""A batch opened for one change of it: its row locked, its pieces, the catalogue as it began, its history."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from django.db.models import Prefetch

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import ledger, numbers
from wholesale.core.catalogue import Basis, Catalogue, Operation, Sku, sku_name
from wholesale.core.production.plan import Shop
from wholesale.core.production.takes import is_at
from wholesale.core.production.weighing import recipes_used
from wholesale.core.production.work import Load
from wholesale.core.values import NotAllowed, NotFound, Refusal, ceil_div
from wholesale.core.workshop import Workshop
from wholesale.models import BatchEvent, LoadPortion
from wholesale.models import Load as LoadRow
from wholesale.queries import catalogue, production, workshop


@dataclass(frozen=True, kw_only=True)
class Batch:
    """A load and what a change of it stands on; ``goods`` has the recipe versions it began with."""

    by: User
    row: LoadRow
    portions: list[LoadPortion]
    settings: Workshop
    shop: Shop
    goods: Catalogue

    @property
    def load(self) -> Load:
        """The load as the core's value."""
        return production.load_value(self.row)

    def why(self, reason: str, because: str = "", portion: LoadPortion | None = None) -> ledger.Why:
        """What a movement of stock for this batch (and of whose pieces) stands for."""
        return ledger.Why(
            reason=reason, by=self.by, reference=self.row.number or "", because=because, load=self.row, portion=portion
        )  # fmt: skip

    def step(self, portion: LoadPortion) -> Operation:
        """The step a portion goes through."""
        steps = self.goods.recipe(portion.item.code).operations
        return next(step for step in steps if step.code == portion.operation)

    def sku(self, code: str) -> Sku:
        """What an item is in this batch: in its scent, where the item has one."""
        scent = self.row.scent or next((portion.scent for portion in self.portions), "")
        return Sku(code, scent if self.goods.items[code].scented else "")

    def begin(self) -> None:
        """Give it its number, and freeze the recipe versions it is made by; the caller saves the row."""
        self.row.number = self.row.number or f"B-{numbers.take('B-')}"
        self.row.recipes = self.row.recipes or recipes_used(self.goods, self.load)


def open_batch(by: User, load: int) -> Batch:
    """The load, locked; the caller holds the plan's lock. ``NotFound`` when there is none any more."""
    portions = LoadPortion.objects.select_related("item", "order_scent__line__order", "for_stock")
    rows = LoadRow.objects.select_for_update(of=("self",)).select_related("what", "equipment")
    row = rows.prefetch_related(Prefetch("portions", portions)).filter(pk=load).first()
    if row is None:
        raise NotFound("load", "There is no such load any more; the plan has changed. Look at the day sheet.")
    settings = workshop.workshop()
    shop = production.planner(settings)
    goods = catalogue.as_begun(shop.catalogue, [row.recipes])(row.recipes)
    return Batch(by=by, row=row, portions=list(row.portions.all()), settings=settings, shop=shop, goods=goods)


def refuse_others(by: User) -> None:
    """``NotAllowed`` for whom the bench is not theirs."""
    if not access.is_bench(by):
        raise NotAllowed("bench_only", "Only the maker and the helpers may do this.")


def note(batch: Batch, kind: str, text: str) -> None:
    """Add to the batch's history."""
    BatchEvent.objects.create(load=batch.row, at=clock.now(), by=batch.by, kind=kind, text=text)


# ── what a batch takes ───────────────────────────────────────────────────────────


def take_oldest(batch: Batch, sku: Sku, quantity: int, reason: str) -> dict[str, int]:
    """Take so much from sound lots, oldest first: what was taken, by lot. Less than asked when there is less."""
    taken: dict[str, int] = {}
    for lot, free in production.free_lots(sku, clock.today()):
        if part := min(quantity - sum(taken.values()), free):
            ledger.take(lot, part, batch.why(reason))
            taken[lot.code] = part
    return taken


def take_pieces(batch: Batch) -> None:
    """Take what is used by the piece at the load's steps: parts must be there, materials go as far as they are.

    A workshop may keep no book of its jars and wicks; of the parts it makes itself it uses none that isn't there.
    """
    for sku, quantity in _by_the_piece(batch).items():
        taken = take_oldest(batch, sku, quantity, "used")
        if sum(taken.values()) < quantity:
            _short(batch, sku, quantity, sum(taken.values()))


def _by_the_piece(batch: Batch) -> Mapping[Sku, int]:
    """Pieces (or milligrams) of each sku that the load's pieces take at their steps; melts are weighed, not counted."""
    needed: dict[Sku, Fraction] = {}
    for portion in batch.portions:
        step = batch.step(portion)
        for line in batch.goods.recipe(portion.item.code).lines:
            at_step = is_at(batch.goods, portion.item.code, line, step)
            if line.basis is Basis.PER_PIECE and at_step and line.component != step.melt:
                sku = batch.goods.component(line, portion.scent)
                unit = production.UNITS[batch.goods.items[sku.item].unit]
                needed[sku] = needed.get(sku, Fraction(0)) + Fraction(line.quantity) * unit * portion.pieces
    return {sku: ceil_div(quantity, 1) for sku, quantity in needed.items()}


def _short(batch: Batch, sku: Sku, quantity: int, there: int) -> None:
    """A part that isn't there is a ``Refusal``; of a material it is only noted that the books were short."""
    item = batch.goods.items[sku.item]
    if item.recipe and item.recipe.operations:
        message = (
            f"{quantity} pieces of {sku_name(batch.goods, sku)} are needed, {there} are in stock and usable today; "
            "mark the casting done first, or count the stock."
        )
        raise Refusal("parts_short", message, "good")
    note_missing(batch, sku.item, quantity - there)


def note_missing(batch: Batch, code: str, quantity: int) -> None:
    """What was used and stood in no book is told, for somebody to count."""
    item = batch.goods.items[code]
    missing = ledger.amount(quantity, item.unit)
    note(batch, "not_in_stock", f"{missing} of {item.name} were used that stock knows nothing of; count it.")


def listed(words: Iterable[str]) -> str:
    """Phrases of one sentence, between semicolons."""
    return "; ".join(words)
