"""Sensors that stand still while heat goes in: what is stuck, and all that is merely at rest."""

from typing import Any

import pytest

from controller.interlocks import stuck_reading
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity
from controller.records.site import Role
from tests.controller.builders import (
    HOUR_S,
    MILD,
    RATING_W,
    Script,
    air,
    outdoor,
    sensed,
    slab,
)

ON = {"heating": True}
FULL = sensed(Role.POWER, RATING_W, subject="boiler")
# 48 m2 of 150 mm hold 14.6 MJ/K: 3 K of it are 44 MJ, 81 min of 9 kW, a little more with losses


NAMES = ("bay-slab", "bay-air", "bay-loop-supply")


def supply(value: float, **changes: Any) -> Sensed:
    return sensed(Role.SUPPLY, value, subject="bay-loop", **changes)


def stepping(step_k: float = 1.0 / 16.0) -> Script:
    """Sensors that have moved by steps of this size before."""
    script = Script(stuck_reading)
    for value in (9.0, 9.0 + step_k, 9.0 + 3.0 * step_k):
        script.tick(slab(value), air(value), supply(value), heating=False)
    assert all(script.memory[f"step:{name}"] == pytest.approx(step_k) for name in NAMES)
    return script


def test_a_slab_that_full_heat_does_not_move_is_stuck() -> None:
    """Surplus heat for 3 K has gone in and not one step has come out: unknown, not too hot."""
    script = stepping()
    cold = (slab(10.0), air(10.0), outdoor(8.0), FULL)
    assert script.run(80 * 60.0, *cold, **ON).severity is Severity.ALLOW
    verdict = script.run(600.0, *cold, **ON)
    assert (verdict.severity, verdict.reason, verdict.subject) == (
        Severity.OFF,
        "stuck",
        "bay-slab",
    )
    assert verdict.clears is Clears.WHEN_CLEAR
    assert script.memory["stuck:bay-slab"] == 1.0


def test_stays_stuck_at_rest_and_clears_with_one_step() -> None:
    """Time without heat proves nothing new; a sixteenth of a kelvin does."""
    script = stepping()
    cold = (slab(10.0), air(10.0), outdoor(8.0), FULL)
    script.run(2 * HOUR_S, *cold, **ON)
    doubted = (slab(10.0, condition=Condition.STUCK), *cold[1:])
    assert script.run(10 * HOUR_S, *doubted, heating=False).severity is Severity.OFF
    moved = slab(10.0625, condition=Condition.STUCK)
    assert script.tick(moved, *cold[1:], **ON).severity is Severity.ALLOW
    assert "stuck:bay-slab" not in script.memory


def test_a_slab_at_rest_is_not_stuck() -> None:
    """A sensor of sixteenths of a kelvin may stand on one step for days without heat."""
    script = stepping()
    for _ in range(3 * 24):
        assert script.tick(*MILD, heating=False, elapsed_s=HOUR_S).severity is Severity.ALLOW


def test_a_weak_heater_at_balance_is_not_stuck() -> None:
    """3 kW into a floor that gives off as much may hold one step for a day."""
    power = sensed(Role.POWER, 3000.0, subject="boiler")
    balance = (slab(24.0), air(18.0), outdoor(-5.0), power)
    script = stepping()
    for _ in range(24):
        verdict = script.tick(*balance, rating_w=3000.0, elapsed_s=HOUR_S, **ON)
        assert verdict.severity is Severity.ALLOW


def test_a_slab_that_moves_a_step_now_and_then_is_not_stuck() -> None:
    """Any movement at all begins anew."""
    script = stepping()
    for step in range(20):
        reading = slab(10.0 + step / 16.0)
        verdict = script.run(HOUR_S, reading, air(10.0), outdoor(8.0), FULL, **ON)
        assert verdict.severity is Severity.ALLOW


