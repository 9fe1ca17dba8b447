"""A heater's timetable: what its zones need, when it is on for that, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.planning.blocks import Interval, Need, label
from controller.planning.history import FloatArray, Grid, Source, heater_duty, zone_heat_w
from controller.planning.margin_needed import margin_shift
from controller.planning.network_arrivals import TOLERANCE_K, zone_outlook
from controller.planning.network_case import ZoneCase
from controller.planning.network_parameters import known_network
from controller.planning.outlook import Weather, weather_ahead, weather_from_room
from controller.planning.parameters import response_in_force, set_in_force
from controller.planning.programme_plan import Heating, cheapest
from controller.planning.promises_kept import correction
from controller.planning.sharing import sharing
from controller.planning.start import PAST_S, full_output_w, outdoor_by_balance
from controller.planning.tariff import prices_ahead
from controller.planning.wishes_ahead import ready_c, session_borders
from controller.planning.zone_state import ZoneState, has_air, on_zone, zone_state
from controller.records.errands import PlanErrand
from controller.records.plan import Plan
from controller.records.sessions import Session
from controller.records.site import Heater, Zone
from models.thermal_network import ROOM
from models.timetable import on_times

SLOT_S = 900.0
"""Slots stand on the clock's quarters [s]."""
LONGER_SLOTS = ((8, 3600.0), (4, 1800.0))
"""Above so many zones slots are so long: time to solve grows with the square of what they hold."""
PULSE_S = 1200.0
"""Shortest time on or off that is planned: a slab does not feel shorter ones, a relay does [s]."""
WORTH_S = 60.0
"""Heat worth a whole pulse where a session would go short without it [s]."""
SHORTEST_S, LONGEST_S = 48 * 3600.0, 7 * 86400.0
"""Least and greatest time that a plan looks ahead [s]."""
LOOK_BACK_S = 86400.0
"""How far back the command's last change is looked for [s]."""


def make_plan(errand: PlanErrand, source: Source) -> Plan:
    """Make a heater's timetable.

    Parameters
    ----------
    errand : PlanErrand
    source : Source
        History up to ``errand.now_s``.

    Returns
    -------
    Plan
        The same for the same errand and history.

    Raises
    ------
    PlanningError
        Where a zone has no recent room air.
    """
    heater = errand.site.heater(errand.heater)
    zones = errand.site.zones_of(heater)
    sessions = sessions_of(errand, zones)
    grid = plan_grid(sessions, now_s=errand.now_s, slot_s=slot_s_for(len(zones)))
    cases = sharing(_cases(errand, source, heater, grid))
    heating = cheapest(cases, prices_ahead(source, errand.site, grid=grid, now_s=errand.now_s))
    needs = _needs(cases, heating, source)
    on = switching(errand, source, heating, grid)
    duty = _given(errand, source, on, grid)
    if left_short(cases, heating, duty):
        on = switching(errand, source, heating, grid, worth_s=WORTH_S)
        duty = _given(errand, source, on, grid)
    blocks = label(on, needs, sessions, grid, from_s=errand.now_s)
    outlooks = tuple(
        zone_outlook(
            case, room, duty * heating.available_w * case.share, spread, blocks, now_s=errand.now_s
        )
        for case, room, spread in zip(cases, heating.rooms, heating.spreads, strict=True)
    )
    given = tuple(case.zone.id for case in cases if case.share > 0.0)
    return Plan(
        id=f"{heater.id}-{errand.now_s:.0f}",
        heater=heater.id,
        made_s=errand.now_s,
        until_s=grid.end_s,
        blocks=blocks,
        outlooks=outlooks,
        sessions=sessions,
        gives=given if len(given) < len(cases) else (),
    )


def slot_s_for(zones: int) -> float:
    """How long a plan's slots are with so many zones on one heater [s]."""
    return next((slot_s for most, slot_s in LONGER_SLOTS if zones > most), SLOT_S)


def plan_grid(sessions: tuple[Session, ...], *, now_s: float, slot_s: float = SLOT_S) -> Grid:
    """The slots from the present one to the last session's end, 48 h to 7 days on."""
    start_s = math.floor(now_s / slot_s) * slot_s
    near = [s for s in sessions if s.start_s < now_s + LONGEST_S]
    last_s = max((s.end_s for s in near), default=now_s)
    span_s = min(max(last_s - start_s, SHORTEST_S), LONGEST_S)
    return Grid(start_s, slot_s, math.ceil(span_s / slot_s) + 1)


def sessions_of(errand: PlanErrand, zones: tuple[Zone, ...]) -> tuple[Session, ...]:
    """The sessions of these zones that are not over, by start."""
    served = {zone.id for zone in zones}
    coming = [s for s in errand.sessions if s.zone in served and s.end_s > errand.now_s]
    return tuple(sorted(coming, key=lambda s: (s.start_s, s.id)))


def _cases(errand: PlanErrand, source: Source, heater: Heater, grid: Grid) -> list[ZoneCase]:
    site, now_s = errand.site, errand.now_s
    outdoors = weather_ahead(source, site, now_s=now_s, grid=grid)
    rating_w = full_output_w(source, site, heater, now_s=now_s)
    cases = []
    for zone in site.zones_of(heater):
        state, sessions = _state(errand, source, zone, grid), sessions_of(errand, (zone,))
        weather = outdoors or _weather_from_room(errand, source, zone, grid)
        air_c = float(state.x[ROOM])
        case = ZoneCase(
            site=site,
            heater=heater,
            zone=zone,
            sessions=sessions,
            limits=errand.limits,
            state=state,
            weather=on_zone(weather, site, zone, grid, sessions=sessions, air_c=air_c),
            rating_w=rating_w,
            grid=grid,
            shift_k=margin_shift(source, site, heater, zone, errand.held, now_s=now_s).of,
            correction=correction(source, site, heater, zone, errand.held, now_s=now_s),
        )
        cases.append(case)
    return cases


