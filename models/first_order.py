"""First-order response with dead time: delivered heat in, room air out. Standard library only.

This is the one module of ``models`` that the guard process may import, so it must never import
numpy or anything beyond the standard library. It decides nothing; it only says what the air
will do. Every formula is the exact solution of the equation in `FirstOrder` for inputs that
are constant over the time asked about (zero-order hold), never an Euler step.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import astuple, dataclass


@dataclass(frozen=True, slots=True)
class FirstOrder:
    """dT/dt = (Te + offset + sun_gain I + gain P(t - dead_time) - T) / time_constant.

    Parameters
    ----------
    time_constant_s : float
        Time in which a step is followed to 63 % [s].
    gain_k_per_w : float
        Rise of the room above outdoors in the steady state for each watt delivered [K/W].
    dead_time_s : float
        Time between heat delivered to the floor and its effect in the air [s].
    offset_k : float
        What lifts the room above outdoors without heater and sun: ground, appliances [K].
    sun_gain_k_m2_per_w : float
        Rise in the steady state for each W/m2 of irradiance [K m2/W].

    Raises
    ------
    ValueError
        Where a parameter is not finite, or the response would not be positive and stable.
    """

    time_constant_s: float
    gain_k_per_w: float
    dead_time_s: float
    offset_k: float = 0.0
    sun_gain_k_m2_per_w: float = 0.0

    def __post_init__(self) -> None:
        if not all(math.isfinite(number) for number in astuple(self)):
            raise ValueError(f"every parameter must be a finite number: {self}")
        if self.time_constant_s <= 0 or self.gain_k_per_w <= 0:
            raise ValueError(f"time constant and gain must be above 0: {self}")
        if self.dead_time_s < 0:
            raise ValueError(f"dead time must not be negative: {self.dead_time_s} s")


def steady_c(
    model: FirstOrder, *, outdoor_c: float, power_w: float, sun_w_m2: float = 0.0
) -> float:
    """Room air after a very long time with these inputs [°C]."""
    return (
        outdoor_c
        + model.offset_k
        + model.sun_gain_k_m2_per_w * sun_w_m2
        + model.gain_k_per_w * power_w
    )


def advance_c(
    model: FirstOrder,
    air_c: float,
    *,
    outdoor_c: float,
    power_w: float,
    seconds: float,
    sun_w_m2: float = 0.0,
) -> float:
    """Room air after ``seconds`` of constant inputs [°C].

    ``power_w`` is the heat that acts now [W], that is, what was delivered one dead time ago.
    """
    goal_c = steady_c(model, outdoor_c=outdoor_c, power_w=power_w, sun_w_m2=sun_w_m2)
    return goal_c + (air_c - goal_c) * math.exp(-seconds / model.time_constant_s)


def lead_time_s(
    model: FirstOrder,
    *,
    start_c: float,
    target_c: float,
    outdoor_c: float,
    power_w: float,
    pending_j: float = 0.0,
) -> float:
    """Time from switching the heater on until the room is at target, dead time included [s].

    Parameters
    ----------
    start_c, target_c, outdoor_c : float
        Room air now, room air wanted, outdoor air until then [°C].
    power_w : float
        Heat delivered from now on [W].
    pending_j : float
        Heat delivered within the last dead time, on its way to the air; taken to arrive evenly
        over the coming dead time [J].

    Returns
    -------
    float
        0.0 where the room will be at target one dead time from now without any heat from now
        on; ``math.inf`` where the target is never reached at this power. A caller reports
        the latter as out of reach and does not pass the number on.
    """
    coasted_c = _after_dead_time_c(model, start_c, outdoor_c=outdoor_c, pending_j=pending_j)
    if coasted_c >= target_c:
        return 0.0
    goal_c = steady_c(model, outdoor_c=outdoor_c, power_w=power_w)
    if goal_c <= target_c:
        return math.inf
    ratio = (goal_c - coasted_c) / (goal_c - target_c)
    return model.dead_time_s + model.time_constant_s * math.log(ratio)


def _after_dead_time_c(
    model: FirstOrder, air_c: float, *, outdoor_c: float, pending_j: float
) -> float:
    if model.dead_time_s == 0.0:
        return air_c + pending_j * model.gain_k_per_w / model.time_constant_s
    return advance_c(
        model,
        air_c,
        outdoor_c=outdoor_c,
        power_w=pending_j / model.dead_time_s,
        seconds=model.dead_time_s,
    )


def coast_peak(
    model: FirstOrder,
    *,
    air_c: float,
    outdoor_c: float,
    pending_w: Sequence[float],
    slot_s: float,
) -> tuple[float, float]:
    """Highest room air, and the time until it, if the heater stops now.

    Parameters
    ----------
    air_c, outdoor_c : float
        Room air now; outdoor air until the peak [°C].
    pending_w : sequence of float
        Mean heat delivered in the latest slots, oldest first, the last one ending now [W]. Heat
        older than the dead time is passed over; where they do not reach back that far, the rest
        counts as no heat.
    slot_s : float
        Length of one slot [s].

    Returns
    -------
    peak_c : float
        Highest air between now and the arrival of the last heat [°C].
    until_s : float
        Time from now until then [s].
    """
    peak_c, until_s, elapsed_s = air_c, 0.0, 0.0
    for seconds, power_w in _arrivals(model.dead_time_s, pending_w, slot_s):
        # Inputs are constant over each piece, so a peak can only stand at the end of one.
        air_c = advance_c(model, air_c, outdoor_c=outdoor_c, power_w=power_w, seconds=seconds)
        elapsed_s += seconds
        if air_c > peak_c:
            peak_c, until_s = air_c, elapsed_s
    return peak_c, until_s


def _arrivals(
    dead_time_s: float, pending_w: Sequence[float], slot_s: float
) -> Iterator[tuple[float, float]]:
    """Pieces (seconds, power) in which the pending heat reaches the air, from now on."""
    covered_s = len(pending_w) * slot_s
    if covered_s < dead_time_s:
        yield dead_time_s - covered_s, 0.0
    for index, power_w in enumerate(pending_w):
        begin_s = dead_time_s - covered_s + index * slot_s
        seconds = begin_s + slot_s - max(0.0, begin_s)
        if seconds > 0:
            yield seconds, power_w


def run_out_s(model: FirstOrder, *, air_c: float, floor_c: float, outdoor_c: float) -> float:
    """Time until the room falls to ``floor_c`` with no heat acting [s].

    Returns 0.0 where it is already there or below, ``math.inf`` where it never falls so far.
    """
    if air_c <= floor_c:
        return 0.0
    goal_c = steady_c(model, outdoor_c=outdoor_c, power_w=0.0)
    if goal_c >= floor_c:
        return math.inf
    return model.time_constant_s * math.log((air_c - goal_c) / (floor_c - goal_c))
