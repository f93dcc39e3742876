"""The first day here: batches on their way, open bills, money on account, and the numbers to go on at."""

from datetime import date
from decimal import Decimal as D
from typing import Any

import pytest
from django.test import Client

from accounts.models import Shop, User
from tests import builders
from tests.sheets import Files, every_row, load, mistakes, packed
from wholesale import clock
from wholesale.actions import invoicing, shipping
from wholesale.core.catalogue import Sku
from wholesale.core.workbook.sheets import BatchRow
from wholesale.models import (
    ForStock,
    Invoice,
    Load,
    Lot,
    Order,
    OrderLine,
    Payment,
    Reservation,
    Series,
)
from wholesale.queries import invoicing as books
from wholesale.queries.production import current_plan, demands, free_stock
from wholesale.queries.workbook import saved

TODAY = date(2026, 3, 5)
BATCH = ("number", "item", "scent", "step", "day", "pieces", "order", "usable_on")
BILL = ("number", "shop", "issued_on", "due_on", "net", "tax", "gross", "paid")
CREDIT = ("shop", "reference", "dated", "amount")
SERIES = ("series", "next_number")
#: 240.00 and 6.5 % of it, of which 100.00 were paid before.
OPEN = ("INV-0031", "quillwort", "2026-02-10", "2026-03-12", "240.00", "15.60", "255.60", "100.00")


def files(**also: bytes) -> Files:
    """The demo without stock and orders, and these sheets."""
    return builders.mossgate_files("stock.csv", "orders.csv") | {f"{name}.csv": rows for name, rows in also.items()}


def sheet(head: tuple[str, ...], *rows: tuple[str, ...]) -> bytes:
    return packed([head, *(row + ("",) * (len(head) - len(row)) for row in rows)])


def places(found: Files) -> list[tuple[str, int, str]]:
    return [(c.file, c.row, c.column) for c in mistakes(found)]


# ── batches ──────────────────────────────────────────────────────────────────


@pytest.mark.django_db
def test_a_curing_batch_becomes_sellable_on_its_day() -> None:
    """Piped Mon 2 March, ten days of cure: sellable Thu 12 March."""
    load(files(batches=sheet(BATCH, ("2026-14", "SUC", "RG", "pipe", "2026-03-02", "13"))))

    lot = Lot.objects.get(code="2026-14")
    assert (lot.usable_on, lot.on_hand, lot.load and lot.load.number) == (date(2026, 3, 12), 13, "2026-14")
    assert [(row.sku, row.usable_on, row.quantity) for row in free_stock()] == [(Sku("SUC", "RG"), lot.usable_on, 13)]
    # Only its finish is still to do: it is in the plan, nothing is poured anew.
    assert [(p.operation, p.pieces) for row in current_plan().loads if not row.done for p in row.portions] == [
        ("finish", 13)
    ]
    # An order may count on it: 2 cases are 12 of the 13, and they leave on the first work day from the 12th on.
    order = builders.place(Shop.objects.get(slug="quillwort"), ("SUC", 2, "RG"))
    assert order.promised_leaves == date(2026, 3, 12)
    assert Reservation.objects.get().pieces == 12


@pytest.mark.django_db
def test_a_setting_batch_for_the_shelf_is_topped_and_cured_by_the_plan() -> None:
    load(files(batches=sheet(BATCH, ("2026-15", "PEB", "CF", "pour", "2026-03-04", "18"))))

    [mine] = ForStock.objects.all()
    assert (mine.pieces, mine.purpose) == (18, "stock")
    todo = [row for row in current_plan().loads if not row.done]
    steps = {p.operation: p.pieces for row in todo for p in row.portions if p.sku.item == "PEB"}
    assert steps == {"seal": 18, "finish": 18}
    # Their 18 × 5 = 90 pebbles: 90 / 0.95 = 94.7 → 95 casts.
    assert sum(p.pieces for row in todo for p in row.portions if p.sku.item == "PEBBLE") == 95
    batch = Load.objects.get(number="2026-15")
    assert batch.recipes == {"PEB": 1, "BASE": 1}
    # Nothing of it is stock before its cure has begun.
    assert not Lot.objects.exists()


