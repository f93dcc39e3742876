"""The batch sheet: what to weigh for one load, for whom, and the arithmetic behind it.

Mass is ``Decimal`` in grams. Common practice, no source: which fields it has.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

from wholesale.core.catalogue import Basis, Catalogue, Item, Operation, RecipeLine, Sku, Unit, sku_name
from wholesale.core.documents.papers import Paper
from wholesale.core.production.takes import is_at
from wholesale.core.production.weighing import (
    Dose,
    Dosing,
    MeltPlan,
    is_blend,
    melt_plan,
    melt_plans,
    melted,
    tasks,
)
from wholesale.core.production.work import Load
from wholesale.core.values import percent, plain

__all__ = ["BatchSheet", "Fill", "Melt", "melt_of", "melts", "parts", "sku_name", "steps", "tasks"]

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

    ``grams`` are exact, in whole milligrams; ``scale_g`` is what the scale can show. ``named``
    is the code in the recipe, another than ``code`` where a substitute stands in
    (``instead_of`` is its name). ``lots`` are those to take from, oldest first, or those
    it was taken from once ``actual_g`` was weighed. ``flash_point_c`` and
    ``heating_limit_c`` are the supplier's own figures.
    """

    code: str
    name: str
    grams: Decimal
    bases: str
    how: str
    scale_g: Decimal
    named: str = ""
    instead_of: str = ""
    is_load: bool = False
    is_blend: bool = False
    flash_point_c: Decimal | None = None
    heating_limit_c: Decimal | None = None
    cautions: str = ""
    lots: tuple[str, ...] = ()
    actual_g: Decimal | None = None
    because: str = ""
    #: Decimals that the scale shows.
    digits: int = 2

    @property
    def is_rounded(self) -> bool:
        """Does the scale show something else than the exact weight?"""
        return self.scale_g != self.grams

    @property
    def difference_g(self) -> Decimal | None:
        """What was weighed less what was to be weighed."""
        return None if self.actual_g is None else self.actual_g - self.scale_g


@dataclass(frozen=True, kw_only=True)
class Extra:
    """Something added by the batch or laid ready by the piece, with its quantity in words."""

    code: str
    name: str
    quantity: str


@dataclass(frozen=True, kw_only=True)
class Melt:
    """One melt of a load: what it fills, the loss grossed up, and what to weigh for it.

    ``into`` names the melt that a blend is mixed for. ``leftover_g`` of the gross is there
    already, from earlier melts: ``leftover_lots``.
    """

    name: str
    fills: tuple[Fill, ...]
    net_g: Decimal
    loss: Decimal
    gross_g: Decimal
    ingredients: tuple[Ingredient, ...]
    extras: tuple[Extra, ...]
    code: str = ""
    into: str = ""
    leftover_g: Decimal = Decimal(0)
    leftover_lots: tuple[str, ...] = ()
    cautions: str = ""
    digits: int = 2

    @property
    def net_how(self) -> str:
        """The sum of what goes into the pieces: ``12 × 150 g + 6 × 180 g``."""
        if self.into:
            return f"for {self.into}"
        return " + ".join(f"{fill.pieces} × {plain(fill.grams_each)} g" for fill in self.fills)

    @property
    def codes(self) -> frozenset[str]:
        """Items that are weighed or counted into it."""
        return frozenset([*(part.code for part in self.ingredients), *(extra.code for extra in self.extras)])

    @property
    def fresh_g(self) -> Decimal:
        """What is to be weighed exactly: the gross without what is there already."""
        return sum((part.grams for part in self.ingredients), Decimal(0))

    @property
    def scale_g(self) -> Decimal:
        """What is to be weighed as the scale shows it."""
        return sum((part.scale_g for part in self.ingredients), Decimal(0))

    @property
    def pot_g(self) -> Decimal:
        """What is in the pot: as the scale shows it, with what was left of earlier melts."""
        return self.scale_g + self.leftover_g

    @property
    def weighed_g(self) -> Decimal | None:
        """What really went into the pot, with what was left of earlier melts; ``None`` until all of it is weighed."""
        weights = [part.actual_g for part in self.ingredients]
        known = [grams for grams in weights if grams is not None]
        return sum(known, self.leftover_g) if known and len(known) == len(weights) else None

    @property
    def is_rounded(self) -> bool:
        """Does the scale show something else than the exact weights?"""
        return any(part.is_rounded for part in self.ingredients)

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
    """What is done to the pieces of a load: its targets, its own cautions, and how long a load can be worked.

    ``heat_c`` is the temperature it heats to; ``wait`` says how long the pieces stand afterwards.
    """

    name: str
    targets: str
    cautions: str
    window_minutes: int | None
    heat_c: Decimal | None = None
    wait: str = ""

    @property
    def says(self) -> bool:
        """Does it say more than its name?"""
        return bool(self.targets or self.cautions or self.window_minutes or self.heat_c or self.wait)


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

    @property
    def no_sample(self) -> bool:
        """Is it a kept sample of which nothing came good?"""
        return self.order == "sample" and self.good == 0


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
    state: str = "planned"
    #: The page of this load, for a phone to scan.
    page_url: str = ""
    division_g: Decimal | None = None
    #: Limits that the recipe passes, in words.
    limits: tuple[str, ...] = ()
    #: How many starts hold the accepted risk of too few good pieces, in words.
    risks: tuple[str, ...] = ()
    swaps: tuple[str, ...] = ()
    minutes: Decimal | None = None

    @property
    def pieces(self) -> int:
        """Pieces in the load."""
        return sum(portion.pieces for portion in self.portions)

    @property
    def instructions(self) -> tuple[Step, ...]:
        """The steps that say more than their name."""
        return tuple(step for step in self.steps if step.says)

    @property
    def no_sample(self) -> bool:
        """Was no sample kept, though one was planned?"""
        return any(portion.no_sample for portion in self.portions)

    @property
    def is_weighed(self) -> bool:
        """Has it been weighed, so that the sheet holds what really went in?"""
        return any(part.actual_g is not None for melt in self.melts for part in melt.ingredients)


