"""The path of room air over many slots, exact for a first-order response with dead time.

The same solution as `models.first_order`, for arrays. A dead time need not be a whole number of
slots: the heat of one slot then acts in parts of two, and both parts are weighed exactly.
"""

from __future__ import annotations

import math
from itertools import accumulate

import numpy as np
from numpy.typing import ArrayLike

from models.first_order import FirstOrder
from models.series import FloatArray


def split_dead_time(dead_time_s: float, slot_s: float) -> tuple[int, float]:
    """Whole slots within a dead time, and the rest [s]."""
    whole = math.floor(dead_time_s / slot_s + 1e-9)  # 3 slots less a rounding error are 3 slots
    return whole, max(0.0, dead_time_s - whole * slot_s)


def acting_w(
    model: FirstOrder, *, heat_w: FloatArray, pending_w: FloatArray, slot_s: float
) -> FloatArray:
    """Constant power that would move the air over each slot as the delayed heat does [W].

    Parameters
    ----------
    model : FirstOrder
    heat_w : array, shape (n,)
        Mean heat delivered in each slot [W].
    pending_w : array, shape (p,)
        Heat of the slots before, oldest first [W]; what it does not cover counts as no heat.
    slot_s : float
        Length of a slot [s].

    Returns
    -------
    array, shape (n,)
    """
    whole, rest_s = split_dead_time(model.dead_time_s, slot_s)
    decay = math.exp(-slot_s / model.time_constant_s)
    decay_after_rest = math.exp(-(slot_s - rest_s) / model.time_constant_s)
    # In slot k, the heat of slot k-whole-1 acts for rest_s, then that of slot k-whole.
    early = (decay_after_rest - decay) / (1.0 - decay)
    reach = whole + 1
    line = np.concatenate((np.zeros(reach), pending_w, heat_w))
    newest = line[len(line) - len(heat_w) - whole : len(line) - whole]
    before = line[len(line) - len(heat_w) - reach : len(line) - reach]
    return np.asarray(early * before + (1.0 - early) * newest)


def follow(model: FirstOrder, *, start_c: float, goal_c: FloatArray, slot_s: float) -> FloatArray:
    """Room air at slot borders when it strives for ``goal_c`` in each slot [°C], shape (n + 1,)."""
    decay = math.exp(-slot_s / model.time_constant_s)
    # plain Python: a plan's child would take a second longer to start with scipy.signal
    moves = ((1.0 - decay) * goal_c).tolist()
    path = accumulate(moves, lambda air_c, move_k: decay * air_c + move_k, initial=start_c)
    return np.fromiter(path, dtype=np.float64, count=len(moves) + 1)


def air_path(
    model: FirstOrder,
    *,
    start_c: float,
    pending_w: ArrayLike,
    heat_w: ArrayLike,
    outdoor_c: ArrayLike,
    sun_w_m2: ArrayLike,
    slot_s: float,
) -> FloatArray:
    """Room air at the slot borders [°C].

    Parameters
    ----------
    model : FirstOrder
    start_c : float
        Room air at the beginning of slot 0 [°C].
    pending_w : array, shape (p,)
        Heat delivered in the slots before slot 0, oldest first [W].
    heat_w : array, shape (n,)
        Mean heat delivered in each slot [W].
    outdoor_c, sun_w_m2 : array, shape (n,), or float
        Means of outdoor air [°C] and irradiance [W/m2] over each slot.
    slot_s : float
        Length of a slot [s].

    Returns
    -------
    array, shape (n + 1,)

    Raises
    ------
    ValueError
        Where an input is not finite or of another length.
    """
    heat = np.asarray(heat_w, dtype=np.float64)
    pending = np.asarray(pending_w, dtype=np.float64)
    acting = acting_w(model, heat_w=heat, pending_w=pending, slot_s=slot_s)
    goal = surroundings_c(model, outdoor_c=outdoor_c, sun_w_m2=sun_w_m2, count=len(heat))
    goal = goal + model.gain_k_per_w * acting
    if not (np.isfinite(goal).all() and math.isfinite(start_c)):
        raise ValueError("room air needs finite start, heat, outdoor air and sun in every slot")
    return follow(model, start_c=start_c, goal_c=goal, slot_s=slot_s)


def surroundings_c(
    model: FirstOrder, *, outdoor_c: ArrayLike, sun_w_m2: ArrayLike, count: int
) -> FloatArray:
    """Air that the room would settle at without the heater, slot by slot [°C], shape (count,)."""
    outdoor = np.broadcast_to(np.asarray(outdoor_c, dtype=np.float64), (count,))
    sun = np.broadcast_to(np.asarray(sun_w_m2, dtype=np.float64), (count,))
    return np.asarray(outdoor + model.offset_k + model.sun_gain_k_m2_per_w * sun)
