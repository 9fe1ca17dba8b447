"""Hourly weather from a small file: outdoor temperature, global irradiance, wind.

A file has a header line and one row an hour. Two forms are read:

``month,day,hour,outdoor_c,irradiance_w_m2,wind_m_s``
    a typical year: no calendar year, hours 1 to 24 of local standard time;
``time,outdoor_c,irradiance_w_m2,wind_m_s``
    measured weather: ISO 8601 times with their UTC offset, on full hours.

A row holds temperature and wind at the end of its hour and the mean irradiance (global,
horizontal) of that hour. Lines ``# name: value`` ahead of the header may give latitude_deg,
longitude_deg and utc_offset_h of the station; other lines that start with ``#`` are notes.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

HOUR_S = 3600.0
DEFAULT_WEATHER = Path(__file__).parent / "data" / "greensboro_winter.csv"
_VALUES = ("outdoor_c", "irradiance_w_m2", "wind_m_s")
_TYPICAL = ("month", "day", "hour", *_VALUES)
_MEASURED = ("time", *_VALUES)
_NOTES = ("latitude_deg", "longitude_deg", "utc_offset_h")
_SPANS = {"outdoor_c": (-60.0, 60.0), "irradiance_w_m2": (0.0, 1500.0), "wind_m_s": (0.0, 80.0)}
_EPOCH = date(1970, 1, 1)

Row = tuple[float, float, float]
Floats = NDArray[np.float64]


class WeatherError(Exception):
    """A weather file cannot be used; the message names the file and, where it fits, the line."""


@dataclass(frozen=True, slots=True)
class Station:
    """Where the sun stands for this weather; ``utc_offset_h`` is that of local standard time."""

    latitude_deg: float
    longitude_deg: float
    utc_offset_h: float


@dataclass(frozen=True, slots=True)
class WeatherSlice:
    """Weather at given times, all of shape (n,): [°C], [W/m2], [m/s]."""

    outdoor_c: Floats
    irradiance_w_m2: Floats
    wind_m_s: Floats


@dataclass(frozen=True, slots=True)
class Weather:
    """Weather by the hour, interpolated linearly.

    ``rows`` is keyed by hour since 1970 in local standard time (measured) or by
    ``(month, day, hour)`` (typical).
    """

    name: str
    station: Station
    typical: bool
    rows: Mapping[int | tuple[int, int, int], Row]

    def at(self, times_s: Sequence[float] | Floats) -> WeatherSlice:
        """Weather at these moments (UTC seconds, ascending).

        Raises
        ------
        WeatherError
            Where the file does not hold the hours around them.
        """
        local_h = np.asarray(times_s, dtype=np.float64) / HOUR_S + self.station.utc_offset_h
        first, last = math.floor(local_h[0]), math.ceil(local_h[-1]) + 1
        hours = np.arange(first, last + 1, dtype=np.float64)
        table = np.array([self._row(int(hour), last) for hour in hours])
        return WeatherSlice(
            outdoor_c=np.interp(local_h, hours, table[:, 0]),
            # a mean over the hour that ends at the stamp belongs to the middle of that hour
            irradiance_w_m2=np.interp(local_h, hours - 0.5, table[:, 1]),
            wind_m_s=np.interp(local_h, hours, table[:, 2]),
        )

    def check_span(self, start_s: float, end_s: float) -> None:
        """Refuse a rehearsal for which weather is missing.

        Raises
        ------
        WeatherError
            Naming the first hour that the file does not hold.
        """
        offset = self.station.utc_offset_h
        first = math.floor(start_s / HOUR_S + offset)
        for hour in range(first, math.ceil(end_s / HOUR_S + offset) + 1):
            self._row(hour, hour)

    def placed_at(
        self, *, latitude_deg: float, longitude_deg: float, utc_offset_h: float
    ) -> Weather:
        """Typical weather moved to a site's standard time, so that its noon stays noon.

        Measured weather keeps its own times. The sun keeps the station's latitude and its
        distance from the time zone's meridian, since the irradiance was measured under that sun.
        """
        if math.isnan(self.station.latitude_deg):
            offset_h = utc_offset_h if self.typical else self.station.utc_offset_h
            return replace(self, station=Station(latitude_deg, longitude_deg, offset_h))
        if not self.typical:
            return self
        shift_deg = 15.0 * (utc_offset_h - self.station.utc_offset_h)
        moved = Station(
            self.station.latitude_deg, self.station.longitude_deg + shift_deg, utc_offset_h
        )
        return replace(self, station=moved)

    def mean_outdoor_c(self) -> float:
        """Mean outdoor temperature of the whole file [°C]."""
        return sum(row[0] for row in self.rows.values()) / len(self.rows)

    def _row(self, hour: int, last: int) -> Row:
        row = self.rows.get(self._key(hour))
        if row is None and hour == last:  # interpolation alone reaches past the last hour
            row = self.rows.get(self._key(hour - 1))
        if row is None:
            stamp = _day_of(hour).isoformat()
            raise WeatherError(f"{self.name}: no weather for {stamp} hour {(hour - 1) % 24 + 1}")
        return row

    def _key(self, hour: int) -> int | tuple[int, int, int]:
        if not self.typical:
            return hour
        day = _day_of(hour)
        month_day = (2, 28) if (day.month, day.day) == (2, 29) else (day.month, day.day)
        return (*month_day, (hour - 1) % 24 + 1)


def _day_of(hour: int) -> date:
    """The date to which an hour-ending stamp belongs: midnight ends the day before."""
    return _EPOCH + timedelta(days=(hour - 1) // 24)


def read_weather(path: Path) -> Weather:
    """Read a weather file.

    Raises
    ------
    WeatherError
        With file and line, for anything that does not fit the form.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise WeatherError(f"{path}: cannot be read: {error}") from error
    notes = dict(_notes(path, lines))
    numbered = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and line[0] != "#"]
    if len(numbered) < 3:
        raise WeatherError(f"{path}: a header line and at least two rows are expected")
    header_line, header = numbered[0]
    names = tuple(name.strip() for name in header.split(","))
    if set(names) not in (set(_TYPICAL), set(_MEASURED)):
        raise WeatherError(
            f"{path}:{header_line}: columns are {', '.join(names)}; "
            f"expected {', '.join(_TYPICAL)} or {', '.join(_MEASURED)}"
        )
    typical = "month" in names
    records = [_record(path, number, names, line) for number, line in numbered[1:]]
    offset_h = notes.get("utc_offset_h", 0.0) if typical else _first_offset(path, records[0])
    key_of = _typical_key if typical else _measured_key
    rows = {key_of(path, record, offset_h): _row(path, record) for record in records}
    latitude_deg, longitude_deg = (notes.get(name, math.nan) for name in _NOTES[:2])
    station = Station(latitude_deg, longitude_deg, offset_h)
    return Weather(name=str(path), station=station, typical=typical, rows=rows)


