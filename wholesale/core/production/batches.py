"""A batch is one load on its way: its state by facts and dates, planned beside actual, good pieces dealt out.

Common practice, no source: orders come before the shelf, the shelf before kept samples.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.values import Refusal


class BatchState(StrEnum):
    """Where a batch stands."""

    PLANNED = "planned"
    WEIGHED = "weighed"
    MADE = "made"
    SETTING = "setting"
    CURING = "curing"
    RELEASED = "released"
    SCRAPPED = "scrapped"


@dataclass(frozen=True, kw_only=True)
class BatchFacts:
    """What has happened to a batch, and the days that its steps give.

    ``ready_on`` is the first day its pieces may go on to the next step, or be used;
    ``cured_on`` the day they may be sold from, where this step starts the cure.
    ``into_stock``: the pieces leave this batch for the shelf. ``by_hand``: they may be
    sold only once somebody has released them.
    """

    weighed: bool = False
    done: bool = False
    scrapped: bool = False
    released: bool = False
    by_hand: bool = False
    into_stock: bool = False
    ready_on: date | None = None
    cured_on: date | None = None


def batch_state(facts: BatchFacts, today: date) -> BatchState:
    """The state of a batch on a day."""
    if facts.scrapped:
        return BatchState.SCRAPPED
    if not facts.done:
        return BatchState.WEIGHED if facts.weighed else BatchState.PLANNED
    if facts.cured_on is not None:
        waits = not facts.released if facts.by_hand else facts.cured_on > today
        return BatchState.CURING if waits else BatchState.RELEASED
    if facts.ready_on is not None and facts.ready_on > today:
        return BatchState.SETTING
    return BatchState.RELEASED if facts.into_stock else BatchState.MADE


def may_release(facts: BatchFacts, today: date) -> bool:
    """Does a cured batch wait for somebody to release it?"""
    waits = batch_state(facts, today) is BatchState.CURING and facts.by_hand
    return waits and facts.cured_on is not None and facts.cured_on <= today


# ── planned beside actual ────────────────────────────────────────────────────────


class Deviation(NamedTuple):
    """What was planned and what really was, in the same unit."""

    planned: int
    actual: int

    @property
    def difference(self) -> int:
        """Actual less planned."""
        return self.actual - self.planned

    @property
    def share(self) -> Fraction:
        """The difference as a share of what was planned; all of it where nothing was."""
        return Fraction(self.difference, self.planned) if self.planned else Fraction(int(self.actual > 0))

    def beyond(self, tolerance: Decimal) -> bool:
        """Is it off by more than ``tolerance`` percent?"""
        return abs(self.share) * 100 > Fraction(tolerance)

    @property
    def is_a_digit_off(self) -> bool:
        """Is it nearer to ten times, or a tenth, than to what was planned?

        Nearer in the ratio, as a shifted point is: beyond √10 times either way.
        """
        if not self.planned:
            return False
        ratio = Fraction(self.actual, self.planned)
        return ratio * ratio >= 10 or ratio * ratio * 10 <= 1


# ── good pieces dealt to those who wait for them ─────────────────────────────────


class Purpose(StrEnum):
    """Whom pieces are made for."""

    ORDER = "order"
    STOCK = "stock"
    SAMPLE = "sample"


class Claim(NamedTuple):
    """Pieces of a load that are for somebody, and by when."""

    pieces: int
    purpose: Purpose = Purpose.ORDER
    promised: date | None = None


def deal(good: int, claims: Sequence[Claim], *, keep_sample: bool = False) -> tuple[int, ...]:
    """Good pieces to each claim: earliest promised first, then the shelf, kept samples last.

    ``keep_sample`` serves the samples first instead. A ``Refusal`` when more are good than were made.
    """
    made = sum(claim.pieces for claim in claims)
    refuse_more_than(made, good)
    last = [Purpose.ORDER, Purpose.STOCK, Purpose.SAMPLE]

    def turn(place: int) -> tuple[int, date, int]:
        claim = claims[place]
        rank = -1 if keep_sample and claim.purpose is Purpose.SAMPLE else last.index(claim.purpose)
        return rank, claim.promised or date.max, place

    dealt = [0] * len(claims)
    for place in sorted(range(len(claims)), key=turn):
        dealt[place] = min(good, claims[place].pieces)
        good -= dealt[place]
    return tuple(dealt)


def refuse_more_than(made: int, good: int) -> None:
    """A ``Refusal`` when the good pieces can't be right."""
    if not 0 <= good <= made:
        message = f"{good} of {made} can't be good; give a number from 0 to {made}."
        raise Refusal("yield", message, "good", found=good)


