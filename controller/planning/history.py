"""What happened: stored samples and commands put on an even grid.

Means per slot, medians over sensors of one role, short gaps bridged, longer ones NaN. Nothing here
judges whether a value is plausible (intake has done that) and nothing removes door dips (the fit
and the starting state do).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from controller.planning.describe import heat_share, told_loops, zone_sun_w_m2
from controller.records.forecast import Forecast
from controller.records.plan import Arrival
from controller.records.site import OUTDOOR, Heater, Role, Site, Zone
from models.series import Series

FloatArray = npt.NDArray[np.float64]
Samples = Sequence[tuple[float, float]] | FloatArray
"""Rows of (measured_s, value), ascending."""

STEP_S = 300.0
"""Step of the history grid [s]."""
BRIDGED_S = 900.0
"""Gaps up to this length are filled by interpolation [s]."""


class Source(Protocol):
    """Where history comes from: the store's reader, or the memory of a rehearsal."""

    def samples(self, sensor: str, since_s: float, until_s: float) -> Samples:
        """Good samples of a sensor."""
        ...

    def heating(self, heater: str, since_s: float, until_s: float) -> list[tuple[float, bool]]:
        """Changes of a heater's command, ascending, with the one in force at ``since_s``."""
        ...

    def promised(self, heater: str, session: str, before_s: float) -> Arrival | None:
        """What the last plan made before a moment promised a session; None where nothing."""
        ...

    def forecasts(self, since_s: float, until_s: float) -> list[Forecast]:
        """Forecasts received within ``since_s`` <= time < ``until_s``, ascending."""
        ...


@dataclass(frozen=True, slots=True)
class Grid:
    """Even slots: ``count`` slots of ``step_s`` from ``start_s`` (UTC seconds)."""

    start_s: float
    step_s: float
    count: int

    @classmethod
    def before(cls, end_s: float, *, span_s: float, step_s: float) -> Grid:
        """The slots that fill the last ``span_s`` before ``end_s``, the last ending there."""
        count = max(1, round(span_s / step_s))
        return cls(end_s - count * step_s, step_s, count)

    @property
    def end_s(self) -> float:
        """End of the last slot (UTC seconds)."""
        return self.start_s + self.count * self.step_s

    def edges_s(self) -> FloatArray:
        """Slot borders, shape (count + 1,) (UTC seconds)."""
        edges_s: FloatArray = self.start_s + self.step_s * np.arange(self.count + 1.0)
        return edges_s

    def middles_s(self) -> FloatArray:
        """Slot middles, shape (count,) (UTC seconds)."""
        edges_s = self.edges_s()
        return 0.5 * (edges_s[1:] + edges_s[:-1])


def role_mean(source: Source, site: Site, *, role: Role, subject: str, grid: Grid) -> FloatArray:
    """Slot means of a role at a subject: the median over its sensors, NaN where none reported.

    Returns
    -------
    ndarray, shape (count,)
    """
    sensors = [s.id for s in site.sensors if s.role is role and s.subject == subject]
    if not sensors:
        return np.full(grid.count, np.nan)
    means = np.stack([_sensor_mean(source, sensor, grid) for sensor in sensors])
    return means[0] if len(sensors) == 1 else _median_over_sensors(means)


def heater_duty(source: Source, heater: str, grid: Grid) -> FloatArray:
    """Share of each slot in which the heater was told on [0..1]; NaN before the first command.

    Returns
    -------
    ndarray, shape (count,)
    """
    changes = source.heating(heater, grid.start_s, grid.end_s)
    if not changes:
        return np.full(grid.count, np.nan)
    times_s, on = np.array(changes, dtype=np.float64).T
    knots_s = np.append(times_s, max(grid.end_s, times_s[-1]))
    on_s = np.concatenate(([0.0], np.cumsum(np.diff(knots_s) * on)))
    edges_s = grid.edges_s()
    duty: FloatArray = np.diff(np.interp(edges_s, knots_s, on_s)) / grid.step_s
    duty[edges_s[:-1] < times_s[0] - grid.step_s] = np.nan
    return duty


def heater_heat_w(source: Source, site: Site, heater: Heater, grid: Grid) -> FloatArray:
    """Heat given by a heater in each slot [W]: metered where a power sensor is fitted.

    Where there is no power reading: rating x commanded share of the slot.

    Returns
    -------
    ndarray, shape (count,)
    """
    commanded_w = heater.rating_w * heater_duty(source, heater.id, grid)
    metered_w = role_mean(source, site, role=Role.POWER, subject=heater.id, grid=grid)
    return np.where(np.isnan(metered_w), commanded_w, metered_w)


