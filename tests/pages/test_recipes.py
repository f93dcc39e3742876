"""The recipe pages: the list, one recipe, the form without a script, the preview, who may do what."""

import html
import re
from typing import Any

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries

from accounts.models import Shop
from tests import builders
from wholesale import clock
from wholesale.models import Equipment, Item, Load, Recipe, RecipeLine, Setting, Substitute


@pytest.fixture(autouse=True)
def _workshop(db: None) -> None:
    builders.mossgate_rows()


@pytest.fixture
def maker(client: Client) -> Client:
    client.force_login(builders.maker())
    return client


def text(found: str) -> str:
    """Some markup as one line of text."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", found))).replace("\u00a0", " ")


def words(answer: Any) -> str:
    """What a page (or a fragment of one) says, as one line of text."""
    return text(answer.content.decode().split("<main", 1)[-1].split("</main>")[0])


def fields(answer: Any) -> dict[str, str]:
    """The form of a page, as a browser would send it."""
    page = answer.content.decode().split('<form id="recipe"', 1)[1].split("</form>")[0]
    typed: dict[str, str] = {}
    for tag in re.findall(r"<input[^>]*>", page):
        named = dict(re.findall(r'(\w[\w-]*)="([^"]*)"', tag))
        if named.get("name"):
            typed[named["name"]] = html.unescape(named.get("value", ""))
    for name, options in re.findall(r'<select name="([^"]+)"[^>]*>(.*?)</select>', page, re.DOTALL):
        chosen = re.findall(r'<option value="([^"]*)"\s+selected', options) or re.findall(r'value="([^"]*)"', options)
        typed[name] = html.unescape(chosen[0])
    for name, text in re.findall(r'<textarea name="([^"]+)"[^>]*>(.*?)</textarea>', page, re.DOTALL):
        typed[name] = html.unescape(text.removeprefix("\n"))
    return typed


def form_of(maker: Client, item: str) -> dict[str, str]:
    """The form of an item's recipe as it stands."""
    return fields(maker.get(f"/bench/recipes/{item}/edit/"))


def sent(maker: Client, item: str, typed: dict[str, str], do: str = "save", **changes: str) -> Any:
    """The form sent with a button."""
    return maker.post(f"/bench/recipes/{item}/edit/", {**typed, **changes, "do": do})


# ── looking ──────────────────────────────────────────────────────────────────────


def test_the_list_names_each_recipe_with_its_version_cost_and_marks(maker: Client) -> None:
    """A kilogram of base, without a cost for the oils; all at 24 an hour; the soy takes 6 % only."""
    Item.objects.update(unit_cost_e4=None)
    Item.objects.filter(code="SOY").update(unit_cost_e4=60_000, max_load="0.06")
    Setting.objects.update_or_create(name="hour_rate", defaults={"value": "24"})
    page = words(maker.get("/bench/recipes/"))

    assert page.index("Products") < page.index("Succulent cup") < page.index("Parts and melts") < page.index("Rosette")
    # 1,000 ÷ 0.97 ÷ 1.08 = 954.563 g × 6.00 a kilogram = 5.73
    assert "Base melt 1 from the start at least $5.73 a kilogram" in page
    assert "Limit passed Base melt: 8 % of Soy wax is fragrance and other loads" in page
    assert "No cost known: Rain garden oil, Cedar frame oil, Wet stone oil" in page


def test_the_costs_of_a_recipe_span_its_scents(maker: Client) -> None:
    """A kilogram takes 954.563 g wax at 6.00 = 5.727 and 76.365 g oil at 40, 50 or 60: 3.055, 3.818, 4.582."""
    for code, cost in (("SOY", 6), ("OIL-RG", 40), ("OIL-CF", 50), ("OIL-WS", 60)):
        Item.objects.filter(code=code).update(unit_cost_e4=cost * 10_000)

    assert "Base melt 1 from the start $8.78 to $10.31 a kilogram" in words(maker.get("/bench/recipes/"))


