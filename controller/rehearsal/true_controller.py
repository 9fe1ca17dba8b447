"""A planner that holds the simulated building's true model instead of a learnt one.

It sees the same noisy sensors and the same forecast as the service and plans in the same way. What
sets the two apart in a rehearsal is what learning costs; what sets it apart from perfect foresight
is what weather costs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from controller.planning.blocks import Need, label
from controller.planning.history import FloatArray, Grid, Source, zone_series
from controller.planning.network_arrivals import TOLERANCE_K, WITHIN_80
from controller.planning.network_case import LIMIT_H, LIMIT_MARGIN_K
from controller.planning.outlook import Weather, weather_ahead
from controller.planning.planner import (
    _duty_of,
    _given_share,
    _sessions_of,
    _switching,
    plan_grid,
)
from controller.planning.programme_plan import Heating, _usual_price
from controller.planning.start import PlanningError
from controller.planning.tariff import prices_ahead
from controller.planning.wishes_ahead import ready_c, session_borders, session_wish
from controller.planning.zone_state import SENSOR_SD_K, SUN_MEMORY_S, Spread, folded_weather
from controller.records.errands import PlanErrand
from controller.records.plan import Arrival, Block, Plan, Point, ZoneOutlook
from controller.records.sessions import Session
from controller.records.site import Zone
from controller.rehearsal.runner import Span
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.true_model import TrueModel, driven_k, true_model
from controller.rehearsal.workshop import Workshop, air_exchange_w_k
from models.heated_room import Limit, Room
from models.programme import Heater, least_cost

STEP_S = 900.0
MASSES = 7
NAME = "true-model"
"""What its plans give as their parameter set."""
OBSERVED_S = 3 * DAY_S
"""Readings that tell where the building stands [s]."""
_READING_SD_K = 0.15
"""A sensor's offset, noise and place, taken as new with each reading [K]."""
_GATE_SD = 3.0
"""A reading further off what is expected, beside a door, pulls no more than one so far off."""
_BEGIN_OUTDOOR_K, _BEGIN_HEAT_K, _BEGIN_K = 4.0, 5.0, 1.0
"""How far the first state may be off: outdoors before the readings, room by heat, each mass."""
_SHOWN_H = (0.0, 1.0, 6.0, 24.0)
_SHOWN_K = (0.1, 0.15, 0.25, 0.35)
"""Errors of room air by hours ahead with the weather as it was [K]."""
_FOLD = 4
"""Steps at once where only the spread is reckoned."""
_DOOR_INSIDE_K = 15.0
_OCCUPIED_C = 18.0
"""Room above outdoors and room air for which an open door's loss is reckoned."""

Planner = Callable[[PlanErrand, Source], Plan]


def true_planner(workshop: Workshop, *, span: Span, margin: float = 1.0) -> Planner:
    """A planner that knows how one building answers, though not what is to come.

    Parameters
    ----------
    workshop : Workshop
        Another one like that which is heated, with one zone. Only what it is made of and what
        people, doors and wind are on average is taken from it, and when it is booked.
    span : Span
        The season.
    margin : float
        How many times the spread of what is to come is allowed for [-].

    Returns
    -------
    callable
        To be used as `controller.planning.planner.make_plan` is. It raises PlanningError where
        there is no room air of the last days, or neither outdoor reading nor forecast.

    Raises
    ------
    ValueError
        Where the workshop has several zones, or the margin is below 0.
    """
    if not margin >= 0.0:
        raise ValueError(f"margin must be 0 or more: {margin}")
    truth = _Truth(
        workshop,
        true_model(workshop, span=span, step_s=STEP_S, masses=MASSES),
        _company_of(workshop, span),
    )

    def plan(errand: PlanErrand, source: Source) -> Plan:
        return _planned(truth, errand, source, margin=margin)

    return plan


@dataclass(frozen=True, slots=True, eq=False)
class _Company:
    """People and doors on average: share of each quarter hour with people in, heat, openings."""

    first_s: float
    present: FloatArray
    gains_w: float
    door: float
    door_away: float

    def present_at(self, times_s: FloatArray) -> FloatArray:
        """Share of the quarter hours at these times; nobody is in outside the season."""
        slot = np.floor((times_s - self.first_s) / STEP_S).astype(np.int64)
        inside = (slot >= 0) & (slot < len(self.present))
        return np.where(inside, self.present[slot.clip(0, len(self.present) - 1)], 0.0)


