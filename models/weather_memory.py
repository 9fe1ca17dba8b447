"""How weather goes on: the covariance of outdoor temperature and of clearness over time.

Weather is taken as a sum of independent stationary normal parts: a level that changes over
months, a slow part (weather systems, some days), a fast part (some hours) and a daily wave of
which one share lasts and another changes within days. What the last weeks' readings say of the
next days, and how surely, then follows by conditioning, gaps and all. The ratios of the parts
were fitted on the winters (October to April) of eight hourly typical and reference years and held
on nine others (two in the United States, fifteen in Germany); the optimum is flat. How restless the
site's own weather is scales the error (`scales`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from models.normal import Normal, conditioned
from models.series import FloatArray

HOUR_S = 3600.0
DAY_S = 86400.0
TICK_S = 900.0
"""Times are rounded to this for the table of covariances [s]."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the weather: its standard deviation and the time in which it forgets [s].

    ``cycles`` per day: 0 for a plain part, 1 and 2 for the daily wave's harmonics. An infinite
    ``memory_s`` is a part that lasts.
    """

    sd: float
    memory_s: float
    cycles: int = 0

    def covariance(self, lag_s: FloatArray) -> FloatArray | float:
        """Covariance over a time difference [s], shape of ``lag_s`` or one number."""
        wave = np.cos(2.0 * np.pi * self.cycles / DAY_S * lag_s) if self.cycles else 1.0
        kept = np.exp(-np.abs(lag_s) / self.memory_s) if math.isfinite(self.memory_s) else 1.0
        return self.sd**2 * kept * wave


@dataclass(frozen=True, slots=True)
class WeatherMemory:
    """How one quantity goes on.

    Attributes
    ----------
    mean, wave : float
        What is expected before anything is read: a mean, and a daily wave with this amplitude
        and its top at ``WARMEST_H`` of solar time.
    parts : tuple of Part
    noise_sd : float
        Of a reading, what it stands for included.
    """

    mean: float
    wave: float
    parts: tuple[Part, ...]
    noise_sd: float

    def covariance(self, lag_s: FloatArray) -> FloatArray:
        """Covariance over a time difference [s], shape of ``lag_s``."""
        result = np.zeros_like(lag_s)
        for part in self.parts:
            result += part.covariance(lag_s)
        return result

    def among(self, times_s: FloatArray) -> FloatArray:
        """Covariance among times [s] of shape (n,), shape (n, n)."""
        # each time is rounded, not each difference: the matrix stays positive definite
        ticks = np.rint(times_s / TICK_S).astype(np.intp)
        lags = np.abs(np.subtract.outer(ticks, ticks))
        table = self.covariance(TICK_S * np.arange(lags.max(initial=0) + 1.0))
        return np.take(table, lags)


WARMEST_H = 14.5
"""Solar time of the day's usual top of temperature [h]; common practice, no source."""
OUTDOOR = WeatherMemory(
    mean=5.0,
    wave=2.0,
    parts=(
        Part(100.0, math.inf),  # any climate
        Part(1.5, 60 * DAY_S),
        Part(4.0, 66 * HOUR_S),
        Part(0.55, 6.5 * HOUR_S),
        Part(1.5, math.inf, cycles=1),
        Part(1.0, 48 * HOUR_S, cycles=1),
        Part(0.35, math.inf, cycles=2),
        Part(0.3, 48 * HOUR_S, cycles=2),
    ),
    noise_sd=0.1,
)
"""Outdoor temperature [°C]: about 2.6 K of error a day ahead."""
CLEARNESS = WeatherMemory(
    mean=0.45,
    wave=0.0,
    parts=(
        Part(0.17, 60 * DAY_S),
        Part(0.23, 24 * HOUR_S),
        Part(0.17, 3 * HOUR_S),
        Part(0.09, math.inf, cycles=1),
        Part(0.04, math.inf, cycles=2),
    ),
    noise_sd=0.08,
)
"""Irradiance as a share of the clear sky's [1]."""

