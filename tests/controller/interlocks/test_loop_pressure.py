"""Loop pressure at equal fluid temperature: low, high, falling fast, and a loop that only cools."""

from dataclasses import replace
from typing import Any

import pytest

from controller.alarms import alarms
from controller.interlocks import loop_pressure
from controller.plant import loop_facts
from controller.records.readings import Condition, Sensed
from controller.records.safety import EVERYTHING, Clears, Severity
from controller.records.site import Role
from tests.controller.builders import HOUR_S, MILD, Script, air, make_site, sensed, slab

# filled to 1.2 bar at 10 °C, relief valve at 2.5 bar: limits 0.7 bar at 10 °C and 2.0 bar


def gauge(bar: float, **changes: Any) -> Sensed:
    return sensed(Role.PRESSURE, bar, **{"subject": "bay-loop", **changes})


def fluid(celsius: float) -> tuple[Sensed, ...]:
    """A loop and a slab of one temperature."""
    pipes = [sensed(role, celsius, subject="bay-loop") for role in (Role.SUPPLY, Role.RETURN)]
    return (slab(celsius), air(14.0), *pipes)


def filled() -> Script:
    """A gauge that has shown 1.2 bar for long enough."""
    script = Script(loop_pressure)
    script.run(300.0, gauge(1.2), *fluid(10.0))
    return script


@pytest.mark.parametrize(
    ("bar", "fluid_c", "reason"),
    [
        (1.2, 10.0, "clear"),
        (0.71, 10.0, "clear"),
        (0.69, 10.0, "low"),
        # at equal temperature: 0.01 bar/K of the gauge's rise are the warmth's
        (1.01, 40.0, "clear"),
        (0.99, 40.0, "low"),
        (0.61, 0.0, "clear"),
        (0.59, 0.0, "low"),
        # what the relief valve feels is not corrected
        (1.99, 45.0, "clear"),
        (2.01, 45.0, "high"),
        (2.01, 10.0, "high"),
    ],
)
def test_low_and_high(bar: float, fluid_c: float, reason: str) -> None:
    """Half a bar lost since the cold fill, or half a bar below the relief valve, trips at once."""
    verdict = filled().tick(gauge(bar), *fluid(fluid_c))
    assert verdict.reason == reason
    assert verdict.severity is (Severity.ALLOW if reason == "clear" else Severity.TRIP)


@pytest.mark.parametrize("bar", [0.3, 2.3])
def test_confirmed_after_a_minute_by_a_newer_reading(bar: float) -> None:
    """A minute beyond a limit, by readings taken since, locks out; one reading never does."""
    script = filled()
    assert script.run(60.0, gauge(bar), *fluid(10.0)).severity is Severity.TRIP
    verdict = script.tick(gauge(bar), *fluid(10.0))
    assert (verdict.severity, verdict.clears) == (Severity.LOCKOUT, Clears.ON_ACKNOWLEDGE)
    alone = filled()
    for age_s in range(0, 590, 10):
        verdict = alone.tick(gauge(bar, age_s=float(age_s)), *fluid(10.0))
        assert verdict.severity is Severity.TRIP


def test_clears_within_the_limits() -> None:
    """Refilled within the minute it clears; heat waits until the rise is believed."""
    script = filled()
    script.run(50.0, gauge(0.6), *fluid(10.0))
    assert script.tick(gauge(1.2), *fluid(10.0)).severity is Severity.ALLOW
    assert script.run(60.0, gauge(0.6), *fluid(10.0)).severity is Severity.TRIP


@pytest.mark.parametrize("condition", [c for c in Condition if c is not Condition.FRESH])
@pytest.mark.parametrize("bar", [0.0, 6.0])
def test_a_sensor_that_cannot_be_trusted_fakes_no_loss(condition: Condition, bar: float) -> None:
    """Unknown is neither low nor high nor falling; other rules withhold the heat."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.2), *fluid(10.0))
    verdict = script.run(600.0, gauge(bar, condition=condition), *fluid(10.0))
    assert (verdict.severity, verdict.reason) == (Severity.ALLOW, "unknown")


def test_no_sensor_is_not_fitted() -> None:
    """Without a gauge the rule says so."""
    assert Script(loop_pressure).tick(*MILD).reason == "not_fitted"


def test_a_fast_fall_withholds_heat() -> None:
    """A third of a bar within minutes is a leak, although no limit is reached yet."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.3), *fluid(10.0))
    assert script.run(60.0, gauge(0.98), *fluid(10.0)).severity is Severity.ALLOW
    verdict = script.tick(gauge(0.98), *fluid(10.0))
    assert (verdict.severity, verdict.reason) == (Severity.OFF, "falling")
    # it ends by itself, an hour or so after the pressure has come to rest
    assert script.run(HOUR_S, gauge(0.98), *fluid(10.0)).severity is Severity.ALLOW


