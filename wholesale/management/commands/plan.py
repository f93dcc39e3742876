"""``manage.py plan``: what is to be done on which day, and what the plan breaks."""

from typing import Any

from django.core.management.base import BaseCommand

from wholesale.core.production.check import check
from wholesale.management.plan_told import plan_by_day
from wholesale.queries import production, workshop


class Command(BaseCommand):
    """Prints the plan."""

    help = "Print the plan day by day, and every rule or promise it does not keep."

    def handle(self, *args: Any, **options: Any) -> None:
        """Loads to do by day, then what the independent check finds."""
        shop = production.planner(workshop.workshop())
        plan, demands = production.current_plan(), production.demands()
        self.stdout.write(f"Plan {production.plan_version()}")
        self.stdout.write(plan_by_day(shop.catalogue, plan, production.demand_names(demands)))
        found = check(shop, plan, demands, production.free_stock(), production.first_day(shop))
        for breach in found:
            self.stdout.write(f"{breach.kind}: {breach.where}: {breach.message}")
        self.stdout.write(f"{len(found)} things to look at." if found else "Every rule and every promise is kept.")
