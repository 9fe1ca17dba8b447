"""The weather ahead, from what the site's own sensors saw in the last days.

Outdoor temperature: the mean daily shape of the last ten days plus the present departure from it,
which fades. Sun, where it is measured: its mean daily course. Both carry the standard deviation
of their error. No forecast is bought and no climate table is guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.planning.history import FloatArray, Grid, Source, role_mean
from controller.records.site import OUTDOOR, Role, Site

DAY_S = 86400.0
WINDOW_S = 10 * DAY_S
"""Weather that the daily shape is taken from [s]."""
STEP_S = 1800.0
"""Step of the weather grid [s]."""
FADE_S = DAY_S
"""Time constant with which a departure from the daily shape fades [s]."""
RECENT_S = 3600.0
"""Span over which the present departure is averaged [s]."""
HARMONIC_WEIGHT_S = 2 * 3600.0
"""Weight of "no daily wave" against the readings, as time of readings [s]."""
LEADS_H = np.array([1.0, 3.0, 6.0, 12.0, 24.0, 48.0, 72.0])
"""Horizons at which the error is measured [h]."""
EXPECTED_SD_K = np.array([0.7, 1.3, 1.9, 2.5, 3.2, 3.8, 4.0])
"""Error before there is enough history [K]: the day-to-day change of winter weather in a
temperate climate, about 3 K from one day to the next; from memory."""
EXPECTED_WEIGHT_DAYS = 3.0
"""How many days of own history the expected error counts for."""
FLOOR_K, CEILING_K = 0.3, 7.0
"""Bounds of the stated error [K]: a calm week must not promise a calm tomorrow."""
SUN_SD_SHARE = 0.6
"""Error of the sun ahead before there is enough history, as a share of its mean course."""


@dataclass(frozen=True, slots=True)
class Weather:
    """Weather ahead on even slots, each array of shape (slots,): means and error sd."""

    outdoor_c: FloatArray
    outdoor_sd_k: FloatArray
    sun_w_m2: FloatArray
    sun_sd_w_m2: FloatArray


def weather_ahead(source: Source, site: Site, *, now_s: float, grid: Grid) -> Weather | None:
    """Outdoor temperature and sun on the slots of ``grid``, from the days before ``now_s``.

    Returns
    -------
    Weather or None
        None where there was no outdoor reading in the last ten days: see ``weather_from_room``.
    """
    past = Grid.before(now_s, span_s=WINDOW_S, step_s=STEP_S)
    outdoor_c = role_mean(source, site, role=Role.OUTDOOR, subject=OUTDOOR, grid=past)
    if not np.isfinite(outdoor_c).any():
        return None
    sun_w_m2, sun_sd_w_m2 = _sun_ahead(source, site, past, grid)
    shape = _daily_shape(past.middles_s(), outdoor_c)
    departure_k = outdoor_c - _shape_at(shape, past.middles_s())
    present_k, seen_s = _present(past, departure_k)
    ahead_s = np.maximum(grid.middles_s() - seen_s, 0.0)
    return Weather(
        outdoor_c=_shape_at(shape, grid.middles_s()) + present_k * np.exp(-ahead_s / FADE_S),
        outdoor_sd_k=np.interp(ahead_s / 3600.0, LEADS_H, _error_sd_k(departure_k)),
        sun_w_m2=sun_w_m2,
        sun_sd_w_m2=sun_sd_w_m2,
    )


def weather_from_room(balance_c: float, balance_sd_k: float, grid: Grid) -> Weather:
    """Weather where no outdoor reading exists: one level for all slots, with a wide error.

    ``balance_c`` is the outdoor temperature that the room's own recent mean implies; its error
    does not shrink towards the present, as nothing is seen of the weather itself. The sun is
    left out.
    """
    level = np.ones(grid.count)
    return Weather(balance_c * level, balance_sd_k * level, 0.0 * level, 0.0 * level)


def _daily_shape(times_s: FloatArray, values: FloatArray) -> FloatArray:
    """Mean and two harmonics of the day by least squares, shape (5,).

    Each harmonic is drawn towards zero a little, so that a few hours of history give their mean
    and not a wild wave.
    """
    known = np.isfinite(values)
    basis = _harmonics(times_s[known])
    weight = np.diag([0.0, 1.0, 1.0, 1.0, 1.0]) * HARMONIC_WEIGHT_S / STEP_S
    return np.asarray(np.linalg.solve(basis.T @ basis + weight, basis.T @ values[known]))


def _shape_at(shape: FloatArray, times_s: FloatArray) -> FloatArray:
    result: FloatArray = _harmonics(times_s) @ shape
    return result


def _harmonics(times_s: FloatArray) -> FloatArray:
    angle = 2.0 * np.pi * times_s / DAY_S
    return np.stack(
        [
            np.ones_like(angle),
            np.cos(angle),
            np.sin(angle),
            np.cos(2.0 * angle),
            np.sin(2.0 * angle),
        ],
        axis=1,
    )


def _present(past: Grid, departure_k: FloatArray) -> tuple[float, float]:
    """The latest departure from the shape [K] and when it was seen (UTC seconds)."""
    known = np.flatnonzero(np.isfinite(departure_k))
    last = int(known[-1])
    recent = known[known > last - RECENT_S / STEP_S]
    seen_s = past.start_s + (last + 1) * past.step_s
    return float(departure_k[recent].mean()), seen_s


def _error_sd_k(departure_k: FloatArray) -> FloatArray:
    """Standard deviation of the forecast error at ``LEADS_H`` [K], non-decreasing.

    The fading rule is tried at every past hour of the window. The shape was fitted to the same
    days, which flatters it by about half the days' share of independent weather (1 / (2 fade)).
    """
    days = np.isfinite(departure_k).sum() * STEP_S / DAY_S
    flattered = 1.0 + min(1.0, 2.0 * FADE_S / DAY_S / max(days, 1.0))
    measured = np.array([_rms_at(departure_k, lead_h) for lead_h in LEADS_H]) * flattered
    pairs_days = np.where(np.isfinite(measured), np.maximum(days - LEADS_H / 24.0, 0.0), 0.0)
    squared = pairs_days * np.nan_to_num(measured) ** 2 + EXPECTED_WEIGHT_DAYS * EXPECTED_SD_K**2
    blended = np.sqrt(squared / (pairs_days + EXPECTED_WEIGHT_DAYS))
    return np.maximum.accumulate(np.clip(blended, FLOOR_K, CEILING_K))


def _rms_at(departure_k: FloatArray, lead_h: float) -> float:
    """Rms error of the fading rule at one horizon over the window [K]; NaN without pairs."""
    slots = round(lead_h * 3600.0 / STEP_S)
    if slots >= departure_k.size:
        return float("nan")
    fade = np.exp(-lead_h * 3600.0 / FADE_S)
    errors = departure_k[slots:] - fade * departure_k[:-slots]
    errors = errors[np.isfinite(errors)]
    return float(np.sqrt(np.mean(errors**2))) if errors.size else float("nan")


def _sun_ahead(source: Source, site: Site, past: Grid, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Mean and sd of the sun by time of day over the window, on the slots ahead [W/m2]."""
    sun_w_m2 = role_mean(source, site, role=Role.IRRADIANCE, subject=OUTDOOR, grid=past)
    if not np.isfinite(sun_w_m2).any():
        return np.zeros(grid.count), np.zeros(grid.count)
    per_day = int(DAY_S / STEP_S)
    days = sun_w_m2.reshape(-1, per_day)
    known = np.isfinite(days)
    count = known.sum(axis=0)
    filled = np.where(known, days, 0.0)
    mean = filled.sum(axis=0) / np.maximum(count, 1)
    squares = (np.where(known, days - mean, 0.0) ** 2).sum(axis=0)
    expected = (SUN_SD_SHARE * mean) ** 2
    sd = np.sqrt((squares + EXPECTED_WEIGHT_DAYS * expected) / (count + EXPECTED_WEIGHT_DAYS))
    of_day = np.floor((grid.middles_s() - past.start_s) % DAY_S / STEP_S).astype(np.int64)
    return mean[of_day], sd[of_day]
