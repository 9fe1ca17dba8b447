"""Learn a room's first-order response with dead time from its history.

The equation is integrated over windows of several hours, so that sensor noise, quantisation and
door dips weigh little and the unknowns enter linearly:

    T(t+h) - T(t) = b ∫ P(t-d) dt - a ∫ (T - Te) dt + c ∫ I dt + e h

with a = 1/time constant, b = gain a, c = sun gain a, e = offset a. For each dead time on a grid
this is one Bayesian regression around the day-one prior. Each dead time is judged by its errors
hours ahead on later history than it was fitted to, never by the fit's own residuals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.belief import Belief, StandardErrors, as_covariance, draw
from models.candidates import (
    FOLDS,
    LEAST_DEAD_TIME_S,
    Candidate,
    candidate,
    linear_prior,
    regress_windows,
    weights,
)
from models.day_one import Prior
from models.first_order import FirstOrder
from models.regression import Gaussian
from models.series import FloatArray, Series, prepare
from models.windows import WINDOW_S, Windows, windows_of

LEAST_HISTORY_S = 24 * 3600.0
"""Time covered by beginnings of windows without which nothing is fitted [s]."""

_GRID = 24  # dead times tried
_GRID_SPAN_SD = 2.5  # how far the grid reaches from the prior, in its standard deviations
_OUTLIER = 4.0 * 1.4826  # in medians of absolute deviations: four sd of normal errors
_OUTLIER_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Fit:
    """A learnt response.

    Parameters
    ----------
    model : FirstOrder
        The learnt response; the prior's where ``ok`` is false.
    sd : StandardErrors
        Standard error of each parameter.
    belief : Belief
        The same with the errors' correlation, to draw from.
    usable_hours : float
        Time covered by the beginnings of windows without gaps [h].
    ok : bool
        Whether the history gave a positive and stable response.
    why : str
        What it rests on, or why it failed.
    """

    model: FirstOrder
    sd: StandardErrors
    belief: Belief
    usable_hours: float
    ok: bool
    why: str


def sample(known: Fit | Prior | Belief, count: int, seed: int) -> list[FirstOrder]:
    """Draw parameter sets from what is known: same seed, same draws; all positive."""
    if isinstance(known, Prior):
        return draw(known.belief(), count, seed)
    return draw(known if isinstance(known, Belief) else known.belief, count, seed)


def fit(series: Series, prior: Prior) -> Fit:
    """Learn the response from a series, starting from the day-one prior.

    Parameters
    ----------
    series : Series
        Gaps are NaN; those of up to half an hour are bridged, windows with longer ones left out.
    prior : Prior

    Returns
    -------
    Fit
        With ``ok`` false, and the prior's values, where there is too little history or it gives
        no positive and stable response. Where no irradiance was measured the sun gain is 0, for
        the offset then holds the sun's mean effect.
    """
    history = prepare(series)
    grid_s = _dead_times_s(prior)
    windows = windows_of(history, longest_dead_time_s=float(grid_s[-1]))
    hours = windows.covered_s / 3600.0
    if windows.covered_s < LEAST_HISTORY_S:
        needed = LEAST_HISTORY_S / 3600.0
        return _failed(prior, hours, f"{hours:.0f} h of unbroken history, {needed:.0f} h needed")
    linear = linear_prior(prior)
    windows = _without_outliers(windows, grid_s, linear)
    tried = [candidate(windows, history, float(dead_time_s), linear) for dead_time_s in grid_s]
    stable = [each for each in tried if each is not None]
    if not stable:
        return _failed(prior, hours, "the history gives no positive and stable response")
    judged_s = (1.0 - FOLDS[0]) * windows.covered_s
    belief = _mixed(stable, weights(stable, prior, judged_s=judged_s))
    if not history.has_sun:
        belief = _without_sun(belief)
    why = f"{hours:.0f} h of history, {len(windows.start)} windows of {WINDOW_S / 3600:.0f} h"
    return Fit(belief.model, belief.standard_errors(), belief, hours, ok=True, why=why)


def _failed(prior: Prior, hours: float, why: str) -> Fit:
    belief = prior.belief()
    return Fit(belief.model, belief.standard_errors(), belief, hours, ok=False, why=why)


def _dead_times_s(prior: Prior) -> FloatArray:
    reach = np.exp(_GRID_SPAN_SD * prior.log_sd[2])
    middle_s = max(LEAST_DEAD_TIME_S, prior.mean.dead_time_s)
    return np.geomspace(max(LEAST_DEAD_TIME_S, middle_s / reach), middle_s * reach, _GRID)


def _without_outliers(windows: Windows, grid_s: FloatArray, prior: Gaussian) -> Windows:
    """Leave out windows that no dead time explains: a gate left open, a stove lit, a spike."""
    for _ in range(_OUTLIER_ROUNDS):
        residual = _best_residual(windows, grid_s[::4], prior)
        deviation = np.abs(residual - np.median(residual))
        limit = _OUTLIER * float(np.median(deviation))
        windows = windows.only(deviation <= limit)
    return windows


def _best_residual(windows: Windows, grid_s: FloatArray, prior: Gaussian) -> FloatArray:
    residuals = []
    for dead_time_s in grid_s:
        fitted = regress_windows(windows, float(dead_time_s), prior)
        residuals.append(windows.rise_k - windows.design(float(dead_time_s)) @ fitted.mean)
    return min(residuals, key=lambda residual: float(np.median(np.abs(residual))))


def _mixed(candidates: Sequence[Candidate], weight: FloatArray) -> Belief:
    """One belief out of all candidates: their weighted mean, the spread within and between."""
    values = np.array([_log_values(each.model) for each in candidates])
    mean = weight @ values
    covariance = (values - mean).T @ (weight[:, np.newaxis] * (values - mean))
    within = np.einsum("i,ijk->jk", weight, np.array([each.covariance for each in candidates]))
    covariance[np.ix_([0, 1, 3, 4], [0, 1, 3, 4])] += within
    covariance[2, 2] += _grid_variance(values[:, 2])
    time_constant_s, gain_k_per_w, dead_time_s = (float(number) for number in np.exp(mean[:3]))
    model = FirstOrder(
        time_constant_s=time_constant_s,
        gain_k_per_w=gain_k_per_w,
        dead_time_s=dead_time_s,
        offset_k=float(mean[3]),
        sun_gain_k_m2_per_w=float(mean[4]),
    )
    return Belief(model, as_covariance(covariance))


def _grid_variance(log_dead_time: FloatArray) -> float:
    """Variance within one spacing of the grid, which the candidates do not show."""
    return float(np.diff(log_dead_time).min() ** 2 / 12.0) if len(log_dead_time) > 1 else 0.0


def _log_values(model: FirstOrder) -> tuple[float, float, float, float, float]:
    return (
        float(np.log(model.time_constant_s)),
        float(np.log(model.gain_k_per_w)),
        float(np.log(model.dead_time_s)),
        model.offset_k,
        model.sun_gain_k_m2_per_w,
    )


def _without_sun(belief: Belief) -> Belief:
    """The belief with no sun gain: none was measured, so the offset holds its mean effect."""
    model = belief.model
    bare = FirstOrder(
        model.time_constant_s, model.gain_k_per_w, model.dead_time_s, model.offset_k, 0.0
    )
    covariance = np.array(belief.covariance)
    covariance[4, :] = covariance[:, 4] = 0.0
    return Belief(bare, as_covariance(covariance))
