"""``manage.py plan`` and ``manage.py promise``: the plan and a date on the console, with reasons."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from tests import builders
from wholesale import clock

pytestmark = pytest.mark.django_db


def said(*words: str) -> str:
    """What a command prints."""
    out = StringIO()
    call_command(*words, stdout=out)
    return out.getvalue()


def test_the_plan_is_printed_day_by_day_with_whose_pieces_they_are() -> None:
    """S2: 24 cups of two orders share a pot on Thu 5; 24 / 0.92 = 26.09, as 14 + 13 casts; piped Fri 6."""
    builders.mossgate_rows()
    builders.two_shops_order_cups()

    lines = said("plan").splitlines()

    assert lines[0] == "Plan 3"
    assert lines[1:5] == [
        "Thu 5 Mar 2026",
        "  Pot A: Pour base, 24 of Succulent cup, Rain garden (W-1001 12, W-1002 12)",
        "  Rosette tray: Cast rosettes, 12 of Rosette (W-1001 12)",
        "  Rosette tray: Cast rosettes, 12 of Rosette (W-1001 2, W-1002 10)",
    ]
    assert lines[-1] == "Every rule and every promise is kept."


def test_a_plan_that_is_overdue_says_so() -> None:
    """Nothing was done on Thu 5: on Fri 6 its loads are overdue."""
    builders.mossgate_rows()
    builders.two_shops_order_cups()
    with clock.at("2026-03-06T09:00"):
        told = said("plan")

    assert "mark it done or plan again." in told
    assert "things to look at." in told


def test_a_promise_is_printed_with_its_gates_and_what_would_come_sooner() -> None:
    """S4 on Monday 2 March: Fri 20, because the trays are full until Mon 9."""
    builders.mossgate_rows()
    with clock.at("2026-03-02T09:00"):
        told = said("promise", "PEB", "20", "--scent", "RG")

    assert "20 × Pebble jar, Rain garden: leaves Fri 20 Mar 2026, arrives Tue 24 Mar 2026, because:" in told
    assert (
        "Tue 10 Mar  Place and seal: not sooner: Pebble trays full from Mon 2 Mar to Fri 6 Mar ← this decides the date"
        in told
    )
    assert "sooner if: In two shipments, 19 of 20 cases first: with the shop Mon 23 Mar" in told


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("NONE", "1"), "There is no item 'NONE'. There are: BASE"),
        (("SUC", "0"), "0 cases can't be ordered; give a whole number from 1 to 99."),
        (("SUC", "1", "--scent", "XX"), "does not come in 'XX'"),
        (("SOY", "1"), "There is no product 'SOY' on the order sheet."),
    ],
)
def test_what_cannot_be_promised_is_named(words: tuple[str, ...], message: str) -> None:
    builders.mossgate_rows()
    with pytest.raises(CommandError, match=message):
        said("promise", *words)
