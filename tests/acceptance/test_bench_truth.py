"""Scenarios S2 and S4 on the bench's own pages and papers, with every number.

Our own invented workshop, Mossgate Bench, worked by hand (what lies behind it: common
practice, no source). The same numbers through the core alone stand in
`tests/acceptance/test_scenarios.py` and `tests/core`; how a batch is weighed, counted
and given up stands in `tests/actions/test_batches.py` and `tests/pages/test_load_page.py`.
2 March 2026 is a Monday.
"""

import html
from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from django.db.models import QuerySet, Sum
from django.test import Client
from django.utils.html import strip_tags

from accounts.models import Shop
from tests import builders, mossgate
from tests.pages.reading import hidden, text
from wholesale import clock
from wholesale.actions import batches, for_stock, production
from wholesale.actions.batches import Made
from wholesale.core.catalogue import filling, gross_grams, net_room
from wholesale.core.documents.batch import BatchSheet
from wholesale.core.documents.papers import PackingSlip
from wholesale.core.values import Refusal
from wholesale.documents import KINDS
from wholesale.models import Document, ForStock, Item, Load, LoadPortion, Lot, Order, ShopAccount
from wholesale.queries.capacity import CapacityPage, capacity_page
from wholesale.queries.papers import value_of

pytestmark = pytest.mark.django_db

THURSDAY, AFTER_CUT_OFF, FRIDAY = "2026-03-05T13:50", "2026-03-05T16:00", "2026-03-06T09:00"
MONDAY, MONDAY_16 = "2026-03-02T09:00", "2026-03-16T09:00"


@pytest.fixture
def bench(client: Client) -> Client:
    """Mossgate with its materials in stock; the helper is signed in."""
    builders.mossgate_rows(stock=True)
    client.force_login(builders.helper())
    return client


@pytest.fixture
def pour(bench: Client) -> Load:
    """S2: B1 and B2, 12 SUC in rain garden each, and the sample that is kept of each batch: their one pour."""
    Item.objects.filter(code="SUC").update(samples_per_batch=1)
    with clock.at(THURSDAY):
        for slug in ("corner", "lantern"):
            builders.place(known_shop(slug), ("SUC", 2, "RG"))
    return Load.objects.get(equipment__code="POT-A")


def known_shop(slug: str) -> Shop:
    """A shop that ordered before, so it owes no deposit."""
    shop = builders.shop(slug)
    ShopAccount.objects.create(shop=shop, last_order_on=date(2026, 1, 20))
    return shop


def sheet(load: Load) -> tuple[BatchSheet, str]:
    """The batch sheet of a load as a value, and the words that are printed."""
    production.batch_sheet(by=builders.helper(), load=load.pk)
    paper = value_of(Document.objects.filter(kind="batch_sheet").latest("pk"))
    assert isinstance(paper, BatchSheet)
    printed = html.unescape(strip_tags(KINDS["batch_sheet"].html(paper).replace("><", "> <")))
    return paper, " ".join(printed.replace("\xa0", " ").split())


def on(equipment: str) -> QuerySet[Load]:
    """The loads of a piece of equipment, in the order of work."""
    return Load.objects.filter(equipment__code=equipment).order_by("day", "pk")


def pieces_by_day(step: str) -> dict[int, int]:
    """Pieces planned for a step, by the day of March 2026."""
    rows = LoadPortion.objects.filter(operation=step).order_by("load__day").values_list("load__day__day")
    return dict(rows.annotate(pieces=Sum("pieces")))


def queue_row(bench: Client, number: str) -> str:
    """What the queue says about an order."""
    page = text(bench.get("/bench/queue/")).partition("Still needs Deposit State")[2]
    return page.partition(number)[2].partition("W-1")[0]


# ── S2: two orders share a batch ─────────────────────────────────────────────


