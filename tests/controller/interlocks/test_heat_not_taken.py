"""A boiler that stays hot and needs nothing: when it is told, and what must not be taken for it."""

from dataclasses import replace

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


@pytest.mark.parametrize("fitted", [[], IDLE[3:4], IDLE[4:5]], ids=["neither", "supply", "power"])
def test_without_the_sensors_it_is_not_fitted(fitted: list[Sensed]) -> None:
    """Nobody then sees it; one of the two alone tells nothing."""
    assert Script(heat_not_taken).tick(*MILD, *fitted, **ON).reason == "not_fitted"


# --- the window ---------------------------------------------------------------------------------

SHOWN = {"shown": 1.0, "window_s": 1790.0, "drawn_s": 0.0}
NEW = {"window_s": 0.0, "drawn_s": 0.0, "cool": 0.0}
"""Of a window that has just begun."""


def window(script: Script) -> dict[str, float]:
    return {name: script.memory[name] for name in NEW}


def test_half_an_hour_to_the_second() -> None:
    """Then it is judged, however late that tick comes, and the next one begins."""
    script = Script(heat_not_taken, SHOWN)
    assert script.tick(*IDLE, **ON, elapsed_s=9.5).severity is Severity.ALLOW
    assert script.tick(*IDLE, **ON, elapsed_s=0.5).severity is Severity.WARN
    assert window(script) == NEW
    late = Script(heat_not_taken, SHOWN)
    assert late.tick(*IDLE, **ON, elapsed_s=25.0).severity is Severity.WARN
    assert window(late) == NEW


def test_each_run_of_heat_begins_a_window() -> None:
    """What was drawn before the pause is none of it."""
    script = Script(heat_not_taken, {**SHOWN, "drawn_s": 100.0, "cool": 1.0})
    script.tick(*IDLE, heating=False)
    assert window(script) == NEW


@pytest.mark.parametrize(("supply_c", "severity"), [(36.0, Severity.WARN), (35.99, Severity.ALLOW)])
def test_hot_is_20_kelvin_over_the_slab(supply_c: float, severity: Severity) -> None:
    """That very difference is."""
    assert Script(heat_not_taken, SHOWN).tick(*boiler(supply_c, 60.0), **ON).severity is severity


@pytest.mark.parametrize(("share", "shown"), [(0.05, 1.0), (0.0499, 0.0)])
def test_a_twentieth_of_the_rating_shows_that_the_meter_works(share: float, shown: float) -> None:
    """Less may be the pump's."""
    script = Script(heat_not_taken)
    script.tick(*boiler(40.0, share * RATING_W), **ON)
    assert script.memory["shown"] == shown


def test_a_meter_that_runs_backwards_takes_nothing_away() -> None:
    """Of what was drawn."""
    script = Script(heat_not_taken, {**SHOWN, "window_s": 100.0, "drawn_s": 7.0})
    script.tick(*boiler(40.0, -0.5 * RATING_W), **ON)
    assert script.memory["drawn_s"] == 7.0


@pytest.mark.parametrize("role", [Role.SLAB, Role.SUPPLY, Role.POWER])
def test_while_one_reading_is_unknown_time_stands_still(role: Role) -> None:
    """Any of the three."""
    script = Script(heat_not_taken, SHOWN)
    readings = [replace(s, condition=Condition.STALE) if s.role is role else s for s in IDLE]
    assert script.run(60.0, *readings, **ON).severity is Severity.ALLOW
    assert script.memory["window_s"] == SHOWN["window_s"]
