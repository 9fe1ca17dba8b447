"""Two sensors of one role in one place that cannot both be true: neither is believed.

The spans are wide, for two good sensors may sit at different ends of a room: common practice, no
source. A slab is doubted within half a minute, before a limit could lock out by the wrong one of
the two; air after half an hour, for a door beside one of them opens more often. Those that are
all beyond one hard limit do not contradict each other about that: whichever is right, it is
exceeded.
"""

from __future__ import annotations

from typing import NamedTuple

from controller.interlocks.doubt import CONTRADICTED, weight
from controller.interlocks.needed import MANDATORY, NEEDED_WHERE_FITTED
from controller.interlocks.rule import allow
from controller.records.readings import Sensed
from controller.records.safety import Clears, Memory, SafetyView, Verdict
from controller.records.site import Role

NAME = "sensors_that_disagree"


class _Span(NamedTuple):
    """How far apart two sensors may be, for how long, and whether that counts at rest."""

    apart: float
    lasting_s: float
    at_rest: bool = True


SPANS = {
    Role.SLAB: _Span(8.0, 30.0),
    Role.AIR: _Span(10.0, 1800.0),
    Role.PRESSURE: _Span(0.5, 30.0),
    # at rest one pipe lies beside a warm boiler, another in the cold
    Role.SUPPLY: _Span(10.0, 900.0, at_rest=False),
    Role.RETURN: _Span(10.0, 900.0, at_rest=False),
}
"""Role -> span in its unit. Floor surface is not among them: the sun shines on one and not on the
other, and the hotter one counts."""

SENTENCES = {
    "clear": "No two sensors of one role contradict each other.",
    "apart": "The sensors of {subject} are {apart:.1f} apart, more than {limit:.1f}: neither can "
    "be believed.",
}


def judge(view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """Doubt sensors that have been too far apart for too long, until they come together again."""
    remembered: dict[str, float] = {}
    found: list[tuple[str, list[Sensed], float, float]] = []
    for role, span in SPANS.items():
        for subject in dict.fromkeys(s.subject for s in view.fitted(role)):
            heard = [s for s in view.fitted(role, subject) if s.heard]
            values = [s.measured for s in heard]
            apart = max(values) - min(values) if values else 0.0
            if apart <= span.apart or _all_beyond(view, role, subject, values):
                continue
            key = f"apart_s:{role.value}@{subject}"
            counts = span.at_rest or view.heating  # what has lasted long enough stays so at rest
            lasted_s = memory[key] + view.elapsed_s * counts if key in memory else 0.0
            remembered[key] = lasted_s
            if lasted_s >= span.lasting_s:
                remembered |= {CONTRADICTED + s.sensor: 1.0 for s in heard}
                found.append((f"{role.value}@{subject}", heard, apart, span.apart))
    if not found:
        return allow(NAME), remembered
    needed = (*MANDATORY, *NEEDED_WHERE_FITTED)
    place, heard, apart, limit = max(found, key=lambda f: weight(view, f[1], needed))
    severity = weight(view, heard, needed)
    values_told = {"apart": apart, "limit": limit}
    return Verdict(NAME, severity, "apart", Clears.WHEN_CLEAR, place, values_told), remembered


def _all_beyond(view: SafetyView, role: Role, subject: str, values: list[float]) -> bool:
    """Whether every one of some values is beyond the same hard limit."""
    if role is Role.SLAB:
        return min(values) > view.limits.slab_max_c
    if role is Role.SUPPLY:
        return min(values) > view.limits.supply_max_c
    facts = view.loop_facts.get(subject) if role is Role.PRESSURE else None
    return facts is not None and (max(values) < facts.low_bar or min(values) > facts.high_bar)
