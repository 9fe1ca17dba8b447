"""Ranges and rates by role."""

from __future__ import annotations

import math

import pytest

from controller.plausibility import plausible
from controller.records.limits import OUTERMOST
from controller.records.site import TEMPERATURES, Role
from controller.units import to_house

RATING_W = 6000.0


@pytest.mark.parametrize("role", list(Role))
def test_every_role_has_a_sensible_span(role):
    """A span from low to high, a rate above 0, for every role there is."""
    bounds = plausible(role, rating_w=RATING_W)
    assert bounds.low < bounds.high
    assert bounds.rate_per_min > 0.0
    assert math.isfinite(bounds.low)
    assert math.isfinite(bounds.high)


@pytest.mark.parametrize("role", [Role.SLAB, Role.AIR, Role.FLOOR_SURFACE, Role.OUTDOOR])
def test_the_power_on_value_of_a_digital_sensor_is_out_of_range(role):
    """85 °C, which a common digital sensor shows after power-on (its data sheet, from memory)."""
    assert not plausible(role, rating_w=RATING_W).holds(85.0)


@pytest.mark.parametrize("role", sorted(TEMPERATURES))
def test_the_value_of_a_broken_wire_is_out_of_range(role):
    """-127 °C, which common libraries show for a sensor that is gone (from memory)."""
    assert not plausible(role, rating_w=RATING_W).holds(-127.0)


@pytest.mark.parametrize("fahrenheit", [46.0, 60.0, 68.0, 80.0])
def test_room_air_in_fahrenheit_said_to_be_celsius_is_out_of_range(fahrenheit):
    """A workshop at 8 to 27 °C reads 46 to 80 °F: no such room air exists in °C."""
    assert not plausible(Role.AIR, rating_w=RATING_W).holds(fahrenheit)
    assert plausible(Role.AIR, rating_w=RATING_W).holds(to_house(fahrenheit, "°F"))


def test_a_warm_slab_in_fahrenheit_said_to_be_celsius_is_out_of_range():
    """From 16 °C on; a colder one trips the over-temperature limit instead."""
    assert not plausible(Role.SLAB, rating_w=RATING_W).holds(61.0)


@pytest.mark.parametrize(
    ("role", "limit"),
    [
        (Role.SLAB, "slab_max_c"),
        (Role.SUPPLY, "supply_max_c"),
        (Role.FLOOR_SURFACE, "surface_max_c"),
    ],
)
def test_a_real_over_temperature_is_believed(role, limit):
    """10 K above the outermost limit is still a value to trip on, not an unknown."""
    bounds = plausible(role, rating_w=RATING_W)
    assert bounds.holds(OUTERMOST[limit].highest + 10.0)


def test_power_goes_by_the_rating():
    """Up to twice the rating, and a little below nothing for a meter's zero error."""
    bounds = plausible(Role.POWER, rating_w=RATING_W)
    assert bounds.holds(0.0)
    assert bounds.holds(12_000.0)
    assert not bounds.holds(12_001.0)
    assert bounds.holds(-50.0)
    assert not bounds.holds(-6000.0)
    assert bounds.reaches(6000.0, elapsed_s=0.0)


def test_the_rate_is_the_jump_and_then_so_much_a_minute():
    """A slab may step 1 K at once (a coarse sensor) and 1 K more in each minute."""
    bounds = plausible(Role.SLAB, rating_w=RATING_W)
    assert bounds.reaches(-1.0, elapsed_s=0.0)
    assert not bounds.reaches(1.1, elapsed_s=0.0)
    assert bounds.reaches(3.0, elapsed_s=120.0)
    assert not bounds.reaches(-3.1, elapsed_s=120.0)
    assert not bounds.reaches(3.0, elapsed_s=-120.0)


def test_a_door_in_frost_is_not_too_fast_for_air():
    """10 K within a minute is a door, not a fault (common practice, no source)."""
    assert plausible(Role.AIR, rating_w=RATING_W).reaches(-10.0, elapsed_s=60.0)
