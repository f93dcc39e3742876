"""What stands on the papers, and how they are printed."""

import hashlib
import io
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from decimal import Decimal
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from fontTools.ttLib import TTFont
from pypdf import PdfReader

from tests import papers
from tests.processes import ROOT
from wholesale.core.documents.papers import Paper, ScentCount
from wholesale.documents import KINDS
from wholesale.documents.pdf import OwnFiles, fonts_folder, templates_folder

SAMPLES: dict[str, tuple[str, Callable[[], Paper]]] = {
    "confirmation": ("confirmation", papers.confirmation),
    "invoice": ("invoice", papers.invoice),
    "invoice-taxed": ("invoice", lambda: papers.invoice(exempt="")),
    "credit-note": ("credit_note", papers.credit_note),
    "packing-slip": ("packing_slip", papers.packing_slip),
    "batch-sheet": ("batch_sheet", papers.batch_sheet),
    "batch-sheet-whip": ("batch_sheet", papers.whip_sheet),
}


@cache
def printed(kind: str, paper: Paper) -> PdfReader:
    """The paper, printed; each one once, since that is what takes time here."""
    return PdfReader(io.BytesIO(KINDS[kind](paper)))


def pages_of(kind: str, paper: Paper) -> list[str]:
    return [page.extract_text() for page in printed(kind, paper).pages]


def words_of(kind: str, paper: Paper) -> str:
    """All text of a paper with single spaces."""
    return " ".join(" ".join(pages_of(kind, paper)).split())


@pytest.mark.parametrize("name", SAMPLES)
def test_each_paper_is_the_one_kept_in_git(name: str, golden: Callable[[str, str], None]) -> None:
    kind, paper = SAMPLES[name]

    golden(f"{name}.html", KINDS[kind].html(paper()))


def test_every_kind_has_a_golden_paper() -> None:
    assert {kind for kind, _ in SAMPLES.values()} == set(KINDS)


def test_a_confirmation_says_what_was_agreed() -> None:
    said = words_of("confirmation", papers.confirmation())

    for words in (
        "Order confirmation W-1001", "Mossgate Bench LLC", "Ferndale House & Garden, Inc.", "14 Millrace Lane",
        "220 Orchard Street", "PO 7741", "Thu 5 Mar 2026", "Fri 20 Mar 2026", "Tue 24 Mar 2026",
        "2 Rain garden, 2 Cedar frame, 2 Wet stone", "2 × 6 = 12", "$12.00 $72.00 $144.00", "$10.00 $60.00 $120.00",
        # 144 + 120 = 264; + 18 = 282; half of it is 141; 6.5 % of 264 is 17.16 (trade scenario S1).
        "$264.00", "$18.00", "$282.00", "Deposit $141.00", "$17.16",
        "2 % off when paid within 10 days of the invoice; otherwise the full amount within 30 days",
        "Back door, ring twice", "Please no deliveries on Wednesday mornings.", "Changes: please ask as early",
        "here by Mon 9 Mar 2026, 14:00",
    ):  # fmt: skip
        assert words in said.replace("\u00a0", " "), words


def test_an_invoice_says_what_art_226_asks_for() -> None:
    """What EU Directive 2006/112 Art. 226 lists.

    Date, number, tax numbers, names and addresses, quantity and kind, day of supply,
    unit price and discounts, net, rate, tax, and the ground of an exemption.
    """
    said = words_of("invoice", papers.invoice()).replace("\u00a0", " ")

    for words in (
        "Invoice INV-0001", "Mon 16 Mar 2026", "Supplied", "W-1008, S-1001", "PO 7802", "Tax number 04-0000123",
        "Tax number 04-0000456", "Mossgate Bench LLC", "Ferndale House & Garden, Inc.",
        "60 $12.00 $720.00 −$72.00 – $648.00", "48 $10.00 $480.00 −$48.00 – $432.00",
        # 648 + 432 = 1,080; − 540 deposit = 540; 2 % of 540 = 10.80; 540 − 10.80 = 529.20 (trade scenario S8).
        "Net $1,080.00", "Deposit received 2 March 2026 −$540.00", "Amount due $540.00", "Wed 15 Apr 2026", "529.20",
        "account 000 111 222", "Resale certificate NY-88-1204 (NY) holds.",
    ):  # fmt: skip
        assert words in said, words


def test_a_taxed_invoice_shows_rate_and_tax() -> None:
    said = words_of("invoice", papers.invoice(exempt="")).replace("\u00a0", " ")

    # 6.5 % of 1,080.00 = 70.20; 1,080.00 + 70.20 = 1,150.20; − 540.00 = 610.20.
    assert "Sales tax 6.5 % of 1080.00 $70.20" in said
    assert "Total $1,150.20" in said
    assert "Amount due $610.20" in said
    assert "untaxed" not in said