def test_a_recipe_shows_one_piece_one_case_and_one_full_load(maker: Client) -> None:
    """S2: 25 cups are a full pot: 3,579.61 g wax and 286.37 g oil (= 126.27 and 10.10 oz), in all 3,865.98 g."""
    page = words(maker.get("/bench/recipes/SUC/"))

    assert "One piece 1 pc One case 6 pc One full load of Pot A 25 pc" in page
    for part in ("3,865.98 g", "3,579.61 g", "126.27 oz", "286.37 g", "10.10 oz"):
        assert part in page
    assert "25 pc × 150 g = 3,750 g; ÷ (1 − 0.03) = 3,865.98 g" in page
    assert "0.08 × 3,579.61 g" in page
    # 3 + 2.5 + 3 + 0.5 ÷ 0.92 = 9.04
    assert "In all 9.04" in page


def test_another_scent_is_a_link_away(maker: Client) -> None:
    page = words(maker.get("/bench/recipes/SUC/?scent=WS"))

    assert "Base melt, Wet stone" in page
    assert "Wet stone oil" in page
    assert "Rain garden oil" not in page


def test_what_has_no_cost_is_named_on_the_page(maker: Client) -> None:
    Item.objects.update(unit_cost_e4=None)
    Item.objects.filter(code="SOY").update(unit_cost_e4=60_000)
    page = words(maker.get("/bench/recipes/SUC/"))

    assert "So far" in page
    assert "No cost known Rain garden oil, Whipping wax, Casting wax: not counted in the sum." in page


def test_a_flash_point_stands_beside_the_heating_limit_as_no_limit(maker: Client) -> None:
    """Rain garden oil: flash point 74 °C, heating limit 80 °C (invented); wax of the base takes 10 %."""
    page = words(maker.get("/bench/recipes/SUC/"))

    assert "A flash point is a figure for fire class and transport, never a limit" in page
    assert "Rain garden oil – 80 °C 74 °C" in page
    assert "Soy wax 10 % 85 °C –" in page


def test_cautions_stand_where_the_hand_is_and_defer_to_local_code(maker: Client) -> None:
    page = words(maker.get("/bench/recipes/SUC/"))

    for part in ("Hot wax burns", "no pouring limit", "new burn system", "shaped like food"):
        assert part in page
    assert "Your local code and your insurer decide" in page


def test_limits_are_told_with_their_numbers_also_for_a_substitute(maker: Client) -> None:
    """The pour heats to 90 °C, the oils may have 80; the wax that stands in for soy takes 5 %."""
    steps = Recipe.objects.get(item__code="SUC").operations
    steps.filter(code="pour").update(heat_c=90)
    rape = Item.objects.create(code="RAPE", name="Rape wax", kind="material", unit="gram", max_load="0.05")
    Substitute.objects.create(item=Item.objects.get(code="SOY"), substitute=rape)
    page = words(maker.get("/bench/recipes/SUC/"))

    assert "Limits to look at Pour base heats to 90 °C; the supplier of Soy wax says 85 °C at most." in page
    assert "the supplier of Rain garden oil says 80 °C at most." in page
    assert "With Rape wax for Soy wax: Base melt: 8 % of Rape wax is fragrance" in page


@pytest.mark.parametrize("item", ["SOY", "NOTHING"])
def test_what_is_bought_or_unknown_has_no_recipe(maker: Client, item: str) -> None:
    assert maker.get(f"/bench/recipes/{item}/").status_code == 404


# ── the form ─────────────────────────────────────────────────────────────────────


def test_the_form_sent_as_it_is_changes_nothing(maker: Client) -> None:
    """Every field goes out and comes back the same, for every recipe there is."""
    for code in Recipe.objects.values_list("item__code", flat=True):
        answer = sent(maker, code, form_of(maker, code), because="Nothing new")
        assert answer.status_code == 302, words(answer)
    assert set(Recipe.objects.values_list("version", flat=True)) == {1}


def test_saving_writes_the_next_version_and_keeps_the_old_one(maker: Client) -> None:
    """150 g become 155: version 2, valid from today, by the maker, with its reason and what it changed."""
    typed = form_of(maker, "SUC")
    answer = sent(maker, "SUC", typed, **{"lines-0-quantity": "155", "because": "Fuller cups"})

    assert answer.status_code == 302
    assert list(RecipeLine.objects.filter(recipe__item__code="SUC", position=0).values_list("quantity", flat=True)) == [
        150,
        155,
    ]
    page = words(maker.get("/bench/recipes/SUC/"))
    assert "Version 2 is saved. Batches that are begun keep the version they began with." in page
    assert "Version 2 , in force from Thu 5 Mar, by Ada" in page
    assert "Fuller cups What it changed Base melt: 150 g a piece → 155 g a piece" in page
    assert "Version 1 , past" in page


