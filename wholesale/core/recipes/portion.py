"""One piece, one case or one full load of a sku: what it takes through all levels, what that costs, how long it takes.

Everything scales with the pieces: yields are expected values, and what belongs to a
whole load (its own minutes, its drops of dye) is dealt out over the pieces that a
full load holds. Whole casts and whole loads are the planner's business.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import (
    NO_LIMIT,
    NO_SWAPS,
    Basis,
    Catalogue,
    Item,
    ItemKind,
    Recipe,
    RecipeLine,
    Sku,
    Unit,
    Weighed,
    load_pieces,
    load_room,
    mass_lines,
    melt_weights,
    swapped,
)
from wholesale.core.values import ceil_div, from_mg, ounces, plain

#: What a melt is shown by where no piece counts it.
_KILOGRAM = Decimal(1000)
#: Decimals of a gram that arithmetic is written with; tables hold milligrams.
_SHOWN = 2


class Size(NamedTuple):
    """How much of an item is looked at: pieces, or net grams of a melt."""

    name: str
    quantity: Decimal


@dataclass(frozen=True, kw_only=True)
class Taken:
    """One material or part that a portion takes, ``level`` steps down; ``how`` shows the sum.

    ``quantity`` is grams or pieces as ``unit`` says: of a melt what goes into the pot,
    of a moulded part the casts, of a material what is weighed.
    """

    sku: Sku
    name: str
    kind: ItemKind
    unit: Unit
    level: int
    quantity: Decimal
    how: str

    @property
    def grams(self) -> Decimal | None:
        """Grams, where it is counted in grams."""
        return self.quantity if self.unit is Unit.GRAM else None

    @property
    def ounces(self) -> Decimal | None:
        """Avoirdupois ounces, where it is counted in grams."""
        return ounces(self.quantity) if self.unit is Unit.GRAM else None


@dataclass(frozen=True, kw_only=True)
class Priced:
    """All of one bought thing in a portion; ``amount`` is ``None`` where no cost is known."""

    sku: Sku
    name: str
    unit: Unit
    quantity: Decimal
    amount: Decimal | None
    how: str

    @property
    def grams(self) -> Decimal | None:
        """Grams, where it is counted in grams."""
        return self.quantity if self.unit is Unit.GRAM else None


@dataclass(frozen=True, kw_only=True)
class StepTime:
    """Minutes of hands that one step takes for a portion."""

    item: str
    name: str
    hands: str
    minutes: Decimal
    how: str


@dataclass(frozen=True, kw_only=True)
class RecipeView:
    """A portion of one sku with everything it takes; money is in major units, unrounded."""

    sku: Sku
    name: str
    unit: Unit
    quantity: Decimal
    taken: tuple[Taken, ...]
    bought: tuple[Priced, ...]
    steps: tuple[StepTime, ...]
    hour_rate: Decimal

    @property
    def minutes(self) -> Decimal:
        """Minutes of hands in all."""
        return sum((step.minutes for step in self.steps), Decimal(0))

    @property
    def materials_cost(self) -> Decimal:
        """What the materials with a known cost come to; see ``unpriced`` for the others."""
        return sum((row.amount for row in self.bought if row.amount is not None), Decimal(0))

    @property
    def hands_cost(self) -> Decimal:
        """What the minutes come to."""
        return self.minutes * self.hour_rate / 60

    @property
    def hands_how(self) -> str:
        """The sum behind it: ``9.04 min ÷ 60 × 24``."""
        return f"{plain(self.minutes, _SHOWN)} min ÷ 60 × {plain(self.hour_rate, 4)} an hour"

    @property
    def cost(self) -> Decimal:
        """Materials and hands; incomplete while anything is ``unpriced``."""
        return self.materials_cost + self.hands_cost

    @property
    def unpriced(self) -> tuple[str, ...]:
        """The names of what has no cost known: never counted as nothing."""
        return tuple(row.name for row in self.bought if row.amount is None)


def sizes(catalogue: Catalogue, code: str) -> tuple[Size, ...]:
    """One piece, one case, one full load of an item; of a melt a kilogram and a full pot."""
    item = catalogue.items[code]
    if item.unit is Unit.GRAM:
        return (Size("One kilogram", _KILOGRAM), *(_full_load(catalogue, item) or _pots(catalogue, code)))
    case = [Size("One case", Decimal(item.case_pack))] if item.case_pack > 1 else []
    return (Size("One piece", Decimal(1)), *case, *_full_load(catalogue, item))


def portion(
    catalogue: Catalogue,
    sku: Sku,
    pieces: Decimal,
    *,
    hour_rate: Decimal = Decimal(0),
    swaps: Mapping[str, str] = NO_SWAPS,
) -> RecipeView:
    """What ``pieces`` good pieces of a sku take (net grams, for a melt), with losses, yields and load bases.

    ``hour_rate`` is money for an hour of hands; ``swaps`` puts substitutes in. A
    ``Refusal`` when a step can't hold even one piece or a melt has no carrier.
    """
    item = catalogue.items[sku.item]
    walk = _Walk(catalogue, swaps)
    how = f"{plain(pieces)} {'g' if item.unit is Unit.GRAM else 'pc'}"
    walk.make(sku, _Wanted(Fraction(pieces), how, level=0, batches=_batches(catalogue, item, pieces)))
    return RecipeView(
        sku=sku, name=item.name, unit=item.unit, quantity=Decimal(pieces), taken=tuple(walk.taken),
        bought=_priced(catalogue, walk.bought), steps=tuple(walk.steps), hour_rate=hour_rate,
    )  # fmt: skip


def entering(item: Item, good: Fraction) -> tuple[Fraction, ...]:
    """Pieces that have to enter each step so that ``good`` come good in the end: expected values.

    The item's own yield counts for the whole routing, an operation's for itself and what comes before it.
    """
    needed = good / Fraction(item.yield_share)
    found: list[Fraction] = []
    for operation in reversed(item.recipe.operations if item.recipe else ()):
        needed /= Fraction(operation.yield_share)
        found.append(needed)
    return tuple(reversed(found))


# ── sizes ────────────────────────────────────────────────────────────────────────


def _full_load(catalogue: Catalogue, item: Item) -> list[Size]:
    """The pieces, or the net grams, of the first of its own steps that fills equipment."""
    for operation in catalogue.steps(item.code):
        fits = load_pieces(catalogue, item.code, operation)
        if fits < NO_LIMIT:
            return [Size(f"One full load of {catalogue.equipment[operation.equipment].name}", Decimal(fits))]
    return []


def _pots(catalogue: Catalogue, melt: str) -> list[Size]:
    """Full loads of each pot or bowl that the melt is made in."""
    found = {
        operation.equipment: room
        for item in catalogue.items.values()
        for operation in (item.recipe.operations if item.recipe else ())
        if operation.melt == melt and operation.equipment in catalogue.equipment
        if (room := load_room(catalogue, catalogue.equipment[operation.equipment], melt)) is not None
    }
    return [Size(f"One full load of {catalogue.equipment[code].name}", room) for code, room in found.items()]


def _batches(catalogue: Catalogue, item: Item, quantity: Decimal) -> Fraction:
    """How many full pots a quantity of a melt is; one where no pot is known."""
    pots = _pots(catalogue, item.code) if item.unit is Unit.GRAM else []
    return Fraction(quantity) / Fraction(pots[0].quantity) if pots and pots[0].quantity else Fraction(1)


# ── the walk down the levels ─────────────────────────────────────────────────────


class _Wanted(NamedTuple):
    """Good pieces or net grams of something, how they were found, and how many batches they are."""

    quantity: Fraction
    how: str
    level: int
    batches: Fraction = Fraction(1)


@dataclass
class _Walk:
    """Collects what a portion takes while it goes down level by level."""

    catalogue: Catalogue
    swaps: Mapping[str, str]
    taken: list[Taken] = field(default_factory=list)
    bought: dict[Sku, Fraction] = field(default_factory=dict)
    steps: list[StepTime] = field(default_factory=list)

    def make(self, sku: Sku, wanted: _Wanted) -> None:
        """Take what is bought; make what has a recipe."""
        item = self.catalogue.items[sku.item]
        if item.recipe is None:
            self.bought[sku] = self.bought.get(sku, Fraction(0)) + wanted.quantity
            self._note(sku, wanted.quantity, wanted)
        elif item.unit is Unit.GRAM:
            self._melt(sku, item, wanted)
        else:
            self._pieces(sku, item, wanted)

    def _note(self, sku: Sku, quantity: Fraction, wanted: _Wanted) -> None:
        item = self.catalogue.items[sku.item]
        scent = self.catalogue.scents[sku.scent].name if sku.scent in self.catalogue.scents else ""
        self.taken.append(
            Taken(
                sku=sku, name=f"{item.name}, {scent}" if scent else item.name, kind=item.kind, unit=item.unit,
                level=wanted.level, quantity=_decimal(quantity), how=wanted.how,
            )
        )  # fmt: skip

    def _pieces(self, sku: Sku, item: Item, wanted: _Wanted) -> None:
        """A piece through its steps: each line is taken by the pieces that enter its step."""
        recipe = self.catalogue.recipe(item.code)
        through = entering(item, wanted.quantity) or (wanted.quantity / Fraction(item.yield_share),)
        loads = [self._loads(item, place, pieces) for place, pieces in enumerate(through)]
        if wanted.level:
            self._note(sku, through[0], wanted._replace(how=wanted.how + _started(item, wanted.quantity, through[0])))
        for line in recipe.lines:
            for place in _places(recipe, line):
                if line.basis in {Basis.PER_PIECE, Basis.PER_BATCH}:
                    each = through[place] if line.basis is Basis.PER_PIECE else loads[place]
                    self._line(sku, line, each, wanted.level + 1, loads[place])
        self._minutes(item, through, loads)

    def _line(self, sku: Sku, line: RecipeLine, times: Fraction, level: int, batches: Fraction) -> None:
        """One component, taken so many times."""
        component = swapped(self.catalogue, self.catalogue.component(line, sku.scent), self.swaps)
        item = self.catalogue.items[component.item]
        unit = "g" if item.unit is Unit.GRAM else "pc"
        counted = "loads" if line.basis is Basis.PER_BATCH else "pc"
        total = Fraction(line.quantity) * times
        how = f"{plain(times, _SHOWN)} {counted} × {plain(line.quantity)} {unit} = {plain(total, _SHOWN)} {unit}"
        self.make(component, _Wanted(total, how, level, batches))

    def _melt(self, sku: Sku, item: Item, wanted: _Wanted) -> None:
        """A melt: the loss is grossed up once, then its lines share the gross to the milligram."""
        through = entering(item, wanted.quantity)
        net = _milligrams(through[0] if through else wanted.quantity)
        weighed = melt_weights(self.catalogue, sku, net, self.swaps)
        gross = sum((part.grams for part in weighed), Decimal(0))
        lost = f"; ÷ (1 − {plain(item.loss)}) = {plain(gross, _SHOWN)} g" if item.loss else ""
        if wanted.level or lost:
            self._note(sku, Fraction(gross), wanted._replace(how=wanted.how + lost))
        lines = mass_lines(self.catalogue.recipe(item.code))
        for line, part in zip(lines, weighed, strict=True):
            how = _weighed_how(line, weighed, lines, gross)
            self.make(part.sku, _Wanted(Fraction(part.grams), how, wanted.level + 1, wanted.batches))
        for line in self.catalogue.recipe(item.code).lines:
            if line.basis is Basis.PER_BATCH:
                self._line(sku, line, wanted.batches, wanted.level + 1, wanted.batches)
        self._minutes(item, through, [self._loads(item, place, grams) for place, grams in enumerate(through)])

    def _loads(self, item: Item, place: int, pieces: Fraction) -> Fraction:
        """The part of full loads that pieces take of a step; one load where nothing binds."""
        steps = self.catalogue.steps(item.code)
        fits = load_pieces(self.catalogue, item.code, steps[place]) if steps else NO_LIMIT
        return pieces / fits if fits < NO_LIMIT else Fraction(1)

    def _minutes(self, item: Item, through: Sequence[Fraction], loads: Sequence[Fraction]) -> None:
        """Minutes of hands of an item's own steps, for what goes through each."""
        unit = "g" if item.unit is Unit.GRAM else "pc"
        for step, pieces, part in zip(self.catalogue.steps(item.code), through, loads, strict=False):
            minutes = Fraction(step.minutes_per_piece) * pieces + Fraction(step.minutes_per_load) * part
            terms = [f"{plain(pieces, _SHOWN)} {unit} × {plain(step.minutes_per_piece)} min"]
            terms += (
                [f"{plain(part, _SHOWN)} loads × {plain(step.minutes_per_load)} min"] if step.minutes_per_load else []
            )
            self.steps.append(
                StepTime(
                    item=item.name, name=step.name, hands=step.hands, minutes=_decimal(minutes), how=" + ".join(terms)
                )
            )  # fmt: skip


