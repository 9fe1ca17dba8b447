"""The project's own virtual workshop: one heater with its loops, zones, weather and people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from controller.records.sessions import Session
from controller.records.site import Heater, Site
from controller.rehearsal.distortion import as_built
from controller.rehearsal.network import Flow
from controller.rehearsal.sensing import Sensors
from controller.rehearsal.structure import (
    AIR_J_M3K,
    FLOOR_CONVECTION_W_M2K,
    ZoneNodes,
    build,
)
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.surroundings import Day, Surroundings
from controller.rehearsal.weather import Weather

Floats = NDArray[np.float64]

LONGEST_STEP_S = 60.0
_OVERRUN_S = 180.0
_PUMP_W = 45.0
_SENSOR_LAG_S = 240.0
_SETTLING_DAYS = 7
_DEEP_SOIL_ABOVE_WINTER_K = 3.0
"""A winter's mean outdoor temperature lies about this far below the whole year's; from memory."""
_FROST_FREE_C = 7.0
_DOOR_M2, _DOOR_HEIGHT_M = 2.0, 2.1
SUN_SHARES = (0.15, 0.55, 0.30)
GAIN_SHARES = (0.6, 0.0, 0.4)
"""How sun, and people and tools, divide on air, floor surface and lining."""
_COLD_PRESSURE_BAR, _PRESSURE_BAR_K = 1.5, 0.007


class Workshop:
    """A Building: sensors, relay, and the physics between them.

    Parameters
    ----------
    site : Site
        The description as its owner believes it.
    heater : str
        Id of the heater; the workshop holds what it warms.
    weather : Weather
    sessions : sequence of Session
        When people are in.
    start_s : float
        First moment [UTC s].
    seed : int
        Of people, doors, sensors and of how far the description is off.
    spread : float
        The description is off by up to this share [0..0.5].

    Attributes
    ----------
    cold_bar : float
        What the gauge shows with the fluid at 10 °C: it falls as the loop loses water [bar].
    """

    def __init__(
        self,
        site: Site,
        heater: str,
        weather: Weather,
        sessions: Sequence[Session],
        *,
        start_s: float,
        seed: int,
        spread: float,
    ) -> None:
        true_site = as_built(site, seed=seed, spread=spread)
        self.heater: Heater = true_site.heater(heater)
        self.structure = build(true_site, self.heater)
        self._weather = weather
        zones = [nodes.zone for nodes in self.structure.zones]
        self._surroundings = Surroundings(weather, zones, sessions, seed=seed)
        self._sensors = Sensors(seed=seed)
        self._steps: dict[tuple[float, Flow], Floats] = {}
        self._open_loops: frozenset[str] | None = None
        self._pump_runs: bool | None = None
        self._now_s = start_s
        self._day_number = -1
        self._day: Day | None = None
        self._begin()

    def _begin(self) -> None:
        """Start settled to the mean weather of the days that follow, and kept from frost."""
        net = self.structure.network
        self._count = len(net.names)
        self._state = np.zeros(self._count + len(net.inputs))
        self._deep_soil_c = self._weather.mean_outdoor_c() + _DEEP_SOIL_ABOVE_WINTER_K
        around_s = self._now_s + np.arange(0.0, _SETTLING_DAYS * DAY_S, 3600.0)
        mean_c = float(self._weather.at(around_s).outdoor_c.mean())
        self._state[: self._count] = self._settled_c(mean_c)
        self._relay_on = False
        self._on_until_s = -math.inf
        self._power_w = 0.0
        self._energy_j = 0.0
        self.cold_bar = _COLD_PRESSURE_BAR
        self._sensed_air = [self._felt_c(nodes) for nodes in self.structure.zones]
        self._lay_inputs()

    def _settled_c(self, mean_c: float) -> Floats:
        """Temperatures after a long stretch of mean weather with no more heat than frost needs."""
        net = self.structure.network
        inputs = np.zeros(len(net.inputs))
        inputs[:2] = mean_c, self._deep_soil_c
        cold = net.steady_c(inputs, flowing=True)
        inputs[self.structure.element_input] = 1000.0
        lift = net.steady_c(inputs, flowing=True) - cold
        airs = [nodes.air for nodes in self.structure.zones]
        needed = max(float((_FROST_FREE_C - cold[air]) / lift[air]) for air in airs)
        settled: Floats = cold + max(0.0, needed) * lift
        return settled

    @property
    def now(self) -> datetime:
        """Simulated time, UTC."""
        return datetime.fromtimestamp(self._now_s, tz=UTC)

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let time pass; steps are at most a minute long.

        Raises
        ------
        WeatherError
            Where the weather ends.
        """
        count = max(1, math.ceil(seconds / LONGEST_STEP_S - 1e-9))
        self._relay_on = heater_on
        for _ in range(count):
            self._step(seconds / count)

    def sense(self) -> dict[str, float]:
        """What the sensors say now by role; ``role@zone`` where there are several zones."""
        values = self._values(lag=True)
        return {key: self._sensors.read(key, value) for key, value in values.items()}

    def truth(self) -> dict[str, float]:
        """The same without lag, offset, noise and quantisation."""
        return self._values(lag=False)

    def stored_j(self) -> float:
        """Heat in all nodes above 0 °C [J]."""
        capacities = np.array(self.structure.network.capacities_j_k)
        return float(capacities @ self._state[: self._count])

    def inflow_w(self) -> float:
        """Heat given to the building now less what it loses to outdoors and deep soil [W]."""
        feeds = self.structure.network.matrices(flowing=False).inputs
        nodes, inputs = self._state[: self._count], self._state[self._count :]
        given_w = feeds[:, 2:].sum(axis=0) @ inputs[2:] + self._power_w
        lost_w = sum(float(feeds[:, b] @ (nodes - inputs[b])) for b in (0, 1))
        return float(given_w - lost_w)

    @property
    def surroundings(self) -> Surroundings:
        """What acts on it from outside the heating."""
        return self._surroundings

    def meet(self, surroundings: Surroundings) -> None:
        """Let other surroundings act on it from now on."""
        self._surroundings, self._day_number = surroundings, -1

    def pipe(
        self, *, open_loops: frozenset[str] | None = None, pump_runs: bool | None = None
    ) -> None:
        """Say how pump and valves stand from now on.

        ``open_loops`` None: every loop is open. ``pump_runs`` None: the boiler runs its own pump,
        while it heats and for its overrun.
        """
        self._open_loops, self._pump_runs = open_loops, pump_runs

    @property
    def deep_soil_c(self) -> float:
        """Temperature of the soil far beneath the floor [°C]."""
        return self._deep_soil_c

    @property
    def element_w(self) -> float:
        """Heat of the boiler's element over the last step [W]."""
        return self._power_w

    def temperatures_c(self) -> Floats:
        """Temperatures of all nodes now, shape (n,) [°C]."""
        return self._state[: self._count].copy()

    def _flow(self) -> Flow:
        runs = self._own_pump_runs() if self._pump_runs is None else self._pump_runs
        return runs if self._open_loops is None or not runs else self._open_loops

    def _own_pump_runs(self) -> bool:
        called = self._relay_on or self._now_s < self._on_until_s
        return called and self._pump_runs is None

    def _step(self, seconds: float) -> None:
        self._lay_inputs()
        own_pump_runs = self._own_pump_runs()
        matrix = self._matrix(seconds, self._flow())
        element = self._count + self.structure.element_input
        after = matrix @ self._state  # the element's input is 0 here
        self._power_w = 0.0
        if self._relay_on:
            # the boiler's own thermostat gives what ends the step at its supply limit, at most all
            boiler = self.structure.boiler
            per_w = float(matrix[boiler, element])
            wanted_w = (self.heater.supply_limit_c - float(after[boiler])) / per_w
            self._power_w = min(max(wanted_w, 0.0), self.heater.rating_w)
            after += matrix[:, element] * self._power_w
            self._on_until_s = self._now_s + seconds + _OVERRUN_S
        self._state[: self._count] = after
        self._energy_j += (self._power_w + _PUMP_W * own_pump_runs) * seconds
        self._now_s += seconds
        self._lag_air(seconds)

    def _matrix(self, seconds: float, flowing: Flow) -> Floats:
        found = self._steps.get((seconds, flowing))
        if found is None:
            found = self.structure.network.step_matrix(seconds, flowing=flowing)
            self._steps[(seconds, flowing)] = found
        return found

    def _lag_air(self, seconds: float) -> None:
        share = 1.0 - math.exp(-seconds / _SENSOR_LAG_S)
        for number, nodes in enumerate(self.structure.zones):
            self._sensed_air[number] += share * (self._felt_c(nodes) - self._sensed_air[number])

    def _felt_c(self, nodes: ZoneNodes) -> float:
        """What an air sensor on a wall takes on: mostly air, a little of the walls around [°C]."""
        return float(0.9 * self._state[nodes.air] + 0.1 * self._state[nodes.lining])

    def _minute(self) -> tuple[Day, int]:
        number, within_s = divmod(self._now_s, DAY_S)
        if int(number) != self._day_number or self._day is None:
            self._day = self._surroundings.day(int(number))
            self._day_number = int(number)
        return self._day, int(within_s // 60.0)

    def _lay_inputs(self) -> None:
        day, minute = self._minute()
        outdoor_c, wind_m_s = day.outdoor_c[minute], day.wind_m_s[minute]
        state, first = self._state, self._count
        state[first] = outdoor_c
        state[first + 1] = self._deep_soil_c
        state[first + 2] = day.irradiance_w_m2[minute]
        for nodes, zone_day in zip(self.structure.zones, day.zones, strict=True):
            sun_w, gains_w = zone_day.sun_w[minute], zone_day.gains_w[minute]
            air_c, surface_c = float(state[nodes.air]), float(state[nodes.surface])
            from_floor_w = extra_convection_w(nodes, surface_c - air_c)
            drawn_w = air_exchange_w_k(
                nodes, inside_k=air_c - outdoor_c, wind_m_s=wind_m_s, door=zone_day.door[minute]
            ) * (outdoor_c - air_c)
            air_w, surface_w, lining_w = (
                sun_w * sun + gains_w * gain
                for sun, gain in zip(SUN_SHARES, GAIN_SHARES, strict=True)
            )
            state[first + nodes.air_input] = air_w + from_floor_w + drawn_w
            state[first + nodes.surface_input] = surface_w - from_floor_w
            state[first + nodes.lining_input] = lining_w

    def _values(self, *, lag: bool) -> dict[str, float]:
        state: list[float] = self._state.tolist()  # plain numbers are quicker one by one
        day, minute = self._minute()
        values: dict[str, float] = {}
        for number, nodes in enumerate(self.structure.zones):
            at = f"@{nodes.zone.id}" if len(self.structure.zones) > 1 else ""
            values[f"air{at}"] = self._sensed_air[number] if lag else state[nodes.air]
            values[f"slab{at}"] = state[nodes.slab_core]
            values[f"floor_surface{at}"] = state[nodes.surface]
        fluid = self.structure.fluid
        fluid_c = sum(state[node] for node in fluid) / len(fluid)
        values |= {
            "outdoor": day.outdoor_c[minute],
            "irradiance": day.irradiance_w_m2[minute],
            "wind": day.wind_m_s[minute],
            "supply": state[self.structure.boiler],
            **self._returns_c(state),
            "pressure": self.cold_bar + _PRESSURE_BAR_K * (fluid_c - 10.0),
            "power": self._power_w + _PUMP_W * self._own_pump_runs(),
            "energy": self._energy_j / 3.6e6,
            "relay_state": float(self._relay_on),
        }
        return values

    def _returns_c(self, state: list[float]) -> dict[str, float]:
        """What comes back: mixed from the loops that flow, and where there are several of each."""
        loops, flow = self.structure.loops, self._flow()
        each = {loop: state[node] for loop, node in zip(loops, self.structure.returns, strict=True)}
        flowing = [each[loop] for loop in loops if not isinstance(flow, bool) and loop in flow]
        mixed = flowing or list(each.values())
        values = {f"return@{loop}": c for loop, c in each.items()} if len(loops) > 1 else {}
        return {**values, "return": sum(mixed) / len(mixed)}


def floor_convection_w_m2k(difference_k: float) -> float:
    """Convection over a floor that is warmer than the air by this much [W/m2K].

    2.5 dT^0.31 lies between the two published correlations for heated floors, EN 1264-2's
    characteristic and the handbook one with 2.13 dT^0.31; a cold floor keeps its air.
    """
    return 2.5 * float(difference_k) ** 0.31 if difference_k > 0.02 else 0.75


def extra_convection_w(nodes: ZoneNodes, difference_k: float) -> float:
    """Convection from the floor beyond the linear part in the network [W]."""
    beyond = floor_convection_w_m2k(difference_k) - FLOOR_CONVECTION_W_M2K
    return beyond * difference_k * nodes.zone.floor.area_m2


def air_exchange_w_k(nodes: ZoneNodes, *, inside_k: float, wind_m_s: float, door: float) -> float:
    """Heat that air exchange carries for each kelvin indoors above outdoors [W/K].

    Leakage grows with stack effect and wind, taken together as the root of the sum of squares,
    and is the described one at 15 K and 4 m/s at the weather station. An open door passes
    (1/3) Cd A sqrt(g H dT/T), the usual form for a single opening, Cd 0.6.
    """
    zone = nodes.zone
    push = 0.3 + 0.4 * abs(inside_k) / 15.0 + 0.3 * (wind_m_s / 4.0) ** 2
    leakage_m3_s = zone.volume_m3 * zone.air_changes_per_h / 3600.0 * math.sqrt(push)
    door_m3_s = 0.0
    if door > 0.0:
        draught = math.sqrt(9.81 * _DOOR_HEIGHT_M * abs(inside_k) / 285.0)
        door_m3_s = door * 0.6 / 3.0 * _DOOR_M2 * draught
    return AIR_J_M3K * (leakage_m3_s + door_m3_s)


def needed_weather(start_s: float, end_s: float) -> tuple[float, float]:
    """The span of weather that a workshop asks for: whole UTC days, and what it settles to."""
    last_s = max(end_s, start_s + _SETTLING_DAYS * DAY_S)
    return start_s // DAY_S * DAY_S, math.ceil(last_s / DAY_S) * DAY_S
