"""Moments as the owner writes and reads them."""

from __future__ import annotations

import pytest

from controller.local_time import LocalTime, duration, utc_text

OSLO = LocalTime("Europe/Oslo")
NOW_S = 1795810320.0
"""2026-11-27 20:12 UTC, 21:12 in Oslo (`date -u -d '2026-11-27 20:12' +%s`)."""


def test_one_moment_in_every_form() -> None:
    """The same moment as clock, day, date, both together, with seconds, and for machines."""
    assert OSLO.clock(NOW_S) == "21:12"
    assert OSLO.day(NOW_S) == "Fri 27 Nov"
    assert OSLO.date(NOW_S) == "2026-11-27"
    assert OSLO.moment(NOW_S) == "Fri 27 Nov 21:12"
    assert OSLO.stamp(NOW_S) == "2026-11-27 21:12:00"
    assert utc_text(NOW_S + 0.25) == "2026-11-27T20:12:00.250Z"


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("now", "2026-11-27 21:12:00"),
        ("03:15", "2026-11-27 03:15:00"),
        ("today 9:00", "2026-11-27 09:00:00"),
        ("yesterday 03:00", "2026-11-26 03:00:00"),
        ("yesterday", "2026-11-26 00:00:00"),
        ("2026-11-28", "2026-11-28 00:00:00"),
        ("2026-11-28 09:00", "2026-11-28 09:00:00"),
        ("2026-11-28T09:00:30", "2026-11-28 09:00:30"),
        ("2026-11-28T08:00Z", "2026-11-28 09:00:00"),
        ("2026-11-28T10:00+02:00", "2026-11-28 09:00:00"),
        ("-3h", "2026-11-27 18:12:00"),
        ("-90m", "2026-11-27 19:42:00"),
        ("-45s", "2026-11-27 21:11:15"),
        ("-1.5d", "2026-11-26 09:12:00"),
        (" now ", "2026-11-27 21:12:00"),
    ],
)
def test_forms_of_a_moment(written: str, meant: str) -> None:
    """Each form an owner may write means what it says, in the site's time."""
    assert OSLO.stamp(OSLO.parse(written, now_s=NOW_S)) == meant


@pytest.mark.parametrize(
    "written",
    ["", "soon", "25:00", "-3", "3h", "-99999999d", "0001-01-01", "9999-12-31", "2026-13-01", "٣"],
)
def test_what_is_no_moment(written: str) -> None:
    """Anything else is refused, with the forms that would be right."""
    with pytest.raises(ValueError, match="right would be: now"):
        OSLO.parse(written, now_s=NOW_S)


def test_hour_that_occurs_twice() -> None:
    """A written one means the first; shown, both carry the name of their offset."""
    first_s = OSLO.parse("2026-10-25 02:30", now_s=NOW_S)
    assert OSLO.moment(first_s) == "Sun 25 Oct 02:30 CEST"
    assert OSLO.moment(first_s + 3600.0) == "Sun 25 Oct 02:30 CET"
    assert OSLO.moment(first_s + 7200.0) == "Sun 25 Oct 03:30"


def test_hour_that_does_not_occur() -> None:
    """A written one moves forward by what clocks skip."""
    skipped_s = OSLO.parse("2026-03-29 02:30", now_s=NOW_S)
    assert OSLO.moment(skipped_s) == "Sun 29 Mar 03:30"


def test_yesterday_is_a_day_of_the_calendar() -> None:
    """After clocks went back, yesterday at the same time is 25 hours ago."""
    now_s = OSLO.parse("2026-10-25 12:00", now_s=0.0)
    assert now_s - OSLO.parse("yesterday 12:00", now_s=now_s) == 25 * 3600.0


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (3599.0, "1 h"),
        (15_600.0, "4 h 20 min"),
        (172_799.0, "2 days"),
        (273_600.0, "3 days 4 h"),
        (-90.0, "-2 min"),
        (float("inf"), "without end"),
        (float("nan"), "unknown"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    """Durations are told in two units at most."""
    assert duration(seconds) == text
