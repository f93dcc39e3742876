"""The batch sheet: what to weigh for one load, for whom, and the arithmetic behind it.

Mass is ``Decimal`` in grams. Common practice, no source: which fields it has.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import NamedTuple

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Item,
    Operation,
    RecipeLine,
    Sku,
    Unit,
    gross_grams,
    melt_grams,
    melt_weights,
)
from wholesale.core.documents.papers import Paper, percent, plain
from wholesale.core.production.work import Load
from wholesale.core.values import share

#: A sheet of scales shows hundredths of a gram at best.
SHOWN = Decimal("0.01")

CAUTIONS = (
    "Stay with wax as long as it is on the heat; heat it gently and never directly, with a thermometer in it.",
    "Keep a lid and a dry-chemical extinguisher within reach. Never put water on burning wax.",
    "A flash point serves fire classes and transport; it is no limit for pouring.",
    "Keep to each oil's heating limit, as its supplier states it, and to its safety data sheet.",
    "Your local code and your insurer decide what may be done in your workshop; this sheet does not.",
)


@dataclass(frozen=True, kw_only=True)
class Fill:
    """Pieces of one product that a melt goes into, and the net grams in each."""

    name: str
    pieces: int
    grams_each: Decimal

    @property
    def grams(self) -> Decimal:
        """Net grams in all of them."""
        return self.pieces * self.grams_each


@dataclass(frozen=True, kw_only=True)
class Ingredient:
    """One thing to weigh: ``bases`` says what its share is of, ``how`` shows the sum.

    ``flash_point_c`` and ``heating_limit_c`` are the supplier's own figures.
    """

    code: str
    name: str
    grams: Decimal
    bases: str
    how: str
    is_load: bool = False
    flash_point_c: Decimal | None = None
    heating_limit_c: Decimal | None = None


@dataclass(frozen=True, kw_only=True)
class Extra:
    """Something added by the batch or laid ready by the piece, with its quantity in words."""

    code: str
    name: str
    quantity: str


@dataclass(frozen=True, kw_only=True)
class Melt:
    """One melt of a load: what it fills, the loss grossed up, and what to weigh for it."""

    name: str
    fills: tuple[Fill, ...]
    net_g: Decimal
    loss: Decimal
    gross_g: Decimal
    ingredients: tuple[Ingredient, ...]
    extras: tuple[Extra, ...]

    @property
    def net_how(self) -> str:
        """The sum of what goes into the pieces: ``12 × 150 g + 6 × 180 g``."""
        return " + ".join(f"{fill.pieces} × {plain(fill.grams_each)} g" for fill in self.fills)

    @property
    def gross_how(self) -> str:
        """How the loss was grossed up: ``1,800 ÷ (1 − 0.03)``."""
        return f"{plain(self.net_g)} ÷ (1 − {plain(self.loss)})" if self.loss else "nothing is lost"

    @property
    def loss_words(self) -> str:
        """The loss as a percentage."""
        return percent(self.loss * 100)


@dataclass(frozen=True, kw_only=True)
class Step:
    """What is done to the pieces of a load: its targets, its own cautions, and how long a load can be worked."""

    name: str
    targets: str
    cautions: str
    window_minutes: int | None


@dataclass(frozen=True, kw_only=True)
class BatchPortion:
    """Pieces of a load for one order; ``good`` and ``because`` once it is done."""

    order: str
    product: str
    scent: str
    step: str
    pieces: int
    leaves: date | None
    good: int | None = None
    because: str = ""


@dataclass(frozen=True, kw_only=True)
class BatchSheet(Paper):
    """One load on the bench: what to weigh, for whom, and room to write down what really happened."""

    day: date
    equipment: str
    holds: str
    what: str
    recipes: str
    portions: tuple[BatchPortion, ...]
    melts: tuple[Melt, ...]
    parts: tuple[Extra, ...]
    steps: tuple[Step, ...]
    done: bool
    note: str = ""
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def pieces(self) -> int:
        """Pieces in the load."""
        return sum(portion.pieces for portion in self.portions)

    @property
    def instructions(self) -> tuple[Step, ...]:
        """The steps that say more than their name."""
        return tuple(step for step in self.steps if step.targets or step.cautions or step.window_minutes)


def sku_name(catalogue: Catalogue, sku: Sku) -> str:
    """An item's name with its scent: ``Succulent cup, Rain garden``."""
    scent = catalogue.scents[sku.scent].name if sku.scent in catalogue.scents else sku.scent
    return ", ".join(part for part in (catalogue.items[sku.item].name, scent) if part)


