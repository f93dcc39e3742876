"""The kinds of paper there are. A new kind is one row here, a value and a template."""

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.template.loader import render_to_string

from wholesale.core.documents.batch import BatchSheet
from wholesale.core.documents.papers import Confirmation, InvoicePaper, PackingSlip, Paper

Value = TypeVar("Value", bound=Paper)


@dataclass(frozen=True, kw_only=True)
class Kind(Generic[Value]):
    """One kind of paper: its title, the value it prints, the row it is about.

    ``about`` is the field of the ``Document`` row that names what the paper is
    about; ``for_shop`` says whether the shop may see it.
    """

    code: str
    title: str
    value: type[Value]
    about: str
    template: str
    for_shop: bool = True

    def html(self, paper: Value) -> str:
        """The paper as one HTML page; its stylesheet stands beside the template."""
        shown = {"paper": paper, "title": self.title, "code": self.code}
        return render_to_string(f"documents/{self.template}", shown)

    def __call__(self, paper: Value) -> bytes:
        """The paper as PDF: the same value always gives the same bytes."""
        # Loaded where papers are printed: WeasyPrint takes a second, and web pages print nothing.
        from wholesale.documents import pdf  # noqa: PLC0415

        return pdf.print_page(self.html(paper))

    def named(self, number: str) -> str:
        """What people call the paper of that number."""
        return f"{self.title} {number}"


_ALL: tuple[Kind[Any], ...] = (
    Kind(
        code="confirmation", title="Order confirmation", value=Confirmation, about="order",
        template="confirmation.html",
    ),
    Kind(code="invoice", title="Invoice", value=InvoicePaper, about="invoice", template="invoice.html"),
    Kind(code="credit_note", title="Credit note", value=InvoicePaper, about="invoice", template="invoice.html"),
    Kind(
        code="packing_slip", title="Packing slip", value=PackingSlip, about="shipment",
        template="packing_slip.html",
    ),
    Kind(
        code="batch_sheet", title="Batch sheet", value=BatchSheet, about="load", template="batch_sheet.html",
        for_shop=False,
    ),
)  # fmt: skip
KINDS: dict[str, Kind[Any]] = {kind.code: kind for kind in _ALL}
