"""One name for a session: what is shown is what is taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

import pytest

from controller.calendar import Booking, Bookings, Hours, Weekly, sessions
from controller.local_time import LocalTime
from controller.session_names import (
    booked_session,
    day_of,
    is_session_id,
    session_name,
    session_phrase,
)

OSLO = "Europe/Oslo"
LOCAL = LocalTime(OSLO)
LATE = Booking(
    "late",
    "boat-bay",
    Hours(time(0, 15), time(3, 0)),
    Weekly(frozenset({0, 5})),
    18.0,
)
BOOKINGS = Bookings((LATE,), {})


@pytest.mark.parametrize("day", range(1, 32, 3))
def test_every_name_shown_finds_its_session_again(day: int) -> None:
    """Through October, when clocks go back in the night of the 25th."""
    since_s = LOCAL.parse(f"2026-10-{day:02d}", now_s=0.0)
    found = sessions(BOOKINGS, time_zone=OSLO, since_s=since_s, until_s=since_s + 7 * 86_400.0)
    assert found
    for session in found:
        shown = session_name(session.id, session, LOCAL).split()[0]
        assert session_phrase(session.id, session, LOCAL).split()[0] == shown
        assert is_session_id(shown)
        assert booked_session(shown, BOOKINGS, OSLO) == session
        assert 0.0 <= session.start_s - day_of(shown, OSLO) < 86_400.0


def test_day_and_hour_stand_beside_the_name() -> None:
    """For the eye; a phrase adds what else is known of it."""
    session = replace(booked_session("late@2026-10-05", BOOKINGS, OSLO), title="fibreglass")
    assert session_name(session.id, session, LOCAL) == "late@2026-10-05 (Mon 00:15)"
    assert session_phrase(session.id, session, LOCAL) == (
        'late@2026-10-05 (Mon 00:15, "fibreglass", boat-bay, 18.0 °C)'
    )
    assert session_name("gone@2026-01-01", None, LOCAL) == "gone@2026-01-01"
    assert session_phrase(None, None, LOCAL) == "no session"


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("late@2026-10-06", "right: late@2026-10-05"),
        ("late@2026-10-08", "none is booked around that day; BOOKING@YYYY-MM-DD"),
        ("early@2026-10-05", "right: late@2026-10-05"),
        ("late@2026-13-01", "is no session; right: BOOKING@YYYY-MM-DD"),
        ("late@9999-12-31", "is no session; right: BOOKING@YYYY-MM-DD"),
        ("late@0001-01-01", "is no session; right: BOOKING@YYYY-MM-DD"),
        ("late", "is no session; right: BOOKING@YYYY-MM-DD"),
    ],
)
def test_what_is_no_session_is_refused_with_what_would_be_right(text: str, right: str) -> None:
    """The sessions of that day, or the form."""
    with pytest.raises(ValueError, match=right):
        booked_session(text, BOOKINGS, OSLO)
