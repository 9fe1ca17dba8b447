"""Whether a building has changed: new insulation, a pane gone, a door left off its hinges.

Each day gives one number, by how much the building's loss seems to differ from the learnt one. It
scatters from day to day; what counts is a shift that stays. The rule is that of Shiryaev and
Roberts: a sum over all days on which the change may have happened, of how much likelier the days
since are with it than without it. As long as nothing changes the sum grows by one a day on
average, so that an alarm where it exceeds A comes after A days on average, whatever the noise.

References
----------
Shiryaev, On optimum methods in quickest detection problems, 1963; Roberts, A comparison of some
control chart procedures, 1966; Pollak, Average run lengths of an optimal method of detecting a
change in distribution, 1987 (all from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from models.series import FloatArray, IntArray

LOSS_CHANGE = math.log(1.25)
"""Change of the logarithm of the loss that is looked for: a quarter more, or a fifth less [-]."""
FALSE_ALARM_DAYS = 720.0
"""Mean time between alarms in a building that stays as it is: over five heating seasons [d]."""
LEAST_REFERENCE = 14
"""Days from which mean and scatter without change can be told."""

_SIZES = (-2.0, -1.0, 1.0, 2.0)
"""Shifts that are tried, in parts of the smallest one of interest."""
_CLIP_SD = 3.0
"""A day that is further off counts as this far off: one odd day alone must not alarm."""
_MOST_CORRELATION = 0.8
_MAD_TO_SD = 1.4826  # of a normal distribution
_LEAST_SD_SHARE = 0.3
"""The scatter is at least this part of the smallest shift: a few days can agree by chance."""


@dataclass(frozen=True, slots=True)
class Drift:
    """A change that was noticed.

    Attributes
    ----------
    since : int
        Index of the day from which on it most likely holds.
    noticed : int
        Index of the day on which it became clear.
    shift, shift_sd : float
        How far the days since then lie from those before, with its standard error, in the unit
        of the days' numbers. Of logarithms of the loss, ``exp(shift)`` is their ratio.
    confidence : float
        Probability that there is a change at all, if one in ``FALSE_ALARM_DAYS`` is usual [0..1].
    """

    since: int
    noticed: int
    shift: float
    shift_sd: float
    confidence: float

    @property
    def grows(self) -> bool:
        """Whether the number, and with it the loss, has grown."""
        return self.shift > 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Days:
    """What each of ``n`` days says of the loss.

    Parameters
    ----------
    shift : array, shape (n,)
        By how much it seems changed; NaN where the day says nothing.
    lever : array, shape (n,)
        How firmly: a day's shift scatters in inverse proportion to its lever. A cold room says
        little of its loss, a warm one in frost much.

    Raises
    ------
    ValueError
        Where they are not of one length.
    """

    shift: FloatArray
    lever: FloatArray

    def __post_init__(self) -> None:
        if self.shift.shape != self.lever.shape or self.shift.ndim != 1:
            raise ValueError(f"one lever a day: {self.shift.shape} and {self.lever.shape}")


def daily_loss(error_k: FloatArray, sensitivity_k: FloatArray, day: IntArray) -> Days:
    """By how much the loss seems changed on each day, as a logarithm.

    The change that explains a day's prediction errors best, by least squares: with
    ``exp(x)`` times the loss, predictions would move by ``sensitivity_k * x``.

    Parameters
    ----------
    error_k : array, shape (n,)
        Predicted less actual room air, one to three days ahead [K].
    sensitivity_k : array, shape (n,)
        How far each prediction moves for a change of one in the logarithm of the loss [K]: the
        difference of two predictions over that of the logarithms. Negative in a heated room.
    day : array, shape (n,)
        Index from 0 of the day to which each belongs.

    Returns
    -------
    Days
        Of max(day) + 1 days; the lever is the day's rms sensitivity [K].
    """
    known = np.isfinite(error_k) & np.isfinite(sensitivity_k)
    day, error_k, sensitivity_k = day[known], error_k[known], sensitivity_k[known]
    days = int(day.max()) + 1 if day.size else 0
    count = np.bincount(day, minlength=days)
    square = np.bincount(day, weights=sensitivity_k**2, minlength=days)
    product = np.bincount(day, weights=sensitivity_k * error_k, minlength=days)
    telling = square > 0.0
    shift, lever = np.full(days, np.nan), np.zeros(days)
    shift[telling] = -product[telling] / square[telling]
    lever[telling] = np.sqrt(square[telling] / count[telling])
    return Days(shift, lever)


def find_drift(
    days: Days,
    *,
    reference: int,
    smallest: float = LOSS_CHANGE,
    false_alarm_days: float = FALSE_ALARM_DAYS,
) -> Drift | None:
    """The first change in a row of days, None where they go on as they began.

    Parameters
    ----------
    days : Days
    reference : int
        How many days at the beginning are known to be unchanged, those that the response was
        learnt from. They give mean, scatter and how much a day is like the one before.
    smallest : float
        The smallest lasting shift of interest, in the unit of the days' numbers.
    false_alarm_days : float
        Mean time to an alarm without any change [d].

    Raises
    ------
    ValueError
        Where fewer than ``LEAST_REFERENCE`` of the reference days are known.
    """
    known = np.flatnonzero(np.isfinite(days.shift) & (days.lever > 0.0))
    shift, lever = days.shift[known], days.lever[known]
    first = int(np.searchsorted(known, reference))
    usual = _usual(shift[:first], lever[:first], smallest)
    if first == len(known):
        return None
    gains = usual.gains(shift, lever, smallest)[first:]
    evidence = _evidence(gains)
    alarms = np.flatnonzero(evidence.mean(axis=1) > false_alarm_days)
    if alarms.size == 0:
        return None
    noticed = int(alarms[0])
    since = _likeliest_begin(gains[: noticed + 1, int(np.argmax(evidence[noticed]))])
    after = slice(first + since, first + noticed + 1)
    weight = lever[after] ** 2
    odds = float(evidence[noticed].mean()) / false_alarm_days
    return Drift(
        since=int(known[first + since]),
        noticed=int(known[first + noticed]),
        shift=float(np.average(shift[after], weights=weight)) - usual.mean,
        shift_sd=usual.sd / usual.kept / math.sqrt(float(weight.sum())),
        confidence=odds / (1.0 + odds),
    )


@dataclass(frozen=True, slots=True)
class _Usual:
    """Days without change.

    ``mean`` shift; ``sd`` of what each day, times its lever, adds to the one before, and their
    ``correlation``.
    """

    mean: float
    sd: float
    correlation: float

    @property
    def kept(self) -> float:
        """Share of a lasting shift that is left once the day before is taken out."""
        return 1.0 - self.correlation

    def gains(self, shift: FloatArray, lever: FloatArray, smallest: float) -> FloatArray:
        """Log likelihood ratio of each day with each of ``_SIZES`` to none, shape (n, 4)."""
        z = self._news(lever * (shift - self.mean))
        z = np.clip(z, -_CLIP_SD, _CLIP_SD)
        expected = np.multiply.outer(self._news(lever), smallest * np.array(_SIZES))
        return np.asarray(z[:, np.newaxis] * expected - 0.5 * expected**2)

    def _news(self, values: FloatArray) -> FloatArray:
        """What each day tells beyond the one before, in sd."""
        before = np.concatenate(([0.0], values[:-1]))
        return (values - self.correlation * before) / self.sd


def _usual(shift: FloatArray, lever: FloatArray, smallest: float) -> _Usual:
    if len(shift) < LEAST_REFERENCE:
        raise ValueError(
            f"{len(shift)} unchanged days are known, {LEAST_REFERENCE} are needed to tell how far "
            "days scatter"
        )
    # an odd day is drawn in before it can move the mean: twice, as it moves the first one too
    mean = float(np.median(shift))
    for _ in range(2):
        off = _without_odd_days(lever * (shift - mean))
        mean += float(np.sum(lever * off) / np.sum(lever**2))
    off = _without_odd_days(lever * (shift - mean))
    power = float(np.sum(off**2))
    alike = float(np.sum(off[1:] * off[:-1])) / power if power > 0.0 else 0.0
    # few days underestimate it: the bias of a lag-1 estimate is about -(1 + 4 r) / n
    alike += (1.0 + 4.0 * alike) / len(shift)
    correlation = min(max(alike, 0.0), _MOST_CORRELATION)
    sd = float(np.std(_without_odd_days(off[1:] - correlation * off[:-1]), ddof=2))
    least = _LEAST_SD_SHARE * smallest * float(np.sqrt(np.mean(lever**2)))
    return _Usual(mean, max(sd, least), correlation)


def _without_odd_days(values: FloatArray) -> FloatArray:
    """The values, those far from the median drawn in to where a normal distribution ends."""
    middle = np.median(values)
    reach = _CLIP_SD * _MAD_TO_SD * np.median(np.abs(values - middle))
    return np.asarray(np.clip(values, middle - reach, middle + reach))


def _evidence(gains: FloatArray) -> FloatArray:
    """Sum over all days of a possible beginning, day by day and for each size, as ``gains``."""
    evidence = np.zeros_like(gains)
    sums = np.zeros(gains.shape[1])
    ratios = np.exp(gains)
    for k, ratio in enumerate(ratios):
        sums = (1.0 + sums) * ratio
        evidence[k] = sums
    return evidence


def _likeliest_begin(gains: FloatArray) -> int:
    """From which day to the last the gains add up to most."""
    return int(np.argmax(np.cumsum(gains[::-1])[::-1]))
