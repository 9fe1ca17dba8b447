"""Minimum on and off times: a boiler that is switched too often wears out."""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "short_cycle"
SENTENCES = {
    "clear": "The last switching is long enough ago.",
    "too_soon_off": "The heater has been on for {age_s:.0f} s only; it stays on for at least "
    "{least_s:.0f} s.",
    "too_soon_on": "The heater has been off for {age_s:.0f} s only; it stays off for at least "
    "{least_s:.0f} s.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Keep the last command until its minimum time is over."""
    limits = view.limits
    least_s = limits.min_on_s if view.heating else limits.min_off_s
    if view.heat_wanted == view.heating or view.command_age_s >= least_s:
        return allow(NAME), {}
    reason = "too_soon_off" if view.heating else "too_soon_on"
    values = {"age_s": view.command_age_s, "least_s": least_s}
    return Verdict(NAME, Severity.HOLD, reason, Clears.AFTER_TIME, values=values), {}
