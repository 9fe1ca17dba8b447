"""The site's own weather readings of the last weeks, laid out for looking ahead.

Times are counted from the present moment [s], so that they are negative.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from controller.planning.history import FloatArray, Grid, Source, role_mean
from controller.records.forecast import ForecastPoint
from controller.records.site import OUTDOOR, Role, Site
from models.clear_sky import clear_sky_w_m2
from models.forecast_skill import USUAL_CLEARNESS, USUAL_OUTDOOR, Skill
from models.solar_position import sun_position
from models.weather_memory import CLEARNESS, Readings, WeatherMemory
from models.weather_memory import OUTDOOR as OUTDOOR_MEMORY

WINDOW_S = 20 * 86400.0
"""Weather that is looked back on [s]: ten and thirty days were both worse than twenty."""
STEP_S = 1800.0
"""Step of the grid of readings [s]."""
THINNED = ((12, 1), (36, 2), (912, 6))
"""Slots from the present backwards, and how many of them are taken together."""
DARK_W_M2 = 40.0
"""Clear-sky irradiance below which clearness is not asked for [W/m2]."""
CLEAREST = 1.1
"""Greatest clearness: broken cloud adds its reflections, and the clear sky is a mean one."""

Amount = Callable[[FloatArray], FloatArray]
"""What one unit of a quantity amounts to at times from the present; NaN where it has no meaning."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity of the weather: how it behaves and what was read of it.

    Attributes
    ----------
    memory, usual : WeatherMemory, Skill
        How it goes on, and how well it is usually forecast.
    told : callable
        The number that a point of a forecast gives; ``amount`` x quantity.
    amount : callable
    seen, thinned : Readings
        Slot by slot, to compare forecasts with; and taken together, to look ahead from.
    """

    memory: WeatherMemory
    usual: Skill
    told: Callable[[ForecastPoint], float | None]
    amount: Amount
    seen: Readings
    thinned: Readings


def outdoor_quantity(source: Source, site: Site, *, now_s: float) -> Quantity:
    """Outdoor temperature [°C]."""
    past = _past(now_s)
    outdoor_c = role_mean(source, site, role=Role.OUTDOOR, subject=OUTDOOR, grid=past)
    weights = np.ones(past.count)
    return Quantity(
        memory=OUTDOOR_MEMORY,
        usual=USUAL_OUTDOOR,
        told=lambda point: point.outdoor_c,
        amount=np.ones_like,
        seen=_seen(past, outdoor_c, now_s, OUTDOOR_MEMORY.noise_sd),
        thinned=_thinned(past, outdoor_c, weights, now_s, OUTDOOR_MEMORY.noise_sd),
    )


def clearness_quantity(source: Source, site: Site, *, now_s: float) -> Quantity:
    """Irradiance as a share of the clear sky's [1]; where it is dark it has no meaning."""
    past = _past(now_s)

    def amount(times_s: FloatArray) -> FloatArray:
        clear_w_m2 = clear_sky(times_s + now_s, site)
        return np.where(clear_w_m2 > DARK_W_M2, clear_w_m2, np.nan)

    sun_w_m2 = role_mean(source, site, role=Role.IRRADIANCE, subject=OUTDOOR, grid=past)
    clear_w_m2 = amount(past.middles_s() - now_s)
    clearness = np.clip(sun_w_m2 / clear_w_m2, 0.0, CLEAREST)
    return Quantity(
        memory=CLEARNESS,
        usual=USUAL_CLEARNESS,
        told=lambda point: point.irradiance_w_m2,
        amount=amount,
        seen=_seen(past, clearness, now_s, CLEARNESS.noise_sd),
        thinned=_thinned(past, clearness, np.nan_to_num(clear_w_m2), now_s, CLEARNESS.noise_sd),
    )


def clear_sky(times_s: FloatArray, site: Site) -> FloatArray:
    """Irradiance under a cloudless sky at the site [W/m2], times in UTC seconds, same shape."""
    sun = sun_position(times_s, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg)
    return clear_sky_w_m2(sun.zenith_deg)


def _past(now_s: float) -> Grid:
    return Grid.before(now_s, span_s=WINDOW_S, step_s=STEP_S)


def _seen(past: Grid, values: FloatArray, now_s: float, noise_sd: float) -> Readings:
    known = np.isfinite(values)
    times_s = past.middles_s()[known] - now_s
    return Readings(times_s, values[known], np.full(times_s.size, noise_sd))


def _thinned(
    past: Grid, values: FloatArray, weights: FloatArray, now_s: float, noise_sd: float
) -> Readings:
    """Weighted means over growing stretches backwards: what is long ago needs no detail."""
    sizes = np.repeat([size for _, size in THINNED], [slots // size for slots, size in THINNED])
    label = np.repeat(np.arange(sizes.size), sizes)[::-1]  # 0 is the newest stretch
    weights = np.where(np.isfinite(values), weights, 0.0)
    total = np.bincount(label, weights)
    known = total > 0.0
    means, times_s = (
        np.bincount(label, weights * np.nan_to_num(x))[known] / total[known]
        for x in (values, past.middles_s() - now_s)
    )
    oldest_first = slice(None, None, -1)
    noise = np.full(means.size, noise_sd)
    return Readings(times_s[oldest_first], means[oldest_first], noise)
