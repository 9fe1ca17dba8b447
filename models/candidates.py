"""Candidate responses of one dead time each, fitted and judged hours ahead on held-back history.

The unknowns of the linear form (see `models.response_fit`) are a = 1/time constant, b = gain a,
c = sun gain a and e = offset a, always in this order.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from models.backtest import step_errors, undisturbed_path
from models.day_one import Prior
from models.first_order import FirstOrder
from models.regression import Gaussian, regress
from models.series import FloatArray, History, IntArray
from models.windows import Windows

JUDGED_H = (3, 6, 12)
"""Horizons at which a dead time is judged [h]."""

FOLDS = (0.4, 0.55, 0.7, 0.85, 1.0)
"""Shares of the history up to which each fold is fitted; it is judged on the piece after."""

LEAST_DEAD_TIME_S = 10.0
"""Dead times are sought on a log scale, so not down to 0 [s]."""

_FEWEST_WINDOWS = 4  # as many as there are unknowns
_LEAST_ERROR_K2 = 1e-6  # a millikelvin: below it, all dead times are equally good
_CLIP = 4.0 * 1.4826  # in medians of absolute errors: four standard deviations of normal ones


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One dead time with its fit on the whole history and its error on held-back pieces.

    Parameters
    ----------
    model : FirstOrder
    covariance : array, shape (4, 4)
        Of (log time constant, log gain, offset, sun gain) at this dead time.
    error_k2 : float
        Mean square error hours ahead; NaN where the history is too short to hold a piece back
        [K2].
    """

    model: FirstOrder
    covariance: FloatArray
    error_k2: float


def linear_prior(prior: Prior) -> Gaussian:
    """The prior of (a, b, c, e), to first order around its mean."""
    model = prior.mean
    scaled = (1.0, model.gain_k_per_w, model.sun_gain_k_m2_per_w, model.offset_k)
    mean = np.array(scaled) / model.time_constant_s
    jacobian = np.zeros((4, 5))  # by log time constant, log gain, log dead time, offset, sun gain
    jacobian[:, 0] = -mean
    jacobian[1, 1] = mean[1]
    jacobian[2, 4] = jacobian[3, 3] = mean[0]
    return Gaussian(mean, jacobian @ np.array(prior.belief().covariance) @ jacobian.T)


def regress_windows(windows: Windows, dead_time_s: float, prior: Gaussian) -> Gaussian:
    """Belief about (a, b, c, e) from windows, at one dead time."""
    return regress(
        windows.design(dead_time_s),
        windows.rise_k,
        prior=prior,
        weight=windows.new_share,
        block=windows.block,
    )


def candidate(
    windows: Windows, history: History, dead_time_s: float, prior: Gaussian
) -> Candidate | None:
    """Fit and judge one dead time; None where no positive and stable response comes out."""
    whole = regress_windows(windows, dead_time_s, prior)
    model = _as_model(whole.mean, dead_time_s)
    if model is None:
        return None
    jacobian = _physical_jacobian(whole.mean)
    return Candidate(
        model=model,
        covariance=jacobian @ whole.covariance @ jacobian.T,
        error_k2=_held_back_error_k2(windows, history, dead_time_s, prior),
    )


def weights(candidates: Sequence[Candidate], prior: Prior, *, judged_s: float) -> FloatArray:
    """Posterior weight of each candidate's dead time, shape (k,), sum 1.

    The likelihood is that of normal errors of unknown size. Errors within one longest horizon
    are related, so ``judged_s`` [s], the length of all held-back pieces, counts as so many
    independent errors as longest horizons fit into it.
    """
    log_dead_time = np.log([each.model.dead_time_s for each in candidates])
    middle = np.log(max(LEAST_DEAD_TIME_S, prior.mean.dead_time_s))
    log_weight = -0.5 * ((log_dead_time - middle) / prior.log_sd[2]) ** 2
    error_k2 = np.array([each.error_k2 for each in candidates])
    if np.isfinite(error_k2).any():
        independent = judged_s / (max(JUDGED_H) * 3600.0)
        judged_k2 = np.where(np.isfinite(error_k2), error_k2, np.inf)
        log_weight -= 0.5 * independent * np.log(np.maximum(judged_k2, _LEAST_ERROR_K2))
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _as_model(coefficients: FloatArray, dead_time_s: float) -> FirstOrder | None:
    loss, heat, sun, rest = (float(number) for number in coefficients)
    if loss <= 0 or heat <= 0:
        return None
    return FirstOrder(1.0 / loss, heat / loss, dead_time_s, rest / loss, max(0.0, sun / loss))


def _physical_jacobian(coefficients: FloatArray) -> FloatArray:
    """Of (log time constant, log gain, offset, sun gain) by (a, b, c, e), shape (4, 4)."""
    a, b, c, e = coefficients
    return np.array(
        [
            [-1.0 / a, 0.0, 0.0, 0.0],
            [-1.0 / a, 1.0 / b, 0.0, 0.0],
            [-e / a**2, 0.0, 0.0, 1.0 / a],
            [-c / a**2, 0.0, 1.0 / a, 0.0],
        ]
    )


def _held_back_error_k2(
    windows: Windows, history: History, dead_time_s: float, prior: Gaussian
) -> float:
    """Mean square error hours ahead on the pieces after those fitted, outliers clipped [K2]."""
    borders = (np.array(FOLDS) * len(history)).astype(np.int64)
    squares: list[FloatArray] = []
    for known_until, judged_until in itertools.pairwise(borders):
        known = windows.start + windows.length <= known_until
        judged = windows.start[(windows.start >= known_until) & (windows.start < judged_until)]
        if known.sum() < _FEWEST_WINDOWS or len(judged) == 0:
            continue
        fitted = regress_windows(windows.only(known), dead_time_s, prior)
        model = _as_model(fitted.mean, dead_time_s)
        if model is None:
            return float("inf")
        squares.extend(_clipped_squares(history, model, judged))
    return float(np.mean(np.concatenate(squares))) if squares else float("nan")


def _clipped_squares(history: History, model: FirstOrder, starts: IntArray) -> Iterator[FloatArray]:
    path = undisturbed_path(history, model)
    for hours in JUDGED_H:
        steps = round(hours * 3600.0 / history.step_s)
        inside = starts[starts + steps < len(history)]
        whole = inside[history.unknown[inside + steps + 1] == history.unknown[inside]]
        if len(whole):
            error = np.abs(step_errors(history, model, path, whole, steps))
            yield np.minimum(error, _CLIP * float(np.median(error))) ** 2
