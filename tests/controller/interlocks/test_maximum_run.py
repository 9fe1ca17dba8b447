"""Twelve hours of heat, then ten minutes of rest."""

from dataclasses import replace
from typing import Any

import pytest

from controller.interlocks import maximum_run
from controller.records.limits import Limits
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity, Verdict
from controller.records.site import Role
from tests.controller.builders import HOUR_S, MILD, Script, sensed

SEEN = (
    *MILD,
    sensed(Role.RELAY_STATE, 1.0, subject="boiler"),
    sensed(Role.SUPPLY, 40.0, subject="bay-loop"),
    sensed(Role.RETURN, 33.0, subject="bay-loop"),
)


class Seen(Script):
    """Ticks of a heater that is read back, with supply and return, unless readings are given."""

    def tick(self, *readings: Sensed, **changes: Any) -> Verdict:
        return super().tick(*(readings or SEEN), **changes)


def test_rests_at_twelve_hours() -> None:
    """Just below twelve hours may heat; twelve hours must rest."""
    script = Seen(maximum_run)
    assert script.run(12 * HOUR_S - 10.0, heating=True).severity is Severity.ALLOW
    assert script.tick(heating=True).severity is Severity.OFF


def test_heat_again_after_the_whole_rest() -> None:
    """Ten minutes of rest clear it, and twelve hours are allowed again."""
    script = Seen(maximum_run)
    script.run(12 * HOUR_S, heating=True)
    assert script.run(590.0, heating=False).severity is Severity.OFF
    assert script.tick(heating=False).severity is Severity.ALLOW
    assert script.run(12 * HOUR_S - 10.0, heating=True).severity is Severity.ALLOW


def test_short_pauses_are_no_rest() -> None:
    """Pauses of less than the rest do not buy more than twelve hours of heat."""
    script = Seen(maximum_run)
    for _ in range(11):
        assert script.run(HOUR_S, heating=True).severity is Severity.ALLOW
        assert script.run(590.0, heating=False).severity is Severity.ALLOW
    assert script.run(HOUR_S, heating=True).severity is Severity.OFF


def test_an_interrupted_rest_starts_anew() -> None:
    """Frost heat in the middle of the rest makes it start from nothing."""
    script = Seen(maximum_run)
    script.run(12 * HOUR_S, heating=True)
    script.run(500.0, heating=False)
    script.tick(heating=True)
    assert script.run(590.0, heating=False).severity is Severity.OFF
    assert script.tick(heating=False).severity is Severity.ALLOW


def test_a_restart_forgets_nothing() -> None:
    """A crash in the twelfth hour neither ends the run nor counts as rest."""
    script = Seen(maximum_run)
    script.run(12 * HOUR_S - 20.0, heating=True)
    assert script.restart().severity is Severity.ALLOW
    script.tick(heating=True)
    assert script.tick(heating=True).severity is Severity.OFF


@pytest.mark.parametrize("elapsed_s", [10.0, 29.0])
def test_a_hung_tick_counts_with_its_time(elapsed_s: float) -> None:
    """The run is counted in time, not in ticks."""
    script = Seen(maximum_run, {"run_s": 12 * HOUR_S - elapsed_s, "rested_s": 0.0})
    assert script.tick(heating=True, elapsed_s=elapsed_s).severity is Severity.OFF


def test_tightened_limits_count() -> None:
    """The limits file can ask for less heat and a longer rest."""
    limits = Limits(max_run_s=HOUR_S, rest_s=1200.0)
    script = Seen(maximum_run)
    assert script.run(HOUR_S, heating=True, limits=limits).severity is Severity.OFF
    assert script.run(1190.0, heating=False, limits=limits).severity is Severity.OFF
    assert script.tick(heating=False, limits=limits).severity is Severity.ALLOW


@pytest.mark.parametrize("missing", [Role.RELAY_STATE, Role.SUPPLY, Role.RETURN])
def test_half_of_it_where_nobody_sees_what_the_heater_does(missing: Role) -> None:
    """The tighter default: six hours without read-back, or without both pipes."""
    blind = tuple(s for s in SEEN if s.role is not missing)
    script = Script(maximum_run)
    verdict = script.run(6 * HOUR_S - 10.0, *blind, heating=True)
    assert (verdict.severity, verdict.reason) == (Severity.ALLOW, "unseen")
    assert script.tick(*blind, heating=True).severity is Severity.OFF
    power = (*blind, sensed(Role.POWER, 9000.0, subject="boiler"))
    read_back = script.tick(*power, heating=True).severity
    assert (read_back is Severity.ALLOW) is (missing is Role.RELAY_STATE)


@pytest.mark.parametrize("dead", [Role.RELAY_STATE, Role.SUPPLY, Role.RETURN])
def test_a_dead_sensor_sees_nothing(dead: Role) -> None:
    """One that is fitted and silent is worth no more than none."""
    unseen = tuple(replace(s, condition=Condition.STALE) if s.role is dead else s for s in SEEN)
    script = Script(maximum_run)
    script.run(6 * HOUR_S - 10.0, *unseen, heating=True)
    assert script.tick(*unseen, heating=True).severity is Severity.OFF


def test_run_and_rest_are_counted_from_nothing() -> None:
    """To the second: a tick of heat, a tick of rest, heat after rest, and a whole rest."""
    script = Seen(maximum_run)
    script.tick(heating=True)
    assert script.memory == {"run_s": 10.0, "rested_s": 0.0}
    script.tick(heating=False)
    assert script.memory == {"run_s": 10.0, "rested_s": 10.0}
    script.tick(heating=True)
    assert script.memory == {"run_s": 20.0, "rested_s": 0.0}
    script.run(600.0, heating=False)
    assert script.memory == {"run_s": 0.0, "rested_s": 600.0}
    fresh = Seen(maximum_run)
    fresh.tick(heating=False)
    assert fresh.memory == {"run_s": 0.0, "rested_s": 10.0}


def test_says_how_long_it_ran_and_rests() -> None:
    """The verdict holds hours of heat, and seconds of rest that are due and over."""
    script = Seen(maximum_run)
    script.run(12.5 * HOUR_S, heating=True)
    verdict = script.tick(heating=False)
    assert verdict.values == {"run_h": 12.5, "rest_s": 600.0, "rested_s": 10.0}


def test_a_rest_is_over_whenever_a_tick_comes() -> None:
    """Slow ticks pass the end of the rest without meeting it to the second."""
    script = Seen(maximum_run, {"run_s": 12 * HOUR_S, "rested_s": 590.0})
    assert script.tick(heating=False, elapsed_s=29.0).severity is Severity.ALLOW
