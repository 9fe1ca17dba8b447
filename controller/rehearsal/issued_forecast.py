"""A weather forecast of usual skill for the virtual workshop: the weather to come, and errors.

A new one is issued every six hours for the week that follows; between two issues the last one
holds, as at a forecast service. The errors of one issue are red noise along the time they are for
(correlation e-folding in a day), with a spread that grows with the lead: outdoor temperature by
0.8 K at first and 2.5 K from 72 h on. Sun and wind are off by a factor whose spread grows in the
same proportion.

Successive issues are not independent: a model that has a front six hours late will mostly have it
late again in its next run. The standardised error for one moment is an autoregressive series over
the issues with a coefficient of 0.7 (about half of the variance stays from one issue to the next,
a quarter after half a day, nothing to speak of after two days); no source, chosen as plausible.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from controller.records.sessions import Session
from controller.records.site import Site
from controller.rehearsal.sunlight import sun_direction
from controller.rehearsal.weather import HOUR_S, Weather, WeatherError
from controller.rehearsal.workshop import Workshop

Floats = NDArray[np.float64]

ISSUE_EVERY_H = 6
REACH_H = 168
"""How far an issue reaches [h]."""
OUTDOOR_SD_K = (0.8, 2.5)
"""Standard deviation of the outdoor error at once, and from `GROWN_H` on [K]."""
SUN_SD = (0.2, 0.6)
WIND_SD = (0.15, 0.45)
"""The same of the factors by which sun and wind are off [-]."""
GROWN_H = 72.0
_CORRELATION_H = 24.0
_KEPT = 0.7
"""Correlation of the error for one moment in two successive issues [-]."""
_ISSUES_BACK = 16
"""Older issues leave less than 0.4 % of the error."""


class IssuedForecast:
    """Forecasts of one weather.

    Parameters
    ----------
    weather : Weather
        What will really come.
    seed : int
        Of the errors; the same seed and issue give the same forecast in whatever order.
    """

    def __init__(self, weather: Weather, *, seed: int) -> None:
        self._weather = weather
        self._seed = seed
        self._issue: int | None = None
        self._times_s: Floats = np.zeros(0)
        self._values: list[dict[str, float]] = []

    def at(self, now_s: float, hours: float) -> list[tuple[datetime, Mapping[str, float]]]:
        """What the latest issue says from now on, by the full hour.

        Parameters
        ----------
        now_s : float
            UTC seconds.
        hours : float
            How far ahead; an issue reaches `REACH_H` from when it was issued, no further.

        Returns
        -------
        list of (datetime, mapping)
            Aware UTC times, the first one now or the full hour before, with ``outdoor`` [°C],
            ``irradiance`` [W/m2] and ``wind`` [m/s].
        """
        number = int(now_s // (ISSUE_EVERY_H * HOUR_S))
        if number != self._issue:
            self._issue = number
            self._lay_out(number)
        first_s, last_s = now_s - HOUR_S, now_s + hours * HOUR_S
        return [
            (datetime.fromtimestamp(at_s, tz=UTC), values)
            for at_s, values in zip(self._times_s.tolist(), self._values, strict=True)
            if first_s < at_s <= last_s
        ]

    def _lay_out(self, number: int) -> None:
        lead_h = np.arange(0.0, REACH_H + 1.0)
        times_s = self._known_s(number * ISSUE_EVERY_H * HOUR_S + lead_h * HOUR_S)
        lead_h = lead_h[: len(times_s)]
        true = self._weather.at(times_s)
        outdoor_c = true.outdoor_c + _spread(lead_h, OUTDOOR_SD_K) * self._error(
            "outdoor", number, lead_h
        )
        sun_w_m2 = true.irradiance_w_m2 * self._factor("sun", number, lead_h, SUN_SD)
        ceiling_w_m2 = np.maximum(true.irradiance_w_m2, self._clear_sky_w_m2(times_s))
        sun_w_m2 = np.minimum(sun_w_m2, ceiling_w_m2)
        wind_m_s = true.wind_m_s * self._factor("wind", number, lead_h, WIND_SD)
        self._times_s = times_s
        self._values = [
            {"outdoor": outdoor, "irradiance": sun, "wind": wind}
            for outdoor, sun, wind in zip(
                outdoor_c.tolist(), sun_w_m2.tolist(), wind_m_s.tolist(), strict=True
            )
        ]

    def _known_s(self, times_s: Floats) -> Floats:
        """The times up to where the weather ends; the moment of issue at least."""
        for count in range(len(times_s), 1, -24):
            try:
                # an hour more: interpolation reaches into the hour after the last time
                self._weather.check_span(times_s[0], times_s[count - 1] + HOUR_S)
            except WeatherError:
                continue
            return times_s[:count]
        return times_s[:1]

    def _factor(self, what: str, number: int, lead_h: Floats, grows: tuple[float, float]) -> Floats:
        factor = 1.0 + _spread(lead_h, grows) * self._error(what, number, lead_h)
        return np.asarray(np.maximum(factor, 0.0))

    def _error(self, what: str, number: int, lead_h: Floats) -> Floats:
        """Standardised error of an issue, shape as ``lead_h`` (full hours) [-]."""
        shares = _KEPT ** np.arange(_ISSUES_BACK)
        shares /= np.sqrt(np.square(shares).sum())
        total = np.zeros(len(lead_h))
        for back, share in enumerate(shares):
            first = back * ISSUE_EVERY_H
            total += share * _novelty(self._seed, what, number - back)[first : first + len(lead_h)]
        return total

    def _clear_sky_w_m2(self, times_s: Floats) -> Floats:
        """Irradiance under a clear sky (Haurwitz 1945; coefficients from memory)."""
        cos_zenith, _ = sun_direction(times_s, self._weather.station)
        height = np.maximum(cos_zenith, 1e-3)
        clear = 1098.0 * height * np.exp(-0.057 / height)
        return np.where(cos_zenith > 0.0, clear, 0.0)


def _spread(lead_h: Floats, grows: tuple[float, float]) -> Floats:
    return np.asarray(np.interp(lead_h, [0.0, GROWN_H], grows))


@lru_cache(maxsize=4 * _ISSUES_BACK)
def _novelty(seed: int, what: str, number: int) -> Floats:
    """What one issue newly gets wrong, by the hour from its own time on: red noise, sd 1."""
    rng = np.random.default_rng([seed, zlib.crc32(what.encode()), number])
    return _red_noise(rng, REACH_H + 1 + _ISSUES_BACK * ISSUE_EVERY_H)


def _red_noise(rng: np.random.Generator, count: int) -> Floats:
    """First-order autoregressive noise by the hour, mean 0, standard deviation 1."""
    kept = float(np.exp(-1.0 / _CORRELATION_H))
    news = rng.standard_normal(count) * np.sqrt(1.0 - kept**2)
    news[0] = rng.standard_normal()
    noise = np.empty(count)
    last = 0.0
    for hour, new in enumerate(news.tolist()):
        last = kept * last + new
        noise[hour] = last
    return noise


class ForecastingWorkshop(Workshop):
    """The virtual workshop with a forecast; parameters as `Workshop`."""

    def __init__(
        self,
        site: Site,
        heater: str,
        weather: Weather,
        sessions: Sequence[Session],
        *,
        start_s: float,
        seed: int,
        spread: float,
    ) -> None:
        super().__init__(site, heater, weather, sessions, start_s=start_s, seed=seed, spread=spread)
        self._forecast = IssuedForecast(weather, seed=seed)

    def forecast(self, hours: float) -> list[tuple[datetime, Mapping[str, float]]]:
        """The latest issue from now on, as `IssuedForecast.at` gives it."""
        return self._forecast.at(self.now.timestamp(), hours)