def zone_heat_w(source: Source, site: Site, zone: Zone, grid: Grid) -> FloatArray:
    """Heat that went into a zone's floor [W]: its share of every heater that serves it.

    Heat divides by floor area among the zones whose valves were open.

    Returns
    -------
    ndarray, shape (count,)
        NaN where a heater's command is unknown.
    """
    heat_w = np.zeros(grid.count)
    for heater in site.heaters:
        if heat_share(site, heater, zone) > 0.0:
            share = open_share(source, site, heater, zone, grid)
            heat_w += share * heater_heat_w(source, site, heater, grid)
    return heat_w


def open_share(
    source: Source, site: Site, heater: Heater, zone: Zone, grid: Grid
) -> FloatArray | float:
    """A zone's share of a heater's output in each slot, by what valves said of themselves [0..1].

    A valve of which nothing is known was open; so were all, where all are said to have been shut.
    """
    by_area = heat_share(site, heater, zone)
    if not any(loop.id in told_loops(site) for loop in site.loops_of(heater)):
        return by_area
    served = site.zones_of(heater)
    open_m2 = np.stack([z.floor.area_m2 * _open(source, site, heater, z, grid) for z in served])
    all_m2 = open_m2.sum(axis=0)
    own_m2 = open_m2[served.index(zone)]
    share = np.full(grid.count, by_area)
    np.divide(own_m2, all_m2, out=share, where=all_m2 > 0.0)
    return share


def _open(source: Source, site: Site, heater: Heater, zone: Zone, grid: Grid) -> FloatArray:
    """Share of each slot in which a zone was open to the heater, by its most open loop [0..1]."""
    told = told_loops(site)
    loops = [loop.id for loop in site.loops_of(heater) if loop.zone == zone.id]
    stood = [
        role_mean(source, site, role=Role.RELAY_STATE, subject=told[loop], grid=grid)
        for loop in loops
        if loop in told
    ]
    if len(stood) < len(loops):
        return np.ones(grid.count)
    known = np.stack(stood)
    return np.asarray(np.where(np.isnan(known), 1.0, known).max(axis=0))


def zone_series(source: Source, site: Site, zone: Zone, grid: Grid) -> Series:
    """One zone's history on a grid, as the models take it: air at slot starts, heat of slots.

    The sun is that on the zone's panes, see `describe.zone_sun_w_m2`.
    """
    around = replace(grid, start_s=grid.start_s - 0.5 * grid.step_s)

    def mean(role: Role, subject: str) -> FloatArray:
        return role_mean(source, site, role=role, subject=subject, grid=around)

    return Series(
        start_s=grid.start_s,
        step_s=grid.step_s,
        air_c=mean(Role.AIR, zone.id),
        slab_c=mean(Role.SLAB, zone.id),
        outdoor_c=mean(Role.OUTDOOR, OUTDOOR),
        power_w=zone_heat_w(source, site, zone, grid),
        sun_w_m2=zone_sun_w_m2(site, zone, mean(Role.IRRADIANCE, OUTDOOR), grid.edges_s()[:-1]),
    )


def bridged(values: FloatArray, slots: int) -> FloatArray:
    """Fill runs of at most ``slots`` NaN between two known values by interpolation.

    Returns
    -------
    ndarray, shape of ``values``
    """
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    index = np.arange(values.size)
    last = np.maximum.accumulate(np.where(known, index, -1))
    following = np.minimum.accumulate(np.where(known, index, values.size)[::-1])[::-1]
    short = (last >= 0) & (following < values.size) & (following - last - 1 <= slots)
    filled = np.interp(index, index[known], values[known])
    return np.where(known | short, filled, np.nan)


def _sensor_mean(source: Source, sensor: str, grid: Grid) -> FloatArray:
    pairs = source.samples(sensor, grid.start_s, grid.end_s)
    if len(pairs) == 0:
        return np.full(grid.count, np.nan)
    times_s, values = np.asarray(pairs, dtype=np.float64).T
    slot = np.floor((times_s - grid.start_s) / grid.step_s).astype(np.int64)
    inside = (slot >= 0) & (slot < grid.count)
    counts = np.bincount(slot[inside], minlength=grid.count)
    sums = np.bincount(slot[inside], weights=values[inside], minlength=grid.count)
    means = np.full(grid.count, np.nan)
    np.divide(sums, counts, out=means, where=counts > 0)
    return bridged(means, int(BRIDGED_S / grid.step_s))


def _median_over_sensors(means: FloatArray) -> FloatArray:
    """The median over rows; nanmedian warns on columns without any value, so those stay out."""
    seen = np.isfinite(means).any(axis=0)
    result = np.full(means.shape[1], np.nan)
    result[seen] = np.nanmedian(means[:, seen], axis=0)
    return result
