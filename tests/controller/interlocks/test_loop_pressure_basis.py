"""What a gauge is compared with, its limits to the last digit, and several gauges at once."""

from __future__ import annotations

from typing import Any

import pytest

from controller.interlocks import loop_pressure
from controller.interlocks.loop_pressure import BASIS_READINGS
from controller.records.readings import Sensed
from controller.records.safety import Memory, Severity
from controller.records.site import Role
from tests.controller.builders import Script, air, sensed, slab, view

COLD = (slab(10.0), air(14.0))
"""The fluid is as cold as it was filled: nothing to correct."""
FACTS = view().loop_facts["bay-loop"]
HELD = {"top_bar:bay-loop-pressure": 1.3, "filled:bay-loop-pressure": 1.0}
"""A gauge whose basis is 1.3 bar."""


def gauge(bar: float, **changes: Any) -> Sensed:
    return sensed(Role.PRESSURE, bar, **{"subject": "bay-loop", **changes})


def second(bar: float) -> Sensed:
    return gauge(bar, sensor="second")


def samples(memory: Memory) -> int:
    return sum(key.startswith("basis:") for key in memory)


# --- the basis ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bar", "times", "top_bar"),
    [
        (1.35, {"elapsed_s": 36.0}, 1.31),  # up by 1 bar/h
        (1.305, {"elapsed_s": 36.0}, 1.305),
        (1.2, {"elapsed_s": 36.0}, 1.299),  # down by 0.1 bar/h
        (1.2999, {"elapsed_s": 36.0}, 1.2999),
        (1.35, {"elapsed_s": 0.0, "gap_s": 36.0}, 1.31),
        (1.2, {"elapsed_s": 0.0, "gap_s": 36.0}, 1.299),
        # time that nobody can vouch for moves nothing
        (1.35, {"elapsed_s": 0.0}, 1.3),
        (1.2, {"elapsed_s": 0.0}, 1.3),
    ],
)
def test_how_fast_it_follows(bar: float, times: dict[str, float], top_bar: float) -> None:
    """Slowly down, a little faster up, and never past the gauge itself."""
    script = Script(loop_pressure, HELD)
    script.tick(gauge(bar), *COLD, **times)
    assert script.memory["top_bar:bay-loop-pressure"] == pytest.approx(top_bar, abs=1e-9)


def test_five_readings_a_minute_apart() -> None:
    """The first at once; the fifth makes the basis, which is their median."""
    script = Script(loop_pressure)
    for number, bar in enumerate((1.3, 1.9, 1.32, 1.28), start=1):
        script.tick(gauge(bar), *COLD, elapsed_s=70.0)
        assert samples(script.memory) == number
        script.tick(gauge(1.7), *COLD, elapsed_s=59.5)
        assert samples(script.memory) == number, "not a minute old"
    assert "top_bar:bay-loop-pressure" not in script.memory
    script.tick(gauge(1.31), *COLD, elapsed_s=0.5)
    assert script.memory == {
        "top_bar:bay-loop-pressure": 1.31,
        "filled:bay-loop-pressure": 1.0,
        "basis_s:bay-loop-pressure": 0.0,
    }


@pytest.mark.parametrize("first_age_s", [0.0, 5.0])
def test_a_reading_that_is_merely_repeated_is_one(first_age_s: float) -> None:
    """However often it is looked at."""
    script = Script(loop_pressure)
    for waited_s in range(0, 590, 10):
        script.tick(gauge(1.3, age_s=first_age_s + waited_s), *COLD)
    assert samples(script.memory) == 1


def test_what_stands_a_tenth_higher_is_no_refill_yet() -> None:
    """More than that is sampled for a new basis."""
    script = Script(loop_pressure, {"top_bar:bay-loop-pressure": 1.0})
    script.tick(gauge(1.1), *COLD)
    assert samples(script.memory) == 0
    script.tick(gauge(1.2), *COLD)
    assert samples(script.memory) == 1


@pytest.mark.parametrize(
    ("bar", "filled"),
    [
        (FACTS.low_bar, True),
        (FACTS.low_bar - 0.001, False),
        (FACTS.high_bar, True),
        (FACTS.high_bar + 0.001, False),
    ],
)
def test_only_a_pressure_within_the_limits_is_a_filling(bar: float, filled: bool) -> None:
    """The limits themselves are within."""
    script = Script(loop_pressure)
    script.run(60.0 * BASIS_READINGS, gauge(bar), *COLD)
    assert ("filled:bay-loop-pressure" in script.memory) is filled


def test_a_warm_gauge_beyond_the_relief_valve_is_no_filling() -> None:
    """By the cold fluid's pressure it would be."""
    script = Script(loop_pressure)
    warm = [sensed(role, 60.0, subject="bay-loop") for role in (Role.SUPPLY, Role.RETURN)]
    script.run(600.0, gauge(2.1), slab(45.0), air(20.0), *warm)
    assert "filled:bay-loop-pressure" not in script.memory


