"""Two sensors of one role in one place: apart, just not, for long enough, and together again."""

from typing import Any

import pytest

from controller.interlocks import sensors_that_disagree
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, MILD, Script, sensed, view

SUBJECTS = {Role.SLAB: "bay", Role.AIR: "bay"}


def two(role: Role, first: float, second: float, **changes: Any) -> tuple[Sensed, Sensed]:
    subject = SUBJECTS.get(role, "bay-loop")
    return (
        sensed(role, first, subject=subject, sensor="a", **changes),
        sensed(role, second, subject=subject, sensor="b", **changes),
    )


NEEDED = [
    (Role.SLAB, 8.0, 30.0),
    (Role.AIR, 10.0, 1800.0),
    (Role.PRESSURE, 0.5, 30.0),
    (Role.SUPPLY, 10.0, 900.0),
]
"""Roles that heat needs, how far apart two sensors may be, and for how long [s]."""


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(("role", "apart", "lasting_s"), NEEDED)
def test_table(role: Role, apart: float, lasting_s: float, order: int) -> None:
    """The span itself is allowed; beyond it, for its time, neither is believed: no heat."""
    allowed = two(role, 1.0, 1.0 + apart)[::order]
    script = Script(sensors_that_disagree)
    assert script.run(2 * lasting_s, *allowed, heating=True).severity is Severity.ALLOW
    beyond = two(role, 1.0, 1.1 + apart)[::order]
    assert script.run(lasting_s, *beyond, heating=True).severity is Severity.ALLOW
    verdict = script.tick(*beyond, heating=True)
    assert (verdict.severity, verdict.clears) == (Severity.OFF, Clears.WHEN_CLEAR)
    assert {"contradicted:a", "contradicted:b"} <= set(script.memory)
    assert script.tick(*allowed, heating=True).severity is Severity.ALLOW
    assert script.memory == {}


@pytest.mark.parametrize(("role", "apart", "lasting_s"), [*NEEDED, (Role.RETURN, 10.0, 900.0)])
def test_spans_to_the_last_digit(role: Role, apart: float, lasting_s: float) -> None:
    """How far, and for how long: half a second less is not enough, nor the span itself."""
    key = f"apart_s:{role.value}@{SUBJECTS.get(role, 'bay-loop')}"

    def after(found: float, elapsed_s: float) -> Severity:
        script = Script(sensors_that_disagree, {key: lasting_s - 0.5})
        readings = two(role, 1.0, 1.0 + found)
        return script.tick(*readings, heating=True, elapsed_s=elapsed_s).severity

    assert after(apart + 0.01, 0.4) is Severity.ALLOW
    assert after(apart + 0.01, 0.5) is (Severity.WARN if role is Role.RETURN else Severity.OFF)
    assert after(apart, 0.5) is Severity.ALLOW


@pytest.mark.parametrize(("role", "apart", "lasting_s"), NEEDED)
def test_two_that_are_silent_contradict_nothing(role: Role, apart: float, lasting_s: float) -> None:
    """What they last said is not held against them."""
    script = Script(sensors_that_disagree)
    silent = two(role, 0.0, 2.0 * apart, condition=Condition.STALE)
    assert script.run(2.0 * lasting_s, *silent, heating=True).severity is Severity.ALLOW
    assert script.memory == {}


def test_the_record_tells_how_far_apart() -> None:
    """And the span; counted from the tick at which it was first seen."""
    script = Script(sensors_that_disagree)
    script.tick(*two(Role.SLAB, 12.0, 30.5))
    assert script.memory == {"apart_s:slab@bay": 0.0}
    verdict = script.run(30.0, *two(Role.SLAB, 12.0, 30.5))
    assert verdict.values == {"apart": 18.5, "limit": 8.0}


def test_one_of_three_that_is_off_makes_all_of_them_doubtful() -> None:
    """Which one it is nobody knows."""
    third = sensed(Role.SLAB, 12.5, sensor="c")
    script = Script(sensors_that_disagree)
    assert script.run(40.0, *two(Role.SLAB, 12.0, 30.5), third).severity is Severity.OFF
    marked = {key for key in script.memory if key.startswith("contradicted:")}
    assert marked == {"contradicted:a", "contradicted:b", "contradicted:c"}


def test_pipes_that_were_apart_in_heat_stay_doubted_at_rest() -> None:
    """Until they come together."""
    script = Script(sensors_that_disagree)
    script.run(910.0, *two(Role.SUPPLY, 20.0, 45.0), heating=True)
    assert script.run(HOUR_S, *two(Role.SUPPLY, 20.0, 45.0)).severity is Severity.OFF
    assert script.tick(*two(Role.SUPPLY, 20.0, 25.0)).severity is Severity.ALLOW


def test_the_return_is_a_warning() -> None:
    """No rule needs the return for heat, so its two sensors only warn."""
    verdict = Script(sensors_that_disagree).run(HOUR_S, *two(Role.RETURN, 20.0, 35.0), heating=True)
    assert verdict.severity is Severity.WARN


