"""Which load on which day: deterministic insertion, earliest first, into what is already planned.

A demand's pieces travel in groups. The step that starts the cure is placed on the
earliest day on which everything before it can be in time; steps before it go as
late as their waits allow (joining started loads first, so that pots are filled),
parts as early as there is room, steps after it as late as they may without
holding the order up. Loads already planned never move: accepting an order makes
no other one late.
"""

from collections.abc import Iterable, Sequence
from datetime import date

from wholesale.core.production.bench import Bench
from wholesale.core.production.course import planned, remainder
from wholesale.core.production.insertion import Insertion
from wholesale.core.production.mending import lift, mend, without
from wholesale.core.production.work import Demand, Outcome, Placed, Plan, Shop
from wholesale.core.stock import OnHand

__all__ = ["Outcome", "Placed", "Shop", "insert", "lift", "mend", "planned", "remainder", "without"]


def insert(shop: Shop, plan: Plan, demands: Sequence[Demand], stock: Iterable[OnHand], first_day: date) -> Outcome:
    """Place new demands, one after the other, from ``first_day`` on.

    A ``Refusal`` names the demand and the step when the horizon has no room.
    """
    bench = Bench(shop, plan, stock, first_day)
    placed: list[Placed] = []
    for demand in demands:
        placed += Insertion(shop, bench, demand).run()
        bench.keep()
    return Outcome(plan=bench.plan(), placed=tuple(placed))
