"""The simulated workshop's own model for a controller: linear, with few states, all of them warm.

A controller that holds it differs from one that has to learn by what learning costs alone. Few
nodes of the network are kept; the others pass heat on at once and lend their capacity to those they
are coupled to. That keeps all steady states, and a matrix in which nothing that is heated cools
anything. Which nodes are kept is found by trial: those that best keep the room's response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from controller.rehearsal.foresight_linear import (
    Climate,
    Linear,
    boiler_of,
    climate,
    linearised,
)
from controller.rehearsal.runner import Span
from controller.rehearsal.structure import Structure, ZoneNodes
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.workshop import (
    GAIN_SHARES,
    SUN_SHARES,
    Workshop,
    air_exchange_w_k,
)
from models.heated_room import SupplyLimit
from models.thermal_network import Discrete

Floats = NDArray[np.float64]

MASSES = 7
"""Nodes kept: with more the prediction hardly gains."""
UNSEEN_S = 6 * 3600.0
"""Time in which unseen heat (people, tools, sun not on the level) fades to 37 % [s]."""
_STRAY_K_SQRT_H = 0.05
"""What each mass strays by in an hour, for wind, doors and what is not linear; chosen here."""
_HORIZON_H = 72
_TRIAL_HEAT_W_M2, _TRIAL_OUTDOOR_K, _TRIAL_SUN_W_M2 = 50.0, 5.0, 100.0
"""Sizes of the steps at which responses are compared: what a winter's day does."""
_SLAB_WEIGHT = 0.3
"""Weight of the slab's error beside the room's."""


@dataclass(frozen=True, slots=True, eq=False)
class TrueModel:
    """The workshop's model. States are temperatures of the kept nodes [°C], then unseen heat [W].

    Attributes
    ----------
    step : Discrete
    added : array, shape (n, n)
        Covariance of what a step adds to the state.
    supply : SupplyLimit
        What the boiler's own thermostat lets through.
    surface_row : array, shape (n,)
        The floor's surface is ``surface_row @ x`` [°C].
    glass, room : array, shape (n,)
        What a watt through the glass, and one into the room's air, does in a step.
    weather : Climate
        The means at which the model is linear.
    nodes : tuple of int
        Places of the kept nodes in the network.
    """

    step: Discrete
    added: Floats
    supply: SupplyLimit
    surface_row: Floats
    glass: Floats
    room: Floats
    weather: Climate
    nodes: tuple[int, ...]


