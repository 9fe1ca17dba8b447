"""Heat after an OFF is a hard limit; no heat after an ON and a silent relay are alarms."""

from typing import Any

import pytest

from controller.interlocks import relay_read_back
from controller.records.readings import Condition, Sensed
from controller.records.safety import Severity
from controller.records.site import Role
from tests.controller.builders import MILD, RATING_W, Script, air, sensed, slab


def state(on: bool, **changes: Any) -> Sensed:
    return sensed(Role.RELAY_STATE, float(on), subject="boiler", **changes)


def power(watts: float, **changes: Any) -> Sensed:
    return sensed(Role.POWER, watts, subject="boiler", **changes)


@pytest.mark.parametrize(
    ("reading", "heating", "command_age_s", "reason", "severity"),
    [
        (state(False, age_s=0.0), False, 600.0, "clear", Severity.ALLOW),
        (state(True, age_s=0.0), True, 600.0, "clear", Severity.ALLOW),
        # told OFF: the report must be younger than the command by the time a relay may take
        (state(True, age_s=0.0), False, 29.9, "clear", Severity.ALLOW),
        (state(True, age_s=0.0), False, 30.0, "on_when_off", Severity.TRIP),
        (state(True, age_s=10.0), False, 39.9, "clear", Severity.ALLOW),
        (state(True, age_s=10.0), False, 40.0, "on_when_off", Severity.TRIP),
        # a report from before the command says nothing about it
        (state(True, age_s=500.0), False, 400.0, "clear", Severity.ALLOW),
        # half way is on
        (sensed(Role.RELAY_STATE, 0.5, age_s=0.0), False, 600.0, "on_when_off", Severity.TRIP),
        # told ON
        (state(False, age_s=0.0), True, 29.9, "clear", Severity.ALLOW),
        (state(False, age_s=0.0), True, 30.0, "off_when_on", Severity.WARN),
        (state(False, age_s=500.0), True, 400.0, "clear", Severity.ALLOW),
        # power takes longer to fall, and 20 % of the rating is not heat yet
        (power(RATING_W, age_s=0.0), False, 119.9, "clear", Severity.ALLOW),
        (power(RATING_W, age_s=0.0), False, 120.0, "power_when_off", Severity.TRIP),
        (power(0.2 * RATING_W, age_s=0.0), False, 600.0, "clear", Severity.ALLOW),
        (power(0.2 * RATING_W + 1.0, age_s=0.0), False, 600.0, "power_when_off", Severity.TRIP),
        (power(0.1 * RATING_W, age_s=0.0), False, 600.0, "clear", Severity.ALLOW),
        (power(0.0, age_s=0.0), True, 600.0, "clear", Severity.ALLOW),
        # what cannot be trusted is an alarm at most
        (state(True, condition=Condition.STALE), False, 600.0, "silent", Severity.WARN),
        (state(True, condition=Condition.UNKNOWN_AGE), False, 600.0, "silent", Severity.WARN),
        (power(RATING_W, condition=Condition.STALE), False, 600.0, "clear", Severity.ALLOW),
    ],
)
def test_table(
    reading: Sensed, heating: bool, command_age_s: float, reason: str, severity: Severity
) -> None:
    """Each pair of command and report has its verdict, at its limit and just below."""
    verdict = Script(relay_read_back).tick(
        *MILD, reading, heating=heating, command_age_s=command_age_s
    )
    assert (verdict.reason, verdict.severity) == (reason, severity)


def test_nothing_fitted_says_so() -> None:
    """Without state and power the relay is not read back."""
    assert Script(relay_read_back).tick(*MILD).reason == "not_fitted"


def test_a_welded_relay_locks_out_after_a_minute() -> None:
    """Newer reports that go on for a minute confirm the trip."""
    script = Script(relay_read_back)
    on = state(True, age_s=2.0)
    off = {"heating": False, "command_age_s": 600.0}
    assert script.run(60.0, on, **off).severity is Severity.TRIP
    assert script.tick(on, **off).severity is Severity.LOCKOUT
    assert script.tick(on, **off).severity is Severity.LOCKOUT


@pytest.mark.parametrize("before_s", [0.0, 5.0])
def test_one_late_report_never_confirms_itself(before_s: float) -> None:
    """A single report stays a trip: nothing newer says the same."""
    script = Script(relay_read_back)
    for waited_s in range(0, 300, 10):
        verdict = script.tick(
            state(True, age_s=before_s + waited_s), heating=False, command_age_s=400.0 + waited_s
        )
        assert verdict.severity is Severity.TRIP


def test_says_how_long_ago_off_was_and_what_is_drawn() -> None:
    """The power is told where the power shows it, and there alone."""
    off = {"heating": False, "command_age_s": 600.0}
    script = Script(relay_read_back)
    assert script.tick(state(True), **off).values == {"age_s": 600.0}
    assert script.tick(power(5000.0), **off).values == {"age_s": 600.0, "power_w": 5000.0}


def test_a_relay_that_lets_go_clears() -> None:
    """OFF in the report clears the trip, and the minute starts anew."""
    script = Script(relay_read_back)
    off = {"heating": False, "command_age_s": 600.0}
    script.run(60.0, state(True), **off)
    assert script.tick(state(False), **off).severity is Severity.ALLOW
    assert script.run(60.0, state(True), **off).severity is Severity.TRIP


def test_a_silent_state_does_not_hide_power_after_off() -> None:
    """Where the state is lost, the power alone shows that the heater is on."""
    verdict = Script(relay_read_back).tick(
        state(False, condition=Condition.STALE), power(RATING_W), heating=False
    )
    assert (verdict.reason, verdict.severity) == ("power_when_off", Severity.TRIP)