def _company_of(workshop: Workshop, span: Span) -> _Company:
    """Somebody is in for as long as there is heat of people: in sessions, and only then."""
    numbers = range(int(span.start_s // DAY_S), math.ceil(span.end_s / DAY_S))
    days = [workshop.surroundings.day(number).zones[0] for number in numbers]
    gains_w = np.concatenate([day.gains_w for day in days])
    door = np.concatenate([day.door for day in days])
    is_in = gains_w > 0.0
    return _Company(
        first_s=numbers[0] * DAY_S,
        present=is_in.reshape(-1, round(STEP_S / 60.0)).mean(axis=1),
        gains_w=float(gains_w[is_in].mean()) if is_in.any() else 0.0,
        door=float(door[is_in].mean()) if is_in.any() else 0.0,
        door_away=float(door[~is_in].mean()),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Truth:
    """What is known of the building; ``gain_k`` is what a watt of people does in a step."""

    workshop: Workshop
    model: TrueModel
    company: _Company

    def driven_k(
        self, times_s: FloatArray, outdoor_c: FloatArray, sun_w_m2: FloatArray
    ) -> FloatArray:
        """What weather, people and doors do to the state in each step, shape (N, n)."""
        model, count = self.model, len(times_s)
        weathered = driven_k(
            model, self.workshop, times_s,
            outdoor_c=outdoor_c, irradiance_w_m2=sun_w_m2,
            wind_m_s=np.full(count, model.weather.wind_m_s), air_c=np.full(count, _OCCUPIED_C),
        )  # fmt: skip
        company, present = self.company, self.company.present_at(times_s)
        gains_w = present * company.gains_w - model.weather.gains_w[0]
        door = company.door_away + present * (company.door - company.door_away)
        lost_w = (door - model.weather.door[0]) * self._open_w_k() * (_OCCUPIED_C - outdoor_c)
        return weathered + np.outer(gains_w, self._gain_k()) - np.outer(lost_w, model.room)

    def _gain_k(self) -> FloatArray:
        """What a watt of people does in a step: as unseen heat, but without fading [K/W]."""
        column = self.model.step.a[:, -1]
        kept = column[-1]
        return np.append(column[:-1], 0.0) * -math.log(kept) / (1.0 - kept)

    def _open_w_k(self) -> float:
        """Loss through a door that stands open [W/K]."""
        (nodes,) = self.workshop.structure.zones
        wind_m_s = self.model.weather.wind_m_s
        open_w_k, shut_w_k = (
            air_exchange_w_k(nodes, inside_k=_DOOR_INSIDE_K, wind_m_s=wind_m_s, door=door)
            for door in (1.0, 0.0)
        )
        return open_w_k - shut_w_k


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Temperatures and unseen heat, shape (n,), and their covariance."""

    x: FloatArray
    covariance: FloatArray


def _state(truth: _Truth, errand: PlanErrand, source: Source, zone: Zone, at_s: float) -> _State:
    """Where the building stands at ``at_s``: a Kalman filter over the last days' readings."""
    grid = Grid.before(at_s + STEP_S, span_s=OBSERVED_S + STEP_S, step_s=STEP_S)
    site = replace(errand.site, heaters=(truth.workshop.heater,))  # of the true rating
    series = zone_series(source, site, zone, grid)
    seen = np.flatnonzero(np.isfinite(series.air_c))
    if not len(seen):
        raise PlanningError(f"no room air of zone {zone.id} in the last {OBSERVED_S / DAY_S:g} days")
    since = slice(seen[0], None)
    driven = truth.driven_k(
        grid.middles_s()[since],
        _held(series.outdoor_c[since], truth.model.weather.outdoor_c),
        _held(series.sun_w_m2[since], 0.0),
    )
    heated = np.outer(np.nan_to_num(series.power_w[since]), truth.model.step.b_heat)
    readings_c = np.column_stack((series.air_c[since], series.slab_c[since]))
    return _filtered(truth.model, readings_c, driven + heated)


def _held(values: FloatArray, otherwise: float) -> FloatArray:
    """Means over the steps from values at their beginnings, holes bridged."""
    known = np.isfinite(values)
    index = np.arange(len(values))
    full = np.interp(index, index[known], values[known]) if known.any() else 0.0 * index + otherwise
    return np.asarray(0.5 * (full + np.append(full[1:], full[-1])))


def _filtered(model: TrueModel, readings_c: FloatArray, moves_k: FloatArray) -> _State:
    """The state at the beginning of the last step.

    Parameters
    ----------
    model : TrueModel
    readings_c : array, shape (N, 2)
        Of air and slab at the beginnings of steps; NaN where there is none.
    moves_k : array, shape (N, n)
        What weather and heat do in each step.
    """
    a, rows = model.step.a, (model.step.c_air, model.step.c_slab)
    x, p = _begin(model, moves_k.mean(axis=0))
    for number, (read_c, move_k) in enumerate(zip(readings_c.tolist(), moves_k, strict=True)):
        if number:
            x = a @ x + moves_k[number - 1]
            p = a @ p @ a.T + model.added
        for row, value_c in zip(rows, read_c, strict=True):
            if math.isfinite(value_c):
                column = p @ row
                variance = float(row @ column) + _READING_SD_K**2
                limit_k = _GATE_SD * math.sqrt(variance)
                surprise_k = min(max(value_c - float(row @ x), -limit_k), limit_k)
                x = x + column * (surprise_k / variance)
                p = p - np.outer(column, column / variance)
    return _State(x, p)


def _begin(model: TrueModel, mean_k: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First state and covariance: as settled under the mean of what acts, or not quite."""
    step = model.step
    settled, outdoor, heat = np.linalg.solve(
        np.eye(len(step.a)) - step.a, np.column_stack((mean_k, step.b_outdoor, step.b_heat))
    ).T
    by_outdoor = _BEGIN_OUTDOOR_K * outdoor
    by_heat = _BEGIN_HEAT_K * heat / float(step.c_air @ heat)
    alone = np.full(len(settled), _BEGIN_K**2)
    alone[-1] = model.added[-1, -1] / (1.0 - step.a[-1, -1] ** 2)
    covariance = np.outer(by_outdoor, by_outdoor) + np.outer(by_heat, by_heat) + np.diag(alone)
    return settled, covariance


def _spread(truth: _Truth, state: _State, weather: Weather, grid: Grid) -> Spread:
    """How far room air may be off at each border, whatever heat is given."""
    own_k, weather_k = _own_and_weather_k(truth.model, state, folded_weather(weather, _FOLD))
    ahead_s = _FOLD * grid.step_s * np.arange(len(own_k))
    shown_k = np.maximum(own_k, np.interp(ahead_s / 3600.0, _SHOWN_H, _SHOWN_K))
    coarse_k = np.sqrt(shown_k**2 + weather_k**2 + SENSOR_SD_K**2)
    borders_s = grid.edges_s() - grid.start_s
    return Spread(np.zeros(grid.count + 1), np.interp(borders_s, ahead_s, coarse_k))


def _own_and_weather_k(
    model: TrueModel, state: _State, weather: Weather
) -> tuple[FloatArray, FloatArray]:
    """Standard deviations by state and unseen heat, and by the weather ahead, (slots + 1,) [K].

    As `controller.planning.zone_state` does it for a learnt network: the weather's errors are two
    more states that fade and whose effect is theirs times the standard deviation of each slot.
    """
    n, count = len(state.x), len(weather.outdoor_c)
    powers = [np.linalg.matrix_power(model.step.a, number) for number in range(_FOLD + 1)]
    lasting = np.sum(powers[:_FOLD], axis=0)
    memory_s = np.array((weather.outdoor_memory_s, SUN_MEMORY_S))
    keep = np.exp(-_FOLD * STEP_S / memory_s)
    whole = np.zeros((n + 2, n + 2))
    whole[:n, :n], whole[n:, n:] = powers[_FOLD], np.diag(keep)
    noise = np.zeros((2, n + 2, n + 2))
    noise[0, :n, :n] = sum(power @ model.added @ power.T for power in powers[:_FOLD])
    noise[1, n:, n:] = np.diag(1.0 - keep**2)
    covariance = np.zeros_like(noise)
    covariance[0, :n, :n], covariance[1, n:, n:] = state.covariance, np.eye(2)
    row = np.append(model.step.c_air, (0.0, 0.0))
    by_outdoor, by_sun = lasting @ model.step.b_outdoor, lasting @ model.step.b_sun
    variance = np.empty((2, count + 1))
    variance[:, 0] = row @ covariance @ row
    for slot in range(count):
        whole[:n, n] = by_outdoor * weather.outdoor_sd_k[slot]
        whole[:n, n + 1] = by_sun * weather.sun_sd_w_m2[slot]
        covariance = whole @ covariance @ whole.T + noise
        variance[:, slot + 1] = row @ covariance @ row
    own_k, weather_k = np.sqrt(variance)
    return own_k, weather_k


def _planned(truth: _Truth, errand: PlanErrand, source: Source, *, margin: float) -> Plan:
    """The timetable, as `controller.planning.planner.make_plan` makes it."""
    zones = errand.site.zones_of(errand.site.heater(errand.heater))
    sessions = _sessions_of(errand, zones)
    grid = plan_grid(sessions, now_s=errand.now_s)
    weather = weather_ahead(source, errand.site, now_s=errand.now_s, grid=grid)
    if weather is None:
        raise PlanningError("neither an outdoor reading nor a forecast; a plan needs one of them")
    state = _state(truth, errand, source, zones[0], grid.start_s)
    spread = _spread(truth, state, weather, grid)
    wide = Spread(spread.parameters_k, margin * spread.rest_k)
    heating = _cheapest(truth, errand, source, (state, weather, grid, sessions, wide))
    on = _switching(errand, source, heating, grid)
    duty = _duty_of(on, grid)
    duty[0] += _given_share(errand, source, grid)
    return ...
