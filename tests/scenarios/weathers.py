"""Weather for the stage: the winter that the project ships, shifted or held, and an open door."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from controller.records.site import Site
from controller.rehearsal.surroundings import Day, Surroundings
from controller.rehearsal.weather import DEFAULT_WEATHER, Row, Weather, read_weather

MINUTE_S = 60.0
DAY_S = 86400.0


@cache
def _winter() -> Weather:
    return read_weather(DEFAULT_WEATHER)


def winter(site: Site, start: datetime, *, colder_k: float, since: datetime) -> Weather:
    """The shipped winter under the site's own noon, colder by so much [K] from a moment on."""
    zone = ZoneInfo(site.time_zone)
    standard = start.astimezone(zone).utcoffset() or timedelta()
    standard -= start.astimezone(zone).dst() or timedelta()
    first = since.month, since.day, since.hour + 1
    rows = {
        key: (c - colder_k if _as_date(key) >= first else c, sun, wind)
        for key, (c, sun, wind) in _winter().rows.items()
    }
    shifted = dataclasses.replace(_winter(), rows=rows)
    return shifted.placed_at(
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        utc_offset_h=standard.total_seconds() / 3600.0,
    )


def _as_date(key: int | tuple[int, int, int]) -> tuple[int, int, int]:
    assert isinstance(key, tuple)  # a typical year
    return key


def held_at(weather: Weather, outdoor_c: float, *, wind_m_s: float = 4.0) -> Weather:
    """The same place under a dull sky at one temperature day and night [°C]."""
    row: Row = (outdoor_c, 0.0, wind_m_s)
    rows: Mapping[int | tuple[int, int, int], Row] = dict.fromkeys(weather.rows, row)
    return dataclasses.replace(weather, rows=rows)


class OpenDoor(Surroundings):
    """The same surroundings, with doors wide open from one moment to another [UTC s]."""

    def leave_open(self, since_s: float, until_s: float, *, zone: str | None) -> None:
        """Say when, and whose; None for all."""
        self._open, self._of = (since_s, until_s), zone

    def day(self, number: int) -> Day:
        """The day with its doors open."""
        day = super().day(number)
        minutes = [number * DAY_S + i * MINUTE_S for i in range(len(day.outdoor_c))]
        since_s, until_s = self._open
        zones = tuple(
            dataclasses.replace(
                zone,
                door=[
                    1.0 if since_s <= at_s < until_s and self._of in (None, own.id) else share
                    for at_s, share in zip(minutes, zone.door, strict=True)
                ],
            )
            for zone, own in zip(day.zones, self._zones, strict=True)
        )
        return dataclasses.replace(day, zones=zones)
