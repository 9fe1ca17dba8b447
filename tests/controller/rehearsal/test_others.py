"""What an owner would otherwise do: each method by its own rule, all within the hard limits."""

from __future__ import annotations

import pytest

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.rehearsal.others import METHODS, FixedStart, HeldAtTarget
from controller.rehearsal.others_method import Method

HOUR_S = 3600.0
START_S = 100 * HOUR_S
SESSION = Session("a@1", "bench", START_S, START_S + 3 * HOUR_S, 18.0)
LIMITS = Limits()


def cool(air_c: float, **more: float) -> dict[str, float]:
    return {"air": air_c, "slab": 15.0, **more}


def first_heat_h(method: Method, air_c: float) -> float:
    """Hours before the session at which heat starts in a room that keeps its temperature."""
    return next(
        ahead / 10
        for ahead in range(990, -1, -1)
        if method.heat(START_S - ahead * HOUR_S / 10, cool(air_c, outdoor=0.0))
    )


def test_held_at_target_heats_long_before_and_stops_at_the_band() -> None:
    """A room below 17.75 °C calls for heat days ahead, until it is above 18.25 °C."""
    method = HeldAtTarget(LIMITS, [SESSION], ["bench"])
    assert not method.heat(0.0, cool(17.8))
    assert method.heat(60.0, cool(17.7))
    assert method.heat(120.0, cool(18.2))
    assert not method.heat(180.0, cool(18.3))


def test_held_a_margin_above_the_target_until_the_session() -> None:
    """A margin of 0.5 K is kept before a session and given up in it."""
    method = HeldAtTarget(LIMITS, [SESSION], ["bench"], margin=0.5)
    assert method.heat(0.0, cool(18.2))
    assert method.heat(60.0, cool(18.7))
    assert not method.heat(120.0, cool(18.8))
    assert not method.heat(START_S, cool(18.2))
    assert method.heat(START_S + 60.0, cool(17.7))


@pytest.mark.parametrize("lead_h", FixedStart.MARGINS)
def test_fixed_start_heats_from_its_margin_ahead_to_the_end(lead_h: float) -> None:
    """No heat before, heat from then on, none after the session."""
    method = FixedStart(LIMITS, [SESSION], ["bench"], margin=lead_h)
    assert not method.heat(START_S - lead_h * HOUR_S - 60.0, cool(8.0))
    assert method.heat(START_S - lead_h * HOUR_S, cool(8.0))
    assert method.heat(SESSION.end_s - 60.0, cool(8.0))
    assert not method.heat(SESSION.end_s, cool(8.0))


def test_the_fixed_starts_asked_for_are_there() -> None:
    """24, 36 and 48 h are among the margins; without one it is 36 h, as its name says."""
    assert {24.0, 36.0, 48.0} <= set(FixedStart.MARGINS)
    method = FixedStart(LIMITS, [SESSION], ["bench"])
    assert first_heat_h(method, 8.0) == 36.0
    assert "36 h" in method.name


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_has_a_few_margins_and_its_default_among_them(kind: type[Method]) -> None:
    """Three to five rising margins, and the margin of a method that is given none is one."""
    assert 3 <= len(kind.MARGINS) <= 5
    assert list(kind.MARGINS) == sorted(set(kind.MARGINS))
    assert kind(LIMITS, [SESSION], ["bench"]).margin in kind.MARGINS
    assert kind(LIMITS, [SESSION], ["bench"], margin=1.23).margin == 1.23


@pytest.mark.parametrize("kind", METHODS[1:])
def test_a_greater_margin_starts_earlier(kind: type[Method]) -> None:
    """In a room at 8 °C each next margin of a method starts its heat earlier."""
    ahead_h = [
        first_heat_h(kind(LIMITS, [SESSION], ["bench"], margin=margin), 8.0)
        for margin in kind.MARGINS
    ]
    assert ahead_h == sorted(set(ahead_h))


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_stops_at_the_slab_limit(kind: type[Method]) -> None:
    """A slab above its limit means no heat, however cold the room."""
    method = kind(LIMITS, [SESSION], ["bench"])
    at_s = START_S + 60.0
    assert method.heat(at_s, {"air": 5.5, "slab": 39.0})
    assert not method.heat(at_s + 60.0, {"air": 5.5, "slab": 40.5})


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_keeps_the_surface_limit_of_a_session(kind: type[Method]) -> None:
    """29 °C on the floor while people stand on it, 35 °C otherwise."""
    method = kind(LIMITS, [SESSION], ["bench"])
    assert not method.heat(START_S + 60.0, cool(10.0, floor_surface=30.0))


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_protects_from_frost(kind: type[Method]) -> None:
    """With nothing booked heat comes on below 5 °C and goes off above 7 °C."""
    method = kind(LIMITS, [], ["bench"])
    assert not method.heat(0.0, {"air": 5.5, "slab": 6.0})
    assert method.heat(60.0, {"air": 4.9, "slab": 6.0})
    assert method.heat(120.0, {"air": 6.5, "slab": 6.9})
    assert not method.heat(180.0, {"air": 7.1, "slab": 8.0})


@pytest.mark.parametrize("kind", METHODS)
@pytest.mark.parametrize("lost", [{}, {"air": float("nan")}])
def test_a_lost_air_sensor_means_no_call_for_heat(
    kind: type[Method], lost: dict[str, float]
) -> None:
    """Without a room temperature there is nothing to call for heat by but frost."""
    method = kind(LIMITS, [SESSION], ["bench"])
    assert not method.heat(START_S - HOUR_S, {"slab": 15.0, **lost})
    assert not method.heat(START_S + HOUR_S, {"slab": 15.0, **lost})


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_is_a_thermostat_in_a_session(kind: type[Method]) -> None:
    """From 17.75 °C down on, from 18.25 °C up off, whatever came before."""
    method = kind(LIMITS, [SESSION], ["bench"])
    commands = [
        method.heat(START_S + 60.0 * minute, cool(air_c))
        for minute, air_c in enumerate((18.0, 17.7, 18.2, 18.3, 17.8, 17.7))
    ]
    assert commands[1:] == [True, True, False, False, True]


def test_one_zone_that_calls_is_enough() -> None:
    """Two zones on one heater: the cold one calls, the warm one is within its slab limit."""
    both = [SESSION, Session("p@1", "paint", START_S, START_S + HOUR_S, 16.0)]
    method = HeldAtTarget(LIMITS, both, ["bench", "paint"])
    values = {"air@bench": 19.0, "air@paint": 10.0, "slab@bench": 20.0, "slab@paint": 12.0}
    assert method.heat(0.0, values)
