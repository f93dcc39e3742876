"""What is bought, made and sold, and how it is made: items, recipes, operations, equipment.

A thing that can be ordered or stocked is a ``Sku``: an item, and its scent where
the item carries one. One recipe serves all scents of an item: a line whose
component is ``None`` stands for the oil of the scent being made.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType
from typing import NamedTuple

from wholesale.core.values import Refusal, from_mg, share, to_mg

#: Pieces where nothing binds.
NO_LIMIT = 10**9
#: Every material is the one the recipe names.
NO_SWAPS: Mapping[str, str] = MappingProxyType({})


class ItemKind(StrEnum):
    """Bought, made for use in others, or sold."""

    MATERIAL = "material"
    PART = "part"
    PRODUCT = "product"


class Unit(StrEnum):
    """What an item is counted in."""

    PIECE = "piece"
    GRAM = "gram"


class Basis(StrEnum):
    """What a recipe line's quantity refers to."""

    PER_PIECE = "per_piece"
    SHARE = "share_of_batch"
    LOAD_ON_CARRIER = "load_on_carrier"
    LOAD_ON_TOTAL = "load_on_total"
    PER_BATCH = "per_batch"


class Sku(NamedTuple):
    """An item, in a scent where it has one ("" where it has none)."""

    item: str
    scent: str = ""

    def __str__(self) -> str:
        return f"{self.item} {self.scent}".strip()


@dataclass(frozen=True, kw_only=True)
class Scent:
    """A scent: its oil (item code) and its place in the order of work, faint before strong."""

    code: str
    name: str
    oil: str
    rank: int = 0


@dataclass(frozen=True, kw_only=True)
class Equipment:
    """What holds a load: a pot, a bowl, a set of trays.

    A load is full at ``load_g`` grams or ``load_pieces`` pieces, whichever comes
    first; ``load_basis`` says whether the grams are of all that is in it ("total")
    or of the wax alone ("carrier"). ``loads_per_day`` of ``None`` never binds. ``hold_minutes`` is how long
    a load keeps it once hands are done; ``window_minutes`` how long the load can be worked. ``price`` is what one
    more of it costs.
    """

    code: str
    name: str
    kind: str
    count: int = 1
    load_g: Decimal | None = None
    load_pieces: int | None = None
    loads_per_day: int | None = None
    load_basis: str = "total"
    hold_minutes: int = 0
    window_minutes: int | None = None
    price: Decimal | None = None

    @property
    def daily_loads(self) -> int | None:
        """Loads all of them together take on one day."""
        return None if self.loads_per_day is None else self.count * self.loads_per_day


@dataclass(frozen=True, kw_only=True)
class RecipeLine:
    """One component of a recipe.

    ``component`` is an item code, or ``None`` for the scent's oil. ``quantity`` is
    pieces or grams per piece, a share (1 = all), a load (0.08 = 8 %), or units per
    batch, as ``basis`` says. ``carrier`` names the line a load is *of*; empty
    means all share lines together. ``step`` is the operation that uses it.
    """

    component: str | None
    basis: Basis
    quantity: Decimal
    carrier: str = ""
    step: str = ""


@dataclass(frozen=True, kw_only=True)
class Operation:
    """One step of making an item.

    ``melt`` names the part that is melted for this step and poured into the
    pieces: its grams fill the equipment. ``hands`` is the group of people whose
    minutes it takes. ``yield_share`` of the pieces come good out of it; ``heat_c``
    is the temperature it heats to. Before the next step at least ``nights_min``
    nights and ``days_min`` calendar days (on the same day ``minutes_min`` minutes),
    at most ``days_max`` days, go by.
    ``cure_days`` stands on the step that the days to "sellable on" count from.
    """

    code: str
    name: str
    equipment: str = ""
    melt: str = ""
    hands: str = ""
    minutes_per_piece: Decimal = Decimal(0)
    minutes_per_load: Decimal = Decimal(0)
    yield_share: Decimal = Decimal(1)
    heat_c: Decimal | None = None
    nights_min: int = 0
    minutes_min: int = 0
    days_min: int = 0
    days_max: int | None = None
    cure_days: int | None = None
    group: str = ""
    targets: str = ""
    cautions: str = ""


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """A dated version of how one piece (or one melt) of an item is made."""

    version: int = 1
    lines: tuple[RecipeLine, ...] = ()
    operations: tuple[Operation, ...] = ()

    @property
    def cure_step(self) -> int:
        """Position of the step the cure counts from; the last step where none cures."""
        curing = [i for i, operation in enumerate(self.operations) if operation.cure_days is not None]
        return curing[-1] if curing else len(self.operations) - 1


