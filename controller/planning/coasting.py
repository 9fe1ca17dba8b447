"""If the heater stopped now: how warm a room still gets, and when it has cooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.history import Grid, Source
from controller.planning.network_parameters import known_network
from controller.planning.outlook import Weather, weather_ahead, weather_from_room
from controller.planning.parameters import set_in_force
from controller.planning.start import NO_BALANCE_C, NO_BALANCE_SD_K
from controller.planning.zone_state import on_zone, zone_state
from controller.records.plan import ParameterSet
from controller.records.sessions import Session
from controller.records.site import Site, Zone
from models.coast import Coast, coast
from models.network_outlook import Outlook, drawn_air
from models.thermal_network import ROOM

AHEAD_S = 3 * 86400.0
"""How far ahead is looked [s]."""
SLOT_S = 900.0
LEVELS = (0.1, 0.5, 0.9)
"""Quantiles told: the middle, and the bounds of the 80 % interval."""
_REPEATS = 8
"""Paths drawn for each drawn network: state, weather and unseen heat differ in each."""


@dataclass(frozen=True, slots=True)
class Coasting:
    """Quantiles over drawn paths, each of its own; times in seconds from now."""

    low: Coast
    middle: Coast
    high: Coast


def coasting(
    source: Source,
    site: Site,
    zone: Zone,
    parameter_sets: tuple[ParameterSet, ...],
    *,
    now_s: float,
    floor_c: float,
    sessions: Sequence[Session] = (),
) -> Coasting:
    """Tell a zone's coast from its readings up to now.

    Parameters
    ----------
    source : Source
    site : Site
    zone : Zone
    parameter_sets : tuple of ParameterSet
        Those in force.
    now_s : float
        UTC seconds.
    floor_c : float
        The temperature whose undercutting is asked about [°C].
    sessions : sequence of Session
        Of the days around: people give heat too.

    Raises
    ------
    PlanningError
        Where there is no room air of the last hours.
    """
    grid = Grid(now_s, SLOT_S, round(AHEAD_S / SLOT_S))
    known = known_network(site, zone, set_in_force(zone, parameter_sets))
    state = zone_state(source, site, zone, known, at_s=now_s, sessions=sessions)
    weather = weather_ahead(source, site, now_s=now_s, grid=grid) or weather_from_room(
        NO_BALANCE_C, NO_BALANCE_SD_K, grid
    )
    paths_c = drawn_air(
        state.networks[1:] * _REPEATS,
        state.states[1:] * _REPEATS,
        known.noise,
        _without_heat(
            on_zone(weather, site, zone, grid, sessions=sessions, air_c=float(state.x[ROOM])), grid
        ),
        seed=int(grid.count),
    )
    coasts = [coast(path, floor_c=floor_c, slot_s=SLOT_S) for path in paths_c]
    numbers = np.array([(each.peak_c, each.peak_s, each.below_s) for each in coasts])
    # "never falls" has no mean with a time: quantiles are values of paths
    low, middle, high = np.quantile(numbers, LEVELS, axis=0, method="inverted_cdf").tolist()
    return Coasting(Coast(*low), Coast(*middle), Coast(*high))


def _without_heat(weather: Weather, grid: Grid) -> Outlook:
    return Outlook(
        step_s=grid.step_s,
        heat_w=np.zeros(grid.count),
        outdoor_c=weather.outdoor_c,
        sun_w_m2=weather.sun_w_m2,
        outdoor_sd_k=weather.outdoor_sd_k,
        sun_sd_w_m2=weather.sun_sd_w_m2,
        occupied=weather.occupied,
        draught_k=weather.draught_k,
    )