def test_a_fall_of_less_is_none() -> None:
    """0.29 bar at once are not yet a fast fall."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.3), *fluid(10.0))
    assert script.run(600.0, gauge(1.02), *fluid(10.0)).severity is Severity.ALLOW


def test_a_fall_over_an_hour_is_fast_over_a_day_is_not() -> None:
    """0.45 bar lost in an hour withhold heat; in six hours they are left to the low limit."""
    for hours, severity in ((1.0, Severity.OFF), (6.0, Severity.ALLOW)):
        script, ticks = Script(loop_pressure), round(hours * 360)
        for tick in range(ticks):
            verdict = script.tick(gauge(1.3 - 0.45 * tick / ticks), *fluid(10.0))
        assert verdict.severity is severity


def test_one_low_reading_is_no_fall_and_one_high_one_no_measure() -> None:
    """What lasts less than a minute neither falls nor lifts what later readings are held to."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.3), *fluid(10.0))
    assert script.tick(gauge(0.9), *fluid(10.0)).severity is Severity.ALLOW
    assert script.run(300.0, gauge(1.3), *fluid(10.0)).severity is Severity.ALLOW
    script.tick(gauge(1.9), *fluid(10.0))
    assert script.run(600.0, gauge(1.3), *fluid(10.0)).severity is Severity.ALLOW


def test_a_loop_that_cools_loses_no_water() -> None:
    """From 45 to 15 °C the gauge falls by 0.3 bar, even where its rise per kelvin is misjudged."""
    for rise in (0.005, 0.01, 0.015):
        script = Script(loop_pressure)
        for tick in range(360):
            celsius = 45.0 - 30.0 * min(1.0, tick / 180.0)
            verdict = script.tick(gauge(1.2 + rise * (celsius - 10.0)), *fluid(celsius))
            assert verdict.severity is Severity.ALLOW


def test_a_restart_does_not_forget_what_stood_there() -> None:
    """A leak while the service is down is seen when it is back."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.3), *fluid(10.0))
    script.restart(gauge(0.9), *fluid(10.0))
    assert script.run(70.0, gauge(0.9), *fluid(10.0)).reason == "falling"


def test_a_boilers_gauge_is_held_to_its_tightest_loop() -> None:
    """A gauge at the boiler guards all its loops."""
    site = make_site()
    loose = replace(site.loops[0], id="other", cold_fill_bar=0.9, relief_valve_bar=4.0)
    loops = (*site.loops, loose)
    facts = {one.id: loop_facts(one, site.heaters[0], loops) for one in loops}
    for bar, reason in ((0.69, "low"), (2.01, "high"), (1.2, "clear")):
        script = Script(loop_pressure)
        script.run(300.0, gauge(1.2, subject="boiler"), *fluid(10.0), loop_facts=facts)
        reading = gauge(bar, subject="boiler")
        verdict = script.tick(reading, *fluid(10.0), loop_facts=facts)
        assert verdict.reason == reason


def test_without_any_temperature_the_gauge_is_taken_as_it_is() -> None:
    """Nothing to correct by: the reading itself is compared."""
    assert filled().tick(gauge(0.69), air(14.0)).reason == "low"
    assert filled().tick(gauge(0.71), air(14.0)).reason == "clear"


def test_the_first_reading_alone_is_no_measure() -> None:
    """One value far too high at the start is not what later ones are held to."""
    script = Script(loop_pressure)
    script.tick(gauge(1.9), *fluid(10.0))
    verdicts = [script.tick(gauge(1.3), *fluid(10.0)) for _ in range(360)]
    assert {v.severity for v in verdicts} == {Severity.ALLOW}
    # and the one that is held to is there: a leak is found by it
    assert script.run(70.0, gauge(0.95), *fluid(10.0)).reason == "falling"


def test_no_fall_is_told_before_there_is_a_measure() -> None:
    """Five readings a minute apart; one that is merely repeated is none."""
    script = Script(loop_pressure)
    for age_s in range(0, 600, 10):
        script.tick(gauge(1.3, age_s=float(age_s)), *fluid(10.0))
    assert script.run(120.0, gauge(0.9), *fluid(10.0)).severity is Severity.ALLOW
    script = Script(loop_pressure)
    script.run(110.0, gauge(1.3), *fluid(10.0))  # two of the five
    assert script.run(600.0, gauge(0.9), *fluid(10.0)).severity is Severity.ALLOW
    script = Script(loop_pressure)
    script.run(250.0, gauge(1.3), *fluid(10.0))
    assert script.run(110.0, gauge(0.9), *fluid(10.0)).reason == "falling"


def test_an_acknowledgement_takes_a_new_measure() -> None:
    """What somebody has looked at is no fall any more; what is lost after that is one."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.5), *fluid(10.0))
    assert script.run(120.0, gauge(1.1), *fluid(10.0)).reason == "falling"
    assert script.tick(gauge(1.1), *fluid(10.0), acknowledged=EVERYTHING).severity is Severity.ALLOW
    assert script.run(600.0, gauge(1.1), *fluid(10.0)).severity is Severity.ALLOW
    assert script.run(80.0, gauge(0.75), *fluid(10.0)).reason == "falling"


