"""A booked session, in elapsed time."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Session:
    """One occurrence of a booking: a zone wanted at a target from start to end (UTC seconds).

    ``id`` is stable: booking id, then ``@``, then the local date on which it starts.
    ``readiness`` is the wanted probability [0..1] that the room is at target - 0.5 K or above
    when the session begins.
    """

    id: str
    zone: str
    start_s: float
    end_s: float
    target_c: float
    readiness: float = 0.95
    title: str = ""
