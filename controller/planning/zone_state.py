"""Where a zone stands now and how far its air may be off later: networks, states, spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from controller.planning.acting import occupied, with_acting
from controller.planning.describe import zone_sun_w_m2
from controller.planning.history import STEP_S, FloatArray, Grid, Source, role_mean, zone_series
from controller.planning.network_parameters import Known
from controller.planning.outlook import Weather
from controller.planning.start import NO_BALANCE_C, OLDEST_AIR_S, PlanningError
from controller.records.sessions import Session
from controller.records.site import Role, Site, Zone
from models.draught import draught_k
from models.heated_room import recurrence
from models.network_prior import draw_networks
from models.observer import Observed, observe_all, step_covariance
from models.series import Series
from models.thermal_network import Discrete, Network, discrete

OBSERVED_S = 2 * 86400.0
"""Readings that tell where a zone stands [s]: beyond it, slab and room have forgotten."""
LEAST_SAMPLES = 24
"""Samples of room air that the observer smooths over and steps through."""
HOLE_S = 6 * 3600.0
"""After so long without room air the observer begins anew: nothing is sure of the heat that was
given meanwhile, and a room that is led through by guesses comes out colder than it is [s]."""
DRAWS = 24
SEED = 20_011
"""Networks drawn for what their parameters leave open: the same ones in every plan."""
SUN_MEMORY_S = 12 * 3600.0
"""Time over which errors of the sun ahead keep their sign (chosen here, no source) [s]."""
SENSOR_SD_K = 0.15
"""How far an air sensor's own offset and place may be off the room (chosen here, no source) [K]."""


@dataclass(frozen=True, slots=True, eq=False)
class ZoneState:
    """The most probable network and drawn ones, each with its state at the first slot."""

    known: Known
    networks: tuple[Network, ...]
    states: tuple[Observed, ...]

    @property
    def network(self) -> Network:
        """The most probable network."""
        return self.networks[0]

    @property
    def x(self) -> FloatArray:
        """Its state: masses [°C], then unseen heat [W]."""
        return self.states[0].x


def zone_state(
    source: Source,
    site: Site,
    zone: Zone,
    known: Known,
    *,
    at_s: float,
    sessions: Sequence[Session] = (),
) -> ZoneState:
    """Observe a zone's networks up to ``at_s``; ``sessions`` tell when people were in.

    Raises
    ------
    PlanningError
        Where there is no room air of the last hours.
    """
    latest_c = _latest_air_c(source, site, zone, until_s=at_s)
    if not math.isfinite(latest_c):
        raise PlanningError(
            f"no room air of zone {zone.id} in the last {OLDEST_AIR_S / 3600:.0f} hours; "
            "a plan needs one good reading"
        )
    grid = Grid.before(at_s, span_s=OBSERVED_S, step_s=STEP_S)
    measured = with_acting(zone_series(source, site, zone, grid), source, site, zone, sessions)
    series = _filled(_in_one_piece(measured), latest_c)
    networks = (known.network, *draw_networks(known.belief, DRAWS, SEED))
    return ZoneState(known, networks, tuple(observe_all(networks, series, known.noise)))


def has_air(source: Source, site: Site, zone: Zone, *, until_s: float) -> bool:
    """Whether any room air of a zone is known of the hours before."""
    return math.isfinite(_latest_air_c(source, site, zone, until_s=until_s))


def _latest_air_c(source: Source, site: Site, zone: Zone, *, until_s: float) -> float:
    """The latest room air of the hours before [°C]; NaN where none is known."""
    recent = Grid.before(until_s, span_s=OLDEST_AIR_S, step_s=STEP_S)
    air_c = role_mean(source, site, role=Role.AIR, subject=zone.id, grid=recent)
    known = air_c[np.isfinite(air_c)]
    return float(known[-1]) if len(known) else math.nan


def _in_one_piece(series: Series) -> Series:
    """The end of a series, from the first room air after the last long hole on.

    At least `LEAST_SAMPLES` of it; what was read before the hole does not count there.
    """
    known = np.flatnonzero(np.isfinite(series.air_c))
    if known.size == 0:
        return series.part(len(series.air_c) - LEAST_SAMPLES, len(series.air_c))
    holes = np.flatnonzero(np.diff(known) * series.step_s > HOLE_S)
    first = int(known[holes[-1] + 1]) if holes.size else int(known[0])
    return series.part(min(first, len(series.air_c) - LEAST_SAMPLES), len(series.air_c))


