"""What the plan and a promise look like on the console."""

from collections.abc import Iterable
from itertools import groupby

from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.documents.batch import sku_name
from wholesale.core.production.promise import Promise
from wholesale.core.production.work import Load, Plan
from wholesale.management.told import gate_line


def plan_by_day(goods: Catalogue, plan: Plan, whose: dict[str, str]) -> str:
    """The loads to do, day by day: where, what, how many pieces for whom; ``whose`` names the demands."""
    todo = sorted((load for load in plan.loads if not load.done), key=lambda load: (load.day, load.work))
    days = [
        "\n".join([f"{day:%a} {day.day} {day:%b %Y}", *(f"  {_load(goods, load, whose)}" for load in loads)])
        for day, loads in groupby(todo, key=lambda load: load.day)
    ]
    return "\n".join(days) or "Nothing is planned."


def _load(goods: Catalogue, load: Load, whose: dict[str, str]) -> str:
    equipment = goods.equipment.get(load.work.equipment)
    steps = dict.fromkeys(_step(goods, portion.sku, portion.operation) for portion in load.portions)
    state = ", begun" if load.begun else ""
    made = dict.fromkeys(sku_name(goods, portion.sku) for portion in load.portions)
    return (
        f"{equipment.name if equipment else 'By hand'}: {', '.join(steps)}, {load.pieces} of {', '.join(made)}"
        f" ({_shares(load, whose)}{state})"
    )  # fmt: skip


def _step(goods: Catalogue, sku: Sku, code: str) -> str:
    return next((step.name for step in goods.steps(sku.item) if step.code == code), code)


def _shares(load: Load, whose: dict[str, str]) -> str:
    counts: dict[str, int] = {}
    for portion in load.portions:
        name = whose.get(portion.demand, "the shelf")
        counts[name] = counts.get(name, 0) + portion.pieces
    return ", ".join(f"{name} {pieces}" for name, pieces in counts.items())


def promise_told(what: str, promised: Promise, sooner: Iterable[str] = ()) -> str:
    """A promise with its gates, what each took, the one that binds, and what would come sooner."""
    head = f"{what}: leaves {promised.leaves:%a %d %b %Y}, arrives {promised.arrives:%a %d %b %Y}, because:"
    return "\n".join([
        head, *(f"  {gate_line(gate)}" for gate in promised.gates), *(f"  sooner if: {line}" for line in sooner)
    ])  # fmt: skip
