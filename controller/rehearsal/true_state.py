"""Where the simulated building stands by its own sensors, for one who knows what it is made of."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag

from controller.planning.history import FloatArray, Grid, Source, role_mean, zone_heat_w
from controller.planning.start import PlanningError
from controller.records.site import OUTDOOR, Role, Site, Zone
from controller.rehearsal.foresight_linear import WORKING_AIR_C
from controller.rehearsal.runner import Span
from controller.rehearsal.sunlight import DAY_S
from controller.rehearsal.surroundings import MINUTE_S, Day, ZoneDay
from controller.rehearsal.true_model import TrueModel, driven_k, true_model
from controller.rehearsal.workshop import Workshop, air_exchange_w_k

STEP_S = 900.0
MASSES = 7
OBSERVED_S = 3 * DAY_S
"""How far back the first readings are looked for [s]."""
_READING_SD_K = 0.1
"""A sensor's noise and place [K]."""
_OFFSET_SD_K = 0.1
"""How far the slab's sensor may be off for good, told from how the building behaves [K]."""
_GATE_SD = 3.0
"""A reading further off what is expected, beside a door, pulls no more than one so far off."""
_BEGIN_OUTDOOR_K, _BEGIN_HEAT_K, _BEGIN_K = 3.0, 3.0, 1.0
"""How far the first state may be off: outdoors before the readings, room by heat, each mass."""
_OPEN_STEPS = 2
"""At so many steps before the present more readings are to come."""
_DOOR_INSIDE_K = 15.0
_OCCUPIED_C = 18.0
"""Room above outdoors and room air for which an open door's loss is reckoned."""


@dataclass(frozen=True, slots=True, eq=False)
class _Company:
    """People and doors on average: share of each quarter hour with people in, heat, openings."""

    first_s: float
    present: FloatArray
    gains_w: float
    gains_off_w: float
    door: float
    door_away: float

    def present_at(self, times_s: FloatArray) -> FloatArray:
        """Share of the quarter hours at these times; nobody is in outside the season."""
        slot = np.floor((times_s - self.first_s) / STEP_S).astype(np.int64)
        inside = (slot >= 0) & (slot < len(self.present))
        return np.where(inside, self.present[slot.clip(0, len(self.present) - 1)], 0.0)


def _company_of(days: Sequence[ZoneDay], *, first_s: float) -> _Company:
    """Somebody is in for as long as there is heat of people: in sessions, and only then."""
    gains_w = np.concatenate([day.gains_w for day in days])
    door = np.concatenate([day.door for day in days])
    is_in = gains_w > 0.0
    usual_w = float(gains_w[is_in].mean()) if is_in.any() else 0.0
    return _Company(
        first_s=first_s,
        present=is_in.reshape(-1, round(STEP_S / MINUTE_S)).mean(axis=1),
        gains_w=usual_w,
        gains_off_w=_hourly_sd(gains_w - usual_w * is_in),
        door=float(door[is_in].mean()) if is_in.any() else 0.0,
        door_away=float(door[~is_in].mean()),
    )


