"""What the relay said of itself after each change of command, for the record."""

from __future__ import annotations

from controller.records.decision import Command, Readback
from controller.records.instant import Instant
from controller.records.readings import Sensed
from controller.records.site import Role

PATIENCE_S = 60.0
"""Time after which a silent relay is put on record as silent [s]."""


class ReadBackDesk:
    """Waits for the first report that is younger than the command."""

    def __init__(self) -> None:
        self._command: Command | None = None
        self._since_mono_s = 0.0

    def expect(self, command: Command, now: Instant) -> None:
        """A command with a changed content has been sent."""
        self._command, self._since_mono_s = command, now.mono_s

    def take(self, sensed: tuple[Sensed, ...], now: Instant) -> Readback | None:
        """The read-back of the expected command, once, when it has come or is overdue."""
        command = self._command
        if command is None:
            return None
        waited_s = now.mono_s - self._since_mono_s
        own = (s for s in sensed if s.role is Role.RELAY_STATE and s.subject == command.heater)
        for state in (s for s in own if s.trusted):
            if state.old_s < waited_s:
                heat = state.measured >= 0.5
                if heat == command.heat or waited_s >= PATIENCE_S:
                    self._command = None
                    agrees = heat == command.heat
                    return Readback(command.sequence, now.utc_s, heat, agrees)
        if waited_s < PATIENCE_S:
            return None
        self._command = None
        return Readback(command.sequence, now.utc_s, None, None)
