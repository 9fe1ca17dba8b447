"""What two rules doubt is unknown to all: sensors that are stuck or that contradict each other.

Not a rule: those two rules mark sensors in their memories, and at the next tick every rule sees
them as unknown. So frost protection is blind under a stuck slab sensor, and no limit is tripped by
one of two sensors that cannot both be true.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.records.readings import Condition, Sensed
from controller.records.safety import Memory, SafetyView, Severity
from controller.records.site import Role

STUCK, CONTRADICTED = "stuck:", "contradicted:"
"""Before a sensor's id: the mark in the memory of the rule that doubts it."""


def doubted(sensed: Iterable[Sensed], memories: Mapping[str, Memory]) -> tuple[Sensed, ...]:
    """Readings as rules may see them.

    Parameters
    ----------
    sensed : iterable of Sensed
    memories : mapping of str to Memory
        What each rule remembered at the last tick, by rule name.
    """
    marks = {key for memory in memories.values() for key in memory}
    return tuple(_doubt(one, marks) for one in sensed)


def _doubt(one: Sensed, marks: set[str]) -> Sensed:
    if one.condition is not Condition.FRESH:
        return one
    if STUCK + one.sensor in marks:
        return replace(one, condition=Condition.STUCK)
    if CONTRADICTED + one.sensor in marks:
        return replace(one, condition=Condition.CONTRADICTED)
    return one


def weight(view: SafetyView, sensors: Iterable[Sensed], needed: Iterable[Role]) -> Severity:
    """How much it weighs that these sensors are doubted.

    No heat where a needed role has no other sensor in that place; a warning otherwise.
    """
    doubted_ids = {sensed.sensor for sensed in sensors}
    for sensed in sensors:
        others = view.fitted(sensed.role, sensed.subject)
        alone = not any(s.trusted and s.sensor not in doubted_ids for s in others)
        if sensed.role in set(needed) and alone:
            return Severity.OFF
    return Severity.WARN
