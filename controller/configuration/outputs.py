"""Reads what is switched beside the heat: a heater's circulation pump, a loop's valve."""

from __future__ import annotations

from dataclasses import dataclass

from controller.configuration.fields import Fields
from controller.configuration.kinds import FLAG, IDENT, TOPIC, number
from controller.records.site import CirculationPump, Output, Relay, ZoneValve

PUMP_WORD, VALVE_WORD = "run", "open"
"""What says on or off in the messages of each: a board that hears another's word obeys nothing."""

_S_PER_MIN = 60.0
_OVERRUN_MIN = 5.0
_PROOF_S = 60.0
_TRAVEL_S = 180.0
_CLOSE_AFTER_MIN = 10.0
"""Defaults: common practice, no source. A wax actuator takes some 3 min to open."""


@dataclass(frozen=True, slots=True)
class ReadOutput:
    """An output, what people call it, and where the file describes it."""

    output: Output
    what: str
    fields: Fields


def read_pump(heater: Fields) -> ReadOutput | None:
    """Read a heater's ``circulation_pump``; None where the boiler runs its own."""
    fields = heater.table_or_none("circulation_pump")
    if fields is None:
        return None
    with fields:
        pump = CirculationPump(
            id=fields.read("id", IDENT),
            relay=_relay(fields, PUMP_WORD),
            overrun_s=fields.read_or("overrun_min", number(1, 30), _OVERRUN_MIN) * _S_PER_MIN,
            proof_s=fields.read_or("proof_s", number(20, 300), _PROOF_S),
            proven_above_w=fields.read_or("proven_above_w", number(1, 2000), None),
        )
    return ReadOutput(pump, "the pump", fields)


def read_valve(loop: Fields) -> ReadOutput | None:
    """Read a loop's ``zone_valve``; None where the loop is always open."""
    fields = loop.table_or_none("zone_valve")
    if fields is None:
        return None
    with fields:
        close_after_min = fields.read_or("close_after_min", number(1, 60), _CLOSE_AFTER_MIN)
        valve = ZoneValve(
            id=fields.read("id", IDENT),
            relay=_relay(fields, VALVE_WORD),
            travel_s=fields.read_or("travel_s", number(0, 600), _TRAVEL_S),
            close_after_s=close_after_min * _S_PER_MIN,
        )
    return ReadOutput(valve, "the valve", fields)


def _relay(fields: Fields, word: str) -> Relay:
    """Without leases it stays as it was last told: no danger, as the heat ends by itself."""
    return Relay(
        command_topic=fields.read("command_topic", TOPIC),
        leases=fields.read("leases", FLAG) is True,
        report_topic=fields.read_or("report_topic", TOPIC, None),
        word=word,
        falls_off=False,
    )
