"""One name for a session, wherever it is told of: its id, with day and hour for the eye.

``sat@2026-11-28 (Sat 09:00)``: the booking and the local date on which it starts. The part before
the space is what commands take back.
"""

from __future__ import annotations

import re
from datetime import datetime

from controller.calendar import Bookings, sessions, to_utc_s
from controller.local_time import LocalTime
from controller.records.sessions import Session

FORM = "BOOKING@YYYY-MM-DD, as `slabtide bookings` shows it"
_ID = re.compile(r"[^@\s]+@(\d{4}-\d{2}-\d{2})")
_DAY_S = 86_400.0
_YEARS = range(1970, 3000)
"""What lies outside is a slip of the keyboard."""


def session_name(session_id: str | None, session: Session | None, local: LocalTime) -> str:
    """``sat@2026-11-28 (Sat 09:00)``; the id alone where the session is not known."""
    if session is None:
        return session_id or "no session"
    return f"{session.id} ({_begins(session, local)})"


def session_phrase(session_id: str | None, session: Session | None, local: LocalTime) -> str:
    """``sat@2026-11-28 (Sat 09:00, "varnish", boat-bay, 20.0 °C)``; its id if unknown."""
    if session is None:
        return session_id or "no session"
    title = (f'"{session.title}"',) if session.title else ()
    told = (_begins(session, local), *title, session.zone, f"{session.target_c:.1f} °C")
    return f"{session.id} ({', '.join(told)})"


def _begins(session: Session, local: LocalTime) -> str:
    return f"{local.at(session.start_s):%a} {local.clock(session.start_s)}"


def is_session_id(text: str) -> bool:
    """Whether a word has the form of a session's id."""
    return _ID.fullmatch(text) is not None


def day_of(session_id: str, time_zone: str) -> float:
    """When the day of a session begins [UTC s].

    Raises
    ------
    ValueError
        Where this is no session's id; with what would be right.
    """
    found = _ID.fullmatch(session_id)
    try:
        day = datetime.fromisoformat(found[1]) if found else None
    except ValueError:
        day = None
    if day is None or day.year not in _YEARS:
        raise ValueError(f"{session_id!r} is no session; right: {FORM}")
    return to_utc_s(day, time_zone)


def booked_session(session_id: str, bookings: Bookings, time_zone: str) -> Session:
    """The session of an id, by the bookings as they are now.

    Raises
    ------
    ValueError
        Where none is booked under this id; with those of that day.
    """
    day_s = day_of(session_id, time_zone)
    near = sessions(
        bookings, time_zone=time_zone, since_s=day_s - _DAY_S, until_s=day_s + 2 * _DAY_S
    )
    found = next((s for s in near if s.id == session_id), None)
    if found is None:
        known = ", ".join(s.id for s in near) or f"none is booked around that day; {FORM}"
        raise ValueError(f"no session {session_id!r} is booked; right: {known}")
    return found
