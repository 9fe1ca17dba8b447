"""The last heat before a session, which no later plan can add to, and how far it leads astray."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.planning.history import FloatArray
from models.heated_room import Room, recurrence

FEEDBACK_S = 2.0 * 3600.0
"""How long it takes until heat ordered after a surprise is felt in the room [s]."""
SPARE_K = 0.5
"""What later plans must still be able to add for a surprise to be made good [K]."""
ASTRAY = 0.03
"""Share of a rise that no network foretells (chosen here, no source) [-]."""


@dataclass(frozen=True, slots=True)
class LateHeat:
    """How long before a session a surprise comes too late, and what the heat in that time adds.

    ``span_s`` is never below `FEEDBACK_S` [s]; ``rise_k`` is by how much the room would be colder
    at the session's start without the heat of that span [K].
    """

    span_s: float = FEEDBACK_S
    rise_k: float = 0.0

    @property
    def astray_k(self) -> float:
        """Standard deviation of what the rise leaves open, whatever else does [K]."""
        return ASTRAY * self.rise_k


def late_heat(room: Room, heat_w: FloatArray, border: int, *, step_s: float) -> LateHeat:
    """What comes too late for the session that starts at a slot border.

    A heater that runs at full power all the way to a session has nothing left to add: whatever
    goes wrong from its start on stays so.

    Parameters
    ----------
    room : Room
    heat_w : array, shape (slots,)
        As planned [W].
    border : int
        Of the session's start, in slots.
    step_s : float
        Length of a slot [s].
    """
    echo_k_w = echo(room, border)[::-1]
    given_w = heat_w[:border][::-1]
    most_w = room.available_w(room.states(heat_w))[:border][::-1]
    spare_k = np.cumsum(echo_k_w * np.maximum(most_w - given_w, 0.0))
    slots = int(np.searchsorted(spare_k, SPARE_K)) + 1
    span_s = max(FEEDBACK_S, min(slots, border) * step_s)
    within = round(span_s / step_s)
    return LateHeat(span_s, float(echo_k_w[:within] @ given_w[:within]))


def echo(room: Room, border: int) -> FloatArray:
    """What a watt over each slot before a border has added to the air there, (border,) [K/W]."""
    path = recurrence(room.a, room.b_heat, np.zeros((max(border - 1, 0), len(room.b_heat))))
    return np.asarray((path @ room.air_row)[:border][::-1])
