"""How long each output has been told what it is told: the memory of the sequence.

Kept among the rules' memories, so it survives a power cut. What a new process cannot know it
takes at its worst: heat has only just ended, and no pump runs and no valve is open.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.records.outputs import PumpView
from controller.records.readings import Sensed
from controller.records.safety import Memory
from controller.records.site import PUMP_PROOFS, Heater, Loop, Output, ZoneValve

EXERCISE_S = 60.0
"""A pump that has run for so long is free [s]."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A heater with its loops and the sensors of its outputs."""

    heater: Heater
    loops: tuple[Loop, ...]
    sensed: tuple[Sensed, ...] = ()

    @property
    def valves(self) -> tuple[ZoneValve, ...]:
        """The valves of the loops that have one."""
        return tuple(loop.valve for loop in self.loops if loop.valve is not None)

    @property
    def outputs(self) -> tuple[Output, ...]:
        """Pump and valves."""
        return self.valves if self.heater.pump is None else (self.heater.pump, *self.valves)

    @property
    def names(self) -> tuple[str, ...]:
        """What each is, and its id."""
        pump = () if self.heater.pump is None else (f"pump@{self.heater.pump.id}",)
        return (*pump, *(f"valve@{valve.id}" for valve in self.valves))

    @property
    def overrun_s(self) -> float:
        """How long fluid goes round after heat [s]."""
        return self.heater.pump.overrun_s if self.heater.pump else 0.0


@dataclass(frozen=True, slots=True)
class Account:
    """What has been told until now.

    Attributes
    ----------
    since_heat_s : float
        Time since the heater was last told ON [s].
    pump_s : float or None
        Time since the pump was told ON, None where it is told OFF [s].
    rested_s : float or None
        Time since an attempt to start the pump was given up, None where none was [s].
    stood_s : float
        Time since the pump last ran for ``EXERCISE_S`` [s].
    open_s : mapping of str to float
        Time since each valve that is told to open was [s].
    waited_s : float or None
        For how long frost heat has waited for way and pump, None where it does not [s].
    """

    since_heat_s: float = 0.0
    pump_s: float | None = None
    rested_s: float | None = None
    stood_s: float = 0.0
    open_s: Mapping[str, float] | None = None
    waited_s: float | None = None

    @classmethod
    def at(
        cls,
        fitted: Fitted,
        memory: Memory,
        *,
        elapsed_s: float,
        heating: bool,
        deaf: frozenset[str] = frozenset(),
    ) -> Account:
        """The account of the last tick, brought up to this one.

        Parameters
        ----------
        fitted : Fitted
        memory : Memory
            As ``remembered`` gave it.
        elapsed_s : float
            Time since the last tick of this process, 0 at its first [s].
        heating : bool
            The last command to the heater.
        deaf : frozenset of str
            The outputs that do not hear what they are told: the time of each starts anew.
        """
        memory = {k: v for k, v in memory.items() if math.isfinite(v)}
        known = elapsed_s > 0.0
        pump_s = memory.get("pump_s", -1.0)
        opened = {k.removeprefix("open:"): v for k, v in memory.items() if k.startswith("open:")}
        rested_s, waited_s = memory.get("rested_s", -1.0), memory.get("waited_s", -1.0)
        pump_hears = fitted.heater.pump is None or fitted.heater.pump.id not in deaf
        return cls(
            since_heat_s=0.0 if heating else memory.get("since_heat_s", 0.0) + elapsed_s,
            pump_s=_run_on(pump_s, elapsed_s, pump_hears) if known and pump_s >= 0.0 else None,
            rested_s=rested_s + elapsed_s if rested_s >= 0.0 else None,
            stood_s=0.0 if pump_s >= EXERCISE_S else memory.get("stood_s", 0.0) + elapsed_s,
            open_s={k: _run_on(v, elapsed_s, k not in deaf) for k, v in opened.items()}
            if known
            else {},
            waited_s=waited_s + elapsed_s if waited_s >= 0.0 else None,
        )

    def remembered(self) -> Memory:
        """What is stored."""
        numbers = {"since_heat_s": self.since_heat_s, "stood_s": self.stood_s}
        if self.pump_s is not None:
            numbers["pump_s"] = self.pump_s
        if self.rested_s is not None:
            numbers["rested_s"] = self.rested_s
        if self.waited_s is not None:
            numbers["waited_s"] = self.waited_s
        return numbers | {f"open:{valve}": s for valve, s in (self.open_s or {}).items()}

    def shut_zones(self, fitted: Fitted) -> frozenset[str]:
        """The zones of which no loop is told to be open."""
        told = self.open_s or {}
        ways = {loop.zone for loop in fitted.loops if loop.valve is None or loop.valve.id in told}
        return frozenset(loop.zone for loop in fitted.loops) - ways

    def pump_view(self, fitted: Fitted) -> PumpView | None:
        """The pump as the interlocks see it."""
        pump = fitted.heater.pump
        if pump is None:
            return None
        proofs = tuple(s for s in fitted.sensed if s.subject == pump.id and s.role in PUMP_PROOFS)
        return PumpView(pump.id, self.pump_s, pump.proof_s, pump.proven_above_w, proofs)


def _run_on(seconds: float, elapsed_s: float, hears: bool) -> float:
    return seconds + elapsed_s if hears else 0.0
