"""The batch sheet of a load: from its row to the frozen value that is printed."""

from dataclasses import dataclass
from datetime import date
from urllib.parse import urljoin

from django.conf import settings as django_settings
from django.urls import reverse

from wholesale import clock
from wholesale.core.catalogue import Catalogue
from wholesale.core.documents import batch
from wholesale.core.documents.papers import House
from wholesale.core.production.weighing import MeltPlan, melt_plans
from wholesale.core.recipes.limits import notes_for_load
from wholesale.core.workshop import Workshop
from wholesale.models import Document, Load, LoadPortion
from wholesale.queries import batches, catalogue, day_sheet, production
from wholesale.queries.load_page import melts_with_lots
from wholesale.queries.starts import starts_words


@dataclass(frozen=True, kw_only=True)
class _Sheet:
    """A load's row, and the catalogue with the recipes it is made by."""

    row: Load
    goods: Catalogue
    settings: Workshop

    def melts(self) -> tuple[batch.Melt, ...]:
        """What to weigh, with the lots to take it from; or what was weighed, with those it came from."""
        load = production.load_value(self.row)
        how = batches.dosings(lambda _: self.goods, [self.row], self.settings)[self.row.pk]
        plans: tuple[MeltPlan, ...] = melt_plans(self.goods, load, how)
        weighings = list(self.row.weighings.select_related("item"))
        shown = batch.melts(self.goods, load, how)
        return melts_with_lots(self.row, shown, plans, batches.taken_by(self.row.pk), weighings)

    def swaps(self) -> tuple[str, ...]:
        """The substitutes chosen for it."""
        items = self.goods.items
        return tuple(f"{items[new].name} instead of {items[old].name}" for old, new in self.row.swaps.items())


def batch_sheet(document: Document, house: House, written_on: date, settings: Workshop) -> batch.BatchSheet:
    """One load with what to weigh: 16 queries, one more for a load of parts, 3 where its recipes are not its day's."""
    row = day_sheet.loads().get(documents=document)
    today = catalogue.catalogue(max(row.day, clock.today()))
    goods = catalogue.as_begun(today, [row.recipes])(row.recipes)
    load, sheet = production.load_value(row), _Sheet(row=row, goods=goods, settings=settings)
    first = day_sheet.load_row(goods, row, settings, batches.plain_dosing(settings))
    return batch.BatchSheet(
        house=house, number=row.number or f"load {row.pk}, planned", written_on=written_on,
        day=row.day, equipment=row.equipment.name if row.equipment else "",
        holds=batch.holds(goods, load.work.equipment), what=batch.sku_name(goods, load.work.what),
        recipes="; ".join(batches.recipe_words(goods, row)),
        portions=tuple(_portion(portion, goods) for portion in day_sheet.listed(row)),
        melts=sheet.melts(), parts=batch.parts(goods, load), steps=batch.steps(goods, load),
        done=row.done_at is not None, note=row.note, state=str(first.stands), swaps=sheet.swaps(),
        minutes=row.minutes, limits=tuple(note.text for note in notes_for_load(goods, load, row.swaps)),
        risks=starts_words(goods, row, settings),
        page_url=urljoin(f"{django_settings.CASEWRIGHT_SITE_URL}/", reverse("bench:load", args=[row.pk])),
    )  # fmt: skip


def _portion(row: LoadPortion, goods: Catalogue) -> batch.BatchPortion:
    steps = {step.code: step.name for step in goods.recipe(row.item.code).operations}
    scent = goods.scents[row.scent].name if row.scent in goods.scents else row.scent
    return batch.BatchPortion(
        order=row.for_whom, product=row.item.name, scent=scent, step=steps.get(row.operation, row.operation),
        pieces=row.pieces, leaves=row.order.promised_leaves if row.order else None,
        good=row.good, because=row.reject_reason,
    )  # fmt: skip
