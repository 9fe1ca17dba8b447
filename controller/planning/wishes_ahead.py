"""What one zone should keep to in each slot: sessions with their margins, frost floor, limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from controller.planning.history import FloatArray, Grid
from controller.planning.late_heat import FEEDBACK_S, LateHeat, late_heat
from controller.planning.zone_state import Spread
from controller.records.limits import Limits
from controller.records.sessions import Session
from models.heated_room import Room

BAND_K = 0.5
"""A room this far below its target still counts as warm [K]."""
UNCORRECTED = 0.75
"""Share of the error growing before that which later plans fail to make good [-]."""
SESSION_MARGIN = 0.8
"""Margin inside a session, as a share of the one that readiness asks for: a dip there is short and
made good at once [-]."""
FROST_MARGIN_K = 0.7
"""How far above the start of frost protection a plan keeps the room [K]."""
SHORT_H = 8.0
"""Hours of full heat that a K·h of shortfall is worth inside a session [1/K]."""
START_H = 24.0
"""Hours of full heat that a kelvin short at a session's start is worth [h/K]."""
BEST_HOUR = 1.5
"""The same at least, as a multiple of the hours of full heat that a kelvin at the start takes at
best [-]: a heater that is weak for its slab is asked for what it can give all the same."""
DEAREST_H = 200.0
"""The same at most: never as dear as a limit [h/K]."""
FROST_H = 40.0
"""The same for a K·h below the frost floor [1/K]."""


@dataclass(frozen=True, slots=True, eq=False)
class Wish:
    """Least room air at each slot border [°C] and its price, both of shape (slots + 1,).

    ``hours_per_k_h`` counts in hours of full heat for each K·h below.
    """

    lower_c: FloatArray
    hours_per_k_h: FloatArray


def frost_wish(limits: Limits, grid: Grid) -> Wish:
    """The frost floor alone."""
    borders = grid.count + 1
    return Wish(np.full(borders, limits.frost_on_c + FROST_MARGIN_K), np.full(borders, FROST_H))


Shift = Callable[[Session], float]


def unshifted_k(session: Session) -> float:
    """Nothing comes on top of the margin [K]."""
    return 0.0


def late_heats(
    sessions: Sequence[Session], grid: Grid, room: Room, heat_w: FloatArray
) -> dict[str, LateHeat]:
    """For every session to come, what of this heat, in each slot of a grid, is its late heat."""
    return {
        s.id: late_heat(room, heat_w, session_borders(s, grid)[0], step_s=grid.step_s)
        for s in sessions
        if grid.start_s < s.start_s <= grid.end_s
    }


def session_wish(
    limits: Limits,
    sessions: Sequence[Session],
    grid: Grid,
    spread: Spread | None,
    late: Mapping[str, LateHeat] | None = None,
    *,
    shift_k: Shift = unshifted_k,
    start_h: float = START_H,
) -> Wish:
    """Frost floor and sessions; each session is ready with the probability asked for.

    Parameters
    ----------
    limits : Limits
    sessions : sequence of Session
        Of the zone, not over.
    grid : Grid
    spread : Spread or None
        None asks for no margin.
    late : mapping of session to LateHeat, optional
    shift_k : callable
        Gives what is added to a session's margin at its start; no margin is below 0 [K].
    start_h : float
        What `start_worth_h` gives [h/K].
    """
    wish = frost_wish(limits, grid)
    lower_c, price = wish.lower_c, wish.hours_per_k_h
    step_h = grid.step_s / 3600.0
    for session in sessions:
        first, last = session_borders(session, grid)
        if first > grid.count:
            continue
        inside = slice(first, last + 1)
        wanted_c = np.full(len(lower_c[inside]), ready_c(session))
        if spread is not None:
            wanted_c += SESSION_MARGIN * margins_k(session, grid, spread)[inside]
        price[inside] = SHORT_H * start_h / START_H
        if session.start_s > grid.start_s:
            own = (late or {}).get(session.id, LateHeat())
            margin_k = 0.0 if spread is None else start_margin_k(session, grid, spread, own)
            wanted_c[0] = ready_c(session) + max(0.0, margin_k + shift_k(session))
            price[first] = start_h / step_h
        lower_c[inside] = np.maximum(lower_c[inside], wanted_c)
    return wish


