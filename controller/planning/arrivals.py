"""What a plan promises: expected room air with its bounds, and what each session will find."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from controller.planning.demand import (
    DRAWS,
    SEED,
    ZoneCase,
    parameter_error_k,
    ready_c,
    session_borders,
)
from controller.planning.history import FloatArray
from controller.planning.paths import lead_times_s
from controller.records.plan import Arrival, Block, BlockReason, Point, ZoneOutlook
from controller.records.sessions import Session
from models.first_order import lead_time_s

WITHIN_80 = 1.2816
"""Standard deviations to either side that hold 80 % of a normal distribution [-]."""
TOLERANCE_K = 0.05
"""A room expected this little below its band still counts as reached [K]."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected room air under a timetable and its 80 % interval, each of shape (slots + 1,)."""

    air_c: FloatArray
    low_c: FloatArray
    high_c: FloatArray

    def at(self, border: float) -> tuple[float, float, float]:
        """Air, low and high at a border, which need not be a whole one [°C]."""
        borders = np.arange(self.air_c.size)
        curves = (self.air_c, self.low_c, self.high_c)
        air_c, low_c, high_c = (float(np.interp(border, borders, curve)) for curve in curves)
        return air_c, low_c, high_c


def zone_outlook(
    case: ZoneCase, duty: FloatArray, blocks: Sequence[Block], *, now_s: float
) -> ZoneOutlook:
    """Expectation for one zone under the heater's actual on-times.

    Parameters
    ----------
    case : ZoneCase
    duty : ndarray, shape (slots,)
        Share of each slot in which the heater is on [0..1].
    blocks : sequence of Block
        The heater's timetable.
    now_s : float
        Sessions that run already are left out: they have arrived.
    """
    heat_w = duty * case.power_w
    expected = expectation(case, heat_w)
    curves = (case.grid.edges_s(), expected.air_c, expected.low_c, expected.high_c)
    return ZoneOutlook(
        zone=case.zone,
        parameter_set=case.response.parameter_set,
        points=tuple(Point(*row) for row in zip(*(c.tolist() for c in curves), strict=True)),
        arrivals=tuple(
            _arrival(case, session, heat_w, expected, blocks)
            for session in case.sessions
            if now_s < session.start_s <= case.grid.end_s
        ),
    )


def expectation(case: ZoneCase, heat_w: FloatArray) -> Expected:
    """Room air under this heat, with bounds that allow for re-planning.

    Left alone the error would grow with the horizon (parameters, weather, residual). But a room
    on its way to a session is watched: from the first heat for it the bounds close in on the
    error that re-planning leaves. Where no heat is planned nothing can be held back, and where
    the session is out of reach nothing can be added: there they stay open.
    """
    air_c = case.expected_c(heat_w)
    down_k, up_k = parameter_error_k(case.paths_c(case.draws, heat_w), air_c)
    held_low, held_high = np.zeros(air_c.size), np.zeros(air_c.size)
    for session in case.sessions:
        share, heated = _held(case, session, heat_w)
        if share.any() and air_c[session_borders(session, case.grid)[0]] >= _least_c(session):
            held_low = np.maximum(held_low, share)
            held_high = np.maximum(held_high, share * heated)
    low_k = _closed_in(case, np.hypot(down_k, case.other_sd_k), held_low)
    high_k = _closed_in(case, np.hypot(up_k, case.other_sd_k), held_high)
    return Expected(air_c, air_c - WITHIN_80 * low_k, air_c + WITHIN_80 * high_k)


def _closed_in(case: ZoneCase, open_k: FloatArray, held: FloatArray) -> FloatArray:
    closed_k = np.minimum(open_k, case.feedback_sd_k)
    return np.asarray(np.sqrt((1.0 - held) * open_k**2 + held * closed_k**2))