def holds(catalogue: Catalogue, equipment: str) -> str:
    """What one load of a piece of equipment can be, in words: ``500 g or 12 pieces``."""
    found = catalogue.equipment.get(equipment)
    if found is None:
        return ""
    limits = [f"{plain(found.load_g)} g"] if found.load_g is not None else []
    limits += [f"{found.load_pieces} pieces"] if found.load_pieces is not None else []
    return " or ".join(limits)


def tasks(catalogue: Catalogue, load: Load) -> dict[tuple[Sku, str], tuple[Operation, int]]:
    """(operation, pieces) of each sku and step in a load, in the load's order."""
    found: dict[tuple[Sku, str], tuple[Operation, int]] = {}
    for portion in load.portions:
        steps = catalogue.recipe(portion.sku.item).operations
        operation = next(step for step in steps if step.code == portion.operation)
        before = found.get((portion.sku, operation.code), (operation, 0))[1]
        found[portion.sku, operation.code] = (operation, before + portion.pieces)
    return found


def steps(catalogue: Catalogue, load: Load) -> tuple[Step, ...]:
    """The steps done with a load, each named once."""
    equipment = catalogue.equipment.get(load.work.equipment)
    window = equipment.window_minutes if equipment else None
    unique = {
        Step(name=operation.name, targets=operation.targets, cautions=operation.cautions, window_minutes=window): None
        for operation, _ in tasks(catalogue, load).values()
    }
    return tuple(unique)


def melts(catalogue: Catalogue, load: Load) -> tuple[Melt, ...]:
    """What is melted for a load, in the order of its first use."""
    filled: dict[Sku, list[Fill]] = {}
    for (sku, _), (operation, pieces) in tasks(catalogue, load).items():
        if operation.melt:
            melt = Sku(operation.melt, sku.scent if catalogue.items[operation.melt].scented else "")
            grams = melt_grams(catalogue, sku.item, operation)
            fill = Fill(name=sku_name(catalogue, sku), pieces=pieces, grams_each=grams)
            filled.setdefault(melt, []).append(fill)
    return tuple(melt_of(catalogue, sku, fills) for sku, fills in filled.items())


def melt_of(catalogue: Catalogue, sku: Sku, fills: Iterable[Fill]) -> Melt:
    """One melt with what to weigh; the shown hundredths of a gram sum to the shown gross."""
    into = tuple(fills)
    net = sum((fill.grams for fill in into), Decimal(0))
    weighed = _weighed(catalogue, sku, net)
    gross = sum((grams for _, _, grams in weighed), Decimal(0)).quantize(SHOWN, ROUND_HALF_UP)
    shown = [hundredths * SHOWN for hundredths in share(int(gross / SHOWN), [grams for _, _, grams in weighed])]
    mix = _Mix([line for _, line, _ in weighed], shown, gross, catalogue)
    return Melt(
        name=sku_name(catalogue, sku), fills=into, net_g=net, loss=catalogue.items[sku.item].loss, gross_g=gross,
        ingredients=tuple(_ingredient(row, grams, mix) for row, grams in zip(weighed, shown, strict=True)),
        extras=_per_batch(catalogue, sku),
    )  # fmt: skip


class _Weighed(NamedTuple):
    """One thing of a melt: its item, its recipe line, its grams."""

    item: Item
    line: RecipeLine
    grams: Decimal


def _weighed(catalogue: Catalogue, sku: Sku, net: Decimal) -> list[_Weighed]:
    """What a melt is weighed from; a bought material is melted as it is."""
    item = catalogue.items[sku.item]
    if item.recipe is None:
        line = RecipeLine(component=item.code, basis=Basis.SHARE, quantity=Decimal(1))
        return [_Weighed(item, line, gross_grams(net, item.loss))]
    lines = [line for line in item.recipe.lines if line.basis not in {Basis.PER_PIECE, Basis.PER_BATCH}]
    found = melt_weights(catalogue, sku, net)
    return [_Weighed(catalogue.items[part.sku.item], line, part.grams) for part, line in zip(found, lines, strict=True)]


