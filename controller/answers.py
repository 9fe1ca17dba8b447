"""Whether a planner's answer may be acted on: checked by the guard, whatever the child believes."""

from __future__ import annotations

import math

from controller.records.plan import ParameterSet, Plan

LONGEST_PLAN_S = 8 * 86400.0

LATEST_S = 200e9
"""Beyond the year 8000 no time of ours can lie [s]."""

PHYSICAL: dict[str, tuple[float, float]] = {
    "time_constant_s": (3600.0, 60 * 86400.0),
    "gain_k_per_w": (1e-5, 1.0),
    "dead_time_s": (0.0, 86400.0),
    "offset_k": (-30.0, 30.0),
    "sun_gain_k_m2_per_w": (0.0, 1.0),
}
"""Parameter -> widest span that any heated floor may have (chosen here, no source)."""


def fault_of_plan(plan: Plan, *, heater: str, now_s: float) -> str | None:
    """What is wrong with a plan, None where nothing is."""
    if plan.heater != heater:
        return f"the plan is for heater {plan.heater}, not {heater}"
    if not (plan.made_s <= now_s + 1.0 and now_s < plan.until_s <= plan.made_s + LONGEST_PLAN_S):
        return "the plan does not hold the present moment"
    if not plan.blocks:
        return "the plan has no blocks"
    edges = [plan.made_s, *(b.end_s for b in plan.blocks)]
    if any(b.start_s != edge for b, edge in zip(plan.blocks, edges, strict=False)):
        return "the plan's blocks do not join"
    if any(not b.start_s < b.end_s for b in plan.blocks) or edges[-1] < plan.until_s:
        return "the plan's blocks do not cover its time"
    points = [x for o in plan.outlooks for p in o.points for x in (p.air_c, p.low_c, p.high_c)]
    arrivals = [x for o in plan.outlooks for a in o.arrivals for x in (a.air_c, a.low_c, a.high_c)]
    if not all(math.isfinite(x) for x in points + arrivals):
        return "the plan expects temperatures that are no numbers"
    return None


def fault_of_parameters(parameters: ParameterSet) -> str | None:
    """What is wrong with a parameter set, None where nothing is."""
    if not 0.0 <= parameters.made_s <= LATEST_S:
        return f"it was made at {parameters.made_s:g} s since 1970, which no calendar holds"
    for name, (lowest, highest) in PHYSICAL.items():
        value = parameters.values.get(name)
        if value is None:
            return f"{name} is missing"
        if not lowest <= value.value <= highest or not math.isfinite(value.sd):
            return f"{name} = {value.value:g} lies outside {lowest:g} to {highest:g}"
    return None
