"""One heater tick after tick, as the tests of the cycle play it."""

from __future__ import annotations

from typing import Any

from controller.cycle import Carry, decide
from controller.records.decision import Decision, HeaterState
from controller.records.instant import Instant
from controller.records.limits import TICK_S
from tests.controller.builders import START, START_S, later, make_plan, make_situation


class Run:
    """Ticks of one heater, ten seconds apart, with the carry handed on."""

    def __init__(self, stored: HeaterState | None = None, start: Instant = START) -> None:
        self.now = start
        self.carry = Carry.at_start(stored, start)

    def tick(self, *readings: Any, **changes: Any) -> Decision:
        situation = make_situation(*readings, now=self.now, **changes)
        decision, self.carry = decide(situation, self.carry)
        self.now = later(TICK_S, self.now)
        return decision

    def run(self, seconds: float, *readings: Any, **changes: Any) -> Decision:
        for _ in range(round(seconds / TICK_S)):
            decision = self.tick(*readings, **changes)
        return decision


PLAN = make_plan(made_s=START_S - 60.0)
"""Nothing is booked and the timetable has heat: enough to see whether the rules let it through."""