def _held(case: ZoneCase, session: Session, heat_w: FloatArray) -> tuple[FloatArray, bool]:
    """How far re-planning has the room in hand at each border [0..1], and whether heat is due."""
    borders = np.arange(case.grid.count + 1)
    first, last = session_borders(session, case.grid)
    share = np.zeros(case.grid.count + 1)
    if first > case.grid.count:
        return share, False
    warm = np.flatnonzero(_heat_between(case, session, heat_w) > 0.0)
    begun = int(warm[0]) if warm.size else first
    share[begun : last + 1] = np.clip(
        (borders[begun : last + 1] - begun + 1) / (first - begun + 1), 0.0, 1.0
    )
    return share, bool(warm.size)


def _heat_between(case: ZoneCase, session: Session, heat_w: FloatArray) -> FloatArray:
    """The planned heat after the zone's last session before this one and until its start [W]."""
    edges_s = case.grid.edges_s()[:-1]
    own = edges_s < session.start_s
    return np.where(own, heat_w - _heat_before_w(case, session, heat_w), 0.0)


def _least_c(session: Session) -> float:
    return ready_c(session) - TOLERANCE_K


def _arrival(
    case: ZoneCase,
    session: Session,
    heat_w: FloatArray,
    expected: Expected,
    blocks: Sequence[Block],
) -> Arrival:
    border = (session.start_s - case.grid.start_s) / case.grid.step_s
    air_c, low_c, high_c = expected.at(border)
    reachable = air_c >= _least_c(session)
    lead_low_s, lead_high_s = _lead_bounds_s(case, session, heat_w)
    return Arrival(
        session=session.id,
        target_c=session.target_c,
        air_c=air_c,
        low_c=low_c,
        high_c=high_c,
        reachable=reachable,
        reached_s=None if reachable else _reached_s(case, session),
        lead_s=_lead_s(session, blocks),
        lead_low_s=lead_low_s,
        lead_high_s=lead_high_s,
    )


def _lead_s(session: Session, blocks: Sequence[Block]) -> float | None:
    """From the first heat for a session that is still to come until its start; None without."""
    own = [b for b in blocks if b.reason is BlockReason.PREHEAT and b.session == session.id]
    return session.start_s - own[0].start_s if own else None


def _lead_bounds_s(
    case: ZoneCase, session: Session, heat_w: FloatArray
) -> tuple[float | None, float | None]:
    """Bounds of the 80 % interval of the lead time that the session needs at full heat [s].

    For every parameter sample, with a draw of the other errors added: how far the room would be
    below its band at the start if it got no heat after the session before, and how long full
    heat takes for that. None where even endless heat would not do.
    """
    border = session_borders(session, case.grid)[0]
    models = case.draws
    coasting_c = case.paths_c(models, _heat_before_w(case, session, heat_w))[border]
    other_k = np.random.default_rng(SEED).standard_normal(DRAWS) * case.other_sd_k[border]
    missing_k = ready_c(session) - coasting_c + other_k
    leads_s = np.sort(lead_times_s(models, missing_k=missing_k, power_w=case.power_w))
    low_s, high_s = (float(leads_s[round(q * (DRAWS - 1))]) for q in (0.1, 0.9))
    return _finite(low_s), _finite(high_s)


def _heat_before_w(case: ZoneCase, session: Session, heat_w: FloatArray) -> FloatArray:
    """The planned heat up to the end of the zone's last session before this one [W]."""
    before_s = max(
        (s.end_s for s in case.sessions if s.start_s < session.start_s), default=-math.inf
    )
    return np.where(case.grid.edges_s()[:-1] < before_s, heat_w, 0.0)


def _reached_s(case: ZoneCase, session: Session) -> float | None:
    """When full heat from now on brings the room to the target (UTC seconds); None if never."""
    full_w = np.full(case.grid.count, case.power_w)
    air_c = case.expected_c(full_w)
    warm = np.flatnonzero(air_c >= session.target_c)
    if warm.size:
        return float(case.grid.edges_s()[warm[0]])
    model = case.response.model
    further_s = lead_time_s(
        model,
        start_c=float(air_c[-1]),
        target_c=session.target_c,
        outdoor_c=float(case.weather.outdoor_c[-96:].mean()),
        power_w=case.power_w,
        pending_j=case.power_w * model.dead_time_s,
    )
    return None if math.isinf(further_s) else case.grid.end_s + further_s - model.dead_time_s


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