def test_a_credit_note_names_the_invoice_it_corrects_and_why() -> None:
    said = words_of("credit_note", papers.credit_note())

    assert "Credit note CR-0001" in said
    assert "Corrects invoice" in said
    assert "INV-0001 of 16 Mar 2026" in said
    assert "Meant for another house." in said
    assert "Credited $1,080.00" in said
    assert "Amount due" not in said


def test_a_packing_slip_says_what_is_in_the_cartons_and_what_waits() -> None:
    said = words_of("packing_slip", papers.packing_slip())

    for words in (
        "Packing slip S-1001", "W-1001", "PO 7741", "Mon 16 Mar 2026", "Valley Parcel", "Back door, ring twice",
        "7 from lot L-1002, 5 from lot L-1005",
        # Ordered 3, none before, 1 here, 3 − 0 − 1 = 2 to come.
        "Pebble jar PEB 6 in a case 3 – 1 2", "2 cases of this order will follow",
        # Arrives Wed 18 March, five days to claim: Mon 23 March.
        "within 5 days of arrival, that is by Mon 23 Mar 2026", "bench@mossgate.example", "+1 802 555 0142",
    ):  # fmt: skip
        assert words in said.replace("\u00a0", " "), words


def decimals_in(value: Any) -> list[Decimal]:
    """Every Decimal anywhere in a value."""
    if isinstance(value, Decimal):
        return [value]
    if isinstance(value, tuple):
        return [found for part in value for found in decimals_in(part)]
    if is_dataclass(value):
        return [found for field in fields(value) for found in decimals_in(getattr(value, field.name))]
    return []


def test_a_packing_slip_holds_no_price() -> None:
    """Not in its value, not on the page: no amount, no currency, no word for either."""
    paper = papers.packing_slip()
    said = words_of("packing_slip", paper)

    assert decimals_in(paper) == []
    assert decimals_in(papers.invoice()) != []
    assert re.findall(r"[$€£]|\d[.,]\d\d\b|\bUSD\b|(?i:price|amount|total|discount|freight|tax)", said) == []


def test_a_batch_sheet_shows_what_to_weigh_with_its_arithmetic() -> None:
    """Trade scenario S2: 25 × 150 = 3,750; ÷ 0.97 = 3,865.98; ÷ 1.08 = 3,579.61; × 0.08 = 286.37."""
    said = words_of("batch_sheet", papers.batch_sheet()).replace("\u00a0", " ")

    for words in (
        "25 × 150 g = 3,750 g", "3,750 ÷ (1 − 0.03) = 3,865.979 g", "3,579.610 g", "3,865.979 ÷ 1.08", "286.369 g",
        "8 % of the wax, 7.41 % of the whole", "0.08 × 3,579.61",
        # 3,579.61 / 28.349523125 = 126.27 oz; 286.37 / 28.349523125 = 10.10 oz.
        "126.27 oz", "10.10 oz", "W-1001", "W-1002", "holds 4,000 g", "Released by", "Melted to", "Rejects, and why",
        "Never put water on burning wax", "Your local code and your insurer decide", "flash point not on file",
    ):  # fmt: skip
        assert words in said, words


def test_a_whip_sheet_says_how_long_the_bowl_can_be_worked_and_what_to_lay_ready() -> None:
    said = words_of("batch_sheet", papers.whip_sheet())

    # 12 × 40 = 480 net; ÷ 0.97 = 494.845 to melt; a rosette each.
    assert "494.845" in said
    assert "Work the load within 35 minutes" in said
    assert "Rosette 12 pieces" in said


def test_a_long_order_repeats_its_head_and_counts_its_pages() -> None:
    pages = pages_of("confirmation", papers.long_confirmation())

    assert len(pages) > 3
    for number, text in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in text
        assert "Product, and scents in each case" in text
        assert ("Order confirmation W-1001" in text) == (number > 1)


@pytest.mark.parametrize("lines", range(12, 15))
def test_totals_never_stand_on_a_page_without_a_line(lines: int) -> None:
    """Some of these orders end just at the foot of a page."""
    pages = pages_of("confirmation", papers.long_confirmation(lines))

    (last,) = [page for page in pages if "Total before tax" in page]
    assert f"Pebble jar no. {lines} " in last


def test_what_people_typed_stands_there_as_they_typed_it() -> None:
    typed = "<script>alert('é')</script> “soft” & <b>Žižkov</b>"
    paper = replace(papers.confirmation(), note=typed, po_number=typed)
    html = KINDS["confirmation"].html(paper)

    assert "<script" not in html
    assert "<b>Žižkov" not in html
    assert typed in words_of("confirmation", paper)


