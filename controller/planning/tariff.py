"""What heat costs in the slots to come, and how much of the owner's own sun is left over then."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from controller.planning.history import FloatArray, Grid, Source
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.site import Role, Site, Tariff, TariffBand

BoolArray = npt.NDArray[np.bool_]
_Quantity = Callable[[ForecastPoint], float | None]

FLAT_PRICE = 1.0
"""Where no price is known at all, cost is energy [1/kWh]."""
HEARD_S = 26 * 3600.0
"""How old a forecast may be whose prices still count: many are told once a day [s]."""
HOUR_S = 3600.0
DAY_S = 86_400.0
SURPLUS_MEAN_S = 900.0
"""Passing clouds are averaged out over this time [s]."""
_JUST_AFTER_S = 1e-3
"""Spans end before their end; what was heard at this very moment is to count [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Prices and solar surplus by slot.

    Attributes
    ----------
    price_per_kwh : ndarray, shape (slots,)
        Finite; may be 0 or negative where a topic says so.
    surplus_w : ndarray, shape (slots,)
        Own solar power that nothing but the heater would use, at least 0 [W].
    surplus_price_per_kwh : float
        What a kWh of it costs: what feeding it in would have paid.
    """

    price_per_kwh: FloatArray
    surplus_w: FloatArray
    surplus_price_per_kwh: float


def prices_ahead(source: Source, site: Site, *, grid: Grid, now_s: float) -> Prices:
    """Tell prices and surplus for every slot, from the best that is known of each.

    For prices that is a forecast; in the present hour a price sensor; the tariff. What none of
    them tells costs the mean of what is known, ``FLAT_PRICE`` where that is nothing. Surplus is
    what a forecast says, in the present hour what a sensor does, otherwise none.
    """
    heard = source.forecasts(now_s - HEARD_S, now_s + _JUST_AFTER_S)
    middles_s = grid.middles_s()
    this_hour = middles_s < (math.floor(now_s / HOUR_S) + 1.0) * HOUR_S
    price = _told(heard, lambda point: point.price_per_kwh, middles_s)
    surplus_w = _told(heard, lambda point: point.surplus_w, middles_s)
    usual = _prices_otherwise(source, site, price, middles_s, now_s)
    latest = _sampled(source, site, Role.PRICE, since_s=now_s - HOUR_S, now_s=now_s)[-1:]
    sunny = _sampled(source, site, Role.SOLAR_SURPLUS, since_s=now_s - SURPLUS_MEAN_S, now_s=now_s)
    return Prices(
        price_per_kwh=_completed(price, latest, this_hour, usual),
        surplus_w=np.maximum(_completed(surplus_w, sunny, this_hour, np.zeros(grid.count)), 0.0),
        surplus_price_per_kwh=site.tariff.surplus_price_per_kwh if site.tariff else 0.0,
    )


def _completed(
    told: FloatArray, sensed: Sequence[float], this_hour: BoolArray, otherwise: FloatArray
) -> FloatArray:
    """What is told; where it is not, the mean of what is sensed in this hour, then otherwise."""
    if sensed:
        otherwise = np.where(this_hour, np.mean(sensed), otherwise)
    return np.where(np.isnan(told), otherwise, told)


def tariff_prices(tariff: Tariff, time_zone: str, times_s: FloatArray) -> FloatArray:
    """What a tariff asks at moments (UTC seconds) by the wall clock of a time zone.

    Returns
    -------
    ndarray, shape of ``times_s``
        Per kWh.
    """
    zone = ZoneInfo(time_zone)
    local = [datetime.fromtimestamp(at_s, zone) for at_s in times_s.tolist()]
    return np.array([_price_at(tariff, moment) for moment in local])


def _price_at(tariff: Tariff, local: datetime) -> float:
    minute = local.hour * 60 + local.minute
    for band in tariff.bands:
        if _holds(band, local.weekday(), minute):
            return band.price_per_kwh
    return tariff.price_per_kwh


def _holds(band: TariffBand, weekday: int, minute: int) -> bool:
    begun_today = weekday in band.weekdays and minute >= band.start_min
    if band.start_min < band.end_min:
        return begun_today and minute < band.end_min
    begun_yesterday = (weekday - 1) % 7 in band.weekdays and minute < band.end_min
    return begun_today or begun_yesterday


def _prices_otherwise(
    source: Source, site: Site, told: FloatArray, middles_s: FloatArray, now_s: float
) -> FloatArray:
    """Prices where nothing tells one for the slot itself."""
    if site.tariff is not None:
        return tariff_prices(site.tariff, site.time_zone, middles_s)
    known = told[np.isfinite(told)].tolist()
    known = known or _sampled(source, site, Role.PRICE, since_s=now_s - DAY_S, now_s=now_s)
    return np.full(middles_s.size, np.mean(known) if known else FLAT_PRICE)


def _sampled(
    source: Source, site: Site, role: Role, *, since_s: float, now_s: float
) -> list[float]:
    """What the first sensor of a role that reported has said since a moment, latest last."""
    for sensor in site.sensors:
        if sensor.role is role:
            samples = source.samples(sensor.id, since_s, now_s + _JUST_AFTER_S)
            if len(samples):
                return [float(value) for _, value in samples]
    return []


def _told(heard: Sequence[Forecast], quantity: _Quantity, middles_s: FloatArray) -> FloatArray:
    """What forecasts say of a quantity, newer ones first; NaN where none says anything."""
    told = np.full(middles_s.size, np.nan)
    for forecast in reversed(heard):
        pairs = [(p.at_s, v) for p in forecast.points if (v := quantity(p)) is not None]
        if pairs:
            told = np.where(np.isnan(told), _held(pairs, middles_s), told)
    return told


def _held(pairs: Sequence[tuple[float, float]], middles_s: FloatArray) -> FloatArray:
    """Values from their time to the next one's; the last for as long as the one before it."""
    times_s, values = np.array(pairs).T
    last_s = times_s[-1] - times_s[-2] if times_s.size > 1 else HOUR_S
    latest = np.searchsorted(times_s, middles_s, side="right") - 1
    within = (latest >= 0) & (middles_s < times_s[-1] + last_s)
    held: FloatArray = np.where(within, values[latest], np.nan)
    return held