def _hourly_sd(by_minute: FloatArray) -> float:
    return float(by_minute.reshape(-1, 60).mean(axis=1).std())


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is known of the building: its model, and what people and doors do on average."""

    workshop: Workshop
    model: TrueModel
    company: _Company

    @classmethod
    def of(cls, workshop: Workshop, span: Span) -> Truth:
        """What there is to know of a workshop with one zone in a season.

        Its model is less often surprised than one that knows neither bookings nor the sun's way.

        Raises
        ------
        ValueError
            Where the workshop has several zones.
        """
        model = true_model(workshop, span=span, step_s=STEP_S, masses=MASSES)
        numbers = range(int(span.start_s // DAY_S), math.ceil(span.end_s / DAY_S))
        days = [workshop.surroundings.day(number) for number in numbers]
        company = _company_of([day.zones[0] for day in days], first_s=numbers[0] * DAY_S)
        unseen_w = math.hypot(company.gains_off_w, _gusts_off_w(workshop, model, days))
        added = model.added.copy()
        added[-1, -1] = unseen_w**2 * (1.0 - model.step.a[-1, -1] ** 2)
        return cls(workshop, replace(model, added=added), company)

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
        given: FloatArray = np.outer(gains_w, self._gain_k()) - np.outer(lost_w, model.room)
        return weathered + given

    def _gain_k(self) -> FloatArray:
        """What a watt of people does in a step: as unseen heat, but without fading [K/W]."""
        column = self.model.step.a[:, -1]
        kept = column[-1]
        lasting: FloatArray = np.append(column[:-1], 0.0) * -math.log(kept) / (1.0 - kept)
        return lasting

    def _open_w_k(self) -> float:
        """Loss through a door that stands open [W/K]."""
        (nodes,) = self.workshop.structure.zones
        wind_m_s = self.model.weather.wind_m_s
        open_w_k, shut_w_k = (
            air_exchange_w_k(nodes, inside_k=_DOOR_INSIDE_K, wind_m_s=wind_m_s, door=door)
            for door in (1.0, 0.0)
        )
        return open_w_k - shut_w_k


def _gusts_off_w(workshop: Workshop, model: TrueModel, days: Sequence[Day]) -> float:
    """Standard deviation of the hourly heat that wind carries out, by day and night [W]."""
    (nodes,) = workshop.structure.zones
    inside_k = max(WORKING_AIR_C - model.weather.outdoor_c, 0.0)
    winds_m_s = np.concatenate([day.wind_m_s for day in days]).reshape(-1, 60).mean(axis=1)
    lost_w_k = [
        air_exchange_w_k(nodes, inside_k=inside_k, wind_m_s=wind_m_s, door=0.0)
        for wind_m_s in winds_m_s.tolist()
    ]
    return float(np.std(lost_w_k)) * inside_k


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Temperatures [°C] and unseen heat [W], shape (n,), and their covariance.

    While it is watched one more stands at the end: how far the slab's sensor is off [K].
    """

    x: FloatArray
    covariance: FloatArray

    def without_last(self) -> State:
        """Without the last entry."""
        return State(self.x[:-1], self.covariance[:-1, :-1])


class Lookout:
    """Keeps an eye on one building: to be asked in the order of time, with one history.

    Parameters
    ----------
    truth : Truth
    """

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self._since: _Since | None = None

    def state_at(self, source: Source, site: Site, zone: Zone, *, at_s: float) -> State:
        """Where the building stands at a moment, by all readings up to then.

        Raises
        ------
        PlanningError
            Where there is no room air of the last days when it is first asked.
        """
        true_site = replace(site, heaters=(self._truth.workshop.heater,))  # its rating is true
        since = self._since or self._begin(source, site, zone, at_s)
        steps = round((at_s - since.at_s) / STEP_S) + 1  # readings around the moment tell, too
        grid = Grid(since.at_s, STEP_S, steps)
        readings_c = _readings_c(source, site, zone, grid)
        moves_k = self._moves_k(source, true_site, zone, grid)
        states = list(filtered(self._truth.model, since.expected, readings_c, moves_k))
        if steps > _OPEN_STEPS:
            expected, _ = states[-1 - _OPEN_STEPS]
            self._since = _Since(at_s - _OPEN_STEPS * STEP_S, expected)
        return states[-1][1].without_last()

    def _begin(self, source: Source, site: Site, zone: Zone, at_s: float) -> _Since:
        """The first reading, and the state to expect there."""
        grid = Grid.before(at_s + STEP_S, span_s=OBSERVED_S, step_s=STEP_S)
        air_c = _readings_c(source, site, zone, grid)[:, 0]
        seen = np.flatnonzero(np.isfinite(air_c))
        if not len(seen):
            days = OBSERVED_S / DAY_S
            raise PlanningError(f"no room air of zone {zone.id} in the last {days:g} days")
        first = int(seen[0])
        expected = settled(self._truth.model, float(air_c[first]))
        return _Since(grid.start_s + first * STEP_S, expected)

    def _moves_k(self, source: Source, site: Site, zone: Zone, grid: Grid) -> FloatArray:
        """What weather, people, doors and heat do in each step, shape (N, n)."""
        model = self._truth.model
        outdoor_c = role_mean(source, site, role=Role.OUTDOOR, subject=OUTDOOR, grid=grid)
        sun_w_m2 = role_mean(source, site, role=Role.IRRADIANCE, subject=OUTDOOR, grid=grid)
        driven = self._truth.driven_k(
            grid.middles_s(),
            _bridged(outdoor_c, otherwise=model.weather.outdoor_c),
            _bridged(sun_w_m2, otherwise=0.0),
        )
        heat_w = np.nan_to_num(zone_heat_w(source, site, zone, grid))
        moves: FloatArray = driven + np.outer(heat_w, model.step.b_heat)
        return moves


