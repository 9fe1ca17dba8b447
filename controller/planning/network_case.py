"""One zone as the programme takes it: its room, what is wanted of it, what limits its heat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from controller.interlocks.supply_over_temperature import UNSEEN_K
from controller.planning.describe import heat_share, surface_share, tubes_w_k
from controller.planning.history import FloatArray, Grid
from controller.planning.outlook import Weather
from controller.planning.promises_kept import UNCORRECTED, Correction
from controller.planning.wishes_ahead import Shift, Wish, session_borders, unshifted_k
from controller.planning.zone_state import ZoneState, disturbances_k, folded_weather, with_room_at
from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.records.site import Heater, Role, Site, Zone
from models.heated_room import Limit, Room, SupplyLimit, recurrence
from models.thermal_network import ROOM, SLAB, discrete

LIMIT_MARGIN_K = 1.0
"""How far below a hard limit a plan stays: a trip costs more than the heat [K]."""
LIMIT_H = 400.0
"""Hours of full heat that a K·h above a limit is worth [1/K]."""


@dataclass(frozen=True, slots=True, eq=False)
class ZoneCase:
    """All that one zone's part of a plan follows from; ``share`` is its part of the heat.

    ``shift_k`` gives what sessions already held add to the margin, ``correction`` what they say of
    promises, ``gives`` the zones that the plan's heat is for (None: all).
    """

    site: Site
    heater: Heater
    zone: Zone
    sessions: tuple[Session, ...]
    limits: Limits
    state: ZoneState
    weather: Weather
    rating_w: float
    grid: Grid
    shift_k: Shift = unshifted_k
    correction: Correction = UNCORRECTED
    gives: frozenset[str] | None = None

    @property
    def share(self) -> float:
        """Share of the heater's output that goes into this zone's floor [0..1]."""
        return heat_share(self.site, self.heater, self.zone, self.gives)

    def coarse(self, step_s: float) -> ZoneCase:
        """The same in longer slots."""
        fold = round(step_s / self.grid.step_s)
        grid = Grid(self.grid.start_s, fold * self.grid.step_s, -(-self.grid.count // fold))
        return replace(self, grid=grid, weather=folded_weather(self.weather, fold))

    def led(self, rough: Grid, air_c: FloatArray) -> ZoneCase:
        """The same with the draught that room air like this, at a rough grid's borders, feels."""
        along_c = np.interp(self.grid.middles_s(), rough.edges_s(), air_c)
        return replace(self, weather=with_room_at(self.weather, along_c))

    def best_hour_k(self) -> float:
        """What an hour of full heat adds to the room air at best, whenever that is [K]."""
        step = discrete(self.state.network, self.grid.step_s)
        hour_w = self.rating_w * self.share * 3600.0 / self.grid.step_s
        alone = np.zeros((self.grid.count, len(step.b_heat)))
        path = recurrence(step.a, hour_w * step.b_heat, alone) @ step.c_air
        return float(path.max())

    def room(self, wish: Wish, *, price_per_kwh: float) -> Room:
        """The zone with what is wanted; ``price_per_kwh`` turns hours of full heat into money."""
        step = discrete(self.state.network, self.grid.step_s)
        full_hour = self.rating_w / 1000.0 * price_per_kwh
        return Room(
            a=step.a,
            b_heat=step.b_heat,
            disturbance_k=disturbances_k([step], self.weather)[0],
            start_c=self.state.x,
            air_row=step.c_air,
            lower_c=wish.lower_c,
            shortfall_price_per_k_h=wish.hours_per_k_h * full_hour,
            heat_max_w=self.rating_w * self.share,
            limits=self._limits(LIMIT_H * full_hour),
            supply=self._supply(step.c_slab),
        )

    def _limits(self, price: float) -> tuple[Limit, Limit]:
        network = self.state.network
        slab, surface = np.zeros(network.states), np.zeros(network.states)
        slab[SLAB] = 1.0
        share = surface_share(self.zone.floor, network.slab_room_w_k + network.third_slab_w_k)
        surface[SLAB], surface[ROOM] = share, 1.0 - share
        surface_c = np.full(self.grid.count + 1, self.limits.surface_max_c)
        for session in self.sessions:
            first, last = session_borders(session, self.grid)
            surface_c[first : last + 1] = self.limits.surface_session_max_c
        return (
            Limit(slab, slab_max_c(self.site, self.heater, self.limits) - LIMIT_MARGIN_K, price),
            Limit(surface, surface_c - LIMIT_MARGIN_K, price),
        )

    def _supply(self, slab_row: FloatArray) -> SupplyLimit:
        """The heater's own thermostat: what the water can still give as the slab warms."""
        loops = [
            loop
            for loop in self.site.loops
            if loop.zone == self.zone.id and loop.id in self.heater.loops
        ]
        return SupplyLimit(
            row=slab_row,
            conductance_w_k=sum(tubes_w_k(loop, self.zone.floor) for loop in loops),
            supply_c=min(self.heater.supply_limit_c, self.limits.supply_max_c),
        )


def slab_max_c(site: Site, heater: Heater, limits: Limits) -> float:
    """Slab temperature above which there is no heat: lower where no sensor sees the supply [°C]."""
    fed = {heater.id, *heater.loops}
    seen = any(s.role is Role.SUPPLY and s.subject in fed for s in site.sensors)
    return limits.slab_max_c - (0.0 if seen else UNSEEN_K)
