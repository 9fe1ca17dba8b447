"""What a rule had and has no more: no heat but frost until a person acknowledges it.

A line that falls out of the site file must not quietly switch off the rule that stood on it. That
goes for sensors, and for a pump or valve that was switched and proven before there was heat.
"""

from __future__ import annotations

from controller.interlocks.rule import allow
from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

NAME = "removed_role"
GUARDING = frozenset(
    {
        Role.SLAB,
        Role.FLOOR_SURFACE,
        Role.AIR,
        Role.OUTDOOR,
        Role.SUPPLY,
        Role.RETURN,
        Role.PRESSURE,
        Role.POWER,
        Role.RELAY_STATE,
    }
)
"""Roles that some rule goes by; the others serve planning alone."""

SENTENCES = {
    "clear": "Nothing that a rule goes by has been taken out of the site file.",
    "removed": "The site file no longer has {subject}, and the rules that went by it are blind "
    "there: no heat but frost protection until `slabtide acknowledge`, or until it is back.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Withhold heat while what was fitted is not, and nobody has said that this is meant."""
    sensors = (s for s in (*view.sensed, *view.proofs) if s.role in GUARDING)
    fitted = {f"{s.role.value}@{s.subject}": 1.0 for s in sensors}
    fitted |= dict.fromkeys(view.switched, 1.0)
    remembered = {**memory, **fitted}
    removed = sorted(set(remembered) - set(fitted))
    if not removed:
        return allow(NAME), remembered
    subject = ", ".join(removed)
    if view.acknowledged.covers(NAME, subject):
        return allow(NAME), fitted
    return Verdict(NAME, Severity.OFF, "removed", Clears.ON_ACKNOWLEDGE, subject), remembered
