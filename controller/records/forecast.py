"""A weather forecast as it was received: what is said to come, and when it was said."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ForecastPoint:
    """What is forecast for one moment; None where the forecast says nothing of it.

    Temperature [°C], global irradiance on the horizontal [W/m2] and wind [m/s] at ``at_s`` (UTC
    seconds); between two points they change evenly. Price [money/kWh] and the owner's own solar
    surplus [W] hold from ``at_s`` to the next point.
    """

    at_s: float
    outdoor_c: float | None = None
    irradiance_w_m2: float | None = None
    wind_m_s: float | None = None
    price_per_kwh: float | None = None
    surplus_w: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """A forecast: when it was received (UTC seconds) and its points by time, ascending."""

    received_s: float
    points: tuple[ForecastPoint, ...]
