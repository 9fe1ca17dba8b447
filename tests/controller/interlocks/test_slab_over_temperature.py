"""Slab core above its limit: trip, just below, unknown, confirmed, acknowledged elsewhere."""

import pytest

from controller.interlocks import slab_over_temperature
from controller.records.limits import Limits
from controller.records.readings import Condition
from controller.records.safety import Clears, Severity
from controller.records.site import Role
from tests.controller.builders import Script, air, lost, slab, view


@pytest.mark.parametrize(
    ("slab_c", "severity"),
    [
        (39.5, Severity.ALLOW),
        (39.51, Severity.OFF),  # what is in the tubes still arrives
        (40.0, Severity.OFF),  # the limit itself is not above the limit
        (40.01, Severity.TRIP),
        (-30.0, Severity.ALLOW),
    ],
)
def test_trips_above_the_limit(slab_c: float, severity: Severity) -> None:
    """Above the limit is a trip at the very first tick; the limit itself is not above it."""
    assert Script(slab_over_temperature).tick(slab(slab_c)).severity is severity


def test_a_tightened_limit_counts() -> None:
    """The limit in force is the one of the limits file."""
    verdict = Script(slab_over_temperature).tick(slab(31.0), limits=Limits(slab_max_c=30.0))
    assert verdict.severity is Severity.TRIP
    assert verdict.values == {"value_c": 31.0, "limit_c": 30.0}


def test_confirmed_after_a_minute_by_a_newer_reading() -> None:
    """A minute above the limit, by readings taken since it tripped, locks out."""
    script = Script(slab_over_temperature)
    assert script.tick(slab(41.0, age_s=5.0)).severity is Severity.TRIP
    assert script.run(50.0, slab(41.0, age_s=5.0)).severity is Severity.TRIP
    verdict = script.tick(slab(41.0, age_s=5.0))
    assert verdict.severity is Severity.LOCKOUT
    assert verdict.clears is Clears.ON_ACKNOWLEDGE


def test_one_reading_never_confirms_itself() -> None:
    """A single glitch stays a trip for as long as it is the only reading, then is unknown."""
    script = Script(slab_over_temperature)
    for age_s in range(0, 600, 10):
        verdict = script.tick(slab(41.0, age_s=float(age_s)))
        assert verdict.severity is Severity.TRIP
        assert verdict.clears is Clears.WHEN_CLEAR
    assert script.tick(slab(41.0, condition=Condition.STALE)).severity is Severity.ALLOW


def test_clears_by_itself_before_it_is_confirmed() -> None:
    """Back at the limit within the minute clears, and the minute starts anew."""
    script = Script(slab_over_temperature)
    script.run(50.0, slab(41.0))
    assert script.tick(slab(40.0)).severity is Severity.OFF
    assert script.run(60.0, slab(41.0)).severity is Severity.TRIP
    assert script.tick(slab(41.0)).severity is Severity.LOCKOUT


def test_a_restart_does_not_start_the_minute_anew() -> None:
    """The minute goes on in the next process, and time in which nobody looked does not count."""
    script = Script(slab_over_temperature)
    script.run(50.0, slab(41.0))
    assert script.restart(slab(41.0)).severity is Severity.TRIP
    assert script.tick(slab(41.0)).severity is Severity.TRIP
    assert script.tick(slab(41.0)).severity is Severity.LOCKOUT


@pytest.mark.parametrize(("over_s", "severity"), [(49.5, Severity.TRIP), (50.0, Severity.LOCKOUT)])
def test_the_minute_is_a_whole_one(over_s: float, severity: Severity) -> None:
    """With the ten seconds of this tick: 59.5 s are a trip, 60 s are confirmed."""
    script = Script(slab_over_temperature, {"over_s": over_s})
    assert script.tick(slab(41.0)).severity is severity


def test_a_reading_from_before_the_trip_never_confirms_it() -> None:
    """It is older than the trip itself, so nothing newer says the same."""
    script = Script(slab_over_temperature, {"over_s": 60.0})
    assert script.tick(slab(41.0, age_s=75.0)).severity is Severity.TRIP


@pytest.mark.parametrize("others_c", [0.5, -0.5])
def test_nought_degrees_are_a_reading_like_another(others_c: float) -> None:
    """Zero is neither taken for nothing nor for one degree more or less."""
    verdict = Script(slab_over_temperature).tick(
        slab(0.0, sensor="zero"), slab(others_c, sensor="other")
    )
    assert verdict.subject == ("zero" if others_c < 0.0 else "other")
    assert verdict.values == {"value_c": max(0.0, others_c), "limit_c": 40.0}


@pytest.mark.parametrize("condition", [c for c in Condition if c is not Condition.FRESH])
def test_unknown_is_never_too_hot(condition: Condition) -> None:
    """Whatever a sensor says that cannot be trusted, this rule does not call it too hot."""
    verdict = Script(slab_over_temperature).tick(slab(99.0, condition=condition))
    assert (verdict.severity, verdict.reason) == (Severity.ALLOW, "unknown")


def test_no_sensor_is_not_fitted() -> None:
    """Without a slab sensor the rule says so."""
    assert Script(slab_over_temperature).tick(air(20.0)).reason == "not_fitted"


@pytest.mark.parametrize("order", [1, -1])
def test_the_hotter_of_two_sensors_counts(order: int) -> None:
    """Where two sensors disagree, the hotter one decides, in whichever order they come."""
    two = (slab(20.0, sensor="a"), slab(41.0, sensor="b"))[::order]
    verdict = Script(slab_over_temperature).tick(*two)
    assert (verdict.severity, verdict.subject) == (Severity.TRIP, "b")


def test_a_hot_sensor_counts_beside_a_lost_one() -> None:
    """One lost sensor of a role does not hide what another one sees."""
    verdict = Script(slab_over_temperature).tick(lost(Role.SLAB), slab(41.0, sensor="b"))
    assert verdict.severity is Severity.TRIP


def test_any_zone_can_trip() -> None:
    """The slab of each zone that the heater serves is held to the limit."""
    verdict = Script(slab_over_temperature).tick(
        slab(20.0), slab(41.0, subject="loft"), zones=("bay", "loft")
    )
    assert (verdict.severity, verdict.subject) == (Severity.TRIP, "loft-slab")


def test_judging_leaves_the_memory_alone() -> None:
    """A rule gives a new memory and never writes into the one it was given."""
    memory = {"over_s": 30.0}
    slab_over_temperature.judge(view(slab(41.0)), memory)
    assert memory == {"over_s": 30.0}
