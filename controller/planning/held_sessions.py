"""Sessions already held: how warm each found the room."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from controller.planning.history import Grid, Source, role_mean
from controller.records.sessions import Session
from controller.records.site import Role, Site, Zone

FARTHEST_K = 1.0
"""A session found further off than this teaches as if it were this far off [K]."""
AROUND_S = 600.0
"""Room air is taken this long before and after a start [s]."""
_PARTS = 5


def found_at_start(
    source: Source, site: Site, zone: Zone, held: Sequence[Session], *, now_s: float
) -> Iterator[tuple[Session, float]]:
    """A zone's sessions that have begun, each with the air it found, where that was read."""
    for session in held:
        if session.zone == zone.id and session.start_s + AROUND_S <= now_s:
            found_c = _found_c(source, site, zone, session)
            if np.isfinite(found_c):
                yield session, found_c


def _found_c(source: Source, site: Site, zone: Zone, session: Session) -> float:
    """Room air around a session's start, a door's dip outvoted [°C]; NaN where nothing was read."""
    around = Grid(session.start_s - AROUND_S, 2.0 * AROUND_S / _PARTS, _PARTS)
    found_c = role_mean(source, site, role=Role.AIR, subject=zone.id, grid=around)
    known = found_c[np.isfinite(found_c)]
    return float(np.median(known)) if len(known) else float("nan")