@pytest.mark.parametrize(
    "idle",
    [
        sensed(Role.POWER, 0.49 * RATING_W, subject="boiler"),
        sensed(Role.POWER, RATING_W, subject="boiler", condition=Condition.STALE),
        sensed(Role.RELAY_STATE, 0.0, subject="boiler"),
    ],
)
def test_without_heat_that_is_known_nothing_is_stuck(idle: Sensed) -> None:
    """A boiler on its own thermostat, an unknown power or an open relay put nothing in."""
    cold = (slab(10.0), air(10.0), outdoor(8.0), idle)
    assert stepping().run(6 * HOUR_S, *cold, **ON).severity is Severity.ALLOW


def test_without_a_meter_the_command_counts() -> None:
    """Where neither power nor relay is read back, an ON is taken for heat."""
    cold = (slab(10.0), air(10.0), outdoor(8.0))
    assert stepping().run(2 * HOUR_S, *cold, **ON).severity is Severity.OFF


def test_air_that_a_warming_slab_does_not_move_is_stuck() -> None:
    """A slab 5 K warmer than when the air last moved: the air sensor is dead."""
    script = stepping()
    for degrees in range(15, 20):
        verdict = script.run(600.0, slab(float(degrees)), air(14.0), FULL, **ON)
        assert verdict.severity is Severity.ALLOW
    assert script.run(20.0, slab(20.0), air(14.0), FULL, **ON).subject == "bay-air"
    assert script.tick(slab(20.0), air(14.1), FULL, **ON).severity is Severity.ALLOW


def test_a_pipe_that_full_heat_does_not_move_is_stuck() -> None:
    """Twenty minutes of full heat, and the supply stands where the cool slab is."""
    script = stepping()
    reading = (slab(16.0), air(14.0), outdoor(), supply(16.5), FULL)
    assert script.run(1200.0, *reading, **ON).severity is Severity.ALLOW
    verdict = script.run(20.0, *reading, **ON)
    assert (verdict.severity, verdict.subject) == (Severity.OFF, "bay-loop-supply")


def test_a_warm_pipe_may_stand_still() -> None:
    """A boiler that holds its own limit keeps the supply on one step for as long as it likes."""
    script = stepping()
    for step in range(24):
        reading = (slab(24.0 + step / 16.0), air(14.0 + step / 16.0), supply(48.0), FULL)
        assert script.run(1800.0, *reading, **ON).severity is Severity.ALLOW


def test_beside_a_good_one_a_stuck_sensor_is_a_warning() -> None:
    """Where another sensor of the role is trusted, heat goes on."""
    script = stepping()
    for step in range(12):
        good = slab(10.0 + step / 8.0, sensor="good")
        verdict = script.run(600.0, slab(10.0), good, air(10.0), outdoor(8.0), FULL, **ON)
    assert (verdict.severity, verdict.subject) == (Severity.WARN, "bay-slab")


def test_readings_that_are_lost_for_a_while_forget_nothing() -> None:
    """A gap neither hides a stuck sensor nor adds to what has gone in."""
    script = stepping()
    rest = (air(10.0), outdoor(8.0), FULL)
    script.run(HOUR_S, slab(10.0), *rest, **ON)
    script.run(HOUR_S, slab(10.0, condition=Condition.STALE), *rest, heating=False)
    assert script.run(20.0, slab(10.0), *rest, **ON).severity is Severity.ALLOW
    assert script.run(0.5 * HOUR_S, slab(10.0), *rest, **ON).severity is Severity.OFF


