"""Why fluid has to go round at this tick, if it has to."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from controller.interlocks import (
    floor_surface,
    frost_protection,
    loop_pressure,
    relay_read_back,
    slab_over_temperature,
    supply_over_temperature,
)
from controller.outputs.account import Account, Fitted
from controller.records.outputs import OutputReason
from controller.records.safety import Severity, Verdict

CARRIES_OFF = frozenset(
    {
        slab_over_temperature.NAME,
        floor_surface.NAME,
        supply_over_temperature.NAME,
        relay_read_back.NAME,
    }
)
"""Rules at whose trip fluid goes on round: it carries off what is too hot, or still heats."""
STOOD_S = 14 * 86400.0
"""A pump that has stood for so long is run for a moment (common practice, no source) [s]."""


def why(
    fitted: Fitted,
    account: Account,
    verdicts: Iterable[Verdict],
    *,
    asked: bool,
    latched: Collection[str] = (),
) -> OutputReason | None:
    """The first reason to open loops and to run the pump; None where there is none.

    ``asked``: whether there would be heat if the pump were proven; ``latched``: the rules whose
    lockout stands.
    """
    if asked:
        return OutputReason.HEAT
    by_rule = {verdict.rule: verdict.severity for verdict in verdicts}
    tripped = {rule for rule, severity in by_rule.items() if severity >= Severity.TRIP}
    if tripped & CARRIES_OFF:
        return OutputReason.TRIP
    # a loop that has lost its fluid would run the pump dry, whatever its gauge says by now
    wet = loop_pressure.NAME not in tripped and loop_pressure.NAME not in latched
    if wet and by_rule.get(frost_protection.NAME, Severity.ALLOW) > Severity.ALLOW:
        return OutputReason.FROST
    if account.since_heat_s < fitted.overrun_s:
        return OutputReason.OVERRUN
    if wet and fitted.heater.pump and account.stood_s >= STOOD_S:
        return OutputReason.EXERCISE
    return None
