"""What a room can reach under full heat, and when."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from models.heated_room import Room
from models.series import FloatArray


@dataclass(frozen=True, slots=True)
class Reach:
    """What full heat from now on does for one session.

    Parameters
    ----------
    at_start_c : float
        Room air at the session's start [°C].
    reached_s : float
        Time from now at which the target is first reached, inf where not within the slots [s].
    """

    at_start_c: float
    reached_s: float


def earliest_reach(
    room: Room, sessions: Iterable[tuple[int, float]], *, slot_s: float
) -> tuple[Reach, ...]:
    """Say what the room can reach at each session's start, and when it reaches the target.

    Parameters
    ----------
    room : Room
        Taken to have the heater to itself.
    sessions : iterable of (int, float)
        Slot border of the start, wanted air [°C].
    slot_s : float
        Length of a slot [s].

    Returns
    -------
    tuple of Reach
        One for each session, in the order given. The target is out of reach where
        ``at_start_c`` is below it.
    """
    air = fullest_states(room) @ room.air_row
    return tuple(
        Reach(float(air[border]), _first_s(air, target_c, slot_s)) for border, target_c in sessions
    )


def fullest_states(room: Room) -> FloatArray:
    """States under all the heat from now on that rating, supply limit and limits let through.

    Returns
    -------
    array, shape (N + 1, n)
        [°C]

    Notes
    -----
    Each slot gets what leaves every limit kept at the slot's end, as a guard would do it that
    sees the present only: a limit that falls from one border to the next may be exceeded there.
    """
    base, slope = room.output_line()
    most = np.broadcast_to(np.asarray(room.heat_max_w, dtype=np.float64), (room.count,))
    limits = [
        (
            limit.row,
            np.broadcast_to(limit.upper_c, (room.count + 1,)),
            float(limit.row @ room.b_heat),
        )
        for limit in room.limits
        if limit.row @ room.b_heat > 0
    ]
    states = np.empty((room.count + 1, len(room.start_c)))
    states[0] = room.start_c
    for k in range(room.count):
        idle = room.a @ states[k] + room.disturbance_k[k]
        heat = min(most[k], base[k] - slope @ states[k])
        for row, upper, rise in limits:
            heat = min(heat, (upper[k + 1] - row @ idle) / rise)
        states[k + 1] = idle + max(0.0, heat) * room.b_heat
    return states


def _first_s(air_c: FloatArray, target_c: float, slot_s: float) -> float:
    """Time at which the air, straight between borders, first is at the target; inf for never."""
    warm = np.flatnonzero(air_c >= target_c)
    if len(warm) == 0:
        return math.inf
    after = int(warm[0])
    if after == 0:
        return 0.0
    before_c = float(air_c[after - 1])
    part = (target_c - before_c) / (float(air_c[after]) - before_c)
    return (after - 1 + part) * slot_s
