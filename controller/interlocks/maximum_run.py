"""A rest after a long run of heat: it proves that the relay still obeys."""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "maximum_run"
SENTENCES = {
    "clear": "The heater has not run for too long without a rest.",
    "resting": "After {run_h:.1f} h of heat the heater rests for {rest_s:.0f} s "
    "({rested_s:.0f} s so far), which proves that the relay still obeys.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat for ``limits.rest_s`` once it has run for ``limits.max_run_s``."""
    run_s = memory.get("run_s", 0.0)
    rested_s = memory.get("rested_s", 0.0)
    if view.heating:
        run_s, rested_s = run_s + view.elapsed_s, 0.0
    else:
        rested_s += view.elapsed_s
    if rested_s >= view.limits.rest_s:
        run_s = 0.0
    remembered = {"run_s": run_s, "rested_s": rested_s}
    if run_s < view.limits.max_run_s:
        return allow(NAME), remembered
    values = {"run_h": run_s / 3600.0, "rest_s": view.limits.rest_s, "rested_s": rested_s}
    return Verdict(NAME, Severity.OFF, "resting", Clears.AFTER_TIME, values=values), remembered
