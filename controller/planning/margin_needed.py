"""How much more margin the sessions already held would have needed, and what the next one gets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtrit

from controller.planning.held_sessions import FARTHEST_K, found_at_start
from controller.planning.history import Source
from controller.planning.wishes_ahead import quantile_of, ready_c
from controller.planning.zone_state import SENSOR_SD_K
from controller.records.sessions import Session
from controller.records.site import Heater, Site, Zone

EXPECTED_K = 0.07
"""Shift that a session is supposed to need, for each standard deviation that is
asked for: no network knows all that strays (chosen here, no source) [K]."""
SCATTER_K = 0.28
"""Standard deviation supposed of what sessions need (chosen here, no source) [K]."""
SUPPOSED, SUPPOSED_SCATTER = 4.0, 8.0
"""Sessions that what is supposed of the mean, and of the scatter, counts for [-]."""
PLANNED_K = 0.35
"""Spread for which a plan has a margin by itself, as sessions asked for differently are compared
(chosen here, no source) [K]."""
LEAST_K, MOST_K = -0.3, 1.5
"""Bounds of the shift [K]."""
SEEN_S = 48 * 3600.0
"""A session that was out of reach this long before its start says nothing of the margin [s]."""


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
        The least that holds the next one of the same kind with the chance asked for, by Student's
        distribution: what sessions need is taken to be normal, of a mean and a scatter that each
        one tells more of (Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, Bayesian Data
        Analysis, third edition, section 3.3).
        """
        asked = quantile_of(session)
        needed_k = np.array(self.needed_k) - asked * PLANNED_K
        count, weight = len(needed_k), SUPPOSED + len(needed_k)
        off_k = needed_k - asked * EXPECTED_K
        mean_k = off_k.sum() / weight
        squares = SUPPOSED_SCATTER * SCATTER_K**2 + off_k @ off_k - weight * mean_k**2
        freedom = SUPPOSED_SCATTER + count
        spread_k = math.sqrt(squares / freedom * (1.0 + 1.0 / weight))
        shift_k = asked * EXPECTED_K + mean_k + stdtrit(freedom, ndtr(asked)) * spread_k
        return float(min(max(shift_k, LEAST_K), MOST_K))

    def after(self, session: Session, lacked_k: float) -> MarginShift:
        """The same after one more session; below 0 is what it had more than it needed."""
        bounded_k = min(max(lacked_k, -FARTHEST_K), FARTHEST_K)
        needed_k = self.of(session) + bounded_k + quantile_of(session) * PLANNED_K
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