def _filled(series: Series, latest_c: float) -> Series:
    """Outdoor air, sun and heat without holes: the observer's unseen heat takes up what is wrong.

    Where readings have only just begun, they are taken to have been so for a while.
    """
    return replace(
        series,
        air_c=_lengthened(series.air_c, latest_c),
        outdoor_c=_bridged(series.outdoor_c, NO_BALANCE_C),
        power_w=np.nan_to_num(series.power_w),
        sun_w_m2=_bridged(series.sun_w_m2, 0.0),
    )


def _bridged(values: FloatArray, otherwise: float) -> FloatArray:
    """Values with every hole filled from its two ends; ``otherwise`` where nothing is known."""
    known, index = np.isfinite(values), np.arange(len(values))
    if not known.any():
        return np.full(len(values), otherwise)
    return np.interp(index, index[known], values[known])


def _lengthened(air_c: FloatArray, latest_c: float) -> FloatArray:
    """Room air of which fewer than `LEAST_SAMPLES` are known, held over as many at the end."""
    known = np.flatnonzero(np.isfinite(air_c))
    if len(known) >= LEAST_SAMPLES:
        return air_c
    held = air_c.copy()
    held[-LEAST_SAMPLES:] = np.median(air_c[known]) if len(known) else latest_c
    return held


