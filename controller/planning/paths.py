"""Room air over the slots ahead, for many parameter samples at once, and how far it may be off.

The arithmetic is the exact zero-order hold of the first-order response; the loop runs over slots,
never over samples.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.history import FloatArray
from controller.planning.outlook import Weather
from models.first_order import FirstOrder

WEATHER_MEMORY_S = 86400.0
"""Time over which an error of the weather ahead keeps its sign [s]."""


@dataclass(frozen=True, slots=True)
class Heat:
    """Mean heat per slot [W]: ``past_w`` before the first slot, oldest first, ``ahead_w`` from it.

    All heat older than ``past_w`` counts as zero; it must reach back by several dead times.
    """

    past_w: FloatArray
    ahead_w: FloatArray
    slot_s: float


def air_paths(
    models: Sequence[FirstOrder], *, start_c: float, heat: Heat, weather: Weather
) -> FloatArray:
    """Room air at every slot border ahead, one column for each model [°C].

    The dead time of a fitted response mostly stands for a lag: heat passes from the slab to the
    room by degrees. After the heater stops, a lag brings the room more slowly to the same peak,
    and a session's start lies just there. So the heat acts here through a lag of that length.

    Returns
    -------
    ndarray, shape (slots + 1, models)
    """
    keep = np.exp(-heat.slot_s / np.array([m.time_constant_s for m in models]))
    gain = np.array([m.gain_k_per_w for m in models])
    acting_w = _acting_w(np.array([m.dead_time_s for m in models]), heat)
    goal_c = _surroundings_c(models, weather) + gain * acting_w
    return _followed(keep, np.full(len(models), start_c), goal_c)


def _acting_w(lags_s: FloatArray, heat: Heat) -> FloatArray:
    """Mean heat that reaches the room in each slot ahead through each lag [W].

    Returns
    -------
    ndarray, shape (slots, lags)
    """
    lags_s = np.maximum(lags_s, 1.0)
    keep = np.exp(-heat.slot_s / lags_s)
    still = lags_s / heat.slot_s * (1.0 - keep)  # mean over a slot of what decays in it
    given_w = np.append(heat.past_w, heat.ahead_w)[:, np.newaxis] * np.ones(lags_s.size)
    arriving_w = _followed(keep, np.zeros(lags_s.size), given_w)
    acting_w = given_w + (arriving_w[:-1] - given_w) * still
    return np.asarray(acting_w[heat.past_w.size :])


def _followed(keep: FloatArray, start: FloatArray, goal: FloatArray) -> FloatArray:
    """Values that strive for ``goal`` slot by slot and keep the share ``keep`` of their distance.

    Parameters
    ----------
    keep, start : ndarray, shape (m,)
    goal : ndarray, shape (n, m)

    Returns
    -------
    ndarray, shape (n + 1, m)
    """
    steps = (1.0 - keep) * goal
    if keep.size == 1:  # plain numbers: ten times as fast as arrays of one
        share = float(keep[0])
        course = itertools.accumulate(
            steps[:, 0].tolist(), lambda value, step: share * value + step, initial=float(start[0])
        )
        return np.array(list(course))[:, np.newaxis]
    followed = np.empty((goal.shape[0] + 1, keep.size))
    followed[0] = start
    for k in range(goal.shape[0]):
        np.multiply(followed[k], keep, out=followed[k + 1])
        followed[k + 1] += steps[k]
    return followed


def _surroundings_c(models: Sequence[FirstOrder], weather: Weather) -> FloatArray:
    """What room air would settle at without heat, shape (slots, models) [°C]."""
    offset_k = np.array([m.offset_k for m in models])
    sun_gain = np.array([m.sun_gain_k_m2_per_w for m in models])
    return np.asarray(
        weather.outdoor_c[:, np.newaxis] + offset_k + sun_gain * weather.sun_w_m2[:, np.newaxis]
    )


def weather_error_k(
    model: FirstOrder, weather: Weather, *, slot_s: float, quick_share: float
) -> FloatArray:
    """Standard deviation of room air from the error of the weather ahead [K].

    The weather error is ``sd[k] z[k]`` with z a first-order autoregressive process of unit
    variance and time constant ``WEATHER_MEMORY_S``; its covariance with room air is carried
    along exactly. Beside that slow part the air follows ``quick_share`` of the weather at once
    (see ``describe.quick_share``), which the response does not know of.

    Returns
    -------
    ndarray, shape (slots + 1,)
    """
    sun_k = model.sun_gain_k_m2_per_w * weather.sun_sd_w_m2
    sd_k = np.sqrt(weather.outdoor_sd_k**2 + sun_k**2)
    keep = float(np.exp(-slot_s / model.time_constant_s))
    same = float(np.exp(-slot_s / WEATHER_MEMORY_S))
    variance = np.zeros(sd_k.size + 1)
    shared = 0.0
    for k, drive in enumerate(((1.0 - keep) * sd_k).tolist()):
        variance[k + 1] = keep**2 * variance[k] + 2.0 * keep * drive * shared + drive**2
        shared = same * (keep * shared + drive)
    quick_k = quick_share * np.append(0.0, weather.outdoor_sd_k)
    return np.asarray(np.sqrt(variance) + quick_k)


def lead_times_s(
    models: Sequence[FirstOrder], *, missing_k: FloatArray, power_w: float
) -> FloatArray:
    """Time at full heat that raises room air by ``missing_k`` above its course without heat [s].

    By superposition the raise after x seconds of heat is gain P (1 - exp(-(x - dead) / tau)),
    whatever the weather.

    Returns
    -------
    ndarray, shape (models,)
        0 where nothing is missing, inf where full heat can never give it.
    """
    tau_s = np.array([m.time_constant_s for m in models])
    reach_k = np.array([m.gain_k_per_w for m in models]) * power_w
    dead_s = np.array([m.dead_time_s for m in models])
    share = np.clip(missing_k / reach_k, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        needed_s = dead_s - tau_s * np.log1p(-share)
    return np.where(missing_k <= 0.0, 0.0, needed_s)
