"""Hands pump and valves what a decision tells them, on the right side of the heat."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from controller.records.decision import Command, Decision
from controller.records.outputs import OutputCommand


class RelayPort(Protocol):
    """What the guard needs of a relay."""

    @property
    def connected(self) -> bool:
        """Whether a command can be delivered now."""
        ...

    @property
    def reachable(self) -> bool:
        """Whether an ON can be delivered now, which asks for more."""
        ...

    @property
    def taken_over(self) -> bool:
        """Whether another client has taken this relay's session."""
        ...

    def send(self, command: Command) -> bool:
        """Deliver a command now or not at all."""
        ...

    def take_interruption(self) -> bool:
        """Whether the relay was told OFF since the last call because its connection was lost."""
        ...


class OutputDesk:
    """The relays of one heater's pump and valves.

    Parameters
    ----------
    relays : mapping of str to RelayPort
        By output.
    """

    def __init__(self, relays: Mapping[str, RelayPort]) -> None:
        self._relays = relays
        self._did_not_take: frozenset[str] = frozenset()

    @property
    def deaf(self) -> frozenset[str]:
        """Those that cannot be told something now, or could not at the last tick."""
        away = {output for output, relay in self._relays.items() if not relay.connected}
        return self._did_not_take | away

    @property
    def taken_over(self) -> bool:
        """Whether another client has taken the session of one."""
        return any(relay.taken_over for relay in self._relays.values())

    def send(self, decision: Decision, heater: RelayPort, *, row_due: bool) -> None:
        """Tell outputs and heater: way and pump before heat comes, after it has gone.

        An OFF is said where the decision has a row, as often as that.
        """
        outputs = [told for told in decision.outputs if told.on or row_due]
        heat = decision.command
        if not heat.heat and row_due:
            heater.send(heat)
        # all are told, whether one takes it or not
        taken = {told.output: self._relays[told.output].send(_command(told)) for told in outputs}
        self._did_not_take = frozenset(output for output, took in taken.items() if not took)
        if heat.heat:
            heater.send(heat)


def _command(told: OutputCommand) -> Command:
    return Command(told.output, told.on, told.sequence, told.issued_s, told.lease_s)