@dataclass(frozen=True, slots=True, eq=False)
class _Since:
    """From where on readings are still to be taken in, and the state expected there."""

    at_s: float
    expected: State


def _readings_c(source: Source, site: Site, zone: Zone, grid: Grid) -> FloatArray:
    """Air and slab at the beginnings of steps, means around them, shape (N, 2); NaN for none."""
    around = replace(grid, start_s=grid.start_s - 0.5 * grid.step_s)
    return np.column_stack(
        [
            role_mean(source, site, role=role, subject=zone.id, grid=around)
            for role in (Role.AIR, Role.SLAB)
        ]
    )


def _bridged(values: FloatArray, *, otherwise: float) -> FloatArray:
    """Values with their holes bridged."""
    known, index = np.isfinite(values), np.arange(len(values))
    if not known.any():
        return np.full(len(values), otherwise)
    return np.interp(index, index[known], values[known])


def filtered(
    model: TrueModel, begin: State, readings_c: FloatArray, moves_k: FloatArray
) -> Iterator[tuple[State, State]]:
    """A Kalman filter: at the beginning of each step the state before and after its readings.

    Parameters
    ----------
    model : TrueModel
    begin : State
        Before the first readings; as all that is given back, with the sensor's offset.
    readings_c : array, shape (N, 2)
        Of air and slab at the beginnings of steps; NaN where there is none.
    moves_k : array, shape (N, n)
        What acts does in each step; that of the last is not used.
    """
    a, added = block_diag(model.step.a, 1.0), block_diag(model.added, 0.0)
    rows = (np.append(model.step.c_air, 0.0), np.append(model.step.c_slab, 1.0))
    x, p = begin.x, begin.covariance
    for read_c, move_k in zip(readings_c.tolist(), moves_k, strict=True):
        expected = State(x, p)
        for row, value_c in zip(rows, read_c, strict=True):
            if math.isfinite(value_c):
                column = p @ row
                variance = float(row @ column) + _READING_SD_K**2
                limit_k = _GATE_SD * math.sqrt(variance)
                surprise_k = min(max(value_c - float(row @ x), -limit_k), limit_k)
                x = x + column * (surprise_k / variance)
                p = p - np.outer(column, column / variance)
        yield expected, State(x, p)
        x = a @ x + np.append(move_k, 0.0)
        p = a @ p @ a.T + added


def settled(model: TrueModel, air_c: float) -> State:
    """What to expect where this is the first reading of the air: balance in mean weather."""
    step, weather = model.step, model.weather
    left = np.eye(len(step.a)) - step.a
    columns = (step.drift + weather.outdoor_c * step.b_outdoor, step.b_outdoor, step.b_heat)
    mean_c, by_outdoor, by_heat = np.linalg.solve(left, np.column_stack(columns)).T
    by_heat = by_heat / float(step.c_air @ by_heat)
    alone = np.full(len(left), _BEGIN_K**2)
    alone[-1] = model.added[-1, -1] / (1.0 - step.a[-1, -1] ** 2)  # as it is at any time
    covariance = np.diag(alone)
    for course_k in (_BEGIN_OUTDOOR_K * by_outdoor, _BEGIN_HEAT_K * by_heat):
        covariance += np.outer(course_k, course_k)
    state_c = mean_c + (air_c - float(step.c_air @ mean_c)) * by_heat
    return State(np.append(state_c, 0.0), block_diag(covariance, _OFFSET_SD_K**2))
