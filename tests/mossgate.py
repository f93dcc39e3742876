"""Mossgate Bench as core values: the invented workshop of the acceptance scenarios.

The same figures as the demo folder; `tests/acceptance` holds the two together.
Common practice, no source: fills, loads and quotas are an invented but usual bench.
"""

from collections.abc import Iterable
from datetime import date, time
from decimal import Decimal as D

from wholesale.core.catalogue import (
    Basis,
    Catalogue,
    Equipment,
    Item,
    ItemKind,
    Operation,
    Recipe,
    RecipeLine,
    Scent,
    Sku,
    Unit,
)
from wholesale.core.pricing import Terms, Tier, terms_of
from wholesale.core.production.calendar import Calendar, Day, DayKind
from wholesale.core.production.plan import Shop
from wholesale.core.production.work import Demand
from wholesale.core.workshop import read_workshop

LOSS = D("0.03")


def _line(component: str | None, basis: Basis, quantity: str, step: str = "", carrier: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), step=step, carrier=carrier)


def _material(code: str, name: str) -> Item:
    return Item(code=code, name=name, kind=ItemKind.MATERIAL, unit=Unit.GRAM)


def _melt(code: str, name: str, *lines: RecipeLine, scented: bool = False) -> Item:
    recipe = Recipe(lines=lines)
    return Item(
        code=code,
        name=name,
        kind=ItemKind.PART,
        unit=Unit.GRAM,
        scented=scented,
        loss=LOSS,
        recipe=recipe,
    )


def _cast(code: str, name: str, grams: str, tray: str, yield_share: str) -> Item:
    cast = Operation(
        code="cast", name=f"Cast {name.lower()}s", equipment=tray, melt="CASTING", hands="bench",
        minutes_per_piece=D("0.5"), nights_min=1,
    )  # fmt: skip
    recipe = Recipe(lines=(_line("CASTING", Basis.PER_PIECE, grams, "cast"),), operations=(cast,))
    return Item(code=code, name=name, kind=ItemKind.PART, yield_share=D(yield_share), recipe=recipe)


def _pour() -> Operation:
    return Operation(
        code="pour", name="Pour base", equipment="POT-A", melt="BASE", hands="bench",
        minutes_per_piece=D(3), nights_min=1, days_max=7,
    )  # fmt: skip


def _top(code: str, name: str, equipment: str, melt: str) -> Operation:
    return Operation(
        code=code, name=name, equipment=equipment, melt=melt, hands="bench",
        minutes_per_piece=D("2.5"), nights_min=1, cure_days=10,
    )  # fmt: skip


_FINISH = Operation(code="finish", name="Finish", hands="bench", minutes_per_piece=D(3))


def _product(code: str, name: str, pack: int, top: Operation, *lines: RecipeLine) -> Item:
    recipe = Recipe(lines=lines, operations=(_pour(), top, _FINISH))
    return Item(
        code=code, name=name, kind=ItemKind.PRODUCT, scented=True, case_pack=pack,
        mix_scents=3, mix_least=2, recipe=recipe,
    )  # fmt: skip


def catalogue(pebble_trays: int = 2) -> Catalogue:
    """Mossgate's items, scents and equipment."""
    piece = Basis.PER_PIECE
    items = [
        _material("SOY", "Soy wax"), _material("WHIPWAX", "Whipping wax"), _material("CASTWAX", "Casting wax"),
        _material("OIL-RG", "Rain garden oil"), _material("OIL-CF", "Cedar frame oil"),
        _material("OIL-WS", "Wet stone oil"),
        _melt(
            "BASE", "Base melt", _line("SOY", Basis.SHARE, "1"),
            _line(None, Basis.LOAD_ON_CARRIER, "0.08", "", "SOY"), scented=True,
        ),
        _melt("MOSS", "Moss whip", _line("WHIPWAX", Basis.SHARE, "1")),
        _melt("FERN", "Fern whip", _line("WHIPWAX", Basis.SHARE, "1")),
        _melt("SEAL", "Seal melt", _line("WHIPWAX", Basis.SHARE, "1")),
        _melt("CASTING", "Casting melt", _line("CASTWAX", Basis.SHARE, "1")),
        _cast("ROSETTE", "Rosette", "15", "TRAY-R", "0.92"),
        _cast("PEBBLE", "Pebble", "6", "TRAY-P", "0.95"),
        _product("SUC", "Succulent cup", 6, _top("pipe", "Pipe moss", "BOWL", "MOSS"),
                 _line("BASE", piece, "150", "pour"), _line("MOSS", piece, "40", "pipe"),
                 _line("ROSETTE", piece, "1", "pipe")),
        _product("PEB", "Pebble jar", 6, _top("seal", "Place and seal", "POT-B", "SEAL"),
                 _line("BASE", piece, "180", "pour"), _line("SEAL", piece, "20", "seal"),
                 _line("PEBBLE", piece, "5", "seal")),
        _product("FRN", "Fern tin", 12, _top("pipe", "Pipe fern", "BOWL", "FERN"),
                 _line("BASE", piece, "140", "pour"), _line("FERN", piece, "30", "pipe")),
    ]  # fmt: skip
    scents = [
        Scent(code="RG", name="Rain garden", oil="OIL-RG", rank=1),
        Scent(code="CF", name="Cedar frame", oil="OIL-CF", rank=2),
        Scent(code="WS", name="Wet stone", oil="OIL-WS", rank=3),
    ]
    equipment = [
        Equipment(code="POT-A", name="Pot A", kind="pot", load_g=D(4000), loads_per_day=2),
        Equipment(code="POT-B", name="Pot B", kind="pot", load_g=D(1000), loads_per_day=3),
        Equipment(code="BOWL", name="Whip bowl", kind="bowl", load_g=D(500), load_pieces=12, loads_per_day=4,
                  window_minutes=35),
        Equipment(code="TRAY-R", name="Rosette tray", kind="tray", load_pieces=12, loads_per_day=3, hold_minutes=45),
        Equipment(code="TRAY-P", name="Pebble trays", kind="tray", count=pebble_trays, load_pieces=20, loads_per_day=3,
                  hold_minutes=45),
    ]  # fmt: skip
    return Catalogue(
        items={i.code: i for i in items},
        scents={s.code: s for s in scents},
        equipment={e.code: e for e in equipment},
    )


def calendar() -> Calendar:
    """Monday to Friday work 08:00-17:00 with 360 minutes in all; Saturday market; Sunday closed."""
    work = Day(kind=DayKind.WORK, opens=time(8), closes=time(17), minutes={"bench": 360})
    market, closed = Day(kind=DayKind.MARKET), Day(kind=DayKind.CLOSED)
    return Calendar(week={**dict.fromkeys(range(5), work), 5: market, 6: closed})


def shop(pebble_trays: int = 2) -> Shop:
    """What the planner stands on."""
    return Shop(catalogue=catalogue(pebble_trays), calendar=calendar(), horizon_days=400)


def terms(**other: str) -> Terms:
    """Mossgate's terms: the defaults, with the three tiers, and ``other`` settings where a test wants rivals."""
    tiers = (Tier(from_amount=D(500), percent=D(5)), Tier(from_amount=D(1000), percent=D(10)))
    return terms_of(read_workshop(other), tiers)


def demand(item: str, pieces: int, scent: str = "RG", key: str = "A", **other: int | date) -> Demand:
    """Pieces of one sku for one peg."""
    return Demand(key=key, sku=Sku(item, scent), pieces=pieces, **other)  # type: ignore[arg-type]


def keys(demands: Iterable[Demand]) -> list[str]:
    """The pegs of some demands."""
    return [d.key for d in demands]
