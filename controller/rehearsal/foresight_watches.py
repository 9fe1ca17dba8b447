"""What foresight keeps to: the rooms' air wanted in sessions and against frost, and the limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.rehearsal.diary import MINUTE_S, SMOOTHING_S
from controller.rehearsal.foresight_trace import Trace
from controller.rehearsal.runner import Span
from controller.rehearsal.score import READY_BELOW_K

Floats = NDArray[np.float64]

BIN_MINUTES = 30
IDLE_BIN_MINUTES = 120
DOOR_MINUTES = 30
"""A session begins with an open door; the half hour after a door does not count as shortfall."""
START_BIN_H = 0.25
"""For how long the very start of a session counts, beside what follows it [h]."""


class Place(StrEnum):
    """Where a temperature is watched."""

    AIR = "air"
    SURFACE = "surface"
    CORE = "core"


@dataclass(frozen=True, slots=True)
class Watch:
    """A temperature to keep above or below a bound for some minutes.

    Attributes
    ----------
    place : Place
    zone : int
    first, last : int
        Minutes since the span's start, both included.
    bound_c : float
    lower : bool
        Whether the bound is the least that is wanted; otherwise it is the most allowed.
    hours : float
        For how long a kelvin beyond the bound counts [h].
    session : str
        The session that wants it; empty for what holds at all times.
    """

    place: Place
    zone: int
    first: int
    last: int
    bound_c: float
    lower: bool
    hours: float
    session: str = ""


def smoothed(air_c: Floats) -> Floats:
    """Each minute the median of the 20 around it, as sessions are scored; shape kept."""
    half = round(SMOOTHING_S / MINUTE_S / 2)
    wide = np.pad(air_c, ((half, half), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(wide, 2 * half + 1, axis=0)
    return np.asarray(np.median(windows, axis=-1), dtype=np.float64)


def worst(watch: Watch, courses: dict[Place, Floats]) -> tuple[int, float]:
    """Minute at which a watched temperature is nearest to its bound or beyond, and it [°C]."""
    course = courses[watch.place][watch.first : watch.last + 1, watch.zone]
    at = int(course.argmin() if watch.lower else course.argmax())
    return watch.first + at, float(course[at])


def courses_of(trace: Trace) -> dict[Place, Floats]:
    """What is watched, by place, shape (M + 1, zones) each: air as it is scored [°C]."""
    return {
        Place.AIR: smoothed(trace.air_c),
        Place.SURFACE: trace.surface_c,
        Place.CORE: trace.core_c,
    }


def watches(
    sessions: Sequence[Session], zones: Sequence[str], limits: Limits, span: Span, *, sure_k: float
) -> list[Watch]:
    """Everything to be kept over a span; ``sure_k`` is how much warmer than ready sessions start.

    Sessions that do not begin within the span are left out.
    """
    end = round((span.end_s - span.start_s) / MINUTE_S)
    found: list[Watch] = []
    for number, zone in enumerate(zones):
        busy = np.zeros(end + 1, dtype=bool)
        for session in sessions:
            first = round((session.start_s - span.start_s) / MINUTE_S)
            last = min(round((session.end_s - span.start_s) / MINUTE_S), end)
            if session.zone == zone and 0 <= first < end:
                busy[first : last + 1] = True
                found += _session(session, number, first, last, sure_k=sure_k)
        found += _limits(number, busy, limits)
    return found


def _session(session: Session, zone: int, first: int, last: int, *, sure_k: float) -> list[Watch]:
    """The start by itself, then stretch by stretch: a short stretch late cannot hide it."""
    wanted_c = session.target_c - READY_BELOW_K + sure_k

    def air(begin: int, end: int, hours: float) -> Watch:
        return Watch(Place.AIR, zone, begin, end, wanted_c, True, hours, session.id)

    found = [air(first, first, START_BIN_H)]
    for begin in range(first + DOOR_MINUTES, last, BIN_MINUTES):
        end = min(begin + BIN_MINUTES, last)
        found.append(air(begin, end, (end - begin) / 60.0))
    return found


def _limits(zone: int, busy: NDArray[np.bool_], limits: Limits) -> list[Watch]:
    """Slab and surface limits at all times, and frost outside sessions."""
    found: list[Watch] = []
    edges = np.flatnonzero(np.diff(busy.astype(int))) + 1
    for stretch in np.split(np.arange(len(busy)), edges):
        occupied = bool(busy[stretch[0]])
        surface_c = limits.surface_session_max_c if occupied else limits.surface_max_c
        length = BIN_MINUTES if occupied else IDLE_BIN_MINUTES
        for begin, end, hours in _parts(stretch, length):
            found.append(Watch(Place.SURFACE, zone, begin, end, surface_c, False, hours))
            found.append(Watch(Place.CORE, zone, begin, end, limits.slab_max_c, False, hours))
        if not occupied:
            for begin, end, hours in _parts(stretch, BIN_MINUTES):
                found.append(Watch(Place.AIR, zone, begin, end, limits.frost_on_c, True, hours))
    return found


def _parts(stretch: NDArray[np.intp], length: int) -> Iterator[tuple[int, int, float]]:
    """A stretch of minutes part by part: first, last, and hours."""
    for part in np.split(stretch, range(length, len(stretch), length)):
        yield int(part[0]), int(part[-1]), len(part) / 60.0
