"""A fitted role that leaves the site file: no heat but frost, until it is meant or is back."""

import pytest

from controller.interlocks import removed_role
from controller.interlocks.removed_role import GUARDING
from controller.records.readings import Condition
from controller.records.safety import EVERYTHING, Acknowledged, Clears, Severity, waiting
from controller.records.site import Role
from controller.supervisor import supervise
from tests.controller.builders import MILD, Script, air, sensed, slab, view

FITTED = (*MILD, sensed(Role.SUPPLY, 30.0, subject="bay-loop"))


@pytest.mark.parametrize("role", sorted(GUARDING))
def test_taking_a_role_out_waits_for_the_owner(role: Role) -> None:
    """The new process finds a role gone, and so do all that follow, until it is acknowledged."""
    rest = tuple(s for s in MILD if s.role is not role)
    script = Script(removed_role)
    script.tick(*rest, sensed(role, 1.0, subject="somewhere"))
    for verdict in (script.restart(*rest), script.run(3600.0, *rest), script.restart(*rest)):
        assert (verdict.severity, verdict.clears) == (Severity.OFF, Clears.ON_ACKNOWLEDGE)
        assert verdict.subject == f"{role.value}@somewhere"
    assert script.tick(*rest, acknowledged=EVERYTHING).severity is Severity.ALLOW
    assert script.restart(*rest).severity is Severity.ALLOW


def test_putting_it_back_clears() -> None:
    """A line that was lost by mistake and is there again needs nobody."""
    script = Script(removed_role)
    script.tick(*FITTED)
    script.restart(*MILD)
    assert script.restart(*FITTED).severity is Severity.ALLOW


def test_a_silent_sensor_is_still_fitted() -> None:
    """What sends nothing, or nothing that can be trusted, has not been taken out."""
    script = Script(removed_role)
    script.tick(*FITTED)
    for condition in Condition:
        gone = sensed(Role.SUPPLY, None, subject="bay-loop", condition=condition)
        assert script.restart(*MILD, gone).severity is Severity.ALLOW


def test_another_sensor_of_the_role_will_do() -> None:
    """A sensor that is replaced under another id, or the second of two, takes no role away."""
    script = Script(removed_role)
    script.tick(*FITTED, sensed(Role.SUPPLY, 30.0, subject="bay-loop", sensor="second"))
    assert script.restart(*FITTED).severity is Severity.ALLOW
    other = sensed(Role.SUPPLY, 30.0, subject="bay-loop", sensor="third")
    assert script.restart(*MILD, other).severity is Severity.ALLOW


def test_the_first_start_has_nothing_to_miss() -> None:
    """Without a memory what is fitted is what was fitted; planning's roles never count."""
    script = Script(removed_role)
    script.restart(*MILD, sensed(Role.IRRADIANCE, 0.0, subject="outdoor"))
    assert script.restart(*MILD).severity is Severity.ALLOW


def test_frost_protection_goes_on_and_the_acknowledgement_arrives() -> None:
    """Through the supervisor: a cold slab is heated meanwhile, planned heat comes back after it."""
    armed = {"first_run": {"armed": 1.0}}
    memories = {**armed, **supervise(view(*FITTED), armed).memories}
    ruling = supervise(view(*MILD), memories)
    assert ruling.deciding is not None
    assert (ruling.heat, ruling.deciding.rule) == (False, "removed_role")
    assert supervise(view(slab(4.0), air(4.0), MILD[2]), memories).heat is True
    ruling = supervise(view(*MILD), memories, acknowledged=EVERYTHING)
    assert ruling.heat is True
    assert supervise(view(*MILD), ruling.memories).heat is True


def test_what_was_asked_for_by_name_confirms_that_alone() -> None:
    """A request left while nothing ran: what an edit has lost since is another matter."""
    power = sensed(Role.POWER, 0.0, subject="boiler")
    script = Script(removed_role)
    script.tick(*FITTED, power)
    asked = Acknowledged(frozenset({waiting(removed_role.NAME, "supply@bay-loop")}))
    both = script.restart(*MILD, acknowledged=asked)
    assert both.subject == "power@boiler, supply@bay-loop"
    assert both.severity is Severity.OFF
    assert script.restart(*MILD, power, acknowledged=asked).severity is Severity.ALLOW
    assert script.restart(*MILD).subject == "power@boiler"


def test_one_of_an_earlier_version_names_the_rule_alone() -> None:
    """And is taken as it was meant then."""
    script = Script(removed_role)
    script.tick(*FITTED)
    asked = Acknowledged(frozenset({removed_role.NAME}))
    assert script.restart(*MILD, acknowledged=asked).severity is Severity.ALLOW