def holds(catalogue: Catalogue, equipment: str) -> str:
    """What one load of a piece of equipment can be, in words: ``500 g or 12 pieces``."""
    found = catalogue.equipment.get(equipment)
    if found is None:
        return ""
    limits = [f"{plain(found.load_g)} g"] if found.load_g is not None else []
    limits += [f"{found.load_pieces} pieces"] if found.load_pieces is not None else []
    return " or ".join(limits)


def steps(catalogue: Catalogue, load: Load) -> tuple[Step, ...]:
    """The steps done with a load, each named once."""
    equipment = catalogue.equipment.get(load.work.equipment)
    window = equipment.window_minutes if equipment else None
    found = tasks(catalogue, load)
    unique = {
        Step(
            name=operation.name, targets=operation.targets, cautions=operation.cautions, window_minutes=window,
            heat_c=operation.heat_c, wait=wait_words(operation),
        ): None
        for operation, _ in found.values()
    }  # fmt: skip
    return tuple(unique)


def wait_words(operation: Operation) -> str:
    """How long pieces stand after a step: ``at least 1 night, at most 7 days``."""
    least = [_count(operation.nights_min, "night"), _count(operation.days_min, "day")]
    least += [_count(operation.minutes_min, "minute"), f"{_count(operation.cure_days or 0, 'day')} of cure"]
    words = [f"at least {words}" for words in least if not words.startswith("0")]
    if operation.days_max is not None:
        words.append(f"at most {_count(operation.days_max, 'day')}")
    return ", ".join(words)


def _count(number: int, unit: str) -> str:
    return f"{number} {unit}{'' if number == 1 else 's'}"


def melts(catalogue: Catalogue, load: Load, how: Dosing | None = None) -> tuple[Melt, ...]:
    """What is melted for a load, in the order of its first use, blends before what they go into."""
    filled, how = melted(catalogue, load), how or Dosing()

    def fills(plan: MeltPlan) -> list[Fill]:
        into = filled[plan.sku] if plan.into is None else [(plan.into, 1, plan.net_g)]
        return [Fill(name=sku_name(catalogue, sku), pieces=pieces, grams_each=grams) for sku, pieces, grams in into]

    return tuple(_shown(catalogue, plan, fills(plan), how) for plan in melt_plans(catalogue, load, how))


def melt_of(catalogue: Catalogue, sku: Sku, fills: Iterable[Fill], how: Dosing | None = None) -> Melt:
    """One melt with what to weigh; its parts sum to the gross to the milligram."""
    into, how = tuple(fills), how or Dosing()
    net = sum((fill.grams for fill in into), Decimal(0))
    return _shown(catalogue, melt_plan(catalogue, sku, net, how), into, how)


def _shown(catalogue: Catalogue, plan: MeltPlan, fills: Iterable[Fill], how: Dosing) -> Melt:
    mix = _Mix(plan.doses, catalogue)
    digits = decimals(how.division)
    item = catalogue.items[plan.sku.item]
    return Melt(
        name=sku_name(catalogue, plan.sku), code=plan.sku.item, fills=tuple(fills), net_g=plan.net_g, loss=item.loss,
        gross_g=mix.gross + plan.leftover_g, leftover_g=plan.leftover_g, cautions=item.cautions,
        ingredients=tuple(_ingredient(dose, mix, digits) for dose in plan.doses), digits=digits,
        extras=tuple(_extra(row, quantity) for row, quantity in plan.counted),
        into=sku_name(catalogue, plan.into) if plan.into else "",
    )  # fmt: skip


def decimals(division: Decimal) -> int:
    """Decimals that a scale of this division shows: 2 for 0.01, none for 5."""
    return max(0, -int(division.normalize().as_tuple().exponent))


def with_lots(found: Iterable[Melt], lots: Mapping[str, tuple[str, ...]]) -> tuple[Melt, ...]:
    """The melts with the lots of each ingredient, and of what is left of earlier melts, by item code."""
    return tuple(
        replace(
            melt, leftover_lots=lots.get(melt.code, ()) if melt.leftover_g else (),
            ingredients=tuple(replace(part, lots=lots.get(part.code, ())) for part in melt.ingredients),
        )
        for melt in found
    )  # fmt: skip


