"""How something is made: a new dated version for each change; an old version never changes."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal

from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import mending, plan_rows
from wholesale.core import catalogue as core
from wholesale.core.recipes import refuse_recipe, since_words
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal, day_words
from wholesale.models import Equipment, Item, LoadPortion, Operation, Recipe, RecipeLine
from wholesale.queries import catalogue, production, workshop

#: Decimals that the table keeps.
_QUANTITY, _MINUTES, _HEAT = Decimal("0.000001"), Decimal("0.001"), Decimal("0.1")
#: Letters that the table has room for, by a step's column.
_LETTERS = {"code": 40, "name": 80, "group": 40}
_MOST_REASON = 200
#: Columns of a step that are stored as they are.
_STEP = (
    "code", "name", "hands", "minutes_per_piece", "minutes_per_load", "yield_share", "heat_c", "nights_min",
    "minutes_min", "days_min", "days_max", "cure_days", "group", "targets", "cautions",
)  # fmt: skip


def save(
    *,
    by: User,
    item: str,
    base: int,
    lines: Sequence[core.RecipeLine],
    operations: Sequence[core.Operation],
    valid_from: date,
    because: str,
) -> int:
    """Write an item's recipe as its next version, valid from a day on, and return the version's number.

    ``base`` is the newest version the writer had seen (0: none); a newer one is a
    ``Conflict``. What is in force already is not written again, so that a second tap
    changes nothing. A ``Refusal`` when the recipe can't be followed, passes a limit
    that is marked hard, or lacks a step that open loads are planned for. Begun
    batches keep the version they began with; loads not begun follow the version
    valid on their day.
    """
    _maker(by)
    typed = core.Recipe(lines=tuple(map(_rounded, lines)), operations=tuple(map(_rounded_step, operations)))
    with transaction.atomic():
        state = plan_rows.lock()
        row = _item(item)
        latest, known = next(iter(catalogue.versions(item)), (None, core.Recipe()))
        if latest and latest.valid_from <= valid_from and replace(known, version=1) == typed:
            return latest.version
        _refuse_stale(latest, base)
        _refuse_words(valid_from, because, typed)
        refuse_recipe(catalogue.catalogue(valid_from), item, typed)
        _refuse_unknown_hands(typed)
        _refuse_lost_steps(row, typed, valid_from)
        version = _write(row, by, latest.version + 1 if latest else 1, typed, valid_from, because.strip())
        if valid_from <= clock.today():
            # Loads that are not what the recipe now says are planned anew.
            mending.mend_plan(production.planner(workshop.workshop()))
        plan_rows.changed(state, f"recipe of {item}, version {version}"[:120])
    return version


def set_cautions(*, by: User, item: str, cautions: str, limits_refuse: bool) -> None:
    """Write what to take care of with an item, and whether its limits refuse or only warn."""
    _maker(by)
    with transaction.atomic():
        row = _item(item)
        row.cautions, row.limits_refuse = cautions.strip(), limits_refuse
        row.save(update_fields=["cautions", "limits_refuse"])


def _maker(by: User) -> None:
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may change a recipe. Ask the maker; nothing was changed.")


def _item(code: str) -> Item:
    row = Item.objects.select_for_update().filter(code=code).first()
    if row is None:
        raise NotFound("item", f"There is no item '{code}'. Choose one from the list of recipes.")
    return row


def _rounded(line: core.RecipeLine) -> core.RecipeLine:
    """The line as the table can keep it; what rounds to nothing is refused as nothing."""
    if not line.quantity.is_finite():
        return line
    return replace(line, quantity=line.quantity.quantize(_QUANTITY, ROUND_HALF_UP))


def _rounded_step(step: core.Operation) -> core.Operation:
    return replace(
        step,
        minutes_per_piece=step.minutes_per_piece.quantize(_MINUTES, ROUND_HALF_UP),
        minutes_per_load=step.minutes_per_load.quantize(_MINUTES, ROUND_HALF_UP),
        yield_share=step.yield_share.quantize(_QUANTITY, ROUND_HALF_UP),
        heat_c=None if step.heat_c is None else step.heat_c.quantize(_HEAT, ROUND_HALF_UP),
    )


def _refuse_stale(latest: Recipe | None, base: int) -> None:
    if latest and latest.version != base:
        who = f" by {latest.written_by}" if latest.written_by else ""
        why = f" ({latest.because})" if latest.because else ""
        message = (
            f"Version {latest.version} was saved meanwhile{who}{why}, valid "
            f"{since_words(latest.valid_from, clock.today())}. "
            "Nothing was saved, and what you typed is still here: look at what differs, then save again."
        )
        raise Conflict("recipe_changed", message, "", version=latest.version)


def _refuse_words(valid_from: date, because: str, typed: core.Recipe) -> None:
    if valid_from < clock.today():
        message = f"{day_words(valid_from)} is past: what was made then followed the old version. Give today or later."
        raise Refusal("valid_from", message, "valid_from")
    if not because.strip():
        raise Refusal("because", "Say in a few words why the recipe changes; the history keeps it.", "because")
    if len(because.strip()) > _MOST_REASON:
        raise Refusal("too_long", f"Shorten the reason to at most {_MOST_REASON} letters.", "because")
    for place, step in enumerate(typed.operations):
        for column, most in _LETTERS.items():
            if len(getattr(step, column)) > most:
                raise Refusal("too_long", f"Shorten this to at most {most} letters.", f"steps-{place}-{column}")


def _refuse_unknown_hands(typed: core.Recipe) -> None:
    """A misspelt group would be a group whose minutes nobody counts."""
    groups = {group for day in production.calendar().week.values() for group in day.minutes}
    for place, step in enumerate(typed.operations):
        if step.hands and step.hands not in groups:
            known = ", ".join(sorted(groups)) or "none yet"
            message = f"The calendar counts no minutes of '{step.hands}'; its groups of hands: {known}."
            raise Refusal("hands", message, f"steps-{place}-hands")


def _refuse_lost_steps(item: Item, typed: core.Recipe, valid_from: date) -> None:
    """Loads planned or done for open orders name their steps: a step they name, or may name by then, can't go."""
    steps = {step.code for step in typed.operations}
    recipe = catalogue.catalogue(clock.today()).items[item.code].recipe
    if valid_from > clock.today() and recipe and {step.code for step in recipe.operations} - steps:
        message = "A step is taken out on the day itself: loads planned until then would still name it. Give today."
        raise Refusal("step_planned", message, "valid_from")
    open_loads = production.open_loads().order_by().values("pk")
    named = LoadPortion.objects.filter(item=item, load__in=open_loads)
    lost = set(named.values_list("operation", flat=True)) - steps
    if lost:
        loads = named.filter(operation__in=lost).values("load").distinct().count()
        message = (
            f"{loads} open load{' is' if loads == 1 else 's are'} at the step {' and '.join(_step_names(item, lost))}, "
            "so it can't be taken out yet. Keep it, or wait until these orders have left."
        )
        raise Refusal("step_planned", message, "", steps=sorted(lost))


