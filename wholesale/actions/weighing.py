"""Weighing a batch: what really went in, from which lots, and why it was not what was planned."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from django.db import transaction

from accounts.models import User
from wholesale import clock
from wholesale.actions import ledger, plan_rows
from wholesale.actions.batch_rows import (
    Batch,
    listed,
    note,
    note_missing,
    open_batch,
    refuse_others,
    take_oldest,
)
from wholesale.core.catalogue import NO_SWAPS
from wholesale.core.production.batches import Deviation
from wholesale.core.production.weighing import MeltPlan, counted_pieces, planned_mg
from wholesale.core.recipes.limits import notes_for_load
from wholesale.core.values import Conflict, Refusal, day_words, from_mg, plain, to_mg
from wholesale.models import Item, Lot, Weighing
from wholesale.queries import batches as stand

#: Nobody weighs a ton at a bench.
_MOST_G = Decimal(1_000_000)
_MOST_BECAUSE = 200


@dataclass(frozen=True, kw_only=True)
class OnScale:
    """What was really weighed of one item.

    ``lot`` names the one it came from; "" takes the oldest ones first. ``because`` is
    asked for beyond the tolerance; ``sure`` says that a weight a digit off is right.
    """

    grams: Decimal
    lot: str = ""
    because: str = ""
    sure: bool = False


@dataclass
class _Taken:
    """What was taken so far, in words for the history."""

    words: list[str] = field(default_factory=list)

    def add(self, name: str, mg: int, lots: Mapping[str, int]) -> None:
        """So many milligrams of a thing, out of these lots."""
        self.words.append(f"{name} {_grams(mg)} from {', '.join(lots) or 'no lot'}")


def weigh(*, by: User, load: int, weights: Mapping[str, OnScale], swaps: Mapping[str, str] = NO_SWAPS) -> str:
    """Record what was weighed for a load, take it from its lots, and return the batch number.

    ``weights`` is by the code of what was really taken; what is left out was weighed as
    the sheet says. The batch keeps the recipe versions and ``swaps`` of this moment.
    Refused by name: a lot on hold, past its day or used up; a weight ten times off
    unless it is sure; one beyond the tolerance without a reason. ``Conflict`` when it
    is weighed or done already.
    """
    refuse_others(by)
    with transaction.atomic():
        state = plan_rows.lock()
        batch = open_batch(by, load)
        _refuse_begun(batch)
        _refuse_limits(batch, swaps)
        plans = stand.melts_now(batch.goods, batch.load, batch.settings, swaps)
        _refuse_unknown(plans, weights)
        batch.begin()
        batch.row.swaps = dict(swaps)
        batch.row.weighed_at = clock.now()
        batch.row.day = max(batch.row.day, clock.today())
        batch.row.save()
        taken = _Taken()
        use_leftovers(batch, plans, taken)
        for code, planned in planned_mg(plans).items():
            _weigh(batch, code, planned, weights.get(code), taken)
        take_counted(batch, plans)
        note(batch, "weighed", f"Weighed: {listed(taken.words)}." if taken.words else "Begun; nothing to weigh.")
        plan_rows.changed(state, f"{batch.row.number} weighed")
        return str(batch.row.number)


def take_as_planned(batch: Batch) -> None:
    """Take what an unweighed batch was planned to take, as far as there is any; the history says what was missing."""
    plans = stand.melts_now(batch.goods, batch.load, batch.settings, batch.row.swaps)
    taken = _Taken()
    use_leftovers(batch, plans, taken)
    for code, planned in planned_mg(plans).items():
        lots = take_oldest(batch, batch.sku(code), planned, "weighed")
        if lots:
            taken.add(batch.goods.items[code].name, sum(lots.values()), lots)
        if missing := planned - sum(lots.values()):
            note_missing(batch, code, missing)
    take_counted(batch, plans)
    if taken.words:
        note(batch, "taken", f"Not weighed, taken as planned: {listed(taken.words)}.")


def use_leftovers(batch: Batch, plans: Iterable[MeltPlan], taken: _Taken) -> None:
    """Use up what is left of earlier melts, as far as the new one takes it."""
    for plan in plans:
        if mg := to_mg(plan.leftover_g):
            lots = take_oldest(batch, plan.sku, mg, "weighed")
            taken.add(f"left of {batch.goods.items[plan.sku.item].name}", mg, lots)


def take_counted(batch: Batch, plans: Iterable[MeltPlan]) -> None:
    """Take what is added by the batch in pieces, as far as there is any."""
    for code, pieces in counted_pieces(plans).items():
        there = sum(take_oldest(batch, batch.sku(code), pieces, "used").values())
        if there < pieces:
            note_missing(batch, code, pieces - there)


def _refuse_begun(batch: Batch) -> None:
    row = batch.row
    if row.scrapped_at is not None:
        raise Conflict("scrapped", f"{row.number} was scrapped; its pieces are planned anew. Look at the day sheet.")
    if row.done_at is not None:
        raise Conflict("done_already", f"This load is already marked done as {row.number}; nothing was changed.")
    if row.weighings.exists():
        raise Conflict("weighed_already", f"This load is already weighed as {row.number}; nothing was changed.")


def _refuse_limits(batch: Batch, swaps: Mapping[str, str]) -> None:
    """A limit that the maker marked hard refuses the batch, with the substitutes chosen for it."""
    for limit in notes_for_load(batch.goods, batch.load, swaps):
        if limit.refuse:
            raise Refusal("limit", f"{limit.text} It is marked as a limit that refuses; change the recipe first.", "")


def _refuse_unknown(plans: Iterable[MeltPlan], weights: Mapping[str, OnScale]) -> None:
    known = planned_mg(plans)
    for code in weights:
        if code not in known:
            message = f"{code} is not weighed for this batch; it is weighed from {', '.join(known) or 'nothing'}."
            raise Refusal("not_in_batch", message, f"grams-{code}")


def _weigh(batch: Batch, code: str, planned: int, found: OnScale | None, taken: _Taken) -> None:
    """Write one weighing, and take it from its lot."""
    found = found or OnScale(grams=from_mg(planned))
    _refuse_weight(batch, code, planned, found)
    actual = to_mg(found.grams)
    lots = _take_named(batch, code, actual, found.lot) if found.lot else _take_any(batch, code, actual)
    item = Item.objects.get(code=code)
    because = found.because.strip()
    Weighing.objects.create(load=batch.row, item=item, planned_mg=planned, actual_mg=actual, because=because)
    taken.add(item.name, actual, lots)


def _refuse_weight(batch: Batch, code: str, planned: int, found: OnScale) -> None:
    name, grams = batch.goods.items[code].name, found.grams
    if not grams.is_finite() or not 0 <= grams < _MOST_G:
        message = f"{grams} g of {name} can't be right; give grams from 0 to {_MOST_G:,}."
        raise Refusal("weight", message, f"grams-{code}")
    if len(found.because) > _MOST_BECAUSE:
        raise Refusal("too_long", f"Say it in at most {_MOST_BECAUSE} letters.", f"because-{code}")
    off = Deviation(planned, to_mg(grams))
    if off.is_a_digit_off and not found.sure:
        message = (
            f"{plain(grams, 3)} g of {name} instead of {_grams(planned)}: has the point slipped? "
            "Type the weight again, or say that it is right."
        )
        raise Refusal("digit_off", message, f"grams-{code}", planned=str(from_mg(planned)), found=str(grams))
    if off.beyond(batch.settings.weigh_tolerance) and not found.because.strip():
        message = (
            f"{plain(grams, 3)} g of {name} are {plain(abs(off.share) * 100, 1)} % "
            f"{'more' if off.difference > 0 else 'less'} than the {_grams(planned)} planned; say why."
        )
        raise Refusal("reason", message, f"because-{code}", planned=str(from_mg(planned)), found=str(grams))


def _take_named(batch: Batch, code: str, mg: int, lot: str) -> dict[str, int]:
    """Take it all from the lot that was named."""
    row = Lot.objects.select_related("item").filter(code=lot.strip(), item__code=code).first()
    if row is None:
        message = f"There is no lot {lot.strip()} of {batch.goods.items[code].name}; look at its label again."
        raise Refusal("no_lot", message, f"lot-{code}")
    if row.usable_on > clock.today():
        raise Refusal("lot_not_yet", f"Lot {row.code} may be used from {day_words(row.usable_on)} on.", f"lot-{code}")
    try:
        ledger.take(row, mg, batch.why("weighed"))
    except Refusal as refusal:
        raise Refusal(refusal.code, refusal.message, f"lot-{code}", **refusal.facts) from None
    return {row.code: mg}


def _take_any(batch: Batch, code: str, mg: int) -> dict[str, int]:
    """Take it from the oldest lots; a ``Refusal`` names those that nothing may be taken from."""
    lots = take_oldest(batch, batch.sku(code), mg, "weighed")
    there = sum(lots.values())
    if there < mg:
        held = stand.standing_against(code)
        message = (
            f"{_grams(mg)} of {batch.goods.items[code].name} are needed and {_grams(there)} can be taken. "
            + (f"Not to be taken: {', '.join(held)}. " if held else "")
            + "Receive or count it first, or take a substitute."
        )
        raise Refusal("material_short", message, f"lot-{code}", needed=str(from_mg(mg)), there=str(from_mg(there)))
    return lots


def _grams(milligrams: int) -> str:
    return f"{plain(from_mg(milligrams), 3)} g"
