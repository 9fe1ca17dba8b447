"""How warm one zone must be when, with which margin, and the least heat that keeps it so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np

from controller.planning.history import FloatArray, Grid
from controller.planning.outlook import Weather
from controller.planning.parameters import Response
from controller.planning.paths import Heat, air_paths, weather_error_k
from controller.planning.start import ZoneStart
from controller.records.sessions import Session
from models.belief import draw
from models.first_order import FirstOrder
from models.timetable import least_heat

BAND_K = 0.5
"""A room this far below its target still counts as warm [K]."""
FEEDBACK_S = 1800.0
"""Beyond the dead time, how long it takes until a fault is seen and met by a new plan [s]."""
REACH = 0.9
"""Share of the rise under endless full heat that a plan may count on: the rest takes days [-]."""
SOLVER_ROUNDS = 3
"""Rounds in which solver and expected course agree to a few hundredths of a kelvin."""
DRAWS = 64
SEED = 20_011
"""Parameter samples and their fixed seed: the same errand gives the same plan."""


@dataclass(frozen=True)
class ZoneCase:
    """All that one zone's demand follows from. ``power_w`` is its share of the full output."""

    zone: str
    sessions: tuple[Session, ...]
    frost_floor_c: float
    response: Response
    start: ZoneStart
    weather: Weather
    power_w: float
    quick_share: float
    grid: Grid

    @property
    def model(self) -> FirstOrder:
        """The response at its most likely parameters."""
        return self.response.model

    @cached_property
    def draws(self) -> list[FirstOrder]:
        """Parameter samples, always the same for the same response."""
        return draw(self.response.belief, DRAWS, SEED)

    @cached_property
    def other_sd_k(self) -> FloatArray:
        """Error of room air that is not the parameters', by border ahead [K], shape (slots + 1,).

        What the model missed on held-back history at that horizon, and the weather ahead.
        """
        ahead_s = self.grid.edges_s() - self.grid.start_s
        weather_k = weather_error_k(
            self.model, self.weather, slot_s=self.grid.step_s, quick_share=self.quick_share
        )
        return np.asarray(np.hypot(self.response.residual_at_k(ahead_s), weather_k))

    @property
    def feedback_slots(self) -> int:
        """Slots until heat ordered after a surprise is felt in the room."""
        return math.ceil((self.model.dead_time_s + FEEDBACK_S) / self.grid.step_s)

    @property
    def feedback_sd_k(self) -> float:
        """Error that re-planning leaves: what happens within ``feedback_slots`` [K]."""
        return float(self.other_sd_k[min(self.feedback_slots, self.grid.count)])

    def paths_c(self, models: Sequence[FirstOrder], ahead_w: FloatArray) -> FloatArray:
        """Room air at the slot borders for each model [°C], shape (slots + 1, models)."""
        heat = Heat(self.start.past_w, ahead_w, self.grid.step_s)
        return air_paths(models, start_c=self.start.air_c, heat=heat, weather=self.weather)

    def expected_c(self, ahead_w: FloatArray) -> FloatArray:
        """Expected room air at the slot borders under this heat [°C], shape (slots + 1,)."""
        return self.paths_c([self.model], ahead_w)[:, 0]


def needed_duty(case: ZoneCase) -> FloatArray:
    """Share of full heat that the zone needs in each slot for its sessions [0..1]."""
    return _duty(case, lower_c(case))


def frost_duty(case: ZoneCase) -> FloatArray:
    """Share of full heat that the frost floor alone would need in each slot [0..1]."""
    return _duty(case, np.full(case.grid.count + 1, case.frost_floor_c))


def lower_c(case: ZoneCase) -> FloatArray:
    """Least room air wanted at each slot border [°C], shape (slots + 1,).

    Frost floor outside sessions. From a session's start to its end the warmest target less
    ``BAND_K``, plus the quantile, for the wanted readiness, of the error that re-planning leaves.
    Before it the air from which full heat still gets there, with the quantile of the error over
    the time that is left: this margin grows with the horizon and falls as the session nears. A
    room on that path is heated at less than full, and what is left over meets bad news.
    """
    lower = np.full(case.grid.count + 1, case.frost_floor_c)
    for session in case.sessions:
        first, last = session_borders(session, case.grid)
        if first > case.grid.count:
            continue
        wanted_c = ready_c(session) + quantile_of(session) * case.feedback_sd_k
        lower[first : last + 1] = np.maximum(lower[first : last + 1], wanted_c)
        before = slice(0, first)
        lower[before] = np.maximum(lower[before], _path_to_c(case, session, first))
    return lower


def ready_c(session: Session) -> float:
    """Least room air with which a session counts as ready [°C]."""
    return session.target_c - BAND_K


def quantile_of(session: Session) -> float:
    """Standard deviations that the wanted readiness asks for at its start [-]; at least none."""
    return NormalDist().inv_cdf(min(max(session.readiness, 0.5), 0.999))


def path_quantile_of(session: Session) -> float:
    """The same for the path that leads there [-].

    A room held on its path loses its good luck (heat is cut) and keeps its bad. Its lowest error
    then matters, not its last, and falls twice as often below a bound (reflection principle).
    """
    failing = 1.0 - min(max(session.readiness, 0.5), 0.999)
    return NormalDist().inv_cdf(1.0 - 0.5 * failing)