def with_weights(found: Sequence[Melt], weighed: Mapping[str, tuple[Decimal, str]]) -> tuple[Melt, ...]:
    """The melts with what was really weighed of each item (grams, and why not as planned).

    An item that goes into two melts was weighed for both together, so it stands at neither.
    """
    often = Counter(part.code for melt in found for part in melt.ingredients)

    def actual(part: Ingredient) -> Ingredient:
        grams, because = weighed.get(part.code, (None, "")) if often[part.code] == 1 else (None, "")
        return replace(part, actual_g=grams, because=because)

    return tuple(replace(melt, ingredients=tuple(actual(part) for part in melt.ingredients)) for melt in found)


@dataclass(frozen=True)
class _Mix:
    """What one melt is weighed from, to say what each part of it is of."""

    doses: Sequence[Dose]
    catalogue: Catalogue

    @property
    def lines(self) -> list[RecipeLine]:
        """The recipe's lines behind the doses."""
        return [dose.line for dose in self.doses]

    @property
    def gross(self) -> Decimal:
        """All of it together."""
        return sum((dose.grams for dose in self.doses), Decimal(0))

    def grams_of(self, carrier: str) -> Decimal:
        """Grams of the named share line, or of all share lines together."""
        wanted = (dose for dose in self.doses if dose.line.basis is Basis.SHARE)
        return sum((dose.grams for dose in wanted if carrier in {"", dose.line.component}), Decimal(0))

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


def _ingredient(dose: Dose, mix: _Mix, digits: int) -> Ingredient:
    item = dose.item
    bases, how = _load_words(dose.line, dose.grams, mix) if dose.is_load else _share_words(dose.line, mix)
    instead = mix.catalogue.items[dose.instead_of].name if dose.instead_of else ""
    return Ingredient(
        code=item.code, name=item.name, grams=dose.grams, scale_g=dose.scale_g, bases=bases, how=how, named=dose.named,
        is_load=dose.is_load, is_blend=is_blend(item), instead_of=instead, flash_point_c=item.flash_point_c,
        heating_limit_c=item.heating_limit_c, cautions=item.cautions, digits=digits,
    )  # fmt: skip


def _share_words(line: RecipeLine, mix: _Mix) -> tuple[str, str]:
    """A share's base and sum: ``100 % of the wax``, ``3,865.979 ÷ 1.08``."""
    how = plain(mix.gross)
    how += f" × (1 − {plain(mix.on_total())})" if mix.on_total() else ""
    how += f" ÷ {plain(mix.of_carrier())}" if mix.of_carrier() != 1 else ""
    how += f" × {plain(line.quantity)}" if line.quantity != 1 else ""
    return f"{percent(line.quantity * 100)} of the wax", how if how != plain(mix.gross) else "all of it"


def _load_words(line: RecipeLine, grams: Decimal, mix: _Mix) -> tuple[str, str]:
    """A load's two bases and its sum: ``8 % of the wax, 7.41 % of the whole``, ``0.08 × 3,579.61``."""
    rate, wax = percent(line.quantity * 100), mix.grams_of("")
    if line.basis is Basis.LOAD_ON_TOTAL:
        return f"{rate} of the whole, {_part(grams, wax)} of the wax", f"{plain(line.quantity)} × {plain(mix.gross)}"
    how = f"{plain(line.quantity)} × {plain(mix.grams_of(line.carrier))}"
    return f"{rate} of {mix.carrier_name(line)}, {_part(grams, mix.gross)} of the whole", how


def _part(grams: Decimal, of: Decimal) -> str:
    return percent(Fraction(grams) / Fraction(of) * 100 if of else Decimal(0), 2)


def _extra(item: Item, quantity: Decimal) -> Extra:
    """What goes into a melt by the batch, such as drops of dye."""
    return Extra(code=item.code, name=item.name, quantity=f"{_counted(item, Fraction(quantity))} to the melt")


def parts(catalogue: Catalogue, load: Load) -> tuple[Extra, ...]:
    """What else to lay ready for a load: parts and materials used by the piece at its steps, melts left out."""
    needed: dict[Sku, Fraction] = {}
    for (sku, _), (operation, pieces) in tasks(catalogue, load).items():
        for line in catalogue.recipe(sku.item).lines:
            at_step = is_at(catalogue, sku.item, line, operation)
            if at_step and line.basis is Basis.PER_PIECE and line.component != operation.melt:
                part = catalogue.component(line, sku.scent)
                needed[part] = needed.get(part, Fraction(0)) + Fraction(line.quantity) * pieces
    return tuple(
        Extra(code=str(sku), name=sku_name(catalogue, sku), quantity=_counted(catalogue.items[sku.item], quantity))
        for sku, quantity in needed.items()
    )


def _counted(item: Item, quantity: Fraction) -> str:
    if item.unit is Unit.GRAM:
        return f"{plain(quantity, 3)} g"
    return f"{plain(quantity)} piece{'' if quantity == 1 else 's'}"
