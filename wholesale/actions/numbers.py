"""Running numbers without gaps: one locked row a series."""

from wholesale.models import Series

#: Where a series begins.
_FIRST = {"W-": 1001, "S-": 1001, "B-": 1001}


def take(series: str) -> int:
    """The next number of a series; inside the caller's transaction, so that a failure gives it back."""
    Series.objects.get_or_create(code=series, defaults={"next_number": _FIRST.get(series, 1)})
    row = Series.objects.select_for_update().get(code=series)
    number = row.next_number
    row.next_number = number + 1
    row.save(update_fields=["next_number"])
    return number
