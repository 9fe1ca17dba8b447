"""Needed readings that are old, of unknown age or were never received."""

import pytest

from controller.interlocks import stale_reading
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, air, lost, outdoor, sensed, slab

SUPPLY = sensed(Role.SUPPLY, 30.0, subject="bay-loop")


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        (MILD, "clear"),
        ((slab(), air()), "clear"),
        ((slab(), air(), lost(Role.OUTDOOR, "outdoor")), "clear"),
        ((slab(), lost(Role.AIR)), "stale"),
        ((lost(Role.SLAB), air()), "stale"),
        ((lost(Role.SLAB, condition=Condition.MISSING), air()), "missing"),
        ((slab(), lost(Role.AIR, condition=Condition.UNKNOWN_AGE)), "unknown_age"),
        ((air(), outdoor()), "not_fitted"),
        ((slab(), outdoor()), "not_fitted"),
        ((*MILD, SUPPLY), "clear"),
        ((*MILD, lost(Role.SUPPLY, "bay-loop")), "stale"),
        ((*MILD, lost(Role.PRESSURE, "bay-loop")), "stale"),
        ((*MILD, lost(Role.RETURN, "bay-loop")), "clear"),
        # what another rule doubts is unknown as well
        ((slab(), lost(Role.AIR, condition=Condition.STUCK)), "doubted"),
        ((lost(Role.SLAB, condition=Condition.CONTRADICTED), air()), "doubted"),
        ((lost(Role.SLAB, condition=Condition.STUCK), slab(sensor="b"), air()), "clear"),
        # what cannot be true is another rule's to tell
        ((slab(), lost(Role.AIR, condition=Condition.IMPLAUSIBLE)), "clear"),
    ],
)
def test_table(readings: tuple[Sensed, ...], reason: str) -> None:
    """Each way in which a needed reading can fail has its reason, and all of them mean OFF."""
    verdict = Script(stale_reading).tick(*readings)
    assert verdict.reason == reason
    assert verdict.severity is (Severity.ALLOW if reason == "clear" else Severity.OFF)


def test_names_the_sensor_and_its_age() -> None:
    """The verdict holds what is needed to find the sensor."""
    verdict = Script(stale_reading).tick(slab(), lost(Role.AIR))
    assert verdict.subject == "bay-air"
    assert verdict.values == {"limit_s": 600.0, "age_s": 4000.0}


def test_clears_by_itself() -> None:
    """A sensor that comes back clears the verdict at once."""
    script = Script(stale_reading)
    script.run(3600.0, slab(), lost(Role.AIR))
    assert script.tick(*MILD).severity is Severity.ALLOW


def test_a_second_sensor_of_a_role_is_enough() -> None:
    """One of two air sensors may be lost."""
    verdict = Script(stale_reading).tick(slab(), lost(Role.AIR), air(sensor="second"))
    assert verdict.severity is Severity.ALLOW


def test_every_zone_needs_its_own() -> None:
    """A slab reading of one zone says nothing about another."""
    readings = (slab(), air(), lost(Role.SLAB, "loft"), air(subject="loft"))
    verdict = Script(stale_reading).tick(*readings, zones=("bay", "loft"))
    assert (verdict.severity, verdict.subject) == (Severity.OFF, "loft-slab")


def test_a_zone_without_sensors_is_not_fitted() -> None:
    """A zone that nobody measures gets no heat."""
    assert Script(stale_reading).tick(*MILD, zones=("bay", "loft")).reason == "not_fitted"


def test_every_loop_needs_its_own_supply() -> None:
    """A supply reading of one loop says nothing about the supply of another."""
    verdict = Script(stale_reading).tick(*MILD, SUPPLY, lost(Role.SUPPLY, "loft-loop"))
    assert (verdict.severity, verdict.subject) == (Severity.OFF, "loft-loop-supply")
