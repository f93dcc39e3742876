"""Sooner if …: what a shop could change about a basket so that it, or most of it, comes sooner.

Every alternative is placed on the bench that the basket itself was placed on, and taken off
again, so it is a date that would be promised; the plan with it has passed ``check``.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

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
    """A basket, what it was promised on a ground when it was asked for, and where its pieces went."""

    ground: Ground
    basket: Basket
    asked: Asked
    promised: Promise
    placed: tuple[Placed, ...]


def sooner(asking: Asking, bench: Bench) -> tuple[Alternative, ...]:
    """What would come sooner than promised, the most useful first.

    ``bench`` stands on the ground alone, and is left as it was. A basket that is split
    already has no alternative.
    """
    basket, placed = asking.basket, asking.placed
    if basket.first:
        return ()
    trial = _Trial(asking, bench)
    found = [*trial.fetched(), *trial.in_part(placed), *trial.other_scent(placed)]
    return tuple(sorted(found, key=lambda other: _use(other, basket)))


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


class _Trial:
    """Tries other baskets on the bench of a promise."""

    def __init__(self, asking: Asking, bench: Bench) -> None:
        self.ground = asking.ground
        self.basket = asking.basket
        self.asked = asking.asked
        self.promised = asking.promised
        self.bench = bench

    def fetched(self) -> list[Alternative]:
        """The same, fetched from the workshop: it is with the shop the day it leaves."""
        if self.basket.pick_up or self.promised.arrives == self.promised.leaves:
            return []
        return [self._alternative("pick_up", replace(self.basket, pick_up=True), self.promised.leaves)]

    def in_part(self, placed: Sequence[Placed]) -> list[Alternative]:
        """The most cases that leave sooner: alone, or ahead of the rest, which leaves on the day promised."""
        cases = self._most(self._early(placed))
        if not 0 < sum(cases) < self.basket.cases:
            return []
        ahead = replace(self.basket, first=cases)
        fewer = self.basket.with_cases(cases)
        if days := self._leave(*ahead.shipments()):
            rest = {"rest_leaves": days[1], "rest_arrives": self._arrives(ahead, days[1])}
            split = self._alternative("split", ahead, days[0], cases=sum(cases), **rest)
            return [split, self._alternative("fewer", fewer, days[0])]
        alone = self._leave(fewer)
        return [self._alternative("fewer", fewer, alone[0])] if alone else []

    def other_scent(self, placed: Sequence[Placed]) -> list[Alternative]:
        """The one line that leaves last, in another scent of the same product: the one that leaves first."""
        late = self._late(placed)
        line = self.basket.lines[late[0]] if len(late) == 1 else None
        if line is None or len(line.mix) != 1:
            return []
        own = line.mix[0][0]
        for scent in self._soonest(late[0], self._other_scents(line)):
            if days := self._leave(self._in_scent(late[0], scent)):
                return [self._alternative("scent", self._in_scent(late[0], scent), days[0], scents=(own, scent))]
        return []

    # ── inside ───────────────────────────────────────────────────────────────

    def _alternative(self, kind: str, basket: Basket, leaves: date, **also: Any) -> Alternative:
        """An alternative of all the basket's cases, unless told otherwise."""
        known = {"cases": basket.cases, "of": self.basket.cases, "arrives": self._arrives(basket, leaves)}
        return Alternative(kind=kind, basket=basket, leaves=leaves, **{**known, **also})

    def _arrives(self, basket: Basket, leaves: date) -> date:
        return arrives_on(leaves, self.asked.carrier_days, pick_up=basket.pick_up)

    def _late(self, placed: Sequence[Placed]) -> list[int]:
        """The lines of which some piece leaves last, by their place."""
        return sorted({line_of(group.demand) for group in placed if group.leaves >= self.promised.leaves})

    def _early(self, placed: Sequence[Placed]) -> tuple[int, ...]:
        """Cases of each line whose pieces all leave before the last do."""
        early: dict[str, int] = {}
        for group in placed:
            if group.leaves < self.promised.leaves:
                early[group.demand] = early.get(group.demand, 0) + group.pieces
        return tuple(
            min(early.get(f"{number}/{scent}", 0) // each for scent, each in line.mix)
            for number, line in enumerate(self.basket.lines)
        )

    def _most(self, early: tuple[int, ...]) -> tuple[int, ...]:
        """The most cases that leave sooner when only they are ordered; the plan's own division is mostly right."""
        lines = zip(self.basket.lines, early, strict=True)
        late = [number for number, (line, cases) in enumerate(lines) if cases < line.cases]
        if len(late) != 1 or not sum(early):
            return early
        return self._most_of(late[0], early)

    def _most_of(self, number: int, early: tuple[int, ...]) -> tuple[int, ...]:
        """As many cases of one line as can be."""

        def with_line(cases: int) -> tuple[int, ...]:
            return (*early[:number], cases, *early[number + 1 :])

        def fits(more: int) -> bool:
            return self._comes_sooner(with_line(early[number] + more))

        room = self.basket.lines[number].cases - 1 - early[number]
        return with_line(early[number] + largest(room, fits)) if room and fits(1) else early

    def _comes_sooner(self, cases: tuple[int, ...]) -> bool:
        days = self._days(self.basket.with_cases(cases))
        return bool(days) and days[0] < self.promised.leaves

    def _other_scents(self, line: BasketLine) -> list[str]:
        """Scents that could come sooner: those that lie there finished first; else only where a resource binds."""
        taken = {other.mix[0][0] for other in self.basket.lines if other.item == line.item and len(other.mix) == 1}
        if not self.ground.shop.catalogue.items[line.item].scented:
            return []
        others = [scent for scent in self.ground.shop.catalogue.scents if scent not in taken]
        there = {scent: self.bench.free_on(Sku(line.item, scent), date.max) >= 1 for scent in others}
        full = any(gate.binding and gate.because.startswith("not sooner") for gate in self.promised.gates)
        wanted = [scent for scent in others if full or there[scent]]
        return sorted(wanted, key=lambda scent: not there[scent])[:_MOST_SCENTS]

    def _soonest(self, number: int, scents: list[str]) -> list[str]:
        """The scents in which a line would leave sooner if it were all that is ordered, the soonest first.

        That is a guess for the whole basket, and costs a line's placing only.
        """
        alone = [Basket(lines=(self._in_scent(number, scent).lines[number],)) for scent in scents]
        found = [(days[0], scent) for scent, days in zip(scents, map(self._days, alone), strict=True) if days]
        return [scent for day, scent in sorted(found) if day < self.promised.leaves][:_MOST_TRIED]

    def _days(self, *baskets: Basket) -> tuple[date, ...]:
        """The days on which baskets leave that are ordered together; the bench is left as it was."""
        mark = self.bench.mark()
        days, _ = self._place(baskets)
        self.bench.back_to(mark)
        return days if len(days) == len(baskets) else ()

    def _in_scent(self, number: int, scent: str) -> Basket:
        lines = list(self.basket.lines)
        lines[number] = replace(lines[number], mix=((scent, lines[number].mix[0][1]),))
        return replace(self.basket, lines=tuple(lines))

    def _leave(self, *baskets: Basket) -> tuple[date, ...]:
        """The days on which baskets leave that are ordered together; none if that is no sooner, or not sound.

        The first leaves sooner than promised, and none later.
        """
        mark = self.bench.mark()
        days, demands = self._place(baskets)
        sooner_and_sound = (
            len(days) == len(baskets)
            and days[0] < self.promised.leaves
            and days[-1] <= self.promised.leaves
            and self.ground.is_sound_with(self.bench.plan(), demands)
        )
        self.bench.back_to(mark)
        return days if sooner_and_sound else ()

    def _place(self, baskets: Sequence[Basket]) -> tuple[tuple[date, ...], list[Demand]]:
        """Put baskets on the bench, one after the other, as far as there is room."""
        days: list[date] = []
        demands: list[Demand] = []
        for number, basket in enumerate(baskets):
            asked = asked_for(basket, self.asked)
            wanted = bound(self.ground.shop, demands_of(basket, f"{number}:"), asked)
            placed = put_in(self.bench, wanted)
            if not placed:
                break
            days.append(max(group.leaves for group in placed))
            demands += wanted
        return tuple(days), demands
