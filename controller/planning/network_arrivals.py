"""What a plan on networks promises: expected room air with bounds, and what sessions will find."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from controller.planning.history import FloatArray
from controller.planning.late_heat import LateHeat, echo, late_heat
from controller.planning.network_case import ZoneCase
from controller.planning.wishes_ahead import (
    quantile_of,
    ready_c,
    session_borders,
    start_errors_k,
)
from controller.planning.zone_state import Spread, disturbances_k
from controller.records.plan import Arrival, Block, BlockReason, Point, ZoneOutlook
from controller.records.sessions import Session
from models.heated_room import Room, recurrence
from models.reach import earliest_reach
from models.thermal_network import discrete

WITHIN_80 = 1.2816
"""Standard deviations to either side that hold 80 % of a normal distribution [-]."""
TOLERANCE_K = 0.05
"""A room expected this little below its band still counts as reached [K]."""
LEAD_STEP_S = 3600.0
"""Step in which lead times are looked for [s]."""
_NORMAL = np.random.default_rng(20_011).standard_normal((2, 1024))
"""Fixed draws of what shows early and what shows late."""
_HELD_BACK = 0.8
"""Share of the heat still to come that a plan can take back when it turns out warm [-]."""


def zone_outlook(
    case: ZoneCase,
    room: Room,
    heat_w: FloatArray,
    spread: Spread,
    blocks: Sequence[Block],
    *,
    now_s: float,
) -> ZoneOutlook:
    """Expectation for one zone under the heater's actual on-times.

    Parameters
    ----------
    case : ZoneCase
    room : Room
        As the programme took it.
    heat_w : array, shape (slots,)
        Heat into the zone by the on-times [W].
    spread : Spread
    blocks : sequence of Block
        The heater's timetable.
    now_s : float
        Sessions that run already are left out: they have arrived.
    """
    air_c = room.states(heat_w) @ room.air_row
    coming = [s for s in case.sessions if now_s < s.start_s <= case.grid.end_s]
    arrivals = tuple(_arrival(case, room, s, heat_w, air_c, spread, blocks) for s in coming)
    low_c, high_c = _bounds(case, air_c, spread, arrivals)
    curves = (case.grid.edges_s(), air_c, low_c, high_c)
    return ZoneOutlook(
        zone=case.zone.id,
        parameter_set=case.state.known.parameter_set,
        points=tuple(Point(*row) for row in zip(*(c.tolist() for c in curves), strict=True)),
        arrivals=arrivals,
    )


def _bounds(
    case: ZoneCase, air_c: FloatArray, spread: Spread, arrivals: Sequence[Arrival]
) -> tuple[FloatArray, FloatArray]:
    """The 80 % interval at every border; at a session's start it is that of the arrival."""
    wide_k = WITHIN_80 * spread.all_k
    low_c, high_c = air_c - wide_k, air_c + wide_k
    starts = {session.id: session for session in case.sessions}
    for arrival in arrivals:
        first, last = session_borders(starts[arrival.session], case.grid)
        below_k = arrival.air_c - arrival.low_c
        above_k = arrival.high_c - arrival.air_c
        inside = slice(first, last + 1)
        low_c[inside] = np.maximum(low_c[inside], air_c[inside] - below_k)
        high_c[inside] = np.minimum(high_c[inside], air_c[inside] + above_k)
    return np.minimum(low_c, air_c), np.maximum(high_c, air_c)


def _arrival(
    case: ZoneCase,
    room: Room,
    session: Session,
    heat_w: FloatArray,
    air_c: FloatArray,
    spread: Spread,
    blocks: Sequence[Block],
) -> Arrival:
    border = (session.start_s - case.grid.start_s) / case.grid.step_s
    planned_c = float(np.interp(border, np.arange(air_c.size), air_c))
    reachable = planned_c >= ready_c(session) - TOLERANCE_K
    expected_c, low_c, high_c = _arriving(case, room, session, heat_w, planned_c, spread)
    lead_low_s, lead_high_s = _lead_bounds_s(case, session)
    return case.correction.of(
        Arrival(
            session=session.id,
            target_c=session.target_c,
            air_c=expected_c,
            low_c=low_c,
            high_c=high_c,
            reachable=reachable,
            reached_s=None if reachable else _reached_s(case, room, session),
            lead_s=_lead_s(session, blocks),
            lead_low_s=lead_low_s,
            lead_high_s=lead_high_s,
        )
    )


