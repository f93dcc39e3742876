"""A load's page on a phone: weighing, counting, releasing, giving up, taking back; trade scenario S2: 12 + 12 + 1."""

import html
import re
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest
from django.test import Client

from tests import builders
from wholesale import clock
from wholesale.actions import batches, production
from wholesale.actions.batches import Made
from wholesale.core.documents.batch import BatchSheet
from wholesale.models import Document, ForStock, Item, Load, LoadPortion, Lot, Order, Recipe, Setting, Substitute
from wholesale.queries.load_page import load_page
from wholesale.queries.papers import value_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def orders() -> list[Order]:
    """B1 and B2: 12 succulent cups in rain garden each, wax and oil in stock."""
    builders.mossgate_rows(stock=True)
    return builders.two_shops_order_cups()


@pytest.fixture
def pour(orders: list[Order]) -> Load:
    """Their pour with a cup to be kept as a sample: 25 in all."""
    cup, load = Item.objects.get(code="SUC"), Load.objects.get(equipment__code="POT-A")
    sample = ForStock.objects.create(item=cup, scent="RG", pieces=1, purpose="sample", asked_at=clock.now())
    LoadPortion.objects.create(load=load, for_stock=sample, item=cup, scent="RG", operation="pour", pieces=1)
    return load


@pytest.fixture
def bench(client: Client) -> Client:
    """The helper, signed in."""
    client.force_login(builders.helper())
    return client


def words(answer: Any) -> str:
    """What a page says, as one line of text."""
    page = answer.content.decode().split("<main", 1)[1].split("</main>")[0]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page))).replace("\u00a0", " ")


def weigh(bench: Client, load: Load, **other: str) -> Any:
    """Send the weights of S2, some of them otherwise (``oil`` and ``soy`` stand for the fields' codes)."""
    typed = {"grams-SOY": "3579.61", "grams-OIL-RG": "286.37"}
    typed |= {name.replace("__", "-").replace("_", "-"): value for name, value in other.items()}
    return bench.post(f"/bench/loads/{load.pk}/weigh/", typed, follow=True)


def first_of(load: Load) -> LoadPortion:
    return load.portions.order_by("pk")[0]


def test_the_page_says_what_to_weigh_from_which_lot(bench: Client, pour: Load) -> None:
    """Trade scenario S2: 25 × 150 = 3,750; ÷ 0.97 = 3,865.98; ÷ 1.08 = 3,579.61 wax; 286.37 oil."""
    page = words(bench.get(f"/bench/loads/{pour.pk}/"))

    for part in (
        "25 × 150 g = 3,750 g", "3,579.61 g", "286.37 g exactly 286.369 g", "3,865.98 g", "Lot SOY-2291",
        "Lot OIL-RG-118",
        # 3,579.61 / 28.349523125 = 126.27 oz
        "126.27 oz", "Flash point 74 °C, heat to 80 °C at most", "Then it stands at least 1 night, at most 7 days",
        "Succulent cup: version 1 (from the start)", "Base melt: version 1 (from the start)",
        "Oldest first: SOY-2291", "12 for W-1001, 12 for W-1002, 1 for sample", "Hot wax burns",
    ):  # fmt: skip
        assert part in page, part


def test_a_coarse_scale_shows_both_weights(bench: Client, pour: Load) -> None:
    """A scale of 5 g: 3,579.61 is 3,580, 286.37 is 285; in the pot 3,865 of 3,865.98."""
    Setting.objects.update_or_create(name="scale_division", defaults={"value": "5"})
    page = words(bench.get(f"/bench/loads/{pour.pk}/"))

    assert "3,580 g exactly 3,579.610 g" in page
    assert "285 g exactly 286.369 g" in page
    assert "In the pot 3,865 g" in page


def test_spare_room_is_shown(bench: Client, orders: list[Order]) -> None:
    """Pot A takes 25 cups; 24 are ordered."""
    load = Load.objects.get(portions__operation="pour", portions__order_scent__line__order=orders[0])

    assert "1 more piece of Succulent cup, Rain garden" in words(bench.get(f"/bench/loads/{load.pk}/"))


def test_weighing_shows_planned_beside_actual_with_lot_and_reason(bench: Client, pour: Load) -> None:
    """300 g of oil instead of 286.37: + 13.63 g, 4.8 %."""
    refused = weigh(bench, pour, grams_OIL_RG="300")
    assert refused.status_code == 422
    assert "300 g of Rain garden oil are 4.8 % more than the 286.37 g planned; say why" in words(refused)

    page = words(weigh(bench, pour, grams_OIL_RG="300", because_OIL_RG="heavy hand", lot_OIL_RG="OIL-RG-118"))
    assert "Weighed: batch B-1001" in page
    assert "Rain garden oil OIL-RG-118 : heavy hand 286.37 g 300.00 g +13.63 g beyond 2 %" in page
    assert "Weighed: Soy wax 3,579.61 g from SOY-2291" in page
    assert "Not weighed yet" not in page
    # 3,579.61 + 286.37 = 3,865.98 planned; 3,579.61 + 300 = 3,879.61 weighed
    assert "In all 3,865.98 g 3,879.61 g +13.63 g" in page
    assert "In the pot 3,865.98 g weighed 3,879.61 g" in page


