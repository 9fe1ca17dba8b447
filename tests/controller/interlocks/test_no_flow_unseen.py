"""No flow or no heat with dead sensors, and with a boiler that its own limiter switches."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.interlocks import no_flow_or_no_heat
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, RATING_W, Script, sensed

DEAD_S = 230.0
"""A little over the loop's dead time: 48 l at 0.21 l/s."""
KNOWN_METER = {"meter": 1.0}


def loop(supply: float, back: float, watts: float, *dead: Role) -> tuple[Sensed, ...]:
    """The loop's sensors, some of them silent."""
    found = (
        sensed(Role.PRESSURE, 1.5, subject="bay-loop"),
        sensed(Role.SUPPLY, supply, subject="bay-loop"),
        sensed(Role.RETURN, back, subject="bay-loop"),
        sensed(Role.POWER, watts, subject="boiler"),
    )
    told = [replace(s, condition=Condition.STALE) if s.role in dead else s for s in found]
    return (*MILD, *told)


@pytest.mark.parametrize(
    ("dead", "memory", "trips"),
    [
        ((Role.POWER,), {}, True),  # as without a meter
        ((Role.RETURN,), KNOWN_METER, True),  # little power by a meter that has shown some
        ((Role.RETURN,), {}, False),  # the meter may be what is dead
        ((Role.RETURN, Role.POWER), KNOWN_METER, False),
        ((Role.SUPPLY,), KNOWN_METER, False),  # the loop may be as warm as it shall be
    ],
)
def test_a_dead_sensor_does_not_blind_the_others(
    dead: tuple[Role, ...], memory: dict[str, float], trips: bool
) -> None:
    """What is left tells, where it can."""
    script = Script(no_flow_or_no_heat, memory)
    nothing = loop(20.0, 19.5, 0.1 * RATING_W, *dead)
    verdict = script.run(DEAD_S + 640.0, *nothing, heating=True)
    assert (verdict.severity is Severity.TRIP) is trips
    assert verdict.reason == ("nothing_comes" if trips else "unknown")


def test_a_dead_return_over_a_warm_supply_is_no_fault() -> None:
    """The boiler's thermostat is content."""
    script = Script(no_flow_or_no_heat, KNOWN_METER)
    warm = loop(46.0, 40.0, 100.0, Role.RETURN)
    assert script.run(3 * 3600.0, *warm, heating=True).severity is Severity.ALLOW


def test_power_with_a_dead_return_is_heat() -> None:
    """Full power counts, whatever else is unknown."""
    script = Script(no_flow_or_no_heat, KNOWN_METER)
    on = loop(20.0, 19.5, RATING_W, Role.RETURN)
    assert script.run(3 * 3600.0, *on, heating=True).reason == "clear"


def test_a_boiler_that_its_limiter_switches_trips() -> None:
    """A minute of full power in nine, no drop: each minute stands for one minute."""
    script = Script(no_flow_or_no_heat)
    seen = set()
    for _ in range(3):
        script.run(60.0, *loop(20.0, 19.8, RATING_W), heating=True)
        seen |= {script.tick(*loop(20.0, 19.8, 100.0), heating=True).severity for _ in range(48)}
    assert Severity.TRIP in seen


def test_heat_that_flows_takes_all_of_it_back() -> None:
    """A tick with a drop ends the wait, as before."""
    script = Script(no_flow_or_no_heat)
    for _ in range(6):
        assert script.run(500.0, *loop(20.0, 19.8, 100.0), heating=True).severity is Severity.ALLOW
        script.tick(*loop(24.0, 20.0, RATING_W), heating=True)