@pytest.mark.django_db
def test_a_batch_for_an_open_order_is_not_made_again() -> None:
    """demo-1 is 12 SUC in RG: 12 are poured, so the plan only pipes and finishes them."""
    found = files(
        batches=sheet(BATCH, ("2026-16", "SUC", "RG", "pour", "2026-03-04", "12", "demo-1")),
        orders=builders.mossgate_files()["orders.csv"],
    )

    load(found)

    order = Order.objects.get(token="demo-1")
    [demand] = [d for d in demands() if d.sku == Sku("SUC", "RG")]
    mine = current_plan().of(demand.key)
    assert {(p.operation, row.done, p.pieces) for row in mine.loads for p in row.portions if p.sku.item == "SUC"} == {
        ("pour", True, 12), ("pipe", False, 12), ("finish", False, 12),
    }  # fmt: skip
    assert order.planned_leaves <= order.promised_leaves
    before = every_row()
    assert not load(found)
    assert every_row() == before


@pytest.mark.django_db
@pytest.mark.parametrize("piped_first", [True, False])
def test_pieces_of_one_order_at_two_steps_are_each_made_on(*, piped_first: bool) -> None:
    """Of demo-1's 12 SUC in RG 6 wait for their top and 6 have it: 6 are piped and 12 finished, none is poured."""
    rows = [
        ("2026-21", "SUC", "RG", "pour", "2026-03-04", "6", "demo-1"),
        ("2026-22", "SUC", "RG", "pipe", "2026-03-04", "6", "demo-1"),
    ]
    orders = builders.mossgate_files()["orders.csv"]
    load(files(batches=sheet(BATCH, *sorted(rows, reverse=piped_first)), orders=orders))

    [demand] = [d for d in demands() if d.sku == Sku("SUC", "RG")]
    todo = [row for row in current_plan().of(demand.key).loads if not row.done]
    steps = {p.operation: p.pieces for row in todo for p in row.portions if p.sku.item == "SUC"}
    assert steps == {"pipe": 6, "finish": 12}
    # Those with a top are a lot under the number on their paper; it is theirs, and of the others none is there yet.
    assert [(lot.code, lot.on_hand) for lot in Lot.objects.filter(item__code="SUC")] == [("2026-22", 6)]
    poured, piped = Load.objects.get(number="2026-22"), Load.objects.get(number="2026-22.2")
    assert (poured.what.code, piped.what.code, piped.recipes) == ("BASE", "MOSS", {"SUC": 1, "MOSS": 1})
    # Written out, the six that wait are a batch that waits; those that cure are a lot of stock.
    batches = saved()[BatchRow]
    assert [(row.number, row.step, row.pieces) for row in batches if isinstance(row, BatchRow)] == [
        ("2026-21", "pour", 6)
    ]


@pytest.mark.django_db
def test_a_number_that_would_be_another_batch_s_step_is_refused() -> None:
    rows = [("2026-23", "SUC", "RG", "pipe", "2026-03-04", "6"), ("2026-23.2", "SUC", "RG", "pour", "2026-03-04", "6")]

    [complaint] = mistakes(files(batches=sheet(BATCH, *rows)))

    assert (complaint.row, complaint.column) == (3, "number")
    assert "Give each a number of its own" in complaint.message


@pytest.mark.django_db
def test_a_curing_batch_for_an_open_order_is_reserved_and_can_be_packed_on_its_day() -> None:
    load(
        files(
            batches=sheet(BATCH, ("2026-17", "SUC", "RG", "finish", "2026-03-04", "12", "demo-1", "2026-03-09")),
            orders=builders.mossgate_files()["orders.csv"],
        )
    )
    line = OrderLine.objects.get(order__token="demo-1")

    held = Reservation.objects.get(order_scent__line=line)
    assert (held.lot.code, held.pieces, held.from_stock) == ("2026-17", 12, False)
    assert not [p for row in current_plan().loads if not row.done for p in row.portions if p.sku.item == "SUC"
                and p.demand == str(line.scents.get().pk)]  # fmt: skip
    with clock.at("2026-03-09T09:00"):
        shipping.pack(by=builders.maker(), number=line.order.number, cases={line.pk: 2}, token="p")
    assert Lot.objects.get(code="2026-17").on_hand == 0