@pytest.mark.parametrize("role", [Role.SUPPLY, Role.RETURN])
def test_pipes_at_rest_may_be_apart(role: Role) -> None:
    """Beside a warm boiler and in a cold corner: that is no contradiction."""
    verdict = Script(sensors_that_disagree).run(6 * HOUR_S, *two(role, 20.0, 45.0), heating=False)
    assert verdict.severity is Severity.ALLOW


def test_a_zone_in_which_all_is_well_hides_no_other() -> None:
    """Each place is looked at."""
    loft = [sensed(Role.SLAB, c, subject="loft", sensor=f"loft-{c}") for c in (10.0, 30.0)]
    verdict = Script(sensors_that_disagree).run(40.0, *two(Role.SLAB, 12.0, 13.0), *loft)
    assert (verdict.severity, verdict.subject) == (Severity.OFF, "slab@loft")


def test_a_door_beside_one_sensor_is_waited_out() -> None:
    """Minutes of cold draught at one of two air sensors, again and again, change nothing."""
    script = Script(sensors_that_disagree)
    for _ in range(5):
        assert script.run(1500.0, *two(Role.AIR, 18.0, 3.0)).severity is Severity.ALLOW
        assert script.run(300.0, *two(Role.AIR, 18.0, 10.0)).severity is Severity.ALLOW


def test_different_places_may_differ() -> None:
    """Sensors of two zones, or of two roles, are not compared."""
    one, other = two(Role.SLAB, 5.0, 38.0)
    elsewhere = sensed(Role.SLAB, other.value, subject="loft", sensor="b")
    verdict = Script(sensors_that_disagree).run(HOUR_S, one, elsewhere, zones=("bay", "loft"))
    assert verdict.severity is Severity.ALLOW


@pytest.mark.parametrize(
    "condition",
    [c for c in Condition if c not in (Condition.FRESH, Condition.CONTRADICTED, Condition.STUCK)],
)
def test_a_lost_sensor_contradicts_nobody(condition: Condition) -> None:
    """What is unknown is not compared."""
    one, _ = two(Role.SLAB, 16.0, 38.0)
    gone = sensed(Role.SLAB, 38.0, sensor="b", condition=condition)
    assert Script(sensors_that_disagree).run(HOUR_S, one, gone).severity is Severity.ALLOW


def test_goes_on_while_they_are_doubted() -> None:
    """Being doubted does not end the contradiction, coming together does."""
    script = Script(sensors_that_disagree)
    script.run(60.0, *two(Role.SLAB, 16.0, 38.0))
    doubted = two(Role.SLAB, 16.0, 38.0, condition=Condition.CONTRADICTED)
    assert script.run(HOUR_S, *doubted).severity is Severity.OFF
    together = two(Role.SLAB, 16.0, 17.0, condition=Condition.CONTRADICTED)
    assert script.tick(*together).severity is Severity.ALLOW


def test_one_sensor_of_each_role_never_disagrees() -> None:
    """The usual fitting has nothing to compare."""
    assert Script(sensors_that_disagree).run(HOUR_S, *MILD).severity is Severity.ALLOW


@pytest.mark.parametrize(
    ("role", "first", "second"),
    [(Role.SLAB, 40.1, 50.0), (Role.SUPPLY, 55.1, 80.0), (Role.PRESSURE, 0.0, 0.55)],
)
@pytest.mark.parametrize("order", [1, -1])
def test_two_that_are_beyond_one_limit_agree_about_that(
    role: Role, first: float, second: float, order: int
) -> None:
    """Whichever is right, it is exceeded: neither may be taken from the rule that guards it."""
    script = Script(sensors_that_disagree)
    verdict = script.run(HOUR_S, *two(role, first, second)[::order], heating=True)
    assert (verdict.severity, script.memory) == (Severity.ALLOW, {})


@pytest.mark.parametrize(
    ("role", "first", "second"),
    [(Role.SLAB, 40.0, 50.0), (Role.SUPPLY, 55.0, 80.0), (Role.PRESSURE, 0.0, 0.8)],
)
def test_with_one_of_them_within_the_limit_neither_is_believed(
    role: Role, first: float, second: float
) -> None:
    """Which of the two has failed cannot be told."""
    script = Script(sensors_that_disagree)
    assert script.run(1000.0, *two(role, first, second), heating=True).severity is Severity.OFF


def test_two_gauges_above_the_relief_valve_agree_too() -> None:
    """High is a limit as low is; one of each is none."""
    high = view().loop_facts["bay-loop"].high_bar
    both = two(Role.PRESSURE, high + 0.1, high + 0.8)
    assert Script(sensors_that_disagree).run(60.0, *both).severity is Severity.ALLOW
    low = view().loop_facts["bay-loop"].low_bar
    for mixed in ((0.2, high + 0.1), (0.0, low), (high, high + 0.8)):
        readings = two(Role.PRESSURE, *mixed)
        assert Script(sensors_that_disagree).run(60.0, *readings).severity is Severity.OFF


def test_a_gauge_of_a_place_without_facts_is_only_compared() -> None:
    """Where no limit is known none can be exceeded."""
    both = two(Role.PRESSURE, 0.0, 0.55)
    verdict = Script(sensors_that_disagree).run(60.0, *both, loop_facts={})
    assert verdict.severity is Severity.OFF
