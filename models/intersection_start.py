"""Optimum start where cool-down and heat-up curves cross, both exponentials fitted to past days.

References
----------
C. Park, "An Optimum Start/Stop Control Algorithm for Heating and Cooling Systems in Buildings",
NBSIR 83-2720, 1983 (the abstract was seen: intersection of cool-down and heat-up curves that are
approximated by exponential fitting of the previous and current day's data).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from models.series import FloatArray

LEAST_READINGS = 6
"""Readings of a curve without which it is not fitted: two for each of its unknowns."""

_SPAN_S = (2 * 3600.0, 200 * 3600.0)
"""Time constants that a room can have, from light air heating to heavy slabs."""
_TRIED = 40
"""Time constants tried before the best one is refined: neighbours differ by 12 %."""


@dataclass(frozen=True, slots=True)
class Approach:
    """A room on its way: dT/dt = (goal - T) / time_constant.

    Parameters
    ----------
    goal_c : float
        Where it would end [°C].
    time_constant_s : float
        Time in which 63 % of the way is made [s].

    Raises
    ------
    ValueError
        Where a number is not finite, or the time constant is not above 0.
    """

    goal_c: float
    time_constant_s: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.goal_c) and 0.0 < self.time_constant_s < math.inf):
            raise ValueError(f"a finite goal and a time constant above 0 are needed: {self}")

    def after_c(self, air_c: float, seconds: float) -> float:
        """Room air ``seconds`` after it was ``air_c`` [°C]."""
        return self.goal_c + (air_c - self.goal_c) * math.exp(-seconds / self.time_constant_s)

    def time_s(self, *, from_c: float, to_c: float) -> float:
        """Time to warm from one temperature to another [s].

        0.0 where it is already there or above, ``math.inf`` where it never gets there.
        """
        if from_c >= to_c:
            return 0.0
        if self.goal_c <= to_c:
            return math.inf
        return self.time_constant_s * math.log((self.goal_c - from_c) / (self.goal_c - to_c))


def start_s(
    cooling: Approach, heating: Approach, *, air_c: float, target_c: float, until_s: float
) -> float:
    """When the heat must start: where the cool-down from now meets the heat-up to the target.

    Parameters
    ----------
    cooling, heating : Approach
        The room without and with heat.
    air_c, target_c : float
        Room air now, and wanted in ``until_s`` [°C].
    until_s : float
        Time from now to the session [s].

    Returns
    -------
    float
        Time from now [s]: 0.0 where it is late already, ``until_s`` where the room will be at
        target without heat.
    """

    def late_s(wait_s: float) -> float:
        left_c = cooling.after_c(air_c, wait_s)
        # no number for "never": an hour more than there is serves to find the sign
        needed_s = min(heating.time_s(from_c=left_c, to_c=target_c), until_s + 3600.0)
        return wait_s + needed_s - until_s

    if late_s(0.0) >= 0.0:
        return 0.0
    if late_s(until_s) <= 0.0:
        return until_s
    return float(brentq(late_s, 0.0, until_s, xtol=0.01))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one cool-down or heat-up.

    Parameters
    ----------
    times_s : tuple of float
        Since its beginning [s].
    above_k : tuple of float
        Room air above outdoors (above 0 °C where outdoors is not measured) [K].
    """

    times_s: tuple[float, ...]
    above_k: tuple[float, ...]


def fit_approach(stretches: Sequence[Stretch]) -> Approach | None:
    """The one exponential that goes through all stretches, each from a beginning of its own.

    Parameters
    ----------
    stretches : sequence of Stretch
        Those of the previous and of the current day; shorter ones than `LEAST_READINGS` do not
        count.

    Returns
    -------
    Approach or None
        Its goal is counted from the stretches' own zero (above outdoors) [K]. None where no
        stretch is long enough.

    Notes
    -----
    For each time constant the goal and the beginnings are a linear least-squares problem, so the
    time constant is the one thing to search for, within 2 to 200 h.
    """
    usable = [s for s in stretches if len(s.times_s) >= LEAST_READINGS]
    if not usable:
        return None

    def misfit(log_s: float) -> float:
        return _goal_and_misfit(usable, math.exp(log_s))[1]

    shortest_s, longest_s = _SPAN_S
    tried = np.linspace(math.log(shortest_s), math.log(longest_s), _TRIED)
    best = int(np.argmin([misfit(float(each)) for each in tried]))
    bounds = tried[max(0, best - 1)], tried[min(_TRIED - 1, best + 1)]
    found = minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": 1e-6})
    time_constant_s = math.exp(float(found.x))
    return Approach(_goal_and_misfit(usable, time_constant_s)[0], time_constant_s)


def _goal_and_misfit(stretches: Sequence[Stretch], time_constant_s: float) -> tuple[float, float]:
    """The common goal, and the sum of squares that is left, at one time constant."""
    columns: FloatArray = np.zeros((sum(len(s.times_s) for s in stretches), 1 + len(stretches)))
    columns[:, 0] = 1.0
    row = 0
    for number, stretch in enumerate(stretches, start=1):
        end = row + len(stretch.times_s)
        columns[row:end, number] = np.exp(-np.array(stretch.times_s) / time_constant_s)
        row = end
    seen = np.concatenate([s.above_k for s in stretches])
    unknowns = np.linalg.lstsq(columns, seen, rcond=None)[0]
    return float(unknowns[0]), float(np.sum((columns @ unknowns - seen) ** 2))
