"""Papers: asked for in the transaction that needs them, made by a worker, stored once, e-mailed once."""

import hashlib
from email.utils import format_datetime

from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db import transaction

from accounts import access
from accounts.models import User
from wholesale import clock
from wholesale.actions import errands
from wholesale.core.values import Conflict, NotAllowed, NotFound
from wholesale.documents import KINDS
from wholesale.documents.letters import letter
from wholesale.models import Document, Invoice, Load, Mail, Order, PlanImprovement, SheetRefresh, Shipment
from wholesale.queries import documents as papers
from wholesale.queries.papers import value_of
from wholesale.queue import send_on_commit

RENDER = "wholesale.render_document"
SEND = "wholesale.send_mail"
REFRESH = "wholesale.refresh_dates"
IMPROVE = "wholesale.improve_plan"


def queue_paper(
    kind: str,
    *,
    order: Order | None = None,
    shipment: Shipment | None = None,
    invoice: Invoice | None = None,
    load: Load | None = None,
    mail_to: str = "",
) -> Document:
    """Ask for a paper inside the caller's transaction; a worker is woken when that is committed.

    Exactly the row that the kind is about must be given. Raises ``ValueError``
    otherwise, and ``KeyError`` for a kind there is none of.
    """
    about = {"order": order, "shipment": shipment, "invoice": invoice, "load": load}
    given = {name: row for name, row in about.items() if row is not None}
    if set(given) != {KINDS[kind].about}:
        raise ValueError(f"A {kind} is about one {KINDS[kind].about}, not {sorted(given)}.")
    now = clock.now()
    paper = Document.objects.create(kind=kind, mail_to=mail_to, due_at=now, created_at=now, **given)
    send_on_commit(RENDER, paper.pk)
    return paper


def render(document: int) -> None:
    """Make a paper that is due and store it; asks for its e-mail in the same breath.

    Does nothing when the paper is made, or in the hands of another worker. A failure
    is written on the row, which is tried again after the pauses in the settings.
    """
    token = errands.claim(Document, document)
    if token is None:
        return
    try:
        row = Document.objects.get(pk=document)
        pdf = KINDS[row.kind](value_of(row))
        digest = hashlib.sha256(pdf).hexdigest()
        file = _store(f"{_folder(row)}/{digest[:32]}.pdf", pdf, digest)
    except Exception as error:  # noqa: BLE001  (whatever it is, the maker reads it on the paper's row)
        errands.put_back(Document, document, token, error)
        return
    with transaction.atomic():
        if errands.finish(Document, document, token, file=file, digest=digest, size=len(pdf)):
            _ask_for_mail(row)
    _keep_one_file(document)


def send_mail(mail: int) -> None:
    """Send the e-mail that is due with its paper attached; tried again as papers are.

    It is sent once, as far as two systems without a common transaction allow. All
    that takes time comes first: the paper is read, the text written, the mail server
    signed in to, and the claim renewed, so that no worker whose claim has run out can
    send. Between the server's "accepted" and our record lies a single update of one
    row; the connection is closed only after it. What can still happen: the machine
    dies in that moment, or the server's answer is lost on the way. Then the e-mail is
    sent a second time, under the same Message-ID (RFC 5322, 3.6.4), by which mail
    programs and people can tell that it is the same one. The other order, to record
    first, would lose e-mails without a trace.
    """
    token = errands.claim(Mail, mail)
    if token is None:
        return
    try:
        row = Mail.objects.select_related("document").get(pk=mail)
        message = _message(row)
        with get_connection() as connection:
            if errands.renew(Mail, mail, token):
                _send(message, connection)
                errands.finish(Mail, mail, token)
    except Exception as error:  # noqa: BLE001  (whatever it is, the maker reads it on the paper's row)
        errands.put_back(Mail, mail, token, error)


def retry(*, by: User, document: int) -> None:
    """Let a paper that failed, or its e-mail, be tried again; the maker only."""
    if not access.is_maker(by):
        raise NotAllowed("maker_only", "Only the maker may have a paper made again.")
    with transaction.atomic():
        if not Document.objects.filter(pk=document).exists():
            raise NotFound("paper", "There is no such paper.")
        if paper := errands.start_again(Document, pk=document):
            send_on_commit(RENDER, paper)
        elif mail := errands.start_again(Mail, document=document):
            send_on_commit(SEND, mail)
        else:
            raise Conflict("paper_not_failed", "This paper has not failed; there is nothing to try again.")


def sweep() -> int:
    """Wake a worker for every row that nobody took, and return how many there were.

    It alone would do: a lost broker costs time, never a paper.
    """
    woken = 0
    for table, task in ((Document, RENDER), (Mail, SEND), (SheetRefresh, REFRESH), (PlanImprovement, IMPROVE)):
        for pk in errands.late(table):
            send_on_commit(task, pk)
            woken += 1
    return woken


def _folder(row: Document) -> str:
    return f"{row.kind}/{row.pk}"


def _store(name: str, pdf: bytes, digest: str) -> str:
    """Store a paper under a name made from its content and return the name.

    A worker that made the same paper and died before it could say so left the same
    file: it is used, if it is whole.
    """
    if default_storage.exists(name):
        with default_storage.open(name) as file:
            if hashlib.sha256(file.read()).hexdigest() == digest:
                return name
        default_storage.delete(name)
    return str(default_storage.save(name, ContentFile(pdf)))


def _keep_one_file(document: int) -> None:
    """Once a paper is made, delete what other workers left that lost it or died over it."""
    row = Document.objects.get(pk=document)
    if row.state == "done":
        for name in default_storage.listdir(_folder(row))[1]:
            if f"{_folder(row)}/{name}" != row.file:
                default_storage.delete(f"{_folder(row)}/{name}")


def _ask_for_mail(row: Document) -> None:
    if row.mail_to:
        now = clock.now()
        mail = Mail.objects.create(document=row, to=row.mail_to, due_at=now, created_at=now)
        send_on_commit(SEND, mail.pk)


def _message(row: Mail) -> EmailMessage:
    """The e-mail with its paper attached; its Message-ID depends on the row and the paper alone."""
    paper = value_of(row.document)
    written = letter(KINDS[row.document.kind], paper)
    domain = settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].rstrip("> ")
    headers = {
        "Message-ID": f"<paper-{row.pk}-{row.document.digest[:32]}@{domain}>",
        "Date": format_datetime(clock.now()),
        # Written by a program: holiday notes need not answer it (RFC 3834).
        "Auto-Submitted": "auto-generated",
    }
    reply_to = [paper.house.party.email] if paper.house.party.email else None
    message = EmailMessage(written.subject, written.text, to=[row.to], headers=headers, reply_to=reply_to)
    with default_storage.open(row.document.file) as file:
        message.attach(papers.paper(row.document_id).download_name, file.read(), "application/pdf")
    return message


def _send(message: EmailMessage, connection: BaseEmailBackend) -> None:
    if connection.send_messages([message]) != 1:
        raise OSError("The mail server took no e-mail; look at its settings, then try again.")
