"""What acts on a zone beside heat, sun and outdoor air: people while it is booked, and the wind.

Nobody measures people; bookings say when they are in. Wind comes from a sensor where there is one,
else from what forecasts said of the hours after they were received.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from controller.planning.history import FloatArray, Grid, Source, role_mean
from controller.records.forecast import Forecast
from controller.records.sessions import Session
from controller.records.site import OUTDOOR, Role, Site, Zone
from models.draught import draught_k
from models.series import Series

OLDEST_S = 24 * 3600.0
"""Age at which what a forecast said is no longer used [s]."""
USUAL_FROM_S = 7 * 86400.0
"""History whose mean wind is expected where no forecast tells [s]."""


def occupied(sessions: Iterable[Session], zone: Zone, grid: Grid) -> FloatArray:
    """Share of each slot in which a zone is booked, shape (slots,) [0..1]."""
    edges_s = grid.edges_s()
    booked_s = np.zeros(grid.count)
    for session in {s.id: s for s in sessions if s.zone == zone.id}.values():
        booked_s += np.diff(np.clip(edges_s, session.start_s, session.end_s))
    return np.asarray(np.minimum(booked_s / grid.step_s, 1.0))


def wind_behind_m_s(source: Source, site: Site, grid: Grid) -> FloatArray:
    """Wind in each slot of the past, shape (slots,); NaN where nothing tells [m/s]."""
    measured = role_mean(source, site, role=Role.WIND, subject=OUTDOOR, grid=grid)
    if np.isfinite(measured).all():
        return measured
    forecasts = source.forecasts(grid.start_s - OLDEST_S, grid.end_s)
    return np.where(np.isfinite(measured), measured, _told(forecasts, grid))


def wind_ahead_m_s(source: Source, site: Site, grid: Grid, *, now_s: float) -> FloatArray:
    """Wind in each slot ahead, shape (slots,); its usual strength where no forecast tells [m/s].

    NaN where nothing ever told of the wind.
    """
    # received at this very moment counts, though the span's end is exclusive
    told = _told(source.forecasts(now_s - OLDEST_S, now_s + 1.0), grid)
    if np.isfinite(told).all():
        return told
    past = wind_behind_m_s(source, site, Grid.before(now_s, span_s=USUAL_FROM_S, step_s=3600.0))
    known = past[np.isfinite(past)]
    return np.where(np.isfinite(told), told, known.mean() if known.size else np.nan)


def with_acting(
    series: Series, source: Source, site: Site, zone: Zone, sessions: Sequence[Session]
) -> Series:
    """A zone's history with people and wind added to what acted on it."""
    grid = Grid(series.start_s, series.step_s, len(series.air_c))
    wind_m_s = wind_behind_m_s(source, site, grid)
    return replace(
        series,
        occupied=occupied(sessions, zone, grid),
        draught_k=draught_k(wind_m_s, outdoor_c=series.outdoor_c, air_c=series.air_c),
    )


def _told(forecasts: Sequence[Forecast], grid: Grid) -> FloatArray:
    """What the last forecast received before each slot, and not too long before, says of it."""
    middles_s = grid.middles_s()
    found_m_s = np.full(grid.count, np.nan)
    for forecast in forecasts:
        # None, nothing told, becomes NaN
        winds_m_s = np.array([point.wind_m_s for point in forecast.points], dtype=np.float64)
        known = np.isfinite(winds_m_s)
        if not known.any():
            continue
        times_s = np.array([point.at_s for point in forecast.points])[known]
        told = np.interp(middles_s, times_s, winds_m_s[known], left=np.nan, right=np.nan)
        says = np.isfinite(told) & (middles_s > forecast.received_s - 0.5 * grid.step_s)
        found_m_s[says] = told[says]
    return found_m_s