def test_what_was_weighed_adds_up_by_melt_and_in_all(bench: Client, pour: Load) -> None:
    """Wax into one melt, oil into that and a second one: 3,579.61 for the first, 286.37 for both, 3,865.98 in all."""
    weigh(bench, pour)
    page = load_page(pour.pk)
    (melt,) = page.load.melts
    second = replace(melt, name="Second melt", ingredients=melt.ingredients[1:])
    page = replace(page, load=replace(page.load, melts=(melt, second)))

    assert [(found.name, found.actual_g) for found in page.weighed_melts] == [
        ("Base melt, Rain garden", D("3579.61")), ("For several melts", D("286.37")),
    ]  # fmt: skip
    assert page.weighed_in_all.actual_g == D("3865.98")


def test_a_weight_ten_times_off_is_asked_about_before_it_counts(bench: Client, pour: Load) -> None:
    first = weigh(bench, pour, grams_OIL_RG="2863.7")
    assert first.status_code == 422
    assert "has the point slipped?" in words(first)
    assert "The weight of Rain garden oil is right" in words(first)
    assert "The weight of Soy wax is right" not in words(first)
    assert Lot.objects.get(code="SOY-2291").on_hand == 45_000_000

    sure = weigh(bench, pour, grams_OIL_RG="2400", sure_OIL_RG="on", because_OIL_RG="measured for four")
    assert "Weighed: batch B-1001" in words(sure)


def test_a_lot_on_hold_is_not_offered_and_refused_if_it_was_put_on_hold_meanwhile(bench: Client, pour: Load) -> None:
    Lot.objects.filter(code="SOY-2291").update(state="hold")
    page = words(bench.get(f"/bench/loads/{pour.pk}/"))
    assert "Oldest first: none in stock" in page
    assert "only 0.00 g in stock" in page

    answer = weigh(bench, pour)
    assert answer.status_code == 422
    assert "Not to be taken: SOY-2291 (on hold)" in words(answer)


def test_the_second_of_two_phones_is_told_that_it_is_weighed(bench: Client, pour: Load) -> None:
    weigh(bench, pour)
    assert "already weighed as B-1001; nothing was changed" in words(weigh(bench, pour))


def test_a_substitute_can_be_chosen_where_one_is_listed(bench: Client, pour: Load) -> None:
    soy, whip = Item.objects.get(code="SOY"), Item.objects.get(code="WHIPWAX")
    assert "What was taken for Soy wax" not in words(bench.get(f"/bench/loads/{pour.pk}/"))
    Substitute.objects.create(item=soy, substitute=whip)
    assert "What was taken for Soy wax" in words(bench.get(f"/bench/loads/{pour.pk}/"))

    answer = weigh(bench, pour, take_SOY="WHIPWAX")
    assert answer.status_code == 422
    assert "0 g can be taken" in words(answer)
    page = words(weigh(bench, pour, take_SOY="SOY"))
    assert "Weighed: batch B-1001" in page


def test_an_open_batch_says_which_version_it_keeps(bench: Client, pour: Load) -> None:
    """The base is edited to 6 % while the batch is open: still 286.37 g of oil."""
    weigh(bench, pour)
    item = Item.objects.get(code="BASE")
    new = Recipe.objects.create(item=item, version=2, valid_from="2026-03-05")
    for line in Recipe.objects.get(item=item, version=1).lines.all():
        line.pk, line.recipe = None, new
        line.quantity = line.quantity if line.component else "0.06"
        line.save()
    page = words(bench.get(f"/bench/loads/{pour.pk}/"))

    assert "Base melt: this batch keeps version 1 (from the start); version 2 (from Thu 5 Mar) is in force now." in page
    assert "286.37 g" in page
    assert "Base melt: version 1 (from the start)" in page


def test_one_reject_by_its_reason_leaves_no_sample(bench: Client, pour: Load) -> None:
    """Trade scenario S2: 25 − 1 = 24 good: both orders whole, no sample."""
    reason = f"reject-{first_of(pour).pk}-0"
    page = words(bench.post(f"/bench/loads/{pour.pk}/done/", {reason: "1", "minutes": "70"}, follow=True))

    assert "Done: batch B-1001" in page
    assert "No sample kept" in page
    assert "In all 25 24" in page
    assert "Rejected 1 cracked" in page
    assert "75 min planned, 70 min really" in page


