"""The weather ahead: what the site's own sensors and received forecasts say of the next week.

Outdoor temperature and, as a share of the clear sky's, irradiance are recalled from the readings
of the last weeks (`models.weather_memory`) and joined with the latest forecasts, each weighed by
how far off it has been (`models.forecast_skill`). Beyond a forecast's end what it said fades into
one's own estimate. Everything carries the standard deviation of its error.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.acting import wind_ahead_m_s
from controller.planning.history import FloatArray, Grid, Source
from controller.planning.outlook_forecast import LEARNT_FROM_S, curves, word_of
from controller.planning.outlook_readings import (
    CLEAREST,
    Quantity,
    clear_sky,
    clearness_quantity,
    outdoor_quantity,
)
from controller.records.forecast import Forecast
from controller.records.site import Site
from models.normal import Normal, told
from models.weather_memory import memory_of_s, recalled

HOUR_S = 3600.0
DAY_S = 86400.0
FINE_H, COARSE_H = 48, 2
"""Moments ahead: hourly for two days, two-hourly after that; in between, straight lines."""
MEMORY_EVERY_H = 3
"""Step on which the error's memory is measured over the hourly moments [h]."""


@dataclass(frozen=True, slots=True)
class Weather:
    """What is ahead on even slots, each array of shape (slots,): means and error sd.

    The wind is NaN where nothing tells of it. What a site's weather does to one zone, its people
    and the draught in its leaks (see `models.draught`), is 0 until `zone_state.on_zone` adds it.

    ``outdoor_memory_s`` is the time constant with which an error of the outdoor temperature
    keeps its sign along the slots [s].
    """

    outdoor_c: FloatArray
    outdoor_sd_k: FloatArray
    sun_w_m2: FloatArray
    sun_sd_w_m2: FloatArray
    wind_m_s: FloatArray
    occupied: FloatArray
    draught_k: FloatArray
    outdoor_memory_s: float = DAY_S


def weather_ahead(source: Source, site: Site, *, now_s: float, grid: Grid) -> Weather | None:
    """Outdoor temperature and sun on the slots of ``grid``, from all that is known at ``now_s``.

    Returns
    -------
    Weather or None
        None where there is neither an outdoor reading of the last weeks nor a fresh forecast of
        the temperature: see ``weather_from_room``. The sun is 0 with no error where there is
        neither a reading nor a forecast of it.
    """
    # received at this very moment counts, though the span's end is exclusive
    forecasts = source.forecasts(now_s - LEARNT_FROM_S, now_s + 1.0)
    ahead_s = _moments_s(grid.end_s - now_s)
    around = _Around(forecasts, now_s, ahead_s, _solar_noon_s(site, now_s))
    outdoor = around.known_of(outdoor_quantity(source, site, now_s=now_s))
    if outdoor is None:
        return None
    clearness = around.known_of(clearness_quantity(source, site, now_s=now_s))
    slots_s = grid.middles_s() - now_s
    sun_w_m2, sun_sd_w_m2 = _sun(clearness, ahead_s, slots_s, clear_sky(grid.middles_s(), site))
    return Weather(
        outdoor_c=np.interp(slots_s, ahead_s, outdoor.mean),
        outdoor_sd_k=np.interp(slots_s, ahead_s, outdoor.sd()),
        sun_w_m2=sun_w_m2,
        sun_sd_w_m2=sun_sd_w_m2,
        wind_m_s=wind_ahead_m_s(source, site, grid, now_s=now_s),
        occupied=np.zeros(grid.count),
        draught_k=np.zeros(grid.count),
        outdoor_memory_s=_memory_s(outdoor),
    )


def weather_from_room(balance_c: float, balance_sd_k: float, grid: Grid) -> Weather:
    """Weather where no outdoor reading exists: one level for all slots, with a wide error.

    ``balance_c`` is the outdoor temperature that the room's own recent mean implies; its error
    does not shrink towards the present, as nothing is seen of the weather itself. The sun is
    left out.
    """
    level, none = np.ones(grid.count), np.zeros(grid.count)
    return Weather(
        balance_c * level,
        balance_sd_k * level,
        sun_w_m2=none,
        sun_sd_w_m2=none,
        wind_m_s=np.nan * level,
        occupied=none,
        draught_k=none,
    )


@dataclass(frozen=True, slots=True)
class _Around:
    """What both quantities are looked at with; moments and noon are counted from the present."""

    forecasts: Sequence[Forecast]
    now_s: float
    ahead_s: FloatArray
    solar_noon_s: float

    def known_of(self, quantity: Quantity) -> Normal | None:
        """What is known of a quantity at the moments ahead; None where nothing at all is."""
        heard = curves(self.forecasts, quantity, now_s=self.now_s)
        word = word_of(heard, quantity, self.ahead_s)
        if word is None and quantity.thinned.times_s.size == 0:
            return None
        own = recalled(
            quantity.memory, quantity.thinned, self.ahead_s, solar_noon_s=self.solar_noon_s
        )
        return own if word is None else told(own, word.normal, where=word.where)


def _moments_s(span_s: float) -> FloatArray:
    """Moments from the present to the end of the span, at least to the end of the fine ones [s]."""
    end_h = max(math.ceil(span_s / HOUR_S), FINE_H)
    coarse_h = np.arange(FINE_H + COARSE_H, end_h + COARSE_H, COARSE_H)
    moments_s: FloatArray = HOUR_S * np.concatenate((np.arange(FINE_H + 1.0), coarse_h))
    return moments_s


def _solar_noon_s(site: Site, now_s: float) -> float:
    """A mean solar noon at the site, counted from the present [s]."""
    return (0.5 - site.longitude_deg / 360.0) * DAY_S - now_s % DAY_S


def _sun(
    clearness: Normal | None, ahead_s: FloatArray, slots_s: FloatArray, clear_w_m2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Irradiance on the slots and its error sd [W/m2]."""
    if clearness is None:
        return np.zeros(slots_s.size), np.zeros(slots_s.size)
    share = np.clip(np.interp(slots_s, ahead_s, clearness.mean), 0.0, CLEAREST)
    return share * clear_w_m2, np.interp(slots_s, ahead_s, clearness.sd()) * clear_w_m2


def _memory_s(outdoor: Normal) -> float:
    hourly = slice(MEMORY_EVERY_H, FINE_H + 1, MEMORY_EVERY_H)
    return memory_of_s(outdoor.covariance[hourly, hourly], MEMORY_EVERY_H * HOUR_S)
