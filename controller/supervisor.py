"""The supervisor: hears every rule, lets the worst verdict win, keeps lockouts.

It knows nothing of planning: a wish for heat comes in, a ruling goes out. It imports the
standard library, the shared records and the rules, and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from controller.interlocks import RULES, relay_reachable
from controller.interlocks.rule import FAILED, Rule
from controller.records.safety import (
    NOTHING,
    Acknowledged,
    Clears,
    Memory,
    SafetyView,
    Severity,
    Verdict,
)


@dataclass(frozen=True, slots=True)
class Ruling:
    """What the rules make of one tick.

    ``deciding`` is the verdict that settled the command, None where the wish was granted.
    """

    heat: bool
    verdicts: tuple[Verdict, ...]
    deciding: Verdict | None
    latched: frozenset[str]
    memories: Mapping[str, Memory]


def supervise(
    view: SafetyView, memories: Mapping[str, Memory], *, acknowledged: Acknowledged = NOTHING
) -> Ruling:
    """Run all rules on a view and settle the command.

    Parameters
    ----------
    view : SafetyView
        ``view.latched`` holds the lockouts as they stood before this tick.
    memories : mapping of str to Memory
        What each rule remembered at the last tick, by rule name.
    acknowledged : Acknowledged
        Which lockouts the owner has acknowledged since the last tick. A trip that is still
        confirmed locks out again at once.
    """
    view = replace(view, acknowledged=acknowledged)
    verdicts, remembered = [], {}
    for rule in RULES:
        verdict, remembered[rule.NAME] = _hear(rule, view, memories.get(rule.NAME, {}))
        verdicts.append(verdict)
    tripped = {v.rule for v in verdicts if v.severity is Severity.LOCKOUT and v.rule != "lockout"}
    kept = {rule for rule in view.latched if not acknowledged.covers(rule)}
    latched = frozenset(kept | tripped)
    if view.latched and not latched:
        verdicts = [v for v in verdicts if v.rule != "lockout"]
    worst = max(verdicts, key=lambda v: v.severity)
    heat = settle(worst.severity, wanted=view.heat_wanted, heating=view.heating)
    deciding = worst if worst.severity >= Severity.HOLD else None
    if heat and not view.relay_reachable:
        # frost protection alone comes so far; what cannot be sent is not on record as a command
        heat, verdicts = False, [_not_sent(v) for v in verdicts]
        deciding = next(v for v in verdicts if v.rule == relay_reachable.NAME)
    return Ruling(heat, tuple(verdicts), deciding, latched, remembered)


def _not_sent(verdict: Verdict) -> Verdict:
    if verdict.rule != relay_reachable.NAME:
        return verdict
    return replace(verdict, severity=Severity.OFF, reason="not_sent", clears=Clears.WHEN_CLEAR)


def _hear(rule: Rule, view: SafetyView, memory: Memory) -> tuple[Verdict, Memory]:
    """What a rule says. One that fails has seen nothing, so it must be taken to forbid heat."""
    try:
        verdict, remembered = rule.judge(view, memory)
    except Exception as error:  # noqa: BLE001 - whatever it is, the other rules must still be heard
        failed = type(error).__name__
        return Verdict(rule.NAME, Severity.OFF, FAILED, Clears.WHEN_CLEAR, failed), memory
    return verdict, remembered


def settle(worst: Severity, *, wanted: bool, heating: bool) -> bool:
    """The command that the worst severity makes of a wish and of the last command."""
    if worst in (Severity.OFF, Severity.TRIP, Severity.LOCKOUT):
        return False
    if worst is Severity.FROST:
        return True
    return heating if worst is Severity.HOLD else wanted
