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
    by_rule = {verdict.rule: verdict for verdict in verdicts}
    if _is_dry(by_rule.get(loop_pressure.NAME), latched):
        return None
    tripped = {rule for rule, one in by_rule.items() if one.severity >= Severity.TRIP}
    if tripped & CARRIES_OFF:
        return OutputReason.TRIP
    frost = by_rule.get(frost_protection.NAME)
    if frost and frost.severity > Severity.ALLOW and loop_pressure.NAME not in tripped:
        return OutputReason.FROST
    if account.since_heat_s < fitted.overrun_s:
        return OutputReason.OVERRUN
    if fitted.heater.pump and account.stood_s >= STOOD_S and loop_pressure.NAME not in tripped:
        return OutputReason.EXERCISE
    return None


def _is_dry(pressure: Verdict | None, latched: Collection[str]) -> bool:
    """Whether the loop has lost its fluid, whatever its gauge says by now: nothing to pump."""
    tripped = pressure is not None and pressure.severity >= Severity.TRIP
    too_high = pressure is not None and pressure.reason == "high"
    return (tripped or loop_pressure.NAME in latched) and not too_high
