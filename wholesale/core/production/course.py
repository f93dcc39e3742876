"""A demand's way through its steps: what waits where, what goes into each step yet, and whether the plan has it so.

With yields below one more goes into a step than comes out of it: good ÷ the yields
from that step on, rounded up; with a shortage risk the number that holds it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.production.work import Demand, Load, Plan, Portion
from wholesale.core.production.yields import risk_of, starts, step_yields, yields_from
from wholesale.core.values import ceil_div


@dataclass(frozen=True, kw_only=True)
class Course:
    """What is still to go through each step for ``good`` more pieces.

    ``into`` is pieces into each step, those that wait for it (``waiting``) among them;
    ``fresh`` the good pieces that nothing is begun for. ``shares`` says how many pieces
    of the next step (good ones, after the last) each piece into a step is counted for.
    """

    good: Fraction
    into: tuple[int, ...] = ()
    waiting: tuple[int, ...] = ()
    shares: tuple[Fraction, ...] = ()
    fresh: int = 0

    @property
    def begins(self) -> dict[int, int]:
        """Pieces by the step they begin at: those waiting there, and new ones at the first."""
        counts = (self.into[0], *self.waiting[1:]) if self.into else (self.fresh,)
        return {step: pieces for step, pieces in enumerate(counts) if pieces > 0}


def course(catalogue: Catalogue, sku: Sku, good: Fraction | int, waiting: Sequence[int] = ()) -> Course:
    """The course of ``good`` more pieces, when so many wait for each step already; the furthest along count first."""
    good = max(Fraction(good), Fraction(0))
    item = catalogue.items[sku.item]
    count = len(catalogue.steps(sku.item))
    waiting = waiting or [0] * count
    risk = risk_of(catalogue, item)
    wanted = [
        good / Fraction(share) if risk is None else Fraction(starts(ceil_div(good, 1), share, risk))
        for share in yields_from(item)
    ]
    into, used, left = [0] * count, [0] * count, Fraction(1)
    for step in reversed(range(count)):
        into[step] = ceil_div(left * wanted[step], 1)
        used[step] = min(waiting[step], into[step]) if step else 0
        left = max(Fraction(0), left - used[step] / wanted[step]) if used[step] else left
    return Course(
        good=good, into=tuple(into), waiting=tuple(used), fresh=ceil_div(left * good, 1),
        shares=_shares(good, into, used),
    )  # fmt: skip


def _shares(good: Fraction, into: Sequence[int], waiting: Sequence[int]) -> tuple[Fraction, ...]:
    handed_on = [*(Fraction(n - w) for n, w in zip(into[1:], waiting[1:], strict=True)), good]
    return tuple(Fraction(out, n) if n else Fraction(0) for n, out in zip(into, handed_on, strict=False))


def course_of(catalogue: Catalogue, plan: Plan, demand: Demand) -> Course:
    """The course that is left of a demand, from what is done or begun and what it has picked."""
    return _course(catalogue, plan, demand, _handed_on(catalogue, plan, demand))


def remainder(catalogue: Catalogue, plan: Plan, demand: Demand) -> dict[int, int]:
    """Pieces still to be made, by the step they begin at: those waiting for it, and new ones at the first.

    A step's queue is what came good from the step before less what was put into it;
    what is alive nowhere (rejects included) begins anew.
    """
    return course_of(catalogue, plan, demand).begins


def planned(catalogue: Catalogue, plan: Plan, demand: Demand) -> dict[int, int]:
    """What the plan's loads to do cover of the ``remainder``: all of it, where each step takes in what it should.

    Else the pieces that each step takes in beyond those that come from the step before.
    """
    ideal = course_of(catalogue, plan, demand)
    taken = _taken(catalogue, plan, demand)
    most = _course(catalogue, plan, demand, _without_luck(catalogue, plan, demand)).into
    over = _rounded_up(catalogue, plan, demand)
    if all(a <= into <= b + c for a, into, b, c in zip(ideal.into, taken, most, over, strict=True)):
        return ideal.begins if taken else {}
    return {i: own for i, own in enumerate(_own(catalogue, demand, taken)) if own}


def _own(catalogue: Catalogue, demand: Demand, taken: Sequence[int]) -> list[int]:
    yields = step_yields(catalogue.items[demand.sku.item])
    before = [0, *(ceil_div(pieces * share, 1) for pieces, share in zip(taken, yields, strict=True))]
    return [into - came for into, came in zip(taken, before, strict=False)]


def is_settled(load: Load) -> bool:
    """Can't it be changed any more: is it begun, or done?"""
    return load.done or load.begun


