"""A rehearsed past put into a store, as if the service had been running all the while."""

from __future__ import annotations

import math
from collections.abc import Mapping

from controller.records.decision import Decision, HeaterState
from controller.records.readings import Reading
from controller.records.site import Site
from controller.rehearsal.controller_driver import ControllerDriver
from controller.store.writer import Writer

ROW_S = 900.0
"""Longest time between two decisions that are kept [s]."""


class RecordingDriver:
    """A controller whose decisions are kept as it makes them.

    Parameters
    ----------
    controller : ControllerDriver
    """

    def __init__(self, controller: ControllerDriver) -> None:
        self._controller = controller
        self._kept: list[tuple[Decision, HeaterState]] = []

    def heat(self, now_s: float, values: Mapping[str, float]) -> bool:
        """The command at this moment."""
        heat = self._controller.heat(now_s, values)
        decision = self._controller.decision
        last = self._kept[-1][0] if self._kept else None
        if decision is not None:
            old = last is None or decision.at.utc_s - last.at.utc_s >= ROW_S
            if old or decision.changed_from(last):
                self._kept.append((decision, self._controller.state))
        return heat

    def write(self, store: Writer, site: Site) -> int:
        """Put readings and decisions into a store; the number of readings comes back."""
        readings = self._readings(site)
        store.add_readings(readings)
        for decision, state in self._kept:
            store.add_decision(decision, state)
        return len(readings)

    def _readings(self, site: Site) -> list[Reading]:
        memory, start_s = self._controller.memory, self._controller.start_s
        return [
            Reading(
                sensor=sensor.id,
                role=sensor.role,
                subject=sensor.subject,
                value=value,
                measured_s=at_s,
                received_s=at_s,
                received_mono_s=at_s - start_s,
                sequence=0,
            )
            for sensor in site.sensors
            for at_s, value in memory.samples(sensor.id, 0.0, math.inf)
        ]
