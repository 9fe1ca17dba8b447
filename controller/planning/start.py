"""What planning begins with: the heater's output, and outdoor air where nothing measures it."""

from __future__ import annotations

import numpy as np

from controller.planning.history import (
    STEP_S,
    Grid,
    Source,
    heater_duty,
    role_mean,
    zone_heat_w,
)
from controller.records.site import Heater, Role, Site, Zone
from models.first_order import FirstOrder

PAST_S = 12 * 3600.0
"""Heat looked back on: what was given before has mostly arrived [s]."""
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