@pytest.mark.parametrize("order", [1, -1])
def test_the_worse_of_two_states_counts(order: int) -> None:
    """Where two reports disagree after an OFF, the one that says ON decides."""
    two = (state(False, sensor="a"), state(True, sensor="b"))[::order]
    verdict = Script(relay_read_back).tick(*two, heating=False, command_age_s=600.0)
    assert (verdict.severity, verdict.subject) == (Severity.TRIP, "b")


def test_a_lease_that_runs_out_after_a_crash_is_no_trip() -> None:
    """A relay still on in the first half minute of a new process had no time to obey yet."""
    script = Script(relay_read_back)
    assert script.restart(state(True, age_s=0.0)).severity is Severity.ALLOW
    verdict = script.tick(state(True, age_s=0.0), heating=False, command_age_s=20.0)
    assert verdict.severity is Severity.ALLOW


@pytest.mark.parametrize(
    ("slab_c", "air_c", "severity"),
    [
        (16.0, 14.0, Severity.LOCKOUT),
        (10.0, 10.0, Severity.LOCKOUT),
        (9.9, 14.0, Severity.TRIP),  # the hard-wired frost stat may be what heats
        (16.0, 4.0, Severity.TRIP),
        (None, None, Severity.TRIP),
    ],
)
def test_the_frost_stat_beside_the_relay_locks_nothing_out(
    slab_c: float | None, air_c: float | None, severity: Severity
) -> None:
    """Power after an OFF in the cold: no heat from here, an alarm, nothing to acknowledge."""
    readings = [r for r in (slab(slab_c), air(air_c)) if r.value is not None]
    script = Script(relay_read_back)
    off = {"heating": False, "command_age_s": 600.0}
    for _ in range(20):
        verdict = script.tick(*readings, state(False), power(RATING_W), **off)
    assert (verdict.reason, verdict.severity) == ("power_when_off", severity)


@pytest.mark.parametrize(
    ("return_c", "severity"),
    [(9.9, Severity.TRIP), (10.0, Severity.LOCKOUT), (30.0, Severity.LOCKOUT)],
)
def test_a_cold_return_may_be_what_the_frost_stat_feels(
    return_c: float, severity: Severity
) -> None:
    """With slab and air warm, the return alone may have the frost stat heat."""
    cold = sensed(Role.RETURN, return_c, subject="bay-loop")
    script = Script(relay_read_back)
    off = {"heating": False, "command_age_s": 600.0}
    assert script.run(200.0, *MILD, cold, power(RATING_W), **off).severity is severity


def test_a_closed_contact_in_the_cold_is_the_relays_own() -> None:
    """The board's report of a closed contact locks out, however cold it is."""
    verdict = Script(relay_read_back).run(
        200.0, slab(3.0), air(3.0), state(True), heating=False, command_age_s=600.0
    )
    assert verdict.severity is Severity.LOCKOUT


def test_the_first_of_two_silent_states_is_named() -> None:
    """As in the site file: always the same one."""
    silent = [state(True, condition=Condition.STALE, sensor=name) for name in "ab"]
    assert Script(relay_read_back).tick(*silent, heating=True).subject == "a"


@pytest.mark.parametrize("reachable", [True, False])
def test_an_off_that_cannot_be_sent_leaves_the_relay_to_its_lease(reachable: bool) -> None:
    """Only what outlasts the lease is then heat after an OFF."""
    script = Script(relay_read_back)
    closed = sensed(Role.RELAY_STATE, 1.0, subject="boiler", age_s=0.0)
    changes = {"heating": False, "relay_reachable": reachable}
    first_s = next(
        age_s
        for age_s in range(10, 400, 10)
        if script.tick(*MILD, closed, command_age_s=float(age_s), **changes).reason == "on_when_off"
    )
    assert first_s == (30 if reachable else 150)


@pytest.mark.parametrize("reachable", [True, False])
def test_power_after_an_off_that_cannot_be_sent(reachable: bool) -> None:
    """The same by the meter, which may follow two minutes late."""
    script = Script(relay_read_back)
    draws = sensed(Role.POWER, RATING_W, subject="boiler", age_s=0.0)
    changes = {"heating": False, "relay_reachable": reachable}
    first_s = next(
        age_s
        for age_s in range(10, 400, 10)
        if script.tick(*MILD, draws, command_age_s=float(age_s), **changes).reason
        == "power_when_off"
    )
    assert first_s == (120 if reachable else 240)


@pytest.mark.parametrize(
    ("reading", "holds_s", "grace_s"),
    [
        (state(True, age_s=0.0), 120.0, 30.0),
        (state(True, age_s=0.0), 900.0, 30.0),
        (power(RATING_W, age_s=0.0), 120.0, 120.0),
    ],
)
def test_a_board_that_did_not_hear_is_waited_for_until_its_lease_is_over(
    reading: Sensed, holds_s: float, grace_s: float
) -> None:
    """Its radio was away: an alarm at once, a lockout only where the lease has not ended it."""
    script = Script(relay_read_back)
    warm = (slab(16.0), air(16.0))
    for command_age_s in range(int(grace_s), int(holds_s + grace_s), 10):
        off = {"heating": False, "command_age_s": command_age_s, "relay_holds_s": holds_s}
        assert script.tick(reading, *warm, **off).severity is Severity.TRIP
    off["command_age_s"] = holds_s + grace_s
    assert script.tick(reading, *warm, **off).severity is Severity.LOCKOUT


def test_a_report_from_within_the_lease_confirms_nothing() -> None:
    """However long ago that is by now."""
    script = Script(relay_read_back, {"over_s": 300.0})
    late = {"heating": False, "command_age_s": 400.0}
    assert script.tick(state(True, age_s=250.1), **late).severity is Severity.TRIP
    assert script.tick(state(True, age_s=249.9), **late).severity is Severity.LOCKOUT
