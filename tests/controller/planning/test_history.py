"""History on an even grid: means, medians, gaps, commanded and metered heat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.history import (
    Grid,
    bridged,
    heater_duty,
    heater_heat_w,
    role_mean,
    zone_heat_w,
    zone_series,
)
from controller.records.site import Role, Sensor


@pytest.fixture
def shop(workshop):
    """A workshop without any past."""
    return workshop()


GRID = Grid(0.0, 300.0, 6)


def _air(shop, grid=GRID):
    return role_mean(shop.source, shop.site, role=Role.AIR, subject="bench", grid=grid)


def test_a_slot_holds_the_mean_of_its_samples(shop):
    """Samples at slot start belong to the slot; those outside the grid to none."""
    for at_s, value in ((-1.0, 99.0), (0.0, 10.0), (299.0, 12.0), (300.0, 20.0), (1800.0, 99.0)):
        shop.source.add("bench-air", at_s, value)
    assert _air(shop)[:2] == pytest.approx([11.0, 20.0])
    assert np.isnan(_air(shop)[2:]).all()


def test_short_gaps_are_bridged_and_long_ones_stay_unknown():
    """15 min of silence is a straight line, 20 min is NaN; ends are never extended."""
    nan = np.nan
    short = bridged(np.array([nan, 1.0, nan, nan, nan, 5.0, nan]), 3)
    long = bridged(np.array([1.0, nan, nan, nan, nan, 6.0]), 3)
    assert np.array_equal(short, [nan, 1.0, 2.0, 3.0, 4.0, 5.0, nan], equal_nan=True)
    assert np.array_equal(long, [1.0, nan, nan, nan, nan, 6.0], equal_nan=True)


def test_two_sensors_of_a_role_give_their_median(shop):
    """Of two, the mean; of three, the one between; a silent one is passed over."""
    more = [Sensor(f"air-{k}", Role.AIR, "bench", f"t/{k}", "°C") for k in (2, 3)]
    shop.site = replace(shop.site, sensors=(*shop.site.sensors, *more))
    for sensor, value in (("bench-air", 10.0), ("air-2", 14.0)):
        shop.source.add(sensor, 10.0, value)
    assert _air(shop)[0] == pytest.approx(12.0)
    shop.source.add("air-3", 20.0, 50.0)
    assert _air(shop)[0] == pytest.approx(14.0)


def test_duty_is_the_exact_share_of_each_slot(shop):
    """On from 150 s to 750 s: half, all, half of three slots; unknown before any command."""
    shop.source.changes["boiler"] = [(0.0, False), (150.0, True), (750.0, False)]
    assert heater_duty(shop.source, "boiler", GRID) == pytest.approx([0.5, 1.0, 0.5, 0, 0, 0])
    early = heater_duty(shop.source, "boiler", Grid(-900.0, 300.0, 4))
    assert np.isnan(early[:2]).all()
    assert np.isnan(heater_duty(shop.source, "pump", GRID)).all()


def test_a_command_from_before_the_grid_holds_in_it(shop):
    """The one in force at the beginning counts from there."""
    shop.source.changes["boiler"] = [(-5000.0, True)]
    assert heater_duty(shop.source, "boiler", GRID) == pytest.approx(np.ones(6))


def test_metered_heat_replaces_the_rating_where_there_is_any(shop):
    """8 kW by command; 6 kW where the meter says so."""
    shop.source.changes["boiler"] = [(0.0, True)]
    meter = Sensor("meter", Role.POWER, "boiler", "t/p", "W")
    shop.site = replace(shop.site, sensors=(*shop.site.sensors, meter))
    shop.source.add("meter", 10.0, 6000.0)
    heat_w = heater_heat_w(shop.source, shop.site, shop.heater, GRID)
    assert heat_w == pytest.approx([6000.0] + [8000.0] * 5)


def test_two_zones_share_by_floor_area(pair):
    """48 and 24 m2: two thirds and one third."""
    shop = pair()
    shop.source.changes["boiler"] = [(0.0, True)]
    shares = [zone_heat_w(shop.source, shop.site, z, GRID)[0] / 8000.0 for z in shop.site.zones]
    assert shares == pytest.approx([2 / 3, 1 / 3])


def test_a_series_has_temperatures_at_slot_starts_and_heat_of_slots(shop):
    """Temperatures are means around the slot's start, as the models take them."""
    shop.source.changes["boiler"] = [(0.0, True)]
    for k in range(-10, 40):
        shop.source.add("bench-air", 60.0 * k, 60.0 * k)
    series = zone_series(shop.source, shop.site, shop.site.zones[0], GRID)
    # five samples a minute apart from 150 s before the start on: their mean lies 30 s before it
    assert series.air_c == pytest.approx(GRID.edges_s()[:-1], abs=31.0)
    assert series.power_w == pytest.approx([8000.0] * 6)
    assert np.isnan(series.outdoor_c).all()
