"""Papers as errands: asked for once, claimed by one worker, made once, e-mailed once."""

import hashlib
import shutil
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import ClassVar

import pytest
from django.conf import settings
from django.core import mail
from django.core.files.storage import default_storage
from django.core.mail.backends.locmem import EmailBackend
from django.db import transaction
from pytest_django.fixtures import DjangoAssertNumQueries, DjangoCaptureOnCommitCallbacks

from tests import builders
from tests.servers import free_port
from wholesale import clock, queue
from wholesale.actions import documents, errands
from wholesale.core.documents.papers import Paper
from wholesale.core.values import Conflict, NotAllowed, NotFound, Refusal
from wholesale.documents import KINDS
from wholesale.models import Document, Load, Mail, Order, SheetRefresh
from wholesale.queries import documents as papers

NOW = datetime(2026, 3, 5, 18, 50, tzinfo=UTC)
PDF = b"%PDF-1.7 as short as a paper gets"

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _no_papers() -> None:
    """Begin with an empty shelf: rows get the same numbers in each test, files stay."""
    shutil.rmtree(Path(settings.VAR_DIR) / "papers", ignore_errors=True)


@pytest.fixture
def order() -> Order:
    """An order of the demo workshop, placed by a new shop."""
    builders.mossgate_rows()
    return builders.place(builders.shop("corner"), ("SUC", 2, "RG"), ("PEB", 2, "CF"))


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Print a confirmation at once: what these tests are about is who prints it, and when."""
    monkeypatch.setitem(KINDS, "confirmation", _Printer(lambda: PDF))


class _Printer:
    """A kind of paper that is made by calling ``make``; all else is the confirmation's."""

    def __init__(self, make: Callable[[], bytes]) -> None:
        self.make = make

    def __call__(self, paper: Paper) -> bytes:
        return self.make()

    def __getattr__(self, name: str) -> object:
        return getattr(_CONFIRMATION, name)


_CONFIRMATION = KINDS["confirmation"]


def ask(order: Order, mail_to: str = "bills@corner.example") -> Document:
    return documents.queue_paper("confirmation", order=order, mail_to=mail_to)


def later(**by: int) -> datetime:
    return NOW + timedelta(**by)


def stored_files() -> list[Path]:
    return [path for path in (Path(settings.VAR_DIR) / "papers").rglob("*") if path.is_file()]


# ── asking ───────────────────────────────────────────────────────────────────────


