"""How long it takes to promise two cases of cups at the demo workshop with its open orders."""

import statistics
import time

import pytest

from tests import builders
from wholesale.core.orders import Basket
from wholesale.queries import orders

ROUNDS = 60


@pytest.mark.bench
@pytest.mark.django_db
def test_promising_two_cases_of_succulent_cups(capsys: pytest.CaptureFixture[str]) -> None:
    """Print median and 95th percentile of a quote, rows read and gates walked."""
    builders.mossgate_rows(stock=True, orders=True)
    shop = builders.shop("corner")
    basket: Basket = builders.basket(("SUC", 2, "RG"))
    took = []
    for _ in range(ROUNDS):
        started = time.perf_counter()
        found = orders.quote(shop, basket)
        took.append(1000 * (time.perf_counter() - started))
        assert found.promise is not None

    p95 = statistics.quantiles(took, n=20)[-1]
    with capsys.disabled():
        print(f"\npromise of 2 SUC cases: median {statistics.median(took):.0f} ms, p95 {p95:.0f} ms, {ROUNDS} rounds")  # noqa: T201
