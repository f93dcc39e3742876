"""A bench of four levels: materials → a hard blend → whip and rosettes → trimmed rosettes → cups and jars.

Invented, common practice, no source: the blend is cast in blocks that set overnight,
whip is made the day before it is piped, rosettes are trimmed before they are used.
"""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal as D
from fractions import Fraction

from hypothesis import strategies as st

from tests import mossgate, strategies
from tests.strategies import MONDAY, Case
from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Operation, Recipe, RecipeLine, Sku, Unit
from wholesale.core.production.plan import Shop
from wholesale.core.stock import OnHand

HARD, WHIP, ROSETTE, PEBBLE = Sku("HARD"), Sku("WHIP"), Sku("ROSETTE"), Sku("PEBBLE")
PARTS = (HARD, WHIP, ROSETTE, PEBBLE)


def _line(component: str, basis: Basis, quantity: str, step: str = "") -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity), step=step)


def _in_grams(code: str, *lines: RecipeLine, steps: tuple[Operation, ...]) -> Item:
    return Item(
        code=code, name=code.title(), kind=ItemKind.PART, unit=Unit.GRAM, loss=D("0.03"),
        recipe=Recipe(lines=lines, operations=steps),
    )  # fmt: skip


def _of_hard(item: Item, trim_yield: str = "1") -> Item:
    """A cast part that is trimmed after it was cast."""
    assert item.recipe
    trim = Operation(
        code="trim", name="Trim", hands="bench", minutes_per_piece=D("0.2"), yield_share=D(trim_yield), nights_min=0
    )
    return replace(item, recipe=replace(item.recipe, operations=(*item.recipe.operations, trim)))


def catalogue(known: Catalogue | None = None, *, trim_yield: str = "1") -> Catalogue:
    """Mossgate's goods with the blend, the whip and the trimming."""
    goods = known or mossgate.catalogue()
    blend = Operation(
        code="blend", name="Blend", equipment="POT-B", hands="bench", minutes_per_load=D(10), nights_min=1
    )
    melt = Operation(code="melt", name="Melt", equipment="POT-B", hands="bench", minutes_per_load=D(5))
    whip = Operation(code="whip", name="Whip", equipment="BOWL", hands="bench", nights_min=1, days_max=3)
    cup = goods.items["SUC"]
    assert cup.recipe
    pour, pipe, finish = cup.recipe.operations
    lines = [line for line in cup.recipe.lines if line.component != "MOSS"]
    items = {
        **goods.items,
        "HARD": _in_grams("HARD", _line("SOY", Basis.SHARE, "0.5"), _line("CASTWAX", Basis.SHARE, "0.5"),
                          steps=(blend,)),
        "WHIP": _in_grams("WHIP", _line("HARD", Basis.SHARE, "0.6"), _line("WHIPWAX", Basis.SHARE, "0.4"),
                          steps=(melt, whip)),
        "CASTING": replace(goods.items["CASTING"], recipe=Recipe(lines=(_line("HARD", Basis.SHARE, "1"),))),
        "ROSETTE": _of_hard(goods.items["ROSETTE"], trim_yield),
        "PEBBLE": _of_hard(goods.items["PEBBLE"]),
        "SUC": replace(cup, recipe=replace(
            cup.recipe, lines=(*lines, _line("WHIP", Basis.PER_PIECE, "40", "pipe")),
            operations=(pour, replace(pipe, melt="", equipment=""), finish))),
    }  # fmt: skip
    return replace(goods, items=items)


def shop(trim_yield: str = "1") -> Shop:
    """Mossgate's bench with four levels."""
    return replace(mossgate.shop(), catalogue=catalogue(trim_yield=trim_yield))


# ── examples for the laws ────────────────────────────────────────────────────

_STEP_YIELDS = st.sampled_from([D(1), D(1), D("0.97"), D("0.9"), D("0.6")])


def _losing(draw: st.DrawFn, item: Item) -> Item:
    if item.recipe is None:
        return item
    steps = tuple(replace(step, yield_share=draw(_STEP_YIELDS)) for step in item.recipe.operations)
    return replace(item, recipe=replace(item.recipe, operations=steps))


@st.composite
def catalogues(draw: st.DrawFn) -> Catalogue:
    """Four levels or Mossgate's three, with yields on any step, on other equipment with other waits."""
    known = draw(strategies.catalogues())
    roomy = {
        code: replace(e, load_pieces=e.load_pieces and max(5, e.load_pieces)) for code, e in known.equipment.items()
    }
    known = replace(known, equipment=roomy)
    goods = catalogue(known) if draw(st.booleans()) else known
    return replace(goods, items={code: _losing(draw, item) for code, item in goods.items.items()})


@st.composite
def on_hand(draw: st.DrawFn) -> tuple[OnHand, ...]:
    """Some of each part, pieces or grams, and finished pieces."""
    skus = [*PARTS, Sku("SUC", "RG"), Sku("PEB", "RG")]
    lots = st.builds(
        lambda sku, days, quantity: OnHand(sku=sku, usable_on=MONDAY + timedelta(days=days),
                                           quantity=Fraction(quantity * (20 if sku in {HARD, WHIP} else 1))),
        st.sampled_from(skus), st.integers(-5, 12), st.integers(1, 30),
    )  # fmt: skip
    return tuple(draw(st.lists(lots, max_size=4)))


def _shops() -> st.SearchStrategy[Shop]:
    return st.builds(Shop, catalogue=catalogues(), calendar=strategies.calendars(least=4), horizon_days=st.just(45))


def cases(most_orders: int = 2) -> st.SearchStrategy[Case]:
    """Orders on a bench with several levels and yields by step."""
    return st.builds(Case, shop=_shops(), stock=on_hand(), orders=strategies.orders(most_orders, 12))


def histories() -> st.SearchStrategy[Case]:
    """The same, with what became of the first days' loads."""
    return st.builds(
        Case, shop=_shops(), stock=on_hand(), orders=strategies.orders(2, 8),
        fates=st.lists(st.integers(0, 7), min_size=1, max_size=8).map(tuple), days_gone=st.integers(1, 8),
        cut=st.sampled_from(["", "day", "quota", "minutes"]),
    )  # fmt: skip


def for_the_shelf() -> st.SearchStrategy[Case]:
    """One or two orders on Mossgate's bench, with finished pieces on hand."""
    return st.builds(
        Case, shop=st.builds(Shop, catalogue=strategies.catalogues(), calendar=strategies.calendars(least=4),
                             horizon_days=st.just(45)),
        stock=strategies.on_hand(), orders=strategies.orders(2, 12),
    )  # fmt: skip
