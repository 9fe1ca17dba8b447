"""The benchmark's seasons are what they say: winters, bookings, buildings that start the same."""

from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from controller.rehearsal.building import Forecasting
from controller.rehearsal.workshop import Workshop, needed_weather
from tests.bench.bookings import TARGETS_C
from tests.bench.cases import KINDS, STATIONS, case
from tests.bench.weathers import winter

DAY_S = 86400.0
DECEMBER_TO_FEBRUARY = (12, 1, 2)


every_station = pytest.mark.parametrize("station", STATIONS)


@every_station
def test_station_has_a_heating_season(station: str) -> None:
    """Mean of December to February from -2 to 4 °C, whole months, sun only by day.

    The span is what one expects of these places; from memory.
    """
    rows = winter(station).rows
    assert len(rows) == 24 * (31 + 30 + 31 + 31 + 28 + 31 + 30)
    core = np.array([rows[key] for key in rows if key[0] in DECEMBER_TO_FEBRUARY])
    assert -2.0 < core[:, 0].mean() < 4.0
    assert all(rows[1, day, hour][1] == 0.0 for day in range(1, 32) for hour in (1, 2, 3, 23, 24))
    assert 300.0 < core[:, 1].max() < 900.0


@every_station
def test_sun_and_station_agree(station: str) -> None:
    """Morning and afternoon light balance about the sun's noon, so clock and place fit.

    Noon from longitude alone; clouds and the equation of time leave up to half an hour.
    """
    weather = winter(station)
    clock_h = np.array([key[2] - 0.5 for key in weather.rows])
    light = np.array([row[1] for row in weather.rows.values()])
    centre_h = float((clock_h * light).sum() / light.sum())
    noon_h = 12.0 + weather.station.utc_offset_h - weather.station.longitude_deg / 15.0
    assert centre_h == pytest.approx(noon_h, abs=0.6)


@every_station
@pytest.mark.parametrize("seed", range(12))
def test_weather_reaches_over_every_season(station: str, seed: int) -> None:
    """No season asks for an hour that its station's file does not hold."""
    span = case("ordinary", station, seed, forecast=False).span
    winter(station).check_span(*needed_weather(span.start_s, span.end_s))


@pytest.mark.parametrize("seed", range(12))
def test_bookings_are_those_of_an_occasional_user(seed: int) -> None:
    """24 to 38 sessions in twelve weeks, apart from each other, and two weeks away once."""
    made = case("ordinary", "greensboro", seed, forecast=False)
    assert 24 <= len(made.sessions) <= 38
    assert all(TARGETS_C[0] <= s.target_c <= TARGETS_C[1] for s in made.sessions)
    assert made.span.start_s < made.sessions[0].start_s
    assert made.sessions[-1].end_s < made.span.end_s
    gaps_s = [later.start_s - earlier.end_s for earlier, later in pairwise(made.sessions)]
    assert min(gaps_s) > 6 * 3600.0
    assert 13.0 * DAY_S < max(gaps_s) < 21.0 * DAY_S


def test_seasons_differ_by_seed_and_keep_to_it() -> None:
    """The same seed books the same, kind and forecast aside; another seed books otherwise."""
    thin = case("thin", "greensboro", 5, forecast=True)
    heavy = case("heavy", "greensboro", 5, forecast=False)
    assert thin.sessions == heavy.sessions
    assert thin.span == heavy.span
    assert case("thin", "greensboro", 6, forecast=True).sessions != thin.sessions


@every_station
def test_span_runs_from_local_midnight_to_midnight(station: str) -> None:
    """84 days from a Monday in November or December on, in the station's own time."""
    made = case("weak", station, 4, forecast=False)
    zone = ZoneInfo(made.site.time_zone)
    first, last = (datetime.fromtimestamp(s, zone) for s in (made.span.start_s, made.span.end_s))
    assert (first.weekday(), first.hour, last.hour) == (0, 0, 0)
    assert last.date() - first.date() == timedelta(days=84)


@pytest.mark.parametrize("kind", KINDS)
def test_buildings_start_the_same_and_are_off_the_description(kind: str) -> None:
    """Each call makes a new building in one first state, its rating off by up to 25 %."""
    made = case(kind, "greensboro", 3, forecast=True)
    first, second = made.make_building(), made.make_building()
    assert isinstance(first, Forecasting)
    assert isinstance(first, Workshop)
    assert isinstance(second, Workshop)
    assert first.truth() == second.truth()
    off = first.heater.rating_w / made.heater.rating_w
    assert 0.75 <= off <= 1.25
    assert off != 1.0
    plain = case(kind, "greensboro", 3, forecast=False).make_building()
    assert not isinstance(plain, Forecasting)
