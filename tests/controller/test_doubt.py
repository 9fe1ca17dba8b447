"""What becomes of a doubted sensor in the tick after: unknown to every rule, in the record too."""

from __future__ import annotations

from typing import Any

import pytest

from controller.cycle import Carry, decide
from controller.interlocks.doubt import doubted
from controller.records.decision import Decision, HeaterState
from controller.records.limits import TICK_S
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from tests.controller.builders import (
    HOUR_S,
    MILD,
    START,
    START_S,
    air,
    later,
    make_plan,
    make_situation,
    outdoor,
    reasons,
    slab,
)

FULL = HeaterState(memories={"frost_protection": {"minute_s": 0.0}})


class Run:
    """Ticks of one heater, ten seconds apart."""

    def __init__(self) -> None:
        self.now, self.carry = START, Carry.at_start(FULL, START)
        self.decisions: list[Decision] = []

    def run(self, seconds: float, *readings: Sensed, **changes: Any) -> Decision:
        for _ in range(round(seconds / TICK_S)):
            situation = make_situation(*readings, now=self.now, **changes)
            decision, self.carry = decide(situation, self.carry)
            self.decisions.append(decision)
            self.now = later(TICK_S, self.now)
        return decision


def conditions(decision: Decision) -> dict[str, Condition]:
    return {sensed.sensor: sensed.condition for sensed in decision.sensed}


def test_one_of_two_slab_sensors_that_failed_hot_locks_nothing_out() -> None:
    """It trips at once, is doubted within the minute, and a cold room gets its bounded heat."""
    run = Run()
    pair = (slab(3.0), slab(45.0, sensor="failed"), air(3.0), outdoor(-9.0))
    run.run(30.0, *pair)
    assert max(v.severity for v in run.decisions[-1].verdicts) is Severity.TRIP
    run.run(HOUR_S, *pair)
    assert run.carry.state.latched == frozenset()
    last = run.decisions[-1]
    assert conditions(last)["bay-slab"] is conditions(last)["failed"] is Condition.CONTRADICTED
    told = reasons(last.verdicts)
    assert (told["sensors_that_disagree"], told["stale_reading"]) == ("apart", "doubted")
    heated_s = TICK_S * sum(d.command.heat for d in run.decisions)
    assert 800.0 <= heated_s <= 900.0


def test_a_slab_sensor_that_is_stuck_cold_is_blind_to_frost() -> None:
    """Heat on a slab that never warms ends with the stuck sensor found, then with the budget."""
    run = Run()
    stuck = (slab(4.0), air(4.0), outdoor(3.0))
    decision = run.run(5 * HOUR_S, *stuck)
    assert conditions(decision)["bay-slab"] is Condition.STUCK
    told = reasons(decision.verdicts)
    assert told["stuck_reading"] == "stuck"
    assert told["frost_protection"] in ("blind", "blind_spent")
    spans = [d.command.heat for d in run.decisions[-360:]]
    assert TICK_S * sum(spans) <= 900.0


def test_a_sensor_that_moves_again_is_believed_again() -> None:
    """One tick after it has moved, planned heat may come back."""
    run = Run()
    plan = make_plan(made_s=START_S - 60.0)
    run.run(5 * HOUR_S, slab(10.0), air(10.0), outdoor(8.0), plan=plan)
    assert run.decisions[-1].command.heat is False
    run.run(20.0, slab(12.0), air(10.0), outdoor(8.0), plan=plan)
    assert conditions(run.decisions[-1])["bay-slab"] is Condition.FRESH
    assert run.run(300.0, slab(12.0), air(10.0), outdoor(8.0), plan=plan).command.heat is True


@pytest.mark.parametrize("condition", Condition)
@pytest.mark.parametrize(
    ("mark", "becomes"),
    [("stuck:bay-slab", Condition.STUCK), ("contradicted:bay-slab", Condition.CONTRADICTED)],
)
def test_only_a_fresh_reading_can_be_doubted(
    condition: Condition, mark: str, becomes: Condition
) -> None:
    """What is unknown for a reason of its own stays so, and keeps that reason."""
    marked = {"some_rule": {mark: 1.0, "stuck:another": 1.0}}
    (seen,) = doubted([slab(10.0, condition=condition)], marked)
    assert seen.condition is (becomes if condition is Condition.FRESH else condition)


def test_ordinary_readings_are_never_doubted() -> None:
    """A quiet day has no doubted sensor in it."""
    run = Run()
    run.run(6 * HOUR_S, *MILD)
    assert {c for d in run.decisions for c in conditions(d).values()} == {Condition.FRESH}
