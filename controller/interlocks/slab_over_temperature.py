"""Slab core above its limit: a hard limit, for the concrete, the tube and bare feet."""

from __future__ import annotations

from controller.interlocks.rule import judge_hard_limit
from controller.records.safety import Memory, SafetyView, Verdict
from controller.records.site import Role

NAME = "slab_over_temperature"
SENTENCES = {
    "clear": "The slab core is at {value_c:.1f} °C, below its limit of {limit_c:.1f} °C.",
    "too_hot": "The slab core ({subject}) is at {value_c:.1f} °C, above its hard limit of "
    "{limit_c:.1f} °C.",
    "unknown": "The slab core's temperature is unknown, so it cannot be called too hot.",
    "not_fitted": "No slab sensor is fitted.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip above ``limits.slab_max_c``."""
    limit_c = view.limits.slab_max_c
    return judge_hard_limit(view, memory, rule=NAME, role=Role.SLAB, limit_c=limit_c)
