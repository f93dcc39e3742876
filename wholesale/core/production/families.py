"""Families of loads: which follow each other without washing out, and the order that washes out least."""

from collections.abc import Iterable

from wholesale.core.catalogue import Catalogue
from wholesale.core.production.work import Load

#: Behind every scent's rank.
_UNKNOWN = 2**31


def in_family_order(loads: Iterable[Load], catalogue: Catalogue) -> tuple[Load, ...]:
    """Loads by day and equipment, each day's in the order of work.

    First what has no scent, then scents by their rank, faint before strong; within a
    scent by the group of the step, in the order of the groups' names (such as "1 pale",
    "2 dark"); then the same work together. Common practice, no source.
    """
    return tuple(sorted(loads, key=lambda load: (load.day, load.work.equipment, *place_in_day(load, catalogue))))


def place_in_day(load: Load, catalogue: Catalogue) -> tuple[int, str, str, str, str]:
    """What the loads of an equipment and day are sorted by."""
    what = load.work.what
    scent = catalogue.scents.get(what.scent)
    rank = -1 if not what.scent else scent.rank if scent else _UNKNOWN
    return rank, what.scent, _group(load, catalogue), what.item, load.work.operation


def _group(load: Load, catalogue: Catalogue) -> str:
    """The darkest group of the load's steps: the last by name."""
    steps = {portion.operation for portion in load.portions}
    items = {portion.sku.item for portion in load.portions if portion.sku.item in catalogue.items}
    return max((step.group for item in items for step in catalogue.steps(item) if step.code in steps), default="")


def family(catalogue: Catalogue, load: Load) -> tuple[str, str]:
    """What a load belongs to: loads of one family follow each other without washing out.

    The group of its steps, where they share one, else what is in it; and its scent.
    """
    steps = {(portion.sku.item, portion.operation) for portion in load.portions}
    groups = {step.group for item, code in steps for step in catalogue.steps(item) if step.code == code}
    group = groups.pop() if len(groups) == 1 else ""
    return (group or load.work.what.item, load.work.what.scent)