def good_of(made: int, good: int | None, rejects: Mapping[str, int]) -> int:
    """Good pieces of those made: as counted, or what the rejects leave; a ``Refusal`` when the two don't add up."""
    lost = sum(rejects.values())
    if any(pieces < 0 for pieces in rejects.values()):
        raise Refusal("rejects", "Rejects can't be below 0; leave the field empty where there were none.", "rejects")
    if lost > made:
        message = f"{lost} rejects of {made} pieces can't be; count them again."
        raise Refusal("rejects", message, "rejects", rejects=lost, made=made)
    if good is None:
        return made - lost
    refuse_more_than(made, good)
    if lost and good + lost != made:
        message = (
            f"{good} good and {lost} rejected are {good + lost}, but {made} were started. "
            "Count again, or leave the good ones empty."
        )
        raise Refusal("rejects", message, "good", good=good, rejects=lost, made=made)
    return good


def file_rejects(lost: Sequence[int], rejects: Mapping[str, int], other: str) -> list[dict[str, int]]:
    """The reasons of a step's rejects by portion (``lost`` pieces each); what has no reason is ``other``."""
    unnamed = sum(lost) - sum(rejects.values())
    reasons = [reason for reason, pieces in rejects.items() for _ in range(pieces)] + [other] * unnamed
    filed: list[dict[str, int]] = []
    for pieces in lost:
        mine, reasons = reasons[:pieces], reasons[pieces:]
        filed.append({reason: mine.count(reason) for reason in dict.fromkeys(mine)})
    return filed


# ── in which batch pieces were poured ────────────────────────────────────────────


class Poured(NamedTuple):
    """Pieces, and the batch they were poured in."""

    batch: int
    pieces: int


class Passed(NamedTuple):
    """Pieces that a batch took into a later step, and how many came good."""

    pieces: int
    good: int


def waiting(
    poured: Iterable[Poured], between: Iterable[Iterable[Passed]], entered: Mapping[int, int], lost: int
) -> tuple[Poured, ...]:
    """Pieces of one demand that wait for the step which puts them into stock, the first poured first.

    ``between`` is what went through each step on the way, in the order it was done; ``entered``
    the pieces in stock already, by the batch they were poured in; ``lost`` what the last step lost.
    """
    queue = tuple(poured)
    for step in between:
        out: tuple[Poured, ...] = ()
        for passed in step:
            taken, queue = split(queue, passed.pieces)
            out += split(taken, passed.good)[0]
        queue = out
    return split(_less(queue, entered), lost)[1]


def split(queue: Iterable[Poured], pieces: int) -> tuple[tuple[Poured, ...], tuple[Poured, ...]]:
    """The first so many pieces of a queue, or all there are, and the rest."""
    first, rest = [], []
    for batch, there in queue:
        taken = min(pieces, there)
        pieces -= taken
        first.append(Poured(batch, taken))
        rest.append(Poured(batch, there - taken))
    return tuple(part for part in first if part.pieces), tuple(part for part in rest if part.pieces)


def _less(queue: Iterable[Poured], entered: Mapping[int, int]) -> tuple[Poured, ...]:
    """A queue without what each batch has in stock already."""
    gone, left = dict(entered), []
    for batch, there in queue:
        taken = min(there, gone.get(batch, 0))
        gone[batch] = gone.get(batch, 0) - taken
        left.append(Poured(batch, there - taken))
    return tuple(part for part in left if part.pieces)
