"""The promise and its gates: what binds, how long each took, and what each setting changes.

Mossgate's bench (invented; common practice, no source). 2 March 2026 is a Monday.
"""

import json
from dataclasses import replace
from datetime import date, time
from fractions import Fraction

import pytest

from tests import mossgate
from wholesale.core.catalogue import Sku
from wholesale.core.production.calendar import Day, DayKind
from wholesale.core.production.plan import insert
from wholesale.core.production.promise import Asked, Gate, Promise, promise
from wholesale.core.production.work import Demand, Plan
from wholesale.core.stock import OnHand
from wholesale.core.values import Refusal

THU = date(2026, 3, 5)
ASKED = Asked(on=THU, at=time(13, 50), cut_off=time(14), carrier_days=2)
SUC = Sku("SUC", "RG")


def promised(
    *demands: Demand, asked: Asked = ASKED, stock: tuple[OnHand, ...] = (), plan: Plan | None = None, trays: int = 2
) -> Promise:
    """The promise for some demands, twelve cups if none are named."""
    return promise(mossgate.shop(trays), plan or Plan(), demands or (mossgate.demand("SUC", 12),), stock, asked)[0]


def passed(found: Promise) -> list[tuple[str, int, int]]:
    """Each gate with its day of March and the days it took."""
    return [(gate.code, gate.passed_on.day, gate.took_days) for gate in found.gates]


def binding(found: Promise) -> Gate:
    """The one gate that binds."""
    (gate,) = (gate for gate in found.gates if gate.binding)
    return gate


def test_the_gates_of_two_cases_of_cups_ordered_before_the_cut_off() -> None:
    """S3, Thu 5 March 13:50: pour and cast Thu, a night, pipe Fri 6, ten days, packed Mon 16, carrier Wed 18."""
    found = promised()

    assert passed(found) == [
        ("cut_off", 5, 0),
        ("cast", 5, 0),
        ("pour", 5, 0),
        ("set", 6, 1),
        ("pipe", 6, 0),
        ("cure", 16, 10),
        ("packing", 16, 0),
        ("carrier", 18, 2),
    ]
    assert binding(found).code == "cure"
    assert (found.leaves.day, found.arrives.day, found.holds_on) == (16, 18, THU)


def test_many_days_off_in_a_row_are_told_as_one() -> None:
    """Poured on Fri 6; Monday and Tuesday are closed as well, so the cups are piped on Wed 11."""
    shop = mossgate.shop()
    closed = {date(2026, 3, day): Day(kind=DayKind.CLOSED) for day in (9, 10)}
    shop = replace(shop, calendar=replace(shop.calendar, days={**shop.calendar.days, **closed}))

    gate = binding(promise(shop, Plan(), [mossgate.demand("SUC", 12)], (), replace(ASKED, at=time(15, 10)))[0])

    assert (gate.code, gate.passed_on.day) == ("pipe", 11)
    assert gate.because == "not sooner: no work day from Sat 7 Mar to Tue 10 Mar"


@pytest.mark.parametrize(
    ("day", "at", "code", "words"),
    [
        # nobody could do better: ten days of cure
        (5, time(13, 50), "cure", "10 days; sellable from then on"),
        # pour Fri 6; Sat and Sun nobody tops
        (5, time(15, 10), "pipe", "not sooner: market day on Sat 7 Mar, closed day on Sun 8 Mar"),
        # sellable Sat 14, packed Mon 16
        (3, time(13, 50), "packing", "the first working day after"),
        # sellable Sun 15, packed Mon 16: the cut-off costs nothing, as ten to two gives the same Monday
        (3, time(15, 10), "packing", "the first working day after"),
    ],
)
def test_the_binding_gate_of_the_four_orders_of_s3(day: int, at: time, code: str, words: str) -> None:
    """What somebody could change comes before what nobody can."""
    gate = binding(promised(asked=replace(ASKED, on=date(2026, 3, day), at=at)))

    assert (gate.code, gate.because) == (code, words)


def test_pebble_trays_bind_a_large_order_and_a_third_tray_frees_them() -> None:
    """S4: with two trays the 632 casts end on Mon 9; the reason names the tray, not another shop."""
    asked = replace(ASKED, on=date(2026, 3, 2), at=time(9))
    two, three = (promised(mossgate.demand("PEB", 120), asked=asked, trays=trays) for trays in (2, 3))

    assert binding(two).because == "not sooner: Pebble trays full from Mon 2 Mar to Fri 6 Mar"
    assert (two.leaves.day, two.arrives.day, three.leaves.day) == (20, 24, 16)


