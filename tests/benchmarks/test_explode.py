"""How long 10,000 order lines take through a recipe of four levels, and ten times as many."""

import statistics
import time
from decimal import Decimal as D

import pytest

from wholesale.core.catalogue import Basis, Catalogue, Item, ItemKind, Recipe, RecipeLine, Scent, Sku, Unit
from wholesale.core.production.explode import Need, explode, net, why
from wholesale.core.production.work import Demand

ROUNDS = 9
LINES = 10_000
MATERIALS = ("SOY", "HARDWAX", "STEARIN", "UV", "DYE", "OIL-RG", "JAR", "WICK", "LABEL", "WHIPWAX")


def _line(component: str | None, basis: Basis, quantity: str) -> RecipeLine:
    return RecipeLine(component=component, basis=basis, quantity=D(quantity))


def _made(code: str, *lines: RecipeLine, unit: Unit = Unit.GRAM, **other: object) -> Item:
    return Item(code=code, name=code, kind=ItemKind.PART, unit=unit, recipe=Recipe(lines=lines), **other)  # type: ignore[arg-type]


def goods() -> Catalogue:
    """Cups of base, whip and rosettes, of a blend, of materials: four levels, 15 lines in all."""
    share, piece, load = Basis.SHARE, Basis.PER_PIECE, Basis.LOAD_ON_CARRIER
    pieces = {"JAR", "WICK", "LABEL"}
    items = [
        *(Item(code=code, name=code, kind=ItemKind.MATERIAL, unit=Unit.PIECE if code in pieces else Unit.GRAM)
          for code in MATERIALS),
        _made("BLEND", _line("HARDWAX", share, "0.9"), _line("STEARIN", share, "0.1"), _line("UV", load, "0.015"),
              loss=D("0.02")),
        _made("BASE", _line("SOY", share, "0.85"), _line("BLEND", share, "0.15"), _line(None, load, "0.08"),
              _line("DYE", load, "0.001"), scented=True, loss=D("0.03")),
        _made("WHIP", _line("WHIPWAX", share, "0.7"), _line("BLEND", share, "0.3"), loss=D("0.03")),
        _made("ROSETTE", _line("BLEND", piece, "15"), unit=Unit.PIECE, yield_share=D("0.92")),
        Item(code="CUP", name="Cup", kind=ItemKind.PRODUCT, scented=True, case_pack=6, recipe=Recipe(lines=(
            _line("BASE", piece, "150"), _line("WHIP", piece, "40"), _line("ROSETTE", piece, "1"),
            _line("JAR", piece, "1"), _line("WICK", piece, "1")))),
    ]  # fmt: skip
    scent = Scent(code="RG", name="Rain garden", oil="OIL-RG")
    return Catalogue(items={item.code: item for item in items}, scents={"RG": scent})


def _demands(count: int) -> list[Demand]:
    """One to ten cases of six for each of so many order lines."""
    return [Demand(key=str(n), sku=Sku("CUP", "RG"), pieces=6 * (1 + n * 7 % 10)) for n in range(count)]


def _exploded(catalogue: Catalogue, demands: list[Demand], stock: dict[Sku, int]) -> tuple[float, tuple[Need, ...]]:
    started = time.process_time()
    needs = explode(catalogue, demands, stock)
    net(needs, stock)
    return time.process_time() - started, needs


@pytest.mark.bench
def test_ten_thousand_order_lines_through_four_levels(capsys: pytest.CaptureFixture[str]) -> None:
    """Print the median for 10,000 lines exploded and netted, and the ratio for ten times as many."""
    catalogue = goods()
    assert sum(len(item.recipe.lines) for item in catalogue.items.values() if item.recipe) == 15
    stock = {Sku("ROSETTE"): 4_000, Sku("BLEND"): 9_000_000, Sku("WHIP"): 800_000}
    few, many = _demands(LINES), _demands(10 * LINES)
    took = [(_exploded(catalogue, few, stock)[0], _exploded(catalogue, many, stock)[0]) for _ in range(ROUNDS)]
    needs = explode(catalogue, few, stock)
    assert len({need.level for need in needs}) == 4
    assert all(sum(need.pegs.values()) == need.quantity for need in needs)
    started = time.process_time()
    rows = why(needs, Sku("HARDWAX"))
    traced = time.process_time() - started
    assert sum(row.quantity for row in rows) == next(n.quantity for n in needs if n.sku == Sku("HARDWAX"))

    first, second = (statistics.median(of) for of in zip(*took, strict=True))
    with capsys.disabled():
        print(  # noqa: T201
            f"\n{LINES} lines exploded and netted: median {first:.3f} s of processor time; ten times as many: "
            f"{second:.3f} s, "
            f"{second / first:.1f} times; one material traced back to {len(rows)} rows in {traced:.3f} s"
        )
