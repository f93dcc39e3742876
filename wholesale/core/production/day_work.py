"""The loads of one day as work to put in order: hands without a break, equipment kept, what waits for what."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import Catalogue, Equipment, Operation, Sku
from wholesale.core.production.takes import stocked_parts
from wholesale.core.production.weighing import Task, tasks
from wholesale.core.production.work import Load, Portion
from wholesale.core.values import ceil_div


class DayLoad(NamedTuple):
    """A load of the day, the catalogue with the recipes it is made by, and when it was done, if it is."""

    load: Load
    goods: Catalogue
    done_at: datetime | None = None


class Stint(NamedTuple):
    """Whole minutes that so many people of one group work without a break."""

    hands: str
    minutes: int
    people: int = 1


@dataclass(frozen=True, kw_only=True)
class Block:
    """A load as work: its hands one after the other, the minutes its equipment is ``kept`` from the first of them on.

    ``at`` is its place among the day's loads; ``cools`` how long its pieces stand before the next step of the
    same day.
    """

    at: int
    load: Load
    work: tuple[Stint, ...]
    equipment: str
    kept: int
    cools: int = 0
    notes: tuple[str, ...] = ()

    @property
    def minutes(self) -> int:
        """Minutes from its first hand to its last."""
        return sum(work.minutes for work in self.work)


class Link(NamedTuple):
    """Work that waits for other work of the same day: so many minutes from the end of its hands."""

    before: int
    after: int
    minutes: int


def block(at: int, row: DayLoad, people: Mapping[str, int]) -> Block:
    """One load as work; ``people`` there are of each group, where a window needs several."""
    done = list(tasks(row.goods, row.load).values())
    equipment = row.goods.equipment.get(row.load.work.equipment)
    setting = _setting(done)
    pieces, notes = _within(_by_hands(done), equipment, people)
    # A load that takes no minutes still has its moment in the day.
    work = (*setting, *pieces) or (Stint(done[0].operation.hands, 0, 0),)
    hands = sum(one.minutes for one in work)
    return Block(
        at=at, load=row.load, work=work, equipment=row.load.work.equipment, notes=notes,
        kept=hands + (equipment.hold_minutes if equipment else 0),
        cools=max((task.operation.minutes_min for task in done), default=0),
    )  # fmt: skip


def _setting(done: Sequence[Task]) -> tuple[Stint, ...]:
    """A load's own minutes, once: the most that one of its steps asks."""
    first = max((task.operation for task in done), key=lambda step: step.minutes_per_load, default=None)
    if first is None or not first.minutes_per_load:
        return ()
    return (Stint(first.hands, _whole(first.minutes_per_load)),)


def _by_hands(done: Sequence[Task]) -> list[Stint]:
    """The minutes for the pieces, by group of hands, in the order of first use."""
    minutes: dict[str, Decimal] = defaultdict(Decimal)
    for step, pieces in done:
        minutes[step.hands] += step.minutes_per_piece * pieces
    return [Stint(hands, _whole(total)) for hands, total in minutes.items() if total]


def _whole(minutes: Decimal) -> int:
    return ceil_div(Fraction(minutes), 1)


def _within(
    pieces: list[Stint], equipment: Equipment | None, people: Mapping[str, int]
) -> tuple[list[Stint], tuple[str, ...]]:
    """The work on the pieces within the time that the load can be worked: by several people where one is too slow."""
    window = equipment.window_minutes if equipment else None
    needed = sum(one.minutes for one in pieces)
    if equipment is None or window is None or needed <= window:
        return pieces, ()
    shared = [_shared(one, ceil_div(Fraction(needed), window), people) for one in pieces]
    takes = sum(one.minutes for one in shared)
    if takes <= window:
        return shared, ()
    note = f"{takes} minutes of work, and {equipment.name} can be worked for {window}: make the load smaller."
    return shared, (note,)


def _shared(work: Stint, wanted: int, people: Mapping[str, int]) -> Stint:
    hands = max(1, min(wanted, people.get(work.hands, 1)))
    return Stint(work.hands, ceil_div(Fraction(work.minutes), hands), hands)


# ── what waits for what ──────────────────────────────────────────────────────────


class _Pieces(NamedTuple):
    """What a demand's pieces of a sku are after a step."""

    demand: str
    sku: Sku
    step: str


class _Share(NamedTuple):
    """So much of what a load makes or takes; ``minutes`` it has to stand before it is taken."""

    at: int
    quantity: Fraction
    minutes: int = 0


def links(rows: Sequence[DayLoad]) -> list[Link]:
    """Which loads take what others make the same day, the first made to the first that takes.

    What comes from earlier days is taken first. Steps with a night between them have no link.
    """
    made: dict[_Pieces, list[_Share]] = defaultdict(list)
    taken: dict[_Pieces, list[_Share]] = defaultdict(list)
    for at, row in enumerate(rows):
        for portion in row.load.portions:
            for what, share in _makes(at, row.goods, portion):
                made[what].append(share)
            for what, share in _takes(at, row.goods, portion):
                taken[what].append(share)
    found = (link for what in made for link in _matched(made[what], taken.get(what, [])))
    return list(dict.fromkeys(link for link in found if link.before != link.after))


def _step(goods: Catalogue, portion: Portion) -> tuple[int, tuple[Operation, ...]]:
    steps = goods.steps(portion.sku.item)
    return next(at for at, step in enumerate(steps) if step.code == portion.operation), steps


def _makes(at: int, goods: Catalogue, portion: Portion) -> Iterator[tuple[_Pieces, _Share]]:
    place, steps = _step(goods, portion)
    step = steps[place]
    if not (step.nights_min or step.days_min):
        share = _Share(at, Fraction(portion.counted), step.minutes_min)
        yield _Pieces(portion.demand, portion.sku, step.code), share


def _takes(at: int, goods: Catalogue, portion: Portion) -> Iterator[tuple[_Pieces, _Share]]:
    place, steps = _step(goods, portion)
    if place:
        yield _Pieces(portion.demand, portion.sku, steps[place - 1].code), _Share(at, Fraction(portion.pieces))
    for part in stocked_parts(goods, portion.sku, steps[place]):
        last = goods.steps(part.sku.item)[-1]
        yield _Pieces(portion.demand, part.sku, last.code), _Share(at, part.each * portion.pieces)


def _matched(made: Sequence[_Share], taken: Sequence[_Share]) -> Iterator[Link]:
    """Links between shares that lie over each other when both are laid end to end, the latest ends together."""
    there = max(Fraction(0), _sum(taken) - _sum(made))
    for maker, begins, ends in _laid(made, there):
        for taker, first, last in _laid(taken, Fraction(0)):
            if first < ends and begins < last:
                yield Link(maker.at, taker.at, maker.minutes)


def _laid(shares: Iterable[_Share], begins: Fraction) -> Iterator[tuple[_Share, Fraction, Fraction]]:
    for share in shares:
        yield share, begins, begins + share.quantity
        begins += share.quantity


def _sum(shares: Iterable[_Share]) -> Fraction:
    return sum((share.quantity for share in shares), Fraction(0))
