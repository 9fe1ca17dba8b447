"""Supply above its limit: a hard limit, for the tube and the concrete around it."""

from __future__ import annotations

from controller.interlocks.rule import judge_hard_limit
from controller.records.safety import Memory, SafetyView, Verdict
from controller.records.site import Role

NAME = "supply_over_temperature"
SENTENCES = {
    "clear": "The supply is at {value_c:.1f} °C, below its limit of {limit_c:.1f} °C.",
    "too_hot": "The supply ({subject}) is at {value_c:.1f} °C, above its hard limit of "
    "{limit_c:.1f} °C.",
    "unknown": "The supply temperature is unknown, so it cannot be called too hot.",
    "not_fitted": "No supply sensor is fitted: the boiler's own limiter alone guards the supply.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip above ``limits.supply_max_c``."""
    limit_c = view.limits.supply_max_c
    return judge_hard_limit(view, memory, rule=NAME, role=Role.SUPPLY, limit_c=limit_c)
