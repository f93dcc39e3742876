"""What a person reads on a page, and what a browser would send back from it."""

import html
import re
from typing import Any


def text(answer: Any) -> str:
    """The page's words, one space between them."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", answer.content.decode()))).replace("\xa0", " ")


def hidden(answer: Any) -> dict[str, str]:
    """The hidden fields a browser would send back, but for the guard against forged forms."""
    found = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', answer.content.decode())
    return {name: value for name, value in found if name != "csrfmiddlewaretoken"}
