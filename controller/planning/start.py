"""Where a zone stands when planning begins: room air now, heat on its way, heater output."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.planning.history import (
    STEP_S,
    FloatArray,
    Grid,
    Source,
    heater_duty,
    role_mean,
    zone_heat_w,
)
from controller.planning.outlook import Weather
from controller.planning.paths import Heat, air_paths
from controller.records.site import OUTDOOR, Heater, Role, Site, Zone
from models.first_order import FirstOrder

PAST_S = 12 * 3600.0
"""Heat looked back on: beyond the dead time of any floor [s]."""
SMOOTHED_S = 3600.0
"""Readings of room air that speak for the present [s]; door dips shorter than half of it are
outvoted."""
OLDEST_AIR_S = 6 * 3600.0
"""With nothing newer than this no plan can be made [s]."""
OUTPUT_S = 3 * 86400.0
"""Time over which a metered heater's output is taken [s]."""
LEAST_OUTPUT_SLOTS = 6
"""Full-on slots that must have been seen before the meter replaces the rating."""
BALANCE_S = 10 * 86400.0
BALANCE_SD_K = 5.0
"""Error of the outdoor level that a room's own balance implies [K]; chosen wide, no source."""
NO_BALANCE_C = 5.0
NO_BALANCE_SD_K = 8.0
"""Where not even a day of room air is known: a heating season anywhere [°C], [K]."""


class PlanningError(ValueError):
    """No plan can be made from what is known; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class ZoneStart:
    """Room air at the first slot [°C] and mean heat in the slots before it [W], oldest first."""

    air_c: float
    past_w: FloatArray


def zone_start(
    source: Source, site: Site, zone: Zone, model: FirstOrder, *, grid: Grid, now_s: float
) -> ZoneStart:
    """Room air and pending heat of a zone at the start of ``grid``.

    Every reading of the last hour is carried to the present by the model and the median taken:
    noise averages out, a trend is not lagged, and a door dip is outvoted.

    Raises
    ------
    PlanningError
        Where there is no room air of the last hours.
    """
    for span_s in (SMOOTHED_S, OLDEST_AIR_S):
        recent = Grid.before(now_s, span_s=span_s, step_s=STEP_S)
        air_c = role_mean(source, site, role=Role.AIR, subject=zone.id, grid=recent)
        if np.isfinite(air_c).any():
            course_c = _course_c(source, site, zone, model, recent)
            carried_c = _carried_c(model, air_c, course_c, recent, to_s=grid.start_s)
            past = Grid.before(grid.start_s, span_s=PAST_S, step_s=grid.step_s)
            return ZoneStart(carried_c, np.nan_to_num(zone_heat_w(source, site, zone, past)))
    raise PlanningError(
        f"no room air of zone {zone.id} in the last {OLDEST_AIR_S / 3600:.0f} hours; "
        "a plan needs one good reading"
    )


def full_output_w(source: Source, site: Site, heater: Heater, *, now_s: float) -> float:
    """What the heater gives when on [W]: as metered of late where it is, else its rating."""
    if not any(s.role is Role.POWER and s.subject == heater.id for s in site.sensors):
        return heater.rating_w
    recent = Grid.before(now_s, span_s=OUTPUT_S, step_s=STEP_S)
    metered_w = role_mean(source, site, role=Role.POWER, subject=heater.id, grid=recent)
    full = heater_duty(source, heater.id, recent) >= 1.0
    settled = full & np.append(False, full[:-1]) & np.isfinite(metered_w)
    if settled.sum() < LEAST_OUTPUT_SLOTS:
        return heater.rating_w
    mean_w = float(metered_w[settled].mean())
    return mean_w if mean_w > 0.1 * heater.rating_w else heater.rating_w


def outdoor_by_balance(
    source: Source, site: Site, zone: Zone, model: FirstOrder, *, now_s: float
) -> tuple[float, float]:
    """Outdoor level that explains the zone's own last days, and its standard deviation [°C], [K].

    The response integrated over the days: mean air + tau x rise / time = outdoors + offset +
    gain x mean heat. It is all there is without an outdoor sensor.
    """
    days = Grid.before(now_s, span_s=BALANCE_S, step_s=STEP_S)
    air_c = role_mean(source, site, role=Role.AIR, subject=zone.id, grid=days)
    known = np.flatnonzero(np.isfinite(air_c))
    span_s = (known[-1] - known[0]) * STEP_S if known.size else 0.0
    if span_s < 86400.0:
        return NO_BALANCE_C, NO_BALANCE_SD_K
    heat_w = np.nan_to_num(zone_heat_w(source, site, zone, days))[known[0] : known[-1] + 1]
    rise_k = (air_c[known[-1]] - air_c[known[0]]) * model.time_constant_s / span_s
    lifted_k = model.offset_k + model.gain_k_per_w * heat_w.mean()
    return float(np.nanmean(air_c) + rise_k - lifted_k), BALANCE_SD_K


def _carried_c(
    model: FirstOrder, air_c: FloatArray, course_c: FloatArray, recent: Grid, *, to_s: float
) -> float:
    """Median over readings of what each says of room air at ``to_s`` [°C].

    A course from any start, run under the known heat and weather, differs from the true one by
    an amount that decays with the time constant: so each reading corrects it.
    """
    known = np.isfinite(air_c)
    middles_c = 0.5 * (course_c[1:] + course_c[:-1])
    decay = np.exp((recent.middles_s() - to_s) / model.time_constant_s)
    there_c = float(np.interp(to_s, recent.edges_s(), course_c))
    return there_c + float(np.median(((air_c - middles_c) * decay)[known]))


def _course_c(
    source: Source, site: Site, zone: Zone, model: FirstOrder, recent: Grid
) -> FloatArray:
    """Modelled room air at the slot borders of ``recent``, from an arbitrary start [°C]."""
    before = Grid.before(recent.end_s, span_s=PAST_S + recent.count * STEP_S, step_s=STEP_S)
    heat_w = np.nan_to_num(zone_heat_w(source, site, zone, before))
    outdoor_c = role_mean(source, site, role=Role.OUTDOOR, subject=OUTDOOR, grid=recent)
    sun_w_m2 = role_mean(source, site, role=Role.IRRADIANCE, subject=OUTDOOR, grid=recent)
    seen = np.isfinite(outdoor_c)
    usual_c = float(np.median(outdoor_c[seen])) if seen.any() else NO_BALANCE_C
    weather = Weather(
        outdoor_c=np.where(seen, outdoor_c, usual_c),
        outdoor_sd_k=np.zeros(recent.count),
        sun_w_m2=np.nan_to_num(sun_w_m2),
        sun_sd_w_m2=np.zeros(recent.count),
    )
    heat = Heat(heat_w[: -recent.count], heat_w[-recent.count :], STEP_S)
    return air_paths([model], start_c=usual_c, heat=heat, weather=weather)[:, 0]
