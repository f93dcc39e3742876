"""The e-mails that carry papers: plain text, a few sentences, the paper attached."""

from dataclasses import dataclass

from django.template.loader import render_to_string

from wholesale.core.documents.papers import Paper
from wholesale.documents.kinds import Kind


@dataclass(frozen=True, kw_only=True)
class Letter:
    """Subject and text of an e-mail."""

    subject: str
    text: str


def letter(kind: Kind[Paper], paper: Paper) -> Letter:
    """What is written to the shop with a paper: the template's first paragraph is the subject."""
    written = render_to_string(f"email/{kind.code}.txt", {"paper": paper, "title": kind.title})
    subject, _, text = written.strip().partition("\n\n")
    # One line whatever a name holds: a line break would begin another header.
    return Letter(subject=" ".join(subject.split()), text=text.strip() + "\n")
