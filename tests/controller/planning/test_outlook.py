"""The weather ahead from the weather behind, and what it says of its own error."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.outlook import weather_ahead, weather_from_room
from controller.records.site import Role, Sensor

DAY_S = 86400.0
NOW_S = 20 * DAY_S
AHEAD = Grid(NOW_S, 900.0, 288)


def _wave_c(at_s):
    return 5.0 + 4.0 * math.cos(2 * math.pi * (at_s / DAY_S - 0.6))


def _fill(shop, days, value_at, sensor="outdoor"):
    for k in range(int(days * 144)):
        at_s = NOW_S - days * DAY_S + 600.0 * k
        shop.source.add(sensor, at_s, value_at(at_s))


def _ahead(shop):
    return weather_ahead(shop.source, shop.site, now_s=NOW_S, grid=AHEAD)


def test_a_steady_daily_wave_goes_on(workshop):
    """Ten equal days: the next is foretold within 0.3 K (harmonics are drawn in by 2 %)."""
    shop = workshop()
    _fill(shop, 10, _wave_c)
    expected = [_wave_c(t) for t in AHEAD.middles_s()]
    assert np.abs(_ahead(shop).outdoor_c - expected).max() < 0.3


def test_a_cold_spell_fades_towards_the_usual(workshop):
    """Five kelvin below the usual now: most of it in an hour, about a third of it in a day."""
    shop = workshop()
    _fill(shop, 10, lambda t: 5.0 - 5.0 * (t > NOW_S - 3 * 3600.0))
    outdoor_c = _ahead(shop).outdoor_c
    assert outdoor_c[2] == pytest.approx(0.0, abs=0.6)
    assert outdoor_c[96] == pytest.approx(5.0 - 5.0 / math.e, abs=0.6)


def test_the_stated_error_grows_and_holds(workshop):
    """On 200 random winters the error 24 h ahead is within one stated sd 60 to 76 % of the time.

    A normal error would be 68 % of the time; 200 draws have a sampling error of 3.3 %.
    """
    chance = random.Random(1)
    within = 0
    for _ in range(200):
        shop, level_k, keep = workshop(), 0.0, math.exp(-600.0 / DAY_S)
        truth = {}
        for k in range(-1440, 289):
            level_k = keep * level_k + chance.gauss(0.0, 3.0 * math.sqrt(1 - keep**2))
            truth[k] = _wave_c(NOW_S + 600.0 * k) + level_k
            if k < 0:
                shop.source.add("outdoor", NOW_S + 600.0 * k, truth[k])
        ahead = _ahead(shop)
        assert (np.diff(ahead.outdoor_sd_k) >= 0.0).all()
        within += abs(ahead.outdoor_c[96] - truth[144]) < ahead.outdoor_sd_k[96]
    assert 0.60 <= within / 200 <= 0.80


def test_a_few_hours_of_history_are_not_trusted(workshop):
    """Six calm hours: the expected error of any winter is stated, over 2 K a day ahead."""
    shop = workshop()
    _fill(shop, 0.25, lambda t: 3.0)
    ahead = _ahead(shop)
    assert ahead.outdoor_c == pytest.approx(3.0, abs=0.5)
    assert ahead.outdoor_sd_k[96] > 2.0


def test_no_outdoor_reading_gives_no_weather(workshop):
    """The caller then asks the room's own balance."""
    assert _ahead(workshop()) is None
    blind = weather_from_room(4.0, 5.0, AHEAD)
    assert (blind.outdoor_c[0], blind.outdoor_sd_k[-1]) == (4.0, 5.0)


def test_measured_sun_comes_at_its_hour(workshop):
    """Sun at noon on each of ten days: noon ahead has it, midnight none."""
    shop = workshop()
    sensor = Sensor("sun", Role.IRRADIANCE, "outdoor", "t/sun", "W/m2")
    shop.site = shop.site.__class__(
        **{f: getattr(shop.site, f) for f in shop.site.__slots__ if f != "sensors"},
        sensors=(*shop.site.sensors, sensor),
    )
    _fill(shop, 10, _wave_c)
    _fill(shop, 10, lambda t: 300.0 * (abs(t % DAY_S - 43200.0) < 7200.0), sensor="sun")
    ahead = _ahead(shop)
    assert ahead.sun_w_m2[48] == pytest.approx(300.0, abs=5.0)
    assert ahead.sun_w_m2[0] == 0.0
    assert ahead.sun_sd_w_m2[48] > 20.0
