"""How much more margin the sessions already held would have needed, and what the next one gets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from controller.planning.held_sessions import FARTHEST_K, found_at_start
from controller.planning.history import Source
from controller.planning.wishes_ahead import quantile_of, ready_c
from controller.planning.zone_state import SENSOR_SD_K
from controller.records.sessions import Session
from controller.records.site import Heater, Site, Zone

FIRST_K = 0.42
"""Shift before any session, for each standard deviation that the readiness asks for: no network
knows all that strays (chosen here, no source) [K]."""
LEAST_K, MOST_K = -0.3, 1.5
"""Bounds of the shift [K]."""
SCATTER_K = 0.35
"""Standard deviation supposed of what sessions need (chosen here, no source) [K]."""
SUPPOSED = 9
"""Sessions taken to have needed what was expected, before any was held [-]."""
SEEN_S = 48 * 3600.0
"""A session that was out of reach this long before its start says nothing of the margin [s]."""
_NORMAL = NormalDist()
_SUPPOSED_K = SCATTER_K * np.array(
    [_NORMAL.inv_cdf(k / (SUPPOSED + 1)) for k in range(1, SUPPOSED + 1)]
)


@dataclass(frozen=True, slots=True)
class MarginShift:
    """What to add to the planned margin at a session's start, by what those before it needed.

    ``needed_k`` holds for each session the shift that would just have made it ready, as if it had
    been asked for with even odds [K].
    """

    needed_k: tuple[float, ...] = ()

    def of(self, session: Session) -> float:
        """The shift for a session [K].

        Notes
        -----
        The least that holds the next one of the same kind with the chance asked for: a quantile
        of what was needed, as in split conformal prediction (Papadopoulos, Proedrou, Vovk and
        Gammerman, ECML 2002), the `SUPPOSED` sessions among them. Asked for more than so few
        sessions can show, it goes on as a normal distribution does.
        """
        asked = quantile_of(session)
        supposed_k = asked * (FIRST_K - SCATTER_K) + _SUPPOSED_K
        known_k = np.concatenate((supposed_k, np.array(self.needed_k) - asked * SCATTER_K))
        most = len(known_k) / (len(known_k) + 1)
        chance = _NORMAL.cdf(asked)
        shift_k = float(np.quantile(known_k, min(chance, most), method="weibull"))
        beyond_k = SCATTER_K * max(0.0, asked - _NORMAL.inv_cdf(most))
        return min(max(shift_k + beyond_k, LEAST_K), MOST_K)

    def after(self, session: Session, lacked_k: float) -> MarginShift:
        """The same after one more session; below 0 is what it had more than it needed."""
        bounded_k = min(max(lacked_k, -FARTHEST_K), FARTHEST_K)
        needed_k = self.of(session) + bounded_k + quantile_of(session) * SCATTER_K
        return MarginShift((*self.needed_k, needed_k))


def margin_shift(
    source: Source, site: Site, heater: Heater, zone: Zone, held: Sequence[Session], *, now_s: float
) -> MarginShift:
    """What the sessions already held say of the margin.

    Parameters
    ----------
    source : Source
    site : Site
    heater : Heater
        Whose plans served the sessions.
    zone : Zone
    held : sequence of Session
        By start; those of other zones, and those not yet begun for ten minutes, are left out.
    now_s : float
        UTC seconds.
    """
    shift = MarginShift()
    for session, found_c in found_at_start(source, site, zone, held, now_s=now_s):
        lacked_k = ready_c(session) + hidden_k(session) - found_c
        if lacked_k <= 0.0 or _was_in_reach(source, heater, session):
            shift = shift.after(session, lacked_k)
    return shift


def hidden_k(session: Session) -> float:
    """How much warmer than needed a room must read to be as surely warm as asked [K].

    A session found warm by a sensor that reads too warm was cold. The offset, which no reading
    shows, comes on top of the scatter of arrivals; that is taken to be as large.
    """
    return quantile_of(session) * SENSOR_SD_K * (math.sqrt(2.0) - 1.0)


def _was_in_reach(source: Source, heater: Heater, session: Session) -> bool:
    """Whether a plan could have had it ready, by what was promised while there was time."""
    told = source.promised(heater.id, session.id, session.start_s - SEEN_S)
    return told is None or told.reachable