@dataclass(frozen=True)
class _Mix:
    """The lines of a melt with their shown grams."""

    lines: list[RecipeLine]
    shown: list[Decimal]
    gross: Decimal
    catalogue: Catalogue

    def grams_of(self, carrier: str) -> Decimal:
        """Grams of the named share line, or of all share lines together."""
        pairs = zip(self.lines, self.shown, strict=True)
        wanted = (g for line, g in pairs if line.basis is Basis.SHARE and carrier in {"", line.component})
        return sum(wanted, Decimal(0))

    def of_carrier(self) -> Fraction:
        """What the carriers' mass is multiplied by to carry its loads: 1.08 for 8 % of the wax."""
        shares = {line.component: Fraction(line.quantity) for line in self.lines if line.basis is Basis.SHARE}
        whole = sum(shares.values(), Fraction(0))
        loads = [line for line in self.lines if line.basis is Basis.LOAD_ON_CARRIER]
        carried = [Fraction(line.quantity) * (shares[line.carrier] if line.carrier else whole) for line in loads]
        return 1 + sum(carried, Fraction(0)) / whole

    def carrier_name(self, line: RecipeLine) -> str:
        """What a load is of: the wax, or the one material that carries it when there are several."""
        alone = not line.carrier or self.grams_of(line.carrier) == self.grams_of("")
        return "the wax" if alone else self.catalogue.items[line.carrier].name

    def on_total(self) -> Fraction:
        """The part of the whole that loads on the total take."""
        return sum((Fraction(line.quantity) for line in self.lines if line.basis is Basis.LOAD_ON_TOTAL), Fraction(0))


def _ingredient(row: _Weighed, grams: Decimal, mix: _Mix) -> Ingredient:
    item, is_load = row.item, row.line.basis is not Basis.SHARE
    bases, how = _load_words(row.line, grams, mix) if is_load else _share_words(row.line, mix)
    return Ingredient(
        code=item.code, name=item.name, grams=grams, bases=bases, how=how, is_load=is_load,
        flash_point_c=item.flash_point_c, heating_limit_c=item.heating_limit_c,
    )  # fmt: skip


def _share_words(line: RecipeLine, mix: _Mix) -> tuple[str, str]:
    """A share's base and sum: ``100 % of the wax``, ``3,865.98 ÷ 1.08``."""
    how = plain(mix.gross, 2)
    how += f" × (1 − {plain(mix.on_total())})" if mix.on_total() else ""
    how += f" ÷ {plain(mix.of_carrier())}" if mix.of_carrier() != 1 else ""
    how += f" × {plain(line.quantity)}" if line.quantity != 1 else ""
    return f"{percent(line.quantity * 100)} of the wax", how if how != plain(mix.gross, 2) else "all of it"


def _load_words(line: RecipeLine, grams: Decimal, mix: _Mix) -> tuple[str, str]:
    """A load's two bases and its sum: ``8 % of the wax, 7.41 % of the whole``, ``0.08 × 3,579.61``."""
    rate, wax = percent(line.quantity * 100), mix.grams_of("")
    if line.basis is Basis.LOAD_ON_TOTAL:
        return f"{rate} of the whole, {_part(grams, wax)} of the wax", f"{plain(line.quantity)} × {plain(mix.gross, 2)}"
    how = f"{plain(line.quantity)} × {plain(mix.grams_of(line.carrier), 2)}"
    return f"{rate} of {mix.carrier_name(line)}, {_part(grams, mix.gross)} of the whole", how


def _part(grams: Decimal, of: Decimal) -> str:
    return percent(Fraction(grams) / Fraction(of) * 100 if of else Decimal(0), 2)


def _per_batch(catalogue: Catalogue, sku: Sku) -> tuple[Extra, ...]:
    """What goes into a melt by the batch, such as drops of dye."""
    recipe = catalogue.items[sku.item].recipe
    lines = [line for line in recipe.lines if line.basis is Basis.PER_BATCH] if recipe else []
    return tuple(
        Extra(code=item.code, name=item.name, quantity=f"{_counted(item, Fraction(line.quantity))} to the melt")
        for line in lines
        for item in [catalogue.items[catalogue.component(line, sku.scent).item]]
    )


def parts(catalogue: Catalogue, load: Load) -> tuple[Extra, ...]:
    """What else to lay ready for a load: parts and materials used by the piece at its steps, melts left out."""
    needed: dict[Sku, Fraction] = {}
    for (sku, code), (operation, pieces) in tasks(catalogue, load).items():
        for line in catalogue.recipe(sku.item).lines:
            if line.step == code and line.basis is Basis.PER_PIECE and line.component != operation.melt:
                part = catalogue.component(line, sku.scent)
                needed[part] = needed.get(part, Fraction(0)) + Fraction(line.quantity) * pieces
    return tuple(
        Extra(code=str(sku), name=sku_name(catalogue, sku), quantity=_counted(catalogue.items[sku.item], quantity))
        for sku, quantity in needed.items()
    )


def _counted(item: Item, quantity: Fraction) -> str:
    if item.unit is Unit.GRAM:
        return f"{plain(quantity, 2)} g"
    return f"{plain(quantity)} piece{'' if quantity == 1 else 's'}"
