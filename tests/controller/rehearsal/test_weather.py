"""Weather files, interpolation, and the sun on tilted planes."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from controller.rehearsal.sunlight import diffuse_share, on_plane_w_m2, sun_direction
from controller.rehearsal.weather import DEFAULT_WEATHER, Weather, WeatherError, read_weather

from . import make_winter

HEADER = "month,day,hour,outdoor_c,irradiance_w_m2,wind_m_s\n"
MEASURED = "time,outdoor_c,irradiance_w_m2,wind_m_s\n"


def utc_s(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


def test_shipped_winter_is_what_the_script_makes() -> None:
    """The shipped file holds the source's own numbers, October to April, and stays small."""
    text = DEFAULT_WEATHER.read_text(encoding="utf-8")
    assert text == make_winter.winter_text()
    assert len(text) < 300_000


def test_temperature_stands_at_the_end_of_its_local_standard_hour(winter: Weather) -> None:
    """Row 1 October hour 1 (14.4 °C) is 01:00 local standard time, 06:00 UTC; then 15.0 °C."""
    at = winter.at([utc_s(2024, 10, 1, 6), utc_s(2024, 10, 1, 6, 30), utc_s(2024, 10, 1, 7)])
    assert at.outdoor_c == pytest.approx([14.4, 14.7, 15.0])


def test_midnight_ends_the_day_before(winter: Weather) -> None:
    """Hour 24 of a day is 00:00 of the next in local standard time."""
    wanted = winter.rows[(1, 5, 24)][0]
    assert winter.at([utc_s(2025, 1, 6, 5)]).outdoor_c[0] == pytest.approx(wanted)


def test_irradiance_is_a_mean_of_the_hour_before(winter: Weather) -> None:
    """The mean of an hour belongs to its middle, and an hour's energy is kept within 10 %."""
    wanted = winter.rows[(1, 6, 12)][1]
    assert winter.at([utc_s(2025, 1, 6, 16, 30)]).irradiance_w_m2[0] == pytest.approx(wanted)
    day = winter.at(utc_s(2025, 1, 6, 5) + np.arange(0.0, 86400.0, 60.0))
    total = sum(winter.rows[(1, 6, hour)][1] for hour in range(1, 25))
    assert day.irradiance_w_m2.mean() * 24 == pytest.approx(total, rel=0.1)


def test_leap_day_repeats_the_day_before(winter: Weather) -> None:
    """A typical year has no 29 February: the 28th stands in."""
    leap, before = winter.at([utc_s(2024, 2, 29, 17)]), winter.at([utc_s(2024, 2, 28, 17)])
    assert leap.outdoor_c == pytest.approx(before.outdoor_c)


def test_placed_weather_keeps_its_noon(winter: Weather) -> None:
    """Moved to Central Europe, local hour 12 is 11:00 UTC and the sun is as high as it was."""
    moved = winter.placed_at(latitude_deg=50.0, longitude_deg=9.0, utc_offset_h=1.0)
    assert moved.at([utc_s(2025, 1, 6, 11)]).outdoor_c[0] == winter.rows[(1, 6, 12)][0]
    here, _ = sun_direction(np.array([utc_s(2025, 1, 6, 17)]), winter.station)
    there, _ = sun_direction(np.array([utc_s(2025, 1, 6, 11)]), moved.station)
    # the same sun but for six hours of the year's course: 0.1 deg of declination
    assert there == pytest.approx(here, abs=0.002)


def test_missing_summer_is_named(winter: Weather) -> None:
    """A span that the file does not hold is refused with the first hour that is missing."""
    winter.check_span(utc_s(2024, 10, 2), utc_s(2025, 4, 30))
    with pytest.raises(WeatherError, match="no weather for 2025-05-01 hour 2"):
        winter.check_span(utc_s(2025, 4, 20), utc_s(2025, 5, 3))


