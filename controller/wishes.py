"""What planning wishes for at one tick: the fallback chain, best rung first.

A valid timetable; else the first-order lead time; else a plain thermostat inside sessions; else
nothing (frost protection is an interlock and needs no wish). Standard library only, so that the
guard can fall back without the planner.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller.records.decision import Estimate, Wish
from controller.records.plan import BlockReason, ParameterSet, Plan, Rung
from controller.records.sessions import Session
from models.first_order import FirstOrder, lead_time_s

PLAN_LASTS_S = 6 * 3600.0
"""A timetable older than this is no longer followed: the weather has moved on [s]."""
LEAD_MARGIN = 1.25
"""Factor on the lead time where only the guard's own sum is there: early rather than late."""
LONGEST_LEAD_S = 2 * 86400.0
"""Longest preheat by that sum: a target that is out of reach must not be heated for all week [s].
"""
THERMOSTAT_BAND_K = 0.3
"""Half the switching band of the plain thermostat [K]."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the fallback chain may look at.

    Attributes
    ----------
    utc_s : float
    plan : Plan or None
        The latest timetable of this heater.
    sessions : tuple of Session
        Those running or to come in the heater's zones, by start.
    estimates : mapping of str to Estimate
        By zone.
    parameter_sets : mapping of str to ParameterSet
        By zone; a zone that has none cannot use the lead time.
    outdoor_c : float or None
    zone_power_w : mapping of str to float
        The heat that each zone gets while the heater is on [W].
    heating : bool
        The last command.
    """

    utc_s: float
    plan: Plan | None
    sessions: tuple[Session, ...]
    estimates: Mapping[str, Estimate]
    parameter_sets: Mapping[str, ParameterSet]
    outdoor_c: float | None
    zone_power_w: Mapping[str, float]
    heating: bool


def wish(outlook: Outlook) -> Wish:
    """The wish of the best rung that can stand."""
    return _programme(outlook) or _lead_time(outlook) or _thermostat(outlook)


def aimed_at(sessions: tuple[Session, ...], utc_s: float) -> Session | None:
    """The session that runs now, the warmest of several, else the next one."""
    running = [s for s in sessions if s.start_s <= utc_s < s.end_s]
    if running:
        return max(running, key=lambda s: s.target_c)
    return min((s for s in sessions if s.start_s > utc_s), key=lambda s: s.start_s, default=None)


def plan_is_valid(plan: Plan, sessions: tuple[Session, ...], utc_s: float) -> bool:
    """Whether a timetable is recent enough and was made for the bookings as they stand."""
    if not plan.made_s <= utc_s < min(plan.until_s, plan.made_s + PLAN_LASTS_S):
        return False
    booked = {s for s in sessions if s.end_s > utc_s and s.start_s < plan.until_s}
    return booked == {s for s in plan.sessions if s.end_s > utc_s and s.start_s < plan.until_s}


def _programme(outlook: Outlook) -> Wish | None:
    plan = outlook.plan
    if plan is None or not plan_is_valid(plan, outlook.sessions, outlook.utc_s):
        return None
    block = plan.block_at(outlook.utc_s)
    if block is None:
        return None
    return Wish(block.heat, Rung.PROGRAMME, block.reason, block.session, plan.id)


def _lead_time(outlook: Outlook) -> Wish | None:
    zones = {s.zone for s in outlook.sessions}
    if not zones or outlook.outdoor_c is None or not zones <= set(outlook.parameter_sets):
        return None
    wishes = [_zone_lead_time(outlook, zone, outlook.outdoor_c) for zone in sorted(zones)]
    found = [w for w in wishes if w is not None]
    return _warmest(found) if len(found) == len(wishes) else None


def _zone_lead_time(outlook: Outlook, zone: str, outdoor_c: float) -> Wish | None:
    session = aimed_at(tuple(s for s in outlook.sessions if s.zone == zone), outlook.utc_s)
    estimate = outlook.estimates.get(zone)
    if session is None or estimate is None or estimate.air_c is None:
        return None
    values = {name: v.value for name, v in outlook.parameter_sets[zone].values.items()}
    if not values.keys() >= _LEAD_TIME_NEEDS:
        return None
    model = FirstOrder(**{name: values[name] for name in _LEAD_TIME_NEEDS})
    if session.start_s <= outlook.utc_s:
        left_s = session.end_s - outlook.utc_s
        useful = left_s > model.dead_time_s
        heat = useful and _below(estimate.air_c, session.target_c, outlook.heating)
        reason = BlockReason.HOLD if useful else BlockReason.RUN_OUT
        return Wish(heat, Rung.LEAD_TIME, reason, session.id)
    lead_s = lead_time_s(
        model,
        start_c=estimate.air_c,
        target_c=session.target_c,
        outdoor_c=outdoor_c,
        power_w=outlook.zone_power_w[zone],
    )
    lead_s = min(LEAD_MARGIN * lead_s, LONGEST_LEAD_S)
    heat = session.start_s - outlook.utc_s <= lead_s
    reason = BlockReason.PREHEAT if heat else BlockReason.IDLE
    return Wish(heat, Rung.LEAD_TIME, reason, session.id)


_LEAD_TIME_NEEDS = frozenset({"time_constant_s", "gain_k_per_w", "dead_time_s", "offset_k"})


def _thermostat(outlook: Outlook) -> Wish:
    running = [s for s in outlook.sessions if s.start_s <= outlook.utc_s < s.end_s]
    wishes = []
    for session in running:
        estimate = outlook.estimates.get(session.zone)
        if estimate is not None and estimate.air_c is not None:
            heat = _below(estimate.air_c, session.target_c, outlook.heating)
            wishes.append(Wish(heat, Rung.THERMOSTAT, BlockReason.HOLD, session.id))
    return _warmest(wishes) if wishes else Wish(False, Rung.FROST_ONLY, BlockReason.IDLE)


def _below(air_c: float, target_c: float, heating: bool) -> bool:
    return air_c < target_c + (THERMOSTAT_BAND_K if heating else -THERMOSTAT_BAND_K)


def _warmest(wishes: list[Wish]) -> Wish:
    """One heater, several zones: it heats when any of them wishes so."""
    return max(wishes, key=lambda w: w.heat)
