"""Heat is asked for and nothing comes: when it trips, and all that must not trip it."""

from typing import Any

import pytest

from controller.interlocks import maximum_run, no_flow_or_no_heat
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity, Verdict
from controller.records.site import Role
from tests.controller.builders import MILD, RATING_W, Script, sensed, view

DEAD_S = 230.0
"""A little over the loop's dead time: 48 l at 0.21 l/s."""
ON = {"heating": True}
GAUGE = sensed(Role.PRESSURE, 1.5, subject="bay-loop")


def loop(supply: float, back: float, watts: float | None, **changes: Any) -> tuple[Sensed, ...]:
    """Supply, return and power, with a pressure gauge fitted."""
    found = [
        *MILD,
        GAUGE,
        sensed(Role.SUPPLY, supply, subject="bay-loop", **changes),
        sensed(Role.RETURN, back, subject="bay-loop", **changes),
    ]
    if watts is not None:
        found.append(sensed(Role.POWER, watts, subject="boiler", **changes))
    return tuple(found)


NOTHING = loop(20.0, 19.5, 45.0)
"""The pump alone draws power, and nothing warms."""
DRY = loop(20.0, 19.5, 0.1 * RATING_W)
"""Some power, and nothing warms."""
HEATS = loop(35.0, 29.0, RATING_W)


@pytest.mark.parametrize(
    ("readings", "trips"),
    [
        (NOTHING, True),
        (loop(20.9, 20.0, 0.19 * RATING_W), True),
        (loop(44.9, 44.0, 0.0), True),
        # each of the three alone says that something comes, or that nothing need come
        (loop(20.0, 19.5, 0.2 * RATING_W), False),
        (loop(21.0, 20.0, 0.0), False),
        (loop(45.0, 45.0, 0.0), False),  # 3 K below the thermostat's 48 °C
        (loop(48.2, 47.9, 30.0), False),  # a warm loop at its own limit
        # the pipe is still warm from the last run while the element heats: a warm restart
        (loop(31.0, 31.0, RATING_W), False),
    ],
)
def test_table(readings: tuple[Sensed, ...], trips: bool) -> None:
    """Little power, no drop and a cool supply together, for ten minutes after the dead time."""
    script = Script(no_flow_or_no_heat)
    assert script.run(DEAD_S + 580.0, *readings, **ON).severity is Severity.ALLOW
    assert (script.run(60.0, *readings, **ON).severity is Severity.TRIP) is trips


def test_without_demand_nothing_is_expected() -> None:
    """A cold loop at rest is no fault."""
    assert (
        Script(no_flow_or_no_heat).run(7200.0, *NOTHING, heating=False).severity is Severity.ALLOW
    )


def test_short_demands_do_not_add_up() -> None:
    """Nine minutes, again and again, are each too short to tell."""
    script = Script(no_flow_or_no_heat)
    for _ in range(6):
        assert script.run(540.0, *NOTHING, **ON).severity is Severity.ALLOW
        assert script.run(300.0, *NOTHING, heating=False).severity is Severity.ALLOW


def test_a_thermostat_that_cycles_is_no_fault() -> None:
    """A boiler that swings by 8 K below its limit with pauses of ten minutes heats all the same."""
    script = Script(no_flow_or_no_heat)
    swing = [48.0, 46.0, 43.5, 42.0, 41.0, 40.2, 40.0]
    for _ in range(4):
        for supply in swing:
            readings = loop(supply, supply - 2.0, 20.0)
            assert script.run(90.0, *readings, **ON).severity is Severity.ALLOW
        assert script.run(300.0, *loop(45.0, 39.0, RATING_W), **ON).severity is Severity.ALLOW


