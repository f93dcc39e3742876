"""Papers as pages list them: what they are, whether they are made, and why not."""

import re
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from wholesale.core.values import NotFound
from wholesale.documents import KINDS
from wholesale.models import Document, Mail, Order

#: The words of ``components/paper.html`` for the states of an errand.
_WORDS = {"waiting": "waiting", "claimed": "making", "done": "ready", "failed": "failed"}


@dataclass(frozen=True, kw_only=True)
class PaperRow:
    """A paper on a page.

    ``state`` is waiting, making, ready or failed, with its ``reason`` in words.
    ``shop`` and ``order`` (slug and number) are empty for papers of the bench:
    a shop may see the papers that carry its own slug. ``file`` is the stored file's
    name and ``size`` its bytes, once ready. ``mail`` is the same word for its e-mail,
    "" when none is asked for; ``poll`` says that something is still going on.
    """

    id: int
    kind: str
    title: str
    state: str
    reason: str
    shop: str
    order: str
    file: str
    size: int
    download_name: str
    mail: str
    mail_to: str
    mail_reason: str

    @property
    def ready(self) -> bool:
        """Whether it can be opened."""
        return self.state == "ready"

    @property
    def poll(self) -> bool:
        """Whether asking again soon will show something new."""
        return self.state in {"waiting", "making"} or self.mail in {"waiting", "making"}

    @property
    def can_retry(self) -> bool:
        """Whether the paper, or its e-mail, has failed for good and may be tried again."""
        return "failed" in {self.state, self.mail}


def paper(document: int) -> PaperRow:
    """One paper: 1 query; ``NotFound`` when there is none."""
    row = _rows().filter(pk=document).first()
    if row is None:
        raise NotFound("paper", "There is no such paper.")
    return _paper(row)


def papers_of_order(order: int) -> tuple[PaperRow, ...]:
    """The newest paper of each kind about an order, its shipments and its invoices, oldest first: 1 query."""
    return _newest(_rows().filter(Q(order=order) | Q(shipment__order=order) | Q(invoice__order=order)))


def papers_of_invoice(number: str) -> tuple[PaperRow, ...]:
    """The papers of an invoice, or credit note, that belongs to no order: 1 query."""
    return _newest(_rows().filter(invoice__number=number))


def papers_of_load(load: int) -> tuple[PaperRow, ...]:
    """The newest batch sheet of a load, if any was asked for: 1 query."""
    return _newest(_rows().filter(load=load))


def _rows() -> QuerySet[Document]:
    return Document.objects.select_related(
        "mail",
        "order__shop",
        "shipment__order__shop",
        "invoice__order__shop",
        "invoice__shop",
        "load__what",
        "load__equipment",
    )


def _newest(rows: QuerySet[Document]) -> tuple[PaperRow, ...]:
    latest = {
        (row.kind, row.order_id, row.shipment_id, row.invoice_id, row.load_id): row for row in rows.order_by("pk")
    }
    return tuple(_paper(row) for row in sorted(latest.values(), key=lambda row: row.pk))


def _paper(row: Document) -> PaperRow:
    kind, order, mail = KINDS[row.kind], _order(row), _mail(row)
    title = kind.named(_number(row))
    return PaperRow(
        id=row.pk, kind=row.kind, title=title, state=_WORDS[row.state], reason=row.error,
        shop=_shop(row) if kind.for_shop else "", order=order.number if order else "",
        file=row.file, size=row.size, download_name=re.sub(r"[^\w.,-]+", " ", title).strip() + ".pdf",
        mail=_mail_word(row, mail), mail_to=row.mail_to, mail_reason=mail.error if mail else "",
    )  # fmt: skip


def _order(row: Document) -> Order | None:
    """The order a paper belongs to, directly or through a shipment or an invoice."""
    through = row.shipment or row.invoice
    return through.order if through else row.order


def _shop(row: Document) -> str:
    """The slug of the shop a paper is for; "" for one of the bench."""
    order = _order(row)
    if order:
        return str(order.shop.slug)
    return str(row.invoice.shop.slug) if row.invoice else ""


def _number(row: Document) -> str:
    """What the paper is about, in a word: the number of its order, shipment, invoice or batch."""
    if row.load:
        where = row.load.equipment or row.load.what
        return row.load.number or f"{where.name}, {row.load.day:%Y-%m-%d}"
    return str(row.shipment or row.invoice or row.order)


def _mail(row: Document) -> Mail | None:
    return getattr(row, "mail", None)


def _mail_word(row: Document, mail: Mail | None) -> str:
    """The state of a paper's e-mail; it waits from the moment it is asked for."""
    if mail:
        return _WORDS[mail.state]
    return "waiting" if row.mail_to and row.state != "failed" else ""