@pytest.mark.parametrize("step_k", [0.5, 1.0])
def test_a_coarse_sensor_is_not_stuck(step_k: float) -> None:
    """Slab, air and supply as a slow floor warms them, each rounded down to its step.

    The slab takes a third less of the heat than described, the air follows it by a quarter, the
    supply is barely warmer: no step is late by so much as to be called stuck.
    """
    script = stepping(step_k)
    slab_c = 10.0
    for _ in range(12 * 360):
        slab_c += 10.0 * RATING_W / (1.5 * 14.6e6)
        airs, supplies = 9.9 + 0.25 * (slab_c - 10.0), slab_c + 2.9
        coarse = [step_k * (value // step_k) for value in (slab_c, airs, supplies)]
        readings = (slab(coarse[0]), air(coarse[1]), supply(coarse[2]), outdoor(8.0), FULL)
        assert script.tick(*readings, **ON).severity is Severity.ALLOW


@pytest.mark.parametrize(
    ("step_k", "minutes"),
    [(1.0 / 16.0, 81.0), (0.1, 81.0), (0.5, 103.0), (1.0, 130.0), (7.0, 130.0)],
)
def test_a_stuck_slab_is_found_the_later_the_coarser_it_is(step_k: float, minutes: float) -> None:
    """3 K of surplus heat and two steps; a jump is no step, so that none is believed beyond 1 K."""
    script = Script(stuck_reading)
    script.tick(slab(10.0 - step_k), air(10.0), heating=False)
    cold = (slab(10.0), air(10.0), outdoor(8.0), FULL)
    assert script.run(0.95 * 60.0 * minutes, *cold, **ON).severity is Severity.ALLOW
    assert script.run(0.1 * 60.0 * minutes, *cold, **ON).subject == "bay-slab"


@pytest.mark.parametrize(("step_k", "slab_c"), [(0.1, 15.0), (0.5, 16.6), (1.0, 18.6)])
def test_stuck_air_of_a_coarse_sensor(step_k: float, slab_c: float) -> None:
    """5 K of the slab's warming, and four steps."""
    script = stepping(step_k)
    script.run(20.0, slab(10.0), air(8.0), FULL, **ON)
    assert script.run(20.0, slab(slab_c - 0.1), air(8.0), FULL, **ON).severity is Severity.ALLOW
    assert script.run(20.0, slab(slab_c), air(8.0), FULL, **ON).subject == "bay-air"


@pytest.mark.parametrize(("step_k", "minutes"), [(0.1, 20.0), (0.5, 22.0), (1.0, 49.0)])
def test_a_stuck_supply_of_a_coarse_sensor(step_k: float, minutes: float) -> None:
    """Twenty minutes, or as long as the slab takes for two steps."""
    script = stepping(step_k)
    cold = (slab(10.0), air(10.0), supply(12.0), outdoor(8.0), FULL)
    assert script.run(0.95 * 60.0 * minutes, *cold, **ON).severity is Severity.ALLOW
    assert script.run(0.1 * 60.0 * minutes, *cold, **ON).subject == "bay-loop-supply"


def test_a_sensor_that_has_never_moved_is_found_as_the_coarsest() -> None:
    """Dead on arrival: nothing tells its step, but it is found."""
    script = Script(stuck_reading)
    cold = (slab(10.0), air(10.0), outdoor(8.0), FULL)
    assert script.run(120 * 60.0, *cold, **ON).severity is Severity.ALLOW
    assert script.run(20 * 60.0, *cold, **ON).subject == "bay-slab"


def test_a_step_outlives_gaps_and_restarts() -> None:
    """What a sensor is like is not forgotten with a process."""
    script = stepping()
    script.run(60.0, slab(9.1875, condition=Condition.STALE), heating=False)
    script.restart(slab(9.1875))
    assert script.memory["step:bay-slab"] == 1.0 / 16.0


def test_a_slab_behind_a_shut_valve_need_not_move() -> None:
    """No heat goes into its floor, however long the heater is on for another zone."""
    script = stepping()
    cold = (slab(10.0), air(10.0), outdoor(8.0), FULL)
    verdict = script.run(4 * HOUR_S, *cold, **ON, shut=frozenset({"bay"}))
    assert (verdict.severity, script.memory["due:bay-slab"]) == (Severity.ALLOW, 0.0)
