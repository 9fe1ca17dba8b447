"""Lockout: after a confirmed trip there is no heat until a person has looked and acknowledged."""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "lockout"
SENTENCES = {
    "clear": "There is no lockout.",
    "locked_out": "Locked out after a confirmed trip of {subject}: no heat at all, not even frost "
    "protection, until `slabtide acknowledge`. A hard-wired frost stat must guard the pipes now.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold all heat while a confirmed trip is not acknowledged."""
    if not view.latched:
        return allow(NAME), {}
    subject = ", ".join(sorted(view.latched))
    return Verdict(NAME, Severity.LOCKOUT, "locked_out", Clears.ON_ACKNOWLEDGE, subject), {}
