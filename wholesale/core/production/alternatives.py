"""Sooner if …: what a shop could change about a basket so that it, or most of it, comes sooner.

Every alternative is placed on a bench as it stands, and taken off again, so it is a date
that would be promised; the plan with it has passed ``check``. Fetched goods that are not
wanted before a day go through the bench as the basket itself, which was checked.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from wholesale.core.catalogue import Sku
from wholesale.core.orders import Basket, BasketLine
from wholesale.core.production.baskets import Ground, arrives_on, asked_for, demands_of, line_of, put_in
from wholesale.core.production.bench import Bench
from wholesale.core.production.making import largest
from wholesale.core.production.promise import Asked, Gate, Promise, bound
from wholesale.core.production.work import Demand, Placed

#: Other scents that are looked at, and tried with the whole basket, at most: each costs a placing.
_MOST_SCENTS, _MOST_TRIED = 4, 2


@dataclass(frozen=True, kw_only=True)
class Alternative:
    """What to order instead, and when it would leave and arrive; of a split the first shipment.

    ``kind`` is "pick_up", "split" (all the cases, in two shipments), "fewer" or
    "scent". ``cases`` come on that day, of ``of`` ordered.
    """

    kind: str
    basket: Basket
    leaves: date
    arrives: date
    cases: int
    of: int
    rest_leaves: date | None = None
    rest_arrives: date | None = None
    #: The scent that gives way, and the one that comes instead.
    scents: tuple[str, str] = ("", "")


@dataclass(frozen=True, kw_only=True)
class Asking:
    """A basket on a ground, what it was promised, and where its pieces go when it is ``asked`` for.

    ``held``: the promise is of an earlier moment, when the basket was put by.
    """

    ground: Ground
    basket: Basket
    asked: Asked
    promised: Promise
    placed: tuple[Placed, ...]
    held: bool = False


def sooner(asking: Asking, bench: Bench) -> tuple[Alternative, ...]:
    """What would come sooner than promised, the most useful first.

    ``bench`` stands on the ground alone, and is left as it was. A basket that is split
    already has no alternative.
    """
    if asking.basket.first:
        return ()
    return tuple(sorted(_Trial(asking, bench).found(), key=lambda other: _use(other, asking.basket)))


def _use(other: Alternative, basket: Basket) -> tuple[bool, date, int, bool]:
    """How useful an alternative is: in time for the day it is wanted by, sooner, more of it, nothing left out."""
    late = basket.wanted_by is not None and (other.rest_arrives or other.arrives) > basket.wanted_by
    return late, other.arrives, -other.cases, other.basket.cases < basket.cases


def fetched(promised: Promise) -> Promise:
    """The promise when the shop fetches the goods: they are with it the day they leave."""
    ready = Gate(
        code="pick_up", title="Ready for you", passed_on=promised.leaves, took_days=0,
        because="you fetch it from the workshop",
    )  # fmt: skip
    gates = tuple(gate for gate in promised.gates if gate.code != "carrier")
    return replace(promised, arrives=promised.leaves, gates=(*gates, ready))


class _Guess(NamedTuple):
    """What is worth trying: cases of each line that may leave sooner, and other scents of the one that leaves last."""

    cases: tuple[int, ...]
    scents: tuple[str, ...] = ()


class _Put(NamedTuple):
    """A basket on the bench: the day it leaves, its demands, and the mark to go back to without it."""

    leaves: date
    demands: tuple[Demand, ...]
    mark: int


class _Trial:
    """Tries other baskets on the bench of a promise."""

    def __init__(self, asking: Asking, bench: Bench) -> None:
        self.ground = asking.ground
        self.basket = asking.basket
        self.asked = asking.asked
        self.promised = asking.promised
        self.held = asking.held
        self.bench = bench
        #: The lines of which some piece leaves last, by their place.
        self.late = sorted({line_of(group.demand) for group in asking.placed if self._is_late(group)})
        self.early = self._early(asking.placed)

    def found(self) -> list[Alternative]:
        """All that comes sooner than promised."""
        guess = self._guess()
        return [*self._fetched(), *self._in_part(guess.cases), *self._other_scent(guess.scents)]

    def _fetched(self) -> list[Alternative]:
        """The same, fetched from the workshop: it is with the shop the day it leaves."""
        if self.basket.pick_up:
            return []
        other = replace(self.basket, pick_up=True)
        leaves = self._fetched_on(other) if self.held or other.wanted_from else self.promised.leaves
        return [self._alternative("pick_up", other, leaves)] if leaves and leaves < self.promised.arrives else []

    def _fetched_on(self, other: Basket) -> date | None:
        """The day on which it can be fetched, if the plan is sound with it: what is wanted later leaves later."""
        mark = self.bench.mark()
        placed = self._place([other])
        found = placed[0].leaves if placed and self._is_sound(placed) else None
        self.bench.back_to(mark)
        return found

    def _in_part(self, most: tuple[int, ...]) -> list[Alternative]:
        """The most cases that leave sooner: alone, or ahead of the rest, which leaves on the day promised.

        As many as were guessed; where that was too many, what leaves sooner as promised.
        """
        for cases in dict.fromkeys((most, self.early)):
            if 0 < sum(cases) < self.basket.cases and (found := self._ahead(cases)):
                return found
        return []

    def _ahead(self, cases: tuple[int, ...]) -> list[Alternative]:
        split = replace(self.basket, first=cases)
        days = self._leave(*split.shipments())
        found = []
        if len(days) > 1:
            rest = {"rest_leaves": days[1], "rest_arrives": self._arrives(split, days[1])}
            found.append(self._alternative("split", split, days[0], cases=sum(cases), **rest))
        if days:
            found.append(self._alternative("fewer", self.basket.with_cases(cases), days[0]))
        return found

    def _other_scent(self, scents: Sequence[str]) -> list[Alternative]:
        """The one line that leaves last, in another scent of the same product: the one that leaves first."""
        for scent in scents:
            other = self._in_scent(scent)
            if days := self._leave(other):
                own = self.basket.lines[self.late[0]].mix[0][0]
                return [self._alternative("scent", other, days[0], scents=(own, scent))]
        return []

    # ── what is worth trying ─────────────────────────────────────────────────

    def _guess(self) -> _Guess:
        """What leaves sooner as promised; of one line that leaves last more cases, or other scents.

        Those are tried with the lines before it on the bench, which costs a line's placing each.
        """
        if len(self.late) != 1:
            return _Guess(self.early)
        mark = self.bench.mark()
        self._place([replace(self.basket, lines=self.basket.lines[: self.late[0]])], "before")
        guess = _Guess(self._with_late(self._most()), tuple(self._soonest(self._other_scents())))
        self.bench.back_to(mark)
        return guess

    def _with_late(self, cases: int) -> tuple[int, ...]:
        """What leaves sooner as promised, with so many cases of the line that leaves last."""
        return (*self.early[: self.late[0]], cases, *self.early[self.late[0] + 1 :])

    def _most(self) -> int:
        """As many cases of the line that leaves last as leave sooner; the plan's own division is mostly right."""
        line, early = self.basket.lines[self.late[0]], self.early[self.late[0]]

        def fits(more: int) -> bool:
            return self._comes_sooner(replace(line, cases=early + more))

        room = line.cases - 1 - early if sum(self.early) else 0
        return early + largest(room, fits) if room and fits(1) else early

    def _other_scents(self) -> list[str]:
        """Scents that could come sooner: those that lie there finished first; else only where a resource binds."""
        line = self.basket.lines[self.late[0]]
        taken = {other.mix[0][0] for other in self.basket.lines if other.item == line.item and len(other.mix) == 1}
        if len(line.mix) != 1 or not self.ground.shop.catalogue.items[line.item].scented:
            return []
        others = [scent for scent in self.ground.shop.catalogue.scents if scent not in taken]
        there = {scent: self.bench.free_on(Sku(line.item, scent), date.max) >= 1 for scent in others}
        full = any(gate.binding and gate.held_up for gate in self.promised.gates)
        wanted = [scent for scent in others if full or there[scent]]
        return sorted(wanted, key=lambda scent: not there[scent])[:_MOST_SCENTS]

    def _soonest(self, scents: Sequence[str]) -> list[str]:
        """Those of the scents in which the line that leaves last would leave sooner, the soonest first."""
        days = [(self._alone(self._in_scent(scent).lines[self.late[0]]), scent) for scent in scents]
        sooner_ones = [(day, scent) for day, scent in days if day and day < self.promised.leaves]
        return [scent for _, scent in sorted(sooner_ones)][:_MOST_TRIED]

    def _comes_sooner(self, line: BasketLine) -> bool:
        day = self._alone(line)
        return day is not None and day < self.promised.leaves

    def _alone(self, line: BasketLine) -> date | None:
        """The day a line leaves with what is on the bench; the bench is left as it was."""
        mark = self.bench.mark()
        placed = self._place([replace(self.basket, lines=(line,))])
        self.bench.back_to(mark)
        return placed[0].leaves if placed else None

    # ── inside ───────────────────────────────────────────────────────────────

    def _alternative(self, kind: str, basket: Basket, leaves: date, **also: Any) -> Alternative:
        """An alternative of all the basket's cases, unless told otherwise."""
        known = {"cases": basket.cases, "of": self.basket.cases, "arrives": self._arrives(basket, leaves)}
        return Alternative(kind=kind, basket=basket, leaves=leaves, **{**known, **also})

    def _arrives(self, basket: Basket, leaves: date) -> date:
        return arrives_on(leaves, self.asked.carrier_days, pick_up=basket.pick_up)

    def _is_late(self, group: Placed) -> bool:
        return group.leaves >= self.promised.leaves

    def _early(self, placed: Sequence[Placed]) -> tuple[int, ...]:
        """Cases of each line whose pieces all leave before the last do."""
        early: dict[str, int] = {}
        for group in placed:
            if not self._is_late(group):
                early[group.demand] = early.get(group.demand, 0) + group.pieces
        return tuple(
            min(early.get(f"{number}/{scent}", 0) // each for scent, each in line.mix)
            for number, line in enumerate(self.basket.lines)
        )

    def _in_scent(self, scent: str) -> Basket:
        """The basket with the line that leaves last in another scent."""
        lines = list(self.basket.lines)
        late = lines[self.late[0]]
        lines[self.late[0]] = replace(late, mix=((scent, late.mix[0][1]),))
        return replace(self.basket, lines=tuple(lines))

    def _leave(self, *baskets: Basket) -> tuple[date, ...]:
        """The days on which baskets leave that are ordered together, as far as they come in time and are sound.

        The first leaves sooner than promised, and none later.
        """
        mark = self.bench.mark()
        placed = self._place(baskets)
        while placed and not self._holds(placed):
            self.bench.back_to(placed.pop().mark)
        self.bench.back_to(mark)
        return tuple(put.leaves for put in placed)

    def _holds(self, placed: Sequence[_Put]) -> bool:
        in_time = placed[0].leaves < self.promised.leaves and placed[-1].leaves <= self.promised.leaves
        return in_time and self._is_sound(placed)

    def _is_sound(self, placed: Sequence[_Put]) -> bool:
        demands = [demand for put in placed for demand in put.demands]
        return not self.ground.faults_of(self.bench.plan(), demands)

    def _place(self, baskets: Sequence[Basket], begins: str = "") -> list[_Put]:
        """Put baskets on the bench, one after the other, as far as there is room."""
        found: list[_Put] = []
        for number, basket in enumerate(baskets):
            mark, asked = self.bench.mark(), asked_for(basket, self.asked)
            demands = bound(self.ground.shop, demands_of(basket, f"{begins}{number}:"), asked)
            placed = put_in(self.bench, demands)
            if not placed:
                break
            found.append(_Put(max(group.leaves for group in placed), demands, mark))
        return found