@dataclass(frozen=True, kw_only=True)
class Item:
    """Something bought, made or sold.

    ``loss`` is the share of a melt that is lost (gross = net / (1 - loss));
    ``yield_share`` the share of pieces that come out good. A product sold by the
    case has a ``case_pack``; a mixed case holds at most ``mix_scents`` scents
    with at least ``mix_least`` pieces of each. Of every batch ``samples_per_batch``
    pieces are kept back. ``shortage_risk`` is the accepted chance of too few good
    pieces (``None``: the workshop's own). ``room_g`` is what the vessel has room for.
    ``limits_refuse`` turns the item's limits from warnings into refusals.
    ``unit_cost`` is for a piece or a kilogram; ``purchase_pack`` the pieces or grams
    it is bought in; ``supply_days`` the calendar days from ordering to having it.
    Nothing that takes a material that ``binds_plan`` is planned before it is there.
    ``lead_days`` are working days from ordering to leaving at the least (``None``: the workshop's own).
    """

    code: str
    name: str
    kind: ItemKind
    unit: Unit = Unit.PIECE
    scented: bool = False
    case_pack: int = 1
    mix_scents: int = 1
    mix_least: int = 1
    loss: Decimal = Decimal(0)
    yield_share: Decimal = Decimal(1)
    on_sale: bool = True
    gtin: str = ""
    max_load: Decimal | None = None
    flash_point_c: Decimal | None = None
    heating_limit_c: Decimal | None = None
    samples_per_batch: int = 0
    shortage_risk: Decimal | None = None
    room_g: Decimal | None = None
    keeps_leftover: bool = False
    limits_refuse: bool = False
    unit_cost: Decimal | None = None
    purchase_pack: Decimal | None = None
    supplier: str = ""
    supply_days: int = 0
    binds_plan: bool = False
    lead_days: int | None = None
    cautions: str = ""
    recipe: Recipe | None = None


@dataclass(frozen=True, kw_only=True)
class Catalogue:
    """All items, scents and equipment by code."""

    items: Mapping[str, Item]
    scents: Mapping[str, Scent] = field(default_factory=dict)
    equipment: Mapping[str, Equipment] = field(default_factory=dict)
    #: Materials that may stand in for another, by its code.
    substitutes: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    #: The workshop's accepted chance of too few good pieces; an item may have its own.
    shortage_risk: Decimal | None = None

    def steps(self, code: str) -> tuple[Operation, ...]:
        """The item's operations; none for what is bought in or only mixed."""
        recipe = self.items[code].recipe
        return recipe.operations if recipe else ()

    def recipe(self, code: str) -> Recipe:
        """The item's recipe; a ``Refusal`` when it has none."""
        recipe = self.items[code].recipe
        if recipe is None:
            name = self.items[code].name
            raise Refusal("no_recipe", f"{name} has no recipe; add one before it is planned.", code)
        return recipe

    def component(self, line: RecipeLine, scent: str) -> Sku:
        """The sku a line stands for when ``scent`` is made; the scent is passed on to scented items."""
        if line.component is None:
            return Sku(self.scents[scent].oil)
        return Sku(line.component, scent if self.items[line.component].scented else "")


def sku_name(catalogue: Catalogue, sku: Sku) -> str:
    """An item's name with its scent: ``Succulent cup, Rain garden``."""
    scent = catalogue.scents[sku.scent].name if sku.scent in catalogue.scents else sku.scent
    return ", ".join(part for part in (catalogue.items[sku.item].name, scent) if part)


class Weighed(NamedTuple):
    """One thing to weigh for a melt."""

    sku: Sku
    grams: Decimal
    basis: Basis
    quantity: Decimal


def gross_grams(net_g: Decimal, loss: Decimal) -> Decimal:
    """What to melt so that ``net_g`` is left after the loss, in whole milligrams: net / (1 - loss)."""
    return from_mg(to_mg(net_g / (1 - loss)))


def swapped(catalogue: Catalogue, sku: Sku, swaps: Mapping[str, str]) -> Sku:
    """What is really taken for a sku: itself, or the substitute chosen for it, weight for weight.

    ``swaps`` maps a material's code to its substitute's; one that the catalogue doesn't list is a ``Refusal``.
    """
    chosen = swaps.get(sku.item, sku.item)
    if chosen == sku.item:
        return sku
    if chosen not in catalogue.substitutes.get(sku.item, ()):
        names = {code: item.name for code, item in catalogue.items.items()}
        listed = ", ".join(names[code] for code in catalogue.substitutes.get(sku.item, ())) or "nothing"
        message = (
            f"{names.get(chosen, chosen)} is no substitute for {names[sku.item]}; what may stand in for it: {listed}."
        )
        raise Refusal("no_substitute", message, sku.item)
    return Sku(chosen)


