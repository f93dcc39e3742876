"""How many pieces to start so that enough come out good: by the expected yield, or with a shortage risk.

The expected value is the definition of MRP textbooks: starts = good ÷ (1 − loss),
rounded up (MRP-10: 27 ÷ 0.9 = 30; 400 at 5 % loss = 422). The other convention,
good × (1 + loss), is not used. With a risk, good pieces are binomial: each start
comes good by itself with the chance ``yield_share``.
"""

from dataclasses import dataclass
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from functools import lru_cache

from wholesale.core.catalogue import Catalogue, Item
from wholesale.core.values import ceil_div

#: Digits that chances are computed to, and how near to the risk a chance is worked out exactly.
_DIGITS = Context(prec=60, Emin=-(10**9), Emax=10**9)
_NEAR = Decimal("1e-40")


@dataclass(frozen=True, kw_only=True)
class Starts:
    """What to start for ``good`` pieces, both ways.

    ``expected`` by the yield alone, ``for_risk`` so that the chance of too few is below
    the accepted risk (the same number where none is set); ``chance_short`` is that chance
    when the expected number is started.
    """

    good: int
    expected: int
    for_risk: int
    chance_short: Decimal


def starts(good: int, yield_share: Decimal, risk: Decimal | None = None) -> int:
    """Pieces to start for ``good`` ones.

    Without a risk good ÷ yield, rounded up. With one the fewest n with
    P(Binomial(n, yield) < good) < risk.
    """
    if good <= 0:
        return 0
    if risk is None or yield_share >= 1:
        return ceil_div(good, yield_share)
    return _for_risk(good, yield_share, risk)


def both_starts(good: int, yield_share: Decimal, risk: Decimal | None) -> Starts:
    """The two numbers a page shows, and how likely the lower one is too few."""
    expected = starts(good, yield_share)
    return Starts(
        good=good, expected=expected, for_risk=starts(good, yield_share, risk),
        chance_short=chance_short(expected, good, yield_share),
    )  # fmt: skip


def chance_short(started: int, good: int, yield_share: Decimal) -> Decimal:
    """P(Binomial(started, yield) < good): how likely fewer than ``good`` of so many starts come good."""
    if good <= 0:
        return Decimal(0)
    if started < good:
        return Decimal(1)
    short = Decimal(1)
    with localcontext(_DIGITS):
        for n, step in _Trials(good, yield_share):
            short -= step
            if n == started:
                break
    return max(short, Decimal(0))


class _Trials:
    """(n, chance that the good-th good piece is the n-th start), from n = good on: a negative binomial law.

    Chances of too few for one more start each follow from it without summing anew.
    """

    def __init__(self, good: int, yield_share: Decimal) -> None:
        self.good = good
        self.n = good - 1
        self.bad = 1 - yield_share
        self.chance = yield_share**good

    def __iter__(self) -> "_Trials":
        return self

    def __next__(self) -> tuple[int, Decimal]:
        self.n += 1
        if self.n > self.good:
            self.chance = self.chance * (self.n - 1) * self.bad / (self.n - self.good)
        return self.n, self.chance


@lru_cache(maxsize=4096)
def _for_risk(good: int, yield_share: Decimal, risk: Decimal) -> int:
    short = Decimal(1)
    with localcontext(_DIGITS):
        for n, step in _Trials(good, yield_share):
            short -= step
            near = abs(short - risk) < _NEAR
            if _is_below(n, good, yield_share, risk) if near else short < risk:
                return n
    raise AssertionError  # the chances sum to one


def _is_below(started: int, good: int, yield_share: Decimal, risk: Decimal) -> bool:
    """The same in whole fractions, where the digits can't tell: a chance that equals the risk is not below it."""
    chance = Fraction(yield_share) ** good
    short = 1 - chance
    for n in range(good + 1, started + 1):
        chance = chance * (n - 1) * (1 - Fraction(yield_share)) / (n - good)
        short -= chance
    return short < Fraction(risk)


@lru_cache(maxsize=4096)
def good_of(started: int, yield_share: Decimal, risk: Decimal | None) -> Fraction:
    """What may be counted on of pieces started: their expected number, or the most that the risk lets them be for."""
    if risk is None:
        return started * Fraction(yield_share)
    low, high = 0, started
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if starts(middle, yield_share, risk) <= started else (low, middle - 1)
    return Fraction(low)


# ── of items ─────────────────────────────────────────────────────────────────


def step_yields(item: Item) -> tuple[Decimal, ...]:
    """The yield of each step; that of the whole making stands with the last."""
    steps = item.recipe.operations if item.recipe else ()
    own = [step.yield_share for step in steps]
    return (*own[:-1], own[-1] * item.yield_share) if own else ()


def yields_from(item: Item) -> tuple[Decimal, ...]:
    """Of pieces that enter each step, the share that comes out of the last one good; for no steps the item's own."""
    found: list[Decimal] = []
    for share in reversed(step_yields(item)):
        found.insert(0, share * (found[0] if found else 1))
    return tuple(found) or (item.yield_share,)


def risk_of(catalogue: Catalogue, item: Item) -> Decimal | None:
    """The accepted chance of too few good pieces: the item's own, else the workshop's; ``None`` where none is set."""
    return catalogue.shortage_risk if item.shortage_risk is None else item.shortage_risk


def into_steps(catalogue: Catalogue, item: Item, good: int) -> tuple[int, ...]:
    """Pieces into each step so that ``good`` come out of the last, by the yields from there on and the risk."""
    risk = risk_of(catalogue, item)
    return tuple(starts(good, share, risk) for share in yields_from(item))
