"""How a version of a recipe is called wherever people read it: by the item's name, never by its code."""

from datetime import date

from wholesale.core.values import short_day

#: The first recipe we are told of is the one that was always followed.
ALWAYS = date(2000, 1, 1)


def since_words(valid_from: date, today: date) -> str:
    """From when a version holds: ``from the start``, ``from Mon 2 Mar``; with its year when it is another one."""
    if valid_from <= ALWAYS:
        return "from the start"
    return f"from {short_day(valid_from, today)}"


def version_words(name: str, version: int, valid_from: date, today: date) -> str:
    """A version of an item's recipe: ``Succulent cup: version 2 (from Mon 2 Mar)``."""
    return f"{name}: version {version} ({since_words(valid_from, today)})"
