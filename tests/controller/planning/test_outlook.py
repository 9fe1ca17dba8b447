"""The weather ahead from the site's own sensors, and what it says of its own error."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest

from controller.planning.history import Grid
from controller.planning.outlook import weather_ahead, weather_from_room
from controller.records.site import Role, Sensor
from models.clear_sky import clear_sky_w_m2
from models.solar_position import sun_position

DAY_S = 86400.0
NOW_S = 1_770_000_000.0 - 1_770_000_000.0 % DAY_S  # 2026-02-01 00:00 UTC
AHEAD = Grid(NOW_S, 900.0, 288)
WEEK = Grid(NOW_S, 900.0, 672)
SUN = Sensor("sun", Role.IRRADIANCE, "outdoor", "t/sun", "W/m2")


def _wave_c(at_s):
    return 5.0 + 4.0 * math.cos(2 * math.pi * (at_s / DAY_S - 0.6))


def _fill(shop, days, value_at, sensor="outdoor", every_s=600.0):
    for k in range(int(days * DAY_S / every_s)):
        at_s = NOW_S - days * DAY_S + every_s * k
        shop.source.add(sensor, at_s, value_at(at_s))


def _ahead(shop, grid=AHEAD):
    return weather_ahead(shop.source, shop.site, now_s=NOW_S, grid=grid)


def _with_sun(shop):
    shop.site = replace(shop.site, sensors=(*shop.site.sensors, SUN))
    return shop


def _clear_w_m2(shop, times_s):
    place = {"latitude_deg": shop.site.latitude_deg, "longitude_deg": shop.site.longitude_deg}
    return clear_sky_w_m2(sun_position(np.atleast_1d(times_s), **place).zenith_deg)


def _restless(chance, slots):
    """Half-hourly departures of weather: 3.5 K forgotten in three days, 1 K in six hours."""
    course = np.zeros(slots)
    for sd_k, hours in ((3.5, 72.0), (1.0, 6.0)):
        kept, level_k = math.exp(-0.5 / hours), chance.gauss(0.0, sd_k)
        for k in range(slots):
            course[k] += level_k
            level_k = kept * level_k + chance.gauss(0.0, sd_k * math.sqrt(1 - kept**2))
    return course


def test_a_steady_daily_wave_goes_on(workshop):
    """Twenty equal days: three more are foretold within 0.4 K of the 4 K wave.

    The share of the wave that is taken to pass fades with 48 h, which costs a few percent.
    """
    shop = workshop()
    _fill(shop, 20, _wave_c)
    expected = [_wave_c(t) for t in AHEAD.middles_s()]
    assert np.abs(_ahead(shop).outdoor_c - expected).max() < 0.4


def test_a_cold_spell_of_days_fades_slowly_and_one_of_hours_fast(workshop):
    """Five kelvin below the usual now: after a day more than half is left where it held for days.

    Where it came three hours ago and the air was level before, the first day's mean of both is
    still below the usual, that of the long spell the lower.
    """
    spells = []
    for hours in (3, 96):
        shop = workshop()
        since_s = NOW_S - hours * 3600.0
        _fill(shop, 20, lambda t, since_s=since_s: 5.0 - 5.0 * (t > since_s))
        spells.append(_ahead(shop).outdoor_c)
    brief, long = spells
    assert brief[2] == pytest.approx(0.0, abs=0.6)
    assert 0.5 < long[96] < 2.5
    assert long[:96].mean() < brief[:96].mean() < 3.5


def test_the_stated_error_holds_from_an_hour_to_a_week(workshop):
    """Of 120 random winters the 80 % interval holds 80 % at 1 h, 1, 3 and 7 days, within 11 %.

    The sampling error of 120 draws is 3.7 %; the parts here differ from those assumed.
    """
    chance = random.Random(1)
    slots = (3, 96, 288, 671)
    held = np.zeros(len(slots))
    for _ in range(120):
        shop = workshop()
        course = _restless(chance, 27 * 48 + 1)
        first_s = NOW_S - 20 * DAY_S
        truth = {
            first_s + 1800.0 * k: _wave_c(first_s + 1800.0 * k) + v for k, v in enumerate(course)
        }
        for at_s, value in truth.items():
            if at_s < NOW_S:
                shop.source.add("outdoor", at_s + 900.0, value)
        ahead = _ahead(shop, WEEK)
        true_c = np.interp(WEEK.middles_s() - 900.0, list(truth), list(truth.values()))
        held += (np.abs(ahead.outdoor_c - true_c) < 1.2816 * ahead.outdoor_sd_k)[list(slots)]
    assert held / 120 == pytest.approx(0.8, abs=0.11)


def test_the_errors_memory_is_about_a_day(workshop):
    """Slow weather of 66 h and what is known of it now: the error keeps its sign for 20 to 40 h."""
    shop = workshop()
    _fill(shop, 20, _wave_c)
    assert 20 * 3600.0 < _ahead(shop).outdoor_memory_s < 40 * 3600.0


def test_a_few_hours_of_history_are_not_trusted(workshop):
    """Six calm hours: a day ahead the expected error of any winter is stated, over 2.5 K."""
    shop = workshop()
    _fill(shop, 0.25, lambda t: 3.0)
    ahead = _ahead(shop)
    assert ahead.outdoor_c[:4] == pytest.approx(3.0, abs=0.6)
    assert ahead.outdoor_sd_k[96] > 2.5


def test_readings_that_ended_ten_hours_ago_count_with_their_age(workshop):
    """A sensor silent for ten hours: the error of this very moment is that of ten hours ahead."""
    fresh, stale = workshop(), workshop()
    _fill(fresh, 10, _wave_c)
    for at_s, value in fresh.source.samples("outdoor", 0.0, NOW_S - 36000.0):
        stale.source.add("outdoor", at_s, value)
    ten_hours = 40
    late = _ahead(stale).outdoor_sd_k[0]
    # the fresh one knows more of the daily wave at that hour
    assert late == pytest.approx(_ahead(fresh).outdoor_sd_k[ten_hours], rel=0.2)


def test_no_outdoor_reading_gives_no_weather(workshop):
    """The caller then asks the room's own balance."""
    assert _ahead(workshop()) is None
    blind = weather_from_room(4.0, 5.0, AHEAD)
    assert (blind.outdoor_c[0], blind.outdoor_sd_k[-1]) == (4.0, 5.0)