def _places(recipe: Recipe, line: RecipeLine) -> list[int]:
    """The steps a line is taken at: the one it names, else where it is melted, else the first."""
    steps = recipe.operations
    if line.step:
        return [place for place, step in enumerate(steps) if step.code == line.step]
    return [place for place, step in enumerate(steps) if line.component and step.melt == line.component] or [0]


def _started(item: Item, good: Fraction, started: Fraction) -> str:
    """How many must be started for so many good ones: ``; ÷ 0.92 = 27.17, at the bench 28``."""
    if started == good:
        return ""
    shares = [item.yield_share, *(step.yield_share for step in (item.recipe.operations if item.recipe else ()))]
    yields = "".join(f" ÷ {plain(share)}" for share in shares if share != 1)
    return f";{yields} = {plain(started, _SHOWN)} pc, at the bench {ceil_div(started, 1)}"


def _weighed_how(line: RecipeLine, weighed: tuple[Weighed, ...], lines: list[RecipeLine], gross: Decimal) -> str:
    """The sum behind one weight of a melt: ``0.08 × 3,579.61 g`` of its carrier, ``3,865.98 g ÷ 1.08``."""
    pairs = list(zip(lines, weighed, strict=True))
    if line.basis is Basis.LOAD_ON_TOTAL:
        return f"{plain(line.quantity)} × {plain(gross, _SHOWN)} g"
    if line.basis is Basis.LOAD_ON_CARRIER:
        carried = [part for other, part in pairs if other.basis is Basis.SHARE]
        named = [part for other, part in pairs if other.basis is Basis.SHARE and other.component == line.carrier]
        carrier = sum((part.grams for part in named or carried), Decimal(0))
        return f"{plain(line.quantity)} × {plain(carrier, _SHOWN)} g"
    return _share_how(line, lines, gross)