WRONG_BATCHES = [
    (("2026-1", "SUC", "RG", "pipe", "2026-03-06", "6"), "day", "still to come"),
    (("2026-1", "SUC", "XX", "pipe", "2026-03-04", "6"), "scent", "name one from scents.csv"),
    (("2026-1", "SUC", "RG", "seal", "2026-03-04", "6"), "step", "name one from operations.csv: finish, pipe, pour"),
    (("2026-1", "ROSETTE", "", "cast", "2026-03-04", "6"), "item", "stands in stock.csv"),
    (("2026-1", "SUC", "RG", "finish", "2026-03-04", "6"), "usable_on", "its cure began with the step pipe before"),
    (("2026-1", "SUC", "RG", "pour", "2026-03-04", "6", "", "2026-03-20"), "usable_on", "begins with the step pipe"),
    (("2026-1", "SUC", "RG", "pipe", "2026-03-04", "6", "", "2026-03-03"), "usable_on", "before that step was done"),
    (("2026-1", "SUC", "RG", "pour", "2026-03-04", "6", "demo-9"), "order", "name one from orders.csv"),
    # demo-1 asks for 12 SUC in RG.
    (("2026-1", "SUC", "RG", "pour", "2026-03-04", "13", "demo-1"), "pieces", "needs 12 more of SUC RG"),
    (("B-1001", "SUC", "RG", "pour", "2026-03-04", "6"), "number", "B- goes on at 1002"),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("row", "column", "words"), WRONG_BATCHES)
def test_a_batch_that_can_not_be_is_refused_with_its_cell(row: tuple[str, ...], column: str, words: str) -> None:
    found = mistakes(files(batches=sheet(BATCH, row), orders=builders.mossgate_files()["orders.csv"]))

    [complaint] = found
    assert (complaint.file, complaint.row, complaint.column) == ("batches.csv", 2, column)
    assert words in complaint.message


@pytest.mark.django_db
def test_rows_of_one_batch_went_through_one_pot_on_one_day() -> None:
    """SUC and FRN in RG are poured from one pot of base; PEB in CF is another pot, and Tuesday another day."""
    rows = [("2026-18", "SUC", "RG", "pour", "2026-03-04", "6"), ("2026-18", "FRN", "RG", "pour", "2026-03-04", "6")]
    load(files(batches=sheet(BATCH, *rows)))
    assert Load.objects.get(number="2026-18").portions.count() == 2

    wrong = [("2026-19", "SUC", "RG", "pour", "2026-03-04", "6"), ("2026-19", "PEB", "CF", "pour", "2026-03-04", "6"),
             ("2026-19", "FRN", "RG", "pour", "2026-03-03", "6")]  # fmt: skip
    assert places(files(batches=sheet(BATCH, *wrong))) == [("batches.csv", 3, "number"), ("batches.csv", 4, "day")]


# ── bills ────────────────────────────────────────────────────────────────────


def with_bill(*row: str, series: str = "32") -> Files:
    return files(open_invoices=sheet(BILL, row or OPEN), series=sheet(SERIES, ("INV-", series)))


def pay(amount: str, token: str) -> None:
    invoicing.record_payment(
        by=builders.maker(), shop="quillwort", amount=D(amount), received_on=TODAY, reference="", token=token,
        invoice="INV-0031",
    )  # fmt: skip


@pytest.mark.django_db
def test_an_open_invoice_is_paid_in_parts_and_what_is_above_stands_on_account() -> None:
    """255.60 − 100.00 = 155.60 open; 55.60 leaves 100.00; 120.00 pays it, and 20.00 stand on account."""
    load(with_bill())
    assert books.shop_account("quillwort", on=TODAY).owed == D("155.60")

    pay("55.60", "a")
    assert books.shop_account("quillwort", on=TODAY).owed == D("100.00")
    pay("120.00", "b")

    account = books.shop_account("quillwort", on=TODAY)
    assert (account.owed, account.on_account, account.balance) == (0, D("20.00"), D("-20.00"))
    assert books.invoice_page("INV-0031", on=TODAY).row.state == "paid"
    # Loading the first day's sheets again changes nothing of it, and has nothing to tell.
    again = load(with_bill())
    assert (again.changes, again.notes) == ((), ())


@pytest.mark.django_db
def test_an_open_invoice_is_shown_to_the_maker_and_to_its_shop_without_an_order_or_a_paper(client: Client) -> None:
    load(with_bill())
    client.force_login(builders.maker())

    page = client.get("/bench/invoices/INV-0031/").content.decode()
    assert "issued before this book began" in page
    assert "No paper was made yet." in page
    assert "from before" in client.get("/bench/invoices/").content.decode()
    assert client.get("/bench/shops/quillwort/").status_code == 200
    client.force_login(User.objects.get(email="mika@quillwort.example"))
    assert "INV-0031" in client.get("/shops/quillwort/account/").content.decode()


