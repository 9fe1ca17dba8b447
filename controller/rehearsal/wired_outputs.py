"""Stand-ins for a circulation pump and zone valves, each behind a relay board of its own."""

from __future__ import annotations

from controller.records.site import CirculationPump, Output, Role, Sensor, ZoneValve
from controller.rehearsal.relay_board import LeaseBoard

PUMP_W = 45.0
"""Power of a pump of this size at work (common practice, no source) [W]."""


class WiredOutput:
    """A pump or valve with its board.

    Parameters
    ----------
    output : Output
    started_mono_s : float
        The moment of power-up [s].

    Attributes
    ----------
    stuck : bool
        Whether it does nothing whatever its board tells it: a seized pump, a jammed valve.
    heard : int
        Commands so far.
    """

    def __init__(self, output: Output, *, started_mono_s: float) -> None:
        self.output = output
        self.board = LeaseBoard(started_mono_s=started_mono_s, word=output.relay.word)
        self.stuck, self.heard = False, 0
        self._open_s = 0.0

    def receive(self, payload: bytes, mono_s: float) -> None:
        """Take a command."""
        self.board.receive(payload, mono_s)
        self.heard += 1

    def advance(self, seconds: float, mono_s: float) -> None:
        """Let a valve travel; one that is told to close is shut at once, which is the worse."""
        self._open_s = self._open_s + seconds if self._moves(mono_s) else 0.0

    def lets_through(self, mono_s: float) -> bool:
        """Whether the pump turns, or the valve is open."""
        travel_s = self.output.travel_s if isinstance(self.output, ZoneValve) else 0.0
        return self._moves(mono_s) and self._open_s >= travel_s

    def value(self, sensor: Sensor, mono_s: float) -> float | None:
        """What one of its own sensors reads [W]; None for what its board reports itself."""
        if sensor.role is Role.POWER and isinstance(self.output, CirculationPump):
            return PUMP_W if self.lets_through(mono_s) else 0.0
        return None

    def _moves(self, mono_s: float) -> bool:
        return self.board.heat(mono_s) and not self.stuck
