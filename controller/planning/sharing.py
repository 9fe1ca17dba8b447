"""Which zones a plan gives heat to: the valves of the others stay shut.

Where zones share a heater, heat divides by floor area among those whose loops are open. A zone is
left out only where each of its loops has a valve that says how it stands: history must tell later
which floor the heat went into (`controller.planning.history`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from controller.planning.describe import told_loops
from controller.planning.network_case import ZoneCase
from controller.planning.wishes_ahead import FROST_MARGIN_K
from models.thermal_network import ROOM

NEAR_FROST_K = 2.0
"""A room so little above the plan's frost floor has its part of the heat [K]."""


def sharing(cases: Sequence[ZoneCase]) -> list[ZoneCase]:
    """The same cases with the zones among which this plan's heat is divided."""
    gives = frozenset(case.zone.id for case in cases if _asks(case) or not _can_be_shut(case))
    # with nobody to give to there is only frost to plan for, and that is every zone's
    return [replace(case, gives=gives or None) for case in cases]


def _asks(case: ZoneCase) -> bool:
    """Whether a session of the zone begins within the plan, or frost is near."""
    booked = any(session.start_s <= case.grid.end_s for session in case.sessions)
    floor_c = case.limits.frost_on_c + FROST_MARGIN_K
    return booked or float(case.state.x[ROOM]) < floor_c + NEAR_FROST_K


def _can_be_shut(case: ZoneCase) -> bool:
    loops = [x for x in case.site.loops_of(case.heater) if x.zone == case.zone.id]
    return all(loop.id in told_loops(case.site) for loop in loops)
