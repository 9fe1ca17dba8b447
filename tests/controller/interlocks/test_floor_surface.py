"""Floor surface, measured or estimated: trip, just below, unknown, confirmed, cleared."""

from typing import Any

import pytest

from controller.interlocks import floor_surface
from controller.interlocks.floor_surface import estimated_c
from controller.plant import zone_facts
from controller.records.limits import Limits
from controller.records.readings import Condition, Sensed
from controller.records.safety import Clears, Severity
from controller.records.site import Role
from tests.controller.builders import Script, air, lost, make_zone, sensed, slab

IN = {"in_session": frozenset({"bay"})}


def surface(value: float, **changes: Any) -> Sensed:
    return sensed(Role.FLOOR_SURFACE, value, **changes)


@pytest.mark.parametrize(
    ("surface_c", "changes", "severity"),
    [
        (34.0, {}, Severity.ALLOW),
        (34.1, {}, Severity.OFF),  # before the slab's heat brings it to the limit
        (35.0, {}, Severity.OFF),
        (35.1, {}, Severity.TRIP),
        (29.0, IN, Severity.ALLOW),
        (29.1, IN, Severity.TRIP),
        (29.1, {"in_session": frozenset({"loft"})}, Severity.ALLOW),
        (26.1, {**IN, "limits": Limits(surface_session_max_c=26.0)}, Severity.TRIP),
        (30.1, {"limits": Limits(surface_max_c=30.0)}, Severity.TRIP),
    ],
)
def test_a_measured_surface(surface_c: float, changes: dict[str, Any], severity: Severity) -> None:
    """29 °C while a session runs in that very zone, 35 °C otherwise; a limit itself is no trip."""
    verdict = Script(floor_surface).tick(surface(surface_c), slab(38.0), air(20.0), **changes)
    assert verdict.severity is severity


def test_35_degrees_lock_out_once_confirmed() -> None:
    """A minute above 35 °C, by newer readings over a slab as warm, locks out."""
    script = Script(floor_surface)
    hot = (surface(36.0), slab(39.0), air(20.0))
    assert script.run(60.0, *hot).severity is Severity.TRIP
    verdict = script.tick(*hot)
    assert (verdict.severity, verdict.clears) == (Severity.LOCKOUT, Clears.ON_ACKNOWLEDGE)


def test_one_reading_never_confirms_itself() -> None:
    """Without a newer reading it stays a trip."""
    script = Script(floor_surface)
    for age_s in range(0, 590, 10):
        readings = (surface(36.0, age_s=float(age_s)), slab(39.0), air(20.0))
        assert script.tick(*readings).severity is Severity.TRIP


def test_a_reading_from_before_the_trip_confirms_nothing() -> None:
    """It may be long ago that it was taken; the next one, however late, confirms it."""
    script = Script(floor_surface)
    for waited_s in range(0, 80, 10):
        old = surface(36.0, age_s=5.0 + waited_s)
        assert script.tick(old, slab(39.0), air(20.0)).severity is Severity.TRIP
    assert script.tick(surface(36.0), slab(39.0), air(20.0)).severity is Severity.LOCKOUT


def test_the_limit_itself_counts_for_nothing() -> None:
    """Minutes at 35.0 °C are no part of the minute above it."""
    script = Script(floor_surface)
    script.run(120.0, surface(35.0), slab(39.0), air(20.0))
    assert script.tick(surface(35.1), slab(39.0), air(20.0)).severity is Severity.TRIP


def test_a_session_on_a_warm_floor_never_locks_out() -> None:
    """At 31 °C when people come there is no heat until the floor is at 29 °C, and no lockout."""
    script = Script(floor_surface)
    assert script.run(3600.0, surface(31.0), slab(33.0), air(20.0)).severity is Severity.ALLOW
    assert script.run(3600.0, surface(31.0), slab(33.0), air(20.0), **IN).severity is Severity.TRIP
    assert script.tick(surface(29.0), slab(31.0), air(20.0), **IN).severity is Severity.ALLOW


def test_the_minute_above_35_counts_in_a_session_too() -> None:
    """The session's lower limit does not hide that the other one is exceeded."""
    script = Script(floor_surface)
    assert script.run(70.0, surface(36.0), slab(39.0), air(20.0), **IN).severity is Severity.LOCKOUT