def test_measured_weather_is_read_by_its_own_times(tmp_path: Path) -> None:
    """ISO times with an offset of half an hour are full hours of that offset."""
    path = tmp_path / "w.csv"
    rows = [f"2024-01-01T0{hour}:00+05:30,{hour},0,1\n" for hour in range(4)]
    path.write_text(MEASURED + "".join(rows))
    weather = read_weather(path)
    assert weather.at([utc_s(2023, 12, 31, 20, 0)]).outdoor_c[0] == pytest.approx(1.5)
    placed = weather.placed_at(latitude_deg=10.0, longitude_deg=77.0, utc_offset_h=5.5)
    assert placed.station.latitude_deg == 10.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b,c\n1,2,3\n1,2,3\n", r":1: columns are a, b, c; expected month"),
        (HEADER + "1,1,1,0,0,0\n1,1,25,0,0,0\n", r":3: hour is 25; expected 1 to 24"),
        (HEADER + "1,1,1,0,0,0\n2,30,1,0,0,0\n", r":3: no such month, day and hour"),
        (HEADER + "1,1,1,0,0,0\n1,1,2,warm,0,0\n", r":3: outdoor_c is 'warm'"),
        (HEADER + "1,1,1,nan,0,0\n1,1,2,1,0,0\n", r":2: outdoor_c is 'nan'"),
        (HEADER + "1,1,1,0,-5,0\n1,1,2,1,0,0\n", r":2: irradiance_w_m2 is -5; expected 0 to 1500"),
        (HEADER + "1,1,1,0,0\n1,1,2,1,0,0\n", r":2: 5 cells; the header has 6"),
        (MEASURED + "2024-01-01T00:00,1,0,0\n" * 2, r":2: '2024-01-01T00:00' has no UTC offset"),
        (MEASURED + "2024-01-01T00:10Z,1,0,0\n" * 2, r":2: 2024-01-01T00:10Z is not a full hour"),
        (MEASURED + "yesterday,1,0,0\n" * 2, r":2: time is 'yesterday'; expected ISO 8601"),
        ("# only notes\n", r"a header line and at least two rows"),
    ],
)
def test_bad_files_are_refused_with_file_and_line(tmp_path: Path, text: str, message: str) -> None:
    """Each fault is named with its line, what was wrong and what would be right."""
    path = tmp_path / "w.csv"
    path.write_text(text)
    with pytest.raises(WeatherError, match=message):
        read_weather(path)


def test_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is an error of its own."""
    with pytest.raises(WeatherError, match="cannot be read"):
        read_weather(tmp_path / "none.csv")


def test_sun_stands_where_pvlib_says(winter: Weather) -> None:
    """Zenith within 0.4 deg and azimuth within 0.6 deg of pvlib (NREL SPA) through a winter."""
    times = pd.date_range("2024-10-01", "2025-04-30", freq="97min", tz="UTC")
    station = winter.station
    theirs = pvlib.solarposition.get_solarposition(
        times, station.latitude_deg, station.longitude_deg
    )
    seconds = times.as_unit("s").asi8.astype(float)
    cos_zenith, azimuth = sun_direction(seconds, station)
    up = (theirs["zenith"] < 85.0).to_numpy()
    ours = np.degrees(np.arccos(cos_zenith[up]))
    # Spencer's series is good to about 0.3 deg
    assert np.abs(ours - theirs["zenith"].to_numpy()[up]).max() < 0.4
    turned = (np.degrees(azimuth[up]) - theirs["azimuth"].to_numpy()[up] + 180.0) % 360.0 - 180.0
    assert np.abs(turned).max() < 0.6


def test_diffuse_share_is_that_of_erbs() -> None:
    """The same polynomial as pvlib's erbs, within rounding."""
    clearness = np.linspace(0.0, 1.0, 41)
    zenith = np.full(41, 40.0)
    outside = pvlib.irradiance.get_extra_radiation(100) * np.cos(np.radians(zenith))
    theirs = pvlib.irradiance.erbs(clearness * outside, zenith, 100)
    share = theirs["dhi"][1:] / (clearness * outside)[1:]
    assert diffuse_share(clearness)[1:] == pytest.approx(share, abs=1e-3)


def test_flat_plane_sees_the_measured_irradiance(winter: Weather) -> None:
    """A horizontal plane gets back exactly the global irradiance it was split from."""
    times = utc_s(2025, 1, 6) + np.arange(0.0, 86400.0, 600.0)
    given = winter.at(times).irradiance_w_m2
    flat = on_plane_w_m2(times, given, winter.station, azimuth_deg=180.0, tilt_deg=0.0)
    assert flat == pytest.approx(given, abs=1e-6)


def test_south_window_beats_north_in_winter(winter: Weather) -> None:
    """On a January day a south window gets a multiple of what a north window gets."""
    times = utc_s(2025, 1, 6, 5) + np.arange(0.0, 86400.0, 600.0)
    given = winter.at(times).irradiance_w_m2
    south, north = (
        on_plane_w_m2(times, given, winter.station, azimuth_deg=a, tilt_deg=90.0).sum()
        for a in (180.0, 0.0)
    )
    assert south > 2.0 * north


def test_measured_weather_stays_where_it_is(winter: Weather) -> None:
    """Weather with its own times and place is not moved."""
    measured = replace(winter, typical=False)
    assert measured.placed_at(latitude_deg=0.0, longitude_deg=0.0, utc_offset_h=0.0) == measured
