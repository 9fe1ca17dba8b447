"""The wall clock was set: bookings and plan may now stand elsewhere, so heat waits a minute."""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "clock_jump"
STEP_S = 60.0
"""Wall time against monotonic time between two ticks that counts as a jump [s]."""
WAIT_S = 60.0

SENTENCES = {
    "clear": "The wall clock runs evenly.",
    "jumped": "The wall clock was moved by {step_s:+.0f} s: heat waits for {wait_s:.0f} s until "
    "the plan has been made again.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat for ``WAIT_S`` after the wall clock was moved by ``STEP_S`` or more."""
    if abs(view.utc_step_s) >= STEP_S:
        memory = {"since_s": 0.0, "step_s": view.utc_step_s}
    elif "since_s" in memory:
        memory = {**memory, "since_s": memory["since_s"] + view.elapsed_s}
    if "since_s" not in memory or memory["since_s"] >= WAIT_S:
        return allow(NAME), {}
    values = {"step_s": memory["step_s"], "wait_s": WAIT_S}
    return Verdict(NAME, Severity.OFF, "jumped", Clears.AFTER_TIME, values=values), memory
