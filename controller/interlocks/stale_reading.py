"""A needed reading is old, of unknown age, or was never received: no heat on it."""

from __future__ import annotations

from controller.interlocks.needed import is_implausible, unfitted_mandatory, unknown_readings
from controller.interlocks.rule import allow
from controller.records.readings import DOUBTED
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict

NAME = "stale_reading"
SENTENCES = {
    "clear": "Every needed reading is fresh.",
    "stale": "The last reading of {subject} is {age_s:.0f} s old; after {limit_s:.0f} s it "
    "counts as unknown.",
    "missing": "No reading of {subject} has come since the service started.",
    "unknown_age": "{subject} has only a retained reading without a time of its own: it may be "
    "of any age.",
    "doubted": "{subject} is doubted by another rule, so it counts as unknown.",
    "not_fitted": "A slab or air sensor is not fitted.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat while a needed reading is stale, missing or of unknown age."""
    if unfitted_mandatory(view):
        return Verdict(NAME, Severity.OFF, "not_fitted", Clears.WHEN_CLEAR), {}
    for sensed in unknown_readings(view):
        if not is_implausible(sensed):
            values = {"limit_s": view.limits.stale_after_s}
            if sensed.age_s is not None:
                values["age_s"] = sensed.age_s
            reason = "doubted" if sensed.condition in DOUBTED else sensed.condition.value
            return Verdict(NAME, Severity.OFF, reason, Clears.WHEN_CLEAR, sensed.sensor, values), {}
    return allow(NAME), {}