def test_the_sample_can_be_kept_instead(bench: Client, pour: Load) -> None:
    total = f"total-{first_of(pour).pk}"
    page = words(bench.post(f"/bench/loads/{pour.pk}/done/", {total: "24", "keep_sample": "on"}, follow=True))

    assert "No sample kept" not in page
    assert [portion.good for portion in pour.portions.order_by("pk")] == [12, 11, 1]


def test_rejects_beyond_the_pieces_are_refused_and_the_form_is_kept(bench: Client, pour: Load) -> None:
    reason = f"reject-{first_of(pour).pk}-1"
    answer = bench.post(f"/bench/loads/{pour.pk}/done/", {reason: "26", "note": "counted twice"})

    assert answer.status_code == 422
    assert "26 rejects of 25 pieces can't be; count them again." in words(answer)
    assert 'value="26"' in answer.content.decode()
    assert "counted twice" in words(answer)


def test_a_count_by_order_is_taken_as_it_is(bench: Client, pour: Load) -> None:
    first, second, sample = pour.portions.order_by("pk")
    typed = {f"good-{first.pk}": "12", f"good-{second.pk}": "12", f"good-{sample.pk}": "0"}
    page = words(bench.post(f"/bench/loads/{pour.pk}/done/", typed, follow=True))

    assert "No sample kept" in page


def test_a_failed_melt_is_given_up_with_its_reason(bench: Client, pour: Load) -> None:
    weigh(bench, pour)
    without = bench.post(f"/bench/loads/{pour.pk}/scrap/", {"because": ""})
    assert without.status_code == 422

    answer = bench.post(f"/bench/loads/{pour.pk}/scrap/", {"because": "burnt"}, follow=True)
    page = words(answer)
    # A loss is told in the colour and shape of what wants a look, not of success.
    assert [message.level_tag for message in answer.context["messages"]] == ["look"]
    assert "Scrapped. What it was to make is planned anew" in page
    assert '<a href="/bench/queue/">The queue shows which order is short</a>' in answer.content.decode()
    assert "Scrapped: burnt." in page
    # Nobody heats a lost melt; what was weighed of it stays.
    assert "heat to" not in page.lower()
    assert "Soy wax SOY-2291 3,579.61 g 3,579.61 g" in page
    assert "State Scrapped" in page
    anew = Load.objects.get(portions__operation="pour", done_at__isnull=True, portions__order_scent__isnull=False,
                            portions__order_scent__line__order__number="W-1001")  # fmt: skip
    assert anew.pk != pour.pk


def test_a_melt_that_failed_leads_to_the_open_form_that_scraps_it(bench: Client, pour: Load) -> None:
    weigh(bench, pour)
    link = f"/bench/loads/{pour.pk}/?failed=1#wrong"
    assert f'href="{link}"' in bench.get("/bench/bad-night/").content.decode()

    led, not_led = (bench.get(address).content.decode() for address in (link, f"/bench/loads/{pour.pk}/"))

    form = re.compile(r'id="wrong">.*<details class="more"( open)?>\s*<summary>The batch has failed', re.DOTALL)
    assert [found[1] for page in (led, not_led) if (found := form.search(page))] == [" open", None]


def test_a_batch_scrapped_without_its_weights_says_in_its_history_what_went_into_it(bench: Client, pour: Load) -> None:
    bench.post(f"/bench/loads/{pour.pk}/done/", {})

    page = words(bench.post(f"/bench/loads/{pour.pk}/scrap/", {"because": "dropped"}, follow=True))

    assert "Not weighed, taken as planned: Soy wax 3,579.61 g from SOY-2291" in page
    assert "heat to" not in page.lower()


def test_only_the_maker_takes_a_done_back(bench: Client, pour: Load) -> None:
    weigh(bench, pour)
    bench.post(f"/bench/loads/{pour.pk}/done/", {})
    assert "It was not done after all" not in words(bench.get(f"/bench/loads/{pour.pk}/"))
    assert bench.post(f"/bench/loads/{pour.pk}/take-back/", {}).status_code == 403

    bench.force_login(builders.maker())
    assert "It was not done after all" in words(bench.get(f"/bench/loads/{pour.pk}/"))
    page = words(bench.post(f"/bench/loads/{pour.pk}/take-back/", {"because": "wrong pot"}, follow=True))
    assert "Taken back: it was not done (wrong pot)." in page
    assert "State Weighed" in page