def _share_how(line: RecipeLine, lines: list[RecipeLine], gross: Decimal) -> str:
    """The sum behind a share: loads on the total are taken off, loads on the carriers divided out."""
    shares = {row.component: Fraction(row.quantity) for row in lines if row.basis is Basis.SHARE}
    whole = sum(shares.values(), Fraction(0))
    on_total = sum(Fraction(row.quantity) for row in lines if row.basis is Basis.LOAD_ON_TOTAL)
    loads = [row for row in lines if row.basis is Basis.LOAD_ON_CARRIER]
    carried = 1 + sum(Fraction(row.quantity) * shares.get(row.carrier, whole) for row in loads) / whole
    words = f"{plain(gross, _SHOWN)} g"
    words += f" × (1 − {plain(Fraction(on_total))})" if on_total else ""
    words += f" ÷ {plain(carried)}" if carried != 1 else ""
    return words + (f" × {plain(line.quantity)}" if line.quantity != 1 else "")


# ── money ────────────────────────────────────────────────────────────────────────


def _priced(catalogue: Catalogue, bought: Mapping[Sku, Fraction]) -> tuple[Priced, ...]:
    return tuple(_price(catalogue.items[sku.item], sku, quantity) for sku, quantity in bought.items())


def _price(item: Item, sku: Sku, quantity: Fraction) -> Priced:
    by_weight = item.unit is Unit.GRAM
    amount, how = None, "no cost known"
    if item.unit_cost is not None:
        amount = _decimal(quantity * Fraction(item.unit_cost) / (1000 if by_weight else 1))
        words = f"{plain(quantity, _SHOWN)} {'g ÷ 1,000' if by_weight else 'pc'}"
        how = f"{words} × {plain(item.unit_cost, 4)} {'a kilogram' if by_weight else 'each'}"
    return Priced(sku=sku, name=item.name, unit=item.unit, quantity=_decimal(quantity), amount=amount, how=how)


def _decimal(exact: Fraction) -> Decimal:
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def _milligrams(exact: Fraction) -> Decimal:
    """Grams in whole milligrams, halves up."""
    return from_mg(int(exact * 1000 + Fraction(1, 2)))
