"""What an owner would otherwise do: each method by its own rule, all within the hard limits."""

import pytest

from controller.records.limits import Limits
from controller.records.sessions import Session
from controller.rehearsal.others import (
    FIXED_LEAD_S,
    METHODS,
    FixedStart,
    HeldAtTarget,
    LearntRate,
)

HOUR_S = 3600.0
START_S = 100 * HOUR_S
SESSION = Session("a@1", "bench", START_S, START_S + 3 * HOUR_S, 18.0)
LIMITS = Limits()


def cool(air_c: float, **more: float) -> dict[str, float]:
    return {"air": air_c, "slab": 15.0, **more}


def test_held_at_target_heats_long_before_and_stops_at_the_band() -> None:
    """A room below 17.75 °C calls for heat days ahead, until it is above 18.25 °C."""
    method = HeldAtTarget(LIMITS, [SESSION], ["bench"])
    assert not method.heat(0.0, cool(17.8))
    assert method.heat(60.0, cool(17.7))
    assert method.heat(120.0, cool(18.2))
    assert not method.heat(180.0, cool(18.3))


def test_fixed_start_heats_from_36_hours_ahead_to_the_end() -> None:
    """No heat before, heat from then on, none after the session."""
    method = FixedStart(LIMITS, [SESSION], ["bench"])
    assert not method.heat(START_S - FIXED_LEAD_S - 60.0, cool(8.0))
    assert method.heat(START_S - FIXED_LEAD_S, cool(8.0))
    assert method.heat(SESSION.end_s - 60.0, cool(8.0))
    assert not method.heat(SESSION.end_s, cool(8.0))


def test_learnt_rate_starts_by_what_is_missing_and_learns() -> None:
    """At 1 K/h a lack of 10 K starts 10 h ahead; a preheat at 0.5 K/h moves the rate to 0.75."""
    second = Session("b@1", "bench", START_S + 100 * HOUR_S, START_S + 103 * HOUR_S, 18.0)
    method = LearntRate(LIMITS, [SESSION, second], ["bench"])
    assert not method.heat(START_S - 10.1 * HOUR_S, cool(8.0))
    began_s = START_S - 10.0 * HOUR_S
    assert method.heat(began_s, cool(8.0))
    for hour in range(1, 13):
        assert method.heat(began_s + hour * HOUR_S, cool(8.0 + 0.5 * hour))
    method.heat(began_s + 12.9 * HOUR_S, cool(18.0))
    assert method.rate_k_h("bench") == pytest.approx((1.0 + 10.0 / 12.9) / 2)
    method.heat(began_s + 12.95 * HOUR_S, cool(18.1))
    assert method.rate_k_h("bench") == pytest.approx((1.0 + 10.0 / 12.9) / 2)
    # the next lack of 10 K starts sooner than 10 h ahead
    assert method.heat(second.start_s - 11.0 * HOUR_S, cool(8.0))


def test_learnt_rate_does_not_learn_from_a_small_rise() -> None:
    """A preheat of a kelvin says nothing of the rate."""
    method = LearntRate(LIMITS, [SESSION], ["bench"])
    method.heat(START_S - HOUR_S, cool(17.0))
    method.heat(START_S, cool(18.0))
    assert method.rate_k_h("bench") == 1.0


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_stops_at_the_slab_limit(kind: type) -> None:
    """A slab above its limit means no heat, however cold the room."""
    method = kind(LIMITS, [SESSION], ["bench"])
    at_s = START_S + 60.0
    assert method.heat(at_s, {"air": 5.5, "slab": 39.0})
    assert not method.heat(at_s + 60.0, {"air": 5.5, "slab": 40.5})


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_keeps_the_surface_limit_of_a_session(kind: type) -> None:
    """29 °C on the floor while people stand on it, 35 °C otherwise."""
    method = kind(LIMITS, [SESSION], ["bench"])
    assert not method.heat(START_S + 60.0, cool(10.0, floor_surface=30.0))


@pytest.mark.parametrize("kind", METHODS)
def test_every_method_protects_from_frost(kind: type) -> None:
    """With nothing booked heat comes on below 5 °C and goes off above 7 °C."""
    method = kind(LIMITS, [], ["bench"])
    assert not method.heat(0.0, {"air": 5.5, "slab": 6.0})
    assert method.heat(60.0, {"air": 4.9, "slab": 6.0})
    assert method.heat(120.0, {"air": 6.5, "slab": 6.9})
    assert not method.heat(180.0, {"air": 7.1, "slab": 8.0})


@pytest.mark.parametrize("kind", METHODS)
def test_a_lost_air_sensor_means_no_call_for_heat(kind: type) -> None:
    """Without a room temperature there is nothing to call for heat by but frost."""
    method = kind(LIMITS, [SESSION], ["bench"])
    assert not method.heat(START_S - HOUR_S, {"slab": 15.0})


def test_one_zone_that_calls_is_enough() -> None:
    """Two zones on one heater: the cold one calls, the warm one is within its slab limit."""
    both = [SESSION, Session("p@1", "paint", START_S, START_S + HOUR_S, 16.0)]
    method = HeldAtTarget(LIMITS, both, ["bench", "paint"])
    values = {"air@bench": 19.0, "air@paint": 10.0, "slab@bench": 20.0, "slab@paint": 12.0}
    assert method.heat(0.0, values)