def test_s2_alone_each_order_takes_a_melt_of_its_own(bench: Client) -> None:
    """12 × 150 = 1,800; ÷ 0.97 = 1,855.670 g; B1's melt is weighed before B2 comes, so B2 needs a second one."""
    with clock.at("2026-03-05T09:00"):
        builders.place(known_shop("corner"), ("SUC", 2, "RG"))
        bench.post(f"/bench/loads/{on('POT-A').get().pk}/weigh/", {"grams-SOY": "1718.21", "grams-OIL-RG": "137.46"})
    with clock.at(THURSDAY):
        builders.place(known_shop("lantern"), ("SUC", 2, "RG"))
        page = text(bench.get("/bench/day/2026-03-05/"))

    assert [sheet(load)[0].melts[0].gross_g for load in on("POT-A")] == [D("1855.67"), D("1855.67")]
    assert "12 × 150 g = 1,800 g With 3 % lost in the pot: 1,800 ÷ (1 − 0.03) = 1,855.67 g" in page
    assert "Weigh as for the load above: 1,855.67 g Base melt" in page


def test_s2_together_they_share_one_melt(bench: Client) -> None:
    """24 × 150 = 3,600; ÷ 0.97 = 3,711.34 g ≤ 4,000 g: one melt saved, and room for one cup more."""
    with clock.at(THURSDAY):
        for slug in ("corner", "lantern"):
            builders.place(known_shop(slug), ("SUC", 2, "RG"))
        load = on("POT-A").get()
        day = text(bench.get("/bench/day/2026-03-05/"))
        page = text(bench.get(f"/bench/loads/{load.pk}/"))

    assert "3,600 ÷ (1 − 0.03) = 3,711.34 g" in day
    assert "In the pot 3,711.34 g" in page
    assert "Room left 1 more piece of Succulent cup" in page
    assert sheet(load)[0].melts[0].gross_g == D("3711.34") <= D(4000)
    assert "In Pot A holds 4,000 g" in page


def test_s2_the_day_sheet_and_the_needs_have_the_sample_in_them(bench: Client, pour: Load) -> None:
    """3,865.979 = 3,579.610 wax + 286.369 oil; 25 × 15 ÷ 0.92: 28 casts, 3 turns, 420 ÷ 0.97 = 433 g."""
    with clock.at(THURSDAY):
        day = text(bench.get("/bench/day/2026-03-05/"))
        needs = text(bench.get("/bench/needs/"))
        sizes = [load.portions.aggregate(n=Sum("pieces"))["n"] for load in on("TRAY-R")]

    for part in ("25 × 150 g = 3,750 g", "3,750 ÷ (1 − 0.03) = 3,865.979 g", "3,865.979 ÷ 1.08 = 3,579.61 g",
                 "0.08 × 3,579.61 = 286.369 g", "12 for W-1001", "12 for W-1002", "1 for sample",
                 # 28 × 0.5 + 25 × 3
                 "Bench 89 of 360 min", "Rosette 25 0 25", "Whip bowl for 3 loads"):  # fmt: skip
        assert part in day, part
    for part in ("Soy wax 3,579.61 g", "Rain garden oil 286.37 g", "Rosette 25 pieces", "Casting wax 433.00 g"):
        assert part in needs, part
    assert (sum(sizes), len(sizes), {load.day for load in on("TRAY-R")}) == (28, 3, {date(2026, 3, 5)})


def test_s2_the_sample_stays_the_same_when_the_second_order_joins(pour: Load) -> None:
    """One sample for the one batch, asked for once; its cast rosette is no sample of rosettes."""
    assert [(row.pieces, row.purpose, row.closed_at) for row in ForStock.objects.all()] == [(1, "sample", None)]


def test_s2_the_capacity_page_shows_one_melt_three_turns_and_three_bowls(bench: Client, pour: Load) -> None:
    """One melt of 2, 3 turns of 3 on Thu 5; 25 / 12 → 3 bowls of 4 on Fri 6."""
    with clock.at(THURSDAY):
        page = text(bench.get("/bench/capacity/"))

    table = page.partition("used of what there is")[2]
    # Whip bowl, pot A, pot B, pebble trays, rosette tray, bench; Friday 25 × 2.5 minutes
    assert "Thu 5 Mar 0 of 4 1 of 2 0 of 3 0 of 6 3 of 3 full 89 of 360" in table
    assert "Fri 6 Mar 3 of 4 0 of 2 0 of 3 0 of 6 0 of 3 62.5 of 360" in table