def test_an_acknowledgement_lifts_no_limit() -> None:
    """A loop that has been filled once and is still too low locks out again at once."""
    script = filled()
    script.run(70.0, gauge(0.5), *fluid(10.0))
    verdict = script.tick(gauge(0.5), *fluid(10.0), acknowledged=EVERYTHING)
    assert verdict.severity is Severity.LOCKOUT


def test_a_refill_takes_a_new_measure() -> None:
    """A leak right after a refill is measured from the new level within minutes, not an hour."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(0.9), *fluid(10.0))
    assert script.run(250.0, gauge(1.5), *fluid(10.0)).severity is Severity.ALLOW
    assert script.run(80.0, gauge(1.1), *fluid(10.0)).reason == "falling"


def test_what_was_high_for_a_while_only_is_no_refill() -> None:
    """Three minutes are no new level."""
    script = Script(loop_pressure)
    script.run(600.0, gauge(1.0), *fluid(10.0))
    script.run(180.0, gauge(1.5), *fluid(10.0))
    assert script.run(600.0, gauge(1.0), *fluid(10.0)).severity is Severity.ALLOW


@pytest.mark.parametrize("bar", [0.0, 0.015, 0.1, 0.22])
def test_a_gauge_that_has_never_shown_enough_does_not_lock_out(bar: float) -> None:
    """Dead, unfilled, or 1.5 bar sent as kPa: an alarm and no heat, but nothing was lost."""
    script = Script(loop_pressure)
    verdicts = [script.tick(gauge(bar), *fluid(10.0)) for _ in range(720)]
    assert {(v.severity, v.reason) for v in verdicts} == {(Severity.TRIP, "never_filled")}
    (told,) = alarms(verdicts[-1:])
    assert told.alarm
    # filled, or its unit put right: it clears, and from then on a loss is one
    assert script.run(300.0, gauge(1.2), *fluid(10.0)).severity is Severity.ALLOW
    assert script.tick(gauge(bar), *fluid(10.0)).severity is Severity.TRIP


def test_a_gauge_once_filled_stays_so() -> None:
    """Through silence, restart and acknowledgement a loss remains a loss."""
    script = filled()
    script.run(600.0, gauge(1.2, condition=Condition.STALE), *fluid(10.0))
    script.restart(gauge(1.2), *fluid(10.0))
    script.tick(gauge(1.2), *fluid(10.0), acknowledged=EVERYTHING)
    assert script.tick(gauge(0.0), *fluid(10.0)).severity is Severity.TRIP


def test_a_basis_of_an_older_version_counts_as_filled() -> None:
    """A stored memory that knows the basis alone."""
    script = Script(loop_pressure, {"top_bar:bay-loop-pressure": 1.2})
    assert script.tick(gauge(0.5), *fluid(10.0)).severity is Severity.TRIP


def test_a_gauge_that_starts_too_high_trips() -> None:
    """High needs no history: the relief valve feels it."""
    assert Script(loop_pressure).tick(gauge(2.3), *fluid(10.0)).severity is Severity.TRIP
