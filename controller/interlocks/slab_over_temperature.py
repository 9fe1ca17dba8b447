"""Slab core above its limit: a hard limit, for the concrete, the tube and bare feet.

Heat stops a little before it, for what is in the tubes still arrives: a heater that obeys must not
end in a lockout because a target was out of its reach.
"""

from __future__ import annotations

import math
from dataclasses import replace

from controller.interlocks.rule import judge_hard_limit
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "slab_over_temperature"
NEAR_K = 0.5
"""How far below the limit heat stops (chosen here; plans stay a kelvin below) [K]."""
SENTENCES = {
    "clear": "The slab core is at {value_c:.1f} °C, below its limit of {limit_c:.1f} °C.",
    "too_hot": "The slab core ({subject}) is at {value_c:.1f} °C, above its hard limit of "
    "{limit_c:.1f} °C.",
    "near": "The slab core ({subject}) is at {value_c:.1f} °C; what is in the tubes may still "
    "bring it above its hard limit of {limit_c:.1f} °C.",
    "unknown": "The slab core's temperature is unknown, so it cannot be called too hot.",
    "not_fitted": "No slab sensor is fitted.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip above ``limits.slab_max_c``, withhold heat within ``NEAR_K`` of it."""
    limit_c = view.limits.slab_max_c
    verdict, remembered = judge_hard_limit(view, memory, rule=NAME, role=Role.SLAB, limit_c=limit_c)
    slab_c = (verdict.values or {}).get("value_c", -math.inf)
    if limit_c - NEAR_K < slab_c <= limit_c:
        verdict = replace(verdict, severity=Severity.OFF, reason="near", clears=Clears.WHEN_CLEAR)
    return verdict, remembered