def test_s2_the_batch_sheet_weighs_25_and_names_the_sample(pour: Load) -> None:
    """3,579.610 + 286.369 = 3,865.979; 12 + 12 + 1 = 25."""
    with clock.at(THURSDAY):
        paper, printed = sheet(pour)

    (melt,) = paper.melts
    assert [part.grams for part in melt.ingredients] == [D("3579.610"), D("286.369")]
    assert sum(part.grams for part in melt.ingredients) == melt.gross_g == D("3865.979")
    assert {row.order: row.pieces for row in paper.portions} == {"W-1001": 12, "W-1002": 12, "sample": 1}
    for part in ("25 × 150 g = 3,750 g", "Together 3,865.979 g 3,865.98 g", "Together 25", "SOY-2291", "OIL-RG-118"):
        assert part in printed, part


def test_s2_a_26th_does_not_fit(bench: Client, pour: Load) -> None:
    """26 × 150 ÷ 0.97 = 4,020.62 g > 4,000 g: nothing is offered, and asked for all the same it is refused."""
    goods = mossgate.catalogue()
    step, each = goods.steps("SUC")[0], filling(goods, "SUC", goods.steps("SUC")[0])[1]
    room = net_room(goods, "SUC", step)
    with clock.at(THURSDAY):
        page = text(bench.get(f"/bench/loads/{pour.pk}/"))
        with pytest.raises(Refusal, match="Succulent cup, Rain garden: 1 piece does not fit into"):
            for_stock.fill_spare(by=builders.helper(), load=pour.pk, item="SUC", scent="RG", pieces=1)

    assert room is not None
    assert 25 * each <= room < 26 * each
    assert [round(gross_grams(n * each, D("0.03")), 2) for n in (25, 26)] == [D("3865.98"), D("4020.62")]
    assert "Room left" not in page


def test_s2_one_reject_takes_the_sample_and_leaves_both_orders_whole(bench: Client, pour: Load) -> None:
    """25 − 1 = 24 = 12 + 12: no sample, nothing poured anew, and page and sheet say so."""
    with clock.at(AFTER_CUT_OFF):
        page = counted(bench, pour, rejects=1)
        printed = sheet(pour)[1]
        rows = [queue_row(bench, number) for number in ("W-1001", "W-1002")]

    assert "No sample kept" in page
    assert "No sample kept" in printed
    for order in ("W-1001", "W-1002"):
        assert f"{order} Succulent cup, Rain garden 12 12" in page
    assert "Sample Succulent cup, Rain garden Pour base – 1 0 cracked" in printed
    assert not any("At risk" in row or "Pour base" in row for row in rows)
    assert not ForStock.objects.filter(closed_at=None).exists()


def test_s2_both_orders_carry_the_same_lot(bench: Client, pour: Load) -> None:
    """24 cups of one melt are lot B-1001, whichever bowl topped them: on the orders, their packing slips, the trace.

    28 casts × 0.92, turn by turn: 11 + 11 + 3 = 25 rosettes for 24 cups.
    """
    with clock.at(THURSDAY):
        counted(bench, pour, rejects=1)
        make(on("TRAY-R"))
    with clock.at(FRIDAY):
        answer = text(bench.post(f"/bench/loads/{on('BOWL')[0].pk}/done/", {}, follow=True))
        make(on("BOWL").filter(done_at=None))
        bowls = [str(bowl) for bowl in on("BOWL")]
    with clock.at(MONDAY_16):
        make(Load.objects.filter(done_at=None))
        orders = {number: text(bench.get(f"/bench/orders/{number}/")) for number in ("W-1001", "W-1002")}
        bench.force_login(builders.maker())
        slips = [text(packed(bench, Order.objects.get(number=number))) for number in orders]
        trace = text(bench.get("/bench/lots/B-1001/trace/"))

    assert "Write lot B-1001 on the pieces." in answer
    assert Lot.objects.get(item__code="SUC").code == "B-1001"
    assert all("B-1001 Succulent cup, Rain garden Mon 16 Mar 12 0" in page for page in orders.values())
    assert all("B-1001 × 12" in slip for slip in slips)
    assert all(paper_slip(f"S-100{n}") == [("B-1001", 12)] for n in (1, 2))
    came_from = trace.partition("What it came from")[2]
    assert all(number in came_from for number in ("B-1001", "SOY-2291", *bowls))
    assert "Corner S-1001 W-1001 B-1001" in trace
    assert "Lantern S-1002 W-1002 B-1001" in trace