PRIOR_DAYS = 10.0
"""For how many day-ahead errors of one's own the usual restlessness counts: between stations its
logarithm varied by 0.2 to 0.25, which a chi-square of this many degrees of freedom has."""
SHORT_WEIGHT = 0.25
"""Errors within a day come in bouts: four of them count for one."""
SHORT_S, LONG_S = 3 * HOUR_S, DAY_S
"""Between these leads the scale passes from that of short leads to that of long ones [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings, oldest first: times [s], values and noise sd of each, all of shape (m,)."""

    times_s: FloatArray
    values: FloatArray
    noise_sd: FloatArray


def recalled(
    memory: WeatherMemory, readings: Readings, ahead_s: FloatArray, *, solar_noon_s: float = 0.0
) -> Normal:
    """What the readings say of the times ``ahead_s``, shape (n,) [s].

    Parameters
    ----------
    memory : WeatherMemory
    readings : Readings
        May be empty: the prior then.
    ahead_s : ndarray, shape (n,)
        Not before the last reading for the error to be scaled rightly.
    solar_noon_s : float
        Any moment of mean solar noon at the place, on the same time scale [s].
    """
    read = readings.times_s.size
    joint = memory.among(np.concatenate((readings.times_s, ahead_s)))
    prior = Normal(_prior_mean(memory, ahead_s, solar_noon_s), joint[read:, read:])
    if read == 0:
        return prior
    seen = joint[:read, :read] + np.diag(readings.noise_sd**2)
    misfit = readings.values - _prior_mean(memory, readings.times_s, solar_noon_s)
    normal = conditioned(prior, seen=seen, cross=joint[read:, :read], misfit=misfit)
    short, long = scales(readings.times_s, seen, misfit)
    lead_s = np.maximum(ahead_s - readings.times_s[-1], 1.0)
    knots = np.log([SHORT_S, LONG_S])
    return normal.scaled(np.interp(np.log(lead_s), knots, [short, long]))


def scales(times_s: FloatArray, seen: FloatArray, misfit: FloatArray) -> tuple[float, float]:
    """How far off one would have been, as a share of the stated error: (next reading, next day).

    Foretelling each reading, and each day's mean, from all before it gives errors that are
    independent and of unit variance where the memory is right (the rows of the inverse Cholesky
    factor). Their mean square, drawn towards 1, is the scale squared. The first error of each
    is spent on the unknown level.
    """
    day = np.floor((times_s - times_s[-1]) / DAY_S - 1e-9).astype(np.intp)
    days, of_day = np.unique(day, return_inverse=True)
    average = np.zeros((days.size, times_s.size))
    average[of_day, np.arange(times_s.size)] = 1.0
    average /= average.sum(axis=1, keepdims=True)
    short = _innovations(seen, misfit)[1:]
    long = _innovations(average @ seen @ average.T, average @ misfit)[1:]
    return _drawn_to_one(short, SHORT_WEIGHT), _drawn_to_one(long, 1.0)


def memory_of_s(covariance: FloatArray, step_s: float) -> float:
    """The time constant with which an error keeps its sign [s].

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        Of the error on even steps of ``step_s`` [s].

    Returns
    -------
    float
        Of the first-order process with the same standard deviations whose mean over all steps
        has the same variance: what a slab, which feels means, needs of it.
    """
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    lag_s = step_s * np.abs(np.subtract.outer(np.arange(sd.size), np.arange(sd.size)))
    times_s = np.geomspace(HOUR_S, 30 * DAY_S, 24)
    variances = [sd @ np.exp(-lag_s / time_s) @ sd for time_s in times_s]
    return float(np.exp(np.interp(covariance.sum(), variances, np.log(times_s))))


def _prior_mean(memory: WeatherMemory, times_s: FloatArray, solar_noon_s: float) -> FloatArray:
    top_s = solar_noon_s + (WARMEST_H - 12.0) * HOUR_S
    return memory.mean + memory.wave * np.cos(2.0 * np.pi * (times_s - top_s) / DAY_S)


def _innovations(seen: FloatArray, misfit: FloatArray) -> FloatArray:
    factor = cholesky(seen, lower=True)
    innovations: FloatArray = solve_triangular(factor, misfit, lower=True)
    return innovations


def _drawn_to_one(errors: FloatArray, weight: float) -> float:
    squares, count = weight * float(errors @ errors), weight * errors.size
    return math.sqrt((PRIOR_DAYS + squares) / (PRIOR_DAYS + count))
