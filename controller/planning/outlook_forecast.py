"""What received forecasts say of the times ahead, and how far off they have been of late.

Times are counted from the present moment [s], as in `outlook_readings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.planning.history import FloatArray
from controller.planning.outlook_readings import Quantity
from controller.records.forecast import Forecast
from models.forecast_skill import Misses, error_ahead, joined, learnt_skill
from models.normal import Normal
from models.weather_memory import Readings

HOUR_S = 3600.0
LEARNT_FROM_S = 7 * 86400.0
"""How far back forecasts are compared with readings [s]."""
OLDEST_S = 24 * HOUR_S
"""Age at which a forecast is no longer used [s]."""
APART_S = 5.5 * HOUR_S
"""Forecasts closer together than this say much the same: the later one stands for them [s]."""
MOST_JOINED = 4
COMPARED_EVERY_S = 3 * HOUR_S
RECENT_S = 6 * HOUR_S
"""What the forecast missed by in this time tells of what it will miss by next [s]."""


@dataclass(frozen=True, slots=True)
class Curve:
    """One quantity of one forecast: when it was received, and what it says (of shape (n,))."""

    received_s: float
    times_s: FloatArray
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Word:
    """What forecasts say of moments: which of them (bool), and values with their error there."""

    where: npt.NDArray[np.bool_]
    normal: Normal


def curves(forecasts: Sequence[Forecast], quantity: Quantity, *, now_s: float) -> list[Curve]:
    """The forecasts that tell a quantity, at least ``APART_S`` apart, oldest first."""
    kept: list[Curve] = []
    for forecast in reversed(forecasts):
        received_s = forecast.received_s - now_s
        if kept and kept[-1].received_s - received_s < APART_S:
            continue
        # None, nothing told, becomes NaN
        values = np.array([quantity.told(p) for p in forecast.points], dtype=np.float64)
        known = np.isfinite(values)
        if known.sum() > 1:
            times_s = np.array([p.at_s for p in forecast.points])
            kept.append(Curve(received_s, times_s[known] - now_s, values[known]))
    return kept[::-1]


def word_of(told: Sequence[Curve], quantity: Quantity, ahead_s: FloatArray) -> Word | None:
    """What the forecasts that are not too old say of ``ahead_s``, corrected by the readings.

    Returns
    -------
    Word or None
        None where no forecast is fresh enough or none says anything of ``ahead_s``.
    """
    fresh = [curve for curve in told if curve.received_s >= -OLDEST_S][-MOST_JOINED:]
    if not fresh:
        return None
    seen = quantity.seen
    skill = learnt_skill(quantity.usual, _misses(told, quantity))
    recent = seen.times_s > max(-RECENT_S, fresh[-1].received_s)
    times_s = np.concatenate((seen.times_s[recent], ahead_s))
    values, leads_s = _laid_out(fresh, quantity, times_s)
    joint, sd = joined(skill, values, leads_s)
    past = int(recent.sum())
    where = np.isfinite(joint)
    if not where[past:].any():
        return None
    missed = (joint[:past] - seen.values[recent])[where[:past]]
    error = error_ahead(
        skill,
        times_s=times_s[where],
        sd=sd[where],
        missed=missed,
    )
    told_ahead = where[past:]
    return Word(told_ahead, Normal(joint[past:][told_ahead] - error.mean, error.covariance))


def _misses(told: Sequence[Curve], quantity: Quantity) -> Misses:
    moments_s = -COMPARED_EVERY_S * np.arange(LEARNT_FROM_S / COMPARED_EVERY_S)[::-1]
    values, leads_s = _laid_out(told, quantity, moments_s)
    return Misses(values - _read_at(quantity.seen, moments_s), leads_s)


def _laid_out(
    told: Sequence[Curve], quantity: Quantity, times_s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Values and leads of every forecast at every time, each of shape (forecasts, times)."""
    values = np.stack(
        [np.interp(times_s, c.times_s, c.values, left=np.nan, right=np.nan) for c in told]
    )
    received_s = np.array([curve.received_s for curve in told])
    return values / quantity.amount(times_s), times_s - received_s[:, np.newaxis]


def _read_at(seen: Readings, times_s: FloatArray) -> FloatArray:
    """Readings at ``times_s``, NaN where none is within half an hour or so, same shape."""
    if seen.times_s.size == 0:
        return np.full(times_s.size, np.nan)
    after = np.minimum(np.searchsorted(seen.times_s, times_s), seen.times_s.size - 1)
    before = np.maximum(after - 1, 0)
    near_s = np.minimum(
        np.abs(seen.times_s[after] - times_s), np.abs(seen.times_s[before] - times_s)
    )
    read = np.interp(times_s, seen.times_s, seen.values)
    return np.where(near_s <= 0.5 * HOUR_S, read, np.nan)
