"""The order of work of one equipment and day: faint before strong, pale before dark. Common practice, no source."""

from dataclasses import replace
from datetime import date

from tests import mossgate
from wholesale.core.catalogue import Catalogue, Recipe, Sku
from wholesale.core.production.families import in_family_order
from wholesale.core.production.work import Load, Portion, Work

MON, TUE = date(2026, 3, 2), date(2026, 3, 3)


def pour(item: str, scent: str, day: date = MON, key: str = "A") -> Load:
    """A pour of one candle in pot A."""
    return Load(work=Work("POT-A", Sku("BASE", scent)), day=day, portions=(Portion(key, Sku(item, scent), "pour", 6),))


def in_groups(**groups: str) -> Catalogue:
    """Mossgate's goods, each product's pour in a group of colour."""
    goods = mossgate.catalogue()
    items = dict(goods.items)
    for code, group in groups.items():
        recipe = items[code].recipe or Recipe()
        steps = (replace(recipe.operations[0], group=group), *recipe.operations[1:])
        items[code] = replace(items[code], recipe=replace(recipe, operations=steps))
    return replace(goods, items=items)


def test_faint_scents_come_before_strong_ones() -> None:
    """Rain garden (1), cedar frame (2), wet stone (3), whatever order they were planned in."""
    loads = [pour("SUC", scent) for scent in ("WS", "RG", "CF")]

    assert [load.work.what.scent for load in in_family_order(loads, mossgate.catalogue())] == ["RG", "CF", "WS"]


def test_within_a_scent_pale_comes_before_dark() -> None:
    """Groups go by name; the scent comes first, so that a pot is washed out once for each scent."""
    goods = in_groups(SUC="2 dark", PEB="1 pale")
    loads = [pour("SUC", "CF"), pour("SUC", "RG"), pour("PEB", "CF"), pour("PEB", "RG")]
    order = [load.portions[0].sku for load in in_family_order(loads, goods)]

    assert order == [Sku("PEB", "RG"), Sku("SUC", "RG"), Sku("PEB", "CF"), Sku("SUC", "CF")]


def test_each_day_has_an_order_of_its_own_and_nothing_is_lost() -> None:
    """Tuesday's faint pour stays on Tuesday, after Monday's strong one; what is alike keeps its order."""
    loads = [pour("SUC", "RG", TUE), pour("SUC", "WS"), pour("SUC", "WS", key="B")]

    assert in_family_order(loads, mossgate.catalogue()) == (loads[1], loads[2], loads[0])
