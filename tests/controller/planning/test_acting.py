"""People and wind: what bookings, sensors and forecasts say of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from controller.planning.acting import occupied, wind_ahead_m_s, wind_behind_m_s, with_acting
from controller.planning.history import Grid, zone_series
from controller.planning.planner import make_plan
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.sessions import Session
from controller.records.site import OUTDOOR, Role, Sensor
from tests.controller.planning.told import Told

HOUR_S = 3600.0


@pytest.fixture
def shop(workshop):
    """A workshop after a day of readings."""
    made = workshop(seed=4)
    made.idle(24)
    return made


def _forecast(received_s, wind_m_s, *, hours=48, first_h=0):
    points = [
        ForecastPoint(received_s + h * HOUR_S, outdoor_c=3.0, wind_m_s=wind_m_s)
        for h in range(first_h, hours + 1)
    ]
    return Forecast(received_s, tuple(points))


def _with_vane(site):
    return replace(
        site, sensors=(*site.sensors, Sensor("vane", Role.WIND, OUTDOOR, "t/wind", "m/s"))
    )


def test_people_are_in_while_a_zone_is_booked(shop):
    """By the share of each slot; overlapping bookings count once, other zones not at all."""
    zone = shop.site.zones[0]
    grid = Grid(1_000_000_000.0, HOUR_S, 5)
    booked = [
        Session("a", zone.id, grid.start_s + 0.5 * HOUR_S, grid.start_s + 2.0 * HOUR_S, 18.0),
        Session("b", zone.id, grid.start_s + 1.0 * HOUR_S, grid.start_s + 2.5 * HOUR_S, 18.0),
        Session("c", "elsewhere", grid.start_s, grid.end_s, 18.0),
    ]
    expected = [0.5, 1.0, 0.5, 0.0, 0.0]
    assert occupied(booked, zone, grid) == pytest.approx(expected)
    assert occupied((*booked, *booked), zone, grid) == pytest.approx(expected)


def test_of_the_past_each_hour_has_the_wind_last_told_before_it(shop):
    """A later forecast takes over from when it was received, not before; a stale one ends."""
    start_s = shop.now_s - 40 * HOUR_S
    told = (
        _forecast(start_s, 3.0, hours=10),
        _forecast(start_s + 4 * HOUR_S, 7.0, hours=4),
    )
    grid = Grid(start_s, HOUR_S, 12)
    found = wind_behind_m_s(Told(shop.source, told), shop.site, grid)
    assert found[:4] == pytest.approx(3.0)
    assert found[4:8] == pytest.approx(7.0)
    assert found[8:10] == pytest.approx(3.0)
    assert np.isnan(found[10:]).all()


def test_a_sensor_comes_before_what_was_forecast(shop):
    """Where the sensor is silent, the forecast stands in."""
    start_s = shop.now_s - 6 * HOUR_S
    winds = [(start_s + 60.0 * k, 9.0) for k in range(120)]
    source = Told(shop.source, (_forecast(start_s, 3.0),), {"vane": winds})
    found = wind_behind_m_s(source, _with_vane(shop.site), Grid(start_s, HOUR_S, 6))
    assert found[:2] == pytest.approx(9.0)
    assert found[3:] == pytest.approx(3.0)


def test_ahead_counts_what_was_told_last_and_then_what_is_usual(shop):
    """Beyond the forecast's end the wind of the last week; nothing at all where none told."""
    told = (_forecast(shop.now_s - 12 * HOUR_S, 2.0), _forecast(shop.now_s, 6.0, hours=24))
    grid = Grid(shop.now_s, HOUR_S, 72)
    ahead = wind_ahead_m_s(Told(shop.source, told), shop.site, grid, now_s=shop.now_s)
    assert ahead[:24] == pytest.approx(6.0)
    assert ahead[24:36] == pytest.approx(2.0)
    assert ahead[36:] == pytest.approx(2.0)
    assert np.isnan(wind_ahead_m_s(shop.source, shop.site, grid, now_s=shop.now_s)).all()


def test_a_forecast_without_wind_says_nothing_of_it(shop):
    """Not even that it is calm."""
    silent = Forecast(shop.now_s, (ForecastPoint(shop.now_s, 3.0), ForecastPoint(2e9, 3.0)))
    grid = Grid(shop.now_s, HOUR_S, 6)
    ahead = wind_ahead_m_s(Told(shop.source, (silent,)), shop.site, grid, now_s=shop.now_s)
    assert np.isnan(ahead).all()


def test_history_without_wind_has_no_draught(shop):
    """Unknown wind is the usual one, and people are in by the bookings alone."""
    zone = shop.site.zones[0]
    grid = Grid.before(shop.now_s, span_s=12 * HOUR_S, step_s=300.0)
    series = zone_series(shop.source, shop.site, zone, grid)
    held = Session("a", zone.id, grid.start_s, grid.start_s + HOUR_S, 18.0)
    still = with_acting(series, shop.source, shop.site, zone, [held])
    assert not still.acting()[1].any()
    assert still.acting()[0].sum() == pytest.approx(12.0)
    windy = Told(shop.source, (_forecast(grid.start_s - HOUR_S, 12.0),))
    blown = with_acting(series, windy, shop.site, zone, [held])
    assert (blown.acting()[1] < 0.0).mean() > 0.9


def test_a_gale_is_heated_against_in_time(shop):
    """The same session under the same temperatures takes more heat in wind than in calm."""
    zone = shop.site.zones[0]
    start_s = shop.now_s + 30 * HOUR_S
    session = Session("a", zone.id, start_s, start_s + 4 * HOUR_S, 18.0)
    heat_s = {}
    for wind_m_s in (0.5, 4.0, 10.0):
        source = Told(shop.source, (_forecast(shop.now_s, wind_m_s, hours=72),))
        plan = make_plan(shop.errand((session,)), source)
        heat_s[wind_m_s] = sum(b.end_s - b.start_s for b in plan.blocks if b.heat)
    assert heat_s[0.5] < heat_s[4.0] < heat_s[10.0]
