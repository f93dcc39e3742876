"""What may stand in a cell: one ``Kind`` for each sort of value, with what is allowed in words.

Decided once for all sheets: spaces around a value don't count; a number has a
decimal point and no thousands separator (``1,500`` could be either, so it is
refused); a day is ISO 8601; yes and no are TRUE and FALSE, as spreadsheets write them.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, time
from decimal import Decimal
from typing import Any, Generic, Literal, TypeVar

from wholesale.core.catalogue import Basis, ItemKind, Unit
from wholesale.core.production.calendar import DayKind
from wholesale.core.values import bare, check_gtin

T = TypeVar("T")
MOST = 1_000_000
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
#: A group of hands whose minutes nobody counts.
UNCOUNTED = "uncounted"
#: The component of a recipe line that stands for the oil of the scent being made.
SCENT_OIL = "scent-oil"

_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})(:00)?")


def _written(value: Any) -> str:
    """A value as it stands in a cell: what the kinds below read."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, Decimal):
        return bare(value)
    return f"{value:%H:%M}" if isinstance(value, time) else str(value)


@dataclass(frozen=True, kw_only=True)
class Kind(Generic[T]):
    """A sort of value: ``read`` raises ``ValueError`` or ``Refusal`` for text that is not ``allowed``.

    ``write`` gives the text that is read as the same value. ``form`` says how a
    spreadsheet keeps it; ``choices`` are all the words there are; ``percent`` what a
    cell shown as a percentage stands for: a share of one, or so many percent.
    """

    allowed: str
    read: Callable[[str], T]
    write: Callable[[Any], str] = _written
    form: Literal["text", "number", "day", "time", "flag"] = "text"
    choices: tuple[str, ...] = ()
    percent: Literal["", "share", "percent"] = ""


def text(most: int) -> Kind[str]:
    """Any text of at most so many characters."""

    def read(found: str) -> str:
        if len(found) > most or any(ord(letter) < 32 and letter not in "\n\t" for letter in found):
            raise ValueError
        return found

    return Kind(allowed=f"text of at most {most} characters", read=read)


def code(most: int = 40) -> Kind[str]:
    """A short name without spaces that other rows refer to."""
    return Kind(
        allowed=f"a code of at most {most} letters, digits, '-', '_' or '.', without spaces",
        read=lambda found: _matching(_CODE, text(most).read(found)),
    )


def number(*, least: str = "0", most: str = str(MOST), places: int = 6) -> Kind[Decimal]:
    """A decimal number within bounds, with at most so many decimals."""

    def read(found: str) -> Decimal:
        value = Decimal(_matching(_NUMBER, found))
        if not Decimal(least) <= value <= Decimal(most) or value != round(value, places):
            raise ValueError
        return value

    decimals = f"with at most {places} decimals, a point before them and no thousands separators"
    return Kind(allowed=f"a number from {least} to {most} {decimals}", read=read, form="number")


def share(*, least: str = "0", most: str = "1") -> Kind[Decimal]:
    """A share of one, such as 0.08; a spreadsheet may show it as 8 %."""
    return replace(number(least=least, most=most), percent="share")


def whole(least: int, most: int = MOST) -> Kind[int]:
    """A whole number within bounds."""

    def read(found: str) -> int:
        value = Decimal(_matching(_NUMBER, found))
        if value != int(value) or not least <= value <= most:
            raise ValueError
        return int(value)

    allowed = f"a whole number from {least} to {most}, without thousands separators"
    return Kind(allowed=allowed, read=read, form="number")


def one_of(*names: str) -> Kind[str]:
    """One of a few words, in whatever case; read as it is spelt here."""
    spelt = {name.lower(): name for name in names}

    def read(found: str) -> str:
        if found.lower() not in spelt:
            raise ValueError
        return spelt[found.lower()]

    return Kind(allowed=" or ".join(names), read=read, choices=names)


def _matching(pattern: re.Pattern[str], found: str) -> str:
    if not pattern.fullmatch(found):
        raise ValueError
    return found