def test_a_scent_with_markup_in_its_name_is_escaped_too() -> None:
    line = replace(papers.confirmation().lines[0], scents=(ScentCount(name="<i>Moss", pieces=6),))

    assert "6 &lt;i&gt;Moss" in KINDS["confirmation"].html(replace(papers.confirmation(), lines=(line,)))


def test_a_note_longer_than_a_page_loses_nothing() -> None:
    sentences = [f"Sentence {n} of a long letter." for n in range(1, 401)]
    said = words_of("confirmation", replace(papers.confirmation(), note=" ".join(sentences)))

    assert all(sentence in said for sentence in (sentences[0], sentences[-1]))
    assert "Deposit $141.00" in said


def test_an_order_not_yet_confirmed_says_so() -> None:
    said = words_of("confirmation", replace(papers.confirmation(), confirmed=False))

    assert "Order received" in said
    assert "You get a confirmation once we have looked it over." in said


@pytest.mark.parametrize(("country", "size"), [("US", (612, 792)), ("GB", (595, 842)), ("DE", (595, 842))])
def test_the_sheet_is_letter_in_the_united_states_and_a4_elsewhere(country: str, size: tuple[int, int]) -> None:
    """ANSI Y14.1 size A: 8.5 × 11 in = 612 × 792 pt; ISO 216 A4: 210 × 297 mm = 595 × 842 pt."""
    house = replace(papers.HOUSE, country=country)
    box = printed("packing_slip", replace(papers.packing_slip(), house=house)).pages[0].mediabox

    assert (round(box.width), round(box.height)) == size


def test_a_paper_can_be_found_and_read_aloud() -> None:
    """Title, author and language are set, and the text is tagged (ISO 32000-1, 14.8)."""
    pdf = printed("invoice", papers.invoice())
    root: Any = pdf.root_object

    assert pdf.metadata is not None
    assert pdf.metadata.title == "Invoice INV-0001"
    assert pdf.metadata.author == "Mossgate Bench LLC"
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712  (a PDF boolean)
    assert "/StructTreeRoot" in root


def test_every_font_is_ours_and_embedded() -> None:
    """The layout must not depend on what a machine has installed."""
    pdf = printed("confirmation", papers.confirmation())
    pages: list[Any] = list(pdf.pages)
    fonts = [font.get_object() for page in pages for font in page["/Resources"]["/Font"].values()]

    assert fonts
    for font in fonts:
        inner = font["/DescendantFonts"][0].get_object()
        assert "Casewright" in inner["/BaseFont"] or "Source" in inner["/BaseFont"]
        assert {"/FontFile2", "/FontFile3"} & set(inner["/FontDescriptor"].get_object())


def test_the_same_paper_is_the_same_bytes_in_every_process() -> None:
    """So a worker that died and its successor make one file, not two."""
    program = (
        "import django; django.setup(); import hashlib, sys; from tests import papers;"
        "from wholesale.documents import KINDS;"
        "print(hashlib.sha256(KINDS['confirmation'](papers.confirmation())).hexdigest())"
    )
    env = os.environ | {"DJANGO_SETTINGS_MODULE": "tests.settings", "PYTHONHASHSEED": "7"}
    other = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, env=env, capture_output=True, text=True, check=True
    )

    here = hashlib.sha256(KINDS["confirmation"](papers.confirmation())).hexdigest()
    assert other.stdout.strip() == here


@pytest.mark.parametrize(
    "address",
    [
        "http://127.0.0.1/logo.png",
        "https://mossgate.example/logo.png",
        "ftp://mossgate.example/logo.png",
        "data:text/css,p{}",
        "file:///etc/passwd",
        "file://elsewhere" + str(templates_folder() / "documents.css"),
        f"file://{templates_folder()}/../../manage.py",
        f"file://{templates_folder()}/%2e%2e/%2e%2e/manage.py",
    ],
)
def test_a_paper_never_fetches_anything_that_is_not_ours(address: str) -> None:
    with pytest.raises(PermissionError, match="only the project's own files"):
        OwnFiles().fetch(address)


def test_a_paper_may_use_our_stylesheet() -> None:
    path = templates_folder() / "documents.css"
    with OwnFiles().fetch(path.as_uri())._file_obj as file:
        assert file.read() == path.read_bytes()


@pytest.mark.parametrize("path", sorted(fonts_folder().glob("*.woff2")), ids=lambda path: path.stem)
def test_a_paper_may_use_our_fonts_and_gets_them_unpacked(path: Path) -> None:
    """WOFF 2.0 is a packed OpenType font (W3C): the same glyphs, under the same names."""
    found, packed = TTFont(BytesIO(OwnFiles().fetch(path.as_uri()).read())), TTFont(path)

    assert (found.flavor, packed.flavor) == (None, "woff2")
    assert found.getGlyphOrder() == packed.getGlyphOrder()
