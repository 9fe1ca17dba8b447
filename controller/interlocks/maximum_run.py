"""A rest after a long run of heat: it proves that the relay still obeys."""

from __future__ import annotations

from controller.interlocks.flow_pairs import flow_pairs
from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "maximum_run"
UNSEEN_SHARE = 0.5
"""Share of ``limits.max_run_s`` where nobody sees what the heater does."""

SENTENCES = {
    "clear": "The heater has not run for too long without a rest.",
    "unseen": "The heater has not run for too long without a rest. Half the longest run is "
    "allowed, for it is not read back, or supply and return are not both known.",
    "resting": "After {run_h:.1f} h of heat the heater rests for {rest_s:.0f} s "
    "({rested_s:.0f} s so far), which proves that the relay still obeys.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat for ``limits.rest_s`` once it has run for ``limits.max_run_s``.

    Half of that where neither relay nor power is read back, or nobody sees whether heat flows.
    """
    run_s = memory.get("run_s", 0.0)
    rested_s = memory.get("rested_s", 0.0)
    if view.heating:
        run_s, rested_s = run_s + view.elapsed_s, 0.0
    else:
        rested_s += view.elapsed_s
    if rested_s >= view.limits.rest_s:
        run_s = 0.0
    remembered = {"run_s": run_s, "rested_s": rested_s}
    seen = _is_seen(view)
    if run_s < view.limits.max_run_s * (1.0 if seen else UNSEEN_SHARE):
        return allow(NAME, "clear" if seen else "unseen"), remembered
    values = {"run_h": run_s / 3600.0, "rest_s": view.limits.rest_s, "rested_s": rested_s}
    return Verdict(NAME, Severity.OFF, "resting", Clears.AFTER_TIME, values=values), remembered


def _is_seen(view: SafetyView) -> bool:
    """Whether there are readings by which other rules see that the heater obeys and heats."""
    read_back = view.values(Role.RELAY_STATE) or view.values(Role.POWER)
    flows = (all(any(s.trusted for s in side) for side in pair) for pair in flow_pairs(view))
    return bool(read_back) and any(flows)