def test_the_sun_on_the_floor_never_locks_out() -> None:
    """A surface warmer than the slab beneath it is warmed from above: no heat, but no lockout."""
    script = Script(floor_surface)
    verdict = script.run(3600.0, surface(41.0), slab(24.0), air(25.0))
    assert (verdict.severity, verdict.reason) == (Severity.OFF, "sun")


@pytest.mark.parametrize(
    ("slab_c", "reason"), [(33.9, "sun"), (34.0, "too_hot"), (36.0, "too_hot"), (38.0, "too_hot")]
)
def test_two_kelvin_above_its_slab_it_is_warmed_from_above(slab_c: float, reason: str) -> None:
    """Up to there it may be the slab's own heat, or two sensors that differ."""
    assert Script(floor_surface).tick(surface(36.0), slab(slab_c), air(20.0)).reason == reason


@pytest.mark.parametrize("bay_c", [25.0, 35.0])
def test_a_cool_zone_hides_no_sunny_one(bay_c: float) -> None:
    """It is the sunny one that is over its limit."""
    sunny = (
        surface(60.0, subject="gallery"),
        slab(20.0, subject="gallery"),
        air(20.0, subject="gallery"),
    )
    bay = (surface(bay_c), slab(bay_c), air(20.0))
    verdict = Script(floor_surface).tick(*bay, *sunny, zones=("bay", "gallery"))
    assert (verdict.severity, verdict.reason) == (Severity.OFF, "sun")


@pytest.mark.parametrize(
    ("one_c", "other_c", "hottest", "value_c"),
    [(36.0, 30.0, "one", 36.0), (0.0, 0.5, "other", 0.5), (0.0, -0.5, "one", 0.0)],
)
def test_of_two_sensors_in_a_zone_the_hottest_counts(
    one_c: float, other_c: float, hottest: str, value_c: float
) -> None:
    """Somebody may stand there."""
    readings = (surface(one_c, sensor="one"), surface(other_c, sensor="other"))
    verdict = Script(floor_surface).tick(*readings, slab(38.0), air(20.0))
    assert (verdict.subject, (verdict.values or {})["value_c"]) == (hottest, value_c)


def test_a_surface_sensor_that_fails_hot_leaves_frost_protection_its_heat() -> None:
    """45 °C over a slab near freezing is no fault of the heater's: OFF, which frost beats."""
    verdict = Script(floor_surface).run(7200.0, surface(45.0), slab(3.0), air(1.0))
    assert verdict.severity < Severity.FROST


def test_a_sunny_zone_hides_no_overheated_one() -> None:
    """Of two zones the one that the heater has overheated decides, however much less it is over."""
    sunny = (
        surface(60.0, subject="gallery"),
        slab(20.0, subject="gallery"),
        air(20.0, subject="gallery"),
    )
    hot = (surface(36.0), slab(39.0), air(20.0))
    verdict = Script(floor_surface).tick(*sunny, *hot, zones=("bay", "gallery"))
    assert verdict.severity is Severity.TRIP


def test_clears_below_the_limit() -> None:
    """Back at the limit the trip is over, and a new minute must be seen."""
    script = Script(floor_surface)
    script.run(50.0, surface(36.0), slab(39.0), air(20.0))
    assert script.tick(surface(35.0), slab(39.0), air(20.0)).severity is Severity.OFF
    assert script.tick(surface(34.0), slab(38.0), air(20.0)).severity is Severity.ALLOW
    assert script.run(60.0, surface(36.0), slab(39.0), air(20.0)).severity is Severity.TRIP


@pytest.mark.parametrize("condition", [c for c in Condition if c is not Condition.FRESH])
def test_a_lost_surface_sensor_leaves_the_estimate(condition: Condition) -> None:
    """Unknown is never too hot by itself, but slab and air still tell."""
    script = Script(floor_surface)
    gone = surface(60.0, condition=condition)
    assert script.tick(gone, slab(20.0), air(18.0)).severity is Severity.ALLOW
    assert script.tick(gone, slab(36.0), air(18.0), **IN).reason == "estimated_too_hot"


# --- estimated ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flux_w_m2", "over_air_k"),
    [(8.920, 1.0), (52.388, 5.0), (100.007, 9.0), (175.414, 15.0)],
)
@pytest.mark.parametrize("air_c", [20.0, 2.0, -10.0])
def test_the_estimate_keeps_to_the_standard(
    flux_w_m2: float, over_air_k: float, air_c: float
) -> None:
    """8.92 (surface - air)^1.1 W/m2 leave the floor: EN 1264-2, by its published pairs."""
    facts = zone_facts(make_zone())
    # 75 mm of concrete of 2 W/mK above the tubes
    slab_c = air_c + over_air_k + flux_w_m2 * 0.0375
    assert estimated_c(facts, slab_c=slab_c, air_c=air_c) == pytest.approx(
        air_c + over_air_k, abs=0.002
    )