@pytest.mark.django_db
def test_an_open_invoice_can_be_credited_and_what_was_paid_stands_on_account(client: Client) -> None:
    """All 255.60 are taken back: 155.60 close what is open, the 100.00 that were paid stand on account."""
    load(with_bill())

    number = invoicing.credit(by=builders.maker(), invoice="INV-0031", because="Sent twice")

    note = Invoice.objects.get(number=number)
    assert (note.gross_minor, note.net_minor, note.tax_minor) == (25_560, 24_000, 1_560)
    account = books.shop_account("quillwort", on=TODAY)
    assert (account.owed, account.on_account) == (0, D("100.00"))
    client.force_login(builders.maker())
    page = client.get(f"/bench/invoices/{number}/").content.decode()
    assert f"Credit note {number}" in page


@pytest.mark.django_db
def test_the_next_invoice_goes_on_from_the_series() -> None:
    builders.mossgate_rows(stock=True, orders=True)
    load(builders.mossgate_files() | with_bill())
    line = OrderLine.objects.get(order__token="demo-2")
    shipment = shipping.pack(by=builders.maker(), number=line.order.number, cases={line.pk: 2}, token="p")

    assert invoicing.issue(by=builders.maker(), shipment=shipment) == "INV-0032"


WRONG_BILLS = [
    ({"shop": "nowhere"}, "shop", "name one from shops.csv"),
    ({"issued_on": "2026-03-06", "due_on": "2026-04-06"}, "issued_on", "still to come"),
    ({"due_on": "2026-02-01"}, "due_on", "due before it was issued"),
    # 240.00 + 15.60 = 255.60
    ({"gross": "255.00"}, "gross", "make 255.60"),
    ({"paid": "255.60"}, "paid", "nothing of it is open"),
    ({"net": "240.001", "gross": "255.601"}, "net", "finer than the smallest USD coin"),
    ({"number": "INV-0032"}, "number", "INV- goes on at 33"),
]  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("cells", "column", "words"), WRONG_BILLS)
def test_a_bill_that_can_not_be_is_refused_with_its_cell(cells: dict[str, str], column: str, words: str) -> None:
    row = dict(zip(BILL, OPEN, strict=True)) | cells

    found = mistakes(with_bill(*row.values()))

    [complaint] = [c for c in found if c.column == column]
    assert (complaint.file, complaint.row) == ("open_invoices.csv", 2)
    assert words in complaint.message


@pytest.mark.django_db
def test_a_known_bill_never_changes() -> None:
    load(with_bill())

    changed = dict(zip(BILL, OPEN, strict=True)) | {"due_on": "2026-03-20"}
    assert places(with_bill(*changed.values())) == [("open_invoices.csv", 2, "due_on")]

    pay("55.60", "a")
    # The sheet says that 150.00 are paid: neither what it said first nor what is paid now, 155.60.
    report = load(with_bill(*(*OPEN[:-1], "150.00")))
    assert not report
    assert report.notes == (
        "open_invoices.csv, row 2: 155.60 of INV-0031 are paid, the sheet has 150.00. Record money on its page.",
    )


# ── money on account, numbers ────────────────────────────────────────────────


@pytest.mark.django_db
def test_a_credit_stands_on_account_and_pays_the_next_invoice() -> None:
    row = ("quillwort", "Credit note C-2", "2026-02-20", "12.50")
    found = files(open_credits=sheet(CREDIT, row))

    load(found)
    assert books.shop_account("quillwort", on=TODAY).on_account == D("12.50")
    assert not load(found)
    assert Payment.objects.count() == 1

    [complaint] = mistakes(files(open_credits=sheet(CREDIT, (*row[:-1], "13.00"))))
    assert (complaint.column, "known here as 12.50" in complaint.message) == ("amount", True)
    late = ("quillwort", "C-3", "2026-03-06", "0")
    assert places(files(open_credits=sheet(CREDIT, late))) == [
        ("open_credits.csv", 2, "dated"), ("open_credits.csv", 2, "amount"),
    ]  # fmt: skip


@pytest.mark.django_db
def test_orders_go_on_from_their_series_which_can_not_fall_back() -> None:
    load(files(series=sheet(SERIES, ("W-", "350"))))
    order = builders.place(Shop.objects.get(slug="quillwort"), ("SUC", 2, "RG"))
    assert order.number == "W-350"

    assert not load(files(series=sheet(SERIES, ("W-", "351"))))
    load(files(series=sheet(SERIES, ("W-", "400"))))
    assert Series.objects.get(code="W-").next_number == 400

    [complaint] = mistakes(files(series=sheet(SERIES, ("W-", "399"))))
    assert complaint.message.startswith("W-399 is used already. Write 400 or leave the row out.")
    [complaint] = mistakes(files(series=sheet(SERIES, ("X-", "1"))))
    assert "The series are: W-, S-, B-, L-, D-, INV-, CR-" in complaint.message