def _arriving(
    case: ZoneCase,
    room: Room,
    session: Session,
    heat_w: FloatArray,
    planned_c: float,
    spread: Spread,
) -> tuple[float, float, float]:
    """Median and 80 % interval of the air at a session's start under plans made anew [°C].

    Of the error ahead one part shows while heat can still be added or taken back, and later
    plans then aim at the session's band with the margin that is left; the other part comes too
    late. What can be taken back is the heat still to come, what can be added the heat not yet
    planned; each as far as it still reaches the room by then.
    """
    first, _ = session_borders(session, case.grid)
    late_k, early_k = start_errors_k(session, case.grid, spread, LateHeat())
    early_k = math.hypot(early_k, late_heat(room, heat_w, first, step_s=case.grid.step_s).astray_k)
    echo_k = echo(room, first)
    given_k = float(echo_k @ heat_w[:first])
    full_k = float(echo_k @ np.broadcast_to(room.heat_max_w, heat_w.shape)[:first])
    goal_c = ready_c(session) + max(0.0, quantile_of(session) * late_k + case.shift_k(session))
    if planned_c < ready_c(session) - TOLERANCE_K:
        goal_c = planned_c  # what this plan has not the heat for, no later one will have
    early_c = planned_c + early_k * _NORMAL[0]
    most_c = early_c + max(0.0, full_k - given_k)
    least_c = early_c - _HELD_BACK * given_k
    arriving_c = np.clip(goal_c, least_c, most_c) + late_k * _NORMAL[1]
    median, low, high = np.quantile(arriving_c, (0.5, 0.1, 0.9))
    return float(median), float(low), float(high)


def _lead_s(session: Session, blocks: Sequence[Block]) -> float | None:
    """From the first heat for a session that is still to come until its start; None without."""
    own = [b for b in blocks if b.reason is BlockReason.PREHEAT and b.session == session.id]
    return session.start_s - own[0].start_s if own else None


def _lead_bounds_s(case: ZoneCase, session: Session) -> tuple[float | None, float | None]:
    """Bounds of the 80 % interval of the lead that the session needs at full heat [s].

    For every drawn network: how far the unheated room would be below its band, and how long
    full heat takes for that. None where even heat from now on would not do.
    """
    case = case.coarse(LEAD_STEP_S)
    first, _ = session_borders(session, case.grid)
    steps = [discrete(network, case.grid.step_s) for network in case.state.networks]
    a = np.stack([step.a for step in steps])
    begin = np.stack([observed.x for observed in case.state.states])
    unheated = recurrence(a, begin, disturbances_k(steps, case.weather)[:, :first])
    missing_k = ready_c(session) - unheated[:, -1] @ steps[0].c_air
    heat = np.stack([step.b_heat for step in steps]) * case.rating_w * case.share
    still = np.zeros((len(steps), max(first - 1, 0), heat.shape[1]))
    risen_k = np.cumsum(recurrence(a, heat, still) @ steps[0].c_air, axis=1)[:, :first]
    slots = [_slots_until(missing, rise) for missing, rise in zip(missing_k, risen_k, strict=True)]
    leads = np.sort(slots) * case.grid.step_s
    low_s, high_s = (float(leads[round(q * (len(leads) - 1))]) for q in (0.1, 0.9))
    return _finite(low_s), _finite(high_s)


def _slots_until(missing_k: float, risen_k: FloatArray) -> float:
    """Slots of full heat that raise the air by this much, 0 where nothing is missing."""
    if missing_k <= 0.0:
        return 0.0
    knots = np.maximum.accumulate(np.concatenate(([0.0], risen_k)))
    if missing_k > knots[-1]:
        return math.inf
    return float(np.interp(missing_k, knots, np.arange(len(knots))))


def _reached_s(case: ZoneCase, room: Room, session: Session) -> float | None:
    """When full heat from now on brings the room to the target (UTC seconds); None if never."""
    first, _ = session_borders(session, case.grid)
    (reach,) = earliest_reach(room, [(first, session.target_c)], slot_s=case.grid.step_s)
    return case.grid.start_s + reach.reached_s if math.isfinite(reach.reached_s) else None


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
