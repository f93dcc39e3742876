"""Golden papers: HTML kept in git, compared whole, renewed by one command."""

from collections.abc import Callable
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parent / "golden"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let `pytest tests/documents --renew` write the golden papers anew."""
    parser.addoption("--renew", action="store_true", help="write the golden papers anew, then look at the difference")


@pytest.fixture
def golden(request: pytest.FixtureRequest) -> Callable[[str, str], None]:
    """Compare a text with the golden file of that name, whole."""

    def compare(name: str, text: str) -> None:
        path = GOLDEN / name
        if request.config.getoption("--renew", default=False):
            path.write_text(text)
        assert text == path.read_text(), f"{name} has changed: if it should, run `pytest tests/documents --renew`."

    return compare
