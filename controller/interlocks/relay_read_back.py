"""The relay does what it is told: heat after an OFF is a hard limit, the reverse an alarm.

It is alarmed at once, and locked out once the relay's lease is over: a board that did not hear the
OFF, for its radio was away, falls off by itself until then.
"""

from __future__ import annotations

from controller.interlocks.rule import CONFIRM_S, allow, trip_age_s
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "relay_read_back"
GRACE_S = 30.0
"""Time that a relay and its report may take to follow a command [s]."""
POWER_GRACE_S = 120.0
"""Time that the heater's power may take to fall after an OFF [s]."""
POWER_SHARE = 0.2
"""Share of the rating above which a heater that was told OFF is heating."""

FROST_STAT_C = 10.0
"""A hard-wired frost stat may have the heater on where slab, air or return is colder [°C]."""

SENTENCES = {
    "clear": "The relay does what it is told.",
    "not_fitted": "Neither the relay's state nor the heater's power is read back.",
    "silent": "The relay's report ({subject}) cannot be trusted now: it is silent or too old.",
    "on_when_off": "The relay was told OFF {age_s:.0f} s ago and reports ON. Switch the heater off "
    "at the breaker.",
    "power_when_off": "The heater was told OFF {age_s:.0f} s ago and draws {power_w:.0f} W. Unless "
    "the hard-wired frost stat or a switch by hand has it on, switch it off at the breaker.",
    "off_when_on": "The relay was told ON {age_s:.0f} s ago and reports OFF.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip on heat after an OFF, warn of no heat after an ON and of a silent relay."""
    states, powers = view.fitted(Role.RELAY_STATE), view.fitted(Role.POWER)
    if not states and not powers:
        return allow(NAME, "not_fitted"), {}
    if not view.heating and (found := _heat_after_off(view, states, powers)):
        return _trip(view, memory, *found)
    if untrusted := [s for s in states if not s.trusted]:
        return _warn(view, "silent", untrusted[0]), {}
    if view.heating:
        for state in states:
            if _is_later_than_command(view, state, GRACE_S) and not _closed(state):
                return _warn(view, "off_when_on", state), {}
    return allow(NAME), {}


def _heat_after_off(
    view: SafetyView, states: tuple[Sensed, ...], powers: tuple[Sensed, ...]
) -> tuple[str, Sensed] | None:
    # an OFF that cannot be sent leaves the relay to its lease
    lease_s = 0.0 if view.relay_reachable else view.relay_holds_s
    for state in states:
        if _is_later_than_command(view, state, GRACE_S + lease_s) and _closed(state):
            return "on_when_off", state
    for power in powers:
        later = _is_later_than_command(view, power, POWER_GRACE_S + lease_s)
        if later and power.measured > POWER_SHARE * view.rating_w:
            return "power_when_off", power
    return None


def _is_later_than_command(view: SafetyView, sensed: Sensed, grace_s: float) -> bool:
    """Whether a trusted reading was taken after the command had time to take effect."""
    return sensed.trusted and view.command_age_s - sensed.old_s >= grace_s


def _closed(state: Sensed) -> bool:
    return state.measured >= 0.5


def _trip(view: SafetyView, memory: Memory, reason: str, sensed: Sensed) -> tuple[Verdict, Memory]:
    over_s = trip_age_s(view, memory)
    excused = reason == "power_when_off" and _frost_stat_may_heat(view)
    grace_s = POWER_GRACE_S if sensed.role is Role.POWER else GRACE_S
    fell_off = _is_later_than_command(view, sensed, view.relay_holds_s + grace_s)
    confirmed = fell_off and over_s >= CONFIRM_S and sensed.old_s < over_s and not excused
    values = {"age_s": view.command_age_s}
    if sensed.role is Role.POWER:
        values["power_w"] = sensed.measured
    severity = Severity.LOCKOUT if confirmed else Severity.TRIP
    clears = Clears.ON_ACKNOWLEDGE if confirmed else Clears.WHEN_CLEAR
    return Verdict(NAME, severity, reason, clears, sensed.sensor, values), {"over_s": over_s}


def _frost_stat_may_heat(view: SafetyView) -> bool:
    """Whether the frost stat beside the relay may be what heats: cold, or nothing known of it.

    Its heat must not end in a lockout, which would leave the pipes to it alone.
    """
    for zone in view.zones:
        known = [*view.values(Role.SLAB, zone), *view.values(Role.AIR, zone)]
        if not known or min(known) < FROST_STAT_C:
            return True
    return min(view.values(Role.RETURN), default=FROST_STAT_C) < FROST_STAT_C


def _warn(view: SafetyView, reason: str, sensed: Sensed) -> Verdict:
    values = {"age_s": view.command_age_s}
    return Verdict(NAME, Severity.WARN, reason, Clears.WHEN_CLEAR, sensed.sensor, values)