def paper_slip(shipment: str) -> list[tuple[str, int]]:
    """The lots on a shipment's packing slip."""
    paper = value_of(Document.objects.get(kind="packing_slip", shipment__number=shipment))
    assert isinstance(paper, PackingSlip)
    return [(lot.code, lot.pieces) for line in paper.lines for scent in line.scents for lot in scent.lots]


def test_s2_with_the_sample_kept_the_later_order_is_short_and_planned_anew(bench: Client, pour: Load) -> None:
    """24 = 12 + 11 + 1; counted at 16:00: poured again Fri 6, topped Mon 9, sellable Thu 19, promised Mon 16."""
    with clock.at(AFTER_CUT_OFF):
        make(on("TRAY-R"))
        page = counted(bench, pour, rejects=1, keep_sample="on")
        first, second = (queue_row(bench, number) for number in ("W-1001", "W-1002"))
        friday = text(bench.get("/bench/day/2026-03-06/"))
        printed = sheet(pour)[1]

    assert "No sample kept" not in page + printed
    assert "W-1002 Succulent cup, Rain garden Pour base Mon 16 Mar 12 11 cracked" in printed
    assert first.startswith(" Corner Mon 16 Mar Mon 16 Mar leaves on the day 2 Pipe moss 12 · Finish 12")
    assert "At risk" not in first
    assert second.startswith(
        " Lantern Mon 16 Mar Thu 19 Mar 3 working days late 2 Pour base 1 · Pipe moss 12 · Finish 12"
    )
    assert "At risk" in second
    assert "The plan has it leave Thu 19 Mar, 3 calendar days after the promise." in second
    assert "For 1 for W-1002" in friday.partition("Pour base")[2]


def counted(bench: Client, load: Load, rejects: int, **other: str) -> str:
    """The load's page after it was marked done with so many cracked."""
    name = f"reject-{load.portions.order_by('pk')[0].pk}-0"
    return text(bench.post(f"/bench/loads/{load.pk}/done/", {name: str(rejects), **other}, follow=True))


def make(loads: QuerySet[Load]) -> None:
    """Mark loads done: of rosettes and pebbles the whole good ones that the yield leaves, all of the rest."""
    share = {"PEBBLE": D("0.95"), "ROSETTE": D("0.92")}
    for load in loads:
        portions = list(load.portions.select_related("item").order_by("pk"))
        good = int(sum(p.pieces for p in portions) * share.get(portions[0].item.code, D(1)))
        made = Made(totals={portions[0].pk: good} if portions[0].item.code in share else {})
        batches.mark_done(by=builders.helper(), load=load.pk, made=made)


# ── S4: moulds are the bottleneck ────────────────────────────────────────────


@pytest.fixture
def jars(bench: Client) -> Order:
    """20 cases of pebble jars, ordered on Mon 2 March 09:00 on the order sheet, as the shop does it."""
    shop = known_shop("corner")
    address, cases = f"/shops/{shop.slug}/order/", {"c-PEB-RG": "20"}
    bench.force_login(builders.member(shop))
    with clock.at(MONDAY):
        shown = bench.post(address, {**cases, "do": "work"}, follow=True)
        assert "When it leaves Fri 20 Mar With you Tue 24 Mar" in text(shown)
        bench.post(address, {**cases, **hidden(shown), "do": "place"})
    bench.force_login(builders.maker())
    return Order.objects.get()


