"""What came of a batch: good pieces dealt to those who wait for them, rejects filed by reason."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal

from django.db.models import F

from wholesale.actions.batch_rows import Batch
from wholesale.core.production.batches import Claim, Purpose, deal, file_rejects, good_of, refuse_more_than
from wholesale.core.values import Refusal
from wholesale.models import LoadPortion, Reject

#: Where a reject is filed that nobody gave a reason.
OTHER = "other"
#: A day and a night at one load is a slip of the finger.
_MOST_MINUTES = 1440


@dataclass(frozen=True, kw_only=True)
class Made:
    """What really came of a load, counted by portion or by a whole step of a sku.

    ``good`` is by portion. ``totals`` (good pieces) and ``rejects`` (pieces by reason) are
    of all portions of one sku and step, under any one of them; the good pieces are dealt
    earliest promised first, samples last (first if ``keep_sample``). What is left out came
    out whole but for its rejects. ``words`` say more about a portion's rejects.
    """

    good: Mapping[int, int] = field(default_factory=dict)
    totals: Mapping[int, int] = field(default_factory=dict)
    rejects: Mapping[int, Mapping[str, int]] = field(default_factory=dict)
    words: Mapping[int, str] = field(default_factory=dict)
    keep_sample: bool = False
    minutes: Decimal | None = None
    note: str = ""


def record(batch: Batch, made: Made) -> None:
    """Write the good pieces and rejects of every portion; a ``Refusal`` where they don't add up."""
    _refuse_reasons(batch, made)
    _refuse_minutes(made.minutes)
    for portions in groups(batch.portions):
        good = _good(portions, made)
        for portion, pieces in zip(portions, good, strict=True):
            portion.good = pieces
            _refuse_unpoured(batch, portion)
        _file(portions, made)


def groups(portions: Iterable[LoadPortion]) -> Sequence[list[LoadPortion]]:
    """The portions of each sku and step."""
    found: dict[tuple[int, str, str], list[LoadPortion]] = {}
    for portion in portions:
        found.setdefault((portion.item_id, portion.scent, portion.operation), []).append(portion)
    return list(found.values())


def _good(portions: list[LoadPortion], made: Made) -> Sequence[int]:
    """Good pieces of each portion of one sku and step."""
    rejects = _rejects(portions, made)
    if any(portion.pk in made.good for portion in portions):
        return _by_portion(portions, made, rejects)
    started = sum(portion.pieces for portion in portions)
    total = next((made.totals[portion.pk] for portion in portions if portion.pk in made.totals), None)
    with _beside(portions[0]):
        return deal(good_of(started, total, rejects), [claim(p) for p in portions], keep_sample=made.keep_sample)


def _by_portion(portions: list[LoadPortion], made: Made, rejects: Mapping[str, int]) -> Sequence[int]:
    """As they were counted for each; together with the rejects they must be what was started."""
    good = [made.good.get(portion.pk, portion.pieces) for portion in portions]
    for portion, pieces in zip(portions, good, strict=True):
        with _beside(portion):
            refuse_more_than(portion.pieces, pieces)
    with _beside(portions[0]):
        good_of(sum(portion.pieces for portion in portions), sum(good), rejects)
    return good


@contextmanager
def _beside(portion: LoadPortion) -> Iterator[None]:
    """Put a refusal beside the field of its portion."""
    try:
        yield
    except Refusal as refusal:
        raise Refusal(refusal.code, refusal.message, f"{refusal.field}-{portion.pk}", **refusal.facts) from None


def claim(portion: LoadPortion) -> Claim:
    """Whom a portion is for, and by when."""
    if portion.for_stock:
        return Claim(portion.pieces, Purpose(portion.for_stock.purpose))
    order = portion.order
    return Claim(portion.pieces, Purpose.ORDER, order.promised_leaves if order else None)


def _rejects(portions: list[LoadPortion], made: Made) -> dict[str, int]:
    """Rejects by reason of one sku and step; reasons nobody counted are left out."""
    found: dict[str, int] = {}
    for portion in portions:
        for reason, pieces in made.rejects.get(portion.pk, {}).items():
            if pieces:
                found[reason] = found.get(reason, 0) + pieces
    return found


def _file(portions: list[LoadPortion], made: Made) -> None:
    """Write each portion with its rejects by reason."""
    lost = [portion.pieces - (portion.good or 0) for portion in portions]
    for portion, filed in zip(portions, file_rejects(lost, _rejects(portions, made), OTHER), strict=True):
        Reject.objects.bulk_create(
            Reject(portion=portion, pieces=pieces, reason=reason) for reason, pieces in filed.items()
        )
        named = ", ".join(reason for reason in filed if reason != OTHER)
        portion.reject_reason = made.words.get(portion.pk, "").strip() or named
        portion.save(update_fields=["good", "reject_reason"])


def _refuse_reasons(batch: Batch, made: Made) -> None:
    known = batch.settings.reject_names
    for pk, rejects in made.rejects.items():
        for reason in rejects:
            if reason not in known:
                message = f"'{reason}' is no reason for a reject here; the reasons are {', '.join(known)}."
                raise Refusal("reject_reason", message, f"rejects-{pk}")
    for pk, words in made.words.items():
        if len(words) > 120:
            raise Refusal("too_long", "Say it in at most 120 letters.", f"reason-{pk}")


def _refuse_minutes(minutes: Decimal | None) -> None:
    if minutes is not None and not (minutes.is_finite() and 0 <= minutes <= _MOST_MINUTES):
        raise Refusal("minutes", f"{minutes} minutes can't be right; give 0 to {_MOST_MINUTES}.", "minutes")


def _refuse_unpoured(batch: Batch, portion: LoadPortion) -> None:
    """A step can't be done on pieces that never came from the step before."""
    steps = batch.goods.recipe(portion.item.code).operations
    position = [step.code for step in steps].index(portion.operation)
    if position == 0:
        return
    before = steps[position - 1]
    came = passed(portion, before.code, "good")
    used = passed(portion, portion.operation, "pieces", exclude=portion.pk)
    if portion.pieces + used > came:
        message = (
            f"{portion.for_whom}: only {came - used} of {portion.pieces} pieces have passed '{before.name}'; "
            "mark that load done first."
        )
        raise Refusal("step_before", message, f"good-{portion.pk}")


def passed(portion: LoadPortion, operation: str, column: str, exclude: int = 0) -> int:
    """Pieces ("pieces" taken in, or "good" ones) of a portion's demand that a step has seen so far."""
    rows = LoadPortion.objects.filter(
        order_scent=portion.order_scent_id,
        for_stock=portion.for_stock_id,
        item=portion.item_id,
        scent=portion.scent,
        operation=operation,
        load__done_at__isnull=False,
    ).exclude(pk=exclude)
    return sum(rows.exclude(load__scrapped_at=F("load__done_at")).values_list(column, flat=True))