def test_a_floor_that_cools_the_room_lies_between() -> None:
    """In summer a slab colder than the air has a surface between the two.

    6.5 W/m2K from the room (EN 1264-5, from memory) and 1 / 0.0375 from the slab, in the mean.
    """
    surface_c = estimated_c(zone_facts(make_zone()), slab_c=22.0, air_c=30.0)
    assert surface_c == pytest.approx(23.568, abs=0.001)


@pytest.mark.parametrize(
    ("slab_c", "changes", "reason"),
    [
        # 29 °C over air at 20 °C need 100 W/m2, so a slab of 32.75 °C
        (32.7, IN, "not_fitted"),
        (32.8, IN, "estimated_too_hot"),
        (32.8, {}, "not_fitted"),
        # 35 °C need 175.4 W/m2, so 41.6 °C: the slab's own limit comes first
        (41.5, {}, "not_fitted"),
        (41.7, {}, "estimated_too_hot"),
    ],
)
def test_an_estimate_trips(slab_c: float, changes: dict[str, Any], reason: str) -> None:
    """Without a surface sensor slab and air stand in for it."""
    verdict = Script(floor_surface).tick(slab(slab_c), air(20.0), **changes)
    assert verdict.reason == reason
    assert verdict.severity is (Severity.ALLOW if reason == "not_fitted" else Severity.TRIP)
    assert (verdict.values or {})["value_c"] == pytest.approx(29.0 if changes else 35.0, abs=6.1)


def test_an_estimate_never_locks_out() -> None:
    """It rests on a description, which may be wrong: no heat for as long as it stands."""
    assert Script(floor_surface).run(3600.0, slab(44.0), air(20.0)).severity is Severity.TRIP


@pytest.mark.parametrize(
    "readings", [(lost(Role.SLAB), air(20.0)), (slab(44.0), lost(Role.AIR))], ids=["slab", "air"]
)
def test_no_estimate_without_slab_and_air(readings: tuple[Sensed, ...]) -> None:
    """What cannot be estimated is unknown: other rules withhold the heat."""
    verdict = Script(floor_surface).tick(*readings, **IN)
    assert (verdict.severity, verdict.reason) == (Severity.ALLOW, "unknown")


def test_the_zone_nearest_to_its_limit_decides() -> None:
    """30 °C in a session weighs more than 34 °C in an empty room."""
    readings = (slab(36.0), air(20.0), surface(34.0, subject="loft"), air(20.0, subject="loft"))
    verdict = Script(floor_surface).tick(*readings, zones=("bay", "loft"), **IN)
    assert (verdict.severity, verdict.subject) == (Severity.TRIP, "bay")


@pytest.mark.parametrize(
    ("bay_c", "loft_c", "nearest", "value_c"),
    [(28.5, 33.0, "bay", 28.5), (31.0, 37.1, "loft", 37.1), (31.1, 37.0, "bay", 31.1)],
)
def test_nearest_is_counted_in_kelvin(
    bay_c: float, loft_c: float, nearest: str, value_c: float
) -> None:
    """Below both limits and above both, 29 °C for the bay's people and 35 °C for nobody."""
    readings = (
        surface(bay_c, sensor="bay"),
        surface(loft_c, subject="loft", sensor="loft"),
        slab(36.0),
        slab(38.0, subject="loft"),
    )
    verdict = Script(floor_surface).tick(*readings, zones=("bay", "loft"), **IN)
    assert (verdict.subject, (verdict.values or {})["value_c"]) == (nearest, value_c)


def test_a_session_just_below_its_limit_hides_no_zone_near_the_one_that_locks_out() -> None:
    """28.9 °C under people's feet is nearer to its limit than 34.8 °C; heat must stop for these."""
    readings = (
        surface(28.9, sensor="bay"),
        surface(34.8, subject="loft", sensor="loft"),
        slab(30.0),
        slab(36.0, subject="loft"),
    )
    for order in (1, -1):
        verdict = Script(floor_surface).tick(*readings[::order], zones=("bay", "loft"), **IN)
        assert (verdict.severity, verdict.reason) == (Severity.OFF, "near")
        assert verdict.subject == "loft"
