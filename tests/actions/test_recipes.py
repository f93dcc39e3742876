"""Writing recipes: dated versions, what is refused, what open batches and the plan keep. 5 March 2026, Mossgate."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal as D
from typing import Any

import pytest

from accounts.models import Shop, User
from tests import builders
from wholesale import clock
from wholesale.actions import production, recipes
from wholesale.core.catalogue import Basis, Operation, Recipe, RecipeLine
from wholesale.core.production.check import check
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.models import Item, Load, LoadPortion, PlanState
from wholesale.models import Recipe as RecipeRow
from wholesale.queries import bench_queue, catalogue
from wholesale.queries.what_if import situation

TODAY = date(2026, 3, 5)


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows()


def current(item: str, on: date = TODAY) -> Recipe:
    """The recipe valid on a day."""
    return catalogue.catalogue(on).recipe(item)


def save(item: str, recipe: Recipe, **also: Any) -> int:
    """Save as the maker, from the newest version there is, valid from today."""
    newest = RecipeRow.objects.filter(item__code=item).order_by("version").last()
    known: dict[str, Any] = {
        "by": builders.maker(), "item": item, "base": newest.version if newest else 0, "lines": recipe.lines,
        "operations": recipe.operations, "valid_from": TODAY, "because": "Trying something",
    }  # fmt: skip
    return recipes.save(**known | also)


def fuller(grams: int = 155) -> Recipe:
    """Succulent cups with so much base."""
    recipe = current("SUC")
    return replace(recipe, lines=(replace(recipe.lines[0], quantity=D(grams)), *recipe.lines[1:]))


def one_order() -> Load:
    """12 cups in rain garden; the load that pours them, today."""
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    return Load.objects.filter(portions__order_scent__line__order=order, portions__operation="pour").distinct()[0]


def test_a_saved_recipe_is_a_new_version_with_its_day_its_writer_and_its_reason() -> None:
    assert save("SUC", fuller()) == 2

    row = RecipeRow.objects.get(item__code="SUC", version=2)
    assert (row.valid_from, row.written_by, row.because) == (TODAY, builders.maker(), "Trying something")
    assert current("SUC").lines[0].quantity == 155
    assert replace(current("SUC"), version=1) == replace(fuller(), version=1)


def test_an_old_version_never_changes() -> None:
    before = current("SUC")
    save("SUC", fuller())

    assert current("SUC", date(2026, 3, 4)) == before


def test_a_version_rules_from_its_own_day() -> None:
    save("SUC", fuller(), valid_from=date(2026, 4, 1))

    assert current("SUC", date(2026, 3, 31)).lines[0].quantity == 150
    assert current("SUC", date(2026, 4, 1)).lines[0].quantity == 155


def test_the_same_form_sent_twice_saves_once() -> None:
    """The second tap still names version 1 as its base; what it asks for is in force."""
    assert [save("SUC", fuller(), base=1), save("SUC", fuller(), base=1)] == [2, 2]
    assert RecipeRow.objects.filter(item__code="SUC").count() == 2


def test_a_recipe_changed_meanwhile_is_a_conflict_that_says_by_whom_and_why() -> None:
    save("SUC", fuller(), because="Fuller cups")

    with pytest.raises(
        Conflict, match=r"Version 2 was saved meanwhile by .*Ada.*Fuller cups.*valid from Thu 5 Mar"
    ) as refused:
        save("SUC", fuller(145), base=1)
    assert refused.value.facts["version"] == 2
    assert RecipeRow.objects.filter(item__code="SUC").count() == 2


def test_the_plan_s_version_grows_so_that_the_order_sheet_is_worked_out_anew() -> None:
    one_order()
    before = PlanState.objects.get().version
    save("SUC", fuller())

    state = PlanState.objects.get()
    assert (state.version, state.because) == (before + 1, "recipe of SUC, version 2")


def test_quantities_are_kept_to_what_the_table_holds() -> None:
    """A third: 0.3333333 is kept as 0.333333, and the shares still make a whole."""
    third = [RecipeLine(component=c, basis=Basis.SHARE, quantity=D("0.3333333")) for c in ("SOY", "WHIPWAX", "CASTWAX")]
    save("MOSS", Recipe(lines=tuple(third)))

    assert [line.quantity for line in current("MOSS").lines] == [D("0.333333")] * 3


def test_a_first_recipe_is_version_one() -> None:
    Item.objects.create(code="LEAF", name="Leaf", kind="part", unit="piece")
    cast = Operation(code="cast", name="Cast leaves", equipment="TRAY-R", melt="CASTING", hands="bench", nights_min=1)
    line = RecipeLine(component="CASTING", basis=Basis.PER_PIECE, quantity=D(4), step="cast")

    assert save("LEAF", Recipe(lines=(line,), operations=(cast,))) == 1


# ── refused ──────────────────────────────────────────────────────────────────────


def _step(at: int, **fields: Any) -> Recipe:
    recipe = current("SUC")
    steps = tuple(replace(s, **fields) if i == at else s for i, s in enumerate(recipe.operations))
    return replace(recipe, operations=steps)


def _line(at: int, **fields: Any) -> Recipe:
    recipe = current("SUC")
    lines = tuple(replace(row, **fields) if i == at else row for i, row in enumerate(recipe.lines))
    return replace(recipe, lines=lines)


@pytest.mark.parametrize(
    ("made", "also", "field", "says"),
    [
        (lambda: _line(0, component="TALLOW"), {}, "lines-0-component", "no item 'TALLOW'"),
        (lambda: _line(0, quantity=D(4000)), {}, "steps-0-equipment", "more than a load of Pot A holds"),
        (lambda: _line(0, quantity=D("0.0000001")), {}, "lines-0-quantity", "above 0"),
        (lambda: _line(0, quantity=D("NaN")), {}, "lines-0-quantity", "above 0"),
        (lambda: _step(0, equipment="POT-C"), {}, "steps-0-equipment", "no equipment 'POT-C'"),
        (lambda: _step(0, days_max=0), {}, "steps-0-days_max", "as long as the shortest"),
        (lambda: _step(1, hands="banch"), {}, "steps-1-hands", "counts no minutes of 'banch'"),
        (lambda: _step(1, nights_min=-1), {}, "steps-1-nights_min", "from 0"),
        (lambda: _step(1, name="x" * 81), {}, "steps-1-name", "at most 80 letters"),
        (fuller, {"because": " "}, "because", "why the recipe changes"),
        (fuller, {"because": "x" * 201}, "because", "at most 200 letters"),
        (fuller, {"valid_from": date(2026, 3, 4)}, "valid_from", "4 March 2026 is past"),
    ],
)  # fmt: skip
def test_what_cannot_be_followed_is_refused_and_nothing_is_written(
    made: Any, also: dict[str, Any], field: str, says: str
) -> None:
    with pytest.raises(Refusal) as refused:
        save("SUC", made(), **also)

    assert says in refused.value.message
    assert refused.value.field == field
    assert RecipeRow.objects.filter(item__code="SUC").count() == 1


def test_a_recipe_that_eats_itself_is_refused_with_its_chain() -> None:
    line = RecipeLine(component="SUC", basis=Basis.PER_PIECE, quantity=D(1), step="cast")
    recipe = current("ROSETTE")

    with pytest.raises(Refusal, match="Succulent cup → Rosette → Succulent cup"):
        save("ROSETTE", replace(recipe, lines=(*recipe.lines, line)))


def test_a_load_above_a_hard_limit_is_refused_and_above_a_soft_one_only_told() -> None:
    """The soy takes 10 % of oil (demo folder): 12 % is saved with a warning, and refused once the wax is marked."""
    base = current("BASE")
    strong = replace(base, lines=(base.lines[0], replace(base.lines[1], quantity=D("0.12"))))
    assert save("BASE", strong) == 2

    Item.objects.filter(code="SOY").update(limits_refuse=True)
    stronger = replace(base, lines=(base.lines[0], replace(base.lines[1], quantity=D("0.13"))))
    with pytest.raises(Refusal, match=r"13\s% of Soy wax.*allows 10\s%.*marked hard"):
        save("BASE", stronger)


def test_a_step_that_open_loads_are_planned_for_can_t_be_taken_out() -> None:
    """12 cups go into one bowl of moss, which holds 12."""
    one_order()
    recipe = current("SUC")
    without = replace(recipe, lines=recipe.lines[:1], operations=(recipe.operations[0], recipe.operations[2]))

    with pytest.raises(Refusal, match="1 open load is at the step Pipe moss") as refused:
        save("SUC", without)
    assert refused.value.facts["steps"] == ["pipe"]


def test_a_step_is_taken_out_on_the_day_itself_only() -> None:
    """Orders placed before 1 April would be planned with it."""
    recipe = current("SUC")
    without = replace(recipe, lines=recipe.lines[:1], operations=(recipe.operations[0],))

    with pytest.raises(Refusal, match="Give today") as refused:
        save("SUC", without, valid_from=date(2026, 4, 1))
    assert refused.value.field == "valid_from"


def test_what_nobody_makes_any_more_may_lose_a_step() -> None:
    recipe = current("SUC")

    assert save("SUC", replace(recipe, lines=recipe.lines[:1], operations=(recipe.operations[0],))) == 2


@pytest.mark.parametrize("who", [builders.helper, builders.stranger])
def test_only_the_maker_writes(who: Any) -> None:
    by: User = who()

    with pytest.raises(NotAllowed):
        save("SUC", fuller(), by=by)
    with pytest.raises(NotAllowed):
        recipes.set_cautions(by=by, item="SUC", cautions="", limits_refuse=False)


def test_what_is_bought_or_unknown_has_no_recipe() -> None:
    with pytest.raises(Refusal, match="Soy wax is bought"):
        save("SOY", current("BASE"))
    with pytest.raises(NotFound):
        save("TALLOW", current("BASE"))


# ── what keeps what ──────────────────────────────────────────────────────────────


def test_a_batch_that_is_begun_keeps_the_version_it_began_with() -> None:
    """155 g are valid from today; the batch weighed before that is still of 150 g, whatever else it is of."""
    load = one_order()
    Load.objects.filter(pk=load.pk).update(weighed_at=clock.now(), number="B-1001", recipes={"SUC": 1, "BASE": 1})
    save("SUC", fuller())

    goods = catalogue.catalogue(TODAY)
    load.refresh_from_db()
    begun = catalogue.as_begun(goods, [load.recipes])(load.recipes)
    assert (begun.recipe("SUC").lines[0].quantity, goods.recipe("SUC").lines[0].quantity) == (150, 155)


def test_loads_not_begun_follow_the_version_valid_on_their_day() -> None:
    """12 × 155 = 1,860 ÷ 0.97 = 1,917.526 g instead of 1,855.670."""
    from wholesale.queries import load_page

    load = one_order()
    save("SUC", fuller())

    (melt,) = load_page.load_page(load.pk).load.melts
    assert melt.gross_g == D("1917.526")


def with_a_look() -> Recipe:
    """Cups that are looked over after piping."""
    recipe = current("SUC")
    look = Operation(code="look", name="Look over", hands="bench", minutes_per_piece=D(1))
    return replace(recipe, operations=(*recipe.operations[:2], look, recipe.operations[2]))


def planned() -> set[str]:
    """The steps that loads have for the order."""
    found = LoadPortion.objects.filter(order_scent__line__order__number="W-1001")
    return set(found.values_list("operation", flat=True))


def test_a_step_more_is_planned_at_once() -> None:
    """The 12 pieces of an order get the step that they lack."""
    one_order()
    save("SUC", with_a_look())

    assert bench_queue.queue().mend_because == ""
    assert planned() == {"cast", "pour", "pipe", "look", "finish"}


def test_a_step_more_from_tomorrow_on_is_asked_for_by_the_queue_then_and_planned_again() -> None:
    one_order()
    save("SUC", with_a_look(), valid_from=TODAY + timedelta(days=1))
    assert bench_queue.queue().mend_because == ""
    assert "look" not in planned()

    with clock.at(f"{TODAY + timedelta(days=1)}T08:00"):
        assert "12 pieces are in no load" in bench_queue.queue().mend_because
        production.plan_again(by=builders.maker())
        assert bench_queue.queue().mend_because == ""
    assert "look" in planned()


def test_loads_of_a_step_that_moves_to_another_bowl_are_planned_there() -> None:
    """Piping moves to pot B: no load stays in the bowl, and the check finds nothing impossible."""
    one_order()
    recipe = current("SUC")
    moved = [replace(step, equipment="POT-B") if step.code == "pipe" else step for step in recipe.operations]
    save("SUC", replace(recipe, operations=tuple(moved)))

    where = LoadPortion.objects.filter(operation="pipe").values_list("load__equipment__code", flat=True)
    assert set(where) == {"POT-B"}
    now = situation()
    assert check(now.shop, now.plan, now.demands, now.stock) == ()
