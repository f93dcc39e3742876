"""``manage.py promise ITEM CASES``: when so many cases, ordered now, would leave, and why."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from wholesale.core.orders import Basket, BasketLine
from wholesale.core.values import Refusal
from wholesale.management.plan_told import promise_told
from wholesale.queries import orders, production, workshop


class Command(BaseCommand):
    """Prints a promise with its gates."""

    help = "Print when so many cases of a product, ordered now, would leave and arrive, with every gate."

    def add_arguments(self, parser: CommandParser) -> None:
        """What, how much, and in which scent."""
        parser.add_argument("item", metavar="ITEM", help="the product's code, such as SUC")
        parser.add_argument("cases", metavar="CASES", type=int)
        parser.add_argument("--scent", default="", help="a scent's code; the first one there is, when left out")

    def handle(self, *args: Any, item: str, cases: int, scent: str, **options: Any) -> None:
        """Promise it as to a shop that owes no deposit; nothing is written."""
        goods = production.planner(workshop.workshop()).catalogue
        if item not in goods.items:
            raise CommandError(f"There is no item '{item}'. There are: {', '.join(sorted(goods.items))}.")
        product = goods.items[item]
        mix = ((scent or next(iter(goods.scents), "") if product.scented else scent, product.case_pack),)
        basket = Basket(lines=(BasketLine(item=item, cases=cases, mix=mix),))
        try:
            promised, sooner = orders.promised_now(basket)
        except Refusal as refused:
            raise CommandError(refused.message) from None
        what = f"{cases} × {product.name}" + (f", {goods.scents[mix[0][0]].name}" if mix[0][0] else "")
        self.stdout.write(promise_told(what, promised, sooner))
