"""A planner that holds the simulated building's true model instead of a learnt one.

It sees the same noisy sensors and the same forecast as the service and plans in the same way. What
sets the two apart in a rehearsal is what learning costs; what sets it apart from perfect foresight
is what weather costs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.blocks import Need, label
from controller.planning.history import FloatArray, Grid, Source
from controller.planning.network_arrivals import TOLERANCE_K, WITHIN_80
from controller.planning.network_case import LIMIT_H, LIMIT_MARGIN_K
from controller.planning.outlook import Weather, weather_ahead
from controller.planning.planner import (
    duty_of,
    given_share,
    plan_grid,
    sessions_of,
    switching,
)
from controller.planning.programme_plan import Heating, usual_price
from controller.planning.start import PlanningError
from controller.planning.tariff import prices_ahead
from controller.planning.wishes_ahead import (
    Wish,
    late_heats,
    ready_c,
    session_borders,
    session_wish,
)
from controller.planning.zone_state import SENSOR_SD_K, SUN_MEMORY_S, Spread, folded_weather
from controller.records.errands import PlanErrand
from controller.records.plan import Arrival, Block, BlockReason, Plan, Point, ZoneOutlook
from controller.records.sessions import Session
from controller.records.site import Zone
from controller.rehearsal.runner import Span
from controller.rehearsal.true_model import TrueModel
from controller.rehearsal.true_state import STEP_S, Lookout, State, Truth
from controller.rehearsal.workshop import Workshop
from models.heated_room import Limit, Room
from models.programme import Heater, least_cost

NAME = "true-model"
"""What its plans give as their parameter set."""
_SHOWN_H = (0.0, 1.0, 6.0)
_SHOWN_K = (0.15, 0.2, 0.3)
"""Errors of room air by hours ahead with the weather as it was, from seasons of the benchmark [K];
the last holds beyond."""
_FOLD = 4
"""Steps at once where only the spread is reckoned."""

Planner = Callable[[PlanErrand, Source], Plan]


def true_planner(workshop: Workshop, *, span: Span, margin: float = 1.0) -> Planner:
    """A planner that knows how one building answers, though not what is to come.

    Parameters
    ----------
    workshop : Workshop
        Another one like that which is heated, with one zone. What it is made of is taken from it,
        what people, doors and wind are on average, and when it is booked.
    span : Span
        The season.
    margin : float
        How many times the spread of what is to come is allowed for [-].

    Returns
    -------
    callable
        To be used as `controller.planning.planner.make_plan` is, for errands in the order of time
        and one history. It raises PlanningError where there is no room air of the last days, or
        neither outdoor reading nor forecast.

    Raises
    ------
    ValueError
        Where the workshop has several zones, or the margin is below 0.
    """
    if not margin >= 0.0:
        raise ValueError(f"a margin is 0 or more times the spread, not {margin}")
    truth = Truth.of(workshop, span)
    lookout = Lookout(truth)

    def plan(errand: PlanErrand, source: Source) -> Plan:
        return _planned(_case(truth, lookout, errand, source, margin=margin), source)

    return plan


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """All that a plan follows from; ``spread`` holds the margin."""

    truth: Truth
    errand: PlanErrand
    zone: Zone
    sessions: tuple[Session, ...]
    grid: Grid
    weather: Weather
    state: State
    spread: Spread

    @property
    def rating_w(self) -> float:
        """The heater's true rating [W]."""
        return self.truth.workshop.heater.rating_w


def _case(
    truth: Truth, lookout: Lookout, errand: PlanErrand, source: Source, *, margin: float
) -> _Case:
    site, now_s = errand.site, errand.now_s
    (zone,) = site.zones_of(site.heater(errand.heater))
    sessions = sessions_of(errand, (zone,))
    grid = plan_grid(sessions, now_s=now_s)
    weather = weather_ahead(source, site, now_s=now_s, grid=grid)
    if weather is None:
        raise PlanningError("neither an outdoor reading nor a forecast; a plan needs one of them")
    state = lookout.state_at(source, site, zone, at_s=grid.start_s)
    rest_k = margin * _rest_k(truth.model, state, weather, grid)
    spread = Spread(np.zeros(grid.count + 1), rest_k)
    return _Case(truth, errand, zone, sessions, grid, weather, state, spread)


def _planned(case: _Case, source: Source) -> Plan:
    """The timetable, as `controller.planning.planner.make_plan` makes it."""
    errand, grid = case.errand, case.grid
    heating = _cheapest(case, source)
    on = switching(errand, source, heating, grid)
    # why heat is given is told to owners, and none reads this plan: frost is not told apart
    need = Need(case.zone.id, heating.duty, heating.frost_duty, warmed=False)
    blocks = label(on, [need], case.sessions, grid, from_s=errand.now_s)
    duty = duty_of(on, grid)
    duty[0] += given_share(errand, source, grid)
    (room,) = heating.rooms
    air_c = room.states(duty * heating.available_w) @ room.air_row
    return Plan(
        id=f"{errand.heater}-{errand.now_s:.0f}",
        heater=errand.heater,
        made_s=errand.now_s,
        until_s=grid.end_s,
        blocks=blocks,
        outlooks=(_outlook(case, air_c, blocks),),
        sessions=case.sessions,
    )