def test_a_percentage_is_typed_as_the_bench_says_it(maker: Client) -> None:
    """8 for 8 % stands in the form; 9.5 is stored as 0.095."""
    typed = form_of(maker, "BASE")
    assert (typed["lines-0-quantity"], typed["lines-1-quantity"]) == ("100", "8")
    sent(maker, "BASE", typed, **{"lines-1-quantity": "9.5", "because": "Stronger"})

    assert str(RecipeLine.objects.get(recipe__version=2, position=1).quantity) == "0.095000"


def test_rows_are_added_filled_and_taken_out_without_a_script(maker: Client) -> None:
    """A label for the cup: one more line, filled in, saved; then taken out again."""
    Item.objects.create(code="LABEL", name="Label", kind="material", unit="piece")
    more = sent(maker, "SUC", form_of(maker, "SUC"), "lines-add")
    typed = fields(more)
    assert (typed["lines-TOTAL_FORMS"], more.status_code) == ("4", 200)
    assert "required" not in words(more)
    filled = {"lines-3-component": "LABEL", "lines-3-quantity": "1", "lines-3-step": "finish", "because": "Labels"}
    assert sent(maker, "SUC", typed, **filled).status_code == 302
    assert Recipe.objects.get(item__code="SUC", version=2).lines.count() == 4

    less = fields(sent(maker, "SUC", form_of(maker, "SUC"), "lines-3-out"))
    assert less["lines-TOTAL_FORMS"] == "3"
    assert sent(maker, "SUC", less, because="No labels").status_code == 302
    assert Recipe.objects.get(item__code="SUC", version=3).lines.count() == 3


def test_a_row_left_empty_is_no_row(maker: Client) -> None:
    typed = fields(sent(maker, "SUC", form_of(maker, "SUC"), "lines-add"))
    assert sent(maker, "SUC", typed, because="Nothing").status_code == 302
    assert Recipe.objects.filter(item__code="SUC").count() == 1


def test_a_new_step_names_itself_and_can_be_moved(maker: Client) -> None:
    """Inspect before finishing: added at the end, moved up by one, and a line may name it."""
    typed = fields(sent(maker, "SUC", form_of(maker, "SUC"), "steps-add"))
    moved = fields(sent(maker, "SUC", typed, "steps-3-up", **{"steps-3-name": "Look it over"}))
    assert [moved[f"steps-{at}-name"] for at in range(4)] == ["Pour base", "Pipe moss", "Look it over", "Finish"]
    assert sent(maker, "SUC", moved, **{"steps-2-minutes_min": "120", "because": "Rejects"}).status_code == 302

    steps = Recipe.objects.get(item__code="SUC", version=2).operations
    assert list(steps.values_list("code", "minutes_min"))[2] == ("look-it-over", 120)
    assert "then 2 hours" in words(maker.get("/bench/recipes/SUC/"))


def test_the_preview_works_out_what_is_typed_and_saves_nothing(maker: Client) -> None:
    """155 g: 4,000 × 0.97 ÷ 155 = 25.03, so 25 cups and 25 × 155 = 3,875 ÷ 0.97 = 3,994.85 g."""
    typed = form_of(maker, "SUC") | {"lines-0-quantity": "155"}
    answer = maker.post("/bench/recipes/SUC/preview/", typed)
    page = words(answer)

    assert answer.status_code == 200
    assert "<main" not in answer.content.decode()
    assert "What differs from version 1 Base melt: 150 g a piece → 155 g a piece" in page
    assert "3,994.85 g" in page
    assert Recipe.objects.filter(item__code="SUC").count() == 1


def test_the_preview_says_when_it_cannot_read_or_make_it(maker: Client) -> None:
    typed = form_of(maker, "SUC")

    unread = maker.post("/bench/recipes/SUC/preview/", typed | {"lines-0-quantity": "much"})
    assert "Mend what is marked" in words(unread)
    large = maker.post("/bench/recipes/SUC/preview/", typed | {"lines-0-quantity": "4000"})
    assert "more than a load of Pot A holds" in words(large)


