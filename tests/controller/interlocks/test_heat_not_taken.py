"""A boiler that stays hot and needs nothing: when it is told, and what must not be taken for it."""

import pytest

from controller.interlocks import heat_not_taken
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, RATING_W, Script, sensed

ON = {"heating": True}


def boiler(supply: float, watts: float, condition: Condition = Condition.FRESH) -> list[Sensed]:
    """Supply and power over a slab at 16 °C."""
    return [
        *MILD,
        sensed(Role.SUPPLY, supply, subject="bay-loop", condition=condition),
        sensed(Role.POWER, watts, subject="boiler", condition=condition),
    ]


FULL, IDLE = boiler(40.0, RATING_W), boiler(47.0, 60.0)


def hot_and_idle() -> Script:
    """A boiler that has just got hot, and draws nothing from now on."""
    script = Script(heat_not_taken)
    script.run(100.0, *FULL, **ON)
    script.run(1700.0, *IDLE, **ON)
    return script


def test_a_hot_boiler_that_draws_nothing_is_told() -> None:
    """After the first whole window, through pauses and restarts, until heat is taken again."""
    script = hot_and_idle()
    assert script.run(1790.0, *IDLE, **ON).severity is Severity.ALLOW
    verdict = script.tick(*IDLE, **ON)
    assert (verdict.severity, verdict.reason) == (Severity.WARN, "not_taken")
    assert script.run(600.0, *IDLE, heating=False).severity is Severity.WARN
    assert script.restart(*IDLE).severity is Severity.WARN
    assert script.run(1800.0, *FULL, **ON).severity is Severity.ALLOW


@pytest.mark.parametrize(
    "readings",
    [
        boiler(35.9, 60.0),  # not hot enough to say
        boiler(47.0, 0.05 * RATING_W),
        boiler(47.0, 60.0, Condition.STALE),
    ],
)
def test_what_says_nothing(readings: list[Sensed]) -> None:
    """A lukewarm supply, some heat that is taken, readings that are unknown."""
    assert hot_and_idle().run(3700.0, *readings, **ON).severity is Severity.ALLOW


def test_a_meter_that_has_shown_nothing_proves_nothing() -> None:
    """It may send kW for W."""
    assert Script(heat_not_taken).run(3700.0, *IDLE, **ON).severity is Severity.ALLOW


def test_without_the_sensors_it_is_not_fitted() -> None:
    """Nobody then sees it."""
    assert Script(heat_not_taken).tick(*MILD, **ON).reason == "not_fitted"