def test_a_paper_is_a_waiting_row_and_a_wake_up_after_the_commit(
    order: Order, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[tuple[str, int]] = []
    monkeypatch.setattr(queue, "_send", lambda name, row_id: sent.append((name, row_id)))
    with django_capture_on_commit_callbacks(execute=True):
        paper = ask(order)
        assert sent == []

    assert (paper.state, paper.tries, paper.due_at, paper.created_at) == ("waiting", 0, NOW, NOW)
    assert sent == [("wholesale.render_document", paper.pk)]


def test_a_paper_that_is_rolled_back_was_never_asked_for(order: Order) -> None:
    with transaction.atomic():
        ask(order)
        transaction.set_rollback(True)

    assert not Document.objects.exists()


@pytest.mark.parametrize("kind", ["invoice", "packing_slip", "batch_sheet"])
def test_a_paper_about_the_wrong_row_is_refused_when_it_is_asked_for(order: Order, kind: str) -> None:
    with pytest.raises(ValueError, match=f"A {kind} is about one"):
        documents.queue_paper(kind, order=order)


def test_a_lost_broker_costs_the_caller_nothing(
    order: Order,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(queue, "_resting_until", 0.0)
    monkeypatch.setitem(queue.app.conf, "broker_url", f"redis://127.0.0.1:{free_port()}/0")
    with django_capture_on_commit_callbacks(execute=True):
        paper = ask(order)

    assert Document.objects.get(pk=paper.pk).state == "waiting"
    assert "No wake-up for wholesale.render_document" in caplog.text


# ── making ───────────────────────────────────────────────────────────────────────


def test_a_paper_is_made_stored_and_its_e_mail_asked_for(order: Order) -> None:
    paper = ask(order)

    documents.render(paper.pk)

    paper.refresh_from_db()
    with default_storage.open(paper.file) as file:
        pdf = file.read()
    assert pdf.startswith(b"%PDF-")
    assert (paper.state, paper.error, paper.claim, paper.tries) == ("done", "", "", 1)
    assert (paper.size, paper.digest) == (len(pdf), hashlib.sha256(pdf).hexdigest())
    assert (paper.mail.to, paper.mail.state) == ("bills@corner.example", "waiting")


@pytest.mark.usefixtures("quick")
def test_a_second_wake_up_makes_nothing_anew(order: Order) -> None:
    paper = ask(order)

    documents.render(paper.pk)
    documents.render(paper.pk)

    paper.refresh_from_db()
    assert paper.tries == 1
    assert len(stored_files()) == 1
    assert Mail.objects.count() == 1


@pytest.mark.usefixtures("quick")
def test_a_paper_that_nobody_wants_by_e_mail_is_not_e_mailed(order: Order) -> None:
    documents.render(ask(order, mail_to="").pk)

    assert not Mail.objects.exists()


def test_a_wake_up_for_a_paper_that_is_gone_does_nothing(db: None) -> None:
    documents.render(404)
    documents.send_mail(404)


@pytest.mark.usefixtures("quick")
def test_a_paper_in_the_hands_of_another_worker_is_left_alone_until_its_claim_runs_out(order: Order) -> None:
    paper = ask(order)
    assert errands.claim(Document, paper.pk)

    with clock.at(later(seconds=299)):
        documents.render(paper.pk)
        assert Document.objects.get(pk=paper.pk).state == "claimed"
    with clock.at(later(seconds=300)):
        documents.render(paper.pk)

    assert Document.objects.get(pk=paper.pk).state == "done"


def test_a_worker_that_was_overtaken_writes_nothing_and_leaves_nothing(
    order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first worker is so slow that its claim runs out; the second makes the paper meanwhile."""
    paper = ask(order)

    def slow() -> bytes:
        monkeypatch.setitem(KINDS, "confirmation", _Printer(lambda: PDF))
        with clock.at(later(seconds=301)):
            documents.render(paper.pk)
        return PDF + b" by the first worker"

    monkeypatch.setitem(KINDS, "confirmation", _Printer(slow))

    documents.render(paper.pk)

    paper.refresh_from_db()
    assert (paper.state, paper.tries, paper.done_at) == ("done", 2, later(seconds=301))
    assert [file.read_bytes() for file in stored_files()] == [PDF]
    assert Mail.objects.count() == 1


@pytest.mark.usefixtures("quick")
def test_what_a_killed_worker_had_stored_already_is_used(order: Order) -> None:
    """It died between storing the file and writing the row: the same bytes have the same name."""
    paper = ask(order)
    digest = hashlib.sha256(PDF).hexdigest()
    name = documents._store(f"confirmation/{paper.pk}/{digest[:32]}.pdf", PDF, digest)

    documents.render(paper.pk)

    paper.refresh_from_db()
    assert paper.file == name
    assert [file.read_bytes() for file in stored_files()] == [PDF]


@pytest.mark.usefixtures("quick")
def test_half_a_file_of_a_killed_worker_is_replaced(order: Order) -> None:
    paper = ask(order)
    half = Path(settings.VAR_DIR) / "papers" / "confirmation" / str(paper.pk)
    half.mkdir(parents=True)
    (half / f"{hashlib.sha256(PDF).hexdigest()[:32]}.pdf").write_bytes(PDF[:9])

    documents.render(paper.pk)

    assert [file.read_bytes() for file in stored_files()] == [PDF]


# ── failing and trying again ─────────────────────────────────────────────────────


def broken() -> bytes:
    raise Refusal("no_recipe", "SUC has no recipe; add one before it is planned.")


def test_a_failure_is_tried_again_after_10_60_and_300_seconds_and_then_kept_in_words(
    order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(KINDS, "confirmation", _Printer(broken))
    paper = ask(order)
    # Tried at 0; due at 10; tried then, due 60 later at 70; tried then, due 300 later at 370; then given up.
    for second, state, due in ((0, "waiting", 10), (10, "waiting", 70), (70, "waiting", 370), (370, "failed", 370)):
        with clock.at(later(seconds=second - 1)):
            documents.render(paper.pk)  # too early: nothing happens
        with clock.at(later(seconds=second)):
            documents.render(paper.pk)
        paper.refresh_from_db()
        assert (second, paper.state, paper.due_at) == (second, state, later(seconds=due))
        assert paper.error == "SUC has no recipe; add one before it is planned."
    assert paper.tries == 4
    assert stored_files() == []


def test_an_error_without_words_is_named(order: Order, monkeypatch: pytest.MonkeyPatch) -> None:
    assert errands.reason(TimeoutError()) == "TimeoutError"
    assert errands.reason(OSError("no space left")) == "OSError: no space left"


def test_the_maker_lets_a_failed_paper_be_tried_again_from_the_beginning(
    order: Order, monkeypatch: pytest.MonkeyPatch
) -> None:
    paper = ask(order)
    Document.objects.filter(pk=paper.pk).update(state="failed", tries=4, error="It did not work.")

    with clock.at(later(days=1)):
        documents.retry(by=builders.maker(), document=paper.pk)

    paper.refresh_from_db()
    assert (paper.state, paper.tries, paper.error, paper.due_at) == ("waiting", 0, "", later(days=1))


@pytest.mark.usefixtures("quick")
def test_the_maker_lets_a_failed_e_mail_be_tried_again_without_making_the_paper_anew(order: Order) -> None:
    paper = ask(order)
    documents.render(paper.pk)
    Mail.objects.update(state="failed", tries=4, error="The server did not answer.")

    documents.retry(by=builders.maker(), document=paper.pk)

    paper.refresh_from_db()
    assert (paper.state, paper.mail.state, paper.mail.tries) == ("done", "waiting", 0)


def test_only_the_maker_and_only_a_failed_paper(order: Order) -> None:
    paper = ask(order)

    with pytest.raises(NotAllowed, match="Only the maker"):
        documents.retry(by=builders.helper(), document=paper.pk)
    with pytest.raises(Conflict, match="has not failed"):
        documents.retry(by=builders.maker(), document=paper.pk)
    with pytest.raises(NotFound, match="no such paper"):
        documents.retry(by=builders.maker(), document=404)


# ── the sweep ────────────────────────────────────────────────────────────────────


@pytest.fixture
def woken(order: Order, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Collect what the sweep wakes; placing the order asked for new dates, which is another matter."""
    SheetRefresh.objects.all().delete()
    found: list[tuple[str, int]] = []
    monkeypatch.setattr(documents, "send_on_commit", lambda name, row_id: found.append((name, row_id)))
    return found


@pytest.mark.parametrize(
    ("row", "seconds", "wakes"),
    [
        # Due since the order: its wake-up is on its way for 60 seconds, then taken for lost.
        ({"state": "waiting"}, 59, False),
        ({"state": "waiting"}, 60, True),
        # Another try has no wake-up of its own: the sweep is what wakes it, once it is due.
        ({"state": "waiting", "tries": 1, "due_at": later(seconds=10)}, 9, False),
        ({"state": "waiting", "tries": 1, "due_at": later(seconds=10)}, 10, True),
        # A worker is believed for 300 seconds.
        ({"state": "claimed", "claimed_at": NOW, "tries": 1}, 299, False),
        ({"state": "claimed", "claimed_at": NOW, "tries": 1}, 300, True),
        ({"state": "done"}, 3600, False),
        ({"state": "failed", "tries": 4}, 3600, False),
    ],
)
def test_the_sweep_wakes_what_nobody_took(
    order: Order,
    woken: list[tuple[str, int]],
    row: dict[str, object],
    seconds: int,
    wakes: bool,  # noqa: FBT001
) -> None:
    paper = ask(order)
    woken.clear()
    Document.objects.filter(pk=paper.pk).update(**row)

    with clock.at(later(seconds=seconds)):
        count = documents.sweep()

    assert woken == ([("wholesale.render_document", paper.pk)] if wakes else [])
    assert count == len(woken)


@pytest.mark.usefixtures("quick")
def test_the_sweep_cares_for_e_mails_and_dates_too(order: Order, woken: list[tuple[str, int]]) -> None:
    documents.render(ask(order).pk)
    refresh = SheetRefresh.objects.create(due_at=NOW, created_at=NOW)
    woken.clear()

    with clock.at(later(seconds=60)):
        documents.sweep()

    letter = Mail.objects.get()
    assert woken == [("wholesale.send_mail", letter.pk), ("wholesale.refresh_dates", refresh.pk)]


def test_the_sweep_does_not_wake_the_same_row_at_every_turn(order: Order, woken: list[tuple[str, int]]) -> None:
    """When workers are busy for long, wake-ups must not pile up: one a minute for each row."""
    ask(order)
    woken.clear()

    for seconds in range(60, 180, 15):
        with clock.at(later(seconds=seconds)):
            documents.sweep()

    # At 60 and, 60 seconds later, at 120.
    assert len(woken) == 2


def test_a_paper_that_kills_its_worker_each_time_is_given_up(order: Order, woken: list[tuple[str, int]]) -> None:
    paper = ask(order)
    for turn in range(4):
        with clock.at(later(seconds=301 * turn)):
            assert errands.claim(Document, paper.pk)  # and dies
    woken.clear()

    with clock.at(later(seconds=301 * 4)):
        documents.sweep()

    paper.refresh_from_db()
    assert (paper.state, paper.tries, woken) == ("failed", 4, [])
    assert "Each worker that tried it stopped" in paper.error


def test_a_worker_is_stopped_before_its_claim_runs_out() -> None:
    """Else two workers could make the same paper at the same time."""
    assert settings.CELERY_TASK_SOFT_TIME_LIMIT < settings.CELERY_TASK_TIME_LIMIT < settings.CASEWRIGHT_ERRAND_CLAIMED
    assert settings.CASEWRIGHT_ERRAND_PAUSES == (10, 60, 300)
    assert (settings.CASEWRIGHT_ERRAND_UNCLAIMED, settings.CASEWRIGHT_ERRAND_CLAIMED) == (60, 300)


# ── e-mail ───────────────────────────────────────────────────────────────────────


@pytest.fixture
def letter(order: Order, quick: None) -> Mail:
    """The e-mail of a paper that is made."""
    paper = ask(order)
    documents.render(paper.pk)
    return Mail.objects.select_related("document__order").get(document=paper)


def test_an_e_mail_goes_out_once_with_its_paper(letter: Mail) -> None:
    documents.send_mail(letter.pk)
    documents.send_mail(letter.pk)

    (sent,) = mail.outbox
    number = letter.document.order.number if letter.document.order else ""
    assert sent.to == ["bills@corner.example"]
    assert sent.subject.startswith(f"Order confirmation {number} from ")
    assert sent.attachments == [(f"Order confirmation {number}.pdf", PDF, "application/pdf")]
    letter.refresh_from_db()
    assert (letter.state, letter.done_at) == ("done", NOW)


def test_an_e_mail_says_that_a_program_wrote_it_and_when_by_our_clock(letter: Mail) -> None:
    documents.send_mail(letter.pk)

    written = mail.outbox[0].message()
    assert written["Auto-Submitted"] == "auto-generated"
    assert written["Date"] == "Thu, 05 Mar 2026 18:50:00 +0000"


class Refusing(EmailBackend):
    """A mail server that takes nothing."""

    def send_messages(self, messages: Sequence[mail.EmailMessage]) -> int:
        """Take nothing."""
        raise ConnectionRefusedError("connection refused")


class Silent(EmailBackend):
    """A mail server that takes the e-mail; then the line goes dead before its answer is here."""

    def send_messages(self, messages: Sequence[mail.EmailMessage]) -> int:
        """Take them, and never answer."""
        super().send_messages(messages)
        raise TimeoutError


class Slow(EmailBackend):
    """Signing in takes so long that the claim runs out and another worker sends the e-mail."""

    def open(self) -> bool:
        """Let another worker take over meanwhile."""
        with clock.at(later(seconds=301)), pytest.MonkeyPatch.context() as other:
            other.setattr(documents, "get_connection", EmailBackend)
            documents.send_mail(Mail.objects.get().pk)
        return True


class Taking(EmailBackend):
    """A mail server that looks at the row at the moment the e-mail is taken."""

    seen: ClassVar[list[str]] = []

    def send_messages(self, messages: Sequence[mail.EmailMessage]) -> int:
        """Take them."""
        self.seen.append("taken")
        return super().send_messages(messages)

    def close(self) -> None:
        """Note what is on record by now."""
        self.seen.append(Mail.objects.get().state)


def test_an_e_mail_that_is_refused_is_tried_again(letter: Mail, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "get_connection", Refusing)

    documents.send_mail(letter.pk)

    letter.refresh_from_db()
    assert (letter.state, letter.error) == ("waiting", "ConnectionRefusedError: connection refused")
    assert letter.due_at == later(seconds=10)


def test_a_server_that_takes_no_e_mail_and_says_nothing_is_not_believed(
    letter: Mail, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(EmailBackend, "send_messages", lambda *_: 0)

    documents.send_mail(letter.pk)

    letter.refresh_from_db()
    assert letter.state == "waiting"
    assert "took no e-mail" in letter.error


def test_a_worker_whose_claim_ran_out_does_not_send(letter: Mail, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(documents, "get_connection", Slow)

    documents.send_mail(letter.pk)

    letter.refresh_from_db()
    assert len(mail.outbox) == 1
    assert (letter.state, letter.tries, letter.done_at) == ("done", 2, later(seconds=301))


def test_the_e_mail_is_on_record_before_the_line_is_closed(letter: Mail, monkeypatch: pytest.MonkeyPatch) -> None:
    """Closing waits for the server; a worker killed meanwhile must not send again."""
    monkeypatch.setattr(documents, "get_connection", Taking)
    Taking.seen.clear()

    documents.send_mail(letter.pk)

    assert Taking.seen == ["taken", "done"]


def test_an_e_mail_that_has_to_be_sent_twice_can_be_told_by_its_message_id(
    letter: Mail, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What can still happen: the server took it, its answer was lost."""
    monkeypatch.setattr(documents, "get_connection", Silent)
    documents.send_mail(letter.pk)
    monkeypatch.setattr(documents, "get_connection", EmailBackend)

    with clock.at(later(seconds=10)):
        documents.send_mail(letter.pk)

    first, second = (sent.message()["Message-ID"] for sent in mail.outbox)
    assert first == second
    assert first == f"<paper-{letter.pk}-{letter.document.digest[:32]}@mossgate.example>"


# ── what pages see ───────────────────────────────────────────────────────────────


@pytest.mark.usefixtures("quick")
def test_a_page_follows_a_paper_from_waiting_to_sent(order: Order) -> None:
    """Each look is one query: the paper with all it is about."""
    paper = ask(order)
    seen = []

    def look() -> None:
        row = papers.paper(paper.pk)
        seen.append((row.state, row.mail, row.ready, row.poll))

    look()
    claim = errands.claim(Document, paper.pk)
    assert claim
    look()
    errands.put_back(Document, paper.pk, claim, OSError("no space left"))
    with clock.at(later(seconds=10)):
        documents.render(paper.pk)
        look()
        documents.send_mail(Mail.objects.get().pk)
    look()

    assert seen == [
        ("waiting", "waiting", False, True),
        ("making", "waiting", False, True),
        ("ready", "waiting", True, True),
        ("ready", "ready", True, False),
    ]


def test_a_paper_that_failed_says_why_and_asks_for_nothing_more(order: Order) -> None:
    paper = ask(order)
    Document.objects.filter(pk=paper.pk).update(state="failed", error="SUC has no recipe.")
    row = papers.paper(paper.pk)

    assert (row.state, row.reason, row.poll, row.can_retry) == ("failed", "SUC has no recipe.", False, True)
    assert (row.title, row.download_name) == (f"Order confirmation {order}", f"Order confirmation {order}.pdf")
    assert (row.shop, row.order) == ("corner", order.number)


def test_an_order_lists_the_newest_paper_of_each_kind_in_one_query(
    order: Order, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    ask(order)
    newest = ask(order)
    load = Load.objects.filter(portions__order_scent__line__order=order).first()
    sheet = documents.queue_paper("batch_sheet", load=load)

    # The papers with their orders, shipments, invoices, loads and e-mails.
    with django_assert_num_queries(1):
        (row,) = papers.papers_of_order(order.pk)
    assert row.id == newest.pk
    # A batch sheet is the bench's own: it carries no shop.
    (bench,) = papers.papers_of_load(sheet.load_id or 0)
    assert (bench.id, bench.shop, bench.order) == (sheet.pk, "", "")


def test_there_is_no_paper_that_was_never_asked_for(db: None) -> None:
    with pytest.raises(NotFound):
        papers.paper(404)
