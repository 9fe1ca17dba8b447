"""No heat before every rule has run once on fresh readings since the service started."""

from __future__ import annotations

from controller.interlocks.needed import unfitted_mandatory, unknown_readings
from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "first_run"
SENTENCES = {
    "clear": "Every rule has run on fresh readings since the service started.",
    "not_yet": "The service has just started: every rule must first run once on fresh readings.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat until a whole tick has passed with all needed readings fresh."""
    just_started = view.elapsed_s == 0.0
    armed = not just_started and memory.get("armed", 0.0) > 0.0
    fresh = not unfitted_mandatory(view) and not any(unknown_readings(view))
    verdict = allow(NAME) if armed else Verdict(NAME, Severity.OFF, "not_yet", Clears.WHEN_CLEAR)
    return verdict, {"armed": float(armed or fresh)}
