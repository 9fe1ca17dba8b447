"""If the heater stops now: how warm the room still gets, and when it has cooled to a floor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.heated_room import recurrence
from models.series import FloatArray


@dataclass(frozen=True, slots=True)
class Coast:
    """How a room coasts, as one sample has it or as a quantile over samples.

    Parameters
    ----------
    peak_c : float
        Highest room air [°C].
    peak_s : float
        Time from now until then [s].
    below_s : float
        Time from now until the air falls below the floor: inf where it does not within the time
        looked at, 0 where it is below and never reaches it [s].
    """

    peak_c: float
    peak_s: float
    below_s: float


def coast(air_c: FloatArray, *, floor_c: float, slot_s: float) -> Coast:
    """Peak and fall of one path of the room air without heat.

    Parameters
    ----------
    air_c : array, shape (N + 1,)
        Room air at the slot borders [°C].
    floor_c : float
        Temperature whose undercutting is asked about [°C].
    slot_s : float
        Length of a slot [s].

    Returns
    -------
    Coast
        The peak is that before the fall: what the sun does days later is no part of it. A room
        that is below the floor now but still gets there is taken to fall from there.

    Notes
    -----
    Between borders the peak is that of the parabola through the three nearest, the fall a
    straight line: with the curvature of a slab's response and slots of 15 minutes this is a
    few thousandths of a kelvin and less than a minute off.
    """
    warm = np.flatnonzero(air_c >= floor_c)
    if len(warm) == 0:
        return Coast(*_peak(air_c, slot_s), below_s=0.0)
    cold = np.flatnonzero(air_c[warm[0] :] < floor_c)
    if len(cold) == 0:
        return Coast(*_peak(air_c, slot_s), below_s=math.inf)
    after = int(warm[0] + cold[0])
    before_c = float(air_c[after - 1])
    part = (before_c - floor_c) / (before_c - float(air_c[after]))
    return Coast(*_peak(air_c[: after + 1], slot_s), below_s=(after - 1 + part) * slot_s)


def _peak(air_c: FloatArray, slot_s: float) -> tuple[float, float]:
    top = int(np.argmax(air_c))
    if top in (0, len(air_c) - 1):
        return float(air_c[top]), top * slot_s
    left, middle, right = (float(value) for value in air_c[top - 1 : top + 2])
    bend = left - 2.0 * middle + right
    if bend == 0.0:  # level
        return middle, top * slot_s
    shift = 0.5 * (left - right) / bend
    return middle - 0.25 * (left - right) * shift, (top + shift) * slot_s


def coast_quantiles(
    a: FloatArray,
    disturbance_k: FloatArray,
    start_c: FloatArray,
    air_row: FloatArray,
    *,
    floor_c: float,
    slot_s: float,
    levels: Sequence[float],
) -> tuple[Coast, ...]:
    """Peak and fall over samples of parameters, weather and present states.

    Parameters
    ----------
    a : array, shape (S, n, n) or (n, n)
        What a slot leaves of the states [-].
    disturbance_k : array, shape (S, N, n)
        What weather, ground and the heat already in the pipes add in each slot [K].
    start_c : array, shape (S, n) or (n,)
        States now [°C].
    air_row : array, shape (n,)
        Room air is ``air_row @ states`` [-].
    floor_c, slot_s : float
        As in `coast`.
    levels : sequence of float
        Quantiles asked for [0..1].

    Returns
    -------
    tuple of Coast
        One for each level. Peak, its time and the fall each have their own quantile: three
        numbers of one level need not belong to one sample.

    Notes
    -----
    Quantiles are values of samples (the inverted distribution function), never a mean of two:
    "never falls" has no mean with a time.
    """
    if disturbance_k.ndim != 3 or len(disturbance_k) == 0:
        raise ValueError(f"disturbance_k must be (samples, slots, states): {disturbance_k.shape}")
    air = recurrence(a, start_c, disturbance_k) @ air_row
    if not np.isfinite(air).all():
        raise ValueError("matrices, weather and present states must be finite in every sample")
    samples = [coast(path, floor_c=floor_c, slot_s=slot_s) for path in air]
    numbers = np.array([(each.peak_c, each.peak_s, each.below_s) for each in samples])
    found = np.quantile(numbers, levels, axis=0, method="inverted_cdf")
    return tuple(Coast(*(float(number) for number in row)) for row in found)