def disturbances_k(steps: Sequence[Discrete], weather: Weather) -> FloatArray:
    """What adds to each network's states in each slot but heat, shape (networks, slots, n)."""
    given = (0.0, weather.outdoor_c, weather.sun_w_m2, 1.0, weather.occupied, weather.draught_k)
    inputs = np.stack([np.broadcast_to(each, weather.outdoor_c.shape) for each in given])
    return np.stack([(step.drive @ inputs).T for step in steps])


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Standard deviations of room air at the slot borders, shape (slots + 1,) [K].

    ``parameters_k`` is what the network's parameters leave open, ``rest_k`` everything else:
    present state, unseen heat, the weather ahead.
    """

    parameters_k: FloatArray
    rest_k: FloatArray

    @property
    def all_k(self) -> FloatArray:
        """Both together."""
        return np.asarray(np.hypot(self.parameters_k, self.rest_k))


def spread_ahead(state: ZoneState, coarse: HasWeather, heat_w: FloatArray, grid: Grid) -> Spread:
    """How far room air may be off at each border of a grid if this heat is given and nothing else.

    ``coarse`` holds grid and weather of longer slots from the same start, ``heat_w`` their heat.
    """
    ahead_s = coarse.grid.edges_s() - coarse.grid.start_s
    own_k, weather_k = _own_and_weather_k(state, coarse.weather, coarse.grid.step_s)
    shown_k = np.maximum(own_k, _shown_k(state.known, ahead_s))
    rest_k = np.sqrt(shown_k**2 + weather_k**2 + SENSOR_SD_K**2)
    parameters_k = _parameters_k(state, coarse.weather, heat_w, coarse.grid.step_s)
    edges_s, knots_s = grid.edges_s(), coarse.grid.edges_s()
    return Spread(np.interp(edges_s, knots_s, parameters_k), np.interp(edges_s, knots_s, rest_k))


class HasWeather(Protocol):
    """Slots and the weather on them."""

    @property
    def grid(self) -> Grid:
        """The slots."""
        ...

    @property
    def weather(self) -> Weather:
        """What is ahead on them."""
        ...


def on_zone(
    weather: Weather,
    site: Site,
    zone: Zone,
    grid: Grid,
    *,
    sessions: Sequence[Session] = (),
    air_c: float,
) -> Weather:
    """What is ahead of a zone: the sun as it stands on its panes, people, the wind in its leaks.

    ``air_c`` is the room air that the leaks are first taken to let out.
    """
    middles_s = grid.middles_s()
    sun_w_m2 = zone_sun_w_m2(site, zone, weather.sun_w_m2, middles_s)
    # the error goes with the sun: a cloud takes as much of either
    share = np.divide(
        sun_w_m2, weather.sun_w_m2, out=np.ones(grid.count), where=weather.sun_w_m2 > 1.0
    )
    alike = replace(
        weather,
        sun_w_m2=sun_w_m2,
        sun_sd_w_m2=share * weather.sun_sd_w_m2,
        occupied=occupied(sessions, zone, grid),
    )
    return with_room_at(alike, np.full(grid.count, air_c))


def with_room_at(weather: Weather, air_c: FloatArray) -> Weather:
    """The same with what the wind carries out of a room this warm, shape (slots,) [°C]."""
    leaks_k = draught_k(weather.wind_m_s, outdoor_c=weather.outdoor_c, air_c=air_c)
    return replace(weather, draught_k=leaks_k)


def folded(values: FloatArray, fold: int) -> FloatArray:
    """Means over ``fold`` slots each; the last is filled up with its own last value."""
    padded = np.concatenate((values, np.repeat(values[-1:], -len(values) % fold)))
    return np.asarray(padded.reshape(-1, fold).mean(axis=1))


def folded_weather(weather: Weather, fold: int) -> Weather:
    """The same weather on longer slots."""
    return replace(
        weather,
        outdoor_c=folded(weather.outdoor_c, fold),
        outdoor_sd_k=folded(weather.outdoor_sd_k, fold),
        sun_w_m2=folded(weather.sun_w_m2, fold),
        sun_sd_w_m2=folded(weather.sun_sd_w_m2, fold),
        wind_m_s=folded(weather.wind_m_s, fold),
        occupied=folded(weather.occupied, fold),
        draught_k=folded(weather.draught_k, fold),
    )


def _parameters_k(
    state: ZoneState, weather: Weather, heat_w: FloatArray, step_s: float
) -> FloatArray:
    """Root mean square distance of drawn paths from the most probable one, (steps + 1,) [K]."""
    steps = [discrete(network, step_s) for network in state.networks]
    heated = heat_w[:, np.newaxis] * np.stack([s.b_heat for s in steps])[:, np.newaxis, :]
    paths = recurrence(
        np.stack([step.a for step in steps]),
        np.stack([observed.x for observed in state.states]),
        disturbances_k(steps, weather) + heated,
    )
    air_c = paths @ steps[0].c_air
    return np.asarray(np.sqrt(np.mean((air_c[1:] - air_c[0]) ** 2, axis=0)))


def _shown_k(known: Known, ahead_s: FloatArray) -> FloatArray:
    """Errors shown on held-back history at these times ahead [K]; the furthest holds beyond."""
    hours = sorted(known.error_k)
    return np.interp(ahead_s / 3600.0, hours, [known.error_k[hour] for hour in hours])


def _own_and_weather_k(
    state: ZoneState, weather: Weather, step_s: float
) -> tuple[FloatArray, FloatArray]:
    """Standard deviations by state and unseen heat, and by the weather ahead, (steps + 1,) [K].

    The errors of outdoor air and sun ahead fade as first-order processes; they are two states
    more whose effect grows with their standard deviation at each step.
    """
    step = discrete(state.network, step_s)
    added = step_covariance(state.network, state.known.noise, step_s)
    n, count = len(added), len(weather.outdoor_c)
    memory_s = (weather.outdoor_memory_s, SUN_MEMORY_S)
    keep = np.array([math.exp(-step_s / time_s) for time_s in memory_s])
    whole = np.zeros((n + 2, n + 2))
    whole[:n, :n], whole[n:, n:] = step.a, np.diag(keep)
    noise = np.zeros((2, n + 2, n + 2))
    noise[0, :n, :n], noise[1, n:, n:] = added, np.diag(1.0 - keep**2)
    covariance = np.zeros_like(noise)
    covariance[0, :n, :n], covariance[1, n:, n:] = state.states[0].covariance, np.eye(2)
    row = np.concatenate((step.c_air, (0.0, 0.0)))
    variance = np.empty((2, count + 1))
    variance[:, 0] = row @ covariance @ row
    for k in range(count):
        whole[:n, n] = step.b_outdoor * weather.outdoor_sd_k[k]
        whole[:n, n + 1] = step.b_sun * weather.sun_sd_w_m2[k]
        covariance = whole @ covariance @ whole.T + noise
        variance[:, k + 1] = row @ covariance @ row
    own_k, weather_k = np.sqrt(variance)
    return own_k, weather_k
