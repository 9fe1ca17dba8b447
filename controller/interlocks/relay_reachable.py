"""The relay cannot be reached: no ON is wished that nobody would hear, or hear too late.

A board that makes reports is out of reach until it has made one, for an ON must answer a report.
"""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "relay_reachable"
SENTENCES = {
    "clear": "The relay can be reached.",
    "away": "The broker is away, or the relay board has made no report yet, so no ON can reach the "
    "relay; its lease runs out by itself. A hard-wired frost stat must guard the pipes now.",
    "not_sent": "Frost protection asks for heat, but the broker is away, or the relay board has "
    "made no report yet: no ON is sent. A hard-wired frost stat must guard the pipes now.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat while no command can be delivered."""
    if view.relay_reachable:
        return allow(NAME), {}
    return Verdict(NAME, Severity.OFF, "away", Clears.WHEN_CLEAR), {}