def session_borders(session: Session, grid: Grid) -> tuple[int, int]:
    """First and last slot border at which a session wants its target.

    A session that starts within a slot wants it at the border before.
    """
    first = math.floor((session.start_s - grid.start_s) / grid.step_s + 1e-6)
    last = math.floor((session.end_s - grid.start_s) / grid.step_s + 1e-6)
    return max(0, first), min(last, grid.count)


def parameter_error_k(paths_c: FloatArray, expected_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Downward and upward standard deviation of samples from what is expected [K].

    The two differ, as a response's parameters are skewed.

    Parameters
    ----------
    paths_c : ndarray, shape (n, samples)
    expected_c : ndarray, shape (n,)
    """
    off_k = paths_c - expected_c[:, np.newaxis]
    down_k = np.sqrt(2.0 * np.mean(np.minimum(off_k, 0.0) ** 2, axis=1))
    up_k = np.sqrt(2.0 * np.mean(np.maximum(off_k, 0.0) ** 2, axis=1))
    return down_k, up_k


def _path_to_c(case: ZoneCase, session: Session, first: int) -> FloatArray:
    """Air at the borders before a session from which full heat reaches it [°C], shape (first,).

    Solved backwards: air at the start = decay x air now + what full heat and weather add. The
    parameter error is that of the same journey under each sample.
    """
    if first == 0:
        return np.empty(0)
    slots_left = first - np.arange(first)
    keep = math.exp(-case.grid.step_s / case.model.time_constant_s)
    outdoor_c = _felt_at_end(case.weather.outdoor_c[:first], keep)
    sun_w_m2 = _felt_at_end(case.weather.sun_w_m2[:first], keep)
    seconds = np.asarray(slots_left * case.grid.step_s)
    decay, level_c = _journey([case.model], seconds, outdoor_c, sun_w_m2, case.power_w)
    most_c = outdoor_c + case.model.offset_k + REACH * (level_c[:, 0] - outdoor_c)
    start_c = _start_of(np.minimum(ready_c(session), most_c), decay[:, 0], level_c[:, 0])
    start_c = np.maximum(start_c, np.minimum(case.start.air_c, case.frost_floor_c))
    decays, levels_c = _journey(case.draws, seconds, outdoor_c, sun_w_m2, case.power_w)
    arrivals_c = levels_c + decays * (start_c[:, np.newaxis] - levels_c)
    expected_c = level_c[:, 0] + decay[:, 0] * (start_c - level_c[:, 0])
    down_k, _ = parameter_error_k(arrivals_c, expected_c)
    other_k = case.other_sd_k[np.maximum(slots_left, case.feedback_slots).clip(max=case.grid.count)]
    wanted_c = ready_c(session) + path_quantile_of(session) * np.hypot(down_k, other_k)
    return _start_of(np.minimum(wanted_c, most_c), decay[:, 0], level_c[:, 0])


def _journey(
    models: Sequence[FirstOrder],
    seconds: FloatArray,
    outdoor_c: FloatArray,
    sun_w_m2: FloatArray,
    power_w: float,
) -> tuple[FloatArray, FloatArray]:
    """What is left of a start after ``seconds`` [-] and the level headed for at full heat [°C].

    Returns
    -------
    ndarray, shape (n, models), twice
    """
    tau_s = np.array([m.time_constant_s for m in models])
    lift_k = np.array([m.offset_k + m.gain_k_per_w * power_w for m in models])
    sun_gain = np.array([m.sun_gain_k_m2_per_w for m in models])
    decay: FloatArray = np.exp(-seconds[:, np.newaxis] / tau_s)
    level_c = outdoor_c[:, np.newaxis] + lift_k + sun_gain * sun_w_m2[:, np.newaxis]
    return decay, level_c


def _start_of(end_c: FloatArray, decay: FloatArray, level_c: FloatArray) -> FloatArray:
    """The start whose journey towards ``level_c`` ends at ``end_c`` [°C]; -1000 at the least."""
    return np.asarray(np.maximum(level_c + (end_c - level_c) / decay, -1000.0))


def _felt_at_end(values: FloatArray, keep: float) -> FloatArray:
    """Mean from each slot to the last, weighed as room air feels it at the end.

    What acts in a slot decays by ``keep`` in every slot that follows. Shape of ``values``.
    """
    weight = keep ** np.arange(values.size - 1, -1, -1)
    totals = np.cumsum((weight * values)[::-1]) / np.cumsum(weight[::-1])
    return np.asarray(totals[::-1])


def _duty(case: ZoneCase, lower: FloatArray) -> FloatArray:
    """Least heat for these lower bounds, as shares of full heat.

    The solver takes the dead time as one; the expected course takes it as a lag. What the two
    differ by is laid on the bounds, and the solver asked again.
    """
    differs_k = np.zeros(lower.size)
    for _ in range(SOLVER_ROUNDS):
        timetable = least_heat(
            case.model,
            start_c=case.start.air_c,
            pending_w=case.start.past_w,
            outdoor_c=case.weather.outdoor_c,
            sun_w_m2=case.weather.sun_w_m2,
            lower_c=lower + differs_k,
            power_w=case.power_w,
            slot_s=case.grid.step_s,
        )
        differs_k = timetable.air_c - case.expected_c(timetable.heat_w)
    return np.clip(timetable.heat_w / case.power_w, 0.0, 1.0)