@dataclass(frozen=True, slots=True)
class _Record:
    line: int
    cells: Mapping[str, str]


def _notes(path: Path, lines: list[str]) -> Iterator[tuple[str, float]]:
    for number, line in enumerate(lines, 1):
        name, colon, text = line.lstrip("# ").partition(":")
        if line.startswith("#") and colon and name in _NOTES:
            yield name, _float(path, number, name, text)


def _record(path: Path, number: int, names: tuple[str, ...], line: str) -> _Record:
    cells = next(csv.reader([line]))
    if len(cells) != len(names):
        raise WeatherError(f"{path}:{number}: {len(cells)} cells; the header has {len(names)}")
    return _Record(number, dict(zip(names, cells, strict=True)))


def _float(path: Path, number: int, name: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise WeatherError(f"{path}:{number}: {name} is {text.strip()!r}; a number is expected")
    return value


def _row(path: Path, record: _Record) -> Row:
    values = []
    for name in _VALUES:
        value = _float(path, record.line, name, record.cells[name])
        low, high = _SPANS[name]
        if not low <= value <= high:
            raise WeatherError(
                f"{path}:{record.line}: {name} is {value:g}; expected {low:g} to {high:g}"
            )
        values.append(value)
    return values[0], values[1], values[2]


def _typical_key(path: Path, record: _Record, _offset_h: float) -> tuple[int, int, int]:
    cells = record.cells
    try:
        key = (int(cells["month"]), int(cells["day"]), int(cells["hour"]))
        date(2001, key[0], key[1])
    except ValueError as error:
        raise WeatherError(f"{path}:{record.line}: no such month, day and hour: {error}") from error
    if not 1 <= key[2] <= 24:
        raise WeatherError(f"{path}:{record.line}: hour is {key[2]}; expected 1 to 24")
    return key


def _time(path: Path, record: _Record) -> datetime:
    text = record.cells["time"].strip()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise WeatherError(f"{path}:{record.line}: time is {text!r}; expected ISO 8601") from error
    if moment.tzinfo is None:
        raise WeatherError(f"{path}:{record.line}: {text!r} has no UTC offset, as in +01:00 or Z")
    return moment


def _first_offset(path: Path, record: _Record) -> float:
    offset = _time(path, record).utcoffset()
    return offset.total_seconds() / HOUR_S if offset is not None else 0.0


def _measured_key(path: Path, record: _Record, offset_h: float) -> int:
    moment = _time(path, record).astimezone(UTC)
    hour = moment.timestamp() / HOUR_S + offset_h
    if abs(hour - round(hour)) > 1e-6:
        raise WeatherError(f"{path}:{record.line}: {record.cells['time']} is not a full hour")
    return round(hour)
