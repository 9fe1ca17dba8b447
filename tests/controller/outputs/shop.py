"""The small workshop with a pump and a valve, tick by tick: what is decided reaches them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from controller.cycle import Carry, decide
from controller.records.decision import Decision
from controller.records.limits import TICK_S
from controller.records.outputs import OutputCommand
from controller.records.readings import Condition, Sensed
from controller.records.site import CirculationPump, Loop, Relay, Role, ZoneValve
from tests.controller.builders import (
    MILD,
    START,
    later,
    make_heater,
    make_plan,
    make_situation,
    sensed,
)

PROOF_S, OVERRUN_S, TRAVEL_S, CLOSE_AFTER_S = 60.0, 300.0, 180.0, 600.0


def output_relay(name: str, word: str) -> Relay:
    return Relay(f"shop/{name}", leases=True, word=word, falls_off=False)


PUMP = CirculationPump("pump", output_relay("pump", "run"), OVERRUN_S, PROOF_S)
VALVE = ZoneValve("valve", output_relay("valve", "open"), TRAVEL_S, CLOSE_AFTER_S)


def make_loop(valve: ZoneValve | None = None, name: str = "bay-loop") -> Loop:
    return Loop(name, "bay", 240.0, 0.016, 0.3, valve)


class Shop:
    """Pump and valve do what they are told unless the test says otherwise.

    Attributes
    ----------
    pump_works, valve_works : bool
    readings : tuple of Sensed
        All but those of pump and valve.
    silent, valve_silent : bool
        Whether the report of pump or valve has been lost.
    wanted : bool
        What the plan asks for.
    """

    def __init__(
        self,
        *,
        pump: CirculationPump | None = PUMP,
        loops: tuple[Loop, ...] = (make_loop(),),
        carry: Carry | None = None,
    ) -> None:
        heater = replace(make_heater(), pump=pump, loops=tuple(loop.id for loop in loops))
        self._heater, self._loops = heater, loops
        self.carry = carry or Carry.at_start(None, START)
        self.now = START
        self.pump_works = self.valve_works = True
        self.silent = self.valve_silent = False
        self.deaf: frozenset[str] = frozenset()
        self.wanted = True
        self.readings: tuple[Sensed, ...] = MILD
        self.last: Decision | None = None

    def tick(self, **changes: Any) -> Decision:
        """One tick; what was told before it has had its time to take effect."""
        self.now = later(TICK_S, self.now)
        situation = make_situation(
            *self.readings,
            *self._reports(),
            now=self.now,
            heater=self._heater,
            loops=self._loops,
            deaf=self.deaf,
            plan=make_plan(heat=self.wanted, made_s=self.now.utc_s),
            **changes,
        )
        self.last, self.carry = decide(situation, self.carry)
        return self.last

    def run(self, seconds: float) -> list[Decision]:
        return [self.tick() for _ in range(round(seconds / TICK_S))]

    def until_heat(self, within_s: float = 1200.0) -> Decision:
        """Run until there is heat; it must come."""
        for decision in (self.tick() for _ in range(round(within_s / TICK_S))):
            if decision.command.heat:
                return decision
        raise AssertionError(f"no heat within {within_s} s")

    def restart(self) -> None:
        """Another process with the stored state."""
        self.carry = Carry.at_start(self.carry.state, self.now)

    def told(self, output: str) -> OutputCommand:
        assert self.last is not None
        return next(told for told in self.last.outputs if told.output == output)

    def _reports(self) -> list[Sensed]:
        """As they are 5 s before the tick."""
        found = []
        if self._heater.pump is not None:
            runs = self._is_on("pump") and self.pump_works
            condition = Condition.STALE if self.silent else Condition.FRESH
            found.append(sensed(Role.RELAY_STATE, float(runs), subject="pump", condition=condition))
        opens = float(self._is_on("valve") and self.valve_works)
        if any(loop.valve is not None for loop in self._loops):
            condition = Condition.STALE if self.valve_silent else Condition.FRESH
            found.append(sensed(Role.RELAY_STATE, opens, subject="valve", condition=condition))
        return found

    def _is_on(self, output: str) -> bool:
        told = self.last.outputs if self.last else ()
        return any(one.on for one in told if one.output == output)


def reason(decision: Decision) -> str:
    """The reason that settled a decision."""
    assert decision.deciding is not None
    return decision.deciding.reason