@pytest.mark.parametrize(
    ("item", "changes", "says"),
    [
        ("SUC", {"lines-0-quantity": "much"}, "Give a number in figures"),
        ("SUC", {"lines-0-quantity": "4000"}, "more than a load of Pot A holds"),
        ("SUC", {"steps-0-days_max": "0"}, "at least 1 and at most 0 days"),
        ("SUC", {"because": ""}, "why the recipe changes"),
        ("SUC", {"valid_from": "2026-03-04"}, "4 March 2026 is past"),
        ("BASE", {"lines-0-quantity": "90"}, "shares of Base melt make 90 %"),
        ("BASE", {"lines-1-quantity": "100"}, "no room for what carries it"),
    ],
)
def test_a_recipe_that_can_t_be_followed_is_refused_and_keeps_what_was_typed(
    maker: Client, item: str, changes: dict[str, str], says: str
) -> None:
    typed = form_of(maker, item) | {"because": "Trying", "lines-1-quantity": "9"}
    answer = sent(maker, item, typed, **changes)

    assert answer.status_code == 422
    assert says in words(answer)
    kept = fields(answer)
    for name, text in ({"because": "Trying", "lines-1-quantity": "9"} | changes).items():
        assert kept[name] == text
    assert Recipe.objects.filter(item__code=item).count() == 1


def test_what_few_steps_need_waits_behind_and_opens_where_it_is_wrong(maker: Client) -> None:
    """The pour waits 7 days at most and has cautions: its summary says so, and a wrong wait opens it."""
    page = maker.get("/bench/recipes/SUC/edit/").content.decode()
    first, *_ = re.findall(r"<details.*?</details>", page.split('id="steps"')[1], re.DOTALL)

    assert '<details class="more">' in first
    assert "More about this step , step 1 Waits at most, days: 7; Take care" in text(first)
    assert set(re.findall(r'name="steps-0-(\w+)"', first)) == {
        "yield_percent", "minutes_min", "days_min", "days_max", "cure_days", "group", "cautions",
    }  # fmt: skip

    wrong = sent(maker, "SUC", form_of(maker, "SUC"), **{"steps-0-days_max": "0", "because": "Trying"})
    opened = re.findall(r"<details[^>]*more[^>]*>", wrong.content.decode().split('id="steps"')[1])
    assert opened[:2] == ['<details class="more" open>', '<details class="more">']


def test_a_line_whose_step_is_taken_out_asks_for_another_one(maker: Client) -> None:
    """Step 2 is piping; moss and rosette are used there."""
    taken_out = fields(sent(maker, "SUC", form_of(maker, "SUC"), do="steps-1-out"))
    answer = sent(maker, "SUC", taken_out | {"lines-1-step": "pipe"}, because="No topping")

    assert answer.status_code == 422
    assert "This step is not in the recipe any more. Choose one of its steps." in words(answer)


def test_a_recipe_changed_meanwhile_is_a_conflict_that_keeps_what_was_typed(maker: Client) -> None:
    """Two tabs on version 1: the second to save is told of version 2, and decides on top of it."""
    first, second = form_of(maker, "SUC"), form_of(maker, "SUC")
    sent(maker, "SUC", first, **{"lines-0-quantity": "155", "because": "Fuller cups"})
    answer = sent(maker, "SUC", second, **{"lines-1-quantity": "45", "because": "More moss"})

    page = words(answer)
    assert answer.status_code == 409
    assert "Version 2 was saved meanwhile by Ada" in page
    assert "Base melt: 155 g a piece → 150 g a piece" in page
    assert "Moss whip: 40 g a piece → 45 g a piece" in page
    kept = fields(answer)
    assert (kept["lines-1-quantity"], kept["because"], kept["base"]) == ("45", "More moss", "2")
    assert sent(maker, "SUC", kept).status_code == 302
    assert Recipe.objects.filter(item__code="SUC").count() == 3