def test_without_a_sun_sensor_there_is_no_sun(workshop):
    """Not fitted: zero with no error, as the response then holds no sun either."""
    shop = workshop()
    _fill(shop, 10, _wave_c)
    ahead = _ahead(shop)
    assert not ahead.sun_w_m2.any()
    assert not ahead.sun_sd_w_m2.any()


def test_half_clear_days_go_on_under_tomorrows_sky(workshop):
    """Ten days at half of the clear sky: tomorrow 0.45 to 0.55 of it, dark at night.

    The prior mean of 0.45 draws, and samples stand a little ahead of their slots' middles.
    """
    shop = _with_sun(workshop())
    _fill(shop, 10, _wave_c)
    _fill(shop, 10, lambda t: 0.5 * _clear_w_m2(shop, t)[0], sensor="sun", every_s=300.0)
    ahead = _ahead(shop)
    clear_w_m2 = _clear_w_m2(shop, AHEAD.middles_s())
    lit = clear_w_m2 > 50.0
    assert ahead.sun_w_m2[lit] / clear_w_m2[lit] == pytest.approx(0.5, abs=0.05)
    assert not ahead.sun_w_m2[clear_w_m2 == 0.0].any()
    assert (ahead.sun_sd_w_m2[lit] > 0.1 * clear_w_m2[lit]).all()


def test_a_bright_afternoon_brightens_tomorrow_more_than_the_day_after(workshop):
    """Nine dull days and a clear one: clearness fades back towards dull."""
    shop = _with_sun(workshop())
    _fill(shop, 10, _wave_c)

    def sun_w_m2(at_s):
        share = 0.9 if at_s > NOW_S - DAY_S else 0.2
        return share * _clear_w_m2(shop, at_s)[0]

    _fill(shop, 10, sun_w_m2, sensor="sun", every_s=1800.0)
    first, second, third = _ahead(shop).sun_w_m2.reshape(3, 96).sum(axis=1)
    assert first > 1.1 * second > 1.1 * third