def used(page: CapacityPage, name: str) -> tuple[D, dict[int, D]]:
    """What a row of the capacity page uses in all, and on its days in use."""
    row = next(found for found in page.rows if found.name == name)
    return D(row.total.used), {cell.day.day: D(cell.used) for cell in row.cells if cell.used}


def test_s4_the_order_names_the_moulds_as_what_decides(bench: Client, jars: Order) -> None:
    """Cast until Mon 9, last seal Tue 10 + 10 days = Fri 20; two carrier days over the week-end: Tue 24."""
    with clock.at(MONDAY):
        page = text(bench.get(f"/bench/orders/{jars.number}/"))
        row = queue_row(bench, jars.number)

    for step in ("Cast pebbles Mon 9 Mar", "Place and seal Tue 10 Mar",
                 "not sooner: Pebble trays full from Mon 2 Mar to Fri 6 Mar",
                 "Curing Fri 20 Mar", "Packed, leaves Fri 20 Mar", "Arrives Tue 24 Mar"):  # fmt: skip
        assert step in page, step
    assert "Cast pebbles 632 · Pour base 120 · Place and seal 120 · Finish 120" in row


def test_s4_the_day_sheets_cast_120_a_day_and_32_on_the_last(bench: Client, jars: Order) -> None:
    """600 ÷ 0.95 = 631.6: 632 = 5 × 120 + 32; 6 turns of 20, at the last 20 + 12."""
    assert pieces_by_day("cast") == {2: 120, 3: 120, 4: 120, 5: 120, 6: 120, 9: 32}
    turns = {2: 6, 3: 6, 4: 6, 5: 6, 6: 6, 9: 2, 10: 0}
    with clock.at(MONDAY):
        pages = {day: text(bench.get(f"/bench/day/2026-03-{day:02}/")) for day in turns}

    assert {day: page.count("Cast pebbles Pebble To do") for day, page in pages.items()} == turns
    assert "In Pebble trays holds 20 pieces Pieces 20 For 20 for W-1001 Hands 10 min" in pages[2]
    assert "Pieces 12 For 12 for W-1001 Hands 6 min 12 × 0.5 min" in pages[9]
    # 120 × 0.5 + 42 × 3 on the first day, 32 × 0.5 + 23 × 2.5 on the last
    assert "Bench 186 of 360 min" in pages[2]
    assert "Bench 73.5 of 360 min" in pages[9]


def test_s4_the_day_sheets_pour_21_a_melt_and_seal_474_g_a_day(bench: Client, jars: Order) -> None:
    """⌊4,000 × 0.97 ÷ 180⌋ = 21; 120 = 5 × 21 + 15: 6 melts. 114 good ÷ 5 = 22 jars, then 23: 460 ÷ 0.97 = 474.23."""
    assert [load.portions.get().pieces for load in on("POT-A")] == [21, 21, 21, 21, 21, 15]
    assert pieces_by_day("seal") == {3: 22, 4: 23, 5: 23, 6: 23, 9: 23, 10: 6}
    with clock.at(MONDAY):
        monday, friday = (text(bench.get(f"/bench/day/2026-03-0{day}/")) for day in (2, 6))

    # 21 × 180 = 3,780; ÷ 0.97 = 3,896.91; 22 × 180 ÷ 0.97 = 4,082.47 > 4,000
    assert "21 × 180 g = 3,780 g With 3 % lost in the pot: 3,780 ÷ (1 − 0.03) = 3,896.907 g" in monday
    assert "23 × 20 g = 460 g With 3 % lost in the pot: 460 ÷ (1 − 0.03) = 474.227 g" in friday
    assert "Lay ready 115 pieces of Pebble" in friday


