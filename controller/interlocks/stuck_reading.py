"""A sensor that does not move although heat has gone in that must have moved it: unknown.

Never *too hot*, and never a matter of time alone: a slab at rest stands on one step of its sensor
for days. What counts is surplus heat, what the heater put in less the most that the floor can
have given off meanwhile. A coarse sensor is given as much more as its own step asks for, which its
readings tell: the least that it has ever moved by.
"""

from __future__ import annotations

from controller.interlocks.doubt import STUCK, weight
from controller.interlocks.needed import MANDATORY, NEEDED_WHERE_FITTED
from controller.interlocks.rule import allow
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Verdict
from controller.records.site import Role

NAME = "stuck_reading"
SLAB_K = 3.0
"""A slab whose surplus heat should have warmed it by so much must have moved [K]."""
AIR_K = 5.0
"""Over a slab that has warmed by so much the air must have moved [K]."""
PIPE_S = 1200.0
"""After so much full heat a pipe that is no warmer than the slab must have moved [s]."""
NEAR_SLAB_K = 3.0
FINE_STEP_K, COARSEST_STEP_K = 0.1, 1.0
"""A sensor of finer steps needs no allowance; no sensor is taken to be coarser [K]."""
SLAB_STEPS, AIR_STEPS, PIPE_STEPS = 2.0, 4.0, 2.0
"""What must have moved a sensor grows by so many of its steps: one may just have been made, and one
may be held back; the air follows a quarter of the slab's warming at least. Common practice, no
source [-]."""
GROUND_W_M2K = 0.5
"""From a slab to ground and edges, generously [W/m2K]; common practice, no source."""
POWER_SHARE = 0.5
"""Share of the rating above which a heater counts as heating fully."""