def test_tries_once_more_then_locks_out() -> None:
    """After a rest of 15 min heat may be tried again; where nothing comes again, it locks out."""
    script = Script(no_flow_or_no_heat)
    assert script.run(DEAD_S + 610.0, *NOTHING, **ON).severity is Severity.TRIP
    assert script.run(870.0, *NOTHING, heating=False).severity is Severity.TRIP
    assert script.run(40.0, *NOTHING, heating=False).severity is Severity.ALLOW
    verdicts = [script.tick(*NOTHING, **ON) for _ in range(round(DEAD_S + 610.0) // 10)]
    (locked,) = [v for v in verdicts if v.severity > Severity.ALLOW]
    assert (locked.severity, locked.clears) == (Severity.LOCKOUT, Clears.ON_ACKNOWLEDGE)


def test_heat_that_comes_at_last_forgets_the_first_attempt() -> None:
    """Power that is away for minutes now and then never adds up to a lockout."""
    script = Script(no_flow_or_no_heat)
    for _ in range(3):
        assert script.run(DEAD_S + 610.0, *NOTHING, **ON).severity is Severity.TRIP
        script.run(910.0, *NOTHING, heating=False)
        assert script.run(600.0, *loop(35.0, 29.0, RATING_W), **ON).severity is Severity.ALLOW


def test_a_moment_of_power_does_not_forget_the_first_attempt() -> None:
    """A boiler without flow draws full power until its own limiter ends that."""
    script = Script(no_flow_or_no_heat)
    burst = loop(20.0, 19.5, RATING_W)
    assert script.run(DEAD_S + 610.0, *NOTHING, **ON).severity is Severity.TRIP
    script.run(910.0, *NOTHING, heating=False)
    assert script.run(60.0, *burst, **ON).severity is Severity.ALLOW
    verdicts = [script.tick(*NOTHING, **ON) for _ in range(round(DEAD_S + 620.0) // 10)]
    assert Severity.LOCKOUT in {v.severity for v in verdicts}


def test_short_runs_of_heat_forget_the_first_attempt_together() -> None:
    """Ten minutes of heat in all, a power cut of long ago is none of today's fault."""
    script = Script(no_flow_or_no_heat)
    assert script.run(DEAD_S + 610.0, *NOTHING, **ON).severity is Severity.TRIP
    script.run(910.0, *NOTHING, heating=False)
    for _ in range(2):
        script.run(300.0, *HEATS, **ON)
        script.run(300.0, *HEATS, heating=False)
    assert script.run(DEAD_S + 610.0, *NOTHING, **ON).severity is Severity.TRIP


@pytest.mark.parametrize("watts", [0.0, 9.0, 0.049 * RATING_W])
def test_heat_that_the_meter_does_not_show_is_told(watts: float) -> None:
    """A meter that sends kW where the site file says W: a warning, until it shows the heat."""
    script = Script(no_flow_or_no_heat)
    unseen = loop(30.0, 24.0, watts)
    assert script.run(DEAD_S + 580.0, *unseen, **ON).severity is Severity.ALLOW
    verdict = script.run(30.0, *unseen, **ON)
    assert (verdict.severity, verdict.reason) == (Severity.WARN, "power_not_shown")
    assert script.run(600.0, *unseen, heating=False).reason == "power_not_shown"
    assert script.restart(*unseen).reason == "power_not_shown"
    assert script.run(60.0, *HEATS, **ON).severity is Severity.ALLOW


def test_a_meter_that_shows_some_of_the_heat_is_not_accused() -> None:
    """A boiler that its thermostat has throttled draws little, and the loop is warm."""
    script = Script(no_flow_or_no_heat)
    script.run(60.0, *loop(30.0, 24.0, 0.06 * RATING_W), **ON)
    assert script.run(1800.0, *loop(30.0, 24.0, 0.0), **ON).severity is Severity.ALLOW


def test_a_restart_keeps_rest_and_attempt() -> None:
    """Neither the rest nor the first attempt is forgotten with the process."""
    script = Script(no_flow_or_no_heat)
    script.run(DEAD_S + 610.0, *NOTHING, **ON)
    assert script.restart(*NOTHING).severity is Severity.TRIP
    script.run(900.0, *NOTHING, heating=False)
    verdicts = [script.tick(*NOTHING, **ON) for _ in range(round(DEAD_S + 610.0) // 10)]
    assert Severity.LOCKOUT in {v.severity for v in verdicts}


def metered() -> Script:
    """A heater whose meter has shown its power, and which is off now."""
    script = Script(no_flow_or_no_heat)
    script.run(300.0, *HEATS, **ON)
    script.tick(*HEATS, heating=False)
    return script


def attempt(script: Script, *readings: Sensed) -> Verdict:
    """Ask for heat until nothing has come for long enough; the verdict then."""
    verdicts = [script.tick(*readings, **ON) for _ in range(round(DEAD_S + 610.0) // 10)]
    found = next((v for v in verdicts if v.severity > Severity.WARN), verdicts[-1])
    script.run(910.0, *readings, heating=False)
    return found


def test_a_heater_that_is_cut_off_is_tried_again_and_again() -> None:
    """Without any power nothing can boil: hours of it end in no lockout, and in an alarm."""
    script = metered()
    for _ in range(6):
        assert script.run(DEAD_S + 580.0, *NOTHING, **ON).severity < Severity.TRIP
        verdict = script.run(30.0, *NOTHING, **ON)
        assert (verdict.severity, verdict.reason) == (Severity.TRIP, "no_power")
        assert script.run(860.0, *NOTHING, heating=False).reason == "no_power"
        verdict = script.run(50.0, *NOTHING, heating=False)
        assert (verdict.severity, verdict.reason) == (Severity.WARN, "still_no_power")
    assert script.run(86400.0, *NOTHING, heating=False).reason == "still_no_power"
    assert script.run(60.0, *HEATS, **ON).severity is Severity.ALLOW


@pytest.mark.parametrize(("share", "again"), [(0.049, "no_power"), (0.05, "again_nothing")])
def test_what_counts_as_no_power(share: float, again: str) -> None:
    """Below a twentieth of the rating no element is on."""
    script = metered()
    attempt(script, *loop(20.0, 19.5, share * RATING_W))
    assert attempt(script, *loop(20.0, 19.5, share * RATING_W)).reason == again


def test_power_that_comes_and_goes_is_no_cut_off() -> None:
    """A boiler without flow that its own limiter ends after a minute has power."""
    script = metered()
    for reason in ("nothing_comes", "again_nothing"):
        script.run(60.0, *DRY, **ON)
        assert attempt(script, *NOTHING).reason == reason


def test_a_cut_in_the_middle_of_a_run() -> None:
    """The run that it ends may have been ended by the limiter; the next one shows the cut-off."""
    script = metered()
    script.run(1200.0, *HEATS, **ON)
    reasons = [attempt(script, *NOTHING).reason for _ in range(3)]
    assert reasons == ["nothing_comes", "no_power", "no_power"]


def test_a_cut_off_says_nothing_of_the_flow() -> None:
    """An attempt that was no cut-off stays the first one, whatever comes between."""
    script = metered()
    reasons = [attempt(script, *readings).reason for readings in (DRY, NOTHING, DRY)]
    assert reasons == ["nothing_comes", "no_power", "again_nothing"]


def test_a_meter_that_shows_nothing_while_heat_comes_is_not_believed() -> None:
    """Ten minutes of heat in the loop without any power: the meter has failed, not the supply."""
    script = metered()
    script.run(DEAD_S + 580.0, *loop(25.0, 20.0, 0.0), **ON)
    script.tick(*NOTHING, heating=False)
    assert attempt(script, *NOTHING).reason == "no_power"
    script.run(DEAD_S + 620.0, *loop(25.0, 20.0, 0.0), **ON)
    script.tick(*NOTHING, heating=False)
    assert [attempt(script, *NOTHING).reason for _ in range(2)] == [
        "nothing_comes",
        "again_nothing",
    ]
    script.run(60.0, *HEATS, **ON)
    script.tick(*HEATS, heating=False)
    assert attempt(script, *NOTHING).reason == "no_power"


def test_a_meter_that_was_silent_meanwhile_vouches_for_nothing() -> None:
    """Power may have come and gone unseen."""
    script = metered()
    silent = loop(20.0, 19.5, 0.0, condition=Condition.STALE)
    script.run(60.0, *silent, **ON)
    assert attempt(script, *NOTHING).reason == "nothing_comes"


def test_power_from_before_the_run_is_none_of_it() -> None:
    """The meter's last word of the run before does not count as power in this one."""
    script = metered()
    old = [*NOTHING[:-1], sensed(Role.POWER, RATING_W, subject="boiler", age_s=60.0)]
    script.run(50.0, *old, **ON)
    assert attempt(script, *NOTHING).reason == "no_power"


def test_a_restart_keeps_a_cut_off() -> None:
    """Rest, alarm and what is known of the meter outlive the process."""
    script = metered()
    script.run(DEAD_S + 610.0, *NOTHING, **ON)
    assert script.restart(*NOTHING).reason == "no_power"
    assert script.run(910.0, *NOTHING, heating=False).reason == "still_no_power"
    assert script.restart(*NOTHING).reason == "still_no_power"
    assert attempt(script, *NOTHING).reason == "no_power"


@pytest.mark.parametrize("condition", [c for c in Condition if c is not Condition.FRESH])
def test_unknown_readings_say_nothing(condition: Condition) -> None:
    """What cannot be trusted never makes this rule trip, however long."""
    verdict = Script(no_flow_or_no_heat).run(
        7200.0, *loop(20.0, 20.0, 0.0, condition=condition), **ON
    )
    assert (verdict.severity, verdict.reason) == (Severity.ALLOW, "unknown")


def test_old_readings_confirm_nothing() -> None:
    """Readings from before the demand are not what it was waited for."""
    script = Script(no_flow_or_no_heat)
    for waited_s in range(0, 580, 10):
        old = loop(20.0, 19.5, 0.0, age_s=float(waited_s))
        assert script.tick(*old, **ON).severity is Severity.ALLOW


def test_without_power_the_temperatures_alone_count() -> None:
    """The tighter default: no drop and a cool supply are enough."""
    script = Script(no_flow_or_no_heat)
    assert script.run(DEAD_S + 610.0, *loop(20.0, 19.5, None), **ON).severity is Severity.TRIP


def test_without_a_gauge_it_waits_five_minutes() -> None:
    """The tighter default where no pressure sensor is fitted."""
    script = Script(no_flow_or_no_heat)
    ungauged = tuple(s for s in NOTHING if s.role is not Role.PRESSURE)
    assert script.run(DEAD_S + 270.0, *ungauged, **ON).severity is Severity.ALLOW
    assert script.run(50.0, *ungauged, **ON).severity is Severity.TRIP


def test_without_supply_or_return_it_is_not_fitted() -> None:
    """Nobody then sees whether heat flows."""
    for role in (Role.SUPPLY, Role.RETURN):
        blind = tuple(s for s in NOTHING if s.role is not role)
        assert Script(no_flow_or_no_heat).run(3600.0, *blind, **ON).reason == "not_fitted"


def test_one_loop_with_flow_is_flow() -> None:
    """Where one of two loops takes heat, the heater has flow; what its meter says is doubted."""
    other = (
        sensed(Role.SUPPLY, 35.0, subject="loft-loop"),
        sensed(Role.RETURN, 29.0, subject="loft-loop"),
    )
    assert Script(no_flow_or_no_heat).run(3600.0, *DRY, *other, **ON).severity is Severity.ALLOW


def test_a_loop_that_is_told_to_be_shut_says_nothing() -> None:
    """The sensors are on the bay's loop and the loft alone is heated: nothing need flow there."""
    script, shut = Script(no_flow_or_no_heat), {**ON, "shut": frozenset({"bay"})}
    still = loop(16.0, 16.0, None)
    assert script.run(3 * 3600.0, *still, **shut).severity is Severity.ALLOW
    assert attempt(script, *still).reason == "nothing_comes"


@pytest.mark.parametrize(("supply", "back"), [("boiler", "bay-loop"), ("bay-loop", "boiler")])
def test_a_shut_loop_says_nothing_beside_the_boiler(supply: str, back: str) -> None:
    """One of the two sensors on the boiler does not make the fluid flow that the valve holds."""
    readings = (
        *MILD,
        sensed(Role.SUPPLY, 16.0, subject=supply),
        sensed(Role.RETURN, 16.0, subject=back),
    )
    script = Script(no_flow_or_no_heat)
    shut = {**ON, "shut": frozenset({"bay"})}
    assert script.run(3 * 3600.0, *readings, **shut).severity is Severity.ALLOW
    assert attempt(script, *readings).reason == "nothing_comes"


@pytest.mark.parametrize(
    ("supply", "back", "seen"),
    [("boiler", "bay-loop", True), ("bay-loop", "boiler", True), ("bay-loop", "other-loop", False)],
)
def test_supply_and_return_may_be_on_boiler_and_loop(supply: str, back: str, seen: bool) -> None:
    """The same fluid passes both; two loops have nothing to say of each other."""
    loops = view().loop_facts
    facts = {**loops, "other-loop": loops["bay-loop"]}
    readings = (
        *MILD,
        GAUGE,
        sensed(Role.SUPPLY, 20.0, subject=supply),
        sensed(Role.RETURN, 20.0, subject=back),
        sensed(Role.POWER, 0.0, subject="boiler"),
    )
    told = ((no_flow_or_no_heat, "nothing_comes", "not_fitted"), (maximum_run, "clear", "unseen"))
    for rule, if_seen, otherwise in told:
        verdict = Script(rule).run(DEAD_S + 640.0, *readings, loop_facts=facts, **ON)
        assert verdict.reason == (if_seen if seen else otherwise)