# ── stock with its papers ────────────────────────────────────────────────────

STOCK = ("lot", "item", "scent", "made_on", "usable_on", "quantity", "on_hand", "place", "state", "supplier",
         "supplier_lot", "expires_on")  # fmt: skip


def lot(**cells: str) -> bytes:
    known = {"lot": "S-1", "item": "SOY", "made_on": "2026-01-15", "usable_on": "2026-01-15"}
    return sheet(STOCK, tuple((known | cells).get(name, "") for name in STOCK))


@pytest.mark.django_db
def test_a_lot_has_its_place_its_state_and_its_suppliers_words() -> None:
    load(files(stock=lot(
        quantity="500", place="cellar", state="hold", supplier="Hearthwell", supplier_lot="A-7", expires_on="2027-01-31"
    )))  # fmt: skip

    row = Lot.objects.get(code="S-1")
    assert (row.state, row.supplier, row.supplier_lot, row.expires_on) == (
        "hold", "Hearthwell", "A-7", date(2027, 1, 31),
    )  # fmt: skip
    assert [(m.place, m.quantity) for m in row.movements.all()] == [("cellar", 500_000)]


@pytest.mark.django_db
def test_what_a_saved_lot_had_left_opens_it_elsewhere_and_never_books_over_what_is_known() -> None:
    load(files(stock=lot(on_hand="500")))
    assert Lot.objects.get(code="S-1").on_hand == 500_000

    report = load(files(stock=lot(on_hand="400", state="hold")))

    assert not report
    assert [note.partition(":")[0] for note in report.notes] == ["stock.csv, row 2"] * 2
    assert "S-1 is ok here and stays so" in report.notes[0]
    assert "of S-1 there are 500 g at the place shelf, the sheet has 400 g. Nothing was booked" in report.notes[1]
    assert (Lot.objects.get(code="S-1").on_hand, Lot.objects.get(code="S-1").state) == (500_000, "ok")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("cells", "column", "words"),
    [
        ({"quantity": "5", "on_hand": "5"}, "quantity", "give one of quantity and on_hand"),
        ({}, "quantity", "give one of quantity and on_hand"),
        ({"quantity": "5", "expires_on": "2026-01-01"}, "expires_on", "expires before it is usable"),
        ({"quantity": "5", "state": "lost"}, "state", "ok or hold or recalled"),
    ],
)
def test_a_lot_that_can_not_be_is_refused_with_its_cell(cells: dict[str, str], column: str, words: str) -> None:
    [complaint] = mistakes(files(stock=lot(**cells)))

    assert (complaint.row, complaint.column) == (2, column)
    assert words in complaint.message


@pytest.mark.django_db
def test_rows_of_one_lot_at_two_places_agree() -> None:
    two = lot(quantity="5") + lot(quantity="6", place="cellar", supplier="Other").partition(b"\n")[2]

    assert places(files(stock=two)) == [("stock.csv", 3, "supplier")]


@pytest.mark.django_db
def test_targets_and_substitutes_are_whole() -> None:
    target, stand_in = ("item", "scent", "pieces"), ("item", "substitute")
    first = files(targets=sheet(target, ("SUC", "RG", "6"), ("ROSETTE", "", "12")),
                  substitutes=sheet(stand_in, ("SOY", "WHIPWAX")))  # fmt: skip
    load(first)
    assert not load(first)

    report = load(files(targets=sheet(target, ("SUC", "RG", "6")), substitutes=sheet(stand_in)))

    assert [(c.file, c.how) for c in report.changes] == [("substitutes.csv", "removed"), ("targets.csv", "removed")]
    wrong: Any = files(targets=sheet(target, ("SOY", "", "6"), ("SUC", "", "6")),
                       substitutes=sheet(stand_in, ("SOY", "SOY"), ("SOY", "SUC")))  # fmt: skip
    assert places(wrong)[:2] == [("substitutes.csv", 2, "substitute"), ("substitutes.csv", 3, "substitute")]
    assert places(wrong | {"substitutes.csv": sheet(stand_in)}) == [
        ("targets.csv", 2, "item"),
        ("targets.csv", 3, "scent"),
    ]
