"""No ON is wished that nobody would hear."""

from controller.interlocks import relay_reachable
from controller.records.safety import Severity
from tests.controller.builders import Script


def test_off_while_away_and_clear_when_back() -> None:
    """The broker away means OFF, its return clears at once."""
    script = Script(relay_reachable)
    assert script.tick(relay_reachable=True).severity is Severity.ALLOW
    assert script.run(600.0, relay_reachable=False).severity is Severity.OFF
    assert script.tick(relay_reachable=True).severity is Severity.ALLOW
