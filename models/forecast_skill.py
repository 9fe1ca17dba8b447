"""How far a weather forecast is off, by lead time, as its own past shows it.

An error is taken as a steady bias and, beside it, red noise whose standard deviation grows with
the lead time. What earlier forecasts missed by shows both, drawn towards a usual forecast's skill
while there is little to go by. Successive forecasts miss alike, but not wholly: how much
is measured too, and the last ones are joined by it (a lagged ensemble).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.normal import Normal, conditioned
from models.series import FloatArray

Flags = npt.NDArray[np.bool_]

HOUR_S = 3600.0
DAY_S = 86400.0
PRIOR_DAYS = 8.0
"""Days of own forecasts for which the usual skill counts."""
ALIKE_PRIOR_DAYS = 2.0
"""The same for likeness, of which a day of overlapping forecasts shows more."""
SCALE_LEADS_S = np.array([6.0, 24.0, 96.0]) * HOUR_S
"""Leads at which the error is compared with the usual [s]; borders halfway in their logarithm."""
BIAS_LEAD_S = DAY_S
"""The bias is taken from leads up to this [s]: later ones are mostly chance."""
FEWEST = 4
"""Errors of which a mean square is taken at least."""


@dataclass(frozen=True, slots=True, eq=False)
class Skill:
    """A forecast's error: bias, its sd, and red noise by lead.

    Attributes
    ----------
    leads_s, sds : ndarray, shape (knots,)
        Standard deviation by lead [s], [unit of the quantity], ascending.
    bias, bias_sd : float
        Steady part, forecast less truth, and the sd of what is not known of it.
    memory_s : float
        Time constant of the red noise [s].
    alike : float
        Correlation of the errors of two successive forecasts for the same moment, 0 to 1; taken
        for those further apart too, as a part of what is missed is missed by all.
    point_sd : float
        White part of each forecast point and of the reading it is held against: a forecast by the
        hour is no straight line between hours.
    """

    leads_s: FloatArray
    sds: FloatArray
    bias: float
    bias_sd: float
    memory_s: float
    alike: float
    point_sd: float

    def sd(self, lead_s: FloatArray) -> FloatArray:
        """Standard deviation at leads [s], shape of ``lead_s``."""
        return np.interp(lead_s, self.leads_s, self.sds)


USUAL_OUTDOOR = Skill(
    leads_s=np.array([0.0, 72.0, 168.0]) * HOUR_S,
    sds=np.array([0.8, 2.5, 3.5]),
    bias=0.0,
    bias_sd=1.0,
    memory_s=DAY_S,
    alike=0.7,
    point_sd=0.2,
)
"""Of outdoor temperature [K]: 0.8 K at first, 2.5 K after three days; growth beyond, bias and
likeness from memory, common practice, no source."""
USUAL_CLEARNESS = Skill(
    leads_s=np.array([0.0, 72.0, 168.0]) * HOUR_S,
    sds=np.array([0.10, 0.22, 0.26]),
    bias=0.0,
    bias_sd=0.08,
    memory_s=8 * HOUR_S,
    alike=0.7,
    point_sd=0.05,
)
"""Of irradiance as a share of the clear sky's [1]: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Misses:
    """What earlier forecasts missed by: rows are forecasts, oldest first, columns moments.

    Attributes
    ----------
    errors : ndarray, shape (forecasts, moments)
        Forecast less reading; NaN where either is silent.
    leads_s : ndarray, shape (forecasts, moments)
        Lead of each [s]; negative before the forecast was received.
    """

    errors: FloatArray
    leads_s: FloatArray


def learnt_skill(usual: Skill, misses: Misses) -> Skill:
    """``usual`` corrected by what was missed; ``usual`` itself where nothing is known."""
    known = np.isfinite(misses.errors) & (misses.leads_s > 0.0)
    if known.sum() < FEWEST:
        return usual
    received_s = -misses.leads_s[:, 0]
    span_days = max(float(np.ptp(received_s[known.any(axis=1)])) / DAY_S, 0.25)
    biased = _with_bias(usual, misses, known, span_days)
    errors = np.where(known, misses.errors - biased.bias, 0.0) / usual.sd(misses.leads_s)
    scales = _scales(errors, misses.leads_s, known, span_days)
    leads_s = np.unique(np.concatenate((usual.leads_s, SCALE_LEADS_S)))
    scale = np.interp(np.log(np.maximum(leads_s, HOUR_S)), np.log(SCALE_LEADS_S), scales)
    return replace(
        biased,
        leads_s=leads_s,
        sds=np.maximum.accumulate(usual.sd(leads_s) * scale),
        alike=_alike(usual.alike, errors, known, span_days),
    )


