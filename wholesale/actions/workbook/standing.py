"""What a changed workbook leaves as it is: open orders, begun batches, planned loads."""

from collections.abc import Iterator

from wholesale.actions.workbook.changes import Changes
from wholesale.core.orders import OPEN_STATES
from wholesale.core.workbook.sheets import (
    DayRow,
    EquipmentRow,
    ItemRow,
    MaterialRow,
    PriceRow,
    SettingRow,
    TierRow,
    WeekRow,
)
from wholesale.models import Load, Order

#: Names that are written out; of more the number says enough.
_MOST = 8


def kept(changes: Changes) -> Iterator[str]:
    """What happens to what is open, in sentences."""
    if changes.touched(PriceRow, TierRow, SettingRow, ItemRow):
        yield from _orders()
    if changes.touched(ItemRow, MaterialRow, EquipmentRow):
        yield from _batches()
    if changes.touched(WeekRow, DayRow, ItemRow, EquipmentRow):
        yield "Loads already planned stay where they are; “Plan again” on the queue places what no longer fits."


def _orders() -> Iterator[str]:
    numbers = list(Order.objects.filter(state__in=OPEN_STATES).order_by("pk").values_list("number", flat=True))
    if numbers:
        yield _keeping(numbers, "open order", "open orders", "the prices, terms and dates agreed when placed")


def _batches() -> Iterator[str]:
    begun = Load.objects.exclude(number=None).filter(done_at__isnull=True)
    numbers = [str(number) for number in begun.order_by("pk").values_list("number", flat=True)]
    if numbers:
        yield _keeping(numbers, "begun batch", "begun batches", "the recipe begun with")
    planned = Load.objects.filter(number=None, done_at__isnull=True).count()
    if planned:
        loads = "1 planned load is" if planned == 1 else f"{planned} planned loads are"
        yield f"{loads} not begun: what is made by them follows the recipes as they are now."


def _keeping(names: list[str], one: str, many: str, what: str) -> str:
    shown = ", ".join(names[:_MOST]) + (f" and {len(names) - _MOST} more" if len(names) > _MOST else "")
    keep = f"1 {one} keeps" if len(names) == 1 else f"{len(names)} {many} keep"
    return f"{keep} {what}: {shown}."
