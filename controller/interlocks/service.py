"""The service itself: when something in a tick fails unexpectedly, no heat but frost protection."""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "service"
SENTENCES = {
    "clear": "Nothing unexpected went wrong in the service.",
    "unexpected_error": "Something unexpected went wrong in the service, and that means OFF.",
    "stopped": "The service was stopped, and stopping means OFF.",
}
"""The guard itself says the last two as well, where no rule could be heard."""


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat in a tick in which something failed that nobody had thought of."""
    if not view.faulty:
        return allow(NAME), {}
    return Verdict(NAME, Severity.OFF, "unexpected_error", Clears.WHEN_CLEAR), {}
