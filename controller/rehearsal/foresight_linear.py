"""The simulated workshop as a linear network around a mean winter's working point.

What is not linear in it, convection off the floor and air exchange, enters by its tangent at the
point where the season's mean weather and a room at `WORKING_AIR_C` balance. The pump is taken to
run: that is when heat is given, and a still loop hardly matters to the room.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from controller.rehearsal.structure import ZoneNodes
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.surroundings import Day
from controller.rehearsal.workshop import (
    GAIN_SHARES,
    SUN_SHARES,
    Workshop,
    air_exchange_w_k,
    extra_convection_w,
)

Floats = NDArray[np.float64]

WORKING_AIR_C = 15.0
"""Room air of the working point [°C]: between frost protection and a session's target."""
_PASSES = 4
"""The point moves the tangents and they move the point; each pass leaves under a tenth of it."""
_NUDGE_K = 0.5


@dataclass(frozen=True, slots=True)
class Climate:
    """Means over a season, zones in the structure's order.

    Attributes
    ----------
    outdoor_c, wind_m_s : float
    sun_m2 : tuple of float
        Heat through the glass of each zone for each W/m2 on the level [m2].
    gains_w, door : tuple of float
        Heat of people and tools [W], and share of time and opening of the door [-].
    """

    outdoor_c: float
    wind_m_s: float
    sun_m2: tuple[float, ...]
    gains_w: tuple[float, ...]
    door: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """C dT/dt = K T + heat_w P + outdoor_w_k Te + sun_m2 I + constant_w for n nodes.

    Attributes
    ----------
    capacities_j_k : array, shape (n,)
    conductances_w_k : array, shape (n, n)
    heat, outdoor_w_k, sun_m2, constant_w : array, shape (n,)
        For heat of the element [W], outdoor air [°C], irradiance on the level [W/m2], and one.
    """

    capacities_j_k: Floats
    conductances_w_k: Floats
    heat: Floats
    outdoor_w_k: Floats
    sun_m2: Floats
    constant_w: Floats

    def steady_c(self, *, heat_w: float, outdoor_c: float) -> Floats:
        """Temperatures that constant heat leads to without sun, shape (n,) [°C]."""
        given = self.heat * heat_w + self.outdoor_w_k * outdoor_c + self.constant_w
        return np.asarray(np.linalg.solve(self.conductances_w_k, -given))


