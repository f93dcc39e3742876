"""The e-mails that carry papers: plain, short, and with a subject of one line."""

from dataclasses import replace

import pytest

from tests import papers
from wholesale.core.documents.papers import Paper
from wholesale.documents import KINDS
from wholesale.documents.letters import letter


def test_the_letter_with_a_confirmation_gives_the_dates_and_the_deposit() -> None:
    written = letter(KINDS["confirmation"], papers.confirmation())

    assert written.subject == "Order confirmation W-1001 from Mossgate Bench"
    assert written.text == (
        "Hello,\n\n"
        "thank you for order W-1001 (your number PO 7741). It leaves us on Friday 20 March 2026 and should reach you "
        "on Tuesday 24 March 2026.\n\n"
        "The deposit of $141.00 is due before the bench starts; the date holds if it is here by Monday 9 March, 14:00."
        "\n\nThe confirmation is attached. Please check it, and answer this e-mail if anything is wrong.\n\n"
        "Mossgate Bench\nbench@mossgate.example\n+1 802 555 0142\n"
    )


@pytest.mark.parametrize(
    ("kind", "paper", "said"),
    [
        ("invoice", papers.invoice(), "540.00 USD is due by 15 April 2026."),
        ("credit_note", papers.credit_note(), "which corrects invoice INV-0001: Meant for another house."),
        (
            "packing_slip",
            papers.packing_slip(),
            "3\u00a0cases of your order W-1001 (your number PO 7741) left us",
        ),
    ],
)
def test_every_paper_for_a_shop_has_its_letter(kind: str, paper: Paper, said: str) -> None:
    written = letter(KINDS[kind], paper)

    assert KINDS[kind].named(paper.number) in written.subject
    assert said in written.text
    assert "\n\n\n" not in written.text


def test_a_letter_is_plain_text_whatever_a_name_holds() -> None:
    house = replace(papers.HOUSE, name="Moss & “Gate”\nBcc: all@elsewhere.example")
    written = letter(KINDS["invoice"], replace(papers.invoice(), house=house))

    # One line: the break in the name can't begin another header; an ampersand stays one.
    assert written.subject == "Invoice INV-0001 from Moss & “Gate” Bcc: all@elsewhere.example"
    assert written.text.startswith("Hello,")
