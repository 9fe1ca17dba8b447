"""Supply above its limit: a hard limit, for the tube and the concrete around it."""

from __future__ import annotations

from controller.interlocks.rule import judge_hard_limit
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "supply_over_temperature"
UNSEEN_K = 5.0
"""How far below its own limit the slab must stay where no supply sensor is fitted [K]."""

SENTENCES = {
    "clear": "The supply is at {value_c:.1f} °C, below its limit of {limit_c:.1f} °C.",
    "too_hot": "The supply ({subject}) is at {value_c:.1f} °C, above its hard limit of "
    "{limit_c:.1f} °C.",
    "unknown": "The supply temperature is unknown, so it cannot be called too hot.",
    "not_fitted_hot": "No supply sensor is fitted and the slab core ({subject}) is at "
    "{value_c:.1f} °C: heat stops at {limit_c:.1f} °C of slab then, below the slab's own limit.",
    "not_fitted": "No supply sensor is fitted: the boiler's own limiter alone guards the supply.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Trip above ``limits.supply_max_c``; without a sensor withhold heat from a hot slab."""
    if not view.fitted(Role.SUPPLY) and (hot := _hot_slab(view)):
        return hot, {}
    limit_c = view.limits.supply_max_c
    return judge_hard_limit(view, memory, rule=NAME, role=Role.SUPPLY, limit_c=limit_c)


def _hot_slab(view: SafetyView) -> Verdict | None:
    """What is said of a slab that comes near its limit while nobody sees how hot the tubes are."""
    limit_c = view.limits.slab_max_c - UNSEEN_K
    slabs = [s for s in view.fitted(Role.SLAB) if s.trusted and s.measured > limit_c]
    if not slabs:
        return None
    hottest = max(slabs, key=lambda s: s.measured)
    values = {"value_c": hottest.measured, "limit_c": limit_c}
    subject = hottest.sensor
    return Verdict(NAME, Severity.OFF, "not_fitted_hot", Clears.WHEN_CLEAR, subject, values)
