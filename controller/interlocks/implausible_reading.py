"""A needed reading cannot be true: it is unknown, never *too hot*, and no heat is given on it."""

from __future__ import annotations

from controller.interlocks.needed import is_implausible, unknown_readings
from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "implausible_reading"
SENTENCES = {
    "clear": "No needed reading is implausible.",
    "implausible": "The readings of {subject} cannot be true (out of range, or changing faster "
    "than it can), and the last good one is too old.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat while a needed reading is implausible."""
    for sensed in unknown_readings(view):
        if is_implausible(sensed):
            return Verdict(NAME, Severity.OFF, "implausible", Clears.WHEN_CLEAR, sensed.sensor), {}
    return allow(NAME), {}
