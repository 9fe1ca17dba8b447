"""How warm the sessions already held were found, and what that says of the margin."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from controller.planning.history import Grid, Source, role_mean
from controller.planning.wishes_ahead import ready_c
from controller.records.sessions import Session
from controller.records.site import Role, Site, Zone

STEP_K = 0.5
"""How far one surprise moves the margin: a session found cold by this times the readiness asked
for, up; one found ready by this times what was left to chance, down [K]."""
FIRST_K = 0.2
"""Shift before any session: people come in by a door (chosen here, no source) [K]."""
LEAST_K, MOST_K = -0.3, 1.5
"""Bounds of the shift [K]."""
AROUND_S = 600.0
"""Room air is taken this long before and after a start [s]."""
_PARTS = 5


def margin_shift_k(
    source: Source, site: Site, zone: Zone, held: Sequence[Session], *, now_s: float
) -> float:
    """What to add to the margin at a session's start so that readiness comes out as asked [K].

    Parameters
    ----------
    source : Source
    site : Site
    zone : Zone
    held : sequence of Session
        By start; those of other zones, and those not yet begun for ten minutes, are left out.
    now_s : float
        UTC seconds.

    Notes
    -----
    Adaptive conformal inference (Gibbs and Candes, NeurIPS 2021): whatever the errors are and
    however they change, the share of sessions found cold goes to the share left to chance, for at
    that share the steps up and down are in balance.
    """
    shift_k = FIRST_K
    for session in held:
        if session.zone != zone.id or session.start_s + AROUND_S > now_s:
            continue
        found_c = _found_c(source, site, zone, session)
        if not np.isfinite(found_c):
            continue
        cold = found_c < ready_c(session)
        chance = 1.0 - min(max(session.readiness, 0.5), 0.999)
        shift_k += STEP_K * (1.0 - chance if cold else -chance)
        shift_k = min(max(shift_k, LEAST_K), MOST_K)
    return shift_k


def _found_c(source: Source, site: Site, zone: Zone, session: Session) -> float:
    """Room air around a session's start, a door's dip outvoted [°C]; NaN where nothing was read."""
    around = Grid(session.start_s - AROUND_S, 2.0 * AROUND_S / _PARTS, _PARTS)
    found_c = role_mean(source, site, role=Role.AIR, subject=zone.id, grid=around)
    known = found_c[np.isfinite(found_c)]
    return float(np.median(known)) if len(known) else float("nan")