def test_the_page_says_which_batches_keep_an_older_version(maker: Client) -> None:
    order = builders.place(Shop.objects.get(slug="brindle-fen"), ("SUC", 2, "RG"))
    load = Load.objects.filter(portions__order_scent__line__order=order, portions__operation="pour").distinct()[0]
    Load.objects.filter(pk=load.pk).update(number="B-1001", weighed_at=clock.now(), recipes={"SUC": 1, "BASE": 1})
    sent(maker, "SUC", form_of(maker, "SUC"), **{"lines-0-quantity": "155", "because": "Fuller cups"})

    for address in ("/bench/recipes/SUC/", "/bench/recipes/SUC/edit/"):
        assert "B-1001 Base melt Thu 5 Mar 1 an older one" in words(maker.get(address))
    assert "No batch is begun" in words(maker.get("/bench/recipes/FRN/"))


def test_cautions_of_an_item_are_written_on_its_page(maker: Client) -> None:
    typed = {"cautions": "Looks like cake: judge it.\nKeep from heat.", "limits_refuse": "on"}
    answer = maker.post("/bench/recipes/SUC/cautions/", typed, follow=True)

    assert "Looks like cake: judge it." in words(answer)
    row = Item.objects.get(code="SUC")
    assert (row.cautions.splitlines(), row.limits_refuse) == (["Looks like cake: judge it.", "Keep from heat."], True)


# ── who, and how many questions ──────────────────────────────────────────────────

READS = ("/bench/recipes/", "/bench/recipes/SUC/")
WRITES = ("/bench/recipes/SUC/edit/", "/bench/recipes/SUC/preview/", "/bench/recipes/SUC/cautions/")


def test_the_maker_and_helpers_read_and_only_the_maker_writes(client: Client) -> None:
    client.force_login(builders.helper())

    assert [client.get(address).status_code for address in READS] == [200, 200]
    assert client.get("/bench/recipes/SUC/edit/").status_code == 403
    assert [client.post(address, {}).status_code for address in WRITES] == [403, 403, 403]
    page = client.get("/bench/recipes/SUC/").content.decode()
    assert "Change the recipe" not in page
    assert "Save these" not in page


@pytest.mark.parametrize("role", ["owner", "buyer", "reader"])
def test_no_shop_learns_that_there_are_recipes(client: Client, role: str) -> None:
    client.force_login(builders.member(Shop.objects.get(slug="brindle-fen"), role))

    assert [client.get(address).status_code for address in READS] == [404, 404]
    assert [client.post(address, {}).status_code for address in WRITES] == [404, 404, 404]


def test_a_stranger_finds_nothing_and_nobody_is_asked_to_sign_in(client: Client) -> None:
    assert [client.get(address).status_code for address in READS] == [302, 302]
    assert [client.post(address, {}).status_code for address in WRITES] == [302, 302, 302]
    client.force_login(builders.stranger())
    assert [client.get(address).status_code for address in READS] == [404, 404]


def _with_more(more: int) -> None:
    """So many more melts with recipes, versions of one, and pots."""
    soy = Item.objects.get(code="SOY")
    for number in range(more):
        item = Item.objects.create(code=f"M{number}", name=f"Melt {number}", kind="part", unit="gram")
        for owner, version in ((item, 1), (Item.objects.get(code="SUC"), number + 2)):
            row = Recipe.objects.create(item=owner, version=version, valid_from="2026-03-01", because="again")
            RecipeLine.objects.create(recipe=row, position=0, component=soy, basis="share_of_batch", quantity=1)
    RecipeLine.objects.filter(recipe__item__code="SUC", recipe__version__gt=1).update(basis="per_piece")
    Equipment.objects.bulk_create(Equipment(code=f"P{n}", name=f"Pot {n}", kind="pot") for n in range(more))


@pytest.mark.parametrize(
    ("address", "queries"),
    [
        # session, user; 7 catalogue, settings, versions' days; the page's head: workshop
        ("/bench/recipes/", 12),
        # session, user; 7 catalogue, settings, 3 versions, 2 calendar, batches; the page's head: workshop
        ("/bench/recipes/SUC/", 17),
        ("/bench/recipes/SUC/edit/", 17),
    ],
)
@pytest.mark.parametrize("more", [0, 20])
def test_the_pages_ask_a_fixed_number_of_questions(
    maker: Client, django_assert_num_queries: DjangoAssertNumQueries, address: str, queries: int, more: int
) -> None:
    _with_more(more)
    with django_assert_num_queries(queries):
        assert maker.get(address).status_code == 200
