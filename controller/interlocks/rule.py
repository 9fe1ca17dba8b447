"""The shape of a rule, and what several rules share. Each rule is one module of this package."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from controller.records.safety import Clears, Memory, SafetyView, Severity, Verdict
from controller.records.site import Role

CONFIRM_S = 60.0
"""A trip that plausible, newer readings still show after this time is confirmed [s]."""

FAILED = "failed"
"""Reason of a verdict that stands for a rule which ended in an error."""


class Rule(Protocol):
    """A module that judges one danger. It never calls another rule; no order matters."""

    @property
    def NAME(self) -> str:
        """The rule's name, as its verdicts and its memory carry it."""
        ...

    @property
    def SENTENCES(self) -> Mapping[str, str]:
        """Reason code -> sentence, with the verdict's values and ``subject`` as fields."""
        ...

    def judge(self, view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
        """Say what this rule makes of a tick, and what it remembers for the next."""
        ...


def allow(rule: str, reason: str = "clear") -> Verdict:
    """The verdict of a rule that has nothing against heat."""
    return Verdict(rule, Severity.ALLOW, reason)


def trip_age_s(view: SafetyView, memory: Memory) -> float:
    """How long a trip has been seen without a break [s]; 0 at its first tick."""
    return memory["over_s"] + view.elapsed_s if "over_s" in memory else 0.0


def judge_hard_limit(
    view: SafetyView, memory: Memory, *, rule: str, role: Role, limit_c: float
) -> tuple[Verdict, Memory]:
    """Trip where a trusted temperature is above its limit; lock out once that is confirmed.

    An unknown reading is never *too hot*: it leaves this rule silent (the rules about
    readings withhold the heat).
    """
    fitted = view.fitted(role)
    if not fitted:
        return allow(rule, "not_fitted"), {}
    trusted = [s for s in fitted if s.trusted]
    if not trusted:
        return allow(rule, "unknown"), {}
    hottest = max(trusted, key=lambda s: s.measured)
    value_c, age_s = hottest.measured, hottest.old_s
    values = {"value_c": value_c, "limit_c": limit_c}
    if value_c <= limit_c:
        return Verdict(rule, Severity.ALLOW, "clear", values=values, subject=hottest.sensor), {}
    over_s = trip_age_s(view, memory)
    confirmed = over_s >= CONFIRM_S and age_s < over_s
    verdict = Verdict(
        rule,
        Severity.LOCKOUT if confirmed else Severity.TRIP,
        "too_hot",
        Clears.ON_ACKNOWLEDGE if confirmed else Clears.WHEN_CLEAR,
        hottest.sensor,
        values,
    )
    return verdict, {"over_s": over_s}