def _day(found: str) -> date:
    return date.fromisoformat(_matching(re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}"), found))


def _clock_time(found: str) -> time:
    match = _CLOCK.fullmatch(found)
    if match is None:
        raise ValueError
    return time(int(match[1]), int(match[2]))


def _hands(found: str) -> dict[str, int | None]:
    groups = dict(_pair(part) for part in found.split())
    if len(groups) != len(found.split()):
        raise ValueError
    return {
        group: None if minutes == UNCOUNTED else whole(0, 24 * 60 * 100).read(minutes)
        for group, minutes in groups.items()
    }


def _mix(found: str) -> tuple[tuple[str, int], ...]:
    if "=" not in found:
        return ((code().read(found), 0),) if found else (("", 0),)
    pairs = [_pair(part) for part in found.split()]
    if len(dict(pairs)) != len(pairs):
        raise ValueError
    return tuple((scent, whole(1).read(pieces)) for scent, pieces in pairs)


def _pair(part: str) -> tuple[str, str]:
    name, equals, value = part.partition("=")
    if not equals:
        raise ValueError
    return code().read(name), value


def _weekday(found: str) -> int:
    return WEEKDAYS.index(one_of(*WEEKDAYS).read(found))


def _written_hands(groups: dict[str, int | None] | None) -> str:
    named = (groups or {}).items()
    return " ".join(f"{group}={UNCOUNTED if minutes is None else minutes}" for group, minutes in named)


def _written_mix(mix: tuple[tuple[str, int], ...]) -> str:
    if any(pieces for _, pieces in mix):
        return " ".join(f"{scent}={pieces}" for scent, pieces in mix)
    return mix[0][0]


CODE = code()
FLAG: Kind[bool] = Kind(
    allowed="TRUE or FALSE", read=lambda found: one_of("TRUE", "FALSE").read(found) == "TRUE", form="flag",
    choices=("TRUE", "FALSE"),
)  # fmt: skip
DAY: Kind[date] = Kind(allowed="a day written as 2026-03-05 (year-month-day)", read=_day, form="day")
CLOCK_TIME: Kind[time] = Kind(allowed="a time of day such as 08:00 or 17:30", read=_clock_time, form="time")
WEEKDAY: Kind[int] = Kind(
    allowed=" or ".join(WEEKDAYS), read=_weekday, write=lambda number: WEEKDAYS[number], choices=WEEKDAYS
)
COUNTRY: Kind[str] = Kind(
    allowed="a country as two capital letters, such as US, GB or DE (ISO 3166-1)",
    read=lambda found: _matching(re.compile("[A-Z]{2}"), found),
)
EMAIL: Kind[str] = Kind(
    allowed="an e-mail address such as buyer@shop.example",
    read=lambda found: _matching(_EMAIL, text(254).read(found)).lower(),
)
GTIN: Kind[str] = Kind(allowed="a GTIN of 8, 12, 13 or 14 digits with its right check digit", read=check_gtin)
SHARE = share()
LOSS = share(most="0.99")
YIELD = share(least="0.01")
RISK = share(least="0.000001", most="0.999999")
PERCENT = replace(number(most="100", places=3), percent="percent")
MONEY = number(places=4)
#: Money of an invoice: the smallest coin of any currency has at most three decimals.
AMOUNT = number(most="1000000000", places=3)
GRAMS = number(places=3)
HEAT = number(most="1000", places=1)
HANDS: Kind[dict[str, int | None]] = Kind(
    allowed=f"minutes by group of hands, such as 'bench=360' or 'bench=360 helper={UNCOUNTED}'", read=_hands,
    write=_written_hands,
)  # fmt: skip
#: Pieces of each scent in a case; one scent alone (or none) fills the case and is read as 0 pieces.
MIX: Kind[tuple[tuple[str, int], ...]] = Kind(
    allowed="one scent for the whole case, such as RG, or pieces of each in one case, such as 'RG=2 CF=2 WS=2'",
    read=_mix, write=_written_mix,
)  # fmt: skip
DAY_KIND: Kind[DayKind] = Kind(
    allowed=one_of(*DayKind).allowed, read=lambda found: DayKind(one_of(*DayKind).read(found)), choices=tuple(DayKind)
)
MADE_KIND: Kind[ItemKind] = Kind(
    allowed="part or product (what is bought stands in materials.csv)",
    read=lambda found: ItemKind(one_of(ItemKind.PART, ItemKind.PRODUCT).read(found)),
    choices=(ItemKind.PART, ItemKind.PRODUCT),
)
UNIT: Kind[Unit] = Kind(
    allowed=one_of(*Unit).allowed, read=lambda found: Unit(one_of(*Unit).read(found)), choices=tuple(Unit)
)
BASIS: Kind[Basis] = Kind(
    allowed=one_of(*Basis).allowed, read=lambda found: Basis(one_of(*Basis).read(found)), choices=tuple(Basis)
)