SENTENCES = {
    "clear": "Every sensor has moved where it must have.",
    "stuck": "{subject} has stood at {value:.2f} while heat went in that must have moved it: it "
    "cannot be believed.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Doubt a sensor once it must have moved and has not, until it moves."""
    remembered: dict[str, float] = {}
    stuck: list[Sensed] = []
    for sensed in view.sensed:
        if sensed.role not in _DUE or not sensed.heard:
            remembered |= _kept(memory, sensed)
            continue
        value, before = sensed.measured, memory.get(f"value:{sensed.sensor}")
        step_k = memory.get(f"step:{sensed.sensor}", COARSEST_STEP_K)
        if before != value:
            moved_k = COARSEST_STEP_K if before is None else abs(value - before)
            remembered[f"step:{sensed.sensor}"] = min(step_k, moved_k)
            remembered[f"value:{sensed.sensor}"] = value
            remembered[f"due:{sensed.sensor}"] = 0.0
            if sensed.role is Role.AIR and (slabs := view.values(Role.SLAB, sensed.subject)):
                remembered[f"slab:{sensed.sensor}"] = max(slabs)
            continue
        remembered |= _kept(memory, sensed)
        due = _DUE[sensed.role](view, sensed, remembered)
        remembered[f"due:{sensed.sensor}"] = due
        if due >= 1.0 or STUCK + sensed.sensor in memory:
            remembered[STUCK + sensed.sensor] = 1.0
            stuck.append(sensed)
    if not stuck:
        return allow(NAME), remembered
    severity = weight(view, stuck, (*MANDATORY, *NEEDED_WHERE_FITTED))
    values = {"value": stuck[0].measured}
    return Verdict(NAME, severity, "stuck", Clears.WHEN_CLEAR, stuck[0].sensor, values), remembered


def _kept(memory: Memory, sensed: Sensed) -> dict[str, float]:
    names = ("value:", "due:", "slab:", "step:", STUCK)
    keys = [name + sensed.sensor for name in names]
    return {key: memory[key] for key in keys if key in memory}


def _heats_fully(view: SafetyView) -> bool:
    """Whether the heater is known to heat: by its power, or where none is fitted by the command."""
    if not view.heating:
        return False
    if not view.fitted(Role.POWER):
        return (
            not view.fitted(Role.RELAY_STATE)
            or min(view.values(Role.RELAY_STATE), default=0.0) >= 0.5
        )
    return min(view.values(Role.POWER), default=0.0) >= POWER_SHARE * view.rating_w


def _heat_w(view: SafetyView, zone: str) -> float:
    """Heat into one zone's floor, at least [W]."""
    if not _heats_fully(view) or zone in view.shut:
        return 0.0
    area_m2 = sum(facts.area_m2 for key, facts in view.zone_facts.items() if key in view.zones)
    return _full_heat_w(view) * view.zone_facts[zone].area_m2 / area_m2


def _full_heat_w(view: SafetyView) -> float:
    """What a heater gives that is known to heat fully [W]."""
    return min(view.values(Role.POWER), default=view.rating_w)


def _coarse_k(sensed: Sensed, memory: Memory) -> float:
    """By how much a sensor's steps are coarser than fine ones; the most until it has moved [K]."""
    step_k = memory.get(f"step:{sensed.sensor}", COARSEST_STEP_K)
    return max(0.0, step_k - FINE_STEP_K)


def _slab_due(view: SafetyView, sensed: Sensed, memory: Memory) -> float:
    """Surplus heat as a part of what moves a slab by ``SLAB_K``; without heat it runs down."""
    facts, airs = view.zone_facts.get(sensed.subject), view.values(Role.AIR, sensed.subject)
    due = memory.get(f"due:{sensed.sensor}", 0.0)
    if facts is None or not airs:
        return due
    slab_c, air_c = sensed.measured, min(airs)
    outdoor_c = min(view.values(Role.OUTDOOR), default=-20.0)
    up_w_m2: float = (
        8.92 * max(0.0, slab_c - air_c) ** 1.1
    )  # EN 1264-2, with no way up to the surface
    down_w_m2 = GROUND_W_M2K * max(0.0, slab_c - outdoor_c)
    lost_w = (up_w_m2 + down_w_m2) * facts.area_m2
    surplus_j = (_heat_w(view, sensed.subject) - lost_w) * view.elapsed_s
    moves_k = SLAB_K + SLAB_STEPS * _coarse_k(sensed, memory)
    return max(0.0, due + surplus_j / (moves_k * facts.slab_j_k))


def _air_due(view: SafetyView, sensed: Sensed, memory: Memory) -> float:
    """How far the slab has warmed as a part of what moves the air."""
    slabs, before_c = view.values(Role.SLAB, sensed.subject), memory.get(f"slab:{sensed.sensor}")
    if not slabs or before_c is None:
        return memory.get(f"due:{sensed.sensor}", 0.0)
    moves_k = AIR_K + AIR_STEPS * _coarse_k(sensed, memory)
    return max(0.0, (min(slabs) - before_c) / moves_k)


def _pipe_due(view: SafetyView, sensed: Sensed, memory: Memory) -> float:
    """Time of full heat as a part of what moves a pipe that is still as cool as the slab."""
    slabs, due = view.values(Role.SLAB), memory.get(f"due:{sensed.sensor}", 0.0)
    if not slabs or sensed.measured > min(slabs) + NEAR_SLAB_K:
        return due
    if not _heats_fully(view):
        return 0.0
    # it is no cooler than the slab, which warms by a step in so long
    slab_j_k = sum(facts.slab_j_k for key, facts in view.zone_facts.items() if key in view.zones)
    steps_s = PIPE_STEPS * _coarse_k(sensed, memory) * slab_j_k / _full_heat_w(view)
    return due + view.elapsed_s / max(PIPE_S, steps_s)


_DUE = {
    Role.SLAB: _slab_due,
    Role.AIR: _air_due,
    Role.SUPPLY: _pipe_due,
}
"""Role -> how much of what must move a sensor has come since it moved; from 1 on it is stuck."""
