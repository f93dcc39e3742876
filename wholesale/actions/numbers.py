"""Running numbers without gaps: one locked row a series."""

from wholesale.models import Series

#: Where a series begins.
_FIRST = {"W-": 1001, "S-": 1001, "B-": 1001, "L-": 1001}


def take(series: str) -> int:
    """The next number of a series; inside the caller's transaction, so that a failure gives it back."""
    Series.objects.get_or_create(code=series, defaults={"next_number": _FIRST.get(series, 1)})
    row = Series.objects.select_for_update().get(code=series)
    number = row.next_number
    row.next_number = number + 1
    row.save(update_fields=["next_number"])
    return number


def coming(series: str) -> int:
    """The number that will be taken next."""
    row = Series.objects.filter(code=series).first()
    return row.next_number if row else _FIRST.get(series, 1)


def go_on_at(series: str, number: int) -> None:
    """Let a series go on at a number; the caller has seen to it that none of the numbers from there on is used."""
    Series.objects.update_or_create(code=series, defaults={"next_number": number})


def number_in(series: str, code: str) -> int | None:
    """The running number in ``code``, such as 31 in INV-0031; ``None`` where it is of another series."""
    digits = code.removeprefix(series)
    return int(digits) if code.startswith(series) and digits.isascii() and digits.isdigit() else None
