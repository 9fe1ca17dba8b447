"""What pump and valves are told, as sentences. Rendering only."""

from __future__ import annotations

from controller.local_time import duration
from controller.records.outputs import OutputCommand, OutputReason

_REASONS = {
    OutputReason.HEAT: "for heat",
    OutputReason.OVERRUN: "to carry off what is left of the heat",
    OutputReason.TRIP: "to carry off what is too hot",
    OutputReason.FROST: "because frost cannot be ruled out",
    OutputReason.EXERCISE: "for a moment, because the pump has stood for two weeks",
    OutputReason.WAITING: "until a loop is open",
    OutputReason.RESTING: "for a few minutes, because it was not proven to run",
    OutputReason.IDLE: "as nothing needs it",
}


def output_sentence(told: OutputCommand) -> str:
    """What one output was told, why, and for how long by itself."""
    said = f"{told.output}: {'ON' if told.on else 'OFF'}, {_REASONS[told.reason]}"
    if not told.on:
        return f"{said}."
    lease = duration(told.lease_s)
    return f"{said}; unless renewed, a relay that counts leases drops out {lease} later."


def outputs_in_short(outputs: tuple[OutputCommand, ...]) -> str:
    """Those that are on, in one bracket; empty where none is."""
    on = [told.output for told in outputs if told.on]
    return f" (on: {', '.join(on)})" if on else ""
