"""The weather forecast that a building brings, as the service would have received it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from controller.records.forecast import Forecast, ForecastPoint
from controller.records.site import Role
from controller.rehearsal.building import Building, BuildingError, Forecasting, normalised

HOURS_AHEAD = 168.0
"""How far ahead a building is asked for its forecast [h]."""
ASK_EVERY_S = 1800.0
EXTENDED_S = 6 * 3600.0
"""A forecast that says the same but reaches this much further is news [s]."""

ForecastNews = Callable[[float], Forecast | None]
"""What is new at a moment (UTC seconds), None where nothing is; times must not go back."""


def forecast_news(building: Building, *, spec: str) -> ForecastNews | None:
    """News of a building's forecast, None where it brings none; ``spec`` names it in messages.

    The building is asked every ``ASK_EVERY_S``; what was said before is no news. The function
    raises BuildingError where the forecast fails or cannot be used.
    """
    if not isinstance(building, Forecasting):
        return None
    forecasting: Forecasting = building
    asked_s = -math.inf
    last: Forecast | None = None

    def news(now_s: float) -> Forecast | None:
        nonlocal asked_s, last
        if now_s - asked_s < ASK_EVERY_S:
            return None
        asked_s = now_s
        heard = Forecast(now_s, _asked(forecasting, spec))
        if not heard.points or (last is not None and _says_the_same(heard, last)):
            return None
        last = heard
        return heard

    return news


def _says_the_same(heard: Forecast, last: Forecast) -> bool:
    """Whether a forecast neither reaches much further nor contradicts the one before."""
    if heard.points[-1].at_s >= last.points[-1].at_s + EXTENDED_S:
        return False
    known = {point.at_s: point for point in last.points}
    common = [point for point in heard.points if point.at_s in known]
    # two grids that never meet cannot be compared: count as news
    return bool(common) and all(known[point.at_s] == point for point in common)


def _asked(building: Forecasting, spec: str) -> tuple[ForecastPoint, ...]:
    try:
        entries = building.forecast(HOURS_AHEAD)
    except Exception as error:
        failed = f"{type(error).__name__}: {error}"
        raise BuildingError(f"{spec}: forecast() failed: {failed}") from error
    try:
        return points_of(entries)
    except BuildingError as error:
        raise BuildingError(f"{spec}: forecast(): {error}") from error


def points_of(
    entries: Sequence[tuple[datetime, Mapping[str, float]]],
) -> tuple[ForecastPoint, ...]:
    """Forecast entries as points by time; what is not finite counts as not said.

    Raises
    ------
    BuildingError
        Where an entry is no pair of an aware datetime and a mapping of roles to numbers.
    """
    points = {point.at_s: point for point in map(_point, entries)}
    return tuple(points[at_s] for at_s in sorted(points))


def _point(entry: tuple[datetime, Mapping[str, float]]) -> ForecastPoint:
    try:
        moment, told = entry
        items = dict(told)
    except (TypeError, ValueError) as error:
        raise BuildingError(f"{entry!r} is not a time and a mapping of roles") from error
    if not isinstance(moment, datetime) or moment.tzinfo is None:
        raise BuildingError(f"its time {moment!r} is not an aware datetime in UTC")
    values = {role: value for role, value in normalised(items).items() if math.isfinite(value)}
    return ForecastPoint(
        at_s=moment.timestamp(),
        outdoor_c=values.get(Role.OUTDOOR),
        irradiance_w_m2=values.get(Role.IRRADIANCE),
        wind_m_s=values.get(Role.WIND),
        price_per_kwh=values.get(Role.PRICE),
        surplus_w=values.get(Role.SOLAR_SURPLUS),
    )