@pytest.mark.parametrize(
    ("rival", "leaves", "arrives"),
    [
        ({}, 16, 18),
        # a later cut-off lets 15:10 count for the same day
        ({"at": time(15, 10), "cut_off": time(16)}, 16, 18),
        ({"at": time(15, 10)}, 19, 23),
        # the maker's own round: no carrier days
        ({"carrier_days": 0}, 16, 16),
        # five carrier days from Mon 16: Mon 23
        ({"carrier_days": 5}, 16, 23),
        # a deposit in two working days: Mon 9 pour, Tue 10 pipe, sellable Fri 20, carrier Tue 24
        ({"deposit_days": 2}, 20, 24),
        ({"deposit_days": 0}, 16, 18),
    ],
)
def test_each_setting_moves_the_promise(rival: dict[str, object], leaves: int, arrives: int) -> None:
    """Twelve cups on Thu 5 March at 13:50, but for what is said."""
    found = promised(asked=replace(ASKED, **rival))  # type: ignore[arg-type]

    assert (found.leaves.day, found.arrives.day) == (leaves, arrives)


def test_a_deposit_is_a_gate_with_its_day() -> None:
    """Due in two working days from Thu 5: Mon 9; the promise holds until then."""
    found = promised(asked=replace(ASKED, deposit_days=2))

    assert ("deposit", 9, 4) in passed(found)
    assert found.holds_on == date(2026, 3, 9)


def test_an_order_on_a_market_day_counts_from_monday() -> None:
    """Sat 7 March, in the morning."""
    gate = promised(asked=replace(ASKED, on=date(2026, 3, 7), at=time(9))).gates[0]

    assert (gate.passed_on.day, gate.took_days, gate.because) == (9, 2, "not a working day: counts from the next one")


def test_pieces_on_the_shelf_leave_today() -> None:
    """12 cured cups on hand: leaves Thu 5, arrives Mon 9."""
    found = promised(stock=(OnHand(sku=SUC, usable_on=date(2026, 2, 27), quantity=Fraction(12)),))

    assert passed(found) == [("cut_off", 5, 0), ("stock", 5, 0), ("packing", 5, 0), ("carrier", 9, 4)]


def test_pieces_still_curing_leave_when_they_may_be_sold() -> None:
    """12 cups sellable from Sun 8: packed Mon 9, arrive Wed 11."""
    found = promised(stock=(OnHand(sku=SUC, usable_on=date(2026, 3, 8), quantity=Fraction(12)),))

    assert (found.leaves.day, found.arrives.day) == (9, 11)


def test_an_order_of_several_products_leaves_with_its_last_piece() -> None:
    """Cups leave Mon 16; 120 jars from Thu 5: 632 casts on Thu, Fri, Mon to Thu 12, seal Fri 13, Mon 23."""
    cups, jars = mossgate.demand("SUC", 12, key="A"), mossgate.demand("PEB", 120, key="B")
    found = promised(cups, jars)

    assert dict(found.by_demand) == {"A": date(2026, 3, 16), "B": date(2026, 3, 23)}
    assert found.leaves == date(2026, 3, 23)


def test_a_full_bench_promises_later_and_gives_no_other_shop_away() -> None:
    """Another order fills the trays; the reason speaks of the workshop only."""
    asked = replace(ASKED, on=date(2026, 3, 2), at=time(9))
    other = mossgate.demand("PEB", 120, key="secret-shop")
    busy = insert(mossgate.shop(), Plan(), [other], (), date(2026, 3, 2)).plan
    found = promised(mossgate.demand("PEB", 12, key="B"), asked=asked, plan=busy)

    assert found.leaves > promised(mossgate.demand("PEB", 12, key="B"), asked=asked).leaves
    assert not [gate for gate in found.gates if "secret-shop" in gate.because + gate.title]


def test_nothing_asked_for_is_refused() -> None:
    """No demand, or none of a piece."""
    for demands in ((), (mossgate.demand("SUC", 0),)):
        with pytest.raises(Refusal, match="The order is empty"):
            promise(mossgate.shop(), Plan(), demands, (), ASKED)


def test_gates_are_kept_as_json_and_come_back_the_same() -> None:
    """As they are frozen on the order."""
    gates = promised().gates

    assert tuple(Gate.from_json(json.loads(json.dumps(gate.to_json()))) for gate in gates) == gates
