"""What the demo says on the console."""

from collections.abc import Iterable
from textwrap import indent

from django.conf import settings
from django.core.files.storage import default_storage

from accounts.models import Membership, Shop, User
from wholesale import clock
from wholesale.core.production.promise import Gate
from wholesale.core.values import plain
from wholesale.management.demo import PASSWORD
from wholesale.queries.bench_orders import BenchOrder
from wholesale.queries.day_sheet import DaySheet, LoadRow
from wholesale.queries.documents import PaperRow


def welcome(*, made: bool) -> str:
    """Where to look and how to sign in, once everything runs."""
    site = settings.CASEWRIGHT_SITE_URL
    shop = Shop.objects.order_by("pk").values_list("slug", flat=True)[0]
    now = clock.now().astimezone(clock.workshop_zone())
    return "\n".join([
        "",
        "Mossgate Bench, an invented workshop with invented shops, people and orders"
        + ("." if made else ", as you left it."),
        "",
        f"  a shop's order sheet   {site}/shops/{shop}/order/",
        f"  the maker's day sheet  {site}/bench/day/",
        f"  the maker's queue      {site}/bench/queue/",
        "",
        f"  sign in, password      {PASSWORD}",
        *(f"    {email:<28} {what}" for email, what in _people()),
        "",
        f"  the demo's clock       {now:%a} {now.day} {now:%b %Y %H:%M} (began at Thu 5 Mar 2026 13:50, runs on)",
        f"  papers, e-mails, logs  {settings.VAR_DIR}",
        "",
        "Ctrl-C stops it and keeps what you did; --fresh begins again.",
    ])  # fmt: skip


def _people() -> Iterable[tuple[str, str]]:
    for person in User.objects.exclude(staff_role="").order_by("-staff_role"):
        yield person.email, f"{person.staff_role} of the workshop"
    for member in Membership.objects.select_related("user", "shop"):
        yield member.user.email, f"{member.get_role_display().lower()}: {member.shop}"


def promised(order: BenchOrder) -> str:
    """What a shop ordered, what it was promised, and by which gates."""
    lines = [f"  {line.cases} × {line.name} ({line.case_pack} a case; {line.mix})" for line in order.lines]
    money = f"  total before tax {order.total} {order.currency}"
    deposit = f", of which {order.deposit} as a deposit before the bench starts" if order.deposit else ""
    dates = f"  leaves {order.promised}, arrives {order.arrives}, because:"
    gates = [f"    {gate_line(gate)}" for gate in order.gates]
    return "\n".join([f"{order.number}, {order.shop} ({order.state})", *lines, money + deposit, dates, *gates, ""])


def gate_line(gate: Gate) -> str:
    """A gate: its day, its name, why, and whether it decides the date."""
    return f"{gate.passed_on:%a %d %b}  {gate.title}{_why(gate)}"


def _why(gate: Gate) -> str:
    mark = " ← this decides the date" if gate.binding else ""
    return (f": {gate.because}" if gate.because else "") + mark


def bench_day(sheet: DaySheet) -> str:
    """What is weighed, poured, moulded, topped and finished on a day."""
    loads = [load for _, rows in sheet.stages for load in rows]
    hands = ", ".join(f"{row.hands} {row.shown} of {row.of} min" for row in sheet.hands)
    head = f"{sheet.on:%A} {sheet.on}: {_count(sheet.loads, 'load')}; {hands}"
    return "\n".join([head, *(indent(_load(load), "  ") for load in loads), ""])


def _load(load: LoadRow) -> str:
    where = f" in {load.equipment} (holds {load.holds})" if load.equipment else ""
    orders = ", ".join(f"{order} {pieces}" for order, pieces in load.orders)
    weighed = [
        f"  {melt.name}: {melt.net_how} = {plain(melt.net_g)} g, with loss {plain(melt.gross_g)} g: "
        + " + ".join(f"{plain(row.scale_g)} g {row.name}" for row in melt.ingredients)
        for melt in load.melts
    ]
    parts = [f"  lay ready: {part.quantity} {part.name}" for part in load.parts]
    return "\n".join(
        [f"{load.title}{where}: {_count(load.pieces, 'piece')} of {load.what} for {orders}", *weighed, *parts]
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def papers(rows: Iterable[PaperRow]) -> str:
    """Which papers were made, where they lie and who got them."""
    lines = [
        f"  {row.title}: {default_storage.path(row.file)}" + (f"\n    e-mailed to {row.mail_to}" if row.mail_to else "")
        for row in rows
    ]
    return "\n".join(["Papers made by the worker:", *lines, f"E-mails: {settings.VAR_DIR / 'mail'}"])