def _state(errand: PlanErrand, source: Source, zone: Zone, grid: Grid) -> ZoneState:
    """The zone's state at the first slot; at this moment where readings only just begin."""
    known = known_network(errand.site, zone, set_in_force(zone, errand.parameter_sets))
    begun = has_air(source, errand.site, zone, until_s=grid.start_s)
    at_s = grid.start_s if begun else errand.now_s
    booked = (*errand.held, *errand.sessions)
    return zone_state(source, errand.site, zone, known, at_s=at_s, sessions=booked)


def _weather_from_room(errand: PlanErrand, source: Source, zone: Zone, grid: Grid) -> Weather:
    response = response_in_force(errand.site, zone, errand.parameter_sets, now_s=errand.now_s)
    level_c, sd_k = outdoor_by_balance(
        source, errand.site, zone, response.model, now_s=errand.now_s
    )
    return weather_from_room(level_c, sd_k, grid)


def _warmed(case: ZoneCase, source: Source) -> bool:
    """Whether a zone got heat in the last hours."""
    past = Grid.before(case.grid.start_s, span_s=PAST_S, step_s=SLOT_S)
    return bool(np.nan_to_num(zone_heat_w(source, case.site, case.zone, past)).any())


def _needs(cases: list[ZoneCase], heating: Heating, source: Source) -> list[Need]:
    """Whose heat it is: that of the zone with the next session, or one that runs."""
    edges_s = cases[0].grid.edges_s()[:-1]
    next_s = np.array([[_next_s(case, edge_s) for edge_s in edges_s] for case in cases])
    own = (next_s == next_s.min(axis=0)) & np.isfinite(next_s)
    return [
        Need(
            case.zone.id,
            np.where(mine, heating.duty, heating.frost_duty),
            heating.frost_duty,
            warmed=_warmed(case, source) and not heating.for_frost[0],
        )
        for case, mine in zip(cases, own, strict=True)
        if case.share > 0.0
    ]


def _next_s(case: ZoneCase, at_s: float) -> float:
    """When the zone's running or next session starts (UTC seconds); inf for none."""
    return next((s.start_s for s in case.sessions if s.end_s > at_s), math.inf)


def left_short(cases: Sequence[ZoneCase], heating: Heating, duty: FloatArray) -> bool:
    """Whether heat left out as too little for a pulse costs a session that the programme serves."""
    short = False
    for case, room, path in zip(cases, heating.rooms, heating.programme.rooms, strict=True):
        air_c = room.states(duty * heating.available_w * case.share) @ room.air_row
        for session in case.sessions:
            first, _ = session_borders(session, case.grid)
            if 0 < first <= case.grid.count:
                least_c = ready_c(session) - TOLERANCE_K
                short |= bool(air_c[first] < least_c <= path.air_c[first])
    return short


def switching(
    errand: PlanErrand,
    source: Source,
    heating: Heating,
    grid: Grid,
    *,
    worth_s: float | None = None,
) -> list[Interval]:
    """On-times from now on (UTC seconds); ``worth_s`` as in `on_times`."""
    changes = source.heating(errand.heater, errand.now_s - LOOK_BACK_S, errand.now_s)
    changed_s = changes[-1][0] if changes else errand.now_s - LOOK_BACK_S
    # a pause that is under way is over when the limits say so: heat that is late must not wait
    rested_s = max(0.0, PULSE_S - errand.limits.min_off_s)
    times = on_times(
        heating.duty,
        slot_s=grid.step_s,
        min_on_s=max(errand.limits.min_on_s, PULSE_S),
        min_off_s=max(errand.limits.min_off_s, PULSE_S),
        heating=errand.heating,
        since_s=grid.start_s - changed_s + (0.0 if errand.heating else rested_s),
        worth_s=worth_s,
    )
    shifted = [(grid.start_s + a, grid.start_s + b) for a, b in times]
    return [(max(a, errand.now_s), b) for a, b in shifted if b > errand.now_s]


def _given(errand: PlanErrand, source: Source, on: list[Interval], grid: Grid) -> FloatArray:
    """Share of each slot that is heated, before the plan was made and by it [0..1]."""
    duty = duty_of(on, grid)
    duty[0] += given_share(errand, source, grid)
    return duty


def given_share(errand: PlanErrand, source: Source, grid: Grid) -> float:
    """Share of the first slot that was heated before the plan was made [0..1]."""
    elapsed_s = errand.now_s - grid.start_s
    if elapsed_s < 1.0:
        return 0.0
    duty = heater_duty(source, errand.heater, Grid(grid.start_s, elapsed_s, 1))
    return float(np.nan_to_num(duty[0])) * elapsed_s / grid.step_s


def duty_of(on: list[Interval], grid: Grid) -> FloatArray:
    """Share of each slot in which the heater is on [0..1]."""
    edges_s = grid.edges_s()
    on_s = np.zeros(grid.count + 1)
    for start_s, end_s in on:
        on_s += np.clip(edges_s, start_s, end_s) - start_s
    duty: FloatArray = np.diff(on_s) / grid.step_s
    return duty
