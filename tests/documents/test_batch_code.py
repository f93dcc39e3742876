"""The code on a batch sheet: what a phone reads from it is the address of the load's page."""

import re
from urllib.parse import urlsplit

import pytest
import segno

from tests import builders, papers
from wholesale.actions import production
from wholesale.core.documents.batch import BatchSheet
from wholesale.documents import KINDS
from wholesale.models import Document, Load
from wholesale.queries.papers import value_of

Matrix = list[list[int]]


def drawn(svg: str) -> Matrix:
    """The squares of a code that is drawn as one path of horizontal strokes, its quiet zone taken off."""
    size = int(float(re.search(r'viewBox="0 0 (\S+) ', svg)[1]))  # type: ignore[index]
    squares = [[0] * size for _ in range(size)]
    x, y = 0.0, 0.0
    for move, number, other in re.findall(r"([Mmh])(-?[\d.]+)(?: (-?[\d.]+))?", re.search(r' d="([^"]+)"', svg)[1]):  # type: ignore[index]
        if move == "h":
            for at in range(int(x), int(x + float(number))):
                squares[int(y)][at] = 1
            x += float(number)
        elif move == "M":
            x, y = float(number), float(other)
        else:
            x, y = x + float(number), y + float(other)
    quiet = next(n for n, row in enumerate(squares) if any(row))
    return [row[quiet : size - quiet] for row in squares[quiet : size - quiet]]


def code_of(html: str) -> str:
    found = re.search(r"<svg[^>]*class=\"qr\".*?</svg>", html, re.DOTALL)
    assert found, "no code on the sheet"
    return found[0]


def test_the_code_is_that_of_the_pages_address() -> None:
    """What is drawn is the matrix of the same text (ISO/IEC 18004, by segno), square by square."""
    paper = papers.batch_sheet()
    expected = [[int(bool(square)) for square in row] for row in segno.make_qr(paper.page_url, error="m").matrix]

    assert drawn(code_of(KINDS["batch_sheet"].html(paper))) == expected
    assert paper.page_url in KINDS["batch_sheet"].html(paper)


def test_another_address_draws_another_code() -> None:
    one, other = papers.batch_sheet(), papers.whip_sheet()
    assert one.page_url != other.page_url

    assert drawn(code_of(KINDS["batch_sheet"].html(one))) != drawn(code_of(KINDS["batch_sheet"].html(other)))


@pytest.mark.django_db
def test_the_sheet_of_a_load_carries_the_address_people_type(settings: object) -> None:
    """The site's address from the environment, and the load's page on it."""
    settings.CASEWRIGHT_SITE_URL = "http://bench.mossgate.example:8123"  # type: ignore[attr-defined]
    builders.mossgate_rows(stock=True)
    shop = builders.shop("corner")
    builders.place(shop, ("SUC", 4, "RG"))
    load = Load.objects.filter(portions__operation="pour")[0]
    production.batch_sheet(by=builders.helper(), load=load.pk)
    paper = value_of(Document.objects.get(kind="batch_sheet"))

    assert isinstance(paper, BatchSheet)
    parts = urlsplit(paper.page_url)
    assert (parts.netloc, parts.path) == ("bench.mossgate.example:8123", f"/bench/loads/{load.pk}/")
