"""No heat before every rule has run once on fresh readings since the service started."""

from controller.interlocks import first_run
from controller.records.readings import Condition
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, Script, air, lost, slab


def test_the_first_tick_never_heats() -> None:
    """The first tick is OFF even where all readings are there; the second may heat."""
    script = Script(first_run)
    assert script.restart(*MILD).severity is Severity.OFF
    assert script.tick(*MILD).severity is Severity.ALLOW


def test_waits_for_all_needed_readings_at_once() -> None:
    """Readings that come one by one do not add up: one tick must have had them all."""
    script = Script(first_run)
    missing = Condition.MISSING
    assert script.restart(lost(Role.SLAB, condition=missing), air()).severity is Severity.OFF
    assert script.run(300.0, lost(Role.SLAB), air()).severity is Severity.OFF
    assert script.run(300.0, slab(), lost(Role.AIR)).severity is Severity.OFF
    assert script.tick(slab(), air()).severity is Severity.OFF
    assert script.tick(slab(), air()).severity is Severity.ALLOW


def test_retained_readings_of_unknown_age_do_not_arm() -> None:
    """What the broker had kept is of any age: it never counts as the first fresh reading."""
    script = Script(first_run)
    kept = (lost(Role.SLAB, condition=Condition.UNKNOWN_AGE), air())
    script.restart(*kept)
    assert script.run(3600.0, *kept).severity is Severity.OFF


def test_stays_armed_when_a_reading_is_lost_later() -> None:
    """A sensor lost in the middle of a run is the stale rule's matter, not this one's."""
    script = Script(first_run)
    script.restart(*MILD)
    script.tick(*MILD)
    assert script.tick(slab(), lost(Role.AIR)).severity is Severity.ALLOW


def test_a_restart_disarms() -> None:
    """What an earlier process was armed by does not count in the next."""
    script = Script(first_run)
    script.restart(*MILD)
    script.run(60.0, *MILD)
    assert script.restart(slab(), lost(Role.AIR)).severity is Severity.OFF
    assert script.tick(slab(), lost(Role.AIR)).severity is Severity.OFF


def test_a_memory_that_is_lost_disarms() -> None:
    """Where nothing is remembered in the middle of a run, readings must be fresh once more."""
    script = Script(first_run)
    assert script.tick(*MILD).severity is Severity.OFF
    assert script.tick(*MILD).severity is Severity.ALLOW