def test_s4_the_needs_page_counts_600_good_pebbles(bench: Client, jars: Order) -> None:
    """5 × 120 × 0.95 + 32 × 0.95 = 570 + 30.4: 600 good for 120 × 5, none to spare; 115 by the day, 30 at the last."""
    with clock.at(MONDAY):
        page = text(bench.get("/bench/needs/PEBBLE/"))

    assert "Needed 600 pieces There today 0 pieces Still to come 600 pieces" in page
    assert "Tue 10 Mar 30 30 0" in page
    for day, pieces in (("Tue 3", 110), ("Wed 4", 115), ("Thu 5", 115), ("Fri 6", 115), ("Mon 9", 115), ("Tue 10", 30)):
        assert f"{day} Mar in all {pieces} pieces" in page


def test_s4_the_capacity_page_has_six_melts_full_trays_and_1336_minutes(bench: Client, jars: Order) -> None:
    """6 melts of 2 a day are 3 days of pot A; 632 × 0.5 + 120 × (3 + 2.5 + 3) = 1,336 min: 11.13 a jar, 3.7 days."""
    with clock.at(MONDAY):
        page, later = capacity_page(), capacity_page(date(2026, 3, 16))
        shown = text(bench.get("/bench/capacity/")).partition("used of what there is")[2]

    # Whip bowl, pot A, pot B, pebble trays, rosette tray
    assert "In all 0 of 40 6 of 20 6 of 30 32 of 60 0 of 30" in shown
    melts, _ = used(page, "Pot A")
    assert melts / 2 == 3
    assert used(page, "Pebble trays") == (32, {2: 6, 3: 6, 4: 6, 5: 6, 6: 6, 9: 2})
    assert used(page, "Pot B") == (6, {3: 1, 4: 1, 5: 1, 6: 1, 9: 1, 10: 1})
    minutes = used(page, "Bench")[0] + used(later, "Bench")[0]
    assert (minutes, round(minutes / 120, 2), round(minutes / 360, 1)) == (1336, D("11.13"), D("3.7"))


def test_s4_the_batch_sheet_of_a_turn_weighs_20_pebbles_and_tells_the_risk(jars: Order) -> None:
    """20 × 6 = 120; ÷ 0.97 = 123.711 g. P(Bin(632, 0.95) < 600) = 42 % (SciPy); 12 × 6 ÷ 0.97 = 74.227 g."""
    with clock.at(MONDAY):
        first, last = sheet(on("TRAY-P")[0]), sheet(on("TRAY-P").reverse()[0])

    assert [(paper.pieces, paper.melts[0].gross_g) for paper, _ in (first, last)] == [
        (20, D("123.711")), (12, D("74.227")),
    ]  # fmt: skip
    assert "600 good ones needed, at a yield of 95 %: 632 starts by the expected yield" in first[1]
    assert "too few with a chance of 42 %" in first[1]


def test_s4_made_as_planned_it_is_packed_on_friday_20(bench: Client, jars: Order) -> None:
    """31 turns × 19 + 11 = 600 good; on Thu 19 six jars still cure, on Fri 20 all 20 cases are packed."""
    for day in Load.objects.order_by("day").values_list("day", flat=True).distinct():
        with clock.at(f"{day}T09:00"):
            make(Load.objects.filter(day=day).order_by("pk"))
    assert LoadPortion.objects.filter(operation="cast").aggregate(n=Sum("good"))["n"] == 600
    assert not Load.objects.filter(done_at=None).exists()

    with clock.at("2026-03-19T17:00"):
        assert "6 cure until Fri 20 Mar" in queue_row(bench, jars.number)
        assert packed(bench, jars).status_code == 422
    with clock.at("2026-03-20T09:00"):
        page = text(packed(bench, jars))
    assert "Packed Fri 20 Mar 09:00" in page
    assert "Pebble jar 120 Rain garden 20 0 20 0" in page
    assert not Lot.objects.filter(item__code="PEBBLE", on_hand__gt=0).exists()


def packed(bench: Client, order: Order) -> Any:
    """The answer to packing all cases of an order."""
    bench.post(f"/bench/orders/{order.number}/confirm/")
    cases = {f"cases-{line.pk}": line.cases for line in order.lines.all()}
    return bench.post(f"/bench/orders/{order.number}/pack/", {"token": "once", "cartons": 1, **cases}, follow=True)
