"""The one clock: where the time comes from, and who sees it move."""

import os
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from django.conf import LazySettings, settings

from tests.processes import ROOT
from wholesale import clock

# Thursday 5 March 2026 13:50 in New York is 18:50 UTC: standard time, five hours behind.
STANDING = datetime(2026, 3, 5, 18, 50, tzinfo=UTC)


def test_the_clock_stands_at_the_stated_workshop_time() -> None:
    assert clock.now() == STANDING
    assert clock.now().tzinfo is UTC


def test_real_time_runs_when_nothing_is_set(settings: LazySettings) -> None:
    settings.CASEWRIGHT_NOW = settings.CASEWRIGHT_NOW_FILE = ""

    first, second = clock.now(), clock.now()

    assert first <= second
    assert first > datetime(2026, 3, 6, tzinfo=UTC)


def test_today_is_the_date_at_the_workshop_not_in_utc() -> None:
    # 23:30 on 5 March in New York is 04:30 on 6 March in UTC.
    with clock.at("2026-03-05T23:30"):
        assert clock.now().date() == date(2026, 3, 6)
        assert clock.today() == date(2026, 3, 5)


def test_at_may_be_nested_and_gives_the_time_back() -> None:
    with clock.at("2026-03-06T08:00"):
        with clock.at(datetime(2026, 3, 7, 13, tzinfo=UTC)) as inner:
            assert clock.now() == inner == datetime(2026, 3, 7, 13, tzinfo=UTC)
        # 08:00 + 5 h = 13:00 UTC
        assert clock.now() == datetime(2026, 3, 6, 13, tzinfo=UTC)
    assert clock.now() == STANDING


def test_daylight_saving_follows_the_zone() -> None:
    # The United States go to UTC-4 on the second Sunday of March: 8 March 2026.
    # Source: 15 U.S.C. 260a (from memory).
    assert clock.read("2026-03-07T12:00") == datetime(2026, 3, 7, 17, tzinfo=UTC)
    assert clock.read("2026-03-08T12:00") == datetime(2026, 3, 8, 16, tzinfo=UTC)


def test_the_file_moves_the_clock_of_another_process() -> None:
    clock.move_all("2026-03-09T09:15")

    assert clock.now() == datetime(2026, 3, 9, 13, 15, tzinfo=UTC)
    program = "import django; django.setup(); from wholesale import clock; print(clock.now().isoformat())"
    said = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "2026-03-09T13:15:00+00:00"


def test_a_running_file_runs_on_from_the_moment_it_was_written() -> None:
    clock.move_all("2026-03-09T09:15", running=True)
    path = Path(settings.CASEWRIGHT_NOW_FILE)
    written = path.stat().st_mtime
    # As if it had been written ten minutes (600 s) ago: 09:15 + 0:10 = 09:25 = 13:25 UTC.
    os.utime(path, (written - 600, written - 600))

    since = clock.now() - datetime(2026, 3, 9, 13, 25, tzinfo=UTC)

    assert timedelta() <= since < timedelta(minutes=5)


def test_moving_without_a_file_says_what_to_set(settings: LazySettings) -> None:
    settings.CASEWRIGHT_NOW_FILE = ""

    with pytest.raises(RuntimeError, match="Set CASEWRIGHT_NOW_FILE"):
        clock.move_all("2026-03-09T09:15")


def test_an_unreadable_time_is_refused() -> None:
    with pytest.raises(ValueError, match="yesterday"):
        clock.read("yesterday")
