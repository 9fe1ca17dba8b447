"""Minimum on and off times keep the last command, whichever it was."""

import pytest

from controller.interlocks import short_cycle
from controller.records.limits import Limits
from controller.records.safety import Severity
from tests.controller.builders import Script


@pytest.mark.parametrize(
    ("heating", "heat_wanted", "command_age_s", "reason"),
    [
        (True, False, 0.0, "too_soon_off"),
        (True, False, 299.9, "too_soon_off"),
        (True, False, 300.0, "clear"),
        (False, True, 0.0, "too_soon_on"),
        (False, True, 299.9, "too_soon_on"),
        (False, True, 300.0, "clear"),
        # nothing is to be switched
        (True, True, 10.0, "clear"),
        (False, False, 10.0, "clear"),
    ],
)
def test_table(heating: bool, heat_wanted: bool, command_age_s: float, reason: str) -> None:
    """A switching that comes too soon is held, one at the minimum time itself is not."""
    verdict = Script(short_cycle).tick(
        heating=heating, heat_wanted=heat_wanted, command_age_s=command_age_s
    )
    assert verdict.reason == reason
    assert verdict.severity is (Severity.ALLOW if reason == "clear" else Severity.HOLD)


def test_on_and_off_have_limits_of_their_own() -> None:
    """A longer minimum off time does not lengthen the on time."""
    limits = Limits(min_on_s=300.0, min_off_s=3600.0)
    script = Script(short_cycle)
    off = {"heating": False, "heat_wanted": True, "limits": limits}
    on = {"heating": True, "heat_wanted": False, "limits": limits}
    assert script.tick(command_age_s=3599.0, **off).severity is Severity.HOLD
    assert script.tick(command_age_s=301.0, **on).severity is Severity.ALLOW


def test_the_first_minutes_of_a_process_count_as_off() -> None:
    """Start means OFF, so heat waits for the minimum off time."""
    assert Script(short_cycle).restart().reason == "too_soon_on"