def _step_names(item: Item, codes: set[str]) -> list[str]:
    """What steps are called, by the newest version that has them."""
    rows = Operation.objects.filter(recipe__item=item, code__in=codes).order_by("recipe__version", "position")
    return list(dict(rows.values_list("code", "name")).values())


def _write(item: Item, by: User, version: int, typed: core.Recipe, valid_from: date, because: str) -> int:
    """Add the version's rows."""
    recipe = Recipe.objects.create(
        item=item, version=version, valid_from=valid_from, written_by=by, because=because
    )  # fmt: skip
    items = dict(Item.objects.values_list("code", "pk"))
    equipment = dict(Equipment.objects.values_list("code", "pk"))
    RecipeLine.objects.bulk_create(
        RecipeLine(
            recipe=recipe, position=place, component_id=items[line.component] if line.component else None,
            basis=str(line.basis), quantity=line.quantity, carrier_id=items.get(line.carrier), step=line.step,
        )
        for place, line in enumerate(typed.lines)
    )  # fmt: skip
    Operation.objects.bulk_create(
        Operation(
            recipe=recipe, position=place, equipment_id=equipment.get(step.equipment), melt_id=items.get(step.melt),
            **{column: getattr(step, column) for column in _STEP},
        )
        for place, step in enumerate(typed.operations)
    )  # fmt: skip
    return version
