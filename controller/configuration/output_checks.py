"""What a pump, a valve and the sensors that prove them must say of each other."""

from __future__ import annotations

from collections.abc import Iterator

from controller.configuration.site import ReadSite
from controller.records.site import PUMP_PROOFS, CirculationPump, Role, Sensor


def check_outputs(read: ReadSite) -> None:
    """Note each pump that nothing proves, and each power that proves nothing."""
    if not read.complete:
        return
    for one in read.outputs:
        pump = one.output
        if not isinstance(pump, CirculationPump) or not pump.id:
            continue
        proofs = list(_sensors_of(read, pump.id))
        if not proofs:
            one.fields.blame(
                None,
                f"nothing proves that the pump {pump.id} runs",
                f"give report_topic, or a sensor of the role power or relay_state of {pump.id}",
            )
        by_power = any(sensor.role is Role.POWER for sensor in proofs)
        if by_power != (pump.proven_above_w is not None):
            one.fields.blame(
                "proven_above_w" if pump.proven_above_w is not None else None,
                f"proven_above_w and a sensor of the power of {pump.id} belong together",
                "give both or neither",
            )


def _sensors_of(read: ReadSite, output: str) -> Iterator[Sensor]:
    return (s for s in read.site.sensors if s.subject == output and s.role in PUMP_PROOFS)
