"""Needed readings that cannot be true are unknown: OFF, and never *too hot*."""

import pytest

from controller.interlocks import implausible_reading
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, air, lost, sensed, slab

ODD = Condition.IMPLAUSIBLE


@pytest.mark.parametrize(
    ("readings", "severity"),
    [
        (MILD, Severity.ALLOW),
        ((slab(85.0, condition=ODD), air()), Severity.OFF),
        ((slab(), air(-60.0, condition=ODD)), Severity.OFF),
        ((*MILD, sensed(Role.SUPPLY, 140.0, subject="bay-loop", condition=ODD)), Severity.OFF),
        # nothing hangs on the return temperature
        ((*MILD, sensed(Role.RETURN, 140.0, subject="bay-loop", condition=ODD)), Severity.ALLOW),
        # an old reading is another rule's to tell
        ((slab(), lost(Role.AIR)), Severity.ALLOW),
        ((slab(85.0, condition=ODD), slab(sensor="second"), air()), Severity.ALLOW),
    ],
)
def test_table(readings: tuple[Sensed, ...], severity: Severity) -> None:
    """A needed role of which no sensor can be true means OFF, never a trip."""
    assert Script(implausible_reading).tick(*readings).severity is severity


def test_clears_by_itself() -> None:
    """A believable reading clears the verdict at once."""
    script = Script(implausible_reading)
    assert script.run(600.0, slab(85.0, condition=ODD), air()).severity is Severity.OFF
    assert script.tick(*MILD).severity is Severity.ALLOW
