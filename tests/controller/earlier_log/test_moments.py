"""Times of a log: offsets, wall time, seconds, and the two odd nights of a year."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest

from controller.earlier_log.moments import Moments
from controller.earlier_log.problems import Unreadable

ZONE = "Europe/Berlin"


@pytest.fixture
def moments() -> Moments:
    """Of a log in Berlin, read at the end of 2026."""
    return Moments(ZONE, latest_s=datetime(2026, 12, 31, tzinfo=UTC).timestamp())


def _utc(moments: Moments, *texts: str) -> list[str]:
    found, after_s = [], -math.inf
    for text in texts:
        after_s = moments.read(text, after_s=after_s)
        found.append(f"{datetime.fromtimestamp(after_s, UTC):%m-%d %H:%M}")
    return found


@pytest.mark.parametrize(
    "text",
    ["2026-01-10 13:00", "2026-01-10T13:00:00", "2026-01-10T12:00Z", "2026-01-10T07:00-05:00",
     "1768046400", "1768046400.0"],
)  # fmt: skip
def test_every_form_of_one_moment(moments, text):
    """Wall time in Berlin is an hour ahead in winter; an offset or seconds say it themselves."""
    assert moments.read(text, after_s=0.0) == 1768046400.0


def test_without_a_zone_times_are_utc():
    """``time [UTC]``: no summer time enters."""
    moments = Moments("UTC", latest_s=1.8e9)
    assert _utc(moments, "2026-03-29 02:30") == ["03-29 02:30"]


def test_both_hours_of_the_autumn_night_are_understood(moments):
    """Wall time goes 02:30, 02:00, 02:30: the second ones are an hour later, and no note."""
    night = ["2026-10-25 " + t for t in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00")]
    times = ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]
    assert [found[-5:] for found in _utc(moments, *night)] == times
    assert list(moments.taken_as_first()) == []


def test_one_hour_of_the_autumn_night_is_taken_as_the_first_and_said(moments):
    """A log with that hour once."""
    _utc(moments, "2026-10-25 01:30", "2026-10-25 02:30", "2026-10-25 03:30")
    assert list(moments.taken_as_first()) == ["2026-10-25 02:30"]


def test_a_skipped_hour_is_refused_with_the_way_out(moments):
    """Clocks went from 02:00 to 03:00: a logger on winter time has to say its offset."""
    with pytest.raises(Unreadable, match="does not exist in Europe/Berlin") as caught:
        moments.read("2026-03-29 02:30", after_s=0.0)
    assert "2026-03-29 02:30+01:00" in caught.value.right


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("1768046400000", "looks like milliseconds"),
        ("1999-12-31 12:00", "before the year 2000"),
        ("2027-01-10 12:00", "lies in the future"),
        ("10.01.2026 12:00", "is no time"),
        ("", "'' is no time"),
        ("12:00", "is no time"),
    ],
)
def test_what_is_no_moment_of_a_log_is_refused(moments, text, wrong):
    """Each with what is wrong and what would be right."""
    with pytest.raises(Unreadable, match=wrong) as caught:
        moments.read(text, after_s=0.0)
    assert caught.value.right


def test_time_must_go_on(moments):
    """The same moment twice, or an earlier one, is refused."""
    with pytest.raises(Unreadable, match="not later than the row before"):
        moments.read("1768046400", after_s=1768046400.0)
