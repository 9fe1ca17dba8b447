"""Winters of real stations, read out of Python packages where they lie; nothing is copied.

Typical years of the National Solar Radiation Data Base (TMY3, NREL) come with pvlib; test reference
years of the German weather service (TRY 2010, hourly, central European time) with demandlib.
"""

from __future__ import annotations

import csv
import importlib.util
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from controller.rehearsal.weather import DEFAULT_WEATHER, Row, Station, Weather, read_weather

MONTHS = (10, 11, 12, 1, 2, 3, 4)
"""Heating season: the workshop takes deep soil from the mean of the hours given."""
_TRY_END_OF_HEAD = "***"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a station is and which file of which package holds its year.

    ``file`` None means the winter that the project ships.
    """

    time_zone: str
    station: Station
    package: str = ""
    file: str | None = None


_EUROPE = "Europe/Berlin"


def _reference_year(region: int, latitude_deg: float, longitude_deg: float) -> Place:
    file = f"vdi/resources_weather/TRY2010_{region:02d}_Jahr.dat"
    return Place(_EUROPE, Station(latitude_deg, longitude_deg, 1.0), "demandlib", file)


PLACES: dict[str, Place] = {
    "greensboro": Place("America/New_York", Station(36.1, -79.95, -5.0)),
    "sand-point": Place(
        "America/Anchorage", Station(55.317, -160.517, -9.0), "pvlib", "data/703165TY.csv"
    ),
    "hamburg": _reference_year(3, 53.633, 10.0),
    "potsdam": _reference_year(4, 52.383, 13.067),
    "mannheim": _reference_year(12, 49.517, 8.55),
    "muehldorf": _reference_year(13, 48.283, 12.5),
}


@cache
def winter(name: str) -> Weather:
    """October to April at one of `PLACES`, as a typical winter.

    Raises
    ------
    ModuleNotFoundError
        Where the package that holds it is not installed.
    """
    place = PLACES[name]
    if place.file is None:
        return read_weather(DEFAULT_WEATHER)
    path = _folder(place.package) / place.file
    read = _typical_rows if path.suffix == ".csv" else _reference_rows
    rows: dict[int | tuple[int, int, int], Row] = {
        key: row for key, row in read(path).items() if key[0] in MONTHS
    }
    return Weather(name=str(path), station=place.station, typical=True, rows=rows)


def _folder(package: str) -> Path:
    """Folder of an installed package; it is not imported, for that takes seconds."""
    found = importlib.util.find_spec(package)
    if found is None or not found.submodule_search_locations:
        raise ModuleNotFoundError(f"{package} is not installed: pip install {package}")
    return Path(found.submodule_search_locations[0])


def _typical_rows(path: Path) -> dict[tuple[int, int, int], Row]:
    """A TMY3 file: a station line, a header, one row an hour, hours 1 to 24 standard time."""
    with path.open(newline="") as stream:
        next(stream)
        rows = {}
        for row in csv.DictReader(stream):
            month, day = (int(text) for text in row["Date (MM/DD/YYYY)"].split("/")[:2])
            hour = int(row["Time (HH:MM)"][:2])
            rows[month, day, hour] = (
                float(row["Dry-bulb (C)"]),
                float(row["GHI (W/m^2)"]),
                float(row["Wspd (m/s)"]),
            )
        return rows


def _reference_rows(path: Path) -> dict[tuple[int, int, int], Row]:
    """A TRY 2010 file: a head up to ``***``, then region, place, month, day, hour 1 to 24, ....

    Wind is column 8, temperature 9, direct and diffuse irradiance on the horizontal 14 and 15.
    """
    _, _, body = path.read_text(encoding="latin-1").partition(f"{_TRY_END_OF_HEAD}\n")
    rows = {}
    for line in body.splitlines():
        cells = line.split()
        month, day, hour = (int(text) for text in cells[2:5])
        outdoor_c, wind_m_s = float(cells[8]), float(cells[7])
        irradiance_w_m2 = max(0.0, float(cells[13]) + float(cells[14]))
        rows[month, day, hour] = (outdoor_c, irradiance_w_m2, wind_m_s)
    return rows
