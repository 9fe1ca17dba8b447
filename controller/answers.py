"""Whether a planner's answer may be acted on: checked by the guard, whatever the child believes."""

from __future__ import annotations

import math
from collections.abc import Iterator

from controller.records.plan import ParameterSet, Plan

LONGEST_PLAN_S = 8 * 86400.0

LATEST_S = 200e9
"""Beyond the year 8000 no time of ours can lie [s]."""
COLDEST_C, HOTTEST_C = -100.0, 200.0
"""Beyond these no prediction makes sense, even for full heat without end (chosen here) [°C]."""

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
    if not {outlook.zone for outlook in plan.outlooks} >= set(plan.gives):
        return "the plan gives heat to zones of which it says nothing"
    if fault := _fault_of_blocks(plan):
        return fault
    if not all(COLDEST_C <= x <= HOTTEST_C for x in _temperatures(plan)):
        return "the plan expects temperatures that no room has"
    if not all(0.0 <= x <= LATEST_S for x in _moments(plan)):
        return "the plan names times that no calendar holds"
    if not all(x >= 0.0 for x in _leads(plan)):
        return "the plan has lead times that are none"
    return None


def _fault_of_blocks(plan: Plan) -> str | None:
    """What is wrong with a plan's timetable."""
    if not plan.blocks:
        return "the plan has no blocks"
    edges = [plan.made_s, *(b.end_s for b in plan.blocks)]
    if any(b.start_s != edge for b, edge in zip(plan.blocks, edges, strict=False)):
        return "the plan's blocks do not join"
    covers = plan.until_s <= edges[-1] <= plan.made_s + LONGEST_PLAN_S
    if not covers or any(not b.start_s < b.end_s for b in plan.blocks):
        return "the plan's blocks do not cover its time"
    return None


def _temperatures(plan: Plan) -> Iterator[float]:
    """All that are expected or aimed at [°C]."""
    for outlook in plan.outlooks:
        for point in outlook.points:
            yield from (point.air_c, point.low_c, point.high_c)
        for arrival in outlook.arrivals:
            yield from (arrival.target_c, arrival.air_c, arrival.low_c, arrival.high_c)
    yield from (session.target_c for session in plan.sessions)


def _moments(plan: Plan) -> Iterator[float]:
    """All but the blocks' own [UTC s]."""
    for outlook in plan.outlooks:
        yield from (point.at_s for point in outlook.points)
        yield from (a.reached_s for a in outlook.arrivals if a.reached_s is not None)
    for session in plan.sessions:
        yield from (session.start_s, session.end_s)


def _leads(plan: Plan) -> Iterator[float]:
    """All lead times [s]; one may be without end."""
    for outlook in plan.outlooks:
        for a in outlook.arrivals:
            yield from (x for x in (a.lead_s, a.lead_low_s, a.lead_high_s) if x is not None)


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