def mass_lines(recipe: Recipe) -> list[RecipeLine]:
    """The lines that make up a melt's mass: shares and loads."""
    return [line for line in recipe.lines if line.basis not in {Basis.PER_PIECE, Basis.PER_BATCH}]


def melt_weights(
    catalogue: Catalogue, melt: Sku, net_g: Decimal, swaps: Mapping[str, str] = NO_SWAPS
) -> tuple[Weighed, ...]:
    """What to weigh for one melt that must yield ``net_g`` grams; the parts sum to the gross to the milligram.

    The loss is grossed up once for the melt, then shared. With shares ``s`` (sum 1)
    of carrier mass M, loads ``p`` on their carrier and loads ``q`` on the total T:
    T = M (1 + Σ p·s) + T Σ q, so 8 % *of the wax* of a 3,865.98 g melt is
    3,865.98 / 1.08 × 0.08. ``swaps`` puts substitutes in the place of materials, weight for weight.
    """
    item = catalogue.items[melt.item]
    by_mass = mass_lines(catalogue.recipe(melt.item))
    gross_mg = to_mg(gross_grams(net_g, item.loss))
    weights = mass_weights(by_mass)
    parts = share(gross_mg, weights) if by_mass else ()
    return tuple(
        Weighed(
            swapped(catalogue, catalogue.component(line, melt.scent), swaps), from_mg(mg), line.basis, line.quantity
        )
        for line, mg in zip(by_mass, parts, strict=True)
    )


def mass_weights(lines: Sequence[RecipeLine]) -> list[Fraction]:
    """The exact part of the total mass that each share or load line takes; they sum to 1."""
    shares = {line.component: Fraction(line.quantity) for line in lines if line.basis is Basis.SHARE}
    _refuse_unshared(lines, set(shares))
    whole = sum(shares.values(), Fraction(0))
    on_total = sum(Fraction(line.quantity) for line in lines if line.basis is Basis.LOAD_ON_TOTAL)

    def on_carriers(line: RecipeLine) -> Fraction:
        carried = shares[line.carrier] if line.carrier else whole
        return Fraction(line.quantity) * carried

    carriers = whole + sum(on_carriers(line) for line in lines if line.basis is Basis.LOAD_ON_CARRIER)
    scale = (1 - on_total) / carriers

    def part(line: RecipeLine) -> Fraction:
        if line.basis is Basis.LOAD_ON_TOTAL:
            return Fraction(line.quantity)
        return scale * (on_carriers(line) if line.basis is Basis.LOAD_ON_CARRIER else Fraction(line.quantity))

    return [part(line) for line in lines]


def _refuse_unshared(lines: Sequence[RecipeLine], carriers: set[str | None]) -> None:
    """A ``Refusal`` when a melt has no share line, or a load is of something that is none."""
    if lines and not carriers:
        message = "A melt needs at least one line with a share of the batch, such as its wax with share 1."
        raise Refusal("no_carrier", message, "basis")
    for line in lines:
        if line.carrier and line.carrier not in carriers:
            message = "A load is of something that is no share of this melt; choose one of its shares."
            raise Refusal("no_carrier", message, "carrier")


def refuse_cycles(catalogue: Catalogue) -> None:
    """A ``Refusal`` naming the chain when an item's recipe needs the item itself."""
    done: set[str] = set()
    for code in catalogue.items:
        _walk(catalogue, code, (), done)


def _walk(catalogue: Catalogue, code: str, above: tuple[str, ...], done: set[str]) -> None:
    if code in above:
        names = [catalogue.items[at].name for at in (*above[above.index(code) :], code)]
        message = f"The recipe of {names[0]} needs {names[0]} itself: {' → '.join(names)}. Take one of these lines out."
        raise Refusal("recipe_cycle", message, code)
    if code in done:
        return
    recipe = catalogue.items[code].recipe
    for line in recipe.lines if recipe else ():
        if line.component is not None:
            _walk(catalogue, line.component, (*above, code), done)
    done.add(code)


def refuse_unworkable(catalogue: Catalogue) -> None:
    """A ``Refusal`` when a step can't be done: no such equipment, a piece no load can hold, a wait turned round."""
    for item in catalogue.items.values():
        refuse_unworkable_steps(catalogue, item)


def refuse_unworkable_steps(catalogue: Catalogue, item: Item) -> None:
    """The same for the steps of one item."""
    for operation in item.recipe.operations if item.recipe else ():
        _refuse_wait(item, operation)
        if operation.equipment and operation.equipment not in catalogue.equipment:
            raise _no_equipment(item, operation)
        if operation.equipment and catalogue.equipment[operation.equipment].daily_loads == 0:
            raise _no_loads(item, operation, catalogue.equipment[operation.equipment])
        load_pieces(catalogue, item.code, operation)


