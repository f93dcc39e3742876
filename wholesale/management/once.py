"""The main job of the house, once, on fresh demo data: from orders to papers, all by the real actions."""

import time
from collections.abc import Callable
from datetime import date
from uuid import uuid4

from django.core.files.storage import default_storage
from django.core.management.base import CommandError

from accounts.models import StaffRole, User
from wholesale import clock
from wholesale.actions import invoicing, production, shipping
from wholesale.management import demo, told
from wholesale.management.crew import Crew
from wholesale.queries import bench_orders, bench_queue, day_sheet, documents
from wholesale.queries import production as plan
from wholesale.queries import shipping as shelf
from wholesale.queries.documents import PaperRow

#: A worker makes a paper in about a second; a slow machine may take its time.
PAPER_SECONDS = 240


def run(members: Crew, write: Callable[[str], object]) -> None:
    """Do it and tell it; ``CommandError`` with the reason when anything fails."""
    demo.make_tables()
    demo.start_worker(members)
    demo.load_workshop(running=False)
    maker = User.objects.get(staff_role=StaffRole.MAKER)
    orders = sorted(row.number for row in bench_queue.queue().rows)
    for number in orders:
        write(told.promised(bench_orders.bench_order(number)))
    days = sorted({load.day for load in plan.current_plan().loads})
    for day in days:
        write(told.bench_day(day_sheet.day_sheet(day)))
    sheets = ask_for_sheets(maker, clock.today())
    for line in send_what_is_ready(maker):
        write(line)
    papers = wait_for(members, orders, sheets)
    write(told.papers(papers))


def ask_for_sheets(maker: User, on: date) -> list[int]:
    """Have the batch sheet of each load of a day made; their rows."""
    stages = day_sheet.day_sheet(on).stages
    return [production.batch_sheet(by=maker, load=load.id) for _, loads in stages for load in loads]


def send_what_is_ready(maker: User) -> list[str]:
    """Pack, ship and invoice the confirmed orders that can leave in full today."""
    lines = []
    for page in shelf.to_pack():
        if page.may_pack and all(line.ready == line.open for line in page.lines):
            cases = {line.line: line.open for line in page.lines}
            shipment = shipping.pack(by=maker, number=page.number, cases=cases, token=str(uuid4()))
            shipping.ship(by=maker, number=shipment, carrier="Own round")
            invoice = invoicing.issue(by=maker, shipment=shipment)
            lines.append(f"Order {page.number} was ready on the shelf: left as {shipment}, billed as {invoice}.\n")
    if not lines:
        raise CommandError("No order could leave today, though the demo has one that is ready on the shelf.")
    return lines


def wait_for(members: Crew, orders: list[str], sheets: list[int]) -> list[PaperRow]:
    """All papers once the worker has made them and sent their e-mails.

    ``CommandError`` when one fails, when the worker ends, or when the time is over.
    """
    until = time.monotonic() + PAPER_SECONDS
    while True:
        papers = [paper for number in orders for paper in bench_orders.papers(number)]
        papers += [documents.paper(sheet) for sheet in sheets]
        _refuse_failed(members, papers)
        if not any(paper.poll for paper in papers):
            return _stored(papers)
        if time.monotonic() > until:
            waiting = ", ".join(paper.title for paper in papers if paper.poll)
            raise CommandError(f"The worker has not made these within {PAPER_SECONDS} s: {waiting}.")
        time.sleep(0.3)


def _refuse_failed(members: Crew, papers: list[PaperRow]) -> None:
    failed = [f"{paper.title}: {paper.reason or paper.mail_reason}" for paper in papers if paper.can_retry]
    if failed:
        raise CommandError("\n".join(["A paper could not be made or sent.", *failed]))
    if lost := members.lost():
        raise CommandError(lost)


def _stored(papers: list[PaperRow]) -> list[PaperRow]:
    """The papers, each of which must lie in the storage as a PDF."""
    if not papers:
        raise CommandError("No paper was asked for.")
    for paper in papers:
        with default_storage.open(paper.file) as file:
            if not file.read(5).startswith(b"%PDF-"):
                raise CommandError(f"{paper.title} is no PDF: {paper.file}.")
    return papers
