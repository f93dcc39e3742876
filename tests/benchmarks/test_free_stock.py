"""How long it takes to know the free stock of 500 items over a million entries of the ledger, on PostgreSQL."""

import gc
import statistics
import time
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction

import pytest
from django.db import connection

from accounts.models import Shop
from tests import builders
from wholesale.core.catalogue import Sku
from wholesale.core.stock import OnHand
from wholesale.models import OrderLineScent
from wholesale.queries import production

ITEMS, LOTS_AN_ITEM, ENTRIES = 500, 8, 1_000_000
#: Each lot is filled by 1,000 pieces; then every entry takes one, or puts one back. An order holds 10 of each lot.
NUMBERS = {"items": ITEMS, "lots": LOTS_AN_ITEM, "entries": ENTRIES // (ITEMS * LOTS_AN_ITEM), "held": 10}
ROUNDS = 30

ROWS = (
    """
    INSERT INTO wholesale_item (code, name, description, kind, unit, scented, case_pack, mix_scents, mix_least, loss,
        yield_share, on_sale, gtin, samples_per_batch, keeps_leftover, limits_refuse, binds_plan, supplier, supply_days,
        cautions, position)
    SELECT 'BENCH-' || n, 'Product ' || n, '', 'product', 'piece', false, 6, 1, 1, 0,
        1, true, '', 0, false, false, false, '', 0,
        '', n
    FROM generate_series(1, %(items)s) n
    """,
    """
    INSERT INTO wholesale_lot (code, item_id, scent, made_on, usable_on, on_hand, state, state_because,
        supplier, supplier_lot)
    SELECT item.code || '-' || n, item.id, '', '2026-02-01', date '2026-02-01' + n, 0,
        CASE WHEN n = %(lots)s THEN 'hold' ELSE 'ok' END, '',
        '', ''
    FROM wholesale_item item, generate_series(1, %(lots)s) n WHERE item.code LIKE 'BENCH-%%'
    """,
    """
    INSERT INTO wholesale_stockmovement (lot_id, quantity, place, at, reason, reference, because, token)
    SELECT lot.id, CASE WHEN n = 1 THEN 1000 WHEN mod(n, 3) = 0 THEN 1 ELSE -1 END, 'shelf', now(), 'counted', '',
        '', ''
    FROM wholesale_lot lot, generate_series(1, %(entries)s) n
    """,
    """
    UPDATE wholesale_lot SET on_hand = sums.sum
    FROM (SELECT lot_id, sum(quantity) FROM wholesale_stockmovement GROUP BY lot_id) sums
    WHERE sums.lot_id = wholesale_lot.id
    """,
    """
    INSERT INTO wholesale_reservation (lot_id, order_scent_id, pieces, shipped, from_stock)
    SELECT lot.id, %(order_scent)s, %(held)s, 0, true FROM wholesale_lot lot
    """,
    "ANALYZE",
)
#: Free by item, from the entries and the reservations themselves.
SUMS = """
    SELECT item.code, sum(entries.sum - held.sum)
    FROM wholesale_lot lot
    JOIN wholesale_item item ON item.id = lot.item_id
    JOIN (SELECT lot_id, sum(quantity) FROM wholesale_stockmovement GROUP BY lot_id) entries ON entries.lot_id = lot.id
    JOIN (SELECT lot_id, sum(pieces - shipped) FROM wholesale_reservation GROUP BY lot_id) held ON held.lot_id = lot.id
    WHERE lot.state = 'ok' GROUP BY item.code
"""


@pytest.mark.bench
@pytest.mark.postgres
@pytest.mark.django_db
def test_free_stock_of_500_items_over_a_million_entries(capsys: pytest.CaptureFixture[str]) -> None:
    """Print median and 95th percentile; what is found equals the sum of the rows, item by item."""
    summed = _fill()
    with _without_the_tests_own_heap():
        took, found = _measured()

    assert _by_sku(found) == summed
    # 250 entries: 1,000, then 83 times one more and 166 times one less; 10 are held. One lot of eight is on hold.
    assert set(summed.values()) == {7 * (1000 + 83 - 166 - 10)}
    p95 = statistics.quantiles(took, n=20)[-1]
    size = f"{len(summed)} items, {ITEMS * LOTS_AN_ITEM:,} lots, {ENTRIES:,} entries"
    with capsys.disabled():
        print(f"\nfree stock of {size}: median {statistics.median(took):.0f} ms, p95 {p95:.0f} ms, {ROUNDS} rounds")  # noqa: T201


@contextmanager
def _without_the_tests_own_heap() -> Iterator[None]:
    """Keep the interpreter's garbage collections from walking what pytest and its plugins have loaded.

    About one call in ten sets off a full collection. Over the 230,000 objects of a test process it
    takes a quarter of a second (measured; 1 ms with these put aside), which says nothing of the query.
    What the calls themselves make is still collected.
    """
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def _measured() -> tuple[list[float], list[OnHand]]:
    """Milliseconds of each round, and what the last one found."""
    took: list[float] = []
    found: list[OnHand] = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        found = production.free_stock()
        took.append(1000 * (time.perf_counter() - started))
    return took, found


def _fill() -> dict[Sku, Fraction]:
    """Write the ledger straight into the tables, and sum it there."""
    builders.mossgate_rows()
    builders.place(Shop.objects.get(slug="brindle-fen"), ("FRN", 2, "CF"))
    order_scent = OrderLineScent.objects.get().pk
    with connection.cursor() as cursor:
        for rows in ROWS:
            cursor.execute(rows, NUMBERS | {"order_scent": order_scent})
        cursor.execute("SELECT count(*) FROM wholesale_stockmovement")
        assert cursor.fetchone() == (ENTRIES,)
        cursor.execute(SUMS)
        return {Sku(code): Fraction(int(total)) for code, total in cursor.fetchall()}


def _by_sku(found: list[OnHand]) -> dict[Sku, Fraction]:
    sums: dict[Sku, Fraction] = {}
    for row in found:
        sums[row.sku] = sums.get(row.sku, Fraction(0)) + row.quantity
    return sums
