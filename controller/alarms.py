"""What somebody must be told at once, and again and again while it lasts."""

from __future__ import annotations

from collections.abc import Iterable

from controller.records.decision import Notice, NoticeKind
from controller.records.safety import Severity, Verdict

_NO_POWER = Notice(
    NoticeKind.NO_POWER,
    "The heater has no power: look at its breaker, and at the hours in which the utility cuts it "
    "off. Until it is back nothing here protects from frost.",
    alarm=True,
)

_FROST_BLIND = Notice(
    NoticeKind.FROST_BLIND,
    "No slab reading can be trusted in one zone at least, so frost protection gives each hour but "
    "a few minutes of heat, which may not be enough: mend the sensor. Glycol or a hard-wired frost "
    "stat guards the pipes.",
    alarm=True,
)

_ALARMS = {
    ("lockout", "locked_out"): Notice(
        NoticeKind.LOCKED_OUT,
        "Locked out: no heat, and no frost protection, until somebody has looked and "
        "acknowledged (`slabtide acknowledge`): only a hard-wired frost stat or glycol guards the "
        "pipes.",
        alarm=True,
    ),
    ("frost_protection", "blind"): _FROST_BLIND,
    ("frost_protection", "blind_spent"): _FROST_BLIND,
    ("relay_read_back", "off_when_on"): Notice(
        NoticeKind.RELAY_STAYS_OFF,
        "The relay was told ON and reports OFF: no heat comes, frost protection included. Look at "
        "the relay, its supply and its board.",
        alarm=True,
    ),
    ("relay_read_back", "on_when_off"): Notice(
        NoticeKind.HEAT_AFTER_OFF,
        "The relay reports ON although it was told OFF: switch the heater off at the breaker.",
        alarm=True,
    ),
    ("relay_read_back", "power_when_off"): Notice(
        NoticeKind.HEAT_AFTER_OFF,
        "The heater draws power although it was told OFF: switch it off at the breaker.",
        alarm=True,
    ),
    ("relay_reachable", "not_sent"): Notice(
        NoticeKind.FROST_NOT_SENT,
        "Frost protection asks for heat, but the relay cannot be reached and nothing is sent: only "
        "a hard-wired frost stat or glycol guards the pipes.",
        alarm=True,
    ),
    ("pump_proof", "stands"): Notice(
        NoticeKind.PUMP_STANDS,
        "The circulation pump was told to run and does not: no heat at all until it does.",
        alarm=True,
    ),
    ("loop_pressure", "falling"): Notice(
        NoticeKind.PRESSURE_FALLING,
        "The loop is losing pressure fast: look for a leak.",
        alarm=True,
    ),
    ("loop_pressure", "never_filled"): Notice(
        NoticeKind.PRESSURE_IMPLAUSIBLE,
        "The loop's gauge has never shown enough pressure: look at its unit in the site file, at "
        "the gauge, and whether the loop is filled.",
        alarm=True,
    ),
    ("heat_not_taken", "not_taken"): Notice(
        NoticeKind.HEAT_NOT_TAKEN,
        "The boiler is hot, the slab is not, and next to no heat goes over: look at valves, pump, "
        "air in the loop, and the power sensor.",
        alarm=True,
    ),
    ("no_flow_or_no_heat", "power_not_shown"): Notice(
        NoticeKind.POWER_IMPLAUSIBLE,
        "The heater gives heat and its power sensor shows next to none: look at its unit in the "
        "site file (W or kW), and at the sensor. Until then nothing is learnt from it, and heat "
        "after an OFF is not seen by it.",
        alarm=True,
    ),
    ("no_flow_or_no_heat", "no_power"): _NO_POWER,
    ("no_flow_or_no_heat", "still_no_power"): _NO_POWER,
}
"""Rule and reason -> alarm for as long as the rule says so."""

FROST_WAITS = Notice(
    NoticeKind.FROST_WAITS,
    "Frost protection asks for heat, and a pump or valve that it needs has not come on for longer "
    "than it may take: look at it and at its board. Until then only a hard-wired frost stat or "
    "glycol guards the pipes.",
    alarm=True,
)

REPEATED = frozenset({NoticeKind.HEAT_AFTER_OFF, NoticeKind.PUMP_STANDS, NoticeKind.FROST_WAITS})
"""Alarms that are given again every minute while they last."""


_SENSOR_RULES = frozenset(
    {"stale_reading", "implausible_reading", "stuck_reading", "sensors_that_disagree"}
)
"""Rules that withhold heat for a reading which is needed and cannot be trusted."""


def alarms(verdicts: Iterable[Verdict]) -> tuple[Notice, ...]:
    """The alarms that verdicts call for."""
    found = [v for v in verdicts if v.severity >= Severity.WARN]
    standing = [_ALARMS[v.rule, v.reason] for v in found if (v.rule, v.reason) in _ALARMS]
    # one that has never been heard may be on its way: each start would be an alarm
    lost = [v for v in found if v.rule in _SENSOR_RULES and v.severity >= Severity.OFF]
    standing += [_lost(v.subject) for v in lost if v.reason != "missing"]
    return tuple(dict.fromkeys(standing))


def _lost(sensor: str) -> Notice:
    text = (
        f"What {sensor} says cannot be trusted now, and it is needed: no heat but frost protection "
        "until it is back."
    )
    return Notice(NoticeKind.SENSOR_LOST, text, alarm=True)


def unexpected(error: Exception) -> Notice:
    """The alarm that something failed that nobody had thought of."""
    text = f"Unexpected {type(error).__name__}: {error}"
    return Notice(NoticeKind.UNEXPECTED_ERROR, text, alarm=True)