def test_a_cured_batch_is_released_by_hand_where_that_is_the_rule(bench: Client, pour: Load) -> None:
    Setting.objects.update_or_create(name="batch_release", defaults={"value": "by_hand"})
    _make_all()
    bowl = Load.objects.filter(portions__operation="pipe", done_at__isnull=False).order_by("pk")[0]
    with clock.at("2026-03-15T09:00"):
        bench.force_login(builders.helper())
        assert "Release for sale" not in words(bench.get(f"/bench/loads/{bowl.pk}/"))
    with clock.at("2026-03-16T09:00"):
        bench.force_login(builders.helper())
        assert "Release for sale" in words(bench.get(f"/bench/loads/{bowl.pk}/"))
        page = words(bench.post(f"/bench/loads/{bowl.pk}/release/", follow=True))
        assert "Released: it may be sold now." in page
        assert "State Released" in page


def _make_all() -> None:
    """Pour and cast on Thursday, pipe on Friday."""
    for day, names in (("2026-03-05T13:50", ("POT-A", "TRAY-R")), ("2026-03-06T09:00", ("BOWL",))):
        with clock.at(day):
            for load in Load.objects.filter(equipment__code__in=names, done_at__isnull=True).order_by("pk"):
                batches.mark_done(by=builders.maker(), load=load.pk, made=Made())


def test_a_casting_load_says_what_is_started_for_how_many_good_ones(bench: Client, orders: list[Order]) -> None:
    """The first tray is for 12 cups, so 12 rosettes at 92 %: 12 / 0.92 = 13.04, so 14 starts.

    P(Bin(14, 0.92) < 12) = 9.6 %, P(Bin(15, 0.92) < 12) = 2.7 % (SciPy's binom.cdf): 15 hold 5 %.
    """
    Setting.objects.update_or_create(name="shortage_risk", defaults={"value": "5"})
    tray = Load.objects.filter(equipment__code="TRAY-R").order_by("pk")[0]
    page = words(bench.get(f"/bench/loads/{tray.pk}/"))

    assert "12 good ones needed, at a yield of 92 %: 14 starts by the expected yield" in page
    assert "(too few with a chance of 10 %), 15 to hold the chance of too few below 5 %." in page


@pytest.mark.parametrize("path", ["", "weigh/", "done/", "release/", "scrap/", "take-back/"])
def test_the_bench_is_not_there_for_shops(client: Client, pour: Load, orders: list[Order], path: str) -> None:
    client.force_login(builders.member(orders[0].shop))
    address = f"/bench/loads/{pour.pk}/{path}"
    answer = client.post(address, {}) if path else client.get(address)

    assert answer.status_code == 404


def test_the_day_sheet_shows_begun_and_failed_batches(bench: Client, pour: Load) -> None:
    weigh(bench, pour)
    assert "Weighed B-1001" in words(bench.get("/bench/day/"))
    bench.post(f"/bench/loads/{pour.pk}/scrap/", {"because": "burnt"})
    assert "Scrapped B-1001" in words(bench.get("/bench/day/"))


def test_samples_are_listed_behind_all_others(bench: Client, pour: Load) -> None:
    """2 for the shelf came after the sample: 12 + 12 + 2 + 1 on the page, on the day sheet and on paper."""
    cup = Item.objects.get(code="SUC")
    shelf = ForStock.objects.create(item=cup, scent="RG", pieces=2, purpose="stock", asked_at=clock.now())
    LoadPortion.objects.create(load=pour, for_stock=shelf, item=cup, scent="RG", operation="pour", pieces=2)
    production.batch_sheet(by=builders.helper(), load=pour.pk)
    paper = value_of(Document.objects.get(kind="batch_sheet"))
    assert isinstance(paper, BatchSheet)

    assert "12 for W-1001, 12 for W-1002, 2 for stock, 1 for sample" in words(bench.get(f"/bench/loads/{pour.pk}/"))
    assert "12 for W-1001, 12 for W-1002, 2 for stock, 1 for sample" in words(bench.get("/bench/day/")).replace(
        " ,", ","
    )
    assert [row.order for row in paper.portions] == ["W-1001", "W-1002", "stock", "sample"]


def test_a_load_takes_the_same_queries_however_many_it_is_for(
    orders: list[Order], django_assert_num_queries: Callable[[int], Any]
) -> None:
    """One order in the pour, then three: the same number of questions."""
    load = Load.objects.get(equipment__code="POT-A")
    # load, portions (2) · settings (1) · catalogue (7) · left of earlier melts, what of it was used (2) · taken (1) ·
    # weighings (1) · lots offered, left of earlier melts (2) · lots and those of substitutes (1) · rejects (1) ·
    # history (1) · room left: settings, calendar, equipment out, what is in loads of its day
    with django_assert_num_queries(26):
        load_page(load.pk)
    cup = Item.objects.get(code="SUC")
    for _ in range(3):
        stock = ForStock.objects.create(item=cup, scent="RG", pieces=1, purpose="stock", asked_at=clock.now())
        LoadPortion.objects.create(load=load, for_stock=stock, item=cup, scent="RG", operation="pour", pieces=1)
    with django_assert_num_queries(26):
        load_page(load.pk)