def _cheapest(case: _Case, source: Source) -> Heating:
    """Least energy that serves the sessions with their margins; solved as slabtide does, twice."""
    errand, grid = case.errand, case.grid
    prices = prices_ahead(source, errand.site, grid=grid, now_s=errand.now_s)
    heater = Heater(
        rating_w=case.rating_w,
        price_per_kwh=prices.price_per_kwh,
        surplus_w=prices.surplus_w,
        surplus_price_per_kwh=prices.surplus_price_per_kwh,
    )
    price_per_kwh, sessions = usual_price(prices), case.sessions
    bare = session_wish(errand.limits, sessions, grid, None)
    room = _room(case, bare, price_per_kwh=price_per_kwh)
    (rough,) = least_cost([room], heater, slot_s=grid.step_s).rooms
    late = late_heats(sessions, grid, room, rough.heat_w)
    wish = session_wish(errand.limits, sessions, grid, case.spread, late)
    room = _room(case, wish, price_per_kwh=price_per_kwh)
    programme = least_cost([room], heater, slot_s=grid.step_s)
    available_w = room.available_w(programme.rooms[0].states)
    shares = np.zeros(grid.count)
    np.divide(programme.heat_w, available_w, out=shares, where=available_w > 1.0)
    return Heating(
        rooms=(room,),
        programme=programme,
        spreads=(case.spread,),
        duty=shares.clip(0.0, 1.0),
        for_frost=np.zeros(grid.count, dtype=bool),
        available_w=available_w,
    )


def _room(case: _Case, wish: Wish, *, price_per_kwh: float) -> Room:
    """The building with what is wanted of it, as the programme takes it."""
    model, limits, grid = case.truth.model, case.errand.limits, case.grid
    full_hour = case.rating_w / 1000.0 * price_per_kwh
    surface_c = np.full(grid.count + 1, limits.surface_max_c)
    for session in case.sessions:
        first, last = session_borders(session, grid)
        surface_c[first : last + 1] = limits.surface_session_max_c
    weather = case.weather
    return Room(
        a=model.step.a,
        b_heat=model.step.b_heat,
        disturbance_k=case.truth.driven_k(grid.middles_s(), weather.outdoor_c, weather.sun_w_m2),
        start_c=case.state.x,
        air_row=model.step.c_air,
        lower_c=wish.lower_c,
        shortfall_price_per_k_h=wish.hours_per_k_h * full_hour,
        heat_max_w=case.rating_w,
        limits=(
            Limit(model.step.c_slab, limits.slab_max_c - LIMIT_MARGIN_K, LIMIT_H * full_hour),
            Limit(model.surface_row, surface_c - LIMIT_MARGIN_K, LIMIT_H * full_hour),
        ),
        supply=model.supply,
    )


def _rest_k(model: TrueModel, state: State, weather: Weather, grid: Grid) -> FloatArray:
    """How far room air may be off at each border, whatever heat is given, (slots + 1,) [K]."""
    own_k, weather_k = _own_and_weather_k(model, state, folded_weather(weather, _FOLD))
    ahead_s = _FOLD * grid.step_s * np.arange(len(own_k))
    shown_k = np.maximum(own_k, np.interp(ahead_s / 3600.0, _SHOWN_H, _SHOWN_K))
    coarse_k = np.sqrt(shown_k**2 + weather_k**2 + SENSOR_SD_K**2)
    return np.asarray(np.interp(grid.edges_s() - grid.start_s, ahead_s, coarse_k))


def _own_and_weather_k(
    model: TrueModel, state: State, weather: Weather
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


def _outlook(case: _Case, air_c: FloatArray, blocks: Sequence[Block]) -> ZoneOutlook:
    """Expected room air with the spread around it; sessions that run have arrived."""
    grid, wide_k = case.grid, WITHIN_80 * case.spread.all_k
    curves = (grid.edges_s(), air_c, air_c - wide_k, air_c + wide_k)
    coming = [s for s in case.sessions if case.errand.now_s < s.start_s <= grid.end_s]
    return ZoneOutlook(
        zone=case.zone.id,
        parameter_set=NAME,
        points=tuple(Point(*row) for row in zip(*(c.tolist() for c in curves), strict=True)),
        arrivals=tuple(_arrival(grid, session, air_c, wide_k, blocks) for session in coming),
    )


def _arrival(
    grid: Grid,
    session: Session,
    air_c: FloatArray,
    wide_k: FloatArray,
    blocks: Sequence[Block],
) -> Arrival:
    edges_s = grid.edges_s()
    expected_c, around_k = (float(np.interp(session.start_s, edges_s, v)) for v in (air_c, wide_k))
    own = [b for b in blocks if b.reason is BlockReason.PREHEAT and b.session == session.id]
    return Arrival(
        session=session.id,
        target_c=session.target_c,
        air_c=expected_c,
        low_c=expected_c - around_k,
        high_c=expected_c + around_k,
        reachable=expected_c >= ready_c(session) - TOLERANCE_K,
        lead_s=session.start_s - own[0].start_s if own else None,
    )
