"""How long a promise takes: a quote through the tables, and the sums alone on a bench with a full plan."""

import datetime as dt
import gc
import random
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from copy import deepcopy

import pytest

from tests import builders
from tests.benchmarks import stored, weeks
from wholesale.config.memory import settle
from wholesale.core.catalogue import ItemKind, Sku
from wholesale.core.orders import Basket, BasketLine
from wholesale.core.production.alternatives import Asking, sooner
from wholesale.core.production.baskets import Ground, demands_of
from wholesale.core.production.promise import Asked, bound, promise_on
from wholesale.core.production.work import Demand
from wholesale.queries import orders, production
from wholesale.queries.benches import bench_on

ROUNDS = 60
#: A basket's lines, open orders, and the dates of an order sheet.
LINES, OPEN, DATES = 6, 200, 200
SEED = 20260302


def timed(capsys: pytest.CaptureFixture[str], what: str, run: Callable[[int], object], rounds: int = ROUNDS) -> None:
    """Run it so often and print median and 95th percentile in milliseconds."""
    took = []
    for number in range(rounds):
        started = time.perf_counter()
        run(number)
        took.append(1000 * (time.perf_counter() - started))
    p95 = statistics.quantiles(took, n=20)[-1] if rounds > 1 else took[0]
    with capsys.disabled():
        print(f"\n{what}: median {statistics.median(took):.0f} ms, p95 {p95:.0f} ms, {rounds} rounds")  # noqa: T201


@contextmanager
def as_in_the_web_server() -> Iterator[None]:
    """Memory handled as a web process does, for a while."""
    usual = gc.get_threshold()
    settle()
    yield
    gc.unfreeze()
    gc.set_threshold(*usual)


@pytest.fixture(scope="module")
def full() -> Iterator[Ground]:
    """200 open orders of the four-person bench, 1,000 planned loads and more."""
    state = weeks.open_orders(OPEN)
    with as_in_the_web_server():
        yield Ground(shop=state.shop, plan=state.plan, stock=())


@pytest.fixture(scope="module")
def asked() -> Asked:
    """Monday morning, the first day of that plan."""
    return Asked(on=weeks.START, at=dt.time(9), cut_off=dt.time(14), carrier_days=2)


def basket(ground: Ground, chance: random.Random) -> Basket:
    """Six lines of whole cases, each of one product in one scent."""
    goods = ground.shop.catalogue
    products = [item for item in goods.items.values() if item.kind is ItemKind.PRODUCT]
    skus = [(item, scent) for item in products for scent in goods.scents]
    return Basket(lines=tuple(
        BasketLine(item=item.code, cases=chance.randint(1, 6), mix=((scent, item.case_pack),))
        for item, scent in chance.sample(skus, LINES)
    ))  # fmt: skip


@pytest.mark.bench
def test_promising_six_lines_on_a_full_plan_with_what_would_come_sooner(
    capsys: pytest.CaptureFixture[str], full: Ground, asked: Asked
) -> None:
    """The bar: p95 ≤ 150 ms for 6 lines against 200 open orders and 1,000 planned loads, "sooner if" included."""
    chance = random.Random(SEED)
    baskets = [basket(full, chance) for _ in range(ROUNDS)]
    kinds: dict[str, int] = {}
    # Each request reads its rows anew: an equal ground, compared row by row with the one the bench stands on.
    grounds = [full, deepcopy(full)]

    def promise(number: int) -> None:
        with bench_on(grounds[number % 2], asked) as (ground, _, bench):
            mark = bench.mark()
            found, placed = promise_on(bench, demands_of(baskets[number]), asked)
            assert not ground.faults_of(bench.plan(), bound(ground.shop, demands_of(baskets[number]), asked))
            bench.back_to(mark)
            asking = Asking(ground=ground, basket=baskets[number], asked=asked, promised=found, placed=placed)
            for other in sooner(asking, bench):
                kinds[other.kind] = kinds.get(other.kind, 0) + 1

    assert len(full.plan.loads) >= 1000
    timed(capsys, f"promise of {LINES} lines, {OPEN} orders, {len(full.plan.loads)} loads, sooner-if included", promise)
    with capsys.disabled():
        print(f"alternatives offered, seed {SEED}: {kinds}")  # noqa: T201
    assert kinds["pick_up"] == ROUNDS


@pytest.mark.bench
def test_the_dates_of_a_whole_sheet_on_a_full_plan(
    capsys: pytest.CaptureFixture[str], full: Ground, asked: Asked
) -> None:
    """The bar: the order sheet's 200 dates in ≤ 2 s, one bench for all of them."""
    goods = full.shop.catalogue
    skus = [Sku(item.code, scent) for item in goods.items.values() if item.kind is ItemKind.PRODUCT
            for scent in goods.scents]  # fmt: skip
    found = []

    def sheet(_: int) -> None:
        bench = full.bench(asked)
        mark = bench.mark()
        for number in range(DATES):
            sku = skus[number % len(skus)]
            demand = Demand(key=f"d{number}", sku=sku, pieces=goods.items[sku.item].case_pack)
            found.append(promise_on(bench, [demand], asked)[0].leaves)
            bench.back_to(mark)

    timed(capsys, f"{DATES} dates of the order sheet, {len(full.plan.loads)} loads", sheet, rounds=3)
    assert len(found) == 3 * DATES


@pytest.mark.bench
@pytest.mark.django_db
def test_promising_two_cases_of_succulent_cups(capsys: pytest.CaptureFixture[str]) -> None:
    """A quote of the demo workshop, rows read and gates walked."""
    builders.mossgate_rows(stock=True, orders=True)
    shop = builders.shop("corner")
    cups = builders.basket(("SUC", 2, "RG"))

    timed(capsys, "quote of 2 SUC cases", lambda _: orders.quote(shop, cups, alternatives=True))
    assert orders.quote(shop, cups).promise is not None


@pytest.mark.bench
@pytest.mark.django_db
def test_quoting_six_lines_with_200_orders_in_the_tables(capsys: pytest.CaptureFixture[str]) -> None:
    """All that a shop waits for: rows read, plan put together, prices, promise, what would come sooner."""
    chance = random.Random(SEED)
    shop = stored.two_hundred_orders(chance)
    baskets = [
        builders.basket(*[(item, chance.randint(1, 6), scent) for item, scent in chance.sample(stored.SKUS, LINES)])
        for _ in range(ROUNDS)
    ]
    quotes = []
    loads = len(production.current_plan().loads)
    what = f"quote of {LINES} lines, {OPEN} orders and {loads} loads in the tables, sooner-if included"
    with as_in_the_web_server():
        timed(capsys, what, lambda number: quotes.append(orders.quote(shop, baskets[number], alternatives=True)))
    assert loads >= 1000
    assert all(quote.promise and quote.sooner for quote in quotes)