def _no_equipment(item: Item, operation: Operation) -> Refusal:
    message = f"{item.name}, {operation.name}: there is no equipment '{operation.equipment}'. Add it, or name another."
    return Refusal("unknown_equipment", message, operation.code)


def _no_loads(item: Item, operation: Operation, equipment: Equipment) -> Refusal:
    message = (
        f"{item.name}, {operation.name}: {equipment.name} takes no load a day. "
        "Give it one at least, or leave its loads a day empty where they never bind."
    )
    return Refusal("no_quota", message, operation.code)


def _refuse_wait(item: Item, operation: Operation) -> None:
    least = max(operation.nights_min, operation.days_min)
    if operation.days_max is not None and operation.days_max < least:
        message = (
            f"{item.name}, {operation.name}: the wait is at least {least} and at most "
            f"{operation.days_max} days. Make the longest wait as long as the shortest."
        )
        raise Refusal("wait_turned_round", message, operation.code)


def melt_grams(catalogue: Catalogue, item: str, operation: Operation) -> Decimal:
    """Net grams of the operation's melt that go into one piece."""
    lines = catalogue.recipe(item).lines
    wanted = [line for line in lines if line.component == operation.melt and line.basis is Basis.PER_PIECE]
    return sum((line.quantity for line in wanted if line.step in {"", operation.code}), Decimal(0))


def load_room(catalogue: Catalogue, equipment: Equipment, melt: str) -> Decimal | None:
    """Net grams of a melt that one load yields, its loss taken off; ``None`` where grams don't bind.

    Where ``load_g`` counts the wax alone, its loads come on top: 16 oz of wax at 8 % make 17.28 oz
    (common practice, no source); rounded down to the milligram.
    """
    if equipment.load_g is None:
        return None
    kept = 1 - catalogue.items[melt].loss
    if equipment.load_basis == "total":
        return equipment.load_g * kept
    net = Fraction(equipment.load_g) / carrier_part(catalogue, melt) * Fraction(kept)
    return from_mg(int(net * 1000))


def carrier_part(catalogue: Catalogue, melt: str) -> Fraction:
    """The part of a melt's mass that is its carrier; all of it for a material melted as it is."""
    recipe = catalogue.items[melt].recipe
    if recipe is None:
        return Fraction(1)
    lines = mass_lines(recipe)
    parts = zip(lines, mass_weights(lines), strict=True)
    return sum((part for line, part in parts if line.basis is Basis.SHARE), Fraction(0))


def filling(catalogue: Catalogue, item: str, operation: Operation) -> tuple[str, Decimal]:
    """What fills a step's load by weight, and its net grams in one piece: a melt, or the part itself in grams.

    ("", 0) where pieces alone fill it.
    """
    if operation.melt:
        return operation.melt, melt_grams(catalogue, item, operation)
    return (item, Decimal(1)) if catalogue.items[item].unit is Unit.GRAM else ("", Decimal(0))


def net_room(catalogue: Catalogue, item: str, operation: Operation) -> Decimal | None:
    """Net grams that one load of a step has room for; ``None`` where grams don't bind.

    A part in grams loses what it loses when it is melted, at its first step.
    """
    equipment = catalogue.equipment.get(operation.equipment)
    what, _ = filling(catalogue, item, operation)
    room = load_room(catalogue, equipment, what) if equipment and what else None
    if room is None or what != item or operation == catalogue.steps(item)[0]:
        return room
    return room / (1 - catalogue.items[item].loss)


def load_pieces(catalogue: Catalogue, item: str, operation: Operation) -> int:
    """Pieces of an item that one load of the operation's equipment holds; a ``Refusal`` when not even one."""
    if not operation.equipment:
        return NO_LIMIT
    equipment = catalogue.equipment[operation.equipment]
    counts = equipment.load_pieces is not None and catalogue.items[item].unit is Unit.PIECE
    limits = [equipment.load_pieces or 0] if counts else []
    room, (_, grams) = net_room(catalogue, item, operation), filling(catalogue, item, operation)
    if room is not None and grams:
        limits.append(int(room // grams))
    if limits and min(limits) < 1:
        message = (
            f"{catalogue.items[item].name}, {operation.name}: one piece needs more than a load of {equipment.name} "
            "holds. Choose larger equipment."
        )
        raise Refusal("no_equipment_holds", message, operation.code)
    return min(limits, default=NO_LIMIT)