# --- limits -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bar", "memory", "reason"),
    [
        (FACTS.low_bar, HELD, "clear"),
        (FACTS.low_bar - 0.001, HELD, "low"),
        (FACTS.low_bar, {}, "clear"),
        (FACTS.low_bar - 0.001, {}, "never_filled"),
        (FACTS.high_bar, HELD, "clear"),
        (FACTS.high_bar + 0.001, HELD, "high"),
    ],
)
def test_a_limit_itself_is_no_trip(bar: float, memory: Memory, reason: str) -> None:
    """One thousandth beyond it is."""
    assert Script(loop_pressure, memory).tick(gauge(bar), *COLD).reason == reason


@pytest.mark.parametrize(
    ("bar", "warm_c", "compared"),
    [
        (2.3, 40.0, {"value_bar": 2.3, "limit_bar": FACTS.high_bar}),
        (0.9, 40.0, {"value_bar": 0.6, "limit_bar": FACTS.low_bar}),
    ],
)
def test_the_record_tells_what_was_compared(
    bar: float, warm_c: float, compared: dict[str, float]
) -> None:
    """High as the gauge shows it, low as it would show cold."""
    verdict = Script(loop_pressure, HELD).tick(gauge(bar), slab(warm_c), air(14.0))
    assert verdict.values == pytest.approx(compared)


@pytest.mark.parametrize("first_age_s", [0.0, 5.0])
@pytest.mark.parametrize("bar", [0.5, 2.3])
def test_a_reading_older_than_the_trip_does_not_confirm_it(bar: float, first_age_s: float) -> None:
    """A limit locks out by what was measured since."""
    script = Script(loop_pressure, HELD)
    for waited_s in range(0, 590, 10):
        old = gauge(bar, age_s=first_age_s + waited_s)
        assert script.tick(old, *COLD).severity is Severity.TRIP


# --- falling ------------------------------------------------------------------------------------


def test_what_has_been_lost_is_told() -> None:
    """At equal temperature, since the basis."""
    script = Script(loop_pressure, {"top_bar:bay-loop-pressure": 1.9})
    script.tick(gauge(0.8), *COLD, elapsed_s=0.0)
    verdict = script.tick(gauge(0.8), *COLD, elapsed_s=60.0)
    assert verdict.reason == "falling"
    assert (verdict.values or {})["lost_bar"] == pytest.approx(1.1 - 0.1 / 60.0, abs=1e-6)


def test_it_has_fallen_a_minute_after_it_was_first_seen_to() -> None:
    """Not half a second sooner."""
    script = Script(loop_pressure, HELD)
    script.tick(gauge(0.9), *COLD)
    assert script.tick(gauge(0.9), *COLD, elapsed_s=59.5).severity is Severity.ALLOW
    assert script.tick(gauge(0.9), *COLD, elapsed_s=0.5).severity is Severity.OFF


@pytest.mark.parametrize("first_age_s", [0.0, 5.0])
def test_a_reading_older_than_the_fall_does_not_confirm_it(first_age_s: float) -> None:
    """A spike that is never followed by another reading is no leak."""
    script = Script(loop_pressure, HELD)
    for waited_s in range(0, 590, 10):
        old = gauge(0.9, age_s=first_age_s + waited_s)
        assert script.tick(old, *COLD).severity is Severity.ALLOW


# --- several gauges -----------------------------------------------------------------------------

BOTH = {**HELD, "top_bar:second": 1.3, "filled:second": 1.0}


def test_the_second_gauge_is_looked_at_too() -> None:
    """Whatever the first one shows."""
    assert Script(loop_pressure, BOTH).tick(gauge(1.3), second(0.5), *COLD).subject == "second"
    assert Script(loop_pressure, BOTH).tick(gauge(1.3), second(2.3), *COLD).subject == "second"
    unfilled = Script(loop_pressure, HELD).tick(gauge(1.3), second(0.5), *COLD)
    assert (unfilled.reason, unfilled.subject) == ("never_filled", "second")


@pytest.mark.parametrize(
    ("first_bar", "second_bar", "subject"),
    [(1.3, 0.9, "second"), (0.9, 1.3, "bay-loop-pressure"), (0.9, 0.85, "second")],
)
def test_the_one_that_has_fallen_furthest_is_told(
    first_bar: float, second_bar: float, subject: str
) -> None:
    """By its own basis."""
    script = Script(loop_pressure, BOTH)
    verdict = script.run(70.0, gauge(first_bar), second(second_bar), *COLD)
    assert (verdict.reason, verdict.subject) == ("falling", subject)


@pytest.mark.parametrize(("first_bar", "second_bar"), [(1.31, 1.25), (1.25, 1.31)])
def test_the_lower_of_two_is_shown(first_bar: float, second_bar: float) -> None:
    """While all is well."""
    verdict = Script(loop_pressure, BOTH).tick(gauge(first_bar), second(second_bar), *COLD)
    assert verdict.values == {"value_bar": 1.25}