def true_model(workshop: Workshop, *, span: Span, step_s: float, masses: int = MASSES) -> TrueModel:
    """The linear model of a workshop with one zone, at the mean of a span's weather.

    Parameters
    ----------
    workshop : Workshop
    span : Span
        Its UTC days give the mean weather, the sun through the glass and people's mean heat.
    step_s : float
        Length of a step [s].
    masses : int
        How many nodes are kept, at least the four of air, floor surface, slab core and tubes.

    Raises
    ------
    ValueError
        Where there are several zones or fewer masses than that.
    WeatherError
        Where the weather does not hold the span.
    """
    structure = workshop.structure
    if len(structure.zones) != 1:
        raise ValueError(f"a true model is of one zone, not of {len(structure.zones)}")
    weather = climate(workshop, start_s=span.start_s, end_s=span.end_s)
    linear = linearised(workshop, weather)
    small = _kept(linear, _chosen(linear, structure, masses))
    boiler = boiler_of(workshop, linear)
    zone = structure.zones[0]
    step, glass, room = _discrete(small, zone, step_s)
    return TrueModel(
        step=step,
        added=_added(len(small.nodes), _unseen_sd_w(workshop, weather, span), step_s),
        supply=SupplyLimit(
            row=np.append(boiler.row[list(small.nodes)], 0.0),
            conductance_w_k=boiler.conductance_w_k,
            supply_c=workshop.heater.supply_limit_c,
        ),
        surface_row=small.unit(zone.surface),
        glass=glass,
        room=room,
        weather=weather,
        nodes=small.nodes,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Small:
    """A network of few nodes: as `Linear`, with columns for heat, outdoor air, sun and one.

    ``spread`` (k, n) says how heat in any node of the whole network divides on the kept ones.
    """

    nodes: tuple[int, ...]
    capacities_j_k: Floats
    conductances_w_k: Floats
    inputs: Floats
    spread: Floats

    def unit(self, node: int) -> Floats:
        """The row that tells a kept node's temperature from a state."""
        row = np.zeros(len(self.nodes) + 1)
        row[self.nodes.index(node)] = 1.0
        return row

    def rates(self, driven_w: Floats) -> Floats:
        """System matrix with these inputs (k, m) held: shape (k + m, k + m) [1/s]."""
        size = len(self.nodes)
        whole = np.zeros((size + driven_w.shape[1],) * 2)
        whole[:size] = np.hstack((self.conductances_w_k, driven_w)) / self.capacities_j_k[:, None]
        return whole


def _inputs(linear: Linear) -> Floats:
    columns = (linear.heat, linear.outdoor_w_k, linear.sun_m2, linear.constant_w)
    return np.stack(columns, axis=1)


def _kept(linear: Linear, nodes: Sequence[int]) -> _Small:
    """Leave all but some nodes out of a network; its steady states stay what they are.

    Notes
    -----
    With the left-out nodes in balance, T_e = W T_k + ..., W = -K_ee^-1 K_ek, none of it below 0,
    what they give is that of K_kk + K_ke W (static condensation). Their capacity goes to the kept
    ones by the heat that these would get of it, times how far they follow.
    """
    kept = np.array(sorted(nodes))
    rest = np.setdiff1d(np.arange(len(linear.capacities_j_k)), kept)
    matrix = linear.conductances_w_k
    inverse = np.linalg.inv(matrix[np.ix_(rest, rest)])
    follow = -inverse @ matrix[np.ix_(rest, kept)]
    spread = np.zeros((len(kept), len(matrix)))
    spread[:, kept] = np.eye(len(kept))
    spread[:, rest] = -matrix[np.ix_(kept, rest)] @ inverse
    lent = spread[:, rest] @ (linear.capacities_j_k[rest] * follow.sum(axis=1))
    return _Small(
        nodes=tuple(int(node) for node in kept),
        capacities_j_k=linear.capacities_j_k[kept] + lent,
        conductances_w_k=matrix[np.ix_(kept, kept)] + matrix[np.ix_(kept, rest)] @ follow,
        inputs=spread @ _inputs(linear),
        spread=spread,
    )


def _chosen(linear: Linear, structure: Structure, masses: int) -> list[int]:
    """The nodes that keep the response of room and slab best, each chosen after those before."""
    zone = structure.zones[0]
    shown = [zone.air, zone.slab_core]
    nodes = list(dict.fromkeys((*shown, zone.surface, zone.tube_plane)))
    if masses < len(nodes):
        raise ValueError(f"{masses} masses are too few: {len(nodes)} are needed")
    sizes = (_TRIAL_HEAT_W_M2 * zone.zone.floor.area_m2, _TRIAL_OUTDOOR_K, _TRIAL_SUN_W_M2)
    everything = _kept(linear, range(len(linear.capacities_j_k)))
    true = _responses(everything, shown, sizes)
    wet = {structure.boiler, *structure.fluid}
    others = [n for n in range(len(linear.capacities_j_k)) if n not in wet and n not in nodes]

    def error(node: int) -> float:
        apart = _responses(_kept(linear, [*nodes, node]), shown, sizes) - true
        return float((apart**2).mean(axis=(0, 1)) @ (1.0, _SLAB_WEIGHT))

    while len(nodes) < masses:
        nodes.append(min((n for n in others if n not in nodes), key=error))
    return nodes


def _responses(small: _Small, shown: Sequence[int], sizes: Sequence[float]) -> Floats:
    """Hour by hour after steps of heat, outdoor air and sun: shape (hours, 3, shown) [K]."""
    size = len(small.nodes)
    step = expm(small.rates(small.inputs[:, :3] * np.array(sizes)) * 3600.0)
    states = np.vstack((np.zeros((size, 3)), np.eye(3)))
    places = [small.nodes.index(node) for node in shown]
    found = np.empty((_HORIZON_H, 3, len(shown)))
    for hour in range(_HORIZON_H):
        states = step @ states
        found[hour] = states[places].T
    return found


def _discrete(small: _Small, zone: ZoneNodes, step_s: float) -> tuple[Discrete, Floats, Floats]:
    """The exact step for inputs held over it, and what a watt through the glass and in the air do.

    Unseen heat is the last state, and fades.
    """
    shares = np.zeros((small.spread.shape[1], 3))
    places = [zone.air, zone.surface, zone.lining]
    shares[places] = np.column_stack((GAIN_SHARES, SUN_SHARES, (1.0, 0.0, 0.0)))
    unseen_glass_room = small.spread @ shares
    states = len(small.nodes) + 1
    rates = small.rates(
        np.hstack((unseen_glass_room[:, :1], small.inputs, unseen_glass_room[:, 1:]))
    )
    rates[states - 1, states - 1] = -1.0 / UNSEEN_S
    whole = expm(rates * step_s)[:states]
    *given, glass, room = whole[:, states:].T
    neither = np.zeros(states)  # people and wind come from `driven_k`
    step = Discrete(
        a=whole[:, :states],
        drive=np.column_stack((*given, neither, neither)),
        c_air=small.unit(zone.air),
        c_slab=small.unit(zone.slab_core),
        slab_heat_k_w=0.0,
    )
    return step, glass, room


def driven_k(
    model: TrueModel,
    workshop: Workshop,
    times_s: Floats,
    *,
    outdoor_c: Floats,
    irradiance_w_m2: Floats,
    wind_m_s: Floats,
    air_c: Floats,
) -> Floats:
    """What weather does to the state in each step, drift included, shape (N, n).

    It knows two things more than the model's ``b_outdoor`` and ``b_sun``: from where the sun
    shines on the glass, and what wind the gaps let through.

    Parameters
    ----------
    model : TrueModel
    workshop : Workshop
        For which it was made.
    times_s : array, shape (N,)
        Middle of each step [UTC s], ascending.
    outdoor_c, irradiance_w_m2, wind_m_s : array, shape (N,)
        Means over each step.
    air_c : array, shape (N,)
        Room air as far as it is known ahead, for the wind alone; a guess will do.
    """
    step, weather = model.step, model.weather
    (nodes,) = workshop.structure.zones
    glass_w = workshop.surroundings.through_glass_w(nodes.zone, times_s, irradiance_w_m2)
    on_walls = step.b_sun - weather.sun_m2[0] * model.glass
    gusts_w = np.array(
        [
            _gust_w(nodes, inside_k, wind=wind, mean_wind=weather.wind_m_s)
            for inside_k, wind in zip((air_c - outdoor_c).tolist(), wind_m_s.tolist(), strict=True)
        ]
    )
    driven: Floats = (
        step.drift
        + np.outer(outdoor_c, step.b_outdoor)
        + np.outer(irradiance_w_m2, on_walls)
        + np.outer(glass_w, model.glass)
        + np.outer(gusts_w, model.room)
    )
    return driven


def _gust_w(nodes: ZoneNodes, inside_k: float, *, wind: float, mean_wind: float) -> float:
    """Heat that a wind lets in beyond the mean wind, so much warmer as it is inside [W]."""
    real, mean = (
        air_exchange_w_k(nodes, inside_k=inside_k, wind_m_s=speed, door=0.0)
        for speed in (wind, mean_wind)
    )
    return (mean - real) * inside_k


def _unseen_sd_w(workshop: Workshop, weather: Climate, span: Span) -> float:
    """Standard deviation of the hourly heat that the model does not know of [W]."""
    unseen = []
    for number in range(int(span.start_s // DAY_S), math.ceil(span.end_s / DAY_S)):
        day = workshop.surroundings.day(number)
        (zone,) = day.zones
        expected_w = weather.sun_m2[0] * np.array(day.irradiance_w_m2) + weather.gains_w[0]
        unseen.append(np.array(zone.sun_w) + np.array(zone.gains_w) - expected_w)
    return float(np.concatenate(unseen).reshape(-1, 60).mean(axis=1).std())


def _added(masses: int, unseen_sd_w: float, step_s: float) -> Floats:
    stray = np.full(masses, _STRAY_K_SQRT_H**2 * step_s / 3600.0)
    renewed = unseen_sd_w**2 * (1.0 - math.exp(-2.0 * step_s / UNSEEN_S))
    return np.diag(np.append(stray, renewed))