def _of(plan: Plan, demand: Demand, *, settled: bool) -> list[tuple[Load, Portion]]:
    return [
        (load, p) for load in plan.loads if is_settled(load) is settled for p in load.portions
        if (p.demand, p.sku) == (demand.key, demand.sku)
    ]  # fmt: skip


def _taken(catalogue: Catalogue, plan: Plan, demand: Demand) -> list[int]:
    """Pieces that loads to do take into each step."""
    codes = [step.code for step in catalogue.steps(demand.sku.item)]
    todo = _of(plan, demand, settled=False)
    return [sum(p.pieces for _, p in todo if p.operation == code) for code in codes]


def _rounded_up(catalogue: Catalogue, plan: Plan, demand: Demand) -> list[int]:
    """Pieces that may be planned too many at each step: where some are lost, each day's are rounded up."""
    lossy = yields_from(catalogue.items[demand.sku.item])[0] < 1
    todo = _of(plan, demand, settled=False) if lossy else []
    return [
        max(0, len({load.day for load, p in todo if p.operation == step.code}) - 1)
        for step in catalogue.steps(demand.sku.item)
    ]


def _into(catalogue: Catalogue, plan: Plan, demand: Demand) -> list[int]:
    """Pieces that have gone into each step."""
    settled = _of(plan, demand, settled=True)
    return [sum(p.pieces for _, p in settled if p.operation == step.code) for step in catalogue.steps(demand.sku.item)]


def _handed_on(catalogue: Catalogue, plan: Plan, demand: Demand) -> list[Fraction]:
    """Good pieces out of each step: real ones of done loads, expected ones of those begun."""
    steps, yields = catalogue.steps(demand.sku.item), step_yields(catalogue.items[demand.sku.item])
    settled = _of(plan, demand, settled=True)
    return [
        sum((Fraction(p.counted) if load.done else p.pieces * Fraction(share)
             for load, p in settled if p.operation == step.code), Fraction(0))
        for step, share in zip(steps, yields, strict=True)
    ]  # fmt: skip


def _without_luck(catalogue: Catalogue, plan: Plan, demand: Demand) -> list[Fraction]:
    """The same, but no more than was counted on: a lucky batch makes nothing that is planned too much."""
    whole = course(catalogue, demand.sku, demand.pieces - _picked(plan, demand))
    into = _into(catalogue, plan, demand)
    return [
        min(out, max(pieces * share, Fraction(0))) if share else out
        for out, pieces, share in zip(_handed_on(catalogue, plan, demand), into, whole.shares, strict=True)
    ]


def _course(catalogue: Catalogue, plan: Plan, demand: Demand, out: Sequence[Fraction]) -> Course:
    into = _into(catalogue, plan, demand)
    waiting = [0, *(max(0, int(came - went)) for came, went in zip(out, into[1:], strict=False))]
    finished = out[-1] if out else Fraction(0)
    good = demand.pieces - _picked(plan, demand) - finished
    return course(catalogue, demand.sku, good, waiting[: len(out)])


def _picked(plan: Plan, demand: Demand) -> int:
    return sum(pick.pieces for pick in plan.picks if pick.demand == demand.key)
