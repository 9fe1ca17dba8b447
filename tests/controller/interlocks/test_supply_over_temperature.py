"""Supply above its limit: the same law as for the slab, on another role."""

import pytest

from controller.interlocks import supply_over_temperature
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, air, sensed, slab


def supply(value: float, condition: Condition = Condition.FRESH, loop: str = "bay-loop") -> Sensed:
    return sensed(Role.SUPPLY, value, subject=loop, condition=condition)


@pytest.mark.parametrize(
    ("supply_c", "severity"),
    [(54.9, Severity.ALLOW), (55.0, Severity.ALLOW), (55.1, Severity.TRIP)],
)
def test_trips_above_the_limit(supply_c: float, severity: Severity) -> None:
    """Above 55 °C is a trip, 55 °C is not."""
    verdict = Script(supply_over_temperature).tick(*MILD, supply(supply_c))
    assert verdict.severity is severity


def test_confirmed_then_locked_out_then_clear() -> None:
    """A confirmed trip is a lockout while it lasts; the rule itself ends with its cause."""
    script = Script(supply_over_temperature)
    assert script.run(60.0, supply(58.0)).severity is Severity.TRIP
    assert script.run(60.0, supply(58.0)).severity is Severity.LOCKOUT
    assert script.tick(supply(40.0)).severity is Severity.ALLOW


def test_unknown_and_not_fitted_are_silent() -> None:
    """A stale supply is unknown and a missing sensor not fitted: neither is too hot."""
    script = Script(supply_over_temperature)
    assert script.tick(*MILD, supply(90.0, Condition.STALE)).reason == "unknown"
    assert script.tick(*MILD).reason == "not_fitted"


def test_the_hotter_loop_counts() -> None:
    """Of two loops the hotter one trips."""
    verdict = Script(supply_over_temperature).tick(supply(40.0), supply(56.0, loop="loft-loop"))
    assert (verdict.severity, verdict.subject) == (Severity.TRIP, "loft-loop-supply")


@pytest.mark.parametrize(
    ("slab_c", "severity"), [(35.0, Severity.ALLOW), (35.1, Severity.OFF), (39.9, Severity.OFF)]
)
def test_without_a_supply_sensor_the_slab_stays_5_k_cooler(
    slab_c: float, severity: Severity
) -> None:
    """The tighter default, which withholds heat and never trips."""
    script = Script(supply_over_temperature)
    assert script.run(600.0, slab(slab_c), air()).severity is severity
    assert script.tick(slab(slab_c), air(), supply(40.0)).severity is Severity.ALLOW
    unknown = slab(slab_c, condition=Condition.STALE)
    assert script.tick(unknown, air()).reason == "not_fitted"


def test_the_hotter_of_two_slabs_is_told() -> None:
    """Without a supply sensor the verdict names the hottest slab and says how hot it is."""
    slabs = (slab(35.5, sensor="a"), slab(36.5, sensor="b"), slab(36.0, sensor="c"))
    verdict = Script(supply_over_temperature).tick(*slabs, air())
    assert (verdict.subject, verdict.values) == ("b", {"value_c": 36.5, "limit_c": 35.0})