def joined(skill: Skill, values: FloatArray, leads_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """One forecast out of several, and the sd of its red noise, each of shape (moments,).

    Parameters
    ----------
    skill : Skill
    values, leads_s : ndarray, shape (forecasts, moments)
        What each says, NaN where it is silent, and its lead [s], as in `Misses`.

    Returns
    -------
    tuple of ndarray
        Weights are those of least variance, none negative; NaN where all are silent.
    """
    silent = np.isnan(values)
    sd = np.where(silent, 0.0, skill.sd(np.maximum(leads_s, 0.0))).T
    count = len(values)
    alike = np.where(np.eye(count, dtype=np.bool_), 1.0, skill.alike)
    covariance = alike * sd[:, :, np.newaxis] * sd[:, np.newaxis, :]
    index = np.arange(count)
    covariance[:, index, index] += np.where(silent, 1e6, 1e-9).T
    weights = np.linalg.solve(covariance, np.ones((*sd.shape, 1)))[..., 0]
    weights = np.maximum(np.where(silent.T, 0.0, weights), 0.0)
    total = weights.sum(axis=1, keepdims=True)
    weights = np.divide(weights, total, out=np.full_like(weights, np.nan), where=total > 0.0)
    variance = np.einsum("mi,mij,mj->m", weights, covariance, weights)
    return (weights * np.nan_to_num(values.T)).sum(axis=1), np.sqrt(variance)


def error_ahead(skill: Skill, *, times_s: FloatArray, sd: FloatArray, missed: FloatArray) -> Normal:
    """The error still to come, given by how much the forecast has missed so far.

    Parameters
    ----------
    skill : Skill
    times_s, sd : ndarray, shape (past + ahead,)
        Moments, ascending [s], and the sd of the red noise there.
    missed : ndarray, shape (past,)
        Forecast less reading at the first moments.

    Returns
    -------
    Normal of ``ahead`` elements
    """
    past = missed.size
    lag_s = np.abs(np.subtract.outer(times_s, times_s))
    # grown-in red noise: what has been missed fades, it does not grow with the sd
    grown = np.maximum.accumulate(sd)
    covariance = np.minimum.outer(grown, grown) ** 2 * np.exp(-lag_s / skill.memory_s)
    covariance += skill.bias_sd**2 + skill.point_sd**2 * np.eye(times_s.size)
    prior = Normal(np.full(times_s.size - past, skill.bias), covariance[past:, past:])
    return conditioned(
        prior,
        seen=covariance[:past, :past],
        cross=covariance[past:, :past],
        misfit=missed - skill.bias,
    )


def _with_bias(usual: Skill, misses: Misses, known: Flags, span_days: float) -> Skill:
    """``usual`` with the bias that early leads show, a day counting for one independent error."""
    early = known & (misses.leads_s <= BIAS_LEAD_S)
    if early.sum() < FEWEST:
        return usual
    error_sd = float(usual.sd(np.array([BIAS_LEAD_S / 2.0]))[0])
    precision = span_days / error_sd**2
    posterior = precision + 1.0 / usual.bias_sd**2
    bias = float(misses.errors[early].mean()) * precision / posterior
    return replace(usual, bias=bias, bias_sd=1.0 / math.sqrt(posterior))


def _scales(errors: FloatArray, leads_s: FloatArray, known: Flags, span_days: float) -> FloatArray:
    """Rms of errors in units of the usual sd at ``SCALE_LEADS_S``, drawn towards 1."""
    borders_s = np.exp(0.5 * np.diff(np.log(SCALE_LEADS_S)) + np.log(SCALE_LEADS_S[:-1]))
    group = np.digitize(leads_s, borders_s)
    scales = np.ones(SCALE_LEADS_S.size)
    for k in range(scales.size):
        here = known & (group == k)
        if here.sum() >= FEWEST:
            square = float((errors[here] ** 2).mean())
            scales[k] = math.sqrt((PRIOR_DAYS + span_days * square) / (PRIOR_DAYS + span_days))
    return scales


def _alike(usual: float, errors: FloatArray, known: Flags, span_days: float) -> float:
    """Correlation of successive forecasts' errors, drawn to the usual."""
    both = known[1:] & known[:-1]
    if both.sum() < FEWEST:
        return usual
    first, second = errors[:-1][both], errors[1:][both]
    size = math.sqrt(float(first @ first) * float(second @ second))
    correlation = float(first @ second) / max(size, 1e-12)
    measured = min(max(correlation, 0.0), 0.98)
    return (ALIKE_PRIOR_DAYS * usual + span_days * measured) / (ALIKE_PRIOR_DAYS + span_days)
