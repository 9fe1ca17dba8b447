"""After a confirmed trip there is no heat until somebody has looked."""

from controller.interlocks import lockout
from controller.records.safety import Clears, Severity
from tests.controller.builders import HOUR_S, Script


def test_nothing_latched_allows() -> None:
    """Without a confirmed trip there is no lockout."""
    assert Script(lockout).tick().severity is Severity.ALLOW


def test_a_latched_trip_is_final() -> None:
    """No time and no restart ends it; it names every rule that tripped."""
    script = Script(lockout)
    latched = frozenset({"slab_over_temperature", "relay_read_back"})
    script.restart(latched=latched)
    verdict = script.run(24 * HOUR_S, latched=latched)
    assert verdict.severity is Severity.LOCKOUT
    assert verdict.clears is Clears.ON_ACKNOWLEDGE
    assert verdict.subject == "relay_read_back, slab_over_temperature"
