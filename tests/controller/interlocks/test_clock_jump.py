"""The wall clock was set: heat waits for a minute."""

import pytest

from controller.interlocks import clock_jump
from controller.records.safety import Severity
from tests.controller.builders import Script


@pytest.mark.parametrize(
    ("step_s", "severity"),
    [
        (0.0, Severity.ALLOW),
        (59.9, Severity.ALLOW),
        (-59.9, Severity.ALLOW),
        (60.0, Severity.OFF),
        (-60.0, Severity.OFF),
        (3600.0, Severity.OFF),
        (-86400.0, Severity.OFF),
    ],
)
def test_table(step_s: float, severity: Severity) -> None:
    """A minute or more in either direction is a jump."""
    assert Script(clock_jump).tick(utc_step_s=step_s).severity is severity


def test_clears_after_a_minute() -> None:
    """Heat may come back a minute of monotonic time after the jump."""
    script = Script(clock_jump)
    script.tick(utc_step_s=3600.0)
    assert script.run(50.0).severity is Severity.OFF
    assert script.tick().severity is Severity.ALLOW
    assert script.memory == {}


def test_a_second_jump_starts_the_minute_anew() -> None:
    """A clock that is set to and fro does not use up the wait."""
    script = Script(clock_jump)
    script.tick(utc_step_s=3600.0)
    script.run(50.0)
    script.tick(utc_step_s=-3600.0)
    assert script.run(50.0).severity is Severity.OFF
    assert script.tick().severity is Severity.ALLOW


def test_slow_corrections_are_no_jump() -> None:
    """Network time that pulls the clock by a second a tick is not a jump, however long."""
    script = Script(clock_jump)
    assert script.run(3600.0, utc_step_s=1.0).severity is Severity.ALLOW


def test_a_restart_does_not_end_the_wait() -> None:
    """The rest of the minute is waited for in the next process."""
    script = Script(clock_jump)
    script.tick(utc_step_s=3600.0)
    script.run(30.0)
    assert script.restart().severity is Severity.OFF


def test_the_wait_is_a_minute_whatever_the_ticks() -> None:
    """Ticks that come early or late make the wait neither shorter nor endless."""
    script = Script(clock_jump)
    script.tick(utc_step_s=3600.0)
    assert script.tick(elapsed_s=59.5).severity is Severity.OFF
    assert script.tick(elapsed_s=0.5).severity is Severity.ALLOW
    script.tick(utc_step_s=3600.0)
    assert script.tick(elapsed_s=61.0).severity is Severity.ALLOW