def start_worth_h(best_hour_k: float) -> float:
    """Hours of full heat that a kelvin short at a session's start is worth [h/K].

    Parameters
    ----------
    best_hour_k : float
        What an hour of full heat adds to the room air at best, whenever that is [K].
    """
    weak_h = BEST_HOUR / best_hour_k if best_hour_k > 0.0 else START_H
    return min(max(START_H, weak_h), DEAREST_H)


def start_margin_k(session: Session, grid: Grid, spread: Spread, late: LateHeat) -> float:
    """How far above its band a session's room is aimed at its start [K].

    The wanted quantile of the error that no later plan can make good: all of what comes too late,
    and a share of what comes before. So the margin grows with the lead and with the heat still to
    come at full power, and falls as the session nears.
    """
    late_k, early_k = start_errors_k(session, grid, spread, late)
    return quantile_of(session) * math.hypot(late_k, UNCORRECTED * early_k)


def start_errors_k(
    session: Session, grid: Grid, spread: Spread, late: LateHeat
) -> tuple[float, float]:
    """Errors at a session's start that come too late to be made good, and before that [K]."""
    first, _ = session_borders(session, grid)
    first = min(first, grid.count)
    near = min(math.ceil(late.span_s / grid.step_s), first)
    all_k = float(spread.all_k[first])
    # wrong parameters err one way all along: what they have done by then has been seen
    grown_k = max(0.0, float(spread.parameters_k[first] - spread.parameters_k[first - near]))
    late_k = min(math.hypot(float(spread.rest_k[near]), grown_k), all_k)
    early_k = math.sqrt(max(all_k**2 - late_k**2, 0.0))
    return math.hypot(late_k, late.astray_k), early_k


def margins_k(session: Session, grid: Grid, spread: Spread) -> FloatArray:
    """The same at each border inside a session, where only what comes late is left [K].

    Shape (slots + 1,); what came before the start has mostly shown by then.
    """
    first, _ = session_borders(session, grid)
    late_k, all_k = late_and_all_k(grid, spread)
    open_k = np.where(np.arange(grid.count + 1) <= first, all_k, all_k[min(first, grid.count)])
    early = np.maximum(open_k**2 - late_k**2, 0.0)
    early[np.arange(grid.count + 1) > first] *= 0.25  # by then it has shown
    return np.asarray(quantile_of(session) * np.sqrt(late_k**2 + UNCORRECTED**2 * early))


def late_and_all_k(grid: Grid, spread: Spread) -> tuple[FloatArray, FloatArray]:
    """Error that comes within `FEEDBACK_S` of each border, and all of it, (slots + 1,) [K]."""
    all_k = spread.all_k
    near = min(math.ceil(FEEDBACK_S / grid.step_s), grid.count)
    return np.minimum(all_k, all_k[near]), all_k


def ready_c(session: Session) -> float:
    """Least room air with which a session counts as ready [°C]."""
    return session.target_c - BAND_K


def quantile_of(session: Session) -> float:
    """Standard deviations that the wanted readiness asks for [-]; at least none."""
    return NormalDist().inv_cdf(min(max(session.readiness, 0.5), 0.999))


def session_borders(session: Session, grid: Grid) -> tuple[int, int]:
    """First and last slot border at which a session wants its target.

    A session that starts within a slot wants it at the border before.
    """
    first = math.floor((session.start_s - grid.start_s) / grid.step_s + 1e-6)
    last = math.floor((session.end_s - grid.start_s) / grid.step_s + 1e-6)
    return max(0, first), min(last, grid.count)
