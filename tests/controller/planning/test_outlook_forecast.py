"""A received forecast beside the site's own readings."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.outlook import weather_ahead
from controller.records.forecast import Forecast, ForecastPoint
from controller.records.site import Role, Sensor
from tests.controller.planning.told import Told

DAY_S, HOUR_S = 86400.0, 3600.0
NOW_S = 1_770_000_000.0 - 1_770_000_000.0 % DAY_S  # 2026-02-01 00:00 UTC
WEEK = Grid(NOW_S, 900.0, 672)


def _usual_c(at_s):
    return 5.0 + 3.0 * math.cos(2 * math.pi * (at_s / DAY_S - 0.6))


def _coming_c(at_s):
    """A cold front in twelve hours of which the readings know nothing."""
    return _usual_c(at_s) - 8.0 * (at_s > NOW_S + 12 * HOUR_S)


def _forecast(value_at, *, age_h=1.0, hours=72, sun_at=None):
    received_s = NOW_S - age_h * HOUR_S
    times_s = [received_s + HOUR_S * k for k in range(hours + 1)]
    points = tuple(
        ForecastPoint(t, outdoor_c=value_at and value_at(t), irradiance_w_m2=sun_at and sun_at(t))
        for t in times_s
    )
    return Forecast(received_s, points)


def _read(shop, days=20.0):
    for k in range(int(days * 144)):
        at_s = NOW_S - days * DAY_S + 600.0 * k
        shop.source.add("outdoor", at_s, _usual_c(at_s))
    return shop


def _ahead(shop, *forecasts):
    return weather_ahead(Told(shop.source, forecasts), shop.site, now_s=NOW_S, grid=WEEK)


def test_a_forecast_front_is_believed(workshop):
    """Eight kelvin colder from noon on: a day ahead at least 60 % of it, with less error.

    The site has been calm for weeks, so that its own estimate has its say.
    """
    shop = _read(workshop())
    own, told = _ahead(shop), _ahead(shop, _forecast(_coming_c))
    assert told.outdoor_c[96] < own.outdoor_c[96] - 0.6 * 8.0
    assert (told.outdoor_sd_k <= own.outdoor_sd_k + 1e-9).all()
    assert told.outdoor_sd_k[96] < 0.75 * own.outdoor_sd_k[96]


def test_beyond_its_end_a_forecast_fades_into_the_own_estimate(workshop):
    """A forecast of two days: most of its front is left an hour after, less than half in the end.

    A front that stays is believed to pass with 66 h, as any departure is.
    """
    shop = _read(workshop())
    front_k = _ahead(shop).outdoor_c - _ahead(shop, _forecast(_coming_c, hours=49)).outdoor_c
    assert front_k[4 * 49] > 0.6 * 8.0
    assert abs(np.diff(front_k[4 * 47 : 4 * 52])).max() < 0.8
    assert 0.0 < front_k[-1] < 0.5 * front_k[4 * 48]


def test_a_forecast_off_by_three_kelvin_now_is_corrected_now(workshop):
    """Three kelvin too warm in its first four hours: the next hour is taken from the sensor."""
    shop = _read(workshop())
    ahead = _ahead(shop, _forecast(lambda t: _usual_c(t) + 3.0, age_h=4.0))
    missed_k = ahead.outdoor_c - [_usual_c(t) for t in WEEK.middles_s()]
    assert abs(missed_k[:4]).max() < 0.5
    assert missed_k[4 * 48 : 4 * 60].mean() > missed_k[:48].mean() > 0.0


def test_a_bias_of_many_forecasts_is_taken_off_at_every_lead(workshop):
    """All of a week's forecasts 2 K too warm: two days ahead less than half of it is left.

    One forecast alone leaves more of it there: it could be chance.
    """
    shop = _read(workshop())

    def warm_c(at_s):
        return _usual_c(at_s) + 2.0

    week = [_forecast(warm_c, age_h=6.0 * k + 1.0) for k in range(28)][::-1]
    slots = slice(4 * 42, 4 * 54)
    usual_c = np.array([_usual_c(t) for t in WEEK.middles_s()])
    many, one = (
        (_ahead(shop, *heard).outdoor_c - usual_c)[slots].mean() for heard in (week, week[-1:])
    )
    assert many < 1.0
    assert many < one


def test_a_forecast_that_has_been_right_is_trusted_more(workshop):
    """A week of forecasts without fault against one of wild ones: the error stated is smaller."""
    shop, chance = _read(workshop()), random.Random(1)
    right = [_forecast(_usual_c, age_h=6.0 * k + 1.0) for k in range(28)][::-1]
    wild = [
        _forecast(lambda t: _usual_c(t) + chance.gauss(0.0, 5.0), age_h=6.0 * k + 1.0)
        for k in range(28)
    ][::-1]
    last = right[-1]
    trusted, doubted = (_ahead(shop, *week[:-1], last).outdoor_sd_k for week in (right, wild))
    assert trusted[96] < 0.7 * doubted[96]


@pytest.mark.parametrize("useless", ["old", "silent", "past"])
def test_a_useless_forecast_changes_nothing(workshop, useless):
    """Older than a day, without a temperature, or ended before now: the own estimate alone."""
    heard = {
        "old": _forecast(_coming_c, age_h=25.0),
        "silent": _forecast(None),
        "past": _forecast(_coming_c, age_h=20.0, hours=12),
    }[useless]
    shop = _read(workshop())
    assert _ahead(shop, heard).outdoor_c == pytest.approx(_ahead(shop).outdoor_c)


def test_a_forecast_stands_alone_where_nothing_is_read(workshop):
    """No outdoor sensor: the forecast itself, its error with the bias that may be in it.

    Within 0.5 K: the usual daily wave, which differs from the one forecast, has a small say.
    """
    ahead = _ahead(workshop(), _forecast(_coming_c))
    expected = [_coming_c(t) for t in WEEK.middles_s()]
    assert ahead.outdoor_c[:40] == pytest.approx(expected[:40], abs=0.5)
    assert 1.0 < ahead.outdoor_sd_k[0] < 1.6
    assert ahead.outdoor_sd_k[-1] > 4.0


def test_received_at_this_very_moment_counts(workshop):
    """A plan is made on the news that asked for it."""
    shop = _read(workshop())
    assert _ahead(shop, _forecast(_coming_c, age_h=0.0)).outdoor_c[96] < 0.0


def test_forecast_sun_without_a_sensor_is_used_as_it_is(workshop):
    """300 W/m2 at noon and no sensor: 300 within 15 % (the prior's share), dark at night."""

    def sun_at(at_s):
        return max(0.0, 300.0 * math.cos(2 * math.pi * (at_s / DAY_S - 0.47)))

    ahead = _ahead(_read(workshop()), _forecast(_usual_c, sun_at=sun_at))
    noon = 45
    assert ahead.sun_w_m2[noon] == pytest.approx(300.0, rel=0.15)
    assert ahead.sun_w_m2[8] == 0.0
    assert 20.0 < ahead.sun_sd_w_m2[noon] < 120.0


def test_forecast_sun_that_its_sensor_never_sees_is_corrected(workshop):
    """A sensor behind a hill reads half of each forecast: after a week less is expected."""
    shop = _read(workshop())
    sensor = Sensor("sun", Role.IRRADIANCE, "outdoor", "t/sun", "W/m2")
    shop.site = replace(shop.site, sensors=(*shop.site.sensors, sensor))

    def sun_at(at_s):
        return max(0.0, 300.0 * math.cos(2 * math.pi * (at_s / DAY_S - 0.47)))

    for k in range(48 * 10):
        at_s = NOW_S - 10 * DAY_S + 1800.0 * k
        shop.source.add("sun", at_s, 0.5 * sun_at(at_s))
    week = [_forecast(_usual_c, age_h=6.0 * k + 1.0, sun_at=sun_at) for k in range(28)][::-1]
    assert _ahead(shop, *week).sun_w_m2[45] < 0.75 * 300.0
