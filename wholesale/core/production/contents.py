"""What fills a load, and what loads take of a day, counted anew for the check; see ``evidence``."""

from datetime import date
from decimal import Decimal
from fractions import Fraction

from wholesale.core.catalogue import Basis, Equipment, Item, Operation, Sku, Unit
from wholesale.core.production.evidence import Case, mixed
from wholesale.core.production.work import Load, Portion


def content(case: Case, portion: Portion, operation: Operation) -> tuple[str, str, str]:
    """What fills the equipment: a melt in its scent where grams count, else the step of the sku itself."""
    equipment = case.catalogue.equipment.get(operation.equipment)
    if operation.melt and equipment and equipment.load_g is not None:
        return operation.melt, portion.sku.scent if case.catalogue.items[operation.melt].scented else "", ""
    return portion.sku.item, portion.sku.scent, operation.code


def counted_pieces(case: Case, load: Load) -> int:
    """Pieces in a load; what is counted in grams is weighed instead."""
    items = ((case.item(portion.sku), portion) for portion in load.portions)
    return sum(portion.pieces for item, portion in items if item is None or item.unit is Unit.PIECE)


def grams_in(case: Case, load: Load, equipment: Equipment) -> Fraction:
    """Grams of a load that count against its equipment: with the loss, of all or of the wax alone."""
    total = Fraction(0)
    for portion in load.portions:
        if operation := case.operation(portion):
            what, grams = _grams(case, portion.sku, operation)
            grams *= portion.pieces
            total += grams * _wax(what) if what and equipment.load_basis == "carrier" else grams
    return total


def _grams(case: Case, sku: Sku, operation: Operation) -> tuple[Item | None, Fraction]:
    key, known = (sku, operation.code), case.memory.grams
    if key not in known:
        known[key] = _melted(case, sku, operation)
    return known[key]


def _wax(melt: Item) -> Fraction:
    """The wax in a gram of a melt; all of it where nothing is shared out."""
    return sum((part for line, part in mixed(melt) if line.basis is Basis.SHARE), Fraction(0)) or Fraction(1)


def _melted(case: Case, sku: Sku, operation: Operation) -> tuple[Item | None, Fraction]:
    """What is melted for a piece, and its grams over what the loss leaves; a part in grams is its own melt."""
    item = case.item(sku)
    if operation.melt and item and item.recipe:
        melt = case.catalogue.items[operation.melt]
        net = sum(
            Fraction(line.quantity)
            for line in item.recipe.lines
            if (line.component, line.basis) == (operation.melt, Basis.PER_PIECE) and line.step in {"", operation.code}
        )
        return melt, net / (1 - Fraction(melt.loss))
    if item and item.unit is Unit.GRAM:
        first = case.operations(sku)[0] == operation
        return item, 1 / (1 - Fraction(item.loss) if first else Fraction(1))
    return None, Fraction(0)


def daily_loads(case: Case, code: str, day: date) -> int | None:
    """Loads that all of an equipment that can be used take on a day; ``None`` where that never binds."""
    equipment = case.catalogue.equipment.get(code)
    if equipment is None:
        return None
    broken = [o.count for o in case.shop.outages if o.equipment == code and o.first <= day <= (o.last or day)]
    usable = equipment.count - sum(broken)
    if usable < 1:
        return 0
    return None if equipment.loads_per_day is None else usable * equipment.loads_per_day


def own_minutes(case: Case, load: Load) -> tuple[str, Decimal]:
    """Whose minutes the load takes by itself, and how many: the most that one of its steps asks for."""
    hands, minutes = "", Decimal(-1)
    for portion in load.portions:
        step = case.operation(portion)
        if step and step.minutes_per_load > minutes:
            hands, minutes = step.hands, step.minutes_per_load
    return hands, max(minutes, Decimal(0))
