"""Examples for the laws of supply: benches with materials to wait for, equipment out of use, deposits and wishes."""

from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

from hypothesis import strategies as st

from tests import mossgate, strategies
from tests.strategies import MONDAY, Case, Order
from wholesale.core.catalogue import Catalogue, Sku
from wholesale.core.production.work import Demand, Outage, Shop
from wholesale.core.stock import OnHand

#: Through a melt with its load, a melt alone, and the melt of a cast part.
MATERIALS = ("OIL-RG", "SOY", "WHIPWAX", "CASTWAX")
_DAYS = st.integers(-3, 20).map(lambda days: MONDAY + timedelta(days=days))


def _bound(goods: Catalogue, codes: set[str]) -> Catalogue:
    return replace(goods, items={code: replace(i, binds_plan=code in codes) for code, i in goods.items.items()})


@st.composite
def _lots(draw: st.DrawFn, code: str) -> OnHand:
    """Some grams of a material, that keep or are good for a few days only."""
    came, keeps = draw(_DAYS), draw(st.sampled_from([None, None, 0, 3, 8]))
    grams = draw(st.sampled_from([20, 57, 150, 700]))
    expires = None if keeps is None else came + timedelta(days=keeps)
    return OnHand(sku=Sku(code), usable_on=came, quantity=Fraction(grams), expires_on=expires)


@st.composite
def _demand(draw: st.DrawFn, demand: Demand) -> Demand:
    """The demand with a deposit awaited, a day before which it isn't wanted, or neither."""
    starts, leaves = (draw(st.sampled_from([None, None, 1, 6])), draw(st.sampled_from([None, None, 5, 40])))
    return replace(
        demand,
        starts_from=None if starts is None else MONDAY + timedelta(days=starts),
        leaves_from=None if leaves is None else MONDAY + timedelta(days=leaves),
    )


@st.composite
def _orders(draw: st.DrawFn) -> tuple[Order, ...]:
    found = draw(strategies.orders(3))
    return tuple(replace(order, demands=tuple(draw(_demand(d)) for d in order.demands)) for order in found)


def _outages() -> st.SearchStrategy[tuple[Outage, ...]]:
    out = st.builds(
        lambda code, count, first, days: Outage(
            equipment=code, count=count, first=first, last=None if days is None else first + timedelta(days=days)
        ),
        st.sampled_from(["POT-A", "POT-B", "BOWL", "TRAY-P"]), st.integers(1, 2), _DAYS,
        st.sampled_from([0, 2, 5, None]),
    )  # fmt: skip
    return st.lists(out, max_size=2).map(tuple)


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Up to three orders on such a bench."""
    codes = draw(st.sets(st.sampled_from(MATERIALS), min_size=1, max_size=3))
    lots = [draw(_lots(code)) for code in sorted(codes) for _ in range(draw(st.integers(0, 3)))]
    shop = Shop(
        catalogue=_bound(draw(strategies.catalogues()), codes), calendar=draw(strategies.calendars()),
        horizon_days=60, outages=draw(_outages()),
    )  # fmt: skip
    return Case(shop=shop, stock=(*draw(strategies.on_hand()), *lots), orders=draw(_orders()))


@st.composite
def histories(draw: st.DrawFn) -> Case:
    """The same, with what became of the first days' loads."""
    fates = st.lists(st.integers(0, 6), min_size=1, max_size=8).map(tuple)
    return replace(draw(cases()), fates=draw(fates), days_gone=draw(st.integers(1, 8)))


def tray_out(first: date, last: date | None) -> Shop:
    """Mossgate's bench with one of the two pebble trays broken for some days."""
    return replace(mossgate.shop(), outages=(Outage(equipment="TRAY-P", count=1, first=first, last=last),))
