"""HTML to PDF by WeasyPrint, with our own files only: no network, no font of the machine."""

import hashlib
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from urllib.request import url2pathname

from django.conf import settings
from fontTools.ttLib import woff2
from weasyprint import HTML
from weasyprint.urls import URLFetcher, URLFetcherResponse


def templates_folder() -> Path:
    """Where the templates of papers and their stylesheet lie."""
    return Path(settings.BASE_DIR) / "templates" / "documents"


def fonts_folder() -> Path:
    """Where the font files lie that pages and papers share."""
    return Path(settings.BASE_DIR) / "wholesale" / "web" / "static" / "fonts"


class OwnFiles(URLFetcher):
    """Hands out files of our two folders and nothing else.

    A paper holds what shops typed; whatever address gets into it is never followed.
    """

    def __init__(self) -> None:
        super().__init__(allowed_protocols={"file"}, allow_redirects=False, fail_on_errors=True)

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
        """The file at `url`; ``PermissionError`` for any other address, which ends the rendering."""
        parts = urlsplit(url)
        path = Path(url2pathname(parts.path)).resolve()
        own = any(path.is_relative_to(folder.resolve()) for folder in (templates_folder(), fonts_folder()))
        if parts.scheme != "file" or parts.netloc or not own:
            raise PermissionError(f"Papers use only the project's own files, not {url}.")
        if path.suffix == ".woff2":
            return URLFetcherResponse(url, unpacked(path))
        return super().fetch(url, headers)


@cache
def unpacked(font: Path) -> bytes:
    """The font as plain TrueType: unpacked for each paper, as WeasyPrint does, it takes most of a paper's time."""
    plain = BytesIO()
    with font.open("rb") as packed:
        woff2.decompress(packed, plain)
    return plain.getvalue()


def print_page(html: str) -> bytes:
    """The PDF of one HTML page: tagged for screen readers, fonts embedded, the same bytes each time."""
    page = HTML(string=html, base_url=f"{templates_folder()}/", url_fetcher=OwnFiles())
    # An identifier of the content: left out, readers could not tell two papers apart.
    identifier = hashlib.sha256(html.encode()).hexdigest()[:32].encode()
    return bytes(page.write_pdf(pdf_tags=True, pdf_identifier=identifier))