def climate(workshop: Workshop, *, start_s: float, end_s: float) -> Climate:
    """Means of what acts on a workshop over the UTC days of a span.

    Raises
    ------
    WeatherError
        Where the weather does not hold them.
    """
    numbers = range(int(start_s // DAY_S), int(-(-end_s // DAY_S)))
    days = [workshop.surroundings.day(number) for number in numbers]
    irradiance = _mean([day.irradiance_w_m2 for day in days])
    count = len(days[0].zones)
    sun_w = _each_zone(days, count, lambda day, z: day.zones[z].sun_w)
    return Climate(
        outdoor_c=_mean([day.outdoor_c for day in days]),
        wind_m_s=_mean([day.wind_m_s for day in days]),
        sun_m2=tuple(w / irradiance if irradiance > 0 else 0.0 for w in sun_w),
        gains_w=_each_zone(days, count, lambda day, z: day.zones[z].gains_w),
        door=_each_zone(days, count, lambda day, z: day.zones[z].door),
    )


def _mean(days: list[list[float]]) -> float:
    return float(np.mean(days))


def _each_zone(
    days: list[Day], count: int, course: Callable[[Day, int], list[float]]
) -> tuple[float, ...]:
    return tuple(_mean([course(day, zone) for day in days]) for zone in range(count))


def linearised(workshop: Workshop, weather: Climate) -> Linear:
    """A workshop's network with the tangents of all that is not linear in it.

    People, tools and doors are in it with their means.
    """
    found = _network(workshop, weather)
    for _ in range(_PASSES):
        lift = found.steady_c(heat_w=1.0, outdoor_c=weather.outdoor_c)
        cold = found.steady_c(heat_w=0.0, outdoor_c=weather.outdoor_c)
        airs = [nodes.air for nodes in workshop.structure.zones]
        heat_w = float(np.mean((WORKING_AIR_C - cold[airs]) / (lift - cold)[airs]))
        point = cold + max(heat_w, 0.0) * (lift - cold)
        found = _with_tangents(workshop, weather, point)
    return found


def _network(workshop: Workshop, weather: Climate) -> Linear:
    """The network with constant gains, its air exchange and extra convection left out."""
    structure = workshop.structure
    parts = structure.network.matrices(flowing=True)
    sun, constant = parts.inputs[:, 2].copy(), parts.inputs[:, 1] * workshop.deep_soil_c
    for number, nodes in enumerate(structure.zones):
        places = (nodes.air, nodes.surface, nodes.lining)
        for place, sun_share, gain_share in zip(places, SUN_SHARES, GAIN_SHARES, strict=True):
            sun[place] += sun_share * weather.sun_m2[number]
            constant[place] += gain_share * weather.gains_w[number]
    return Linear(
        capacities_j_k=np.array(structure.network.capacities_j_k),
        conductances_w_k=parts.conductances.copy(),
        heat=parts.inputs[:, structure.element_input].copy(),
        outdoor_w_k=parts.inputs[:, 0].copy(),
        sun_m2=sun,
        constant_w=constant,
    )


def _with_tangents(workshop: Workshop, weather: Climate, point_c: Floats) -> Linear:
    found = _network(workshop, weather)
    for number, nodes in enumerate(workshop.structure.zones):
        air, surface = nodes.air, nodes.surface
        rise_k = float(point_c[surface] - point_c[air])
        convection = _tangent(partial(extra_convection_w, nodes), rise_k)
        _couple(found, surface, air, convection)
        inside_k = float(point_c[air]) - weather.outdoor_c
        leaving = _tangent(_leaving_w(nodes, weather, weather.door[number]), inside_k)
        found.conductances_w_k[air, air] -= leaving[1]
        found.outdoor_w_k[air] += leaving[1]
        found.constant_w[air] -= leaving[0]
    return found


def _leaving_w(nodes: ZoneNodes, weather: Climate, door: float) -> Callable[[float], float]:
    """Heat that air exchange carries out at mean wind, by how much warmer it is inside."""

    def leaving_w(inside_k: float) -> float:
        exchange = air_exchange_w_k(nodes, inside_k=inside_k, wind_m_s=weather.wind_m_s, door=door)
        return exchange * inside_k

    return leaving_w


def _tangent(flow_w: Callable[[float], float], at_k: float) -> tuple[float, float]:
    """Offset [W] and slope [W/K] of a flow at a difference of temperatures."""
    slope = (flow_w(at_k + _NUDGE_K) - flow_w(at_k - _NUDGE_K)) / (2 * _NUDGE_K)
    return flow_w(at_k) - slope * at_k, slope


def _couple(linear: Linear, warm: int, cool: int, flow: tuple[float, float]) -> None:
    """Let a flow with an offset and a slope run from one node to another."""
    offset_w, slope_w_k = flow
    for node, sign in ((warm, 1.0), (cool, -1.0)):
        linear.conductances_w_k[node, warm] -= sign * slope_w_k
        linear.conductances_w_k[node, cool] += sign * slope_w_k
        linear.constant_w[node] -= sign * offset_w


@dataclass(frozen=True, slots=True, eq=False)
class Boiler:
    """What the boiler's thermostat lets through: P <= (supply - row @ T) conductance_w_k.

    Fluid and boiler hold little heat and are taken to be in balance with what they touch.

    Attributes
    ----------
    row : array, shape (n,)
        Temperature against which the boiler heats, of all nodes; 0 for fluid and boiler.
    conductance_w_k : float
    """

    row: Floats
    conductance_w_k: float


def boiler_of(workshop: Workshop, linear: Linear) -> Boiler:
    """The boiler's output against the nodes that it heats."""
    structure = workshop.structure
    wet = np.array([structure.boiler, *structure.fluid])
    dry = np.setdiff1d(np.arange(len(linear.capacities_j_k)), wet)
    inverse = np.linalg.inv(linear.conductances_w_k[np.ix_(wet, wet)])
    row = np.zeros(len(linear.capacities_j_k))
    row[dry] = (-inverse @ linear.conductances_w_k[np.ix_(wet, dry)])[0]
    return Boiler(row, float(-1.0 / inverse[0, 0]))
